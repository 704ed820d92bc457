"""Choosing layers and their fields; layers that go missing and come back."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Iterator

import pytest
from qgis.core import QgsProject, QgsVectorLayer
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtWidgets import QApplication, QComboBox, QDialogButtonBox, QLabel

from sitetie.plugin.dock.field_mapping_dialog import FieldMappingDialog
from sitetie.plugin.dock.layers_panel import ready_to_pair
from sitetie.plugin.job.layer_points import read_control

from .dock_bench import SAMPLE, Bench, bench_fixture, quarry_pairs


@pytest.fixture
def bench(qgis_app) -> Iterator[Bench]:
    yield from bench_fixture()


@pytest.fixture
def quarry(bench: Bench, tmp_path: Path) -> Bench:
    """The sample project, copied so that it can be saved and its files taken away."""
    shutil.copytree(SAMPLE / "quarry", tmp_path / "quarry")
    shutil.copy(SAMPLE / "quarry.qgz", tmp_path)
    assert QgsProject.instance().read(str(tmp_path / "quarry.qgz"))
    bench.settle()
    return bench


def layer(name: str) -> QgsVectorLayer:
    return QgsProject.instance().mapLayersByName(name)[0]


def choose(bench: Bench, kind: str, name: str) -> None:
    """By keyboard: the list is opened at the name typed and taken with Return."""
    bench.dock.show_page("Layers")
    box = bench.dock.layers.choice(kind).box
    box.setFocus()
    place = [box.itemText(i) for i in range(box.count())].index(name)
    while box.currentIndex() != place:
        bench.press(box, Qt.Key.Key_Down if box.currentIndex() < place else Qt.Key.Key_Up)


def words(bench: Bench, kind: str) -> str:
    return bench.dock.layers.choice(kind).words.words


def test_only_points_and_tables_are_offered(quarry: Bench) -> None:
    for kind in ("control", "observations"):
        box = quarry.dock.layers.choice(kind).box
        offered = [box.itemText(place) for place in range(box.count())]
        assert {"Control points", "Topo points", "Pairs as observed"} <= set(offered)
        assert "Embankment axis (design)" not in offered


def test_the_first_page_leads_to_layers_and_settings(quarry: Bench) -> None:
    page = quarry.dock.findChild(QLabel, "sitetie_no_pairs")
    for way, title in (("layers", "Layers"), ("settings", "Site settings")):
        assert f"href='{way}'" in page.text()
        page.linkActivated.emit(way)
        assert quarry.dock.tabs.tabText(quarry.dock.tabs.currentIndex()) == title


def test_layers_are_chosen_and_their_fields_guessed_and_shown(quarry: Bench) -> None:
    assert not quarry.dock.actions_.pair_on_map.isEnabled()
    assert "Layers" in quarry.dock.actions_.pair_on_map.toolTip()
    choose(quarry, "control", "Control points")
    assert words(quarry, "control") == (
        "Id from control_id; easting from easting, northing from northing; elevation from "
        "elevation; 2 sigma fields."
    )
    choose(quarry, "observations", "Shots at marks")
    assert words(quarry, "observations").startswith("Id from observation_id; position from the "
                                                    "geometry; height from height; 3 sigma")
    assert ready_to_pair(quarry.job.state)
    assert quarry.dock.actions_.pair_on_map.isEnabled()
    assert quarry.dock.actions_.pair_by_ids.isEnabled()
    assert not quarry.dock.actions_.pair_by_nearest.isEnabled()


def test_the_frame_of_the_observation_layer_becomes_that_of_the_job(quarry: Bench) -> None:
    choose(quarry, "observations", "Shots at marks")
    assert quarry.job.state.settings.observation_crs == "EPSG:7931"
    quarry.job.undo_stack.undo()
    assert quarry.job.state.settings.observation_crs == "EPSG:4326"


def test_with_pairs_there_the_frame_is_left_alone(quarry: Bench) -> None:
    quarry.job.add_pairs(quarry_pairs("pairs_first_two"))
    choose(quarry, "observations", "Shots at marks")
    assert quarry.job.state.settings.observation_crs == "EPSG:4326"


def in_dialog(call) -> None:
    """Call something on the dialog that opens next."""
    def act() -> None:
        dialog = QApplication.activeModalWidget()
        if dialog is None:
            QTimer.singleShot(20, act)
            return
        call(dialog)

    QTimer.singleShot(0, act)


def test_fields_are_changed_and_the_first_feature_read_back(quarry: Bench) -> None:
    choose(quarry, "control", "Control points")
    seen = []

    def change(dialog: FieldMappingDialog) -> None:
        seen.append(dialog.findChild(QLabel, "sitetie_first_feature").text())
        box = dialog.findChild(QComboBox, "sitetie_field_elevation")
        box.setCurrentIndex(box.findText("northing"))
        seen.append(dialog.findChild(QLabel, "sitetie_first_feature").text())
        box = dialog.findChild(QComboBox, "sitetie_field_northing")
        box.setCurrentIndex(0)
        seen.append(dialog.findChild(QLabel, "sitetie_first_feature").text())
        box.setCurrentIndex(box.findText("northing"))
        dialog.findChild(QDialogButtonBox).button(QDialogButtonBox.StandardButton.Ok).click()

    in_dialog(change)
    quarry.click(quarry.dock.layers.choice("control").fields)
    assert seen[0] == (
        "First feature: K01: easting 2,340.004, northing 4,690.003, elevation 502.371.")
    assert "elevation 4,690.003" in seen[1]
    assert "easting comes from a field and northing from none" in seen[2]
    assert quarry.job.state.control.field_of("elevation") == "northing"
    first = next(layer("Control points").getFeatures()).id()
    found = read_control(layer("Control points"), quarry.job.state.control, [first])
    assert found[0].control.elevation == 4690.003


def test_a_layer_taken_out_is_missed_and_found_again(quarry: Bench) -> None:
    choose(quarry, "control", "Control points")
    choose(quarry, "observations", "Shots at marks")
    shots = layer("Shots at marks")
    source, uri = quarry.job.state.observations, shots.source()
    steps = quarry.job.undo_stack.count()
    QgsProject.instance().removeMapLayer(shots.id())
    quarry.settle()
    assert "“Shots at marks” is missing" in words(quarry, "observations")
    assert quarry.job.state.observations == source
    assert quarry.job.undo_stack.count() == steps
    assert not quarry.dock.actions_.pair_on_map.isEnabled()
    again = QgsVectorLayer(uri, "Shots, loaded anew", "delimitedtext")
    QgsProject.instance().addMapLayer(again)
    quarry.settle()
    assert quarry.dock.layers.choice("observations").box.currentLayer() == again
    assert quarry.dock.actions_.pair_on_map.isEnabled()


def test_another_layer_can_be_pointed_to_instead(quarry: Bench) -> None:
    choose(quarry, "observations", "Shots at marks")
    QgsProject.instance().removeMapLayer(layer("Shots at marks").id())
    quarry.settle()
    choose(quarry, "observations", "Topo points")
    assert quarry.job.state.observations.name == "Topo points"


def test_a_project_whose_file_went_missing_says_so(quarry: Bench, tmp_path: Path) -> None:
    choose(quarry, "control", "Control points")
    quarry.job.add_pairs(quarry_pairs("pairs_first_two"))
    pairs = quarry.job.state.pairs
    project = QgsProject.instance()
    assert project.write()
    project.clear()
    (tmp_path / "quarry" / "control.csv").unlink()
    project.read(str(tmp_path / "quarry.qgz"))
    quarry.settle()
    assert "“Control points” is missing" in words(quarry, "control")
    assert quarry.job.state.pairs == pairs


def test_a_field_that_went_missing_is_said(quarry: Bench) -> None:
    choose(quarry, "observations", "Topo points")
    topo = layer("Topo points")
    place = topo.fields().indexFromName("sigma_e")
    assert topo.dataProvider().deleteAttributes([place])
    topo.updateFields()
    quarry.dock.layers.show_state()
    assert "no longer has the field “sigma_e”" in words(quarry, "observations")


def test_no_layer_can_be_chosen_again(quarry: Bench) -> None:
    choose(quarry, "control", "Control points")
    choose(quarry, "control", "")
    assert quarry.job.state.control is None


def test_what_pairing_says_ends_with_it(quarry: Bench) -> None:
    choose(quarry, "control", "Control points")
    choose(quarry, "observations", "Shots at marks")
    quarry.iface.canvas.setLayers([
        QgsProject.instance().mapLayersByName(name)[0]
        for name in ("Control points", "Shots at marks")])
    quarry.click(quarry.widget("pair_button"))
    assert quarry.dock.actions_.pair_on_map.isChecked(), quarry.dock.status.words
    assert quarry.dock.status.words.startswith("Point at a control point")
    quarry.press(quarry.iface.canvas, Qt.Key.Key_Escape)
    assert not quarry.dock.actions_.pair_on_map.isChecked()
    assert quarry.dock.status.words == ""


def test_a_link_that_cannot_be_followed_says_why(quarry: Bench) -> None:
    page = quarry.dock.findChild(QLabel, "sitetie_no_pairs")
    page.linkActivated.emit("pair_on_map")
    assert quarry.dock.status.words.startswith("Choose the two layers under Layers first.")
