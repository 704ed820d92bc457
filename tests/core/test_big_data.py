"""A tie mapped over other processes: by hand, and over Parquet with Dask as the manual shows."""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from sitetie.core import solve
from sitetie.core.fast_grid import site_kernel
from sitetie.core.restate import restate
from sitetie.tests.core.sites import points, random_site, write_geoid

EXAMPLE = Path(__file__).resolve().parents[2] / "docs" / "examples" / "parquet_with_dask.py"
COLUMNS = ("easting", "northing", "elevation", "sigma_easting", "sigma_northing",
           "sigma_elevation")


@pytest.fixture
def site_and_tie(tmp_path):
    geoid = write_geoid(tmp_path / "geoid.gtx")
    site = random_site(21, place=(48.0, 11.0), extent=3000.0, geoid=geoid, vertical_model="plane",
                       site_unit="us-ft")
    return site, solve(site.pairs, site.settings)


def test_other_processes_give_the_same_digits(site_and_tie):
    site, tie = site_and_tie
    parts = [points(site, 2000, seed) for seed in range(4)]
    kernel = site_kernel(tie, *(np.concatenate([p[i] for p in parts]) for i in (0, 1)))
    assert not kernel.certificate.refusal
    # Fresh processes: nothing but the pickle reaches them.
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        exact = [pool.submit(tie.to_site, *part) for part in parts]
        fast = [pool.submit(kernel, *part) for part in parts]
        for part, one, other in zip(parts, exact, fast):
            np.testing.assert_array_equal(one.result(), tie.to_site(*part))
            np.testing.assert_array_equal(other.result(), kernel(*part))


def test_parquet_with_dask(site_and_tie, tmp_path):
    site, tie = site_and_tie
    source, target = tmp_path / "observations", tmp_path / "on site"
    source.mkdir()
    tie.save(tmp_path / "tie.json")
    for seed in range(4):
        latitude, longitude, height = points(site, 5000, seed)
        table = pa.table({"name": [f"P{seed}-{i}" for i in range(5000)], "latitude": latitude,
                          "longitude": longitude, "height": height})
        pq.write_table(table, source / f"part{seed}.parquet", row_group_size=2000)
    done = subprocess.run(
        [sys.executable, EXAMPLE, tmp_path / "tie.json", source, target], capture_output=True,
        text=True, timeout=300, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)})
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "20000 rows restated"
    assert sorted(os.listdir(target)) == [f"part{seed}.parquet" for seed in range(4)]
    for seed in range(4):
        before = pq.read_table(source / f"part{seed}.parquet")
        after = pq.read_table(target / f"part{seed}.parquet")
        assert after.select(before.column_names).equals(before)
        wanted = restate(tie, *points(site, 5000, seed))
        for name, column in zip(("e", "n", "z", "se", "sn", "sz"), COLUMNS):
            np.testing.assert_array_equal(after[f"site_{name}"], getattr(wanted, column))
        assert set(after["site_tie"].to_pylist()) == {tie.id[:12]}
