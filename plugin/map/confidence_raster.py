"""The confidence surface as a GeoTIFF on the site grid, and how it looks."""

from __future__ import annotations

import math
import os
import shutil
import tempfile
from typing import List, Optional

import numpy as np
from osgeo import gdal
from qgis.core import (
    QgsColorRampShader,
    QgsCoordinateReferenceSystem,
    QgsRasterLayer,
    QgsRasterShader,
    QgsSingleBandPseudoColorRenderer,
)
from qgis.PyQt.QtGui import QColor

from ...core.confidence_surface import ConfidenceSurface
from ...core.errors import OutputError
from ...core.exaggeration import round_down
from ...core.units import LengthUnit
from ...core.wording import length_words

SIDES = ("horizontal", "vertical")
#: From what is well known to what is not: lightness falls evenly, so that any eye can order them.
RAMP = ("#fff6da", "#f7dda6", "#e9bf7c", "#d39c60", "#b67852", "#93574b", "#6b3d49", "#412943")


def write_surface(surface: ConfidenceSurface, crs_wkt: str, path: str) -> None:
    """Write a GeoTIFF: band 1 horizontal, band 2 vertical where there is one.

    It appears whole or not at all. GDAL keeps a derived CRS in ``.aux.xml`` beside it.

    Raises
    ------
    OutputError
    """
    bands = [surface.horizontal] + ([] if surface.vertical is None else [surface.vertical])
    folder, base = os.path.split(os.path.abspath(path))
    try:
        hidden = tempfile.mkdtemp(prefix=".sitetie-", dir=folder)
    except OSError as error:
        raise _not_written(path, error.strerror or str(error)) from None
    try:
        part = os.path.join(hidden, base)
        _write(part, surface, bands, crs_wkt)
        if os.path.exists(f"{part}.aux.xml"):
            os.replace(f"{part}.aux.xml", f"{path}.aux.xml")
        os.replace(part, path)
    except (OSError, RuntimeError) as error:
        raise _not_written(path, str(error)) from None
    finally:
        shutil.rmtree(hidden, ignore_errors=True)


def _write(path: str, surface: ConfidenceSurface, bands: List[np.ndarray], crs_wkt: str) -> None:
    rows, columns = surface.horizontal.shape
    raster = gdal.GetDriverByName("GTiff").Create(
        path, columns, rows, len(bands), gdal.GDT_Float32,
        ["COMPRESS=DEFLATE", "PREDICTOR=3", "TILED=YES"])
    if raster is None:
        raise RuntimeError(gdal.GetLastErrorMsg() or "GDAL cannot make the file")
    raster.SetGeoTransform((surface.west, surface.cell, 0.0, surface.north, 0.0, -surface.cell))
    if raster.SetProjection(crs_wkt) != 0:
        raise RuntimeError(gdal.GetLastErrorMsg() or "GDAL does not take the CRS")
    for place, (side, values) in enumerate(zip(SIDES, bands), start=1):
        band = raster.GetRasterBand(place)
        if band.WriteArray(values.astype(np.float32)) != 0:
            raise RuntimeError(gdal.GetLastErrorMsg() or "GDAL cannot write")
        band.SetDescription(f"{side}, {surface.level * 100:.4g} %")
        band.ComputeStatistics(False)
    raster.FlushCache()
    del band, raster


def _not_written(path: str, why: str) -> OutputError:
    return OutputError(
        f"The confidence surface cannot be written ({why}).",
        "Choose a folder that exists and that you may write to.", file=path,
    )


def surface_layer(
    path: str, surface: ConfidenceSurface, side: str, unit: LengthUnit, crs_wkt: str, tie: str
) -> Optional[QgsRasterLayer]:
    """One side of a written surface as a layer; None where the tie has no such side."""
    values = surface.horizontal if side == "horizontal" else surface.vertical
    if values is None:
        return None
    what = "half axis" if side == "horizontal" else "half interval"
    layer = QgsRasterLayer(
        path, f"Confidence, {side}, {surface.level * 100:.4g} % {what} (tie {tie})", "gdal")
    if not layer.isValid():
        raise OutputError("QGIS cannot open the confidence surface.", "Try another place.",
                          file=path)
    layer.setCrs(QgsCoordinateReferenceSystem.fromWkt(crs_wkt))
    limits = class_limits(float(values.min()), float(values.max()))
    function = QgsColorRampShader(0.0, limits[-1])
    function.setColorRampType(QgsColorRampShader.Type.Discrete)
    function.setColorRampItemList(_classes(limits, unit))
    shader = QgsRasterShader()
    shader.setRasterShaderFunction(function)
    layer.setRenderer(QgsSingleBandPseudoColorRenderer(
        layer.dataProvider(), 1 + SIDES.index(side), shader))
    layer.renderer().setOpacity(0.75)
    return layer


def class_limits(lowest: float, highest: float) -> List[float]:
    """Round upper limits of at most as many classes as the ramp has colours."""
    step = round_down(max(highest - lowest, highest * 1e-3, 1e-9) / (len(RAMP) - 1))
    for size in (step, 2.0 * step, 2.5 * step, 5.0 * step):
        first, last = (max(1, math.ceil(value / size - 1e-9)) for value in (lowest, highest))
        if last - first < len(RAMP):
            return [round(k * size, 12) for k in range(first, last + 1)]
    raise AssertionError("five times the step leaves few classes")


def _classes(limits: List[float], unit: LengthUnit) -> List[QgsColorRampShader.ColorRampItem]:
    places = np.linspace(0, len(RAMP) - 1, max(len(limits), 2)).round().astype(int)
    items = []
    for place, limit in enumerate(limits):
        label = f"up to {length_words(limit, unit)}"
        # The last class takes whatever rounding puts above its limit.
        upper = limit if place < len(limits) - 1 else float("inf")
        items.append(QgsColorRampShader.ColorRampItem(upper, QColor(RAMP[places[place]]), label))
    return items
