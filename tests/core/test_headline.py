"""The first line says what stands out, the most urgent thing first, and never too much."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Dict, List

import pytest

from sitetie.core import Control, Observation, Pair, Settings, read_pairs, solve
from sitetie.core.errors import GeometryError, SitetieError
from sitetie.core.headline import GOOD, LOOK, STOP, Headline, headline
from sitetie.core.units import METRE, US_SURVEY_FOOT
from sitetie.core.verdict_words import explained, short_verdict
from sitetie.core.wording import counted, length_words, listed, small_number

QUARRY = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"
SETTINGS = Settings(**json.loads((QUARRY / "settings.json").read_text(encoding="utf-8")))


def quarry(name: str = "pairs_reviewed") -> List[Pair]:
    return list(read_pairs(QUARRY / f"{name}.csv"))


def said(pairs: List[Pair], settings: Settings = SETTINGS) -> Headline:
    try:
        return headline(pairs, solve(pairs, settings))
    except SitetieError as error:
        return headline(pairs, None, error)


def with_roles(pairs: List[Pair], roles: Dict[str, str]) -> List[Pair]:
    return [dataclasses.replace(pair, horizontal=roles.get(pair.control.id, pair.horizontal),
                                vertical=roles.get(pair.control.id, pair.vertical))
            for pair in pairs]


def square(*offsets: float, roles: str = "ffff") -> List[Pair]:
    """Four marks on a square of 400 m at the equator, site axes north up, the easting of the
    observations off by the given metres; sigmas stated."""
    named = {"f": "fit", "c": "check", "i": "idle"}
    pairs = []
    for i, (east, north) in enumerate(((0, 0), (400, 0), (400, 400), (0, 400))):
        off = offsets[i] if i < len(offsets) else 0.0
        # Radii at the equator of WGS 84: prime vertical a, meridian a (1 - e2).
        latitude = math.degrees(north / (6378137.0 * (1 - 0.00669437999)))
        longitude = math.degrees((east + off) / 6378137.0)
        pairs.append(Pair(
            Control(f"P{i + 1}", 1000.0 + east, 2000.0 + north, 10.0, 0.005, 0.005),
            Observation(f"o{i + 1}", latitude, longitude, 50.0, 0.008, 0.008, None, 0.015),
            named[roles[i]], named[roles[i]],
        ))
    return pairs


PLAIN = Settings(horizontal_model="rigid")


def test_both_blunders_of_the_sample_are_named_with_how_far_they_are_off() -> None:
    line = said(quarry("pairs"))
    assert line.standing == "15 pairs fit, 2 check. RMS horizontal 4.844 m, vertical 49 mm."
    assert line.advice == (
        "K08 (horizontally, 20.0 m off) and K09 (vertically, 188 mm off) do not belong: see why."
    )
    assert (line.tone, line.points) == (LOOK, ("K08", "K09"))


def test_after_review_nothing_speaks_against_it() -> None:
    line = said(quarry())
    assert line.standing.startswith("14 pairs fit, 2 check, 1 idle. RMS horizontal 11 mm")
    assert line.advice == "Nothing speaks against it."
    assert line.tone == GOOD


def test_assumed_sigmas_are_said_even_when_all_is_well() -> None:
    pairs = [dataclasses.replace(pair, observation=dataclasses.replace(
        pair.observation, sigma_e=None, sigma_n=None, sigma_u=None)) for pair in quarry()]
    assert "Some sigmas are assumed" in said(pairs).advice


def test_two_pairs_are_unchecked_and_the_rms_is_not_printed_as_zero() -> None:
    line = said(quarry("pairs_first_two"), SETTINGS.replace(vertical_model=None))
    assert line.standing == "2 pairs fit. Horizontal unchecked; no heights."
    assert line.advice.startswith("Nothing checks the horizontal solution")


def test_what_cannot_be_told_apart_is_not_accused() -> None:
    line = said(square(0.0, 0.3, roles="ffff")[:2], PLAIN)
    assert line.advice == (
        "Something is wrong among P1 and P2, and which one cannot be told: add a pair, or look at "
        "each."
    )
    assert line.points == ("P1", "P2")


@pytest.mark.parametrize(
    ("given", "told", "asked"),
    [
        (1.0 / 0.3048, "m", "differ 3.28 times as much as heights do: are they in feet, though "
                            "the settings say metres?"),
        (3937.0 / 1200.0, "m", "are they in feet, though the settings say metres?"),
        (1.0, "us-ft", "are they in metres, though the settings say US survey feet?"),
        (1.0, "m", None),
        (3937.0 / 1200.0, "us-ft", None),
    ],
)
@pytest.mark.parametrize("model", ["shift", "plane"])
def test_elevations_in_another_unit_are_asked_for(given, told, asked, model: str) -> None:
    """Positions stay in metres; elevations as given, in feet by 0.3048 m or 1200/3937 m."""
    pairs = [pair if pair.control.elevation is None else dataclasses.replace(
        pair, control=dataclasses.replace(pair.control, elevation=pair.control.elevation * given))
        for pair in quarry()]
    line = said(pairs, SETTINGS.replace(
        elevation_unit=told, vertical_model=model, tolerance_h=None, tolerance_v=None))
    assert (" are they in " in line.advice) is (asked is not None)
    assert asked is None or asked in line.advice


def test_a_check_that_does_not_agree() -> None:
    line = said(square(0.0, 0.0, 0.0, 0.25, roles="fffc"), PLAIN)
    assert line.advice == "The check P4 (horizontally, 250 mm off) does not agree: see why."


def test_out_of_tolerance_though_the_sigmas_allow_it() -> None:
    line = said(square(0.0, 0.0, 0.0, 0.02, roles="fffc"), PLAIN.replace(tolerance_h=0.01))
    assert line.advice == "P4 is out of tolerance: see why."


def test_no_pair_withheld() -> None:
    assert said(square(), PLAIN.replace(confidence=0.999999)).advice.startswith(
        "No pair is withheld")


def test_residuals_smaller_than_the_sigmas() -> None:
    line = said(square(roles="fffc"), PLAIN)
    assert line.advice.startswith("The horizontal residuals are smaller") or (
        line.advice.startswith("The horizontal and vertical residuals are smaller"))


def test_no_pairs_and_no_solution() -> None:
    assert headline([], None) == Headline("No pairs yet.", "", LOOK)
    line = said(with_roles(square(), {f"P{i}": "idle" for i in range(1, 5)}), PLAIN)
    assert line.tone == STOP
    assert line.standing == "0 pairs fit, 4 idle."
    assert "No pair has the horizontal role fit" in line.advice


def test_a_problem_names_its_point() -> None:
    line = headline(square(), None, GeometryError("Too close.", "Move it.", point="P2"))
    assert line.points == ("P2",)


@pytest.mark.parametrize(
    ("point", "short"),
    [
        ("K02", "horizontal fits without K08; vertical fits"),
        ("K08", "horizontal does not belong; vertical fits"),
        ("K09", "vertical does not belong; horizontal fits without K08"),
        ("K11", "fits (vertical only)"),
        ("K06", "horizontal does not agree; vertical agrees"),
    ],
)
def test_short_verdicts(point: str, short: str) -> None:
    assert short_verdict(solve(quarry("pairs"), SETTINGS).residuals[point]) == short


def test_an_explanation_carries_its_figures() -> None:
    pairs = quarry("pairs")
    tie = solve(pairs, SETTINGS)
    place = next(i for i, pair in enumerate(pairs) if pair.control.id == "K08")
    horizontal, vertical = explained(pairs[place], tie.rows[place], SETTINGS)
    assert horizontal.startswith("Horizontally it does not belong: no other pair explains")
    assert "a solution without it leaves it 20.0 m off" in horizontal
    assert "out of the tolerance of 30 mm" in horizontal
    assert "80% probability" in horizontal
    assert vertical.startswith("Vertically it fits: its residual is 9 mm")


def test_an_idle_side_says_what_it_would_be_off_by() -> None:
    pairs = quarry()
    tie = solve(pairs, SETTINGS)
    place = next(i for i, pair in enumerate(pairs) if pair.control.id == "K09")
    assert "Vertically it is idle; it would be off by 188 mm." in explained(
        pairs[place], tie.rows[place], SETTINGS)[1]


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (0.0094, METRE, "9 mm"), (-0.0146, METRE, "−15 mm"), (0.0004, METRE, "0.4 mm"),
        (0.0, METRE, "0.0 mm"), (0.99951, METRE, "1.000 m"), (12.345, METRE, "12.3 m"),
        (1234.5, METRE, "1,234 m"), (4310000.0, METRE, "4,310 km"), (None, METRE, "unknown"),
        (float("nan"), METRE, "unknown"), (0.0306, US_SURVEY_FOOT, "0.031 ft"),
        (1204.2, US_SURVEY_FOOT, "1,204 ft"),
    ],
)
def test_lengths(value, unit, words: str) -> None:
    assert length_words(value, unit) == words


def test_small_numbers_lists_and_counts() -> None:
    assert [small_number(v, METRE) for v in (0.0123, -0.0008, 0.0001, None)] == [
        "+12", "−1", "0", ""]
    assert listed(["A"]) == "A"
    assert listed(["A", "B", "C"]) == "A, B and C"
    assert listed("ABCDEFGH") == "A, B, C, D, E and 3 more"
    assert (counted(1, "pair"), counted(2, "pair")) == ("1 pair", "2 pairs")


def test_what_only_the_whole_site_shows_is_said_too() -> None:
    """Control that came out 0.3 per mille too long fits as well, but has no scale of this place."""
    long = [
        pair if not pair.control.has_position else dataclasses.replace(
            pair, control=dataclasses.replace(
                pair.control, easting=pair.control.easting * 1.0003,
                northing=pair.control.northing * 1.0003))
        for pair in quarry()
    ]
    line = said(long)
    assert line.tone == LOOK
    assert line.advice.startswith("The solved scale is 1.00038")
