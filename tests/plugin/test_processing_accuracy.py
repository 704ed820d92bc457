"""sitetie:accuracy in QGIS: picked points and a surface against control."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException

from sitetie.core import Tie
from sitetie.core.positional_accuracy import positional_accuracy
from sitetie.tests.core.test_positional_accuracy import errors_as_points
from sitetie.tests.plugin.processing_runs import Listener, memory_layer, rows_of, run

pytestmark = pytest.mark.usefixtures("algorithms")
ERRORS = np.random.default_rng(4).normal(0.0, 0.02, (32, 3))


def layers(errors=ERRORS, crs=""):
    measured, control = errors_as_points(errors)
    kind = f"PointZ?crs={crs}" if crs else "PointZ"
    return tuple(memory_layer(kind, "name:string(8)", [
        [f"PointZ ({p.easting!r} {p.northing!r} {p.elevation!r})", p.id] for p in points], label)
        for points, label in ((measured, "picked"), (control, "control")))


def surface_file(path: Path, size: int = 64, cell: float = 20.0, hole=None) -> Path:
    """A tilted plane of 0.1 in x and -0.05 in y, from 0, 1280 on."""
    raster = gdal.GetDriverByName("GTiff").Create(str(path), size, size, 1, gdal.GDT_Float64)
    raster.SetGeoTransform((0.0, cell, 0.0, size * cell, 0.0, -cell))
    x = (np.arange(size) + 0.5) * cell
    y = size * cell - x
    values = 100.0 + 0.1 * x[None, :] - 0.05 * y[:, None]
    if hole is not None:
        values[hole] = -9999.0
    raster.GetRasterBand(1).SetNoDataValue(-9999.0)
    raster.GetRasterBand(1).WriteArray(values)
    raster = None
    return path


def test_picked_points(tmp_path: Path) -> None:
    measured, control = layers()
    listener = Listener()
    result = run("accuracy", listener, MEASURED=measured, CONTROL=control, MEASURED_ID="name",
                 CONTROL_ID="name", MEASURED_ELEVATION=None, SIGMA_H=0.005, SIGMA_V=0.008,
                 OUTPUT=tmp_path / "errors.gpkg", REPORT=tmp_path / "accuracy.html", JOB="<b>Pit")
    expected = positional_accuracy(*errors_as_points(ERRORS), sigma_h=0.005, sigma_v=0.008)
    assert result["ASPRS_H"] == pytest.approx(expected.asprs.horizontal, rel=1e-9)
    assert result["ASPRS_V"] == pytest.approx(expected.asprs.vertical, rel=1e-9)
    assert result["NSSDA_H"] == pytest.approx(expected.nssda.horizontal, rel=1e-9)
    assert result["RMSE_V"] == pytest.approx(expected.up.rmse, rel=1e-9)
    rows = {row["point"]: row for row in rows_of(result["OUTPUT"])}
    for point in expected.points:
        assert rows[point.id]["err_e"] == pytest.approx(point.east, abs=1e-9)
        assert rows[point.id]["err_u"] == pytest.approx(point.up, abs=1e-9)
    page = (tmp_path / "accuracy.html").read_text(encoding="utf-8")
    assert "&lt;b&gt;Pit" in page
    assert "<b>Pit" not in page
    assert "Edition 2" in page
    assert "FGDC-STD-007.3-1998" in page
    assert any("Tested" in line for line in listener.infos)


def test_a_surface_alone(tmp_path: Path) -> None:
    """The plane is met exactly by interpolation; one point lies in a hole and is said."""
    draw = np.random.default_rng(9).uniform(100.0, 1100.0, (25, 2))
    shift = 0.03
    rows = [[f"PointZ ({x!r} {y!r} {100.0 + 0.1 * x - 0.05 * y - shift!r})", f"C{i:02d}"]
            for i, (x, y) in enumerate(draw.tolist())]
    hole = (int((1280.0 - draw[3, 1]) / 20.0), int(draw[3, 0] / 20.0))
    control = memory_layer("PointZ", "name:string(8)", rows, "control")
    listener = Listener()
    result = run("accuracy", listener, CONTROL=control, CONTROL_ID="name",
                 SURFACE=surface_file(tmp_path / "dsm.tif", hole=hole), OUTPUT="memory:",
                 REPORT=tmp_path / "surface.html")
    assert result["RMSE_V"] == pytest.approx(shift, abs=1e-9)
    assert "RMSE_H" not in result
    assert any("says nothing at" in line and "C03" in line for line in listener.warnings)
    assert any("systematic" in line for line in listener.warnings)
    assert "C03" not in [row["point"] for row in rows_of(result["OUTPUT"])]


def test_control_of_the_tie_is_said(tie: Tie, tie_file: Path) -> None:
    drove = {pair.control.id: pair.control for pair in tie.pairs
             if pair.horizontal.value == "fit" and pair.control.has_elevation}
    rows = [[f"PointZ ({c.easting} {c.northing} {c.elevation})", c.id] for c in drove.values()]
    listener = Listener()
    layer = memory_layer("PointZ", "name:string(8)", rows)
    run("accuracy", listener, MEASURED=layer, CONTROL=layer, MEASURED_ID="name", CONTROL_ID="name",
        TIE=tie_file, OUTPUT="memory:", REPORT="")
    assert any("drove the tie" in line and "horizontally" in line for line in listener.warnings)
    with pytest.raises(QgsProcessingException, match="Choose the units of the tie"):
        run("accuracy", MEASURED=layer, CONTROL=layer, MEASURED_ID="name", CONTROL_ID="name",
            TIE=tie_file, SITE_UNIT="ft", OUTPUT="memory:", REPORT="")


def test_named_ground_control_is_said() -> None:
    measured, control = layers()
    listener = Listener()
    run("accuracy", listener, MEASURED=measured, CONTROL=control, MEASURED_ID="name",
        CONTROL_ID="name", DROVE="C03; C04,C99", OUTPUT="memory:", REPORT="")
    assert any(line.startswith("C03 and C04 drove") for line in listener.warnings)


def test_refusals(tmp_path: Path) -> None:
    measured, _ = layers(crs="EPSG:25833")
    _, control = layers(crs="EPSG:25832")
    page = tmp_path / "page.html"
    with pytest.raises(QgsProcessingException, match="Bring both onto the site grid"):
        run("accuracy", MEASURED=measured, CONTROL=control, MEASURED_ID="name", CONTROL_ID="name",
            OUTPUT="memory:", REPORT=page)
    with pytest.raises(QgsProcessingException, match="Neither points measured"):
        run("accuracy", CONTROL=control, CONTROL_ID="name", OUTPUT="memory:", REPORT=page)
    assert list(tmp_path.iterdir()) == []
