"""Three hundred things a person may do, in random order: no error, and nothing left behind."""

from __future__ import annotations

import random
from typing import Callable, List

import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsProject
from qgis.gui import QgsMapToolPan
from qgis.PyQt.QtCore import QPoint, Qt, QTimer
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication

from sitetie.core import Role
from sitetie.plugin.job.state import JobState
from sitetie.plugin.map.map_marks import Kind

from .dock_bench import seeds
from .map_bench import EVERYTHING, SAMPLE, MapBench, bench, quarry_pairs

__all__ = ["bench"]
ACTIONS = 300
KEYS = (Qt.Key.Key_Escape, Qt.Key.Key_Return, Qt.Key.Key_N, Qt.Key.Key_Space, Qt.Key.Key_Delete)


class Person:
    """Draws what to do next."""

    def __init__(self, at: MapBench, seed: int) -> None:
        self.at, self.draw = at, random.Random(seed)
        self.pan = QgsMapToolPan(at.canvas)
        self.done: List[str] = []
        often: List[Callable] = [self.point, self.point, self.point, self.press, self.move]
        seldom: List[Callable] = [
            self.start, self.start, self.other_tool, self.undo, self.redo, self.role, self.select,
            self.zoom, self.take_out, self.results, self.type_position, self.by_ids,
            self.by_nearest, self.by_geometry, self.pick_arrow, self.pick_mark, self.hide_layer,
            self.remove_layer, self.close_project, self.take_pairs, self.other_crs, self.surface,
            self.remove_result,
        ]
        self.actions = often * 4 + seldom

    def act(self) -> None:
        action = self.draw.choice(self.actions)
        self.done.append(action.__name__)
        action()
        self.at.settle()

    # -- mouse and keys -------------------------------------------------------------------------

    def _place(self) -> QPoint:
        """On a mark, more often than not; else anywhere."""
        kind = self.draw.choice(list(Kind))
        if self.draw.random() < 0.8 and not self.at.controller.marks.problem(kind):
            marks = [m for m in self.at.controller.marks.readable(kind) if m.point is not None]
            return self.at.pixel(self.draw.choice(marks))
        return QPoint(self.draw.randrange(1200), self.draw.randrange(640))

    def point(self) -> None:
        button = Qt.MouseButton.LeftButton
        # With other tools the right button opens QGIS's own menu, which waits for an answer.
        if self.at.canvas.mapTool() is self.at.tool and self.draw.random() < 0.1:
            button = Qt.MouseButton.RightButton
        self.at.click(self._place(), button)

    def move(self) -> None:
        self.at.hover(self._place())

    def press(self) -> None:
        self.at.press(self.draw.choice(KEYS))

    # -- tools and dialogs ----------------------------------------------------------------------

    def start(self) -> None:
        self.at.controller.start_pairing()

    def other_tool(self) -> None:
        self.at.canvas.setMapTool(self.pan)

    def type_position(self) -> None:
        self.at.controller.type_position()
        form = self.at.controller._typing
        form.way.setCurrentIndex(self.draw.randrange(3))
        for line, _ in form.fields.values():
            line.setText(self.draw.choice(["48.79", "14.93", "x", "", "48 47 10 N", "4068519.8"]))
        for button in (form.take_reading, form.show_point, form.pair):
            if self.draw.random() < 0.5 and button.isEnabled():
                QTest.mouseClick(button, Qt.MouseButton.LeftButton)
        if self.draw.random() < 0.7:
            form.close()

    def _in_dialog(self, open_dialog: Callable[[], None]) -> None:
        agreed = self.draw.random() < 0.3

        def answer() -> None:
            dialog = QApplication.activeModalWidget()
            if dialog is None:
                return
            pair = getattr(dialog, "pair_button", None)
            if agreed and pair is not None and pair.isEnabled():
                QTest.mouseClick(pair, Qt.MouseButton.LeftButton)
            if dialog.isVisible():
                dialog.reject()

        QTimer.singleShot(0, answer)
        open_dialog()

    def by_ids(self) -> None:
        self._in_dialog(self.at.controller.pair_by_ids)

    def by_nearest(self) -> None:
        self._in_dialog(self.at.controller.pair_by_nearest)

    def by_geometry(self) -> None:
        self._in_dialog(self.at.controller.pair_by_geometry)

    def surface(self) -> None:
        if self.at.job.tie is not None:
            self.at.controller.surfaces.make(self.at.job.tie, "", None)

    # -- the job --------------------------------------------------------------------------------

    def undo(self) -> None:
        self.at.job.undo_stack.undo()

    def redo(self) -> None:
        self.at.job.undo_stack.redo()

    def take_pairs(self) -> None:
        self.at.take_pairs(self.draw.choice(["pairs", "pairs_reviewed", "pairs_first_two"]))

    def _places(self) -> List[int]:
        count = len(self.at.job.state.pairs)
        return sorted(self.draw.sample(range(count), self.draw.randint(0, min(count, 4))))

    def role(self) -> None:
        places = self._places()
        if places:
            sides = self.draw.choice([["horizontal"], ["vertical"], ["horizontal", "vertical"]])
            self.at.job.set_role(places, sides, self.draw.choice(list(Role)))

    def take_out(self) -> None:
        places = self._places()
        if places:
            self.at.job.remove_pairs(places)

    def select(self) -> None:
        self.at.controller.select([*self._places(), *([99] if self.draw.random() < 0.2 else [])])

    def zoom(self) -> None:
        self.at.controller.zoom_to(self._places())
        if self.draw.random() < 0.7:
            self.at.look_at(EVERYTHING)

    # -- layers and projects --------------------------------------------------------------------

    def results(self) -> None:
        self.at.controller.show_results(self.draw.random() < 0.6)

    def _result(self):
        role = self.draw.choice(["arrows", "triangles", "ellipses", "hull", "outside"])
        return self.at.controller.results.layer(role)

    def pick_arrow(self) -> None:
        layer = self._result()
        if layer is not None and layer.featureCount():
            layer.selectByIds([self.draw.choice([f.id() for f in layer.getFeatures()])])

    def pick_mark(self) -> None:
        kind = self.draw.choice(list(Kind))
        layer = self.at.controller.marks.layer(kind)
        if layer is not None:
            layer.selectByIds([self.draw.randrange(20)])

    def remove_result(self) -> None:
        layer = self._result()
        if layer is not None:
            QgsProject.instance().removeMapLayer(layer.id())

    def hide_layer(self) -> None:
        there = [layer for layer in (self.at.controller.marks.layer(kind) for kind in Kind)
                 if layer is not None]
        self.at.canvas.setLayers([layer for layer in there if self.draw.random() < 0.8])

    def other_crs(self) -> None:
        project = QgsProject.instance()
        crs = self.draw.choice([project.crs(), QgsCoordinateReferenceSystem("EPSG:25833"),
                                QgsCoordinateReferenceSystem()])
        self.at.canvas.setDestinationCrs(crs)

    def remove_layer(self) -> None:
        layer = self.at.controller.marks.layer(self.draw.choice(list(Kind)))
        if layer is not None:
            QgsProject.instance().removeMapLayer(layer.id())
        self._open_again()

    def close_project(self) -> None:
        QgsProject.instance().clear()
        self.at.job.open(JobState())
        self.at.settle()
        self._open_again()

    def _open_again(self) -> None:
        """Some steps without layers, then the sample once more."""
        for _ in range(self.draw.randint(0, 3)):
            self.draw.choice([self.press, self.move, self.start, self.select, self.point])()
        assert QgsProject.instance().read(str(SAMPLE / "quarry.qgz"))
        self.at.canvas.setDestinationCrs(QgsProject.instance().crs())
        self.at.choose_layers()
        self.at.look_at(EVERYTHING)


