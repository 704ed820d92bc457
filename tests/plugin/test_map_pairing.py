"""Pairing on the map, by mouse and keyboard on a real canvas."""

from __future__ import annotations

import re

import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsProject,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QEvent, QPoint, Qt
from qgis.PyQt.QtWidgets import QApplication, QLabel

from sitetie.core import Role
from sitetie.plugin.job.layer_source import guess_control, guess_observations
from sitetie.plugin.map import map_marks
from sitetie.plugin.map.map_marks import Kind
from sitetie.plugin.map.pairing_tool import Step

from .map_bench import MapBench, bench, quarry_pairs

__all__ = ["bench"]
EMPTY = QPoint(600, 320)


@pytest.fixture
def pairing(bench: MapBench) -> MapBench:
    bench.controller.start_pairing()
    assert bench.canvas.mapTool() is bench.tool
    return bench


def test_the_whole_sample_is_paired_by_pointing(pairing: MapBench) -> None:
    """All pairs whose marks are on the map, in either order; the values are those of the pair
    table to the last digit."""
    wanted = [pair for pair in quarry_pairs() if pair.control.has_position]
    for place, pair in enumerate(wanted):
        marks = [(Kind.CONTROL, pair.control.id), (Kind.OBSERVATION, pair.observation.id)]
        for kind, name in marks if place % 2 else reversed(marks):
            pairing.click_mark(kind, name)
    made = pairing.job.state.pairs
    assert [(pair.control, pair.observation) for pair in made] == [
        (pair.control, pair.observation) for pair in wanted]
    for pair in made:
        assert pair.horizontal is Role.FIT
        assert pair.vertical is (Role.FIT if pair.control.has_elevation else Role.IDLE)
    assert pairing.job.tie is not None


def test_a_pair_is_one_step_back(pairing: MapBench) -> None:
    pairing.pair("K01", "K01-1")
    assert pairing.job.undo_stack.undoText() == "Pair K01 = K01-1"
    pairing.job.undo_stack.undo()
    assert pairing.names() == []


# -- what the label says ------------------------------------------------------------------------


def test_what_the_dock_goes_on_saying_holds_wherever_the_cursor_goes(pairing: MapBench) -> None:
    pairing.click_mark(Kind.CONTROL, "K01")
    assert pairing.said[-1] == "K01: point at its observation. Esc: choose another."


def test_the_label_goes_with_the_cursor(pairing: MapBench) -> None:
    pairing.click_mark(Kind.CONTROL, "K01")
    assert pairing.words
    QApplication.sendEvent(pairing.canvas, QEvent(QEvent.Type.Leave))
    assert pairing.words == ""
    pairing.hover_mark(Kind.OBSERVATION, "K01-1")
    assert pairing.words.startswith("K01 with K01-1")


def test_before_a_tie_the_distance_is_one_on_the_ellipsoid_and_says_so(pairing: MapBench) -> None:
    pairing.click_mark(Kind.CONTROL, "K01")
    pairing.hover_mark(Kind.OBSERVATION, "K01-1")
    found = re.match(r"K01 with K01-1 \(fixed, day 1\): ([0-9,]+) m as drawn on the map "
                     r"\(there is no solution yet\)\. Click to pair\.", pairing.words)
    assert found, pairing.words
    first, second = (pairing.mark(kind, name).point for kind, name in
                     ((Kind.CONTROL, "K01"), (Kind.OBSERVATION, "K01-1")))
    # The drawing plane has scale 1 near its origin: its lengths are those on the ellipsoid.
    assert float(found[1].replace(",", "")) == pytest.approx(first.distance(second), abs=0.6)


def test_with_a_rough_tie_the_partner_is_named_and_measured(pairing: MapBench) -> None:
    pairing.pair("K01", "K01-1")
    pairing.pair("K02", "K02-1")
    for kind, name, partner in (
        (Kind.CONTROL, "K03", "K03-1"), (Kind.OBSERVATION, "K06-1", "K06"),
    ):
        pairing.hover_mark(kind, name)
        tie = pairing.job.tie
        shot = pairing.mark(Kind.OBSERVATION, "K03-1" if name == "K03" else name).value
        mark = pairing.mark(Kind.CONTROL, "K03" if name == "K03" else partner).value
        easting, northing, _ = tie.to_site(shot.latitude, shot.longitude)
        away = round(1000 * ((easting - mark.easting) ** 2 + (northing - mark.northing) ** 2) ** .5)
        assert f"{partner} is predicted {away} mm away; click twice to pair." in pairing.words
        assert pairing.tool._proposal_ring.point is not None


