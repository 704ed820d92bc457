"""sitetie:vector in QGIS: every kind of geometry to the site and back, and all that stays."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, List, Tuple

import numpy as np
import pyproj
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsGeometry,
    QgsProcessingException,
    QgsProject,
    QgsVectorFileWriter,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtGui import QTransform

from sitetie.core import Tie, solve
from sitetie.core.geoid import open_geoid
from sitetie.core.reframe import near_in, reframing
from sitetie.plugin.site_crs import tie_of
from sitetie.tests.core.sites import random_site, write_geoid
from sitetie.tests.plugin.processing_runs import (
    MADE_UP,
    QUARRY,
    Listener,
    layer_of,
    made_up_pairs,
    memory_layer,
    run,
)
from sitetie.tests.plugin.test_processing_fronts import command

pytestmark = pytest.mark.usefixtures("algorithms")

#: Geometries in units of 100 m round the middle of the site.
KINDS = {
    "Point": "Point (1 2)",
    "PointZM": "PointZM (1 2 3 4)",
    "MultiPointZ": "MultiPointZ ((1 2 3),(-2 0.5 4))",
    "LineString": "LineString (0 0, 1 2, 3 -1)",
    "MultiLineStringM": "MultiLineStringM ((0 0 1, 1 2 5),(3 -1 2, 4 4 8))",
    "PolygonZ": "PolygonZ ((0 0 1, 4 0 2, 4 4 3, 0 4 4, 0 0 1),(1 1 5, 2 1 5, 2 2 5, 1 1 5))",
    "MultiPolygon": "MultiPolygon (((0 0, 1 0, 1 1, 0 0)),((3 3, 4 3, 4 4, 3 3)))",
    "CircularStringZM": "CircularStringZM (0 0 1 9, 1 1 2 8, 2 0 3 7)",
    "CompoundCurve": "CompoundCurve (CircularString (0 0, 1 1, 2 0),(2 0, 4 0))",
    "CurvePolygonZ": "CurvePolygonZ (CompoundCurveZ (CircularStringZ (0 0 1, 1 1 1, 2 0 1),"
                     "(2 0 1, 0 0 1)))",
    "MultiCurve": "MultiCurve ((0 0, 1 1),CircularString (0 0, 1 1, 2 0))",
    "MultiSurface": "MultiSurface (CurvePolygon (CircularString (0 0, 1 1, 2 0, 1 -1, 0 0)))",
}


@pytest.fixture(scope="module")
def feet() -> Tie:
    return solve(made_up_pairs(), MADE_UP)


def at_site(wkt: str, tie: Tie, crs: str, level: float = 450.0) -> QgsGeometry:
    """A shape of `KINDS` in a map CRS over the site, with heights round a level."""
    unit = tie.settings.site_length.metres
    latitude, longitude, _ = tie.to_geodetic(*np.array(tie.horizontal.translation) / unit)
    x, y = near_in(crs, latitude, longitude)
    step = 1e-3 if QgsCoordinateReferenceSystem(crs).isGeographic() else 100.0
    geometry = QgsGeometry.fromWkt(wkt)
    geometry.get().transform(QTransform(step, 0.0, 0.0, step, x, y), level)
    return geometry


def form(geometry: QgsGeometry) -> str:
    """The geometry without its numbers."""
    return re.sub(r"-?\d[\d.e+-]*", "#", geometry.asWkt(17))


def numbers(geometry: QgsGeometry) -> np.ndarray:
    """(n, 4) x, y, z, m of all vertices."""
    return np.array([[v.x(), v.y(), v.z(), v.m()] for v in geometry.vertices()])


def shapes(tie: Tie, crs: str, kind: str) -> QgsVectorLayer:
    """A layer of a kind, with fields, two features and one without a geometry."""
    one = at_site(KINDS[kind], tie, crs)
    rows = [(one.asWkt(17), 7, "7 a"), ("", 8, "without"), (one.asWkt(17), 9, None)]
    layer = memory_layer(f"{kind}?crs={crs}", "number:int,name:string(9)", rows, kind)
    assert QgsWkbTypes.displayString(layer.wkbType()) == kind
    return layer


def features(path: Any) -> List[Any]:
    return list(layer_of(path).getFeatures())


def expected(tie: Tie, crs: str, given: np.ndarray, change: bool, **frames: Any) -> np.ndarray:
    """The core's own site coordinates of vertices, those without a height at the usual one."""
    usual = float(np.median([p.observation.height for p in tie.pairs]))
    way = reframing(crs, tie.settings.observation_crs, (*given[0, :2], usual), **frames)
    z = given[:, 2] if change else np.full(len(given), np.nan)
    _, _, here = way.back(*way(given[:1, 0], given[:1, 1], np.array([usual]))[:2],
                          np.array([usual]))
    latitude, longitude, height = way(given[:, 0], given[:, 1], np.where(np.isnan(z), here, z))
    easting, northing, elevation = tie.to_site(latitude, longitude, height)
    return np.stack([easting, northing, np.where(np.isnan(z), given[:, 2], elevation),
                     given[:, 3]], axis=1)


