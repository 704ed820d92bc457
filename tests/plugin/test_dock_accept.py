"""From a solution to an accepted tie, a restated layer and saved files, by hand in the dock."""

from __future__ import annotations

import math
import shutil
import time
from pathlib import Path
from typing import Callable, Iterator

import pytest
from qgis.core import QgsApplication, QgsProject, QgsVectorLayer
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtGui import QDesktopServices
from qgis.PyQt.QtWidgets import (
    QApplication,
    QCheckBox,
    QDialog,
    QFileDialog,
    QLineEdit,
    QListWidget,
    QPlainTextEdit,
    QPushButton,
    QTextBrowser,
)

from sitetie.core import Role, Tie, read_pairs, solve
from sitetie.core.tie_file import dumps
from sitetie.plugin.processing.provider import SitetieProvider

from .dock_bench import (
    QUARRY,
    SAMPLE,
    Bench,
    bench_fixture,
    choose_settings,
    quarry_pairs,
    quarry_settings,
)


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    yield from bench_fixture()


@pytest.fixture
def reviewed(bench: Bench) -> Bench:
    choose_settings(bench.job, quarry_settings())
    bench.job.add_pairs(quarry_pairs("pairs_reviewed"))
    bench.settle()
    return bench


@pytest.fixture
def provider(qgis_app) -> Iterator[None]:
    made = SitetieProvider()
    assert QgsApplication.processingRegistry().addProvider(made)
    yield
    QgsApplication.processingRegistry().removeProvider(made)


def in_dialog(call: Callable[[QDialog], None]) -> None:
    """Call something on the dialog that opens next."""
    def act() -> None:
        dialog = QApplication.activeModalWidget()
        if dialog is None:
            QTimer.singleShot(20, act)
            return
        call(dialog)

    QTimer.singleShot(0, act)


def accept(bench: Bench, name: str = "A. Surveyor", looked: bool = False) -> dict:
    """Press Ctrl+Return, fill the dialog and press its button; what it showed."""
    seen = {}

    def fill(dialog: QDialog) -> None:
        button = dialog.findChild(QPushButton, "sitetie_accept_button")
        box = dialog.findChild(QCheckBox, "sitetie_looked")
        seen.update(title=dialog.windowTitle(), ready=button.isEnabled(),
                    page=dialog.findChild(QTextBrowser, "sitetie_accept_page").toPlainText(),
                    asks_to_look=not box.isHidden())
        for letter in name:
            bench.press(dialog.findChild(QLineEdit, "sitetie_surveyor"), letter)
        dialog.findChild(QPlainTextEdit, "sitetie_note").setPlainText("embankment, stage 1")
        seen["named"] = button.isEnabled()
        if looked:
            box.click()
        seen["looked"] = button.isEnabled()
        if button.isEnabled():
            button.click()
        else:
            dialog.reject()

    in_dialog(fill)
    bench.press(bench.dock.body, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    return seen


def test_a_sound_tie_is_accepted_with_a_name(reviewed: Bench) -> None:
    seen = accept(reviewed)
    assert seen["title"] == "Accept tie 1"
    assert not seen["ready"]
    assert seen["named"]
    assert not seen["asks_to_look"]
    assert "The site grid is in metres, elevations are in metres." in seen["page"]
    for caution in ("independent points", "not a boundary opinion", "machine-control release",
                    "licensed surveyor", "Before digging"):
        assert caution in seen["page"]
    item = reviewed.job.state.accepted[0]
    assert (item.number, item.surveyor, item.note) == (1, "A. Surveyor", "embankment, stage 1")
    assert item.tie_id == reviewed.job.tie.id
    assert item.text == dumps(reviewed.job.tie)
    assert "Tie 1, accepted." in reviewed.dock.headline.label.text()
    assert reviewed.dock.tabs.tabText(reviewed.dock.tabs.currentIndex()) == "Accepted"


def test_what_is_weak_must_be_looked_at(bench: Bench) -> None:
    choose_settings(bench.job, quarry_settings())
    bench.job.add_pairs(quarry_pairs())
    seen = accept(bench)
    assert "K08 (off by 20.0 m) does not belong to the horizontal solution" in seen["page"]
    assert "exceeds the vertical tolerance of 45 mm" in seen["page"]
    assert "Standard deviations that were left blank are assumed" in seen["page"]
    assert (seen["named"], seen["looked"]) == (False, False)
    assert bench.job.state.accepted == ()
    assert accept(bench, looked=True)["looked"]
    assert len(bench.job.state.accepted) == 1


def test_an_unchecked_tie_says_so_before_it_is_accepted(bench: Bench) -> None:
    choose_settings(bench.job, quarry_settings().replace(vertical_model="shift"))
    bench.job.add_pairs(quarry_pairs("pairs_first_two"))
    page = accept(bench)["page"]
    assert "Horizontal unchecked" in page
    assert "a blunder would fit as well" in page
    assert "No horizontal check pair" in page


def test_the_same_solution_is_not_accepted_twice(reviewed: Bench) -> None:
    action = reviewed.dock.actions_.accept
    assert action.isEnabled()
    assert "give the tie its number" in action.toolTip()
    accept(reviewed)
    assert not action.isEnabled()
    assert "accepted already, as tie 1" in action.toolTip()
    assert not reviewed.widget("accept_tool").isEnabled()
    reviewed.press(reviewed.dock.body, Qt.Key.Key_Return, Qt.KeyboardModifier.ControlModifier)
    assert len(reviewed.job.state.accepted) == 1
    reviewed.job.set_role((3,), ("horizontal",), Role.CHECK)
    assert action.isEnabled()
    assert "Changed since tie 1 was accepted" in reviewed.dock.headline.label.text()
    accept(reviewed, looked=True)
    assert [item.number for item in reviewed.job.state.accepted] == [1, 2]


def test_nothing_is_accepted_before_the_unit_is_chosen(bench: Bench) -> None:
    bench.job.change("Pairs", bench.job.state.replace(
        settings=quarry_settings(), pairs=tuple(quarry_pairs("pairs_reviewed"))))
    action = bench.dock.actions_.accept
    assert not action.isEnabled()
    assert "in which unit the site grid is, under Site settings" in action.toolTip()
    bench.dock.show_page("Site settings")
    unit = bench.widget("site_unit")
    assert unit.currentText() == bench.widget("elevation_unit").currentText() == "— choose —"
    unit.setFocus()
    bench.press(unit, Qt.Key.Key_Down)
    assert unit.currentText() == bench.widget("elevation_unit").currentText() == "metre"
    assert [unit.itemText(place) for place in range(unit.count())] == [
        "metre", "international foot (0.3048 m)", "US survey foot (1200/3937 m)"]
    assert action.isEnabled()
    bench.job.undo_stack.undo()
    assert unit.currentText() == "— choose —"
    assert not action.isEnabled()


def test_the_tie_and_the_pairs_are_saved_and_opened(
    reviewed: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    accept(reviewed)
    tie_path, pairs_path = str(tmp_path / "tie.json"), str(tmp_path / "pairs.csv")
    answers = iter([(tie_path, ""), (pairs_path, "")])
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: next(answers))
    reviewed.click(reviewed.widget("save_tie"))
    reviewed.dock.actions_.save_pairs.trigger()
    tie = Tie.load(tie_path)
    assert tie.id == reviewed.job.tie.id
    assert [pair.control.id for pair in read_pairs(pairs_path)] == [
        pair.control.id for pair in reviewed.job.state.pairs]
    reviewed.dock.actions_.start_over.trigger()
    assert reviewed.job.state.pairs == ()
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (tie_path, ""))
    reviewed.dock.actions_.open_tie.trigger()
    assert reviewed.job.tie.id == tie.id


