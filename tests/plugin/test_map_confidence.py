"""The confidence surface: computed in the background, written, shown, marked when it is stale."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsApplication, QgsCoordinateTransform, QgsPointXY, QgsRasterLayer
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtTest import QTest
from qgis.PyQt.QtWidgets import QApplication, QDialogButtonBox

from sitetie.core import Role
from sitetie.core.confidence_surface import confidence_surface
from sitetie.core.errors import OutputError
from sitetie.plugin.map.confidence_dialog import ConfidenceDialog
from sitetie.plugin.map.confidence_raster import RAMP, class_limits, write_surface
from sitetie.plugin.map.result_layers import GROUP

from .map_bench import MapBench, bench

__all__ = ["bench"]


@pytest.fixture
def tied(bench: MapBench) -> MapBench:
    bench.take_pairs()
    return bench


def wait(bench: MapBench) -> None:
    for _ in range(200):
        bench.settle()
        if bench.controller.surfaces._task is None:
            return
        QTest.qWait(25)
    raise AssertionError("the surface was not finished in 5 s")


def test_the_raster_holds_what_the_tie_predicts(tied: MapBench, tmp_path: Path) -> None:
    path = str(tmp_path / "surface.tif")
    tie = tied.job.tie
    tied.controller.surfaces.make(tie, path, 20.0)
    wait(tied)
    assert tied.said[-1] == "The confidence surface is on the map."
    horizontal, vertical = sorted(tied.controller.surfaces.layers(), key=lambda layer: layer.name())
    assert horizontal.name() == (
        f"Confidence, horizontal, 95 % half axis (tie {tie.short_id})")
    assert vertical.name() == f"Confidence, vertical, 95 % half interval (tie {tie.short_id})"
    for control in tie.pairs[:5]:
        point = QgsPointXY(control.control.easting, control.control.northing)
        for band, (layer, size) in enumerate(
            ((horizontal, tie.region_factor(2)), (vertical, tie.region_factor(1))), start=1
        ):
            value, there = layer.dataProvider().sample(point, band)
            assert there
            latitude, longitude, _ = tie.to_geodetic(point.x(), point.y())
            covariance = tie.covariance(
                latitude, longitude, None, tie.default_observation_covariance())[0]
            expected = np.linalg.eigvalsh(covariance[:2, :2])[1] if band == 1 else covariance[2, 2]
            # The value of the cell, whose middle is up to 14 m away.
            assert value == pytest.approx(size * np.sqrt(expected), rel=0.01)


def test_it_lies_on_the_site_in_every_program_that_reads_proj(
    tied: MapBench, tmp_path: Path
) -> None:
    path = str(tmp_path / "surface.tif")
    tied.controller.surfaces.make(tied.job.tie, path, 50.0)
    wait(tied)
    assert gdal.Open(path).GetProjection().startswith("DERIVEDPROJCRS")
    reopened = QgsRasterLayer(path, "again", "gdal")
    assert reopened.crs().isValid()
    change = QgsCoordinateTransform(
        reopened.crs(), tied.shots.crs(), tied.project.transformContext())
    pair = tied.job.tie.pairs[4]
    point = change.transform(QgsPointXY(pair.control.easting, pair.control.northing))
    assert (point.y(), point.x()) == pytest.approx(
        (pair.observation.latitude, pair.observation.longitude), abs=1e-6)


def test_a_newer_solution_makes_it_stale(tied: MapBench, tmp_path: Path) -> None:
    tied.controller.surfaces.make(tied.job.tie, str(tmp_path / "s.tif"), 50.0)
    wait(tied)
    tied.job.set_role([0], ["horizontal"], Role.CHECK)
    assert all(layer.name().endswith("— of an earlier solution")
               for layer in tied.controller.surfaces.layers())
    tied.job.undo_stack.undo()
    assert not any("earlier" in layer.name() for layer in tied.controller.surfaces.layers())


def test_a_temporary_one_goes_with_the_plugin(tied: MapBench) -> None:
    tied.controller.surfaces.make(tied.job.tie, "", 50.0)
    wait(tied)
    (horizontal, _) = tied.controller.surfaces.layers()
    path = Path(horizontal.source())
    assert path.exists()
    tied.controller.let_go()
    tied.controller = None
    assert not path.parent.exists()
    assert GROUP not in [group.name() for group in tied.project.layerTreeRoot().findGroups()]


def test_a_kept_one_stays(tied: MapBench, tmp_path: Path) -> None:
    tied.controller.surfaces.make(tied.job.tie, str(tmp_path / "kept.tif"), 50.0)
    wait(tied)
    tied.controller.let_go()
    tied.controller = None
    assert (tmp_path / "kept.tif").exists()
    assert len([layer for layer in tied.project.mapLayers().values()
                if isinstance(layer, QgsRasterLayer) and "kept.tif" in layer.source()]) == 2


def test_a_place_that_cannot_be_written(tied: MapBench, tmp_path: Path) -> None:
    tied.controller.surfaces.make(tied.job.tie, str(tmp_path / "no folder" / "s.tif"), 50.0)
    wait(tied)
    assert "cannot be written" in tied.said[-1]
    assert tied.controller.surfaces.layers() == []


def test_a_failed_write_leaves_the_last_good_file(tied: MapBench, tmp_path: Path) -> None:
    path = tmp_path / "surface.tif"
    path.write_bytes(b"the last good one")
    surface = confidence_surface(tied.job.tie, cell=50.0)
    with pytest.raises(OutputError):
        write_surface(surface, "no CRS at all", str(path))
    assert path.read_bytes() == b"the last good one"
    assert [item.name for item in tmp_path.iterdir()] == ["surface.tif"]


def test_stopped_it_leaves_nothing(tied: MapBench, tmp_path: Path) -> None:
    tied.controller.surfaces.make(tied.job.tie, str(tmp_path / "s.tif"), 0.75)
    tied.controller.let_go()
    tied.controller = None
    QgsApplication.taskManager().cancelAll()
    tied.settle()
    assert list(tmp_path.iterdir()) == []


def test_too_small_cells_are_refused_with_a_reason(tied: MapBench) -> None:
    tied.controller.surfaces.make(tied.job.tie, "", 0.1)
    wait(tied)
    assert "Choose larger cells." in tied.said[-1]


def test_the_dialog_asks_for_what_and_where(tied: MapBench, tmp_path: Path) -> None:
    def act() -> None:
        dialog = QApplication.activeModalWidget()
        assert isinstance(dialog, ConfidenceDialog)
        dialog.cell.setText("wide")
        ok = dialog.buttons.button(QDialogButtonBox.StandardButton.Ok)
        QTest.mouseClick(ok, Qt.MouseButton.LeftButton)
        assert dialog.isVisible()
        assert "'wide' is not a number" in dialog.hint.words
        dialog.cell.setText("25")
        dialog.what.setCurrentIndex(1)
        dialog.file.setFilePath(str(tmp_path / "alone"))
        QTest.mouseClick(ok, Qt.MouseButton.LeftButton)

    QTimer.singleShot(0, act)
    tied.controller.make_confidence_surface()
    wait(tied)
    raster = gdal.Open(str(tmp_path / "alone.tif"))
    alone = confidence_surface(tied.job.tie, cell=25.0, of_restated_points=False)
    assert raster.GetRasterBand(1).ReadAsArray() == pytest.approx(alone.horizontal, rel=1e-6)


def test_without_a_tie_there_is_nothing_to_predict(bench: MapBench) -> None:
    bench.controller.make_confidence_surface()
    assert bench.said == ["There is no solution yet, so nothing can be predicted."]


@pytest.mark.parametrize(
    ("lowest", "highest", "limits"),
    [
        (0.0213, 0.0322, [0.022, 0.024, 0.026, 0.028, 0.03, 0.032, 0.034]),
        (0.0, 5.0, [1.0, 2.0, 3.0, 4.0, 5.0]),
        (0.02, 0.02, [0.02]),
        (0.0101, 0.0109, [0.0102, 0.0104, 0.0106, 0.0108, 0.011]),
    ],
)
def test_classes_have_round_limits(lowest, highest, limits) -> None:
    assert class_limits(lowest, highest) == pytest.approx(limits, abs=1e-9)


def test_there_are_never_more_classes_than_colours() -> None:
    draw = np.random.default_rng(4)
    for lowest, spread in zip(10 ** draw.uniform(-3, 1, 500), 10 ** draw.uniform(-4, 2, 500)):
        limits = class_limits(lowest, lowest + spread)
        assert 1 <= len(limits) <= len(RAMP)
        assert limits[-1] >= (lowest + spread) * (1.0 - 1e-6)
        assert limits == sorted(limits)


def test_the_ramp_falls_evenly_in_lightness() -> None:
    """So that colour-blind eyes, and a grey print, order the classes as everyone does."""
    from qgis.PyQt.QtGui import QColor

    def lightness(name: str) -> float:
        # CIE L* of sRGB (IEC 61966-2-1 for the transfer, CIE 15 for L*).
        parts = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
                 for c in QColor(name).getRgbF()[:3]]
        y = 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]
        return 116.0 * y ** (1 / 3) - 16.0

    values = [lightness(name) for name in RAMP]
    drops = [a - b for a, b in zip(values, values[1:])]
    assert min(drops) > 6.0
    assert max(drops) < 2.5 * min(drops)