def test_two_clicks_pair_with_the_proposed_partner(pairing: MapBench) -> None:
    pairing.pair("K01", "K01-1")
    pairing.pair("K02", "K02-1")
    place = pairing.pixel(pairing.mark(Kind.CONTROL, "K03"))
    pairing.click(place)
    assert pairing.tool.step is Step.SECOND
    pairing.click(place)
    assert pairing.names()[-1] == "K03 = K03-1"
    pairing.click_mark(Kind.OBSERVATION, "K06-1")
    pairing.press(Qt.Key.Key_Return)
    assert pairing.names()[-1] == "K06 = K06-1"
    assert re.search(r"Paired K06 = K06-1: [0-9]+ mm on the site grid\.", pairing.said[-1])


def test_no_partner_is_proposed_where_none_can_be(pairing: MapBench) -> None:
    pairing.pair("K01", "K01-1")
    pairing.pair("K02", "K02-1")
    pairing.hover_mark(Kind.OBSERVATION, "ST-K08")  # its typed latitude is 20 m off
    assert "predicted" not in pairing.words
    pairing.hover_mark(Kind.CONTROL, "K12")  # not observed
    assert "predicted" not in pairing.words


def test_the_distance_to_the_cursor_is_on_the_site_grid(pairing: MapBench) -> None:
    pairing.pair("K01", "K01-1")
    pairing.pair("K02", "K02-1")
    pairing.click_mark(Kind.CONTROL, "K05")
    # An empty place 100 pixels beside the observation of K05, that many pixels in metres away.
    place = pairing.pixel(pairing.mark(Kind.OBSERVATION, "K05-1")) + QPoint(0, -100)
    pairing.hover(place)
    found = re.search(r"From K05 to here: ([0-9.]+) m on the site grid\.", pairing.words)
    assert found, pairing.words
    metres = 100 * pairing.canvas.mapUnitsPerPixel()
    assert float(found[1]) == pytest.approx(metres, abs=2.5 * pairing.canvas.mapUnitsPerPixel())


# -- steps back and wrong clicks ----------------------------------------------------------------


def test_escape_steps_back_and_then_out(pairing: MapBench) -> None:
    pairing.click_mark(Kind.CONTROL, "K01")
    assert pairing.tool.step is Step.SECOND
    pairing.press(Qt.Key.Key_Escape)
    assert pairing.tool.step is Step.FIRST
    assert pairing.tool._first_ring.point is None
    pairing.press(Qt.Key.Key_Escape)
    assert pairing.canvas.mapTool() is not pairing.tool
    assert pairing.words == ""


def test_the_right_button_steps_back_too(pairing: MapBench) -> None:
    pairing.click_mark(Kind.OBSERVATION, "K01-1")
    pairing.click(EMPTY, Qt.MouseButton.RightButton)
    assert pairing.tool.step is Step.FIRST
    assert pairing.names() == []


def test_a_click_on_nothing(pairing: MapBench) -> None:
    pairing.click(EMPTY)
    assert pairing.said[-1] == (
        "No control point or observation here. Zoom in, or click nearer to one.")
    pairing.click_mark(Kind.CONTROL, "K01")
    pairing.click(EMPTY)
    assert pairing.said[-1] == "No observation here. Zoom in, or click nearer to one."
    assert pairing.words == pairing.said[-1]
    assert pairing.tool.step is Step.SECOND


def test_the_same_kind_twice(pairing: MapBench) -> None:
    pairing.click_mark(Kind.CONTROL, "K01")
    pairing.click(pairing.pixel(pairing.mark(Kind.CONTROL, "K02")))
    assert pairing.said[-1] == (
        "K02 is a control point too. Point at an observation for K01; Esc chooses another.")
    pairing.click(pairing.pixel(pairing.mark(Kind.CONTROL, "K01")))
    assert pairing.said[-1].startswith("K01 is chosen already, and no partner is known for it.")
    assert pairing.names() == []


