"""sitetie:seek, sitetie:nextcontrol and sitetie:designcheck against the core, and their files."""

from __future__ import annotations

import csv

import numpy as np
import pyproj
import pytest
from osgeo import gdal, ogr
from qgis.core import QgsApplication, QgsProcessingException

from sitetie.core import Control, Settings, read_pairs, solve, tie_from_parameters
from sitetie.core.design_check import design_check
from sitetie.core.next_control import next_control
from sitetie.core.seek_list import seek_list
from sitetie.core.work_area import WorkArea
from sitetie.plugin.seek_layer import CORNERS

from .processing_runs import (
    QUARRY,
    Listener,
    as_parameters,
    layer_of,
    memory_layer,
    quarry_settings,
    rows_of,
    run,
)

pytestmark = pytest.mark.usefixtures("algorithms")

CONTROL_FILE = str(QUARRY / "control.csv")


@pytest.fixture(scope="module")
def control():
    with open(CONTROL_FILE, encoding="utf-8") as stream:
        return [
            Control(row["control_id"], *(
                float(row[name]) if row[name] else None for name in (
                    "easting", "northing", "elevation", "control_sigma_h", "control_sigma_v")))
            for row in csv.DictReader(stream)
        ]


@pytest.fixture(scope="module")
def tie():
    """The two pairs of the first morning."""
    settings = Settings(**{**quarry_settings(), "vertical_model": "shift"})
    return solve(read_pairs(QUARRY / "pairs_first_two.csv"), settings)


@pytest.fixture
def tie_file(tie, tmp_path):
    tie.save(tmp_path / "tie.json")
    return tmp_path / "tie.json"


# -- seek ------------------------------------------------------------------------------------


def test_the_seek_list_is_that_of_the_core(tie, tie_file, control, tmp_path) -> None:
    listener = Listener()
    found = run("seek", listener, TIE=tie_file, CONTROL=CONTROL_FILE,
                OUTPUT=tmp_path / "seek.gpkg", CIRCLES=tmp_path / "circles.gpkg",
                GPX=tmp_path / "seek.gpx", CSV=tmp_path / "seek.csv")
    expected = seek_list(tie, control)
    rows = rows_of(found["OUTPUT"])
    assert [row["control_id"] for row in rows] == [p.control.id for p in expected.points]
    for row, point in zip(rows, expected.points):
        assert row["seek_no"] == point.order
        assert row["seek_r"] == pytest.approx(point.radius, rel=1e-12)
        assert row["seek_lat"] == pytest.approx(point.latitude, abs=1e-12)
        assert (row["seek_h"] or None) == pytest.approx(point.height, abs=1e-9)
        assert row["seek_text"] == point.words(0.95)
        assert row["seek_tie"] == tie.id[:12]
    assert expected.words() in listener.infos
    assert any("K11" in warning for warning in listener.warnings)
    layer = layer_of(found["OUTPUT"])
    assert layer.crs().authid() == "EPSG:7931"
    assert next(layer.getFeatures()).geometry().constGet().z() == pytest.approx(
        expected.points[0].height)
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "circles.gpkg", "seek.csv", "seek.gpkg", "seek.gpx", "tie.json"]


