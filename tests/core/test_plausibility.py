"""Plausibility sentences, against invented sites whose truth is known.

Sites come from PROJ directly (see `plausible_sites`). Each case names the finding that must be
there, its level, and the words or figures it must carry.
"""

from __future__ import annotations

import dataclasses
import re
from typing import Optional

import numpy as np
import pyproj
import pytest

from sitetie.core import HeldScale, Settings, solve
from sitetie.core.findings import ALARM, CAUTION, GOOD, LEVELS, NOTE, Finding
from sitetie.core.plausibility import TOPICS, plausibility
from sitetie.core.published import tie_from_parameters
from sitetie.core.site_scale import site_scale
from sitetie.tests.core.plausible_sites import (
    EARTH,
    METRES,
    PLACES,
    SQUARE,
    geodetic,
    ground_site,
    on_ellipsoid,
    on_utm,
    pairs_of,
    turned,
    utm_zone,
    write_geoid,
)

UNITS = list(METRES)


def found(findings, topic: str) -> Finding:
    chosen = [finding for finding in findings if finding.topic == topic]
    assert len(chosen) == 1, (topic, [f.topic for f in findings])
    return chosen[0]


def absent(findings, topic: str) -> bool:
    return not any(finding.topic == topic for finding in findings)


def figure(sentence: str, before: str, after: str) -> float:
    """The number between two pieces of a sentence."""
    pattern = re.escape(before) + r"([\d.,]+)" + re.escape(after)
    match = re.search(pattern, sentence)
    assert match, (pattern, sentence)
    return float(match.group(1).replace(",", ""))


# -- scale: what kind of length the site has ---------------------------------------------------


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("unit", UNITS)
def test_a_ground_site(place: str, unit: str) -> None:
    tie = solve(ground_site(PLACES[place], height=1200.0, unit=unit), Settings(site_unit=unit))
    said = found(plausibility(tie), "scale")
    height = "1,200 m" if unit == "m" else "3,937 ft"
    assert said.level == GOOD
    assert f"that of ground lengths at a height of {height} here" in said.sentence
    assert figure(said.sentence, "not lengths on the ellipsoid (", " ppm") == pytest.approx(
        1e6 * 1200.0 / EARTH, abs=2.0)
    across = figure(said.sentence, " ppm, ", " mm" if unit == "m" else " ft")
    metres = across / 1000.0 if unit == "m" else across * METRES[unit]
    assert metres == pytest.approx(1200.0 / EARTH * np.hypot(830.0, 630.0), abs=0.006)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("unit", ["m", "us-ft"])
def test_a_site_on_utm(place: str, unit: str) -> None:
    positions = geodetic(PLACES[place], SQUARE, 900.0)
    control = turned(on_utm(PLACES[place])(positions), -40.0, unit)
    tie = solve(pairs_of(positions, control, unit=unit), Settings(site_unit=unit))
    said = found(plausibility(tie), "scale")
    assert said.level == GOOD
    assert f"that of grid lengths of UTM zone {utm_zone(PLACES[place])} here" in said.sentence
    assert "not ground lengths" in said.sentence


@pytest.mark.parametrize("place", PLACES)
def test_a_site_on_the_ellipsoid(place: str) -> None:
    positions = geodetic(PLACES[place], SQUARE, 1500.0)
    tie = solve(pairs_of(positions, turned(on_ellipsoid(PLACES[place])(positions), 5.0)),
                Settings())
    said = found(plausibility(tie), "scale")
    assert said.level == GOOD
    assert "that of lengths on the ellipsoid here" in said.sentence


def test_a_site_on_the_named_base_and_on_another_named_grid() -> None:
    """ETRS89 / UTM 34N as base; ETRS89 / Poland CS92 (EPSG:2180), scale 0.9993, as the site's."""
    place = (51.0, 18.9)
    positions = geodetic(place, SQUARE, 700.0)
    utm = pairs_of(positions, turned(on_utm(place)(positions), 0.0))
    settings = Settings(observation_crs="EPSG:4258", base_crs="EPSG:25834")
    said = found(plausibility(solve(utm, settings)), "scale")
    assert said.level == GOOD
    assert "that of grid lengths of ETRS89 / UTM zone 34N here (1.0000000" in said.sentence
    assert said.sentence.count("UTM") == 1  # one kind, named once

    grid = pyproj.Proj("+proj=tmerc +lat_0=0 +lon_0=19 +k=0.9993 +x_0=500000 +ellps=GRS80")
    control = np.column_stack(grid(positions[:, 1], positions[:, 0]))
    tie = solve(pairs_of(positions, turned(control, 80.0)), settings.replace(base_crs=None))
    said = found(plausibility(tie, grids=["EPSG:2180"]), "scale")
    assert said.level == GOOD
    assert "that of grid lengths of EPSG:2180 here" in said.sentence
    assert found(plausibility(tie), "scale").level == ALARM  # nothing it knows then


