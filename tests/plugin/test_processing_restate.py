"""sitetie:restate in QGIS: the core's own numbers, raw values kept, whole results or none."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path
from typing import Any, Dict, List

import numpy as np
import pyproj
import pytest
from qgis.core import (
    NULL,
    QgsProcessingException,
    QgsProcessingOutputLayerDefinition,
    QgsVectorLayer,
    QgsWkbTypes,
)

from sitetie.core import Tie, read_pairs, solve
from sitetie.core.restate import observation_covariances, restate
from sitetie.plugin import layer_positions, result_fields
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

SITE = ["site_e", "site_n", "site_z", "site_se", "site_sn", "site_sz", "site_in", "site_tie"]
SIGMAS = {f"SIGMA_{axis.upper()}": f"sigma_{axis}" for axis in "enu"}
TOPO = QUARRY / "topo_points.gpkg"


def from_core(tie: Tie, rows: List[Dict[str, Any]], place) -> np.ndarray:
    """(n, 7) what the core says: coordinates, standard deviations, inside."""
    sigmas = [np.array([row[name] for row in rows]) for name in SIGMAS.values()]
    found = restate(
        tie, *place, observation_covariances(tie.settings, len(rows), *sigmas),
        [row["id"] for row in rows])
    return np.stack([
        found.easting, found.northing, found.elevation, found.sigma_easting,
        found.sigma_northing, found.sigma_elevation, found.inside], axis=1)


def values(rows: List[Dict[str, Any]]) -> np.ndarray:
    return np.array([[row[name] for name in SITE[:7]] for row in rows], dtype=float)


def points_of(layer: QgsVectorLayer) -> np.ndarray:
    """(3, n) latitude, longitude, height in the geometry."""
    vertices = [next(feature.geometry().vertices()) for feature in layer.getFeatures()]
    return np.array([[v.y(), v.x(), v.z()] for v in vertices]).T


# -- the core's own numbers, and nothing else changed ---------------------------------------------


@pytest.mark.parametrize("ending", ["gpkg", "fgb", "memory"])
def test_results_are_the_cores_own_and_raw_values_stay(
    tie: Tie, tie_file: Path, tmp_path: Path, ending: str
) -> None:
    output = "memory:" if ending == "memory" else tmp_path / f"out.{ending}"
    result = run("restate", OBSERVATIONS=TOPO, TIE=tie_file, ID="id", OUTPUT=output, **SIGMAS)
    layer = result["OUTPUT"] if ending == "memory" else layer_of(result["OUTPUT"])
    given = layer_of(TOPO)
    assert layer.wkbType() == given.wkbType() == QgsWkbTypes.Type.PointZ
    assert layer.crs() == given.crs()
    rows, raw = rows_of(layer), rows_of(given)
    if ending == "fgb":  # sorts by place
        rows.sort(key=lambda row: row["id"])
        assert sorted(points_of(layer).T.tolist()) == sorted(points_of(given).T.tolist())
    else:
        assert np.array_equal(points_of(layer), points_of(given))
    own = [name for name in raw[0] if name != "fid"]
    assert [{k: row[k] for k in own} for row in rows] == [{k: row[k] for k in own} for row in raw]
    assert [name for name in rows[0] if name != "fid"] == own + SITE
    assert np.array_equal(values(rows), from_core(tie, raw, points_of(given)))
    assert {row["site_tie"] for row in rows} == {tie.id[:12]}
    assert {0, 1} == {row["site_in"] for row in rows}


@pytest.mark.parametrize("typed", [False, True])
def test_positions_from_fields_of_a_text_file(
    tie: Tie, tie_file: Path, tmp_path: Path, typed: bool
) -> None:
    """As QGIS opens it, text throughout (3.22) or with types (newer)."""
    path = QUARRY / "topo_points.csv"
    layer = layer_of(f"{path}|option:AUTODETECT_TYPE=YES" if typed else path)
    assert layer.fields().field("latitude").isNumeric() == typed
    listener = Listener()
    result = run(
        "restate", listener, OBSERVATIONS=layer, TIE=tie_file, ID="id", LATITUDE="latitude",
        LONGITUDE="longitude", HEIGHT="height", OUTPUT="memory:", **SIGMAS)
    rows = rows_of(result["OUTPUT"])
    raw = [{**row, "id": str(row["id"]), **{name: float(row[name]) for name in SIGMAS.values()}}
           for row in rows]
    place = np.array([[float(row[name]) for name in ("latitude", "longitude", "height")]
                      for row in rows]).T
    assert np.array_equal(values(rows), from_core(tie, raw, place))
    assert any("taken to be in EPSG:7931" in said for said in listener.warnings)
    assert result["OUTPUT"].wkbType() == QgsWkbTypes.Type.NoGeometry


def test_degrees_minutes_seconds_and_feet(tie: Tie, tie_file: Path) -> None:
    layer = memory_layer("NoGeometry", "lat:string(30),lon:string(30),h:double", [
        ["", "48 47 16.340 N", "14°55'58.7\"E", 551.7 / 0.3048]])
    result = run("restate", OBSERVATIONS=layer, TIE=tie_file, LATITUDE="lat", LONGITUDE="lon",
                 HEIGHT="h", HEIGHT_UNIT="ft", OUTPUT="memory:")
    expected = tie.to_site(48 + 47 / 60 + 16.34 / 3600, 14 + 55 / 60 + 58.7 / 3600, 551.7)
    assert values(rows_of(result["OUTPUT"]))[0, :3] == pytest.approx(expected, abs=1e-6)


def test_shapefile_names_survive(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    result = run("restate", OBSERVATIONS=TOPO, TIE=tie_file, ID="id", OUTPUT=tmp_path / "out.shp",
                 **SIGMAS)
    rows = rows_of(result["OUTPUT"])
    assert list(rows[0])[-8:] == SITE
    assert all(len(name) <= 10 for name in SITE)
    raw = layer_of(TOPO)
    expected = from_core(tie, rows_of(raw), points_of(raw))
    # A Shapefile writes numbers as text of 15 decimals.
    assert values(rows) == pytest.approx(expected, abs=1e-12)
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [
        ".cpg", ".dbf", ".prj", ".shp", ".shx"]


@pytest.mark.parametrize("ending", ["gpkg", "shp"])
def test_restating_again_replaces_the_site_values_and_nothing_else(
    tie: Tie, tie_file: Path, tmp_path: Path, ending: str
) -> None:
    first = solve(read_pairs(QUARRY / "pairs_first_two.csv"),
                  tie.settings.replace(vertical_model="shift"))
    first.save(tmp_path / "first.json")
    once, again = tmp_path / f"once.{ending}", tmp_path / f"again.{ending}"
    run("restate", OBSERVATIONS=TOPO, TIE=tmp_path / "first.json", ID="id", OUTPUT=once, **SIGMAS)
    run("restate", OBSERVATIONS=once, TIE=tie_file, ID="id", OUTPUT=again, **SIGMAS)
    before, after = rows_of(once), rows_of(again)
    assert list(before[0]) == list(after[0])
    for old, new in zip(before, after):
        assert {k: v for k, v in old.items() if k not in SITE} == {
            k: v for k, v in new.items() if k not in SITE}
        assert (old["site_tie"], new["site_tie"]) == (first.id[:12], tie.id[:12])
        assert old["site_e"] != new["site_e"]
    straight = tmp_path / f"straight.{ending}"
    run("restate", OBSERVATIONS=TOPO, TIE=tie_file, ID="id", OUTPUT=straight, **SIGMAS)
    assert rows_of(straight) == after


def test_a_layer_may_be_restated_onto_itself(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    path = tmp_path / "points.gpkg"
    run("restate", OBSERVATIONS=TOPO, TIE=tie_file, HORIZONTAL_ONLY=True, OUTPUT=path)
    run("restate", OBSERVATIONS=path, TIE=tie_file, OUTPUT=path)
    rows = rows_of(path)
    assert len(rows) == 255
    assert all(row["site_z"] != NULL for row in rows)
    assert os.listdir(tmp_path) == ["points.gpkg"]


def test_site_fields_keep_their_places_and_other_fields_their_values(tie_file: Path) -> None:
    layer = memory_layer(
        "PointZ?crs=EPSG:7931", "SITE_Z:string(9),note:string(9),site_e:integer,when:date",
        [["PointZ (14.9325 48.788 545)", "old", "kept", 7, "2026-05-11"]])
    found = run("restate", OBSERVATIONS=layer, TIE=tie_file, OUTPUT="memory:")["OUTPUT"]
    assert [field.name() for field in found.fields()] == [
        "site_z", "note", "site_e", "when", "site_n", "site_se", "site_sn", "site_sz", "site_in",
        "site_tie"]
    row = rows_of(found)[0]
    assert row["note"] == "kept"
    assert row["when"].toString("yyyy-MM-dd") == "2026-05-11"
    assert isinstance(row["site_z"], float)
    assert isinstance(row["site_e"], float)


def test_a_pairs_own_observation_is_known(tie: Tie, tie_file: Path) -> None:
    one, stranger = tie.pairs[0].observation, "PointZ (14.9325 48.788 545)"
    layer = memory_layer("PointZ?crs=EPSG:7931", "name:string(20)", [
        [f"PointZ ({one.longitude!r} {one.latitude!r} {one.height!r})", one.id],
        [stranger, one.id]])
    listener = Listener()
    rows = rows_of(run("restate", listener, OBSERVATIONS=layer, TIE=tie_file, ID="name",
                       OUTPUT="memory:")["OUTPUT"])
    own = np.sqrt(np.diag(np.array(tie.rows[0].covariance)))
    assert values(rows)[0, 3:6].tolist() == own.tolist()
    assert values(rows)[1, 3] > own[0]
    assert any("1 are observations of the tie's own pairs" in said for said in listener.infos)


# -- any CRS, any kind of points -------------------------------------------------------------------


def test_map_coordinates_on_the_datum_of_the_tie(tmp_path: Path) -> None:
    """NAD83(2011) / UTM 13N against the geographic CRS of the same datum."""
    tie = solve(made_up_pairs(), MADE_UP)
    latitude, longitude, height = 52.101, -106.599, 481.25
    x, y = pyproj.Transformer.from_crs("EPSG:6319", "EPSG:6342", always_xy=True).transform(
        longitude, latitude)
    layer = memory_layer("PointZ?crs=EPSG:6342", "", [[f"PointZ ({x!r} {y!r} {height})"]])
    tie.save(tmp_path / "tie.json")
    found = run("restate", OBSERVATIONS=layer, TIE=tmp_path / "tie.json",
                OUTPUT="memory:")["OUTPUT"]
    expected = tie.to_site(latitude, longitude, height)
    assert values(rows_of(found))[0, :3] == pytest.approx(expected, abs=1e-6)
    assert found.crs().authid() == "EPSG:6342"


def test_another_frame_is_carried_over_at_its_epoch(tie: Tie, tie_file: Path) -> None:
    place = 14.9325, 48.788, 545.0
    layer = memory_layer("PointZ?crs=EPSG:7912", "", [["PointZ (14.9325 48.788 545)"]])
    listener = Listener()
    found = run("restate", listener, OBSERVATIONS=layer, TIE=tie_file, OBSERVATION_EPOCH=2026.35,
                OUTPUT="memory:")["OUTPUT"]
    moved = pyproj.Transformer.from_crs("EPSG:7912", "EPSG:7931", always_xy=True).transform(
        *place, 2026.35)
    expected = tie.to_site(moved[1], moved[0], moved[2])
    assert values(rows_of(found))[0, :3] == pytest.approx(expected, abs=1e-7)
    assert abs(expected[0] - tie.to_site(place[1], place[0])[0]) > 0.3
    assert any("carried over by" in said for said in listener.warnings)
    point = next(found.getFeatures()).geometry().constGet()
    assert (point.x(), point.y(), point.z()) == place


@pytest.mark.parametrize("kind", ["Point", "PointZ", "PointM", "PointZM", "MultiPointZ"])
def test_kinds_of_points(tie: Tie, tie_file: Path, kind: str) -> None:
    ordinates = {"Point": "14.9325 48.788", "PointM": "14.9325 48.788 1",
                 "PointZM": "14.9325 48.788 545 1"}.get(kind, "14.9325 48.788 545")
    inner = f"({ordinates})" if kind.startswith("Multi") else ordinates
    layer = memory_layer(f"{kind}?crs=EPSG:7931", "h:double", [[f"{kind} ({inner})", 545.0]])
    found = run("restate", OBSERVATIONS=layer, TIE=tie_file, OUTPUT="memory:",
                HEIGHT=None if "Z" in kind else "h")["OUTPUT"]
    assert values(rows_of(found))[0, :3].tolist() == list(tie.to_site(48.788, 14.9325, 545.0))
    assert found.wkbType() == layer.wkbType()


def test_horizontally_only(tie: Tie, tie_file: Path) -> None:
    layer = memory_layer("Point?crs=EPSG:7931", "", [["Point (14.9325 48.788)"]])
    row = rows_of(run("restate", OBSERVATIONS=layer, TIE=tie_file, HORIZONTAL_ONLY=True,
                      OUTPUT="memory:")["OUTPUT"])[0]
    assert (row["site_z"], row["site_sz"]) == (NULL, NULL)
    assert [row["site_e"], row["site_n"]] == list(tie.to_site(48.788, 14.9325)[:2])


def test_a_tie_without_vertical_part_needs_no_heights(tie: Tie, tmp_path: Path) -> None:
    solve(tie.pairs, tie.settings.replace(vertical_model=None)).save(tmp_path / "flat.json")
    layer = memory_layer("Point?crs=EPSG:7931", "", [["Point (14.9325 48.788)"]])
    row = rows_of(run("restate", OBSERVATIONS=layer, TIE=tmp_path / "flat.json",
                      OUTPUT="memory:")["OUTPUT"])[0]
    assert row["site_z"] == NULL
    assert row["site_se"] > 0.0


def test_sigmas_left_blank_are_assumed_and_counted(tie: Tie, tie_file: Path) -> None:
    layer = memory_layer("PointZ?crs=EPSG:7931", "se:double,sn:double", [
        ["PointZ (14.9325 48.788 545)", 0.02, 0.02], ["PointZ (14.9325 48.788 545)", NULL, 0.02]])
    listener = Listener()
    rows = rows_of(run("restate", listener, OBSERVATIONS=layer, TIE=tie_file, SIGMA_E="se",
                       SIGMA_N="sn", OUTPUT="memory:")["OUTPUT"])
    assert any("assumed for 1 positions (0.008 m per horizontal axis) and 2 heights" in said
               for said in listener.warnings)
    assert values(rows)[0, 3] > values(rows)[1, 3]


def test_orthometric_heights_with_their_geoid(tie: Tie, tie_file: Path) -> None:
    grid = Path("/usr/share/proj/egm96_15.gtx")
    if not grid.exists():
        pytest.skip("PROJ's EGM96 grid is not installed")
    from sitetie.core.geoid import open_geoid

    undulation = float(open_geoid("egm96_15.gtx").undulation(48.788, 14.9325))
    layer = memory_layer("Point?crs=EPSG:7931", "level:double", [
        ["Point (14.9325 48.788)", 545.0 - undulation]])
    row = rows_of(run("restate", OBSERVATIONS=layer, TIE=tie_file, HEIGHT="level",
                      HEIGHT_GEOID="egm96_15.gtx", OUTPUT="memory:")["OUTPUT"])[0]
    assert row["site_z"] == pytest.approx(tie.to_site(48.788, 14.9325, 545.0)[2], abs=1e-6)
    assert 40.0 < undulation < 50.0


# -- whole results or none -------------------------------------------------------------------------

POINT = "PointZ (14.9325 48.788 545)"


@pytest.mark.parametrize(
    ("kind", "fields", "rows", "parameters", "message"),
    [
        ("PointZ", "", [[POINT]], {}, "made up: The layer has no CRS"),
        ("Point?crs=EPSG:7931", "id:string(9)",
         [["Point (14.9 48.8)", "A"]], {"ID": "id"},
         "made up, point A: There is no height, but the tie has a vertical part.*horizontally"),
        ("Point?crs=EPSG:7931", "", [["Point (14.9 48.8)"]], {}, "point in row 1: There is no hei"),
        ("PointZ?crs=EPSG:7931", "id:string(9)", [[POINT, "A"], [None, "B"]], {"ID": "id"},
         "made up, row 2, point B: The feature has no geometry"),
        ("PointZ?crs=EPSG:4326", "", [[POINT]], {}, "metre or two"),
        ("PointZ?crs=EPSG:7912", "", [[POINT]], {}, "depends on time"),
        ("PointZ?crs=EPSG:4269", "", [[POINT]], {}, "ballpark"),
        ("PointZ?crs=EPSG:7415", "", [["PointZ (121687 487484 3)"]],
         {"DATUM_OPERATION": "identical"}, "heights of its own"),
        ("LineString?crs=EPSG:7931", "", [["LineString (14 48, 15 49)"]], {}, "has no points"),
        ("MultiPointZ?crs=EPSG:7931", "", [["MultiPointZ ((14.9 48.7 1), (14.9 48.8 1))"]], {},
         "row 1: The feature has 2 points"),
        ("PointZ?crs=EPSG:7931", "", [], {}, "no observations"),
        ("PointZ?crs=EPSG:7931", "se:double,sn:double", [[POINT, 0.01, 0.01], [POINT, 0.01, -1.0]],
         {"SIGMA_E": "se", "SIGMA_N": "sn"}, "made up: A standard deviation is -1.0"),
        ("PointZ?crs=EPSG:7931", "", [[POINT]], {"SIGMA_E": "nowhere"}, "no field 'nowhere'"),
        ("NoGeometry", "lat:double,lon:double", [[None, 48.788, 14.9325]], {"LATITUDE": "lat"},
         "only lat is named"),
        ("NoGeometry", "lat:string(20),lon:double,h:double",
         [[None, "48.788", 14.9325, 545.0], [None, "48 61 00", 14.9325, 545.0]],
         {"LATITUDE": "lat", "LONGITUDE": "lon", "HEIGHT": "h"}, "row 2: .*[Mm]inutes"),
        ("NoGeometry", "lat:double,lon:double,h:double", [[None, NULL, 14.9325, 545.0]],
         {"LATITUDE": "lat", "LONGITUDE": "lon", "HEIGHT": "h"}, "row 1: lat is blank"),
        ("PointZ?crs=EPSG:7931", "", [["PointZ (14.9325 98.788 545)"]], {}, "outside -90 to 90"),
        ("PointZ?crs=EPSG:7931", "", [[POINT]], {"TIE": "/nowhere/tie.json"}, "cannot be read"),
        ("PointZ?crs=EPSG:7931", "", [[POINT]], {"OUTPUT": "/nowhere/out.gpkg"},
         "Nothing can be written there"),
    ],
)
def test_bad_input_is_refused_in_words_and_nothing_is_written(
    tie_file: Path, tmp_path: Path, kind, fields, rows, parameters, message
) -> None:
    old = tmp_path / "out.gpkg"
    old.write_text("the old one")
    given = {"OBSERVATIONS": memory_layer(kind, fields, rows), "TIE": tie_file, "OUTPUT": old,
             **parameters}
    with pytest.raises(QgsProcessingException, match=message) as caught:
        run("restate", **given)
    assert "Traceback" not in str(caught.value)
    assert os.listdir(tmp_path) == ["out.gpkg"]
    assert old.read_text() == "the old one"


def many_points(count: int) -> QgsVectorLayer:
    random = np.random.default_rng(1)
    return memory_layer("PointZ?crs=EPSG:7931", "", [
        [f"PointZ ({14.93 + x!r} {48.788 + y!r} 545)"]
        for x, y in random.uniform(-0.005, 0.005, (count, 2)).tolist()])


@pytest.mark.parametrize("stop_at", [1.0, 35.0, 60.0, 99.0])
def test_stopped_at_any_point_nothing_is_written(
    tie_file: Path, tmp_path: Path, stop_at: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    for module in (layer_positions, result_fields):
        monkeypatch.setattr(module, "EVERY", 50)
    old = tmp_path / "out.gpkg"
    old.write_text("the old one")
    with pytest.raises(QgsProcessingException, match="Stopped before the end; nothing was written"):
        run("restate", Listener(stop_at), OBSERVATIONS=many_points(2000), TIE=tie_file, OUTPUT=old)
    assert os.listdir(tmp_path) == ["out.gpkg"]
    assert old.read_text() == "the old one"


def test_a_table_in_a_geopackage_comes_whole_or_not_at_all(
    tie_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    book = tmp_path / "book.gpkg"
    run("restate", OBSERVATIONS=TOPO, TIE=tie_file, OUTPUT=book)

    def into(table: str) -> str:
        return f"ogr:dbname='{book}' table=\"{table}\" (geom)"

    result = run("restate", OBSERVATIONS=TOPO, TIE=tie_file, OUTPUT=into("more"))
    assert len(rows_of(result["OUTPUT"])) == 255

    def tables() -> set:
        with sqlite3.connect(book) as connection:
            return {name for name, in connection.execute("select table_name from gpkg_contents")}

    assert tables() == {"book", "more"}
    monkeypatch.setattr(result_fields, "EVERY", 50)
    with pytest.raises(QgsProcessingException, match="Stopped"):
        run("restate", Listener(stop_at=80.0), OBSERVATIONS=TOPO, TIE=tie_file,
            OUTPUT=into("third"))
    assert tables() == {"book", "more"}


def test_options_of_the_output_are_followed(tie_file: Path, tmp_path: Path) -> None:
    definition = QgsProcessingOutputLayerDefinition(str(tmp_path / "out.shp"))
    definition.createOptions = {"fileEncoding": "ISO-8859-1"}
    run("restate", OBSERVATIONS=TOPO, TIE=tie_file, OUTPUT=definition)
    assert (tmp_path / "out.cpg").read_text() in ("ISO-8859-1", "88591")


def test_a_format_that_cannot_be_written_is_refused(tie_file: Path, tmp_path: Path) -> None:
    with pytest.raises(QgsProcessingException, match=r"no format for layers in \.nonsense files"):
        run("restate", OBSERVATIONS=TOPO, TIE=tie_file, OUTPUT=tmp_path / "out.nonsense")
    assert os.listdir(tmp_path) == []
