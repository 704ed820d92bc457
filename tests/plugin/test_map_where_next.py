"""Where to go next, from the dock: layers, words, and that nothing piles up or stays behind."""

from __future__ import annotations

import time
from pathlib import Path
from typing import List

import pytest
from qgis.core import QgsProject
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QFileDialog, QToolButton

from sitetie.core import Role
from sitetie.core.next_control import next_control
from sitetie.core.seek_list import seek_list
from sitetie.core.units import METRE
from sitetie.core.wording import length_words
from sitetie.plugin.dock.dock_actions import DockActions
from sitetie.plugin.map import where_next, where_next_task
from sitetie.plugin.map.map_marks import Kind
from sitetie.plugin.map.memory_layer import result_layers
from sitetie.plugin.map.where_next_dialog import WhereNextDialog

from .map_bench import MapBench, bench
from .processing_runs import memory_layer

__all__ = ["bench"]


def wait(bench: MapBench) -> None:
    where = bench.controller.where_next
    for _ in range(400):
        bench.settle()
        if not where.busy:
            bench.settle()
            return
        QTest.qWait(25)
    raise AssertionError("the marks were not found in 10 s")


@pytest.fixture
def early(bench: MapBench) -> MapBench:
    """Two pairs, early in the morning."""
    bench.take_pairs("pairs_first_two")
    bench.job.set_settings(bench.job.state.settings.replace(vertical_model="shift"))
    assert bench.job.tie is not None
    return bench


@pytest.fixture
def shown(early: MapBench) -> MapBench:
    early.controller.show_where_next(True)
    wait(early)
    return early


def control_of(bench: MapBench):
    return [mark.value for mark in bench.controller.marks.readable(Kind.CONTROL)]


def rows(bench: MapBench, role: str = "seek"):
    layer = bench.controller.where_next.layer(role)
    names = [field.name() for field in layer.fields()]
    return [dict(zip(names, feature.attributes())) for feature in layer.getFeatures()]


def our_layers() -> List[str]:
    return sorted(layer.name() for layer in result_layers())


def test_the_layers_hold_what_the_core_says(shown: MapBench) -> None:
    tie, control = shown.job.tie, control_of(shown)
    last = tie.pairs[-1].observation
    seek = seek_list(tie, control, start=(last.latitude, last.longitude))
    ranked = next_control(tie, control)
    by_id = {row["control_id"]: row for row in rows(shown)}
    assert set(by_id) == {point.control.id for point in seek.points}
    for point in seek.points:
        row = by_id[point.control.id]
        assert row["seek_no"] == point.order
        assert row["seek_r"] == pytest.approx(point.radius)
        assert row["seek_text"] == point.words(seek.level)
    for mark in ranked.marks:
        assert by_id[mark.control.id]["next_rank"] == mark.rank
        assert by_id[mark.control.id]["next_text"] == ranked.words(mark)
    assert max(row["share"] for row in by_id.values()) == 1.0


def test_circles_lie_round_their_marks_on_the_site_grid(shown: MapBench) -> None:
    layer = shown.controller.where_next.layer("seek_circles")
    control = {point.id: point for point in control_of(shown)}
    features = list(layer.getFeatures())
    assert len(features) == len(rows(shown))
    for feature in features:
        box = feature.geometry().boundingBox()
        mark = control[feature["control_id"]]
        assert (box.center().x(), box.center().y()) == pytest.approx(
            (mark.easting, mark.northing), abs=1e-6)
        assert box.width() == pytest.approx(2.0 * feature["seek_r"], rel=1e-3)
    assert layer.crs().isValid()


def test_a_mark_that_is_paired_is_looked_for_no_more(shown: MapBench) -> None:
    before = {row["control_id"] for row in rows(shown)}
    widest = max(row["seek_r"] for row in rows(shown))
    shown.take_pairs("pairs")
    wait(shown)
    after = {row["control_id"] for row in rows(shown)}
    assert after < before
    shown.job.undo_stack.undo()
    wait(shown)
    assert {row["control_id"] for row in rows(shown)} == before
    assert max(row["seek_r"] for row in rows(shown)) == widest


