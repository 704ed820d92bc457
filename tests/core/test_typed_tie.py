"""A tie from typed parameters: stored, undone, tested against observations, refused when odd."""

from __future__ import annotations

import dataclasses
import math
import pickle

import numpy as np
import pyproj
import pytest

from sitetie.core import (
    Control,
    Observation,
    Pair,
    Settings,
    SitetieError,
    Tie,
    check_against,
    solve,
    tie_from_parameters,
)
from sitetie.core.errors import InputError
from sitetie.core.headline import headline
from sitetie.core.plausibility import plausibility
from sitetie.core.report import report_html
from sitetie.tests.core.published.local_grids import SLOVENIA, slovenia

SETTINGS = Settings(base_crs="EPSG:32633", observation_crs="EPSG:4326")
PLANT = {"easting": -480000.0, "northing": -5300000.0, "scale": 1.00021, "rotation": 12.5}


def typed(**more):
    return tie_from_parameters(SETTINGS, "EPSG:9621", PLANT, vertical={"shift": -44.0}, **more)


def observed_pairs(tie, offset=0.0):
    rng = np.random.default_rng(5)
    pairs = []
    for i in range(6):
        lat, lon = 48.0 + rng.uniform(0, 0.01), 15.0 + rng.uniform(0, 0.01)
        e, n, z = tie.to_site(lat, lon, 400.0)
        pairs.append(Pair(Control(f"P{i}", e + offset, n, z),
                          Observation(f"o{i}", lat, lon, 400.0)))
    return pairs


def test_stored_and_read_back(tmp_path):
    tie = typed(accuracy_h=0.01, accuracy_v=0.02, source="Plant manual, sheet 4")
    tie.save(tmp_path / "tie.json")
    again = Tie.load(tmp_path / "tie.json")
    assert again == tie
    assert again.id == tie.id
    assert pickle.loads(pickle.dumps(tie)) == tie


def test_there_and_back():
    tie = typed()
    e, n, z = tie.to_site(48.0, 15.0, 400.0)
    lat, lon, h = tie.to_geodetic(e, n, z)
    assert math.hypot(lat - 48.0, lon - 15.0) * 111_000 < 1e-5
    assert h == pytest.approx(400.0, abs=1e-9)


def test_uncertainty_is_unknown_until_stated():
    assert np.isnan(typed().covariance(48.0, 15.0)[0, 0, 0])
    stated = typed(accuracy_h=0.01, accuracy_v=0.02).covariance(48.0, 15.0)[0]
    assert np.allclose(np.diag(stated), [1e-4, 1e-4, 4e-4])


def test_solving_its_own_points_gives_the_typed_parameters():
    tie = typed()
    solved = solve(observed_pairs(tie), SETTINGS)
    assert solved.parameters["rotation"].value == pytest.approx(-12.5, abs=1e-7)
    assert solved.parameters["scale"].value == pytest.approx(1.00021, abs=1e-9)


def test_own_observations_agree_or_not():
    tie = typed(accuracy_h=0.01, accuracy_v=0.02)
    good = check_against(tie, observed_pairs(tie)).residuals
    assert {row.horizontal.verdict for row in good} == {"agrees"}
    assert np.abs(good.east).max() < 1e-6
    bad = check_against(tie, observed_pairs(tie, offset=0.2)).residuals
    assert {row.horizontal.verdict for row in bad} == {"does not agree"}
    assert bad.east == pytest.approx(np.full(6, -0.2), abs=1e-6)
    assert {row.vertical.verdict for row in bad} == {"agrees"}


def test_parameters_of_the_other_direction():
    forward = typed()
    matrix = np.array(forward.horizontal.matrix)
    offset = np.array(forward.horizontal.translation)
    back = np.linalg.inv(matrix)
    shift = -back @ offset
    scale = math.sqrt(np.linalg.det(back))
    rotation = math.degrees(math.atan2(back[0, 1], back[0, 0]))
    other = tie_from_parameters(SETTINGS, "EPSG:9621", {
        "easting": shift[0], "northing": shift[1], "scale": scale, "rotation": rotation},
        inverse=True)
    assert np.allclose(other.to_site(48.0, 15.0)[:2], forward.to_site(48.0, 15.0)[:2], atol=1e-6)


