"""Layers of every kind become control points and observations, or say clearly why not."""

from __future__ import annotations

from pathlib import Path
from typing import Iterator, List, Optional, Sequence

import pytest
from qgis.core import (
    NULL,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsProject,
    QgsVectorLayer,
)

from sitetie.core import Settings, SitetieError, read_pairs
from sitetie.plugin.job.layer_points import read_control, read_observations
from sitetie.plugin.job.layer_source import (
    describe_mapping,
    find_layer,
    guess_control,
    guess_observations,
    source_of,
)
from sitetie.plugin.job.state import FieldChoice

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"


@pytest.fixture
def quarry(qgis_app) -> Iterator[QgsProject]:
    project = QgsProject()
    assert project.read(str(SAMPLE / "quarry.qgz"))
    yield project
    project.clear()


def named(project: QgsProject, name: str) -> QgsVectorLayer:
    return project.mapLayersByName(name)[0]


def memory(
    kind: str, fields: str, rows: Sequence[tuple], crs: Optional[str] = None
) -> QgsVectorLayer:
    """A memory layer: each row is (WKT or None, attribute, …)."""
    layer = QgsVectorLayer(f"{kind}?{fields}", "shots", "memory")
    layer.setCrs(QgsCoordinateReferenceSystem(crs) if crs else QgsCoordinateReferenceSystem())
    features: List[QgsFeature] = []
    for wkt, *attributes in rows:
        feature = QgsFeature(layer.fields())
        if wkt:
            feature.setGeometry(QgsGeometry.fromWkt(wkt))
        feature.setAttributes(attributes)
        features.append(feature)
    assert layer.dataProvider().addFeatures(features)[0]
    return layer


def test_the_sample_layers_give_what_its_pair_table_gives(quarry: QgsProject) -> None:
    control_layer, shots = named(quarry, "Control points"), named(quarry, "Shots at marks")
    settings = Settings(observation_crs="EPSG:7931")
    control = {
        found.control.id: found
        for found in read_control(control_layer, guess_control(control_layer))
    }
    observed = {
        found.observation.id: found
        for found in read_observations(shots, guess_observations(shots), settings)
    }
    for pair in read_pairs(SAMPLE / "quarry" / "pairs.csv"):
        assert control[pair.control.id].control == pair.control
        assert observed[pair.observation.id].observation == pair.observation
    assert control["K01"].feature_id in {feature.id() for feature in control_layer.getFeatures()}


def test_another_frame_of_the_settings_is_named_by_each_observation(quarry: QgsProject) -> None:
    shots = named(quarry, "Shots at marks")
    settings = Settings(observation_crs="EPSG:4258")
    found = read_observations(shots, guess_observations(shots), settings)
    assert {item.observation.crs for item in found} == {"EPSG:7931"}


def test_chosen_features_only(quarry: QgsProject) -> None:
    shots = named(quarry, "Shots at marks")
    source = guess_observations(shots)
    everything = read_observations(shots, source, Settings(observation_crs="EPSG:7931"))
    one = everything[7]
    assert read_observations(
        shots, source, Settings(observation_crs="EPSG:7931"), [one.feature_id]
    ) == [one]


def test_map_coordinates_come_back_on_their_own_datum() -> None:
    # 11 deg E is 2 degrees off the central meridian of UTM 32; the position itself is made here
    # with PROJ, the reader must undo it.
    import pyproj

    easting, northing = pyproj.Transformer.from_crs(
        "EPSG:4258", "EPSG:25832", always_xy=True).transform(11.0, 48.0)
    layer = memory("PointZ", "field=id:string", [(f"PointZ({easting!r} {northing!r} 431.5)", "A")],
                   "EPSG:25832")
    found = read_observations(layer, guess_observations(layer), Settings())[0].observation
    assert found.crs == "EPSG:4258"
    assert (found.latitude, found.longitude) == pytest.approx((48.0, 11.0), abs=1e-10)
    assert found.height == 431.5


def test_westings_and_southings_come_back_in_the_southern_hemisphere() -> None:
    """QGIS keeps the sense of such axes: Hartebeesthoek94 / Lo29, IOGP 373-7-2's example of a
    south-orientated Transverse Mercator (numbers from memory)."""
    layer = memory("Point", "field=id:string", [("Point (71984.49 2847342.74)", "A")], "EPSG:2053")
    found = read_observations(layer, guess_observations(layer), Settings())[0].observation
    assert found.crs == "EPSG:4148"
    assert found.latitude == pytest.approx(-(25 + 43 / 60 + 55.302 / 3600), abs=1e-7)
    assert found.longitude == pytest.approx(28 + 16 / 60 + 57.479 / 3600, abs=1.4e-7)  # 0.014 m


def test_geocentric_points() -> None:
    # GIGS 5201, IOGP (PROJ test/gigs): 80 N 150 E, h 1214.137 in EPSG:4978.
    layer = memory("PointZ", "field=id:string",
                   [("PointZ(-962479.5924 555687.8517 6260738.6526)", "A")], "EPSG:4978")
    found = read_observations(layer, guess_observations(layer), Settings())[0].observation
    assert (found.latitude, found.longitude) == pytest.approx((80.0, 150.0), abs=1e-8)
    assert found.height == pytest.approx(1214.137, abs=1e-3)