def test_a_scale_no_site_there_should_have() -> None:
    """Laid out at 2000 m and moved down to 600 m: 220 ppm; then 900 ppm too long."""
    positions = geodetic(PLACES["inland"], SQUARE, 600.0)
    high = turned(SQUARE, 0.0, scale=(1.0 + 2000.0 / EARTH) / (1.0 + 600.0 / EARTH))
    said = found(plausibility(solve(pairs_of(positions, high), Settings())), "scale")
    assert said.level == CAUTION
    assert "not what a site here commonly has" in said.sentence
    level = figure(said.sentence, "ellipsoidal height of ", " m")
    assert level == pytest.approx(2000.0, abs=15.0)
    assert said.sentence.index("600.0 m") > said.sentence.index("the control lies at")

    long = turned(SQUARE, 0.0, scale=1.0009)
    said = found(plausibility(solve(pairs_of(positions, long), Settings())), "scale")
    assert said.level == ALARM
    assert "wrong unit" in said.sentence


def test_a_short_line_cannot_tell() -> None:
    """20 mm over 40 m are 500 ppm: nothing can be told. 4 mm over 150 m tell UTM from the rest."""
    near = SQUARE[:2] * 0.05
    tie = solve(ground_site(PLACES["inland"], near, 500.0, sigma=0.02), Settings())
    said = found(plausibility(tie), "scale")
    assert said.level == NOTE
    assert "too uncertain to tell what kind of length it is" in said.sentence
    tie = solve(ground_site(PLACES["inland"], SQUARE[:4] * 0.2, 500.0, sigma=0.004), Settings())
    said = found(plausibility(tie), "scale")
    assert said.level == NOTE
    assert "cannot be told apart here; it is not grid lengths of UTM zone 33" in said.sentence


def test_ground_and_ellipsoid_are_one_at_the_coast() -> None:
    tie = solve(ground_site(PLACES["south"], height=12.0), Settings())
    said = found(plausibility(tie), "scale")
    assert said.level == GOOD
    assert "ground lengths" in said.sentence
    assert "lengths on the ellipsoid" in said.sentence


def test_sound_ground_sites_are_not_suspected() -> None:
    """60 noisy sites: three sigmas are exceeded by 1 in 370."""
    random = np.random.default_rng(8)
    levels, alarmed = [], 0
    for _ in range(60):
        offsets = random.uniform(-500.0, 500.0, (7, 2))
        pairs = ground_site(PLACES["inland"], offsets, 800.0 + random.uniform(0, 30, 7),
                            noise=random)
        findings = plausibility(solve(pairs, Settings()))
        levels.append(found(findings, "scale").level)
        alarmed += any(finding.level == ALARM for finding in findings)
    assert levels.count(GOOD) >= 59, levels
    # 14 tests of a pair at 0.001 give a false alarm in 1.4 % of the sites.
    assert alarmed <= 4


# -- a scale or rotation that is held ----------------------------------------------------------


@pytest.mark.parametrize("unit", UNITS)
def test_a_held_scale_that_the_pairs_contradict(unit: str) -> None:
    pairs = ground_site(PLACES["south"], height=1200.0, unit=unit)
    findings = plausibility(solve(pairs, Settings(site_unit=unit, horizontal_model="rigid")))
    said = found(findings, "held-scale")
    assert said.level == ALARM
    assert findings.index(said) == 0
    off = figure(said.sentence, " ppm: ", " ppm away")
    assert off == pytest.approx(1e6 * 1200.0 / EARTH, abs=2.0)
    assert "and fit without it: solve the scale" in said.sentence
    assert found(findings, "scale").level == NOTE


def test_a_held_scale_that_the_pairs_bear_out() -> None:
    pairs = ground_site(PLACES["south"], height=1200.0)
    held = site_scale(pairs, Settings(), "ground")
    for scale in (held, HeldScale(held.value, 0.0, "ground")):
        findings = plausibility(solve(pairs, Settings(scale=scale)))
        said = found(findings, "held-scale")
        assert said.level == GOOD
        assert "which bears it out" in said.sentence
        assert "that of ground lengths" in found(findings, "scale").sentence


def test_a_solved_scale_is_not_held() -> None:
    findings = plausibility(solve(ground_site(PLACES["inland"]), Settings()))
    assert absent(findings, "held-scale")
    assert absent(findings, "held-rotation")


