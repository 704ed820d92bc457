"""Points in and out by NMEA 0183 and LandXML."""

from __future__ import annotations

import pytest
from qgis.core import QgsProcessingException

from sitetie.core import solve
from sitetie.core.landxml import SurveyPoint, read_landxml, write_landxml
from sitetie.tests.core.sites import random_site
from sitetie.tests.core.test_nmea import standing
from sitetie.tests.plugin.processing_runs import (
    Listener,
    layer_of,
    memory_layer,
    rows_of,
    run,
)

pytestmark = pytest.mark.usefixtures("algorithms")


def test_log_becomes_observations(tmp_path):
    log = tmp_path / "rover.log"
    log.write_text("\n".join([*standing(36000.0, 8, 48.7861, 14.9325),
                              *standing(36100.0, 6, 48.7871, 14.9325)]))
    said = Listener()
    place = run("readpoints", said, INPUT=log, CRS="EPSG:4258", SESSION="day 1", DAY="2026-05-11",
                OUTPUT=tmp_path / "points.gpkg")["OUTPUT"]
    first, second = rows_of(place)
    assert (first["observation_id"], second["observation_id"]) == ("rover-1", "rover-2")
    assert first["latitude"] == pytest.approx(48.7861, abs=2e-9)
    assert first["height"] == pytest.approx(546.5, abs=1e-6)
    assert (first["time"], first["session"]) == ("2026-05-11T10:00:00Z", "day 1")
    layer = layer_of(place)
    assert layer.crs().authid() == "EPSG:4258"
    point = next(layer.getFeatures()).geometry().constGet()
    assert (point.x(), point.z()) == (first["longitude"], first["height"])


def test_landxml_in_and_out(tmp_path):
    site = random_site(7, marks=4, site_unit="us-ft", elevation_unit="m")
    tie = tmp_path / "tie.json"
    solve(site.pairs, site.settings).save(tie)
    given = tmp_path / "in.xml"
    write_landxml(given, [SurveyPoint("P1", 2000.125, 1000.5, 10.0, code="x"),
                          SurveyPoint("P2", 2001.0, 1001.0)], "us-ft")
    said = Listener()
    points = run("readpoints", said, INPUT=given, OUTPUT=tmp_path / "in.gpkg")["OUTPUT"]
    assert "LandXML 1.2, lengths in US survey foot." in said.infos
    assert [row["control_id"] for row in rows_of(points)] == ["P1", "P2"]
    out = run("landxml", POINTS=points, TIE=tie, ID="control_id", ELEVATION="elevation",
              CODE="code", OUTPUT=tmp_path / "out.xml")["OUTPUT"]
    found = read_landxml(out)
    assert found.unit.code == "us-ft"
    first, second = found.points
    assert (first.easting, first.northing, first.code) == (2000.125, 1000.5, "x")
    assert first.elevation == pytest.approx(10.0 * 3937 / 1200, abs=1e-12)  # metres of the tie
    assert second.elevation is None


@pytest.mark.parametrize(("text", "said"), [
    ("nothing", "There is no position in it"), ("<gpx/>", "It is gpx, not LandXML")])
def test_bad_file(tmp_path, text, said):
    path = tmp_path / "file.txt"
    path.write_text(text)
    with pytest.raises(QgsProcessingException, match=said):
        run("readpoints", INPUT=path, CRS="EPSG:4258", OUTPUT=tmp_path / "out.gpkg")
    assert not (tmp_path / "out.gpkg").exists()


def test_log_that_never_stands_still(tmp_path):
    log = tmp_path / "walk.nmea"
    log.write_text("\n".join(standing(36000.0, 3, 48.7861, 14.9325)))
    with pytest.raises(QgsProcessingException, match="the antenna never stood still"):
        run("readpoints", INPUT=log, CRS="EPSG:4258", OUTPUT=tmp_path / "out.gpkg")


def test_two_points_of_one_name(tmp_path):
    site = random_site(7, marks=4)
    tie = tmp_path / "tie.json"
    solve(site.pairs, site.settings).save(tie)
    layer = memory_layer("Point", "id:string", [("POINT(1 2)", "a"), ("POINT(3 4)", "a")])
    with pytest.raises(QgsProcessingException, match="Two points are called a"):
        run("landxml", POINTS=layer, TIE=tie, ID="id", OUTPUT=tmp_path / "out.xml")


def test_log_without_a_frame(tmp_path):
    log = tmp_path / "rover.nmea"
    log.write_text("\n".join(standing(36000.0, 8, 48.7861, 14.9325)))
    for crs in (None, "EPSG:32633"):
        with pytest.raises(QgsProcessingException, match="does not say in which frame"):
            run("readpoints", INPUT=log, CRS=crs, OUTPUT=tmp_path / "out.gpkg")
