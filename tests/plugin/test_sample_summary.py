"""The sample run's summary names the two blunders of the sample, and nothing once they are out."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from sitetie.core import Settings, Tie, solve
from sitetie.core.pair_table import read_pairs
from sitetie.sample_project import summary

QUARRY = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"


def tie_of(pairs: str) -> Tie:
    settings = Settings(**json.loads((QUARRY / "settings.json").read_text(encoding="utf-8")))
    return solve(read_pairs(QUARRY / pairs), settings)


def test_both_blunders_are_named_with_their_sizes() -> None:
    lines = summary.suspects(tie_of("pairs.csv"))
    assert [line.split(":")[0].strip() for line in lines] == ["K08 horizontal", "K09 vertical"]


def test_after_review_no_pair_stands_out_and_the_checks_agree() -> None:
    tie = tie_of("pairs_reviewed.csv")
    assert summary.suspects(tie) == ["  no pair stands out"]
    checks = [line for line in summary.quality(tie) if "check" in line]
    assert [line.split(":")[0].strip() for line in checks] == [
        f"check {mark} {side}" for mark in ("K06", "K10") for side in ("horizontal", "vertical")
    ]
    assert all("agrees, within tolerance" in line for line in checks)


def test_a_missing_result_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.argv", ["summary.py", str(tmp_path)])
    with pytest.raises(SystemExit, match=r"Missing in .*report\.html"):
        summary.main()
