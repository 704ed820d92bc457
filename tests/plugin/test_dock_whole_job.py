"""The whole job by mouse and keyboard: from two layers to an accepted tie and a restated layer,
back to the empty dock step by step, and forth again to the same tie."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Iterator

import pytest
from qgis.core import QgsApplication, QgsCoordinateTransform, QgsProject, QgsRectangle
from qgis.PyQt.QtCore import QPoint, Qt
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import (
    QAction,
    QComboBox,
    QDialog,
    QListWidget,
    QPushButton,
    QTableWidget,
    QWidget,
)

from sitetie.core import Role, solve
from sitetie.plugin.dock.pair_columns import KEYS
from sitetie.plugin.processing.provider import SitetieProvider

from .dock_bench import SAMPLE, Bench, bench_fixture, quarry_pairs
from .test_dock_accept import accept, in_dialog, wait_for

CONTROL = Qt.KeyboardModifier.ControlModifier
MARKS = {"Control points": "control_id", "Shots at marks": "observation_id"}


@pytest.fixture
def bench(qgis_app, tmp_path: Path) -> Iterator[Bench]:
    """The sample's project with an empty dock beside its map."""
    provider = SitetieProvider()
    assert QgsApplication.processingRegistry().addProvider(provider)
    shutil.copytree(SAMPLE / "quarry", tmp_path / "quarry")
    shutil.copy(SAMPLE / "quarry.qgz", tmp_path)
    made = bench_fixture()
    at = next(made)
    project = QgsProject.instance()
    assert project.read(str(tmp_path / "quarry.qgz"))
    at.window.resize(1700, 950)
    canvas = at.iface.canvas
    canvas.setLayers([project.mapLayersByName(name)[0] for name in MARKS])
    canvas.setDestinationCrs(project.crs())
    at.settle()
    canvas.setExtent(QgsRectangle(1330.0, 4150.0, 4180.0, 5670.0))  # control and observations
    at.settle()
    yield at
    next(made, None)
    QgsApplication.processingRegistry().removeProvider(provider)


def choose(bench: Bench, box: QComboBox, words: str) -> None:
    """With the arrow keys, as far as the entry that begins with these words."""
    box.setFocus()
    while not box.currentText().startswith(words):
        place = next(i for i in range(box.count()) if box.itemText(i).startswith(words))
        bench.press(box, Qt.Key.Key_Down if box.currentIndex() < place else Qt.Key.Key_Up)


def open_tab(bench: Bench, title: str) -> None:
    bar = bench.dock.tabs.tabBar()
    place = next(i for i in range(bar.count()) if bar.tabText(i) == title)
    bench.click(bar, bar.tabRect(place).center())


def point_at(bench: Bench, layer: str, name: str) -> None:
    """Click a mark on the map; of several at one place step on to it."""
    canvas = bench.iface.canvas
    source = QgsProject.instance().mapLayersByName(layer)[0]
    feature = next(item for item in source.getFeatures() if item[MARKS[layer]] == name)
    change = QgsCoordinateTransform(
        source.crs(), canvas.mapSettings().destinationCrs(), QgsProject.instance())
    pixel = canvas.getCoordinateTransform().transform(
        change.transform(feature.geometry().asPoint()))
    at = QPoint(round(pixel.x()), round(pixel.y()))
    QTest.mouseMove(canvas.viewport(), at)
    bench.settle()
    label = bench.workbench.map_link.map.tool.label
    for _ in range(20):
        if name in label.text().split("\n")[0].replace(":", " ").split():
            break
        bench.press(canvas, Qt.Key.Key_N)
    bench.click(canvas.viewport(), at)


def choose_in_menu(bench: Bench, button: QWidget, action: QAction) -> None:
    menu = button.menu()
    menu.popup(bench.window.mapToGlobal(QPoint(100, 100)))
    bench.settle()
    QTest.mouseClick(menu, Qt.MouseButton.LeftButton, Qt.KeyboardModifier.NoModifier,
                     menu.actionGeometry(action).center())
    bench.settle()


def row_of(bench: Bench, control: str) -> int:
    return bench.cells(KEYS.index("control")).index(control)


def pair_all(bench: Bench) -> None:
    """Three marks by pointing at them, the rest by their ids."""
    bench.click(bench.widget("pair_button"))
    for control, observation in (("K01", "K01-1"), ("K05", "K05-1")):
        point_at(bench, "Control points", control)
        point_at(bench, "Shots at marks", observation)
    point_at(bench, "Shots at marks", "ST-K08")  # in either order
    point_at(bench, "Control points", "K08")
    bench.press(bench.iface.canvas, Qt.Key.Key_Escape)
    assert [pair.name for pair in bench.job.state.pairs] == [
        "K01 = K01-1", "K05 = K05-1", "K08 = ST-K08"]

    def take(dialog: QDialog) -> None:
        table = dialog.findChild(QTableWidget)
        ticked = [row for row in range(table.rowCount())
                  if table.item(row, 0).checkState() == Qt.CheckState.Checked]
        assert len(ticked) == 14  # all but the float shot
        bench.click(dialog.findChild(QPushButton, "sitetie_id_rule_pair"))

    in_dialog(take)
    choose_in_menu(bench, bench.widget("pair_button"), bench.dock.actions_.pair_by_ids)