def test_an_observation_that_is_paired_already_shows_its_row(pairing: MapBench) -> None:
    pairing.pair("K02", "K02-1")
    pairing.pair("K03", "K03-1")
    pairing.click_mark(Kind.OBSERVATION, "K03-1")
    assert pairing.said[-1].startswith("The observation K03-1 is already paired with K03.")
    assert pairing.picked == [1]
    assert pairing.tool.step is Step.FIRST


def test_a_control_point_takes_further_shots(pairing: MapBench) -> None:
    pairing.pair("K01", "K01-1")
    pairing.hover_mark(Kind.CONTROL, "K01")
    assert "Paired already: K01 = K01-1." in pairing.words
    pairing.pair("K01", "K01-2")
    assert pairing.names() == ["K01 = K01-1", "K01 = K01-2"]


def test_repeated_shots_at_one_place_come_by_id_and_unpaired_first(pairing: MapBench) -> None:
    place = pairing.pixel(pairing.mark(Kind.OBSERVATION, "K05-2"))
    pairing.hover(place)
    assert "Observation K05-1" in pairing.words
    assert "1 of 3 here; N shows the next." in pairing.words
    pairing.press(Qt.Key.Key_N)
    assert "Observation K05-2" in pairing.words
    pairing.pair("K05", "K05-1")
    pairing.hover(EMPTY)
    pairing.hover(place)
    assert "Observation K05-2" in pairing.words


def test_a_feature_that_cannot_be_read_says_why(bench: MapBench) -> None:
    layer = QgsVectorLayer("Point?field=name:string&field=sigma_e:string&field=sigma_n:string",
                           "Odd shots", "memory")
    layer.setCrs(QgsCoordinateReferenceSystem("EPSG:7931"))
    source = bench.mark(Kind.OBSERVATION, "K02-1").value
    for name, sigma, shift in (("A", "many", 0.0), ("B", "0.01", 0.001), ("B", "0.01", 0.002)):
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry.fromWkt(
            f"Point({source.longitude + shift} {source.latitude})"))
        feature.setAttributes([name, sigma, "0.01"])
        assert layer.dataProvider().addFeatures([feature])[0]
    bench.project.addMapLayer(layer)
    bench.canvas.setLayers([bench.control, layer])
    bench.job.change("odd", bench.job.state.replace(observations=guess_observations(layer)))
    bench.controller.start_pairing()
    side = bench.controller.marks._side(Kind.OBSERVATION)
    broken = [mark for mark in side.marks if mark.value is None]
    assert len(broken) == 2
    bench.click(bench.pixel(broken[0]))
    assert "Odd shots" in bench.said[-1]
    assert "'many' is not a number" in bench.said[-1]
    bench.click(bench.pixel(broken[1]))
    assert "has the id of another feature" in bench.said[-1]
    assert bench.tool.step is Step.FIRST


# -- layers and frames --------------------------------------------------------------------------


def test_without_a_layer_the_tool_says_so_and_stays_out(bench: MapBench) -> None:
    bench.job.change("none", bench.job.state.replace(control=None))
    bench.controller.start_pairing()
    assert bench.canvas.mapTool() is not bench.tool
    assert bench.said == ["No layer with control points is chosen. Choose one under Layers."]


def test_a_layer_that_is_switched_off(pairing: MapBench) -> None:
    pairing.canvas.setLayers([pairing.control])
    pairing.click_mark(Kind.CONTROL, "K01")
    assert pairing.said[-1] == (
        "The layer “Shots at marks” is not shown. Switch it on in the layer tree.")
    assert pairing.tool.step is Step.FIRST


def test_a_table_without_points(bench: MapBench) -> None:
    table = bench.project.mapLayersByName("Pairs as observed")[0]
    bench.job.change("table", bench.job.state.replace(observations=guess_observations(table)))
    bench.controller.start_pairing()
    assert "has no points on the map. Pair by ids" in bench.said[-1]