def test_circles_have_their_radius_on_the_ground(tie_file, tmp_path) -> None:
    found = run("seek", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:", CIRCLES="memory:")
    centres = {row["control_id"]: row for row in rows_of(found["OUTPUT"])}
    earth = pyproj.Geod(ellps="GRS80")
    features = list(found["CIRCLES"].getFeatures())
    assert len(features) == len(centres)
    for feature in features:
        row = centres[feature["control_id"]]
        corners = list(feature.geometry().vertices())
        assert len(corners) == CORNERS + 1
        for corner in corners[::9]:
            away = earth.inv(row["seek_lon"], row["seek_lat"], corner.x(), corner.y())[2]
            assert away == pytest.approx(row["seek_r"], rel=1e-3)


def test_gdal_reads_the_gpx(tie_file, tmp_path) -> None:
    run("seek", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:", GPX=tmp_path / "seek.gpx")
    data = ogr.Open(str(tmp_path / "seek.gpx"))
    waypoints, route = data.GetLayerByName("waypoints"), data.GetLayerByName("routes")
    names = [feature["name"] for feature in waypoints]
    assert len(names) == 11
    assert names[0] == "K09"
    assert "Look within" in waypoints.GetFeature(1)["desc"]
    assert route.GetFeatureCount() == 1


def test_the_walk_begins_with_the_crew(tie_file, tie, control) -> None:
    found = run("seek", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:",
                CREW="14.9330,48.7950 [EPSG:4326]")
    expected = seek_list(tie, control, start=(48.795, 14.933))
    names = [row["control_id"] for row in rows_of(found["OUTPUT"])]
    assert names == [point.control.id for point in expected.points]
    assert rows_of(found["OUTPUT"])[0]["seek_leg"] > 0.0


def test_what_was_observed_already_is_left_out(tie_file) -> None:
    seen = memory_layer("Point?crs=EPSG:7931", "mark:string",
                        [("POINT(14.9 48.8)", "K09"), ("POINT(14.9 48.8)", "K10")])
    found = run("seek", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:", SEEN=seen,
                SEEN_ID="mark")
    names = {row["control_id"] for row in rows_of(found["OUTPUT"])}
    assert len(names) == 9
    assert not names & {"K01", "K02", "K09", "K10"}
    with pytest.raises(QgsProcessingException, match="Name the field"):
        run("seek", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:", SEEN=seen)


def test_a_hand_held_receiver_widens_the_circles(tie_file) -> None:
    found = run("seek", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:", SHOT_SIGMA_H=3.0)
    assert min(row["seek_r"] for row in rows_of(found["OUTPUT"])) == pytest.approx(7.34, abs=0.05)
    with pytest.raises(QgsProcessingException, match="greater than zero"):
        run("seek", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:", SHOT_SIGMA_H=0.0)


def test_fields_may_have_any_name_and_positions_may_be_in_the_geometry(tie_file) -> None:
    layer = memory_layer("PointZ", "nail:string,s:double", [
        ("POINT Z(2150 4870 488)", "A", 0.02), ("POINT Z(1882 4636 513)", "B", None)])
    found = run("seek", TIE=tie_file, CONTROL=layer, ID="nail", SIGMA_H="s", OUTPUT="memory:")
    rows = {row["control_id"]: row for row in rows_of(found["OUTPUT"])}
    assert set(rows) == {"A", "B"}
    assert rows["A"]["site_z"] == 488.0
    assert rows["A"]["seek_h"] == pytest.approx(488.0 + 45.33, abs=0.1)


def test_stopped_nothing_is_left(tie_file, tmp_path) -> None:
    with pytest.raises(QgsProcessingException):
        run("seek", Listener(stop_at=5.0), TIE=tie_file, CONTROL=CONTROL_FILE,
            OUTPUT=tmp_path / "seek.gpkg", GPX=tmp_path / "seek.gpx")
    assert [p.name for p in tmp_path.iterdir()] == ["tie.json"]


# -- next control ----------------------------------------------------------------------------


def test_the_ranking_is_that_of_the_core(tie, tie_file, control) -> None:
    listener = Listener()
    found = run("nextcontrol", listener, TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:")
    expected = next_control(tie, control)
    rows = rows_of(found["OUTPUT"])
    assert [row["control_id"] for row in rows] == [mark.control.id for mark in expected.marks]
    assert [row["next_rank"] for row in rows] == list(range(1, 12))
    for row, mark in zip(rows, expected.marks):
        assert row["next_text"] == expected.words(mark)
        assert row["worst_h"] == pytest.approx(mark.uncertainty["horizontal"].worst, rel=1e-12)
        assert row["was_v"] == pytest.approx(expected.uncertainty["vertical"].worst, rel=1e-12)
    assert found["NOW"] == expected.now_words()
    assert f"1. {expected.words(expected.marks[0])}" in listener.infos


def test_a_work_area_in_site_coordinates_or_on_the_earth(tie, tie_file, control) -> None:
    """The same road, drawn on the site grid and drawn over a map: one ranking."""
    ring = np.array([(1900.0, 4600.0), (2300.0, 4700.0), (2300.0, 4720.0), (1900.0, 4620.0)])
    expected = next_control(tie, control, WorkArea.of_rings([ring], "the haul road"))
    latitude, longitude, _ = tie.to_geodetic(ring[:, 0], ring[:, 1])
    there = pyproj.Transformer.from_crs("EPSG:7931", "EPSG:25833", always_xy=True).transform(
        longitude, latitude)

    def polygon(points) -> str:
        points = [*points, points[0]]
        return "POLYGON((" + ", ".join(f"{x:.9f} {y:.9f}" for x, y in points) + "))"

    for layer in (memory_layer("Polygon", "", [(polygon(list(ring)),)], "road"),
                  memory_layer("Polygon?crs=EPSG:25833", "", [(polygon(list(zip(*there))),)])):
        found = run("nextcontrol", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:",
                    AREA=layer, AREA_NAME="the haul road")
        for row, mark in zip(rows_of(found["OUTPUT"]), expected.marks):
            assert row["control_id"] == mark.control.id
            assert row["worst_h"] == pytest.approx(mark.uncertainty["horizontal"].worst, rel=1e-3)
            assert "over the haul road" in row["next_text"]
    found = run("nextcontrol", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:",
                AREA=memory_layer(
                    "LineString", "", [("LINESTRING(1900 4600, 2300 4700)",)], "axis"))
    assert "over “axis”" in rows_of(found["OUTPUT"])[0]["next_text"]


def test_ranked_by_one_side(tie_file) -> None:
    found = run("nextcontrol", TIE=tie_file, CONTROL=CONTROL_FILE, OUTPUT="memory:",
                RANK_BY="vertical", TIE_ALONE=True)
    worst = [row["worst_v"] for row in rows_of(found["OUTPUT"])]
    assert worst == sorted(worst)


def test_a_typed_tie_is_refused(tmp_path) -> None:
    typed = tie_from_parameters(
        Settings(base_crs="EPSG:25833", observation_crs="EPSG:7931", vertical_model=None),
        "EPSG:9656", {"easting": -400000.0, "northing": -5400000.0})
    typed.save(tmp_path / "typed.json")
    with pytest.raises(QgsProcessingException, match="typed"):
        run("nextcontrol", TIE=tmp_path / "typed.json", CONTROL=CONTROL_FILE, OUTPUT="memory:")


# -- design check ----------------------------------------------------------------------------


def test_the_design_check_is_that_of_the_core(control, tmp_path) -> None:
    parameters = as_parameters(quarry_settings())
    found = run("designcheck", CONTROL=CONTROL_FILE, **parameters, CELL=50.0,
                SURFACE=tmp_path / "surface.tif", BLUNDERS="memory:")
    expected = design_check(control, Settings(**quarry_settings()))
    assert found["SUMMARY"] == expected.words()
    rows = rows_of(found["BLUNDERS"])
    assert [(row["control_id"], row["side"], row["state"]) for row in rows] == [
        (mark.control_id, mark.side, mark.state) for mark in expected.reliability]
    assert [row["mdb"] or None for row in rows] == [
        mark.detectable for mark in expected.reliability]
    raster = gdal.Open(str(tmp_path / "surface.tif"))
    surface = expected.surface(None, 50.0)
    assert raster.RasterCount == 2
    assert raster.ReadAsArray()[0] == pytest.approx(surface.horizontal, rel=1e-6)
    assert raster.ReadAsArray()[1] == pytest.approx(surface.vertical, rel=1e-6)
    assert raster.GetGeoTransform()[0] == pytest.approx(surface.west)


def test_sigmas_of_a_plan_and_a_scale_held_loosely(control) -> None:
    layer = memory_layer("PointZ", "name:string,h:double,v:double", [
        ("POINT Z(0 0 1)", "A", 0.5, None), ("POINT Z(500 0 1)", "B", None, 0.7),
        ("POINT Z(0 400 1)", "C", None, None)])
    found = run("designcheck", CONTROL=layer, ID="name", SHOT_SIGMA_H="h", SHOT_SIGMA_V="v",
                SCALE="ground", SCALE_SIGMA=2e-5, BLUNDERS="memory:")
    expected = design_check(
        [Control("A", 0.0, 0.0, 1.0), Control("B", 500.0, 0.0, 1.0), Control("C", 0.0, 400.0, 1.0)],
        Settings(scale=(1.0, 2e-5)),
        observation_sigmas=[(0.5, None), (None, 0.7), (None, None)])
    rows = rows_of(found["BLUNDERS"])
    assert [row["mdb"] for row in rows] == pytest.approx(
        [mark.detectable for mark in expected.reliability])
    bad = memory_layer("PointZ", "name:string,h:double", [("POINT Z(0 0 1)", "A", -1.0)], "plan")
    with pytest.raises(QgsProcessingException, match=r"plan, point A: h is -1"):
        run("designcheck", CONTROL=bad, ID="name", SHOT_SIGMA_H="h", BLUNDERS="memory:")


def test_a_plan_that_cannot_be_solved_says_why(tmp_path) -> None:
    layer = memory_layer("Point", "name:string", [("POINT(0 0)", "A")])
    with pytest.raises(QgsProcessingException, match="needs at least 2 fit pairs"):
        run("designcheck", CONTROL=layer, SURFACE=tmp_path / "surface.tif", BLUNDERS="memory:")
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["seek", "nextcontrol", "designcheck"])
def test_every_parameter_has_help(name) -> None:
    algorithm = QgsApplication.processingRegistry().algorithmById(f"sitetie:{name}")
    assert all(parameter.help() for parameter in algorithm.parameterDefinitions())