def test_a_file_that_is_no_tie_is_refused(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = str(QUARRY / "pairs.csv")
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: (path, ""))
    bench.dock.actions_.open_tie.trigger()
    assert "not a readable JSON file" in bench.dock.status.words
    assert bench.job.undo_stack.count() == 0


def test_pairs_from_a_file_and_again(bench: Bench) -> None:
    choose_settings(bench.job, quarry_settings())
    bench.workbench.files.take_pairs(None, str(QUARRY / "pairs_first_two.csv"))
    assert "2 pairs from pairs_first_two.csv" in bench.dock.status.words
    assert "read in EPSG:7931" in bench.dock.status.words
    bench.workbench.files.take_pairs(None, str(QUARRY / "pairs.csv"))
    assert "15 pairs from pairs.csv; 2 were there already" in (
        bench.dock.status.words)
    assert bench.job.tie.id != solve(quarry_pairs("pairs_first_two"), quarry_settings().replace(
        vertical_model="shift")).id
    assert all(pair.row is None for pair in bench.job.state.pairs)


def test_pairs_from_a_layer_that_looks_like_a_pair_table(bench: Bench) -> None:
    project = QgsProject.instance()
    assert project.read(str(SAMPLE / "quarry.qgz"))
    choose_settings(bench.job, quarry_settings())

    def press_ok(dialog: QDialog) -> None:
        dialog.layers.setLayer(project.mapLayersByName("Pairs as observed")[0])
        dialog.accept()

    in_dialog(press_ok)
    bench.dock.actions_.pair_from_table.trigger()
    assert len(bench.job.state.pairs) == 17


def wait_for(done: Callable[[], bool], seconds: float = 20.0) -> None:
    end = time.monotonic() + seconds
    while not done():
        assert time.monotonic() < end, "it takes too long"
        QApplication.processEvents()
        time.sleep(0.01)