FRAMES = {
    "EPSG:7931": ("quarry", {}), "EPSG:31255": ("quarry", {}),
    "EPSG:25833": ("quarry", {"datum_operation": "identical"}), "EPSG:6342": ("feet", {}),
}


FEW = ("PolygonZ", "CircularStringZM", "LineString")


@pytest.mark.parametrize(("crs", "change", "kinds"), [
    ("EPSG:31255", True, tuple(KINDS)), ("EPSG:31255", False, FEW), ("EPSG:7931", True, FEW),
    ("EPSG:25833", False, FEW), ("EPSG:6342", True, FEW)])
def test_every_kind_of_geometry_there_and_back(
    crs: str, change: bool, kinds: Tuple[str, ...], tie: Tie, feet: Tie, tmp_path: Path
) -> None:
    which, frames = FRAMES[crs]
    used = {"quarry": tie, "feet": feet}[which]
    used.save(tmp_path / "tie.json")
    told = {"TIE": tmp_path / "tie.json",
            **{name.upper(): value for name, value in frames.items()}}
    for kind in kinds:
        layer = shapes(used, crs, kind)
        heights = "change" if change and QgsWkbTypes.hasZ(layer.wkbType()) else "keep"
        site = run("vector", INPUT=layer, HEIGHTS=heights, OUTPUT="memory:", **told)["OUTPUT"]
        back = run("vector", INPUT=site, HEIGHTS=heights, DIRECTION="to_map", TARGET_CRS=crs,
                   OUTPUT="memory:", **told)["OUTPUT"]
        assert tie_of(site.crs()) == used.short_id
        assert back.crs().authid() == crs
        assert site.wkbType() == back.wkbType() == layer.wkbType()
        for given, there, again in zip(*(v.getFeatures() for v in (layer, site, back))):
            assert there.attributes() == again.attributes() == given.attributes()
            if not given.hasGeometry():
                assert not there.hasGeometry()
                assert not again.hasGeometry()
                continue
            assert form(there.geometry()) == form(again.geometry()) == form(given.geometry())
            start = numbers(given.geometry())
            wanted = expected(used, crs, start, heights == "change", **frames)
            assert np.allclose(numbers(there.geometry()), wanted, rtol=0, atol=1e-6, equal_nan=True)
            metres = 111e3 if back.crs().isGeographic() else 1.0
            miss = np.abs(numbers(again.geometry()) - start)
            assert np.nanmax(miss[:, :2]) * metres < 1e-5, "0.01 mm"
            assert not np.nanmax(np.nan_to_num(miss[:, 2:])) > 1e-5


