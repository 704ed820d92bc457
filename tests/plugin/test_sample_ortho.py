"""The sample's orthophoto shows the marks where they are, and comes onto the site with the rest."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Dict, Tuple

import numpy as np
import pyproj
import pytest
from osgeo import gdal
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
)

from sitetie.core import Tie

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"
ORTHO = SAMPLE / "quarry" / "ortho.tif"
MARKS = ("K01", "K02", "K03", "K04", "K05", "K06", "K07", "K08", "K09", "K10")
#: Pixels across the window in which a target is looked for.
WINDOW = 31


def truth() -> Dict[str, Tuple[float, float]]:
    control = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["quarry"]["control"]
    return {mark: tuple(control[mark][:2]) for mark in MARKS}


def centre_of_target(image: np.ndarray, column: float, row: float) -> Tuple[float, float]:
    """Middle of the black and white pixels round a place, in pixels of the image."""
    left, top = int(column) - WINDOW // 2, int(row) - WINDOW // 2
    part = image[top: top + WINDOW, left: left + WINDOW]
    rows, columns = np.nonzero((part == part.max()) | (part == part.max() - 4))
    return left + columns.mean() + 0.5, top + rows.mean() + 0.5


@pytest.fixture(scope="module")
def found() -> Dict[str, Tuple[float, float]]:
    """Centres of the targets in UTM, measured in the image near the true places."""
    raster = gdal.Open(str(ORTHO))
    image = raster.ReadAsArray()
    west, size, _, north, _, down = raster.GetGeoTransform()
    there = transform("EPSG:7931", "EPSG:25833")
    from_site = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["quarry"]["truth"]
    places = {}
    for mark, (easting, northing) in truth().items():
        place = there.transform(QgsPointXY(*_degrees(from_site, easting, northing)))
        column, row = (place.x() - west) / size, (place.y() - north) / down
        at = centre_of_target(image, column, row)
        assert np.hypot(at[0] - column, at[1] - row) < 0.15, mark
        places[mark] = west + size * at[0], north + down * at[1]
    return places


def _degrees(described: Dict, easting: float, northing: float) -> Tuple[float, float]:
    """Longitude and latitude of a site position by the equation that truth.json states."""
    turn, scale = np.radians(described["rotation_degree"]), described["scale"]
    x, y = (np.array([easting, northing]) - described["shift_metre"]) / scale
    e, n = np.cos(turn) * x + np.sin(turn) * y, np.cos(turn) * y - np.sin(turn) * x
    return pyproj.Proj(described["base"])(e, n, inverse=True)


def transform(source: str, target) -> QgsCoordinateTransform:
    crs = QgsCoordinateReferenceSystem(target) if isinstance(target, str) else target
    return QgsCoordinateTransform(
        QgsCoordinateReferenceSystem(source), crs, QgsCoordinateTransformContext())


def test_it_is_small_and_in_utm(qgis_app) -> None:
    layer = QgsRasterLayer(str(ORTHO), "ortho")
    assert layer.isValid()
    assert layer.crs().authid() == "EPSG:25833"
    assert ORTHO.stat().st_size < 300_000


def test_on_the_site_grid_targets_lie_at_the_marks(
    qgis_app, tie: Tie, found: Dict[str, Tuple[float, float]]
) -> None:
    """Within the control's own errors (5 mm), the tie's, and a tenth of a pixel."""
    site = QgsCoordinateReferenceSystem.fromWkt(tie.crs_wkt())
    there = transform("EPSG:25833", site)
    for mark, place in truth().items():
        at = there.transform(QgsPointXY(*found[mark]))
        assert np.hypot(at.x() - place[0], at.y() - place[1]) < 0.1, mark


def test_the_project_has_it(qgis_app) -> None:
    project = QgsProject()
    assert project.read(str(SAMPLE / "quarry.qgz"))
    layer = project.mapLayersByName("Orthophoto")[0]
    assert isinstance(layer, QgsRasterLayer)
    assert layer.isValid()
    project.clear()


def test_it_is_painted_again_the_same(tmp_path: Path) -> None:
    subprocess.run([sys.executable, str(SAMPLE / "make_ortho.py"), str(tmp_path)], check=True,
                   capture_output=True)
    again = gdal.Open(str(tmp_path / "quarry" / "ortho.tif"))
    kept = gdal.Open(str(ORTHO))
    assert again.GetGeoTransform() == kept.GetGeoTransform()
    assert (again.ReadAsArray() != kept.ReadAsArray()).sum() < 20  # last bits of sin elsewhere
