"""What the solution says of itself, held against the solution."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path
from typing import Dict

import pytest

from sitetie.core import HeldScale, Settings, Tie, read_pairs, solve
from sitetie.core.solution_words import Fact, angle_words, sections

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"


def sample(job: str, pairs: str, **changes) -> Tie:
    settings = Settings(**json.loads((SAMPLE / job / "settings.json").read_text(encoding="utf-8")))
    return solve(read_pairs(SAMPLE / job / f"{pairs}.csv"), settings.replace(**changes))


def facts(tie: Tie, part: int = 0) -> Dict[str, Fact]:
    return {fact.name: fact for fact in sections(tie)[part][1]}


def degrees(words: str) -> float:
    d, m, s = map(float, re.match(r"(\d+)°(\d+)′([\d.]+)″", words).groups())
    return d + m / 60.0 + s / 3600.0


@pytest.mark.parametrize(("job", "pairs"), [("quarry", "pairs_reviewed"), ("lagoon", "pairs")])
def test_the_rule_for_bearings_turns_base_bearings_into_site_bearings(job: str, pairs: str) -> None:
    tie = sample(job, pairs)
    rule = re.match(r"site bearing = base-grid bearing ([−+]) (.*)",
                    facts(tie)["Rotation"].remark)
    turn = degrees(rule.group(2)) * (-1.0 if rule.group(1) == "−" else 1.0)
    for base_bearing in (0.0, 77.0, 250.0):
        east = math.sin(math.radians(base_bearing)) * 100.0
        north = math.cos(math.radians(base_bearing)) * 100.0
        e0, n0 = tie.base_to_site(0.0, 0.0)
        e1, n1 = tie.base_to_site(east, north)
        site_bearing = math.degrees(math.atan2(e1 - e0, n1 - n0))
        off = (site_bearing - base_bearing - turn + 180.0) % 360.0 - 180.0
        assert off == pytest.approx(0.0, abs=0.1 / 3600.0)  # a tenth of a second is written


def test_the_sense_of_the_rotation() -> None:
    assert facts(sample("quarry", "pairs_reviewed"))["Rotation"].value.endswith("counter-clockwise")
    assert facts(sample("lagoon", "pairs"))["Rotation"].value.endswith(" clockwise")


def test_a_tilt_names_the_direction_in_which_the_shift_grows() -> None:
    tie = sample("quarry", "pairs_reviewed")
    east, north = tie.vertical.slopes
    said = facts(tie, 1)["Tilt"]
    # The quarry's plane rises to the north-west: east slope negative, north slope positive.
    assert east < 0.0 < north
    assert said.remark == "the shift grows towards north-west"
    assert said.value.startswith(f"{math.hypot(east, north) * 1e6:.1f} ppm")


def test_what_kind_of_scale_it_is() -> None:
    solved = facts(sample("quarry", "pairs_reviewed"))["Scale"]
    assert solved.remark.endswith("solved")
    held = facts(sample("quarry", "pairs_reviewed", scale=HeldScale(1.00008, 0.0, "ground")))
    assert held["Scale"].remark == "held to lengths on the ground, exactly"
    rigid = facts(sample("quarry", "pairs_reviewed", horizontal_model="rigid"))["Scale"]
    assert rigid.value.startswith("1.00000000 (+0.0 ppm)")
    assert rigid.remark == "held at 1 by the model"


def test_chi_square_in_words() -> None:
    good, bad = sample("quarry", "pairs_reviewed"), sample("quarry", "pairs")
    assert "as large as the sigmas lead one to expect" in facts(good)["χ² test"].remark
    assert "larger than the sigmas allow" in facts(bad)["χ² test"].remark
    alone = sample("quarry", "pairs_first_two", vertical_model="shift")
    assert facts(alone)["χ² test"].remark == "Nothing is left over to check it."
    assert "RMS, fit" not in facts(alone)


def test_control_in_line_is_called_weak() -> None:
    assert "weak across it" in facts(
        sample("quarry", "pairs_first_two", vertical_model="shift"))["Control"].remark
    assert facts(sample("quarry", "pairs_reviewed"))["Control"].value == "924.1 m by 675.3 m"


def test_a_tie_without_heights_has_one_section() -> None:
    titles = [title for title, _ in sections(sample("lagoon", "pairs", vertical_model=None))]
    assert titles == ["Horizontal: similarity"]


@pytest.mark.parametrize(
    ("value", "words"),
    [(0.0, "0°00′00.0″"), (12.0859, "12°05′09.2″"), (59.99999, "60°00′00.0″"),
     (359.99, "359°59′24.0″")],
)
def test_angles(value: float, words: str) -> None:
    assert angle_words(value) == words