def test_nothing_piles_up(shown: MapBench) -> None:
    layers, ids = our_layers(), {layer.id() for layer in result_layers()}
    for role in (Role.CHECK, Role.FIT, Role.IDLE, Role.FIT):
        shown.job.set_role([0], ["vertical"], role)
    wait(shown)
    assert our_layers() == layers
    assert {layer.id() for layer in result_layers()} == ids
    for _ in range(3):
        shown.controller.show_where_next(False)
        assert shown.controller.where_next.layer("seek") is None
        assert len(our_layers()) == len(layers) - 2
        shown.controller.show_where_next(True)
        wait(shown)
    assert our_layers() == layers


def test_results_come_and_go_beside_it(shown: MapBench) -> None:
    """Both keep their layers in one group, and neither takes the other's away."""
    shown.controller.show_results(False)
    shown.controller.show_results(True)
    shown.controller.show_results(False)
    assert len(our_layers()) == 2
    assert len(rows(shown)) == 11
    shown.controller.show_where_next(False)
    assert our_layers() == []
    assert "Sitetie" not in [g.name() for g in shown.project.layerTreeRoot().findGroups()]


def test_taken_off_in_the_layer_tree_it_is_off(shown: MapBench) -> None:
    told: List[bool] = []
    shown.controller.where_next_changed.connect(told.append)
    where = shown.controller.where_next
    shown.project.removeMapLayers([where.layer("seek").id(), where.layer("seek_circles").id()])
    assert not where.shown
    assert told == [False]
    shown.job.set_role([0], ["vertical"], Role.IDLE)
    QTest.qWait(250)
    assert where.layer("seek") is None


def test_without_a_solution_the_layers_are_empty(shown: MapBench) -> None:
    shown.job.remove_pairs([0])
    wait(shown)
    assert rows(shown) == []
    dialog = shown.controller._where_dialog
    assert dialog.table.rowCount() == 0
    assert "no solution" in dialog.now.words


def test_a_project_with_it_is_opened_again(shown: MapBench, tmp_path: Path) -> None:
    path = str(tmp_path / "job.qgz")
    state = shown.job.state
    assert shown.project.write(path)
    shown.project.clear()
    shown.settle()
    assert shown.project.read(path)
    shown.job.open(state)
    wait(shown)
    assert shown.controller.where_next.shown
    assert len(rows(shown)) == 11
    assert len([name for name in our_layers() if "Search circles" in name]) == 1


# -- the words -------------------------------------------------------------------------------


def test_the_dialog_says_what_each_would_bring(shown: MapBench) -> None:
    dialog: WhereNextDialog = shown.controller._where_dialog
    ranked = shown.controller.where_next.found.ranked
    assert dialog.isVisible()
    assert dialog.now.words == f"Now: {ranked.now_words()}"
    assert dialog.table.rowCount() == 11
    for row, mark in enumerate(ranked.marks):
        assert dialog.table.item(row, 0).text() == str(mark.rank)
        assert dialog.table.item(row, 1).text() == mark.control.id
        assert dialog.table.item(row, 4).text() == length_words(
            mark.uncertainty["horizontal"].worst, METRE)
        assert dialog.table.item(row, 6).text() == "none"
    assert dialog.detail.words.startswith(ranked.words(ranked.marks[0]))
    assert "a walk of" in dialog.walk.words


def test_a_row_selects_its_mark_on_the_map(shown: MapBench) -> None:
    dialog = shown.controller._where_dialog
    item = dialog.table.item(2, 4)
    QTest.mouseClick(dialog.table.viewport(), Qt.MouseButton.LeftButton,
                     Qt.KeyboardModifier.NoModifier, dialog.table.visualItemRect(item).center())
    selected = [f["control_id"] for f in shown.controller.where_next.layer(
        "seek").selectedFeatures()]
    assert selected == [dialog.table.item(2, 1).text()]
    found = shown.controller.where_next.found
    assert dialog.detail.words.startswith(found.ranked.words(found.ranked.marks[2]))


