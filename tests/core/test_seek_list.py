"""The seek list: predicted places, circles, the walk, and the files for other programs."""

from __future__ import annotations

import csv
import dataclasses
import io
from xml.etree import ElementTree

import numpy as np
import pyproj
import pytest

from sitetie.core import Control, solve, tie_from_parameters
from sitetie.core.errors import Cancelled, InputError
from sitetie.core.search_radius import circle_radius
from sitetie.core.seek_files import COLUMNS, seek_csv, seek_gpx
from sitetie.core.seek_list import seek_list
from sitetie.simulations import seek_circles
from sitetie.simulations.counting import count

from .sites import random_site, write_geoid

#: Children of a waypoint in the order that the GPX 1.1 schema prescribes (topografix.com/GPX/1/1),
#: as far as they are used here, and those of the document and of its metadata.
WAYPOINT = ("ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym",
            "type")
DOCUMENT = ("metadata", "wpt", "rte", "trk", "extensions")
METADATA = ("name", "desc", "author", "copyright", "link", "time", "keywords", "bounds")
NAMESPACE = "{http://www.topografix.com/GPX/1/1}"


def tie_and_control(seed: int = 4, paired: int = 2, marks: int = 12, **options):
    """A tie of the first marks, and all control points of the site."""
    site = random_site(seed, **{"marks": marks, "noise": 0.7, "extent": 900.0, "tilt": 0.0,
                                **options})
    return (solve(site.pairs[:paired], site.settings), [pair.control for pair in site.pairs], site)


def change_control(control: Control, **values) -> Control:
    return dataclasses.replace(control, **values)


def test_every_control_point_that_is_in_no_pair_once() -> None:
    tie, control, _ = tie_and_control()
    seek = seek_list(tie, control, leave_out=["C5"])
    assert {point.control.id for point in seek.points} == {
        f"C{i}" for i in range(2, 12)} - {"C5"}
    assert [point.order for point in seek.points] == list(range(1, 10))


def test_the_place_is_where_the_tie_maps_onto_the_control_point() -> None:
    tie, control, _ = tie_and_control(site_unit="us-ft", elevation_unit="m")
    for point in seek_list(tie, control).points:
        back = tie.to_site(point.latitude, point.longitude, point.height)
        given = point.control
        assert back == pytest.approx((given.easting, given.northing, given.elevation), abs=1e-6)


@pytest.mark.parametrize("model", ["rigid", "similarity"])
def test_circles_against_the_covariance_written_out(model) -> None:
    """Tie, control and shot in the site plane, then turned to the ground with the scale of the
    tie: written out for a base of scale 1 and equal sigmas, for which directions do not matter."""
    tie, control, _ = tie_and_control(
        horizontal_model=model, true_scale=1.0 if model == "rigid" else 1.0003, own_sigmas=False)
    assert tie.statistics.horizontal.applied_factor == 1.0
    for point in seek_list(tie, control).points:
        own = tie.covariance(point.latitude, point.longitude)[0, :2, :2]
        scale = tie.horizontal.scale * float(tie.base.point_scale(point.latitude, point.longitude))
        whole = own / scale**2 + (0.008**2 + 0.005**2 / scale**2) * np.eye(2)
        axes = np.sqrt(np.linalg.eigvalsh(whole))[::-1]
        assert point.radius == pytest.approx(float(circle_radius(*axes)), rel=1e-6)
        assert point.semi_major == pytest.approx(axes[0] * tie.region_factor(2), rel=1e-6)
        up = tie.covariance(point.latitude, point.longitude)[0, 2, 2] + 0.015**2 + 0.005**2
        assert point.half_height == pytest.approx(1.959964 * np.sqrt(up), rel=1e-6)