@pytest.mark.parametrize(("rotation", "level", "words"), [
    (0.0, GOOD, "bears it out"),
    (0.02, ALARM, "a rotation of 7"),
    (23.7, ALARM, "a rotation of 23.7"),
])
def test_a_translation_does_not_turn(rotation: float, level: str, words: str) -> None:
    positions = geodetic(PLACES["equator"], SQUARE, 0.0)
    pairs = pairs_of(positions, turned(SQUARE, rotation))
    said = found(plausibility(solve(pairs, Settings(horizontal_model="translation"))),
                 "held-rotation")
    assert said.level == level
    assert words in said.sentence


# -- an affine ---------------------------------------------------------------------------------


def test_an_affine_that_deforms() -> None:
    """Stretched by 120 ppm along site north-east: right angles turn by as much, 24.8 seconds."""
    half = np.sqrt(0.5)
    along = half * np.array([[1.0], [1.0]])
    stretch = np.eye(2) + 120e-6 * along @ along.T
    positions = geodetic(PLACES["inland"], SQUARE, 300.0)
    control = turned(SQUARE, 65.0) @ stretch.T
    settings = Settings(horizontal_model="affine")
    said = found(plausibility(solve(pairs_of(positions, control), settings)), "distortion")
    assert said.level == CAUTION
    assert "north-east" in said.sentence
    assert "south-west" in said.sentence
    assert figure(said.sentence, "south-west ", " ppm longer") == pytest.approx(120.0, abs=1.5)
    assert figure(said.sentence, "right angles by up to ", "″") == pytest.approx(24.8, abs=0.5)
    assert "more than the uncertainty" in said.sentence


def test_an_affine_that_does_not_deform() -> None:
    pairs = ground_site(PLACES["inland"], noise=np.random.default_rng(4))
    said = found(plausibility(solve(pairs, Settings(horizontal_model="affine"))), "distortion")
    assert said.level == NOTE
    assert "a similarity would do as well" in said.sentence
    three = ground_site(PLACES["inland"], SQUARE[:3])
    said = found(plausibility(solve(three, Settings(horizontal_model="affine"))), "distortion")
    assert said.level == CAUTION
    assert "nothing bears that out" in said.sentence


# -- tilt --------------------------------------------------------------------------------------


def tilted(east: float, north: float, rotation: float = 0.0, model: str = "plane",
           unit: str = "m", geoid: Optional[str] = None, marks: np.ndarray = SQUARE, **more):
    """A tie whose elevations rise by metres per metre of ground towards true east and north."""
    positions = geodetic(PLACES["inland"], marks, 300.0)
    elevation = (positions[:, 2] - 45.0 + marks @ np.array([east, north])) / METRES[unit]
    pairs = pairs_of(positions, turned(marks, rotation, unit), elevation, unit=unit, **more)
    return solve(pairs, Settings(site_unit=unit, vertical_model=model, geoid=geoid))


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize(
    ("east", "north", "rotation", "way", "level"),
    [
        (30e-6, 0.0, 0.0, "east", GOOD),
        (0.0, -30e-6, 0.0, "south", GOOD),
        (30e-6, 0.0, 90.0, "north", GOOD),  # the site is turned: true east is its north
        (0.0, 30e-6, -45.0, "north-east", GOOD),
        (150e-6, 0.0, 0.0, "east", NOTE),
        (-600e-6, 0.0, 0.0, "west", CAUTION),
    ],
)
def test_tilt_without_a_geoid(unit, east, north, rotation, way, level) -> None:
    said = found(plausibility(tilted(east, north, rotation, unit=unit)), "tilt")
    assert said.level == level
    assert f"towards the {way} of the site" in said.sentence
    ppm = 1e6 * np.hypot(east, north)
    assert figure(said.sentence, "rises by ", " ±") == pytest.approx(ppm, abs=0.6)
    assert figure(said.sentence, " ppm (", "″)") == pytest.approx(ppm / 4.848, abs=0.06)


def test_a_tilt_that_is_noise() -> None:
    tie = tilted(0.0, 0.0, noise=np.random.default_rng(3))
    said = found(plausibility(tie), "tilt")
    assert said.level == NOTE
    assert "cannot tell from no tilt" in said.sentence


@pytest.fixture
def geoid(tmp_path) -> str:
    """Undulation rising by 3 m per degree of latitude (27 ppm to the north) and 1.5 m per degree
    of longitude (20 ppm to the east) about the place inland."""
    path = tmp_path / "invented.gtx"
    write_geoid(path, 47.8, 14.0, 45.0, 3.0, 1.5)
    return str(path)


