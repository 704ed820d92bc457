"""The sample's QGIS project opens with all its layers, wherever it is copied to."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import pytest
from qgis.core import (
    QgsApplication,
    QgsCoordinateTransform,
    QgsMapRendererParallelJob,
    QgsMapSettings,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"
ON_SITE_GRID = {"Control points", "Embankment axis (design)"}
OBSERVED = {"Shots at marks", "Topo points"}
TABLES = {"Pairs, day 1", "Pairs as observed", "Pairs after review"}
FEATURES = {
    "Control points": 14,
    "Embankment axis (design)": 1,
    "Shots at marks": 18,
    "Topo points": 255,
    "Pairs, day 1": 2,
    "Pairs as observed": 17,
    "Pairs after review": 17,
}


@pytest.fixture
def project(qgis_app: QgsApplication, tmp_path: Path):
    shutil.copytree(SAMPLE / "quarry", tmp_path / "elsewhere" / "quarry")
    path = shutil.copy(SAMPLE / "quarry.qgz", tmp_path / "elsewhere")
    opened = QgsProject()
    assert opened.read(str(path)), opened.error()
    yield opened
    opened.clear()


def layers(project: QgsProject):
    """By name; the orthophoto has tests of its own."""
    return {layer.name(): layer for layer in project.mapLayers().values()
            if isinstance(layer, QgsVectorLayer)}


def test_every_layer_opens_from_the_copy(project: QgsProject, tmp_path: Path) -> None:
    found = layers(project)
    assert {name: layer.featureCount() for name, layer in found.items()} == FEATURES
    for layer in found.values():
        assert layer.isValid(), layer.name()
        assert str(tmp_path) in layer.source()


def test_only_what_gnss_measured_has_a_crs(project: QgsProject) -> None:
    found = layers(project)
    assert ON_SITE_GRID | OBSERVED | TABLES == set(found)
    for name in OBSERVED:
        assert found[name].crs().authid() == "EPSG:7931"
    for name in ON_SITE_GRID:
        assert not found[name].crs().isValid()


def test_the_first_view_shows_everything(project: QgsProject) -> None:
    view = project.viewSettings().defaultViewExtent()
    for name in ON_SITE_GRID | OBSERVED:
        layer = layers(project)[name]
        change = QgsCoordinateTransform(layer.crs(), project.crs(), project)
        assert view.contains(change.transformBoundingBox(layer.extent())), name


def test_the_map_is_drawn_without_a_complaint(project: QgsProject) -> None:
    settings = QgsMapSettings()
    settings.setLayers([layers(project)[name] for name in sorted(ON_SITE_GRID | OBSERVED)])
    settings.setDestinationCrs(project.crs())
    settings.setExtent(project.viewSettings().defaultViewExtent())
    settings.setOutputSize(QSize(600, 320))
    settings.setBackgroundColor(QColor("#ffffff"))
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    assert [error.message for error in job.errors()] == []
    drawn = job.renderedImage()
    colours = {
        drawn.pixel(x, y) for x in range(drawn.width()) for y in range(drawn.height())
    }
    assert len(colours) > 100


def test_topo_points_carry_height(project: QgsProject) -> None:
    layer: QgsVectorLayer = layers(project)["Topo points"]
    heights = [feature.geometry().constGet().z() for feature in layer.getFeatures()]
    assert 510.0 < min(heights) < max(heights) < 590.0


def test_the_project_names_no_real_person_and_no_machine(project: QgsProject) -> None:
    assert project.metadata().author() == "Ilmar & Oke Surveyors (invented)"
    with zipfile.ZipFile(SAMPLE / "quarry.qgz") as archive:
        text = archive.read("quarry.qgs").decode("utf-8")
    assert "saveUser" not in text
    assert "file:///" not in text
    assert str(SAMPLE.parent) not in text
