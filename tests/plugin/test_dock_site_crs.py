"""The menu "Site CRS" by hand: project and layers onto the site and back, and on to a newer tie."""

from __future__ import annotations

from pathlib import Path
from typing import Iterator

import pytest
from qgis.core import QgsApplication, QgsCoordinateReferenceSystem, QgsProject, QgsVectorLayer
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtGui import QDesktopServices
from qgis.PyQt.QtWidgets import QAction, QApplication, QFileDialog, QListWidget, QPushButton

from sitetie.core import Role
from sitetie.plugin.dock.pages import ACCEPTED
from sitetie.plugin.site_crs import tie_of
from sitetie.tests.plugin.processing_runs import memory_layer

from .dock_bench import Bench, bench_fixture, choose_settings, quarry_pairs, quarry_settings


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    assert QgsApplication.createDatabase()
    registry = QgsApplication.coordinateReferenceSystemRegistry()
    for known in registry.userCrsList():
        assert registry.removeUserCrs(known.id)
    for made in bench_fixture():
        choose_settings(made.job, quarry_settings())
        made.job.add_pairs(quarry_pairs("pairs_reviewed"))
        made.dock.show_page(ACCEPTED)
        made.settle()
        yield made
    for known in registry.userCrsList():
        assert registry.removeUserCrs(known.id)


def do(bench: Bench, name: str) -> QAction:
    """Open the menu as its button does, and choose."""
    menu = bench.widget("site_crs_menu")
    menu.aboutToShow.emit()
    action = next(a for a in menu.actions() if a.objectName() == f"sitetie_{name}")
    assert action.isEnabled(), name
    action.trigger()
    bench.settle()
    return action


def add(*layers: QgsVectorLayer) -> None:
    QgsProject.instance().addMapLayers(list(layers))


def design() -> QgsVectorLayer:
    return memory_layer("LineStringZ", "", [["LineStringZ (2000 5000 1, 2100 5100 2)"]], "Design")


def newer(bench: Bench) -> None:
    """Another solution, accepted."""
    bench.job.set_role([0], ["horizontal"], Role.IDLE)
    bench.job.accept("I. Oke", "without the first")
    bench.settle()


def test_there_is_nothing_to_do_before_a_tie_is_accepted(bench: Bench) -> None:
    assert not bench.widget("site_crs").isEnabled()
    assert bench.widget("older_tie").isHidden()
    bench.job.accept("I. Oke", "")
    bench.settle()
    assert bench.widget("site_crs").isEnabled()


def test_project_onto_the_site_grid_and_back(bench: Bench) -> None:
    project = QgsProject.instance()
    project.setTitle("Tannhag quarry")
    project.setCrs(QgsCoordinateReferenceSystem("EPSG:25833"))
    item = bench.job.accept("I. Oke", "")
    do(bench, "put_project_on_site")
    assert tie_of(project.crs()) == item.tie_id[:8]
    assert project.crs().description() == f"Tannhag quarry, site grid, tie 1 ({item.tie_id[:8]})"
    menu = bench.widget("site_crs_menu")
    menu.aboutToShow.emit()
    texts = {a.objectName(): a for a in menu.actions()}
    assert not texts["sitetie_put_project_on_site"].isEnabled()
    assert "EPSG:25833" in texts["sitetie_take_project_back"].text()
    do(bench, "take_project_back")
    assert project.crs().authid() == "EPSG:25833"
    assert "EPSG:25833" in bench.dock.status.words


def test_undo_leaves_the_projects_crs_alone(bench: Bench) -> None:
    bench.job.accept("I. Oke", "")
    bench.job.set_role([0], ["horizontal"], Role.CHECK)
    do(bench, "put_project_on_site")
    before, steps = QgsProject.instance().crs(), bench.job.undo_stack.count()
    bench.job.undo_stack.undo()
    bench.settle()
    assert QgsProject.instance().crs() == before
    assert bench.job.undo_stack.count() == steps


def test_the_way_back_is_kept_with_the_project(bench: Bench, tmp_path: Path) -> None:
    project = QgsProject.instance()
    project.setCrs(QgsCoordinateReferenceSystem("EPSG:25833"))
    bench.job.accept("I. Oke", "")
    do(bench, "put_project_on_site")
    path = str(tmp_path / "job.qgz")
    assert project.write(path)
    project.clear()
    assert project.read(path)
    bench.settle()
    assert len(bench.job.state.accepted) == 1
    assert tie_of(project.crs()) is not None
    do(bench, "take_project_back")
    assert project.crs().authid() == "EPSG:25833"