def test_feet_grid_over_a_feet_projection():
    settings = Settings(base_crs="EPSG:2229", observation_crs="EPSG:4269", site_unit="us-ft")
    tie = tie_from_parameters(settings, "EPSG:9656", {"easting": -6_000_000.0, "northing": 100.0})
    base = np.array(tie.base.to_base(34.0, -118.0)) / (1200 / 3937)
    assert np.allclose(tie.to_site(34.0, -118.0)[:2], base + [-6_000_000.0, 100.0], atol=1e-6)


SIMILARITY = {"easting": 100.0, "northing": 200.0, "scale": 1.0, "rotation": 0.0}


@pytest.mark.parametrize("rotation", [
    (12.51, "deg"), (12.51 * 3600.0, "arcsec"), (math.radians(12.51), "rad"), (13.9, "grad"),
    (12.3036, "dms"), 12.51,
])
def test_angles_in_every_unit(rotation):
    tie = tie_from_parameters(SETTINGS, "EPSG:9621", {**SIMILARITY, "rotation": rotation})
    assert tie.parameters["rotation"].value == pytest.approx(-12.51, abs=1e-10)


def test_lengths_and_scale_in_units_of_their_own():
    typed_in_feet = {**SIMILARITY, "easting": (100.0 / 0.3048, "ft"), "scale": (210.0, "ppm"),
                     "northing": (200.0 * 3937.0 / 1200.0, "us-ft")}
    tie = tie_from_parameters(SETTINGS, "EPSG:9621", typed_in_feet)
    assert tie.base_to_site(0.0, 0.0) == pytest.approx((100.0, 200.0), abs=1e-12)
    assert tie.parameters["scale"].value == pytest.approx(1.00021, abs=1e-15)


def test_models_keep_their_kind():
    similarity = tie_from_parameters(SETTINGS, "EPSG:9621", SIMILARITY)
    shift = tie_from_parameters(SETTINGS, "EPSG:9656", {"easting": 1.0, "northing": 2.0})
    affine = tie_from_parameters(SETTINGS, "EPSG:9624", {
        "A0": 0.0, "A1": 1.0, "A2": 1e-5, "B0": 0.0, "B1": 0.0, "B2": 1.0})
    assert [tie.settings.horizontal_model for tie in (similarity, shift, affine)] == [
        "similarity", "translation", "affine"]
    assert similarity.settings.vertical_model is None
    assert shift.horizontal.names == ("easting", "northing")


@pytest.mark.parametrize(("base", "frame", "own", "place"), [
    ("EPSG:2053", "EPSG:4148", "WS", (-25.7, 28.2)),
    ("EPSG:5513", "EPSG:4156", "WS", (50.1, 14.4)),
    ("EPSG:2180", "EPSG:4258", "EN", (52.2, 21.0)),
    ("EPSG:2229", "EPSG:4269", "EN", (34.05, -118.2)),
])
@pytest.mark.parametrize("site_axes", ["EN", "NE", "WS", "SW", "NW", "SE"])
def test_axes_and_unit_of_the_projection(base, frame, own, place, site_axes):
    """The published equation in its own numbers, written out, against the tie."""
    crs = pyproj.CRS(base)
    metres = crs.axis_info[0].unit_conversion_factor
    tie = tie_from_parameters(
        Settings(base_crs=base, observation_crs=frame), "EPSG:9621",
        {"easting": 1000.0, "northing": 2000.0, "scale": 1.0003 * metres, "rotation": 20.0},
        site_axes=site_axes)
    numbers = dict(zip((axis.direction[0].upper() for axis in crs.axis_info),
                       pyproj.Transformer.from_crs(frame, crs).transform(*place)))
    x, y = (numbers[letter] for letter in own)
    turn, scale = math.radians(20.0), 1.0003 * metres
    first = 1000.0 + scale * (x * math.cos(turn) + y * math.sin(turn))
    second = 2000.0 + scale * (-x * math.sin(turn) + y * math.cos(turn))
    along = dict(zip(site_axes, (first, second)))
    easting = along["E"] if "E" in along else -along["W"]
    northing = along["N"] if "N" in along else -along["S"]
    assert tie.to_site(*place)[:2] == pytest.approx((easting, northing), abs=1e-6)
    mirrored = (own in ("EN", "WS")) != (site_axes in ("EN", "WS", "NW", "SE"))
    assert any("mirror image" in said for said in tie.cautions) == mirrored
    assert (own, site_axes) == ("EN", "EN") or any("westing" in said or "southing" in said
                                                   or "northing and" in said
                                                   for said in tie.cautions)