@pytest.mark.usefixtures("provider")
def test_layers_are_restated_from_the_dock(reviewed: Bench, tmp_path: Path) -> None:
    """The values are those of the core, to the last digit that a double has."""
    shutil.copytree(QUARRY, tmp_path / "quarry")
    project = QgsProject.instance()
    topo = QgsVectorLayer(str(tmp_path / "quarry" / "topo_points.gpkg"), "Topo points", "ogr")
    project.addMapLayer(topo)
    accept(reviewed)

    def choose(dialog: QDialog) -> None:
        entries = dialog.findChild(QListWidget, "sitetie_restate_layers")
        button = dialog.findChild(QPushButton, "sitetie_restate_button")
        assert not button.isEnabled()
        entries.item(0).setCheckState(Qt.CheckState.Checked)
        button.click()

    in_dialog(choose)
    reviewed.click(reviewed.widget("restate"))
    wait_for(lambda: not reviewed.workbench.restating.busy)
    restated = project.mapLayersByName("Topo points, tie 1")
    assert len(restated) == 1, reviewed.dock.status.words
    tie = reviewed.job.tie
    assert restated[0].featureCount() == 255
    for feature in restated[0].getFeatures():
        point = feature.geometry().constGet()
        easting, northing, elevation = tie.to_site(point.y(), point.x(), point.z())
        assert (feature["site_e"], feature["site_n"], feature["site_z"]) == (
            easting, northing, elevation)
        assert feature["site_tie"] == tie.id[:12]
        assert math.isfinite(feature["site_sz"])
    assert reviewed.dock.status.words.startswith(
        "Topo points: 255 points restated through tie 1; 36 of them lie outside")


@pytest.mark.usefixtures("provider")
def test_restating_into_a_folder_and_what_goes_wrong(reviewed: Bench, tmp_path: Path) -> None:
    project = QgsProject.instance()
    topo = QgsVectorLayer(str(SAMPLE / "quarry" / "topo_points.gpkg"), "Topo / points", "ogr")
    bare = QgsVectorLayer("Point?crs=EPSG:4258&field=id:string", "No heights", "memory")
    project.addMapLayers([topo, bare])
    accept(reviewed)
    work, item = reviewed.workbench.restating, reviewed.job.state.accepted[0]
    work.start(item, [topo], str(tmp_path))
    wait_for(lambda: not work.busy)
    assert (tmp_path / "Topo_points_tie1.gpkg").exists()
    work.start(item, [topo], str(tmp_path / "nowhere"))
    wait_for(lambda: not work.busy)
    assert "Topo / points:" in reviewed.dock.status.words
    assert "Choose a folder that exists" in reviewed.dock.status.words


@pytest.mark.usefixtures("provider")
def test_restating_can_be_stopped(reviewed: Bench) -> None:
    topo = QgsVectorLayer(str(SAMPLE / "quarry" / "topo_points.gpkg"), "Topo points", "ogr")
    QgsProject.instance().addMapLayer(topo)
    accept(reviewed)
    work = reviewed.workbench.restating
    work.start(reviewed.job.state.accepted[0], [topo])
    reviewed.click(reviewed.widget("stop"))
    wait_for(lambda: not work.busy)
    layers = QgsProject.instance().mapLayersByName("Topo points, tie 1")
    said = reviewed.dock.status.words
    # It may have been done before the press was heard.
    assert ("stopped; nothing was written" in said) != bool(layers)


def test_reports_are_opened_and_saved(
    reviewed: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = []
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: bool(opened.append(url)) or True)
    QgsProject.instance().setTitle("Tannhag reservoir")
    reviewed.dock.actions_.draft_report.trigger()
    accept(reviewed)
    reviewed.click(reviewed.widget("report"))
    draft, report = (Path(url.toLocalFile()).read_text(encoding="utf-8") for url in opened)
    assert "Tannhag reservoir" in draft
    assert reviewed.job.tie.id in report
    assert "A. Surveyor" in report
    assert "A. Surveyor" not in draft
    for name, start in (("report.pdf", b"%PDF"), ("report.html", b"<!")):
        path = tmp_path / name
        monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_, p=path: (str(p), ""))
        reviewed.click(reviewed.widget("save_report"))
        assert path.read_bytes().lstrip().startswith(start)
    path = tmp_path / "nowhere" / "report.pdf"
    monkeypatch.setattr(QFileDialog, "getSaveFileName", lambda *_: (str(path), ""))
    reviewed.click(reviewed.widget("save_report"))
    assert "cannot be written" in reviewed.dock.status.words


def test_without_a_browser_the_place_of_the_report_is_said(
    reviewed: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(QDesktopServices, "openUrl", lambda url: False)
    reviewed.dock.actions_.draft_report.trigger()
    assert "No browser could be started. The report is in " in reviewed.dock.status.words