def test_far_from_a_two_pair_tie_circles_are_wide() -> None:
    tie, _, site = tie_and_control(own_sigmas=False, horizontal_model="rigid", true_scale=1.0)
    first, second = (np.array([p.control.easting, p.control.northing]) for p in site.pairs[:2])
    middle, along = (first + second) / 2.0, second - first
    control = [Control(f"at {k}", *map(float, middle + k * along)) for k in (0.0, 0.5, 5.0, 50.0)]
    points = {p.control.id: p for p in seek_list(tie, control).points}
    radii = [points[f"at {k}"].radius for k in (0.0, 0.5, 5.0, 50.0)]
    assert radii == sorted(radii)
    # Far away the turn decides: its sigma times the distance, across the line alone (1.96 sigma).
    sigma = np.sqrt(tie.part_covariance("horizontal")[2, 2]) * 50.0 * np.hypot(*along)
    assert radii[3] == pytest.approx(1.96 * sigma, rel=0.01)
    assert radii[3] < 0.9 * points["at 50.0"].semi_major


def test_the_bearing_of_the_ellipse_is_across_the_line_to_a_far_mark() -> None:
    tie, _, site = tie_and_control(own_sigmas=False, horizontal_model="rigid", true_scale=1.0,
                                   place=(48.0, 9.0))
    latitude, longitude = site.pairs[0].observation.latitude, site.pairs[0].observation.longitude
    far_longitude, far_latitude, _ = pyproj.Geod(ellps="WGS84").fwd(
        longitude, latitude, 30.0, 40_000.0)
    easting, northing, _ = tie.to_site(far_latitude, far_longitude)
    (point,) = seek_list(tie, [Control("far", easting, northing)]).points
    assert point.bearing == pytest.approx(120.0, abs=1.0)


def test_own_sigmas_widen_and_unknown_ones_are_those_of_the_settings() -> None:
    tie, control, _ = tie_and_control(own_sigmas=False)
    usual = seek_list(tie, control[5:6]).points[0]
    known = seek_list(tie, [change_control(control[5], sigma_h=0.005, sigma_v=0.005)]).points[0]
    assert known.radius == usual.radius
    vague = seek_list(tie, [change_control(control[5], sigma_h=0.5, sigma_v=0.7)]).points[0]
    assert vague.radius == pytest.approx(2.4477 * 0.5, rel=0.01)
    assert vague.half_height == pytest.approx(1.96 * 0.7, rel=0.01)
    shot = seek_list(tie, control[5:6], observation_covariance=np.diag([3.0, 3.0, 5.0]) ** 2)
    assert shot.points[0].radius == pytest.approx(2.4477 * 3.0, rel=0.01)


def test_where_the_test_rejects_circles_take_the_f_quantile() -> None:
    tie, control, _ = tie_and_control(paired=4, noise=9.0, own_sigmas=False)
    part = tie.statistics.horizontal
    assert part.applied_factor > 1.0
    point = seek_list(tie, control).points[0]
    ratio = point.semi_minor / point.semi_major
    expected = circle_radius(1.0, ratio, 0.95, part.redundancy) / tie.region_factor(2)
    assert point.radius == pytest.approx(float(expected) * point.semi_major, rel=1e-9)


def test_horizontal_only_and_marks_without_an_elevation_have_no_height() -> None:
    tie, control, site = tie_and_control()
    bare = Control("bare", control[7].easting, control[7].northing)
    (point,) = seek_list(tie, [bare]).points
    assert point.height is None
    assert point.half_height is None
    flat = solve(site.pairs[:2], site.settings.replace(vertical_model=None))
    (point,) = seek_list(flat, control[7:8]).points
    assert point.height is None
    assert point.radius > 0.0


def test_marks_with_an_elevation_only_are_named_not_placed() -> None:
    tie, control, _ = tie_and_control()
    seek = seek_list(tie, [Control("bench", elevation=12.0), control[3]])
    assert seek.unplaced == ("bench",)
    assert len(seek.points) == 1
    assert "1 without a position is left out" in seek.words()