@pytest.mark.parametrize("operation", sorted(SLOVENIA))
def test_national_similarities_against_proj(operation):
    """All 24 current ones of Slovenia, which also show what scales and turns are usual."""
    easting, northing, scale, rotation = SLOVENIA[operation]
    tie = slovenia(*SLOVENIA[operation])
    step = (f"+proj=helmert +x={easting!r} +y={northing!r} +s={scale!r} "
            f"+theta={rotation * 3600.0!r}")
    there = pyproj.Transformer.from_pipeline(step)
    place = 500_000.0, 100_000.0
    assert tie.base_to_site(*place) == pytest.approx(there.transform(*place), abs=1e-6)
    assert tie.site_to_base(*tie.base_to_site(*place)) == pytest.approx(place, abs=1e-8)
    assert abs(tie.parameters["scale"].value - 1.0) < 30e-6


def test_a_bin_grid_counts_its_accuracy_in_bins(tmp_path):
    bins = {"origin_i": 5000.0, "origin_j": 0.0, "easting": 871200.0, "northing": 10280160.0,
            "scale": 1.0, "width_i": 82.5, "width_j": 41.25, "bearing": 340.0, "increment_i": 1.0,
            "increment_j": 1.0}
    settings = Settings(base_crs="EPSG:32066", observation_crs="EPSG:4267")
    tie = tie_from_parameters(settings, "EPSG:1049", bins, accuracy_h=3.0)
    latitude, longitude, _ = tie.to_geodetic(4700.0, 247.0)
    foot = 1200.0 / 3937.0
    sigmas = np.sqrt(np.diag(tie.covariance(latitude, longitude)[0])[:2])
    assert sigmas == pytest.approx([3.0 / (82.5 * foot), 3.0 / (41.25 * foot)], rel=1e-9)
    tie.save(tmp_path / "bins.json")
    assert Tie.load(tmp_path / "bins.json") == tie
    assert any("mirror image" in said for said in tie.cautions)


def published_1046(latitude, longitude):
    """EPSG method 1046, written out with the radii of GRS 1980."""
    a, f = 6378137.0, 1.0 / 298.257222101
    e2 = f * (2.0 - f)
    phi0, lam0 = math.radians(46.0 + 55.0 / 60.0), math.radians(8.0 + 11.0 / 60.0)
    w = 1.0 - e2 * math.sin(phi0) ** 2
    rho, nu = a * (1.0 - e2) / w**1.5, a / math.sqrt(w)
    phi, lam = np.radians(latitude), np.radians(longitude)
    slope_lat, slope_lon = np.radians([-0.210 / 3600.0, -0.032 / 3600.0])
    return -0.245 + slope_lat * rho * (phi - phi0) + slope_lon * nu * (lam - lam0) * np.cos(phi)


SLOPED = {"shift": -0.245, "latitude": 46.0 + 55.0 / 60.0, "longitude": 8.0 + 11.0 / 60.0,
          "slope_latitude": -0.210, "slope_longitude": -0.032}