def test_layers_given_in_site_coordinates_are_offered_and_set(bench: Bench) -> None:
    line = design()
    gnss = memory_layer("Point?crs=EPSG:4258", "", [["Point (14.9 48.8)"]], "GNSS")
    table = QgsVectorLayer("NoGeometry?field=a:int", "Table", "memory")
    add(line, gnss, table)
    item = bench.job.accept("I. Oke", "")
    seen = []

    def choose() -> None:
        dialog = QApplication.activeModalWidget()
        entries = dialog.findChild(QListWidget, "sitetie_site_layers")
        for row in range(entries.count()):
            seen.append((entries.item(row).text(), entries.item(row).checkState()))
        dialog.findChild(QPushButton, "sitetie_site_layers_button").click()

    QTimer.singleShot(0, choose)
    do(bench, "set_site_crs_on_layers")
    assert seen == [("Design: no CRS", Qt.CheckState.Checked),
                    ("GNSS: EPSG:4258", Qt.CheckState.Unchecked)]
    assert tie_of(line.crs()) == item.tie_id[:8]
    assert gnss.crs().authid() == "EPSG:4258"
    assert bench.dock.status.words == "1 layer stands on the site grid of tie 1."


def test_a_newer_tie_says_what_is_left_behind_and_moves_it(bench: Bench) -> None:
    project = QgsProject.instance()
    project.setCrs(QgsCoordinateReferenceSystem("EPSG:25833"))
    line = design()
    add(line)
    first = bench.job.accept("I. Oke", "")
    bench.workbench.site_crs.set_on(first, [line])
    do(bench, "put_project_on_site")
    made = memory_layer("Point", "", [["Point (2000 5000)"]], "Ortho outline")
    add(made)
    made.setCrs(project.crs())  # brought there by somebody, not given so
    assert bench.widget("older_tie").isHidden()
    newer(bench)
    bar = bench.widget("older_tie")
    assert not bar.isHidden()
    words = bench.workbench.site_crs.bar.label.words
    assert words.startswith("Still on an older tie: the project (tie 1), Design (tie 1).")
    assert "Ortho outline (tie 1): if brought onto the site through that tie, make it anew" in words
    button = bench.widget("move_to_newer_tie")
    assert button.text() == "Move to tie 2"
    bench.click(button)
    second = bench.job.state.accepted[-1]
    assert tie_of(project.crs()) == tie_of(line.crs()) == second.tie_id[:8]
    assert tie_of(made.crs()) == first.tie_id[:8]
    assert next(line.getFeatures()).geometry().vertexAt(0).x() == 2000.0
    # The layer that was made stays named, and there is nothing to move any more.
    assert "Design" not in bench.workbench.site_crs.bar.label.words
    assert not button.isVisible()
    do(bench, "take_project_back")
    assert project.crs().authid() == "EPSG:25833"
    project.removeMapLayer(made.id())
    bench.settle()
    assert bar.isHidden()


def test_an_older_tie_can_still_be_chosen(bench: Bench) -> None:
    first = bench.job.accept("I. Oke", "")
    newer(bench)
    panel = bench.dock.accepted
    panel.list.setCurrentItem(panel.list.topLevelItem(1))
    do(bench, "put_project_on_site")
    assert tie_of(QgsProject.instance().crs()) == first.tie_id[:8]
    assert "the project (tie 1)" in bench.workbench.site_crs.bar.label.words


def test_hand_over_is_saved_and_shown(bench: Bench, tmp_path: Path, monkeypatch) -> None:
    bench.job.accept("I. Oke", "")
    monkeypatch.setattr(QFileDialog, "getExistingDirectory", lambda *_: str(tmp_path))
    do(bench, "save_hand_over")
    assert "tie 1" in (tmp_path / "site.wkt").read_text(encoding="utf-8")
    opened = []
    monkeypatch.setattr(QDesktopServices, "openUrl", opened.append)
    do(bench, "show_hand_over")
    page = Path(opened[0].toLocalFile())
    assert "ST_TransformPipeline" in page.read_text(encoding="utf-8").replace("<wbr>", "")
    page.unlink()


def test_nothing_listens_after_unloading(bench: Bench) -> None:
    project = QgsProject.instance()
    before = project.receivers(project.crsChanged)
    bench.workbench.site_crs.let_go()
    assert project.receivers(project.crsChanged) == before - 1
