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
    assert [line.strip() for line in lines[:2]] == [
        "K08 does not belong: horizontal residual 13.9 m",
        "K09 does not belong: vertical residual 171 mm",
    ]
    causes = [line for line in lines[2:] if "Or: " not in line]
    assert [line.split(": ")[-1] for line in causes] == [
        "two neighbouring digits are exchanged.", "the pole had another height."]


def test_after_review_no_pair_stands_out_and_the_checks_agree() -> None:
    tie = tie_of("pairs_reviewed.csv")
    assert summary.suspects(tie) == ["  No pair stands out."]
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


def test_how_far_points_moved_is_measured_between_the_two_ties() -> None:
    before, after = ({"1": {"site_e": 10.0, "site_n": 20.0, "site_z": 5.0},
                      "2": {"site_e": 0.0, "site_n": 0.0, "site_z": 1.0}} for _ in range(2))
    after["2"] = {"site_e": 0.03, "site_n": 0.04, "site_z": 0.98}
    said = " ".join(summary.moved(before, after, tie_of("pairs_reviewed.csv")))
    assert "at most 50 mm (2) horizontally" in said
    assert "at most 20 mm (2) in elevation" in said