@pytest.mark.parametrize("seed", seeds("1,2,3"))
def test_three_hundred_actions(bench: MapBench, seed: int) -> None:
    """The bench itself looks for errors, and for what is left on the canvas, at its end."""
    person = Person(bench, seed)
    for _ in range(ACTIONS):
        person.act()
        assert bench.errors == [], person.done[-6:]
    assert len(set(person.done)) > 20
    groups = [group.name() for group in QgsProject.instance().layerTreeRoot().findGroups()]
    assert groups.count("Sitetie") <= 1
    own = [layer for layer in QgsProject.instance().mapLayers().values()
           if layer.customProperty("sitetie/result")]
    assert len(own) <= 5
    bench.controller.let_go()
    bench.controller = None
    assert [layer for layer in QgsProject.instance().mapLayers().values()
            if layer.customProperty("sitetie/result")] == []
    assert "Sitetie" not in [
        group.name() for group in QgsProject.instance().layerTreeRoot().findGroups()]
    bench.canvas.unsetMapTool(person.pan)


def test_coming_and_going_again_and_again(bench: MapBench) -> None:
    """Ten times made and let go: the canvas, the project and the job keep nothing."""
    from sitetie.plugin.map.controller import MapController

    bench.controller.let_go()
    bench.controller = None
    listeners = bench.job.receivers(bench.job.changed)
    layers = len(QgsProject.instance().mapLayers())
    for _ in range(10):
        made = MapController(bench.job, bench.canvas)
        made.start_pairing()
        bench.job.open(bench.job.state.replace(pairs=tuple(quarry_pairs("pairs_reviewed"))))
        made.select([1, 2])
        made.type_position()
        made.let_go()
        bench.job.open(bench.job.state.replace(pairs=()))
    assert bench.left_on_canvas() == 0
    assert bench.job.receivers(bench.job.changed) == listeners
    assert len(QgsProject.instance().mapLayers()) == layers
