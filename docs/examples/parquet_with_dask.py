"""Site coordinates for a Parquet dataset of any size, part by part, with Dask.

    python parquet_with_dask.py TIE.json SOURCE_FOLDER TARGET_FOLDER

Every file of the source is one part, and within it one row group after the other is in memory.
It needs the columns latitude and longitude (degrees in the observation CRS of the tie) and may
have height (ellipsoidal, metres). The target gets files of the same names with all columns and,
beside them, site_e, site_n, site_z and their standard deviations (one sigma) site_se, site_sn,
site_sz, in the units of the tie, and site_tie. A file appears when it is complete.

A tie is a plain value: it is pickled to the workers, wherever they are. Needs dask and pyarrow.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import List

import dask
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from sitetie.core import Tie
from sitetie.core.restate import restate

NUMBERS = {"site_e": "easting", "site_n": "northing", "site_z": "elevation",
           "site_se": "sigma_easting", "site_sn": "sigma_northing", "site_sz": "sigma_elevation"}


def with_site_coordinates(tie: Tie, table: pa.Table) -> pa.Table:
    """The table with the site columns, which replace older ones of their names."""
    def column(name: str) -> np.ndarray:
        return table[name].to_numpy().astype(float)

    height = column("height") if "height" in table.column_names else None
    found = restate(tie, column("latitude"), column("longitude"), height)
    table = table.drop_columns([name for name in (*NUMBERS, "site_tie")
                                if name in table.column_names])
    for name, attribute in NUMBERS.items():
        table = table.append_column(name, pa.array(getattr(found, attribute)))
    return table.append_column("site_tie", pa.array([tie.id[:12]] * len(found)))


def restate_part(tie: Tie, source: Path, target: Path) -> int:
    """Restate one file; returns its number of rows."""
    unfinished, writer, rows = target.with_name(f".{target.name}.part"), None, 0
    with pq.ParquetFile(source) as file:
        for group in range(file.num_row_groups):
            table = with_site_coordinates(tie, file.read_row_group(group))
            writer = writer or pq.ParquetWriter(unfinished, table.schema)
            writer.write_table(table)
            rows += table.num_rows
    if writer is not None:
        writer.close()
        os.replace(unfinished, target)
    return rows


def main(tie_file: str, source: str, target: str, scheduler: str = "processes") -> int:
    """Restate all files of a folder; returns the number of rows."""
    tie = Tie.load(tie_file)
    Path(target).mkdir(parents=True, exist_ok=True)
    parts: List = [
        dask.delayed(restate_part)(tie, path, Path(target) / path.name)
        for path in sorted(Path(source).glob("*.parquet"))
    ]
    # On a cluster make a dask.distributed.Client first and leave the scheduler out.
    return sum(dask.compute(*parts, scheduler=scheduler))


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    print(f"{main(*sys.argv[1:])} rows restated")