def test_ids_of_features_and_types_of_fields_are_kept(
    tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    given = shapes(tie, "EPSG:7931", "PointZM")
    path = str(tmp_path / "given.gpkg")
    options = QgsVectorFileWriter.SaveVectorOptions()
    given.startEditing()
    given.deleteFeature(next(given.getFeatures()).id())
    given.commitChanges()
    QgsVectorFileWriter.writeAsVectorFormatV3(
        given, path, QgsProject.instance().transformContext(), options)
    layer = layer_of(path)
    layer.dataProvider().deleteFeatures([1])
    run("vector", INPUT=path, TIE=tie_file, OUTPUT=tmp_path / "out.gpkg")
    out = layer_of(tmp_path / "out.gpkg")
    assert [f.id() for f in out.getFeatures()] == [f.id() for f in layer_of(path).getFeatures()]
    assert [(f.name(), f.typeName()) for f in out.fields()] == [
        (f.name(), f.typeName()) for f in layer.fields()]


def test_heights_by_a_geoid_and_in_feet(tmp_path: Path) -> None:
    grid = write_geoid(tmp_path / "made.gtx")
    site = random_site(4, place=(47.3, 11.6), extent=800.0, observation_crs="EPSG:7931")
    tie = solve(site.pairs, site.settings)
    tie.save(tmp_path / "tie.json")
    given = memory_layer("PointZ?crs=EPSG:7931", "", [("PointZ (11.6 47.3 1640.42)",)])
    told = {"TIE": tmp_path / "tie.json", "HEIGHTS": "change", "HEIGHT_UNIT": "ft",
            "HEIGHT_GEOID": grid}
    run("vector", INPUT=given, OUTPUT=tmp_path / "site.gpkg", **told)
    height = 1640.42 * 0.3048 + float(open_geoid(grid).undulation(47.3, 11.6))
    found = numbers(features(tmp_path / "site.gpkg")[0].geometry())[0]
    assert found[:3] == pytest.approx(tie.to_site(47.3, 11.6, height), abs=1e-9)
    run("vector", INPUT=tmp_path / "site.gpkg", DIRECTION="to_map", OUTPUT=tmp_path / "back.gpkg",
        **told)
    again = numbers(features(tmp_path / "back.gpkg")[0].geometry())[0]
    assert again[:3] == pytest.approx((11.6, 47.3, 1640.42), abs=1e-8)


def test_long_segments_take_points_until_they_stray_no_more(
    tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    """A parallel of 2 km bends by centimetres on the site; arcs take no points."""
    latitude, longitude, _ = tie.to_geodetic(*tie.horizontal.translation)
    west, east = longitude - 0.0137, longitude + 0.0137
    line = f"LineStringZM ({west!r} {latitude!r} 1 10, {east!r} {latitude!r} 5 30)"
    layer = memory_layer("LineStringZM?crs=EPSG:7931", "", [(line,)])
    listener = Listener()
    run("vector", listener, INPUT=layer, TIE=tie_file, DEVIATION=0.001,
        OUTPUT=tmp_path / "out.gpkg")
    made = numbers(features(tmp_path / "out.gpkg")[0].geometry())
    share = np.linspace(0.0, 1.0, len(made))
    plain = np.stack(tie.to_site(np.full(len(made), latitude), west + share * (east - west))[:2], 1)
    assert np.abs(made[:, :2] - plain).max() < 1e-6
    assert np.allclose(made[:, 2:], np.stack([1 + 4 * share, 10 + 20 * share], axis=1), atol=1e-9)

    def strays(count: int) -> float:
        fine = np.linspace(0.0, 1.0, 64 * count + 1)
        curve = np.stack(tie.to_site(np.full(len(fine), latitude), west + fine * (east - west))[:2])
        ends = curve[:, ::64]
        worst = 0.0
        for i in range(count):
            piece = curve[:, 64 * i:64 * i + 65] - ends[:, i:i + 1]
            along = ends[:, i + 1] - ends[:, i]
            worst = max(worst, np.abs(along[0] * piece[1] - along[1] * piece[0]).max()
                        / np.hypot(*along))
        return worst

    assert strays(len(made) - 1) <= 0.001 < 0.05 < strays(1)
    assert strays(max((len(made) - 1) // 2, 1)) > 0.001, "no more points than needed"
    assert any(f"{len(made) - 2} of the vertices were put" in said for said in listener.infos)
    arc = shapes(tie, "EPSG:7931", "CircularStringZM")
    run("vector", INPUT=arc, TIE=tie_file, DEVIATION=1e-6, OUTPUT=tmp_path / "arc.gpkg")
    assert len(numbers(features(tmp_path / "arc.gpkg")[0].geometry())) == 3


def test_from_the_site_points_are_put_by_what_strays_on_the_site(
    tie: Tie, tie_file: Path, tmp_path: Path
) -> None:
    east, north = tie.horizontal.translation
    line = f"LineString ({east - 900!r} {north!r}, {east + 900!r} {north + 100!r})"
    layer = memory_layer("LineString", "", [(line,)])
    run("vector", INPUT=layer, TIE=tie_file, DIRECTION="to_map", DEVIATION=0.001,
        OUTPUT=tmp_path / "out.gpkg")
    made = numbers(features(tmp_path / "out.gpkg")[0].geometry())
    assert len(made) > 4
    middles = (made[1:, :2] + made[:-1, :2]) / 2.0
    site = np.stack(tie.to_site(middles[:, 1], middles[:, 0])[:2], axis=1) - (east - 900, north)
    along = np.array([1800.0, 100.0])
    off = np.abs(along[0] * site[:, 1] - along[1] * site[:, 0]) / np.hypot(*along)
    assert 0.0002 < off.max() <= 0.001


def test_lines_across_the_antimeridian_are_not_torn(tmp_path: Path) -> None:
    site = random_site(6, place=(-17.0, 180.0), extent=600.0, observation_crs="EPSG:7912")
    tie = solve(site.pairs, site.settings)
    tie.save(tmp_path / "tie.json")
    ends = [tie.to_site(-17.0, longitude)[:2] for longitude in (179.99, -179.99)]
    line = ", ".join(f"{e!r} {n!r}" for e, n in ends)
    layer = memory_layer("LineString", "", [(f"LineString ({line})",)])
    run("vector", INPUT=layer, TIE=tmp_path / "tie.json", DIRECTION="to_map",
        OUTPUT=tmp_path / "out.gpkg")
    made = numbers(features(tmp_path / "out.gpkg")[0].geometry())
    assert made[:, 0] == pytest.approx([179.99, 180.01], abs=1e-9)
    run("vector", INPUT=tmp_path / "out.gpkg", TIE=tmp_path / "tie.json",
        OUTPUT=tmp_path / "again.gpkg")
    again = numbers(features(tmp_path / "again.gpkg")[0].geometry())
    assert np.abs(again[:, :2] - ends).max() < 1e-5


def test_an_empty_point_stays_empty(tie_file: Path, tmp_path: Path) -> None:
    layer = memory_layer("Point?crs=EPSG:7931", "",
                         [("Point EMPTY",), ("Point (14.93 48.789)",)])
    run("vector", INPUT=layer, TIE=tie_file, OUTPUT=tmp_path / "out.gpkg")
    empty, point = features(tmp_path / "out.gpkg")
    assert empty.geometry().isEmpty()
    assert not point.geometry().isEmpty()


def test_bad_input_is_refused_in_words_and_leaves_nothing(
    tie: Tie, feet: Tie, tie_file: Path, tmp_path: Path
) -> None:
    point = [("Point (14.93 48.789)",)]
    flat = memory_layer("Point?crs=EPSG:7931", "", point, "flat")
    site_wkt = feet.crs_wkt()
    other = memory_layer("Point", "", [("Point (2000 4000)",)], "other")
    other.setCrs(QgsCoordinateReferenceSystem.fromWkt(site_wkt))
    mine = memory_layer("Point", "", [("Point (2000 4000)",)], "mine")
    mine.setCrs(QgsCoordinateReferenceSystem.fromWkt(tie.crs_wkt()))
    for given, message in (
        ({"INPUT": memory_layer("Point", "", point, "bare")}, "bare: It has no CRS"),
        ({"INPUT": memory_layer("Point?crs=EPSG:4326", "", point, "wgs")}, "wgs: .*identical"),
        ({"INPUT": flat, "HEIGHTS": "change"}, "flat: The layer has no Z"),
        ({"INPUT": mine}, f"mine: It stands on the site grid of tie {tie.short_id} already"),
        ({"INPUT": other}, "other: It stands on the site grid of another tie"),
        ({"INPUT": other, "DIRECTION": "to_map"}, "another tie"),
        ({"INPUT": flat, "DIRECTION": "to_map"}, "flat: The layer is in degrees"),
        ({"INPUT": flat, "DEVIATION": 0}, "largest deviation is 0"),
        ({"INPUT": memory_layer("Point?crs=EPSG:7931", "", [*point, ("Point (14.9 148)",)],
                                "far")}, "far, row 2: .*latitude 148"),
        ({"INPUT": memory_layer("Point?crs=EPSG:7931", "", [("",)], "none")},
         "none: There is nothing with a geometry"),
    ):
        wanted = {"TIE": tie_file, "OUTPUT": tmp_path / "out.gpkg", **given}
        with pytest.raises(QgsProcessingException, match=message):
            run("vector", **wanted)
        assert not list(tmp_path.iterdir()), message


def test_a_stop_leaves_what_was_there(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    (tmp_path / "out.gpkg").write_bytes(b"older")
    layer = memory_layer("Point?crs=EPSG:7931", "", [("Point (14.93 48.789)",)] * 12_000)
    with pytest.raises(QgsProcessingException, match="Stopped before the end"):
        run("vector", Listener(stop_at=40), INPUT=layer, TIE=tie_file,
            OUTPUT=tmp_path / "out.gpkg")
    assert [p.name for p in tmp_path.iterdir()] == ["out.gpkg"]
    assert (tmp_path / "out.gpkg").read_bytes() == b"older"


def test_what_happened_to_heights_is_said(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    layer = shapes(tie, "EPSG:31255", "PolygonZ")
    listener = Listener()
    run("vector", listener, INPUT=layer, TIE=tie_file, OUTPUT=tmp_path / "out.gpkg")
    assert any("Z, where there is one, stayed as it is" in said for said in listener.infos)
    assert any("1 features have no geometry" in said for said in listener.infos)
    assert any("Places depend on heights here" in said for said in listener.warnings)


def test_from_the_command_line(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    """The sample's design line from the site grid to UTM."""
    done = command(
        "sitetie:vector", f"--INPUT={QUARRY / 'design_axis.gpkg'}", f"--TIE={tie_file}",
        "--DIRECTION=to_map", "--TARGET_CRS=EPSG:25833", "--DATUM_OPERATION=identical",
        f"--OUTPUT={tmp_path / 'utm.gpkg'}")
    assert done.returncode == 0, done.stdout + done.stderr
    given = numbers(features(QUARRY / "design_axis.gpkg")[0].geometry())
    found = numbers(features(tmp_path / "utm.gpkg")[0].geometry())
    latitude, longitude, _ = tie.to_geodetic(given[:, 0], given[:, 1])
    plain = pyproj.Transformer.from_crs("EPSG:4258", "EPSG:25833", always_xy=True)
    wanted = np.stack(plain.transform(longitude, latitude), axis=1)
    assert np.abs(found[:, :2] - wanted).max() < 1e-6


def test_what_a_shapefile_loses_is_said(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    layer = shapes(tie, "EPSG:7931", "Point")
    for ending, said in ((".shp", True), (".gpkg", False)):
        listener = Listener()
        run("vector", listener, INPUT=layer, TIE=tie_file, OUTPUT=tmp_path / f"out{ending}")
        assert any("A shapefile cannot hold" in text for text in listener.warnings) is said
