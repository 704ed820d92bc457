"""sitetie:geodetic in QGIS: positions for staking out, point by point and vertex by vertex."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from qgis.core import NULL, QgsProcessingException, QgsWkbTypes

from sitetie.core import Tie, solve
from sitetie.core.angles import parse_angle
from sitetie.tests.plugin.processing_runs import (
    MADE_UP,
    QUARRY,
    Listener,
    layer_of,
    made_up_pairs,
    memory_layer,
    rows_of,
    run,
)

pytestmark = pytest.mark.usefixtures("algorithms")


def test_table_of_site_coordinates(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    result = run("geodetic", SITE=QUARRY / "design_axis.csv", TIE=tie_file, EASTING="easting",
                 NORTHING="northing", ELEVATION="elevation", DMS=True,
                 OUTPUT=tmp_path / "axis.gpkg")
    layer = layer_of(result["OUTPUT"])
    assert layer.crs().authid() == "EPSG:7931"
    assert layer.wkbType() == QgsWkbTypes.Type.PointZ
    rows = rows_of(layer)
    site = np.array([[float(row[name]) for name in ("easting", "northing", "elevation")]
                     for row in rows]).T
    expected = np.array(tie.to_geodetic(*site)).T
    found = [[row["geo_lat"], row["geo_lon"], row["geo_h"]] for row in rows]
    assert np.array_equal(found, expected)
    for row, feature in zip(rows, layer.getFeatures()):
        vertex = next(feature.geometry().vertices())
        assert [vertex.y(), vertex.x(), vertex.z()] == [
            row["geo_lat"], row["geo_lon"], row["geo_h"]]
        assert parse_angle(row["geo_latdms"], "latitude") == pytest.approx(row["geo_lat"], abs=2e-9)
        assert parse_angle(row["geo_londms"], "longitude") == pytest.approx(
            row["geo_lon"], abs=2e-9)
        assert row["geo_tie"] == tie.id[:12]
    assert [row["station"] for row in rows[:2]] == ["0.000", "68.066"]
    assert np.allclose(np.array(tie.to_site(*np.array(found).T)), site, rtol=0, atol=1e-5)


def test_every_vertex_of_a_line_is_a_point(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    result = run("geodetic", SITE=QUARRY / "design_axis.gpkg", TIE=tie_file, HORIZONTAL_ONLY=True,
                 OUTPUT=tmp_path / "axis.gpkg")
    given = next(layer_of(QUARRY / "design_axis.gpkg").getFeatures())
    vertices = [(v.x(), v.y()) for v in given.geometry().vertices()]
    rows = rows_of(result["OUTPUT"])
    assert [row["geo_vertex"] for row in rows] == list(range(1, len(vertices) + 1))
    assert {row["name"] for row in rows} == {given["name"]}
    latitude, longitude, _ = tie.to_geodetic(*np.array(vertices).T)
    assert [row["geo_lat"] for row in rows] == latitude.tolist()
    assert [row["geo_lon"] for row in rows] == longitude.tolist()
    assert all(row["geo_h"] == NULL for row in rows)


def test_vertices_are_counted_anew_in_each_feature(tie_file: Path) -> None:
    layer = memory_layer("LineStringZ", "name:string(5)", [
        ["LineStringZ (2300 4700 500, 2310 4700 500)", "A"],
        ["LineStringZ (2300 4800 500, 2310 4800 500, 2320 4800 500)", "B"]])
    rows = rows_of(run("geodetic", SITE=layer, TIE=tie_file, OUTPUT="memory:")["OUTPUT"])
    assert [(row["name"], row["geo_vertex"]) for row in rows] == [
        ("A", 1), ("A", 2), ("B", 1), ("B", 2), ("B", 3)]


def test_restated_points_come_back_to_where_they_were_measured(tie_file: Path) -> None:
    restated = run("restate", OBSERVATIONS=QUARRY / "topo_points.gpkg", TIE=tie_file,
                   OUTPUT="memory:")["OUTPUT"]
    back = run("geodetic", SITE=restated, TIE=tie_file, EASTING="site_e", NORTHING="site_n",
               ELEVATION="site_z", OUTPUT="memory:")["OUTPUT"]
    for one, other in zip(restated.getFeatures(), back.getFeatures()):
        measured, again = (next(f.geometry().vertices()) for f in (one, other))
        assert again.x() == pytest.approx(measured.x(), abs=1e-10)  # 0.01 mm
        assert again.y() == pytest.approx(measured.y(), abs=1e-10)
        assert again.z() == pytest.approx(measured.z(), abs=1e-5)
        assert one["site_in"] == other["geo_in"]


def test_units_are_those_of_the_tie(tmp_path: Path) -> None:
    tie = solve(made_up_pairs(), MADE_UP)
    tie.save(tmp_path / "tie.json")
    control = tie.pairs[0].control
    layer = memory_layer("PointZ", "", [
        [f"PointZ ({control.easting!r} {control.northing!r} {control.elevation!r})"]])
    row = rows_of(run("geodetic", SITE=layer, TIE=tmp_path / "tie.json", OUTPUT="memory:")
                  ["OUTPUT"])[0]
    observed = tie.pairs[0].observation
    # The residual of the pair, in the end: some centimetres, where another unit makes kilometres.
    assert row["geo_lat"] == pytest.approx(observed.latitude, abs=2e-6)
    assert row["geo_h"] == pytest.approx(observed.height, abs=0.05)


def test_done_again_the_values_are_replaced(tie_file: Path) -> None:
    layer = memory_layer("PointZ", "geo_lat:double,note:string(5)", [
        ["PointZ (2300 4700 500)", 1.0, "kept"]])
    found = run("geodetic", SITE=layer, TIE=tie_file, OUTPUT="memory:")["OUTPUT"]
    assert [field.name() for field in found.fields()] == [
        "geo_lat", "note", "geo_lon", "geo_h", "geo_in", "geo_tie"]
    row = rows_of(found)[0]
    assert row["note"] == "kept"
    assert row["geo_lat"] == pytest.approx(48.786, abs=0.01)


def test_a_crs_of_the_site_layer_is_spoken_of(tie_file: Path) -> None:
    layer = memory_layer("PointZ?crs=EPSG:25833", "", [["PointZ (2300 4700 500)"]])
    listener = Listener()
    run("geodetic", listener, SITE=layer, TIE=tie_file, OUTPUT="memory:")
    assert any("EPSG:25833; its coordinates are taken as site coordinates" in said
               for said in listener.warnings)


@pytest.mark.parametrize(
    ("kind", "fields", "rows", "parameters", "message"),
    [
        ("PointZ?crs=EPSG:7931", "", [["PointZ (14.9 48.8 545)"]], {},
         "made up: The layer is in degrees"),
        ("Point", "", [["Point (2300 4700)"]], {}, "row 1: There is no elevation"),
        ("NoGeometry", "e:double", [[None, 2300.0]], {"EASTING": "e"}, "only e is named"),
        ("NoGeometry", "e:string(9),n:double", [[None, "2 300 m", 4700.0]],
         {"EASTING": "e", "NORTHING": "n"}, "row 1: e '2 300 m'"),
        ("PointZ", "", [], {}, "no points"),
        ("PointZ", "", [["PointZ (2300 4700 500)"], [None]], {}, "row 2: The feature has no geom"),
        ("NoGeometry", "e:double", [[None, 2300.0]], {}, "has no points"),
    ],
)
def test_bad_input_is_refused_in_words_and_nothing_is_written(
    tie_file: Path, tmp_path: Path, kind, fields, rows, parameters, message
) -> None:
    with pytest.raises(QgsProcessingException, match=message):
        run("geodetic", SITE=memory_layer(kind, fields, rows), TIE=tie_file,
            OUTPUT=tmp_path / "out.gpkg", **parameters)
    assert os.listdir(tmp_path) == []


def test_stopped_nothing_is_written(tie_file: Path, tmp_path: Path) -> None:
    with pytest.raises(QgsProcessingException, match="Stopped before the end"):
        run("geodetic", Listener(stop_at=99.0), SITE=QUARRY / "design_axis.gpkg", TIE=tie_file,
            HORIZONTAL_ONLY=True, OUTPUT=tmp_path / "out.gpkg")
    assert os.listdir(tmp_path) == []