def test_a_typed_tie_without_an_accuracy_gives_places_and_no_circles() -> None:
    _, control, site = tie_and_control()
    typed = {"easting": 100.0, "northing": 200.0, "scale": 1.0, "rotation": 0.0}
    tie = tie_from_parameters(site.settings, "EPSG:9621", typed)
    point = seek_list(tie, [Control("P", 300.0, 400.0)]).points[0]
    assert point.radius is None
    assert "unknown" in point.words(0.95)
    assert point.outside is None
    sure = tie_from_parameters(site.settings, "EPSG:9621", typed, accuracy_h=0.02)
    radius = seek_list(sure, [Control("P", 300.0, 400.0)]).points[0].radius
    assert radius == pytest.approx(2.4477 * np.sqrt(0.02**2 + 0.008**2 + 0.005**2), rel=1e-3)


def test_the_walk_starts_with_the_crew_and_its_legs_are_those_of_the_ellipsoid() -> None:
    tie, control, site = tie_and_control()
    start = (site.latitude + 0.01, site.longitude)
    seek = seek_list(tie, control, start=start)
    earth = pyproj.Geod(ellps="WGS84")
    latitudes = [start[0], *(p.latitude for p in seek.points)]
    longitudes = [start[1], *(p.longitude for p in seek.points)]
    assert seek.length == pytest.approx(earth.line_length(longitudes, latitudes), abs=1e-6)
    nearest = min(seek.points, key=lambda p: earth.inv(
        start[1], start[0], p.longitude, p.latitude)[2])
    assert seek.points[0].leg <= 1.5 * earth.inv(
        start[1], start[0], nearest.longitude, nearest.latitude)[2]
    assert seek.from_crew


def test_without_a_crew_it_starts_at_the_mark_known_best() -> None:
    tie, control, _ = tie_and_control()
    seek = seek_list(tie, control)
    assert seek.points[0].radius == min(point.radius for point in seek.points)
    assert seek.points[0].leg == 0.0
    assert f"from {seek.points[0].control.id}" in seek.words()


def test_across_the_antimeridian() -> None:
    tie, control, _ = tie_and_control(place=(-17.0, 180.0), extent=2000.0)
    seek = seek_list(tie, control, start=(-17.0, -179.999))
    assert seek.length < 20_000.0


def test_what_cannot_be_done_is_said() -> None:
    tie, control, _ = tie_and_control()
    with pytest.raises(InputError, match="C3: Two control points have this id"):
        seek_list(tie, [control[3], control[3]])
    with pytest.raises(InputError, match="place of the crew"):
        seek_list(tie, control, start=(95.0, 0.0))
    with pytest.raises(InputError, match="off"):
        seek_list(tie, [control[3], Control("off", 1e30, 1e30)])
    with pytest.raises(Cancelled):
        seek_list(tie, [Control(f"P{i}", 1e4 + i**2 % 777, 1e4 + i**3 % 999) for i in range(99)],
                  progress=lambda share: False)
    assert seek_list(tie, []).words() == "There is no control point left to look for."


# -- files -----------------------------------------------------------------------------------


def test_gpx_has_the_elements_of_the_standard_in_their_order() -> None:
    tie, control, _ = tie_and_control()
    odd = change_control(control[4], id='=cmd|" <b>&\x0b\ud7ff 𝔐')
    seek = seek_list(tie, [*control[:4], odd])
    root = ElementTree.fromstring(seek_gpx(seek, tie))
    assert root.tag == NAMESPACE + "gpx"
    assert (root.get("version"), bool(root.get("creator"))) == ("1.1", True)
    assert_ordered(root, DOCUMENT)
    assert_ordered(root.find(NAMESPACE + "metadata"), METADATA)
    waypoints = root.findall(NAMESPACE + "wpt")
    assert len(waypoints) == len(seek.points)
    for waypoint, point in zip(waypoints, seek.points):
        assert_ordered(waypoint, WAYPOINT)
        assert float(waypoint.get("lat")) == pytest.approx(point.latitude, abs=1e-9)
        assert float(waypoint.get("lon")) == pytest.approx(point.longitude, abs=1e-9)
        assert waypoint.findtext(NAMESPACE + "name") == point.control.id.replace("\x0b", "\ufffd")
        assert point.words(0.95) in waypoint.findtext(NAMESPACE + "desc")
    names = [p.findtext(NAMESPACE + "name") for p in root.iter(NAMESPACE + "rtept")]
    assert names == [w.findtext(NAMESPACE + "name") for w in waypoints]