def test_written_angles_in_a_table_without_geometry() -> None:
    layer = memory(
        "None", "field=point:string&field=lat:string&field=long:string&field=hgt:string",
        [(None, "12", "48°47′10.388″ N", "14 55 57.146 E", "547,6970")],
    )
    source = guess_observations(layer)
    assert describe_mapping(source) == (
        "Id from point; latitude from lat, longitude from long; height from hgt; no sigmas."
    )
    found = read_observations(layer, source, Settings())[0].observation
    assert found.latitude == pytest.approx(48 + 47 / 60 + 10.388 / 3600)
    assert found.longitude == pytest.approx(14 + 55 / 60 + 57.146 / 3600)
    assert found.height == 547.697
    assert found.crs is None


def test_packed_angles_only_when_said_so() -> None:
    layer = memory("None", "field=id:string&field=lat:string&field=lon:string",
                   [(None, "A", "37.482667598", "144.25295244")])
    guess = guess_observations(layer)
    plain = read_observations(layer, guess, Settings())[0].observation
    packed = read_observations(
        layer, source_of(layer, guess.fields, packed_dms=True), Settings()
    )[0].observation
    assert plain.latitude == 37.482667598
    # GeodePy test_convert.py: packed 37.482667598 is 37 deg 48.4445997 min.
    assert packed.latitude == pytest.approx(37 + 48.4445997 / 60, abs=1e-9)


def test_control_from_the_geometry_and_an_elevation_only_mark() -> None:
    layer = memory("PointZ", "field=name:string&field=elev:double",
                   [("PointZ(100 200 7)", "P1", NULL), (None, "P2", 31.5)])
    first, second = (found.control for found in read_control(layer, guess_control(layer)))
    assert (first.easting, first.northing, first.elevation) == (100.0, 200.0, None)
    assert (second.has_position, second.elevation) == (False, 31.5)


def test_height_from_the_geometry_where_no_field_has_it() -> None:
    layer = memory("PointZ", "field=name:string", [("PointZ(100 200 7)", "P1")])
    assert read_control(layer, guess_control(layer))[0].control.elevation == 7.0


def test_bad_features_can_be_left_out_and_are_all_named() -> None:
    layer = memory(
        "Point", "field=id:string&field=height:string",
        [("Point(11 48)", "A", "1.5"), ("Point(11 48)", "B", "one"), (None, "C", "2"),
         ("Point(11 48)", "A", "2"), ("Point(11 48)", "", "2"), ("Point(11 48)", "D", None)],
        "EPSG:4258",
    )
    skipped: List[SitetieError] = []
    found = read_observations(layer, guess_observations(layer), Settings(), skipped=skipped)
    assert [item.observation.id for item in found] == ["A", "D"]
    assert found[1].observation.height is None
    said = [str(error) for error in skipped]
    assert [text.split(":")[0] for text in said] == [
        "shots, point B (feature 2)", "shots, point C (feature 3)", "shots, point A (feature 4)",
        "shots, point feature 5",
    ]
    assert "'one' is not a number" in said[0]
    assert "no position" in said[1]
    assert "also that of feature 1" in said[2]
    assert "no id" in said[3]


@pytest.mark.parametrize(
    ("kind", "crs", "row", "said"),
    [
        ("Point", None, ("Point(11 48)", "A"), "The layer has no CRS"),
        ("LineString", "EPSG:4258", ("LineString(0 0, 1 1)", "A"), "no points"),
        ("MultiPoint", "EPSG:4258", ("MultiPoint(11 48, 12 48)", "A"), "2 points"),
        ("PointZ", "EPSG:2263", ("PointZ(983000 199000 20)", "A"), "the kind of its heights"),
        ("Point", "EPSG:4258", ("Point(48 211)", "A"), "outside -90 to 90"),
    ],
)
def test_layers_that_cannot_serve_say_why(kind, crs, row, said) -> None:
    layer = memory(kind, "field=id:string", [row], crs)
    with pytest.raises(SitetieError, match=said) as caught:
        read_observations(layer, guess_observations(layer), Settings())
    assert caught.value.file == "shots"
    assert caught.value.remedy


def test_control_in_degrees_is_refused() -> None:
    layer = memory("Point", "field=id:string", [("Point(11 48)", "A")], "EPSG:4258")
    with pytest.raises(SitetieError, match="site coordinates"):
        read_control(layer, guess_control(layer))


def test_a_field_that_is_gone_is_named() -> None:
    layer = memory("Point", "field=id:string", [("Point(11 48)", "A")], "EPSG:4258")
    source = source_of(layer, [FieldChoice("observation_id", "number")])
    with pytest.raises(SitetieError, match="no field 'number'"):
        read_observations(layer, source, Settings())


def test_a_layer_is_found_again_by_its_data(quarry: QgsProject) -> None:
    layer = named(quarry, "Topo points")
    source = guess_observations(layer)
    again = QgsVectorLayer(layer.source(), "Topo, loaded anew", layer.providerType())
    quarry.removeMapLayer(layer.id())
    assert find_layer(source, quarry) is None
    quarry.addMapLayer(again)
    assert find_layer(source, quarry) == again
