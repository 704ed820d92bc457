"""The dock is made when it is first wanted, remembers where it was, and leaves nothing behind."""

from __future__ import annotations

import gc
from pathlib import Path
from typing import Iterator, List

import pytest
from qgis.core import QgsApplication, QgsProject, QgsSettings
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QAction, QApplication, QDockWidget, QWidget

from sitetie import classFactory
from sitetie.plugin.dock.workbench import OPEN_SETTING

from .dock_bench import Bench, bench_fixture, choose_settings, quarry_pairs, quarry_settings
from .test_load_unload import Window


def settle() -> None:
    QApplication.processEvents()
    QApplication.sendPostedEvents(None, 52)  # QEvent::DeferredDelete
    QApplication.processEvents()


def traces(window) -> List[str]:
    """Everything in the window that is called after the plugin."""
    return sorted(
        thing.objectName() for kind in (QAction, QDockWidget, QWidget)
        for thing in window.findChildren(kind) if "sitetie" in thing.objectName().lower()
    )


@pytest.fixture
def iface(qgis_app) -> Iterator[Window]:
    QgsProject.instance().clear()
    QgsSettings().remove("sitetie")
    made = Window()
    made.window.resize(1300, 900)
    made.window.show()
    yield made
    made.window.close()
    QgsSettings().remove("sitetie")


def test_opened_used_and_unloaded_again_and_again(iface: Window) -> None:
    project = QgsProject.instance()
    signals = (project.readProject, project.writeProject, project.cleared, project.layersAdded,
               project.layersRemoved)
    listening = [project.receivers(signal) for signal in signals]
    for _ in range(3):
        plugin = classFactory(iface)
        plugin.initGui()
        assert plugin.workbench is None
        plugin.dock_action.trigger()
        settle()
        assert iface.window.findChild(QDockWidget, "sitetie_dock").isVisible()
        choose_settings(plugin.workbench.job, quarry_settings())
        plugin.workbench.job.add_pairs(quarry_pairs())
        plugin.workbench.dock.actions_.residuals_on_map.trigger()
        settle()
        plugin.unload()
        settle()
        gc.collect()
        assert traces(iface.window) == []
        assert [project.receivers(signal) for signal in signals] == listening
        assert iface.menu == iface.toolbar == iface.shortcuts == []
        assert QgsApplication.processingRegistry().providerById("sitetie") is None
        project.clear()


def test_a_job_outlives_a_reload_of_the_plugin(iface: Window) -> None:
    plugin = classFactory(iface)
    plugin.initGui()
    plugin.open_dock()
    choose_settings(plugin.workbench.job, quarry_settings())
    plugin.workbench.job.add_pairs(quarry_pairs())
    state = plugin.workbench.job.state
    plugin.unload()
    settle()
    again = classFactory(iface)
    again.initGui()
    again.open_dock()
    assert again.workbench.job.state == state
    again.unload()
    QgsProject.instance().clear()


def test_the_action_shows_and_hides_the_dock(iface: Window) -> None:
    plugin = classFactory(iface)
    plugin.initGui()
    plugin.dock_action.trigger()
    settle()
    dock = plugin.workbench.dock
    assert dock.isVisible()
    assert plugin.dock_action.isChecked()
    plugin.dock_action.trigger()
    settle()
    assert dock.isHidden()
    assert not plugin.dock_action.isChecked()
    plugin.dock_action.trigger()
    settle()
    assert dock.isVisible()
    assert plugin.workbench.dock is dock
    plugin.unload()


def test_the_dock_opens_by_itself_where_it_was_left_open(iface: Window) -> None:
    plugin = classFactory(iface)
    plugin.initGui()
    plugin.open_dock()
    settle()
    iface.window.addDockWidget(Qt.DockWidgetArea.LeftDockWidgetArea, plugin.workbench.dock)
    place = iface.window.saveState()
    plugin.unload()
    settle()
    assert QgsSettings().value(OPEN_SETTING, type=bool) is True
    iface.window.restoreState(place)
    again = classFactory(iface)
    again.initGui()
    assert again.workbench is None
    settle()
    dock = again.workbench.dock
    assert iface.window.dockWidgetArea(dock) == Qt.DockWidgetArea.LeftDockWidgetArea
    dock.hide()
    settle()
    assert QgsSettings().value(OPEN_SETTING, type=bool) is False
    again.unload()


def test_unload_before_it_could_open_by_itself(iface: Window) -> None:
    QgsSettings().setValue(OPEN_SETTING, True)
    plugin = classFactory(iface)
    plugin.initGui()
    plugin.unload()
    settle()
    assert plugin.workbench is None
    assert traces(iface.window) == []


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    yield from bench_fixture()


def test_the_pairs_find_their_place_in_every_shape(bench: Bench) -> None:
    choose_settings(bench.job, quarry_settings())
    bench.job.add_pairs(quarry_pairs())
    dock, text = bench.dock, bench.dock.fontMetrics().height()
    dock.setFloating(True)
    for width, height, in_tab, lying in (
        (30, 36, True, False), (34, 70, False, False), (90, 30, False, True), (30, 30, True, False),
    ):
        dock.resize(width * text, height * text)
        bench.settle()
        tabs = [dock.tabs.tabText(place) for place in range(dock.tabs.count())]
        assert ("Pairs" in tabs) == in_tab
        assert bench.view.isVisible()
        if not in_tab:
            assert (dock.split.orientation() == Qt.Orientation.Horizontal) == lying


def test_a_project_opened_with_the_dock_open(bench: Bench, tmp_path: Path) -> None:
    project = QgsProject.instance()
    choose_settings(bench.job, quarry_settings())
    bench.job.add_pairs(quarry_pairs())
    state = bench.job.state
    assert project.write(str(tmp_path / "job.qgz"))
    project.clear()
    bench.settle()
    assert bench.view.model().rowCount() == 0
    assert bench.dock.headline.label.text().startswith("<b>No pairs yet.")
    assert project.read(str(tmp_path / "job.qgz"))
    bench.settle()
    assert bench.job.state == state
    assert bench.view.model().rowCount() == 17
