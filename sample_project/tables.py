"""The CSV tables of the sample jobs: their columns and how they are written."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path
from typing import Dict, Iterable, List, Sequence, Tuple

Row = Dict[str, object]

CONTROL = (
    "control_id", "easting", "northing", "elevation", "control_sigma_h", "control_sigma_v",
    "document", "description",
)
OBSERVATIONS = (
    "observation_id", "latitude", "longitude", "height", "sigma_e", "sigma_n", "sigma_u", "fix",
    "pole", "pole_kind", "session", "time", "source", "note",
)
PAIRS = (
    "control_id", "easting", "northing", "elevation", "observation_id", "latitude", "longitude",
    "height", "horizontal", "vertical", "control_sigma_h", "control_sigma_v", "sigma_e", "sigma_n",
    "sigma_u", "pole", "pole_kind", "session", "time", "fix", "source", "note",
)
TOPO_POINTS = (
    "id", "feature", "description", "latitude", "longitude", "height", "sigma_e", "sigma_n",
    "sigma_u", "fix", "session", "time",
)
DESIGN_AXIS = ("station", "easting", "northing", "elevation")


def write_table(path: Path, columns: Sequence[str], rows: Iterable[Row]) -> None:
    """Write rows as CSV, the old file staying whole until the new one is."""
    temporary = path.with_name(path.name + ".part")
    with open(temporary, "w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns, lineterminator="\n", restval="")
        writer.writeheader()
        writer.writerows(rows)
    os.replace(temporary, path)


def write_json(path: Path, value: object) -> None:
    """Write a value as JSON, the old file staying whole until the new one is."""
    temporary = path.with_name(path.name + ".part")
    temporary.write_text(json.dumps(value, indent=1) + "\n", encoding="utf-8")
    os.replace(temporary, path)


def pair_rows(
    pairs: Iterable[Tuple[str, str, str, str]], control: Sequence[Row], observations: Sequence[Row]
) -> List[Row]:
    """Rows of a pair table from (control id, observation id, horizontal role, vertical role)."""
    marks = {row["control_id"]: row for row in control}
    shots = {row["observation_id"]: row for row in observations}
    found = []
    for control_id, observation_id, horizontal, vertical in pairs:
        row = {**marks[control_id], **shots[observation_id]}
        row = {column: row.get(column, "") for column in PAIRS}
        row.update(horizontal=horizontal, vertical=vertical)
        found.append(row)
    return found
