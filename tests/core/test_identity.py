"""A tie is known by its content, not by where its pairs were read."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

from sitetie.core import Settings, read_pairs, solve

PAIRS = Path(__file__).resolve().parents[2] / "sample_project" / "quarry" / "pairs_reviewed.csv"


def test_the_folder_of_the_pair_table_is_no_part_of_the_tie(tmp_path, monkeypatch):
    shutil.copy(PAIRS, tmp_path / PAIRS.name)
    monkeypatch.chdir(tmp_path)
    settings = Settings(observation_crs="EPSG:7931")
    here = solve(read_pairs(PAIRS.name), settings)
    there = solve(read_pairs(PAIRS), settings)
    assert here.id == there.id
    assert os.sep not in here.pairs[0].file
    assert here.pairs[0].row == there.pairs[0].row == 2