@pytest.mark.parametrize("base", ["EPSG:25832", "EPSG:2056", "EPSG:3035"])
@pytest.mark.parametrize("near", [(47.333, 9.667), (46.2, 6.1), (46.917, 8.183)])
def test_sloped_heights_around_the_site(base, near):
    """The plane meets the published surface at the site, and stays as near as the tie says."""
    tie = tie_from_parameters(
        Settings(base_crs=base, observation_crs="EPSG:4258", datum_operation="identical"),
        "EPSG:9656", {"easting": 0.0, "northing": 0.0}, vertical=SLOPED, near=near)
    said = next(s for s in tie.cautions if "EPSG:1046" in s)
    stated = float(said.split("by up to ")[1].split(" mm")[0]) / 1000.0
    assert tie.to_site(*near, 0.0)[2] == pytest.approx(published_1046(*near), abs=1e-9)
    for bearing in range(0, 360, 15):
        for share in (0.3, 1.0):
            north = share * 10_000.0 * math.cos(math.radians(bearing)) / 111_200.0
            east = share * 10_000.0 * math.sin(math.radians(bearing)) / 111_400.0
            lat, lon = near[0] + north, near[1] + east / math.cos(math.radians(near[0]))
            off = tie.to_site(lat, lon, 0.0)[2] - published_1046(lat, lon)
            assert abs(off) <= 1.1 * share**2 * stated + 1e-9
    assert stated < 0.0001


def test_sloped_heights_the_other_way():
    there = tie_from_parameters(SETTINGS, "EPSG:9621", PLANT, vertical=SLOPED, near=(48.0, 15.0))
    back = tie_from_parameters(SETTINGS, "EPSG:9621", PLANT, vertical=SLOPED, near=(48.0, 15.0),
                               vertical_inverse=True)
    height = there.to_site(48.02, 15.03, 100.0)[2]
    assert back.to_site(48.02, 15.03, height)[2] == pytest.approx(100.0, abs=1e-12)


def test_shift_in_the_elevation_unit_or_another():
    settings = SETTINGS.replace(elevation_unit="ft")
    for shift in (-100.0, (-30.48, "m")):
        tie = tie_from_parameters(settings, "EPSG:9621", PLANT, vertical={"shift": shift})
        assert tie.to_site(48.0, 15.0, 60.96)[2] == pytest.approx(100.0, abs=1e-9)


def test_the_datum_operation_is_stored():
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:31467", observation_crs="EPSG:4258"), "EPSG:9656",
        {"easting": 0.0, "northing": 0.0}, near=(48.5, 9.0))
    assert tie.settings.datum_operation == tie.base.datum_operation is not None


def test_checks_of_marks_with_repeats_and_a_common_shift():
    tie = typed(accuracy_h=0.02, accuracy_v=0.02)
    pairs = observed_pairs(tie, offset=0.03)
    pairs.append(dataclasses.replace(
        pairs[0], observation=dataclasses.replace(pairs[0].observation, id="again")))
    pairs.append(dataclasses.replace(pairs[1], control=dataclasses.replace(
        pairs[1].control, id="idle"), horizontal="idle", vertical="idle"))
    check = check_against(tie, pairs)
    assert (check.horizontal.pairs, check.vertical.pairs) == (7, 7)
    assert check.horizontal.mean == pytest.approx((-0.03, 0.0), abs=1e-6)
    assert check.horizontal.rms == pytest.approx(0.03, abs=1e-6)
    assert check.vertical.rms == pytest.approx(0.0, abs=1e-6)
    first, again = check.residuals["o0"].horizontal, check.residuals["again"].horizontal
    assert first.test == again.test
    rho = tie.settings.session_correlation
    variance = 0.02**2 + 0.005**2 + 0.008**2 * (rho + (1.0 - rho) / 2.0) * 1.00021**2
    assert first.test == pytest.approx(0.03 / math.sqrt(variance), rel=1e-3)
    assert check.residuals["idle"].horizontal.role == "idle"
    assert check.tie.kind == "typed"
    assert check.tie.horizontal == tie.horizontal


def test_without_a_stated_accuracy_nothing_is_tested():
    check = check_against(typed(), observed_pairs(typed(), offset=0.2))
    assert {row.horizontal.verdict for row in check.residuals} == {"cannot be tested"}
    assert check.horizontal.rms == pytest.approx(0.2, abs=1e-6)