NORTH = 3.0 / 111_194.0
EAST = 1.5 / (111_194.0 * np.cos(np.radians(48.789)))


def test_tilt_over_a_geoid(geoid: str) -> None:
    fitting = tilted(-EAST, -NORTH, geoid=geoid, noise=np.random.default_rng(3))
    assert found(plausibility(fitting), "tilt").level == NOTE  # not to be told from none
    level = tilted(-EAST + 7e-6, -NORTH, geoid=geoid, sigma=0.0005)
    said = found(plausibility(level), "tilt")
    assert said.level == GOOD
    assert "leaves one to expect" in said.sentence
    wrong = found(plausibility(tilted(-EAST + 80e-6, -NORTH, geoid=geoid)), "tilt")
    assert wrong.level == CAUTION
    assert "should be near zero" in wrong.sentence
    assert figure(wrong.sentence, "rises by ", " ±") == pytest.approx(80.0, abs=1.0)


def test_tilt_against_a_geoid_that_is_only_compared(geoid: str) -> None:
    """Elevation less height falls where the undulation rises: south-west here, 33.8 ppm."""
    said = found(plausibility(tilted(-EAST, -NORTH), geoid=geoid), "tilt")
    assert said.level == GOOD
    assert "they agree" in said.sentence
    expected = figure(said.sentence, "makes one expect ", " ppm")
    assert expected == pytest.approx(1e6 * np.hypot(EAST, NORTH), abs=0.6)
    assert said.sentence.count("towards the south-west of the site") == 2
    wrong = found(plausibility(tilted(EAST, NORTH), geoid=geoid), "tilt")
    assert wrong.level == CAUTION
    assert figure(wrong.sentence, "south-west of the site; ", " ±") == pytest.approx(
        2e6 * np.hypot(EAST, NORTH), abs=1.5)


def test_a_shift_where_the_pairs_ask_for_a_tilt(geoid: str) -> None:
    said = found(plausibility(tilted(90e-6, 0.0, model="shift")), "tilt")
    assert said.level == CAUTION
    assert "Choose the tilted plane, or a geoid" in said.sentence
    assert figure(said.sentence, "rises by ", " ±") == pytest.approx(90.0, abs=1.0)
    over = found(plausibility(tilted(-EAST, -NORTH, model="shift", geoid=geoid)), "tilt")
    assert over.level == GOOD
    assert "carries the slope of the geoid" in over.sentence


def test_what_a_shift_leaves_out(geoid: str) -> None:
    """Two marks cannot show a tilt. 50 ppm over the 420 m from their middle to the mark or point
    farthest from it; over 5 km with points."""
    marks = np.array([[-400.0, 0.0], [400.0, 0.0]])
    tie = tilted(0.0, 0.0, model="shift", marks=marks)
    said = found(plausibility(tie), "tilt")
    assert said.level == NOTE
    assert figure(said.sentence, "up to ", " mm at") == pytest.approx(20.0, abs=0.6)
    far = geodetic(PLACES["inland"], np.array([[0.0, 5000.0], [0.0, 10.0]]), 300.0)
    said = found(plausibility(tie, far[:, 0], far[:, 1]), "tilt")
    assert said.level == CAUTION
    assert figure(said.sentence, "up to ", " mm at") == pytest.approx(250.0, abs=1.0)
    assert "Choose a geoid" in said.sentence
    known = found(plausibility(tie, far[:, 0], far[:, 1], geoid=geoid), "tilt")
    assert figure(known.sentence, ": ", " mm at") == pytest.approx(5e6 * np.hypot(EAST, NORTH),
                                                                   abs=2.0)


def test_a_tolerance_says_how_much_slope_matters() -> None:
    marks = np.array([[-400.0, 0.0], [400.0, 0.0]])
    tie = tilted(0.0, 0.0, model="shift", marks=marks)
    tight = dataclasses.replace(tie, settings=tie.settings.replace(tolerance_v=0.015))
    assert found(plausibility(tight), "tilt").level == CAUTION


# -- relief and extent -------------------------------------------------------------------------


@pytest.mark.parametrize(("span", "ppm", "level"), [
    (40.0, 6.3, GOOD), (100.0, 15.7, NOTE), (300.0, 47.1, CAUTION)])
def test_relief(span: float, ppm: float, level: str) -> None:
    """300 m of height are 47 ppm of scale: 300 / 6371000."""
    heights = 500.0 + span * np.array([0.0, 1.0, 0.5, 0.3, 0.2, 0.7, 0.6, 0.9])
    tie = solve(ground_site(PLACES["inland"], height=heights, sigma=0.05), Settings())
    said = found(plausibility(tie), "relief")
    assert said.level == level
    assert figure(said.sentence, "change by ", " ppm") == pytest.approx(ppm, abs=0.6)