def review(bench: Bench) -> None:
    """The blunder idle, a height that does not belong idle, two marks withheld."""
    for control, column, key in (
        ("K08", "control", Qt.Key.Key_I), ("K09", "role_vertical", Qt.Key.Key_I),
        ("K06", "verdict", Qt.Key.Key_C), ("K10", "control", Qt.Key.Key_C),
    ):
        bench.click_cell(row_of(bench, control), KEYS.index(column))
        bench.press(bench.view, key)


def restate(bench: Bench) -> None:
    def tick(dialog: QDialog) -> None:
        entries = dialog.findChild(QListWidget, "sitetie_restate_layers")
        row = next(i for i in range(entries.count()) if entries.item(i).text() == "Topo points")
        entries.setCurrentRow(row)
        bench.press(entries, Qt.Key.Key_Space)
        bench.click(dialog.findChild(QPushButton, "sitetie_restate_button"))

    in_dialog(tick)
    bench.click(bench.widget("restate"))
    wait_for(lambda: not bench.workbench.restating.busy)


def test_from_two_layers_to_a_restated_layer_and_back_and_forth(bench: Bench) -> None:
    open_tab(bench, "Layers")
    choose(bench, bench.widget("control_layer"), "Control points")
    choose(bench, bench.widget("observations_layer"), "Shots at marks")
    open_tab(bench, "Site settings")
    choose(bench, bench.widget("site_unit"), "metre")
    choose(bench, bench.widget("vertical_model"), "tilted plane")
    tolerance = bench.widget("tolerance_h")
    tolerance.setFocus()
    QTest.keyClicks(tolerance, "0.03")
    bench.press(tolerance, Qt.Key.Key_Return)
    pair_all(bench)
    assert "K08 (horizontally" in bench.dock.headline.label.accessibleDescription()
    review(bench)
    assert bench.dock.headline.label.accessibleDescription().startswith(
        "14 pairs fit, 2 check, 1 idle.")

    # The same as the core finds from the sample's own table of reviewed pairs.
    state, tie = bench.job.state, bench.job.tie
    table = {pair.observation.id: pair for pair in quarry_pairs("pairs_reviewed")}
    assert {pair.observation.id: (pair.control.id, pair.horizontal, pair.vertical)
            for pair in state.pairs} == {
        name: (pair.control.id, pair.horizontal, pair.vertical) for name, pair in table.items()}
    expected = solve([table[pair.observation.id] for pair in state.pairs], state.settings)
    assert tie.to_site(48.79, 14.93, 550.0) == pytest.approx(
        expected.to_site(48.79, 14.93, 550.0), abs=1e-9)

    seen = accept(bench, looked=bool(bench.dock.headline.label.text().count("see why")))
    assert seen["title"] == "Accept tie 1"
    assert bench.job.state.accepted[0].tie_id == tie.id
    restate(bench)
    restated = QgsProject.instance().mapLayersByName("Topo points, tie 1")[0]
    assert restated.featureCount() == 255
    for feature in list(restated.getFeatures())[::25]:
        place = feature.geometry().constGet()
        assert (feature["site_e"], feature["site_n"], feature["site_z"]) == tie.to_site(
            place.y(), place.x(), place.z())

    steps, kept = bench.job.undo_stack.count(), bench.job.state
    assert steps >= 13  # layers 2, settings 3, pairs 4, roles 4, and what the arrow keys passed by
    for _ in range(steps):
        bench.press(bench.dock.body, Qt.Key.Key_Z, CONTROL)
    assert bench.job.state.pairs == ()
    assert bench.job.state.control is None
    assert not bench.job.state.units_chosen
    assert bench.job.tie is None
    assert bench.dock.headline.label.text().startswith("<b>No pairs yet.")
    assert len(bench.job.state.accepted) == 1  # what was accepted stays
    for _ in range(steps):
        bench.press(bench.dock.body, Qt.Key.Key_Y, CONTROL)
    assert bench.job.state == kept
    assert bench.job.tie.id == tie.id
    assert bench.dock.headline.label.text().startswith("<b>Tie 1, accepted.")
    assert [pair.horizontal for pair in bench.job.state.pairs].count(Role.CHECK) == 2