def test_a_layer_with_far_too_many_features(
    bench: MapBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(map_marks, "MOST_MARKS", 17)
    bench.controller.start_pairing()
    assert bench.said[-1].startswith(
        "Shots at marks: The layer has 18 features, too many to look for marks in.")


def test_a_partner_is_found_in_a_large_layer_too(
    pairing: MapBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then only the observations drawn near the expected place are read."""
    monkeypatch.setattr(map_marks, "MOST_NEAR", 3)
    pairing.pair("K01", "K01-1")
    pairing.pair("K02", "K02-1")
    for name in ("K03", "K04", "K07", "K10"):
        partner = pairing.controller.marks.partner(pairing.mark(Kind.CONTROL, name))
        assert partner.mark.id.startswith(f"{name}-")
    pairing.canvas.setDestinationCrs(QgsCoordinateReferenceSystem())
    partner = pairing.controller.marks.partner(pairing.mark(Kind.CONTROL, "K03"))
    assert partner.mark.id == "K03-1"
    monkeypatch.setattr(map_marks, "MOST_READ", 3)
    assert pairing.controller.marks.partner(pairing.mark(Kind.CONTROL, "K03")) is None


def test_layers_in_any_crs(bench: MapBench) -> None:
    """Control in the site CRS, observations in map coordinates, the canvas in a third CRS: the
    marks are picked where they are drawn, and the observation is what it was."""
    bench.take_pairs()
    wkt = bench.job.tie.crs_wkt()
    shots = QgsVectorLayer("PointZ?crs=EPSG:25833&field=name:string", "UTM shots", "memory")
    import pyproj

    source = bench.mark(Kind.OBSERVATION, "K02-1").value
    easting, northing = pyproj.Transformer.from_crs(
        "EPSG:4258", "EPSG:25833", always_xy=True).transform(source.longitude, source.latitude)
    feature = QgsFeature(shots.fields())
    feature.setGeometry(QgsGeometry.fromWkt(f"PointZ({easting!r} {northing!r} {source.height})"))
    feature.setAttributes(["U2"])
    assert shots.dataProvider().addFeatures([feature])[0]
    bench.project.addMapLayer(shots)
    bench.control.setCrs(QgsCoordinateReferenceSystem.fromWkt(wkt))
    bench.canvas.setDestinationCrs(QgsCoordinateReferenceSystem("EPSG:3857"))
    bench.canvas.setLayers([bench.control, shots])
    bench.job.change("new", bench.job.state.replace(
        pairs=(), observations=guess_observations(shots), control=guess_control(bench.control)))
    bench.controller.start_pairing()
    middle = bench.mark(Kind.CONTROL, "K02").point
    bench.look_at(QgsRectangle(middle.x() - 900, middle.y() - 500,
                               middle.x() + 900, middle.y() + 500))
    # Both marks lie at one place now: the second click finds the other kind there.
    place = bench.pixel(bench.mark(Kind.CONTROL, "K02"))
    bench.click(place)
    bench.click(place)
    (pair,) = bench.job.state.pairs
    assert pair.name == "K02 = U2"
    assert pair.observation.crs == "EPSG:4258"
    assert (pair.observation.latitude, pair.observation.longitude) == pytest.approx(
        (source.latitude, source.longitude), abs=1e-9)


def test_a_typed_frame_among_unnamed_ones_names_them_all(bench: MapBench) -> None:
    """Otherwise the core would refuse the mixture."""
    import dataclasses

    from sitetie.plugin.map.new_pairs import add_pairs

    first, second, third = quarry_pairs("pairs_reviewed")[3:6]
    add_pairs(bench.job, [first])
    named = dataclasses.replace(
        second, observation=dataclasses.replace(second.observation, crs="EPSG:4258"))
    add_pairs(bench.job, [named])
    assert [pair.observation.crs for pair in bench.job.state.pairs] == ["EPSG:7931", "EPSG:4258"]
    add_pairs(bench.job, [third])
    assert bench.job.state.pairs[2].observation.crs == "EPSG:7931"
    assert bench.job.undo_stack.count() == 3


# -- what happens meanwhile ---------------------------------------------------------------------


@pytest.mark.parametrize("layer", ["control", "shots"])
def test_a_layer_is_removed_between_two_clicks(pairing: MapBench, layer: str) -> None:
    pairing.click_mark(Kind.CONTROL, "K01")
    place = pairing.pixel(pairing.mark(Kind.OBSERVATION, "K01-1"))
    pairing.project.removeMapLayer(getattr(pairing, layer).id())
    pairing.settle()
    assert pairing.tool.step is Step.FIRST
    assert pairing.tool._first_ring.point is None
    pairing.click(place)
    assert "is missing. Load it again" in pairing.said[-1]
    assert pairing.names() == []


def test_a_layer_that_comes_back_is_read_again(pairing: MapBench) -> None:
    copy = pairing.shots.clone()
    pairing.click_mark(Kind.CONTROL, "K01")
    pairing.project.removeMapLayer(pairing.shots.id())
    pairing.project.addMapLayer(copy)
    pairing.canvas.setLayers([pairing.control, copy])
    pairing.pair("K01", "K01-1")
    assert pairing.names() == ["K01 = K01-1"]


def test_an_edited_layer_is_read_again(pairing: MapBench) -> None:
    layer = QgsVectorLayer("PointZ?crs=EPSG:7931&field=name:string", "Edited", "memory")
    source = pairing.mark(Kind.OBSERVATION, "K02-1").value
    feature = QgsFeature(layer.fields())
    feature.setGeometry(QgsGeometry.fromWkt(f"PointZ({source.longitude} {source.latitude} 500)"))
    feature.setAttributes(["E1"])
    assert layer.dataProvider().addFeatures([feature])[0]
    pairing.project.addMapLayer(layer)
    pairing.canvas.setLayers([pairing.control, layer])
    pairing.job.change("e", pairing.job.state.replace(observations=guess_observations(layer)))
    pairing.click_mark(Kind.OBSERVATION, "E1")
    layer.startEditing()
    number = next(layer.getFeatures()).id()
    layer.changeAttributeValue(number, 0, "E2")
    assert pairing.tool.step is Step.FIRST
    assert pairing.said[-1] == "The layer has changed; choose the mark again."
    pairing.pair("K02", "E2")
    assert pairing.names() == ["K02 = E2"]
    layer.rollBack()


def test_the_project_is_closed_between_two_clicks(pairing: MapBench) -> None:
    pairing.click_mark(Kind.CONTROL, "K01")
    QgsProject.instance().clear()
    pairing.settle()
    pairing.click(EMPTY)
    assert "is missing" in pairing.said[-1]
    assert pairing.names() == []


def test_undo_between_two_clicks(pairing: MapBench) -> None:
    pairing.pair("K01", "K01-1")
    pairing.pair("K02", "K02-1")
    pairing.click_mark(Kind.CONTROL, "K03")
    assert pairing.tool._proposal_ring.point is not None
    pairing.job.undo_stack.undo()
    assert pairing.tool._proposal_ring.point is None  # no tie, nobody to propose
    pairing.click_mark(Kind.OBSERVATION, "K03-1")
    assert pairing.names() == ["K01 = K01-1", "K03 = K03-1"]


def test_another_tool_puts_everything_away(pairing: MapBench) -> None:
    from qgis.gui import QgsMapToolPan

    states = []
    pairing.controller.pairing_changed.connect(states.append)
    pairing.click_mark(Kind.CONTROL, "K01")
    pan = QgsMapToolPan(pairing.canvas)
    pairing.canvas.setMapTool(pan)
    assert states == [False]
    assert pairing.words == ""
    assert pairing.tool.step is Step.OFF
    for ring in (pairing.tool._first_ring, pairing.tool._hover_ring, pairing.tool._proposal_ring):
        assert not ring.isVisible()
    for band in (pairing.tool._line, pairing.tool._proposal_line):
        assert band.numberOfVertices() == 0
    pairing.canvas.unsetMapTool(pan)


def test_letting_go_in_the_middle_leaves_nothing(bench: MapBench) -> None:
    bench.controller.start_pairing()
    bench.click_mark(Kind.CONTROL, "K01")
    bench.hover(EMPTY)
    bench.take_pairs()
    bench.controller.select([0, 1])
    bench.controller.let_go()
    bench.controller = None
    assert bench.left_on_canvas() == 0
    assert bench.canvas.findChild(QLabel, "sitetie_map_label") is None
    bench.job.undo_stack.undo()  # nobody listens any more