def test_relief_of_points_and_feet() -> None:
    tie = solve(ground_site(PLACES["inland"], height=400.0, unit="ft"), Settings(site_unit="ft"))
    at = geodetic(PLACES["inland"], np.array([[0.0, 0.0], [50.0, 50.0], [9.0, 9.0]]), 0.0)
    said = found(plausibility(tie, at[:, 0], at[:, 1], [400.0, 95.2, np.nan]), "relief-points")
    assert said.level == CAUTION
    assert "1,000 ft below" in said.sentence  # 304.8 m
    assert "shorter" in said.sentence
    assert "0.048 ft per 1,000 ft" in said.sentence
    assert absent(plausibility(tie, at[:, 0], at[:, 1]), "relief-points")
    assert absent(plausibility(tie), "relief-points")


@pytest.mark.parametrize(("half", "level"), [(1_000.0, GOOD), (5_000.0, GOOD), (10_000.0, CAUTION)])
def test_extent(half: float, level: str) -> None:
    """Scale of a Transverse Mercator at x from its meridian: 1 + (x / R)**2 / 2."""
    offsets = half * np.array([[-1.0, 0.0], [1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    tie = solve(ground_site(PLACES["inland"], offsets, 300.0, sigma=0.1), Settings())
    said = found(plausibility(tie), "extent")
    assert said.level == level
    if half > 2_000.0:
        ppm = 1e6 * (half / EARTH) ** 2 / 2.0
        assert figure(said.sentence, "changes by ", " ppm") == pytest.approx(ppm, abs=0.06)
    if level == CAUTION:
        across = figure(said.sentence, "off by up to ", " mm")
        assert across == pytest.approx(1e-3 * ppm * 2.0 * half, rel=0.1)


def test_extent_counts_points() -> None:
    tie = solve(ground_site(PLACES["antimeridian"]), Settings())
    at = geodetic(PLACES["antimeridian"], np.array([[-12_000.0, 0.0], [12_000.0, 0.0]]), 0.0)
    said = found(plausibility(tie, at[:, 0], at[:, 1]), "extent")
    assert said.level == CAUTION
    assert said.sentence.startswith("Control and points span 24 km")


# -- geometry ----------------------------------------------------------------------------------


def test_well_spread_control() -> None:
    findings = plausibility(solve(ground_site(PLACES["south"]), Settings()))
    assert found(findings, "geometry").level == GOOD
    for topic in ("few-marks", "in-line", "clustered", "one-sided"):
        assert absent(findings, topic)


@pytest.mark.parametrize(("marks", "model", "topic", "level"), [
    (SQUARE[:1], "translation", "few-marks", CAUTION),
    (SQUARE[:2], "similarity", "few-marks", CAUTION),
    (np.array([[-300.0, 4.0], [-100.0, 0.0], [50.0, 9.0], [400.0, 2.0]]), "similarity", "in-line",
     NOTE),
    (np.array([[-300.0, 4.0], [-100.0, 0.0], [50.0, 9.0], [400.0, 2.0]]), "affine", "in-line",
     CAUTION),
])
def test_weak_shapes(marks, model, topic, level) -> None:
    findings = plausibility(solve(ground_site(PLACES["inland"], marks),
                                  Settings(horizontal_model=model)))
    assert found(findings, topic).level == level
    assert absent(findings, "geometry")


def test_clustered_and_one_sided_control() -> None:
    tie = solve(ground_site(PLACES["inland"], SQUARE * 0.2 + [600.0, 600.0]), Settings())
    points = geodetic(PLACES["inland"], SQUARE * 1.5, 1200.0)
    findings = plausibility(tie, *points.T)
    assert found(findings, "clustered").level == CAUTION
    said = found(findings, "one-sided")
    # The site is turned by 23.7 degrees: true north-east is nearer its north.
    assert "to the north of the points' middle" in said.sentence
    round_it = plausibility(solve(ground_site(PLACES["inland"]), Settings()), *points.T)
    assert absent(round_it, "clustered")
    assert absent(round_it, "one-sided")


def test_points_outside_the_control() -> None:
    """Rectangle of 800 by 600 m; one of four points outside by 50 m, then one by 600 m."""
    corners = np.array([[-400.0, -300.0], [400.0, -300.0], [400.0, 300.0], [-400.0, 300.0]])
    tie = solve(ground_site(PLACES["south"], corners, sigma=0.004), Settings())
    offsets = np.array([[0.0, 0.0], [100.0, 100.0], [-300.0, 200.0], [450.0, 0.0]])
    at = geodetic(PLACES["south"], offsets, 1200.0)
    said = found(plausibility(tie, *at.T), "outside")
    assert said.level == NOTE
    assert "1 of 4 points (25 %) lies outside the control, the farthest by 50.0 m" in said.sentence
    covariance = tie.covariance(at[3, 0], at[3, 1])[0, :2, :2]
    # 95 % of a two-dimensional normal distribution lie within 2.4477 sigma.
    half_axis = 2447.7 * np.sqrt(np.linalg.eigvalsh(covariance)[-1])
    assert figure(said.sentence, "known to ", " mm (95 %)") == pytest.approx(half_axis, abs=0.5)

    inside = found(plausibility(tie, *at[:3].T), "outside")
    assert (inside.level, inside.sentence) == (GOOD, "All 3 points lie inside the control.")
    far = geodetic(PLACES["south"], np.array([[1000.0, 0.0]]), 1200.0)
    assert found(plausibility(tie, *far.T), "outside").level == CAUTION
    assert absent(plausibility(tie), "outside")


def test_points_without_a_position_are_left_out() -> None:
    tie = solve(ground_site(PLACES["south"]), Settings())
    at = geodetic(PLACES["south"], np.zeros((3, 2)), 1200.0)
    at[1, 0] = np.nan
    assert "All 2 points" in found(plausibility(tie, *at.T), "outside").sentence


def test_a_mark_that_carries_the_rotation_alone() -> None:
    marks = np.vstack([SQUARE[:6] * 0.05, [[2000.0, 100.0]]])
    said = found(plausibility(solve(ground_site(PLACES["inland"], marks), Settings())),
                 "horizontal-leverage")
    assert said.level == CAUTION
    assert "M7" in said.sentence
    assert "M1" not in said.sentence
    well = found(plausibility(solve(ground_site(PLACES["inland"]), Settings())),
                 "horizontal-leverage")
    assert well.level == GOOD


@pytest.mark.parametrize(("vertical", "level", "words"), [
    (["fit"] * 8, GOOD, "surround all horizontal ones"),
    (["fit", "fit", "idle", "fit", "fit", "fit", "fit", "fit"], NOTE, "1 mark of 8 lies outside"),
])
def test_vertical_marks_round_the_horizontal_ones(vertical, level, words) -> None:
    tie = solve(ground_site(PLACES["inland"], vertical=vertical), Settings())
    said = found(plausibility(tie), "vertical-surround")
    assert said.level == level
    assert words in said.sentence


def test_vertical_marks_round_the_points() -> None:
    vertical = ["fit", "fit", "idle", "idle", "idle", "fit", "idle", "idle"]
    tie = solve(ground_site(PLACES["inland"], vertical=vertical), Settings(vertical_model="plane"))
    points = geodetic(PLACES["inland"], np.array([[0.0, 200.0], [0.0, 100.0], [50.0, -290.0]]), 0.0)
    findings = plausibility(tie, *points.T)
    said = found(findings, "vertical-surround")
    assert said.level == CAUTION
    assert "2 of 3 points (67 %) lie outside the vertical fit marks" in said.sentence
    assert found(findings, "vertical-line").level == CAUTION  # 820 m long, 56 m wide


# -- statistics --------------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "model", "level", "words"), [
    (2, "similarity", CAUTION, "unchecked: 2 fit marks just determine its 4 parameters"),
    (3, "similarity", NOTE, "redundancy is only 2"),
    (3, "affine", CAUTION, "unchecked"),
    (8, "similarity", GOOD, "redundancy is 12 (8 fit marks, 4 parameters)"),
])
def test_redundancy(count: int, model: str, level: str, words: str) -> None:
    tie = solve(ground_site(PLACES["inland"], SQUARE[:count]), Settings(horizontal_model=model))
    said = found(plausibility(tie), "horizontal-redundancy")
    assert said.level == level
    assert words in said.sentence
    assert absent(plausibility(tie), "horizontal-fit") == (level == CAUTION)


def test_one_vertical_mark_is_unchecked() -> None:
    vertical = ["fit"] + ["idle"] * 7
    tie = solve(ground_site(PLACES["inland"], vertical=vertical), Settings())
    said = found(plausibility(tie), "vertical-redundancy")
    assert "1 fit mark just determines its 1 parameter" in said.sentence


def test_checks_agree_are_missing_or_disagree() -> None:
    roles = ["fit"] * 6 + ["check"] * 2
    pairs = list(ground_site(PLACES["inland"], roles=roles))
    findings = plausibility(solve(pairs, Settings()))
    assert found(findings, "horizontal-checks").level == GOOD
    assert "2 vertical check pairs agree" in found(findings, "vertical-checks").sentence
    control = dataclasses.replace(pairs[7].control, northing=pairs[7].control.northing + 0.4)
    pairs[7] = dataclasses.replace(pairs[7], control=control)
    said = found(plausibility(solve(pairs, Settings())), "horizontal-checks")
    assert said.level == ALARM
    assert "The horizontal check M8 (off by 400 mm) does not agree" in said.sentence
    bare = plausibility(solve(pairs[:6], Settings()))
    assert found(bare, "horizontal-checks").level == CAUTION
    assert found(bare, "vertical-checks").level == CAUTION


def test_a_pair_that_does_not_belong_comes_first() -> None:
    pairs = list(ground_site(PLACES["inland"]))
    control = dataclasses.replace(pairs[4].control, easting=pairs[4].control.easting + 1.5)
    pairs[4] = dataclasses.replace(pairs[4], control=control)
    findings = plausibility(solve(pairs, Settings(tolerance_h=0.05)))
    assert findings[0].topic == "horizontal-pairs"
    assert findings[0].level == ALARM
    assert findings[0].sentence.startswith("M5 (off by 1.500 m) does not belong")
    said = found(findings, "horizontal-tolerance")
    assert said.level == ALARM
    assert "exceed the horizontal tolerance of 50 mm: M5 (1." in said.sentence
    assert found(findings, "horizontal-fit").level == CAUTION


def test_three_marks_cannot_tell_which() -> None:
    pairs = list(ground_site(PLACES["inland"], SQUARE[:3]))
    control = dataclasses.replace(pairs[1].control, easting=pairs[1].control.easting + 1.5)
    pairs[1] = dataclasses.replace(pairs[1], control=control)
    said = found(plausibility(solve(pairs, Settings())), "horizontal-pairs")
    assert "among M1" in said.sentence
    assert "which pair it is cannot be told" in said.sentence


def test_tolerances_kept_and_not_set() -> None:
    pairs = ground_site(PLACES["inland"], unit="ft")
    kept = plausibility(solve(pairs, Settings(site_unit="ft", tolerance_h=0.1, tolerance_v=0.2)))
    assert found(kept, "vertical-tolerance").level == GOOD
    assert "tolerance of 0.100 ft" in found(kept, "horizontal-tolerance").sentence
    assert absent(plausibility(solve(pairs, Settings(site_unit="ft"))), "horizontal-tolerance")


def test_residuals_larger_and_smaller_than_stated() -> None:
    random = np.random.default_rng(6)
    wild = ground_site(PLACES["inland"], noise=random, sigma=0.02)
    shy = [dataclasses.replace(
        pair, observation=dataclasses.replace(pair.observation, sigma_e=0.001, sigma_n=0.001),
        control=dataclasses.replace(pair.control, sigma_h=0.001)) for pair in wild]
    said = found(plausibility(solve(shy, Settings())), "horizontal-fit")
    assert said.level == CAUTION
    assert "larger than the sigmas allow" in said.sentence
    said = found(plausibility(solve(ground_site(PLACES["inland"], sigma=0.05), Settings())),
                 "horizontal-fit")
    assert said.level == NOTE


def test_repeated_observations() -> None:
    pairs = list(ground_site(PLACES["inland"]))
    first = pairs[0].observation

    def again(north: float):
        moved = dataclasses.replace(first, id="again", session="later",
                                    latitude=first.latitude + north / 111_194.0)
        return [*pairs, dataclasses.replace(pairs[0], observation=moved)]

    assert absent(plausibility(solve(pairs, Settings())), "repeats")
    assert found(plausibility(solve(again(0.002), Settings())), "repeats").level == GOOD
    said = found(plausibility(solve(again(0.06), Settings())), "repeats")
    assert said.level == CAUTION
    assert figure(said.sentence, "M1 (horizontally up to ", " mm") == pytest.approx(30.0, abs=1.0)


def test_assumed_sigmas() -> None:
    pairs = list(ground_site(PLACES["inland"]))
    assert absent(plausibility(solve(pairs, Settings())), "sigmas")
    pairs[2] = dataclasses.replace(
        pairs[2], observation=dataclasses.replace(pairs[2].observation, sigma_u=None))
    pairs = [dataclasses.replace(pair, control=dataclasses.replace(pair.control, sigma_h=None))
             for pair in pairs]
    said = found(plausibility(solve(pairs, Settings(control_sigma_h=0.007))), "sigmas")
    assert said.level == NOTE
    assert "control horizontal 7 mm (all 8 pairs)" in said.sentence
    assert "GNSS vertical 15 mm (1 of 8 pairs)" in said.sentence
    assert "control vertical" not in said.sentence


# -- all together ------------------------------------------------------------------------------


def random_tie(random: np.random.Generator):
    unit = random.choice(UNITS)
    model = random.choice(["translation", "rigid", "similarity", "affine"])
    vertical = random.choice(["shift", "plane", None])
    count = int(random.integers(3, 16))
    offsets = random.uniform(-1.0, 1.0, (count, 2)) * 10.0 ** random.uniform(1.5, 4.0)
    roles = ["fit"] * 3 + list(random.choice(["fit", "check", "idle"], count - 3))
    pairs = ground_site(
        PLACES[random.choice(list(PLACES))], offsets, random.uniform(-50.0, 2500.0, count),
        rotation=random.uniform(-180.0, 180.0), unit=unit, roles=roles,
        sigma=10.0 ** random.uniform(-3.0, -1.0), noise=random)
    settings = Settings(site_unit=unit, horizontal_model=model, vertical_model=vertical,
                        tolerance_h=random.choice([None, 0.05]))
    return solve(pairs, settings), offsets


@pytest.mark.parametrize("seed", range(40))
def test_every_sentence_is_whole(seed: int) -> None:
    random = np.random.default_rng(seed)
    tie, offsets = random_tie(random)
    centre = [p.observation for p in tie.pairs][0]
    spread = np.ptp(offsets, axis=0).max() / 111_194.0
    points = random.uniform(-1.0, 1.0, (2, 30)) * spread
    heights = np.where(random.random(30) < 0.2, np.nan, random.uniform(0.0, 3000.0, 30))
    for given in ((), (centre.latitude + points[0], centre.longitude + points[1], heights)):
        findings = plausibility(tie, *given)
        ranks = [(-LEVELS.index(f.level), TOPICS.index(f.topic)) for f in findings]
        assert ranks == sorted(ranks)
        for finding in findings:
            assert re.match(r"[A-Z\d].*[.]$", finding.sentence), finding
            assert not re.search(r"nan|None|inf\b|unknown|e[-+]\d|  |\(\)|-\d", finding.sentence), (
                finding)


def test_a_typed_tie() -> None:
    """Typed parameters have no control of their own; pairs, all checks, say where the site lies."""
    tie = solve(ground_site(PLACES["inland"]), Settings(vertical_model="plane"))
    checks = tuple(dataclasses.replace(p, horizontal="check", vertical="check") for p in tie.pairs)
    typed = dataclasses.replace(
        tie, kind="typed", rows=(), repeats=(), pairs=checks,
        horizontal=dataclasses.replace(tie.horizontal, cofactor=None),
        vertical=dataclasses.replace(tie.vertical, cofactor=None),
        statistics=dataclasses.replace(tie.statistics, horizontal=None, vertical=None))
    at = geodetic(PLACES["inland"], SQUARE, 1200.0)
    findings = plausibility(typed, *at.T)
    said = found(findings, "scale")
    assert said.sentence.startswith("The typed scale is 1.000188")
    assert "that of ground lengths" in said.sentence
    assert "±" not in found(findings, "tilt").sentence
    assert plausibility(dataclasses.replace(typed, pairs=())) != ()
    off = [row.horizontal for row in tie.residuals]
    rows = tuple(dataclasses.replace(
        row, horizontal=dataclasses.replace(part, role="check", verdict="does not agree"))
        for row, part in zip(tie.residuals, off))
    said = found(plausibility(dataclasses.replace(typed, rows=rows)), "horizontal-checks")
    assert said.level == ALARM


def test_published_parameters() -> None:
    """Scale 1.0002 over UTM 33: half way between the grid and the ellipsoid, no kind of length."""
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:32633"), "EPSG:9621",
        {"easting": -480000.0, "northing": -5300000.0, "scale": 1.0002, "rotation": 12.5},
        vertical={"shift": -44.0})
    bare = plausibility(tie)
    assert {f.topic for f in bare} == {"horizontal-checks", "vertical-checks"}  # no extent, no tilt
    at = geodetic(PLACES["inland"], SQUARE, 400.0)
    findings = plausibility(tie, *at.T)
    said = found(findings, "scale")
    # UTM 33 at 5 km from its meridian: 0.9996, so that ground is 1.0004 (1 + 400 / R).
    assert said.level == CAUTION
    assert figure(said.sentence, "lengths on the ellipsoid (", "; ") == pytest.approx(
        1.0 / 0.9996, abs=1e-6)
    assert figure(found(findings, "tilt").sentence, " mm at ", " m from the middle of the points"
                  ) == pytest.approx(500.0, abs=40.0)