def assert_ordered(element, names) -> None:
    places = [names.index(child.tag.replace(NAMESPACE, "")) for child in element]
    assert places == sorted(places)


def test_gpx_is_in_wgs_84() -> None:
    """NAD27 is tens of metres away; a frame PROJ cannot carry there is named."""
    tie, control, _ = tie_and_control(place=(40.0, -100.0), observation_crs="EPSG:4267")
    seek = seek_list(tie, control)
    root = ElementTree.fromstring(seek_gpx(seek, tie))
    waypoint, point = root.find(NAMESPACE + "wpt"), seek.points[0]
    moved = pyproj.Transformer.from_crs("EPSG:4267", "EPSG:4326", always_xy=True).transform(
        point.longitude, point.latitude)
    assert float(waypoint.get("lon")) == pytest.approx(moved[0], abs=1e-9)
    assert abs(float(waypoint.get("lon")) - point.longitude) > 1e-4
    assert "WGS 84" in root.find(NAMESPACE + "metadata").findtext(NAMESPACE + "desc")


def test_gpx_elevations_are_over_the_geoid(tmp_path) -> None:
    geoid = write_geoid(tmp_path / "made up.gtx")
    tie, control, _ = tie_and_control(place=(48.0, 11.0), geoid=geoid)
    seek = seek_list(tie, control)
    waypoint = ElementTree.fromstring(seek_gpx(seek, tie)).find(NAMESPACE + "wpt")
    over, undulation = (float(waypoint.findtext(NAMESPACE + name))
                        for name in ("ele", "geoidheight"))
    assert over + undulation == pytest.approx(seek.points[0].height, abs=2e-3)
    assert 40.0 < undulation < 50.0


def test_csv_reads_back_and_no_name_is_a_formula() -> None:
    tie, control, _ = tie_and_control()
    names = ["=1+1", "+x", "-y", "@z", "\tq", "é, \"K\""]
    seek = seek_list(tie, [change_control(c, id=name) for c, name in zip(control[3:], names)])
    text = seek_csv(seek).decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert tuple(rows[0]) == COLUMNS
    for row, point in zip(rows, seek.points):
        assert row["control_id"].lstrip("'") == point.control.id
        assert row["control_id"][0] not in "=+-@\t\r"
        assert float(row["seek_lat"]) == pytest.approx(point.latitude, abs=1e-9)
        assert float(row["seek_r"]) == pytest.approx(point.radius, abs=1e-4)
        assert float(row["site_e"]) == pytest.approx(point.control.easting, abs=1e-4)


# -- counting --------------------------------------------------------------------------------


def test_circles_and_intervals_hold_95_percent() -> None:
    """A short run of the simulation; the bounds are those of the full run, 95 ± 1 %, widened by
    four standard errors of the sites drawn here."""
    counted = count(seek_circles.tasks(100, seek_circles.CASES[:2]), seed=2)
    for name, rates in counted.items():
        for outcome, rate in rates.items():
            if outcome.endswith(("in the circle", "height in the interval")):
                slack = 0.01 + 4.0 * np.sqrt(0.95 * 0.05 / rate.trials)
                assert abs(rate.mean - 0.95) < slack, (name, outcome, rate.mean)


def test_settings_confidence_is_that_of_the_circles() -> None:
    tie, control, site = tie_and_control(own_sigmas=False)
    half = solve(site.pairs[:2], site.settings.replace(confidence=0.5))
    seek = seek_list(half, control)
    assert seek.level == 0.5
    wide = {p.control.id: p.radius for p in seek_list(tie, control).points}
    assert all(point.radius < 0.6 * wide[point.control.id] for point in seek.points)
    assert "50 %" in seek.points[0].words(seek.level)
