"""Three hundred actions at random, by seed: nothing breaks, and all of it can be undone."""

from __future__ import annotations

import random
import shutil
import sys
from pathlib import Path
from typing import Callable, Iterator, List

import pytest
from qgis.core import Qgis, QgsApplication, QgsProject
from qgis.PyQt.QtCore import QPoint, Qt
from qgis.PyQt.QtTest import QTest

from sitetie.plugin.job.job_store import job_of_text, job_text

from .dock_bench import (
    SAMPLE,
    Bench,
    bench_fixture,
    choose_settings,
    quarry_pairs,
    quarry_settings,
    seeds,
)

CONTROL, SHIFT = Qt.KeyboardModifier.ControlModifier, Qt.KeyboardModifier.ShiftModifier


class Monkey:
    """Does one thing after another with the dock and the map."""

    def __init__(self, bench: Bench, seed: int, path: str) -> None:
        self.bench, self.chance, self.path = bench, random.Random(seed), path
        self.pool = quarry_pairs()
        self.actions: List[Callable[[], None]] = [
            self.add, self.add, self.choose_rows, self.choose_rows, self.role, self.role,
            self.role, self.undo, self.undo, self.redo, self.delete, self.filter, self.sort,
            self.setting, self.setting, self.accept, self.page, self.resize, self.copy,
            self.map_tool, self.map_click, self.map_click, self.residuals, self.headline,
            self.layer, self.layer_gone, self.save_and_open,
        ]

    def act(self) -> str:
        action = self.chance.choice(self.actions)
        action()
        self.bench.settle()
        return action.__name__

    def add(self) -> None:
        there = {pair.observation.id for pair in self.bench.job.state.pairs}
        fresh = [pair for pair in self.pool if pair.observation.id not in there]
        if fresh:
            self.bench.job.add_pairs(self.chance.sample(fresh, min(3, len(fresh))))

    def choose_rows(self) -> None:
        rows = self.bench.view.model().rowCount()
        if rows and self.bench.view.isVisible():
            self.bench.click_cell(self.chance.randrange(rows), self.chance.choice((0, 1, 4, 7)),
                                  self.chance.choice((Qt.KeyboardModifier.NoModifier, SHIFT,
                                                      CONTROL)))

    def role(self) -> None:
        self.bench.press(self.bench.view, self.chance.choice(
            (Qt.Key.Key_F, Qt.Key.Key_C, Qt.Key.Key_I)))

    def undo(self) -> None:
        self.bench.press(self.bench.dock.body, Qt.Key.Key_Z, CONTROL)

    def redo(self) -> None:
        self.bench.press(self.bench.dock.body, Qt.Key.Key_Y, CONTROL)

    def delete(self) -> None:
        self.bench.press(self.bench.view, Qt.Key.Key_Delete)

    def filter(self) -> None:
        self.bench.dock.pairs.filter.setText(self.chance.choice(("", "", "K0", "fit", "zzz")))

    def sort(self) -> None:
        self.bench.view.sortByColumn(self.chance.randrange(-1, 13), self.chance.choice(
            (Qt.SortOrder.AscendingOrder, Qt.SortOrder.DescendingOrder)))

    def setting(self) -> None:
        rows = self.bench.dock.settings._rows
        row = self.chance.choice([row for row in rows if hasattr(row, "field")])
        field = row.field
        values = [value for _, value in field.choices] or ["", "5", "0", "x", "50", "EPSG:4258"]
        row.enter(self.chance.choice(values))

    def accept(self) -> None:
        if self.bench.job.tie is not None:
            self.bench.job.accept("A. Surveyor", "")

    def page(self) -> None:
        tabs = self.bench.dock.tabs
        tabs.setCurrentIndex(self.chance.randrange(tabs.count()))

    def resize(self) -> None:
        self.bench.window.resize(self.chance.randrange(900, 1900), self.chance.randrange(600, 1100))

    def copy(self) -> None:
        self.bench.press(self.bench.view, Qt.Key.Key_C, CONTROL)

    def map_tool(self) -> None:
        self.bench.dock.actions_.pair_on_map.trigger()

    def map_click(self) -> None:
        viewport = self.bench.iface.canvas.viewport()
        at = QPoint(self.chance.randrange(max(viewport.width(), 1)),
                    self.chance.randrange(max(viewport.height(), 1)))
        QTest.mouseMove(viewport, at)
        QTest.mouseClick(viewport, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier, at)

    def residuals(self) -> None:
        self.bench.dock.actions_.residuals_on_map.trigger()

    def headline(self) -> None:
        label = self.bench.dock.headline.label
        if self.bench.job.state.pairs and "href" in label.text():
            label.linkActivated.emit(label.text().split('href="')[1].split('"')[0])

    def layer(self) -> None:
        choice = self.bench.dock.layers.choice(self.chance.choice(("control", "observations")))
        choice.box.setCurrentIndex(self.chance.randrange(choice.box.count()))
        choice.box.activated.emit(choice.box.currentIndex())

    def layer_gone(self) -> None:
        layers = [layer for layer in QgsProject.instance().mapLayers().values()
                  if layer.name() in ("Topo points", "Shots at marks", "Control points")]
        if layers and self.chance.random() < 0.3:
            QgsProject.instance().removeMapLayer(self.chance.choice(layers).id())

    def save_and_open(self) -> None:
        if self.chance.random() < 0.2:
            assert QgsProject.instance().write(self.path)
            QgsProject.instance().clear()
            assert QgsProject.instance().read(self.path)


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    yield from bench_fixture()


@pytest.mark.parametrize("seed", seeds("1,2"))
def test_three_hundred_actions(
    bench: Bench, seed: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    raised, logged = [], []
    monkeypatch.setattr(sys, "excepthook", lambda *what: raised.append(what))

    def keep(message: str, tag: str, level: Qgis.MessageLevel) -> None:
        if "sitetie" in message.lower() or "Traceback" in message:
            logged.append(message)

    QgsApplication.messageLog().messageReceived[str, str, Qgis.MessageLevel].connect(keep)
    shutil.copytree(SAMPLE / "quarry", tmp_path / "quarry")
    shutil.copy(SAMPLE / "quarry.qgz", tmp_path)
    assert QgsProject.instance().read(str(tmp_path / "quarry.qgz"))
    choose_settings(bench.job, quarry_settings())
    monkey = Monkey(bench, seed, str(tmp_path / "job.qgz"))
    done, solved = [], 0
    for _ in range(300):
        done.append(monkey.act())
        assert raised == [], (done[-3:], raised)
        state = bench.job.state
        assert bench.view.pairs.rowCount() == len(state.pairs)
        if bench.job.tie is not None:
            solved += 1
            assert len(bench.job.tie.rows) == len(state.pairs)
    assert job_of_text(job_text(bench.job.state)) == bench.job.state
    last = bench.job.state
    steps = bench.job.undo_stack.index()
    for _ in range(steps):
        bench.job.undo_stack.undo()
    for _ in range(steps):
        bench.job.undo_stack.redo()
    assert bench.job.state == last
    QgsApplication.messageLog().messageReceived[str, str, Qgis.MessageLevel].disconnect(keep)
    assert logged == []
    assert set(done) == {action.__name__ for action in monkey.actions}
    assert solved > 60