def test_tolerances_hold_for_checks_of_a_typed_tie():
    tie = tie_from_parameters(SETTINGS.replace(tolerance_h=0.1), "EPSG:9621", PLANT)
    for offset, within in ((0.05, True), (0.2, False)):
        check = check_against(tie, observed_pairs_without_heights(tie, offset))
        assert {row.horizontal.within_tolerance for row in check.residuals} == {within}
    assert check.vertical is None


def observed_pairs_without_heights(tie, offset):
    pairs = observed_pairs(typed(), offset)
    return [dataclasses.replace(pair, vertical="idle") for pair in pairs]


def test_a_solved_tie_is_sent_back_to_its_pairs():
    pairs = observed_pairs(typed())
    with pytest.raises(InputError, match="role check"):
        check_against(solve(pairs, SETTINGS), pairs)


@pytest.mark.parametrize("accuracy", [None, 0.01])
def test_everything_that_speaks_of_ties_speaks_of_typed_ones(accuracy, tmp_path):
    bare = typed(accuracy_h=accuracy, accuracy_v=accuracy, source="Plant manual, sheet 4")
    checked = check_against(bare, observed_pairs(bare)).tie
    for tie in (bare, checked):
        assert "Plant manual, sheet 4" in report_html(tie)
        assert plausibility(tie)
        headline(tie.pairs, tie)
        tie.save(tmp_path / "typed.json")
        assert Tie.load(tmp_path / "typed.json").id == tie.id
        there = pyproj.Transformer.from_crs("EPSG:4326", pyproj.CRS(tie.crs_wkt()), always_xy=True)
        assert there.transform(15.0, 48.0) == pytest.approx(tie.to_site(48.0, 15.0)[:2], abs=1e-6)
        assert tie.parameter_covariance.shape == (5, 5)
        assert len(tie.parameter_names) == 5


@pytest.mark.parametrize(("changes", "words"), [
    ({"method": "EPSG:1"}, "EPSG:9621, EPSG:9624"),
    ({"parameters": {"easting": 1.0}}, "missing or unknown parameters: northing, rotation, scale"),
    ({"parameters": {**SIMILARITY, "M": 1.0}}, "parameters: M"),
    ({"parameters": {**SIMILARITY, "easting": math.nan}}, "easting of EPSG:9621 is not finite"),
    ({"parameters": {**SIMILARITY, "easting": "x"}}, "easting of EPSG:9621 is 'x', not a number"),
    ({"parameters": {**SIMILARITY, "easting": (1.0, "km")}}, "Allowed: m, ft, us-ft"),
    ({"parameters": {**SIMILARITY, "scale": (1.0, "m")}}, "Allowed: ppm"),
    ({"parameters": {**SIMILARITY, "rotation": (1.0, "mil")}}, "Allowed: deg, arcsec, rad, grad"),
    ({"parameters": {**SIMILARITY, "rotation": (12.61, "dms")}}, "minutes"),
    ({"parameters": {**SIMILARITY, "scale": 0.0}}, "squeeze the plane into a line"),
    ({"parameters": {**SIMILARITY, "scale": 3.2809}}, "3.2809 times as large"),
    ({"angle_unit": "turns"}, "'turns'"),
    ({"base_axes": "EE"}, "two compass letters"),
    ({"site_axes": "XY"}, "two compass letters"),
    ({"vertical": {}}, "shift"),
    ({"vertical": {"shift": 1.0, "latitude": 48.0}}, "slope_latitude"),
    ({"vertical": {**SLOPED, "latitude": 95.0}}, "not on the earth"),
    ({"accuracy_h": -1.0}, "cannot be negative"),
    ({"settings": Settings()}, "base_crs"),
])
def test_odd_parameters_are_refused(changes, words):
    given = {"settings": SETTINGS, "method": "EPSG:9621", "parameters": SIMILARITY, **changes}
    with pytest.raises(SitetieError, match=words):
        tie_from_parameters(**given)