def test_a_work_area_and_another_begin_of_the_walk(shown: MapBench) -> None:
    dialog = shown.controller._where_dialog
    road = memory_layer("Polygon", "", [(
        "POLYGON((2200 4600, 2300 4600, 2300 4650, 2200 4650, 2200 4600))",)], "haul road")
    QgsProject.instance().addMapLayer(road)
    place = dialog.area.findText("haul road")
    assert place > 0
    dialog.area.setCurrentIndex(place)
    dialog.area.activated.emit(place)
    assert dialog.now.words == "Computing…"
    wait(shown)
    assert "over “haul road”" in dialog.now.words
    dialog.begin.setCurrentIndex(1)
    dialog.begin.activated.emit(1)
    wait(shown)
    found = shown.controller.where_next.found
    assert not found.seek.from_crew
    QgsProject.instance().removeMapLayer(road.id())
    wait(shown)
    assert "over the site" in dialog.now.words


@pytest.mark.parametrize(("button", "ending", "start"), [
    ("save_gpx", ".gpx", b"<?xml"), ("save_csv", ".csv", b"\xef\xbb\xbfseek_no,"),
])
def test_it_is_saved_as_a_file(
    shown: MapBench, tmp_path: Path, monkeypatch, button: str, ending: str, start: bytes
) -> None:
    dialog = shown.controller._where_dialog
    place = tmp_path / "seek"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(place), ""))
    QTest.mouseClick(getattr(dialog, button), Qt.MouseButton.LeftButton)
    assert (tmp_path / f"seek{ending}").read_bytes().startswith(start)
    assert "Saved as" in dialog.walk.words
    monkeypatch.setattr(
        QFileDialog, "getSaveFileName", lambda *_: (str(tmp_path / "no folder" / "x"), ""))
    QTest.mouseClick(getattr(dialog, button), Qt.MouseButton.LeftButton)
    assert "cannot be written" in dialog.walk.words


def test_what_takes_long_is_told_and_can_be_stopped(shown: MapBench, monkeypatch) -> None:
    told = []
    monkeypatch.setattr(where_next, "PATIENCE", 0)
    shown.controller.computing.connect(told.append)

    def slow(tie, control, area, progress):
        while progress(0.5):
            time.sleep(0.005)
        raise where_next_task.Cancelled()

    monkeypatch.setattr(where_next_task, "next_control", slow)
    shown.controller.where_next.again()
    for _ in range(200):
        shown.settle()
        if told:
            break
        QTest.qWait(10)
    told[0].cancel()
    wait(shown)
    assert shown.said[-1] == "Looking for the next marks was stopped."
    assert rows(shown) == []


def test_unloaded_while_it_computes(shown: MapBench) -> None:
    shown.controller.where_next.again()
    shown.controller.where_next._pause.stop()
    shown.controller.where_next._begin()
    shown.controller.let_go()
    shown.controller = None
    assert result_layers() == []


# -- from the dock ---------------------------------------------------------------------------


def test_the_button_is_offered_when_it_can_serve(bench: MapBench) -> None:
    body = QToolButton()
    actions = DockActions(bench.job, body)
    assert not actions.where_next.isEnabled()
    assert "no solution yet" in actions.where_next.toolTip()
    bench.take_pairs("pairs_first_two")
    bench.job.set_settings(bench.job.state.settings.replace(vertical_model="shift"))
    assert actions.where_next.isEnabled()
    bench.job.change("no layer", bench.job.state.replace(control=None))
    assert "control points" in actions.where_next.toolTip()
    body.deleteLater()
    QApplication.processEvents()
