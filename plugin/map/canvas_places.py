"""Geodetic positions on the canvas, and points of the canvas as geodetic positions."""

from __future__ import annotations

from typing import Optional, Tuple

from qgis.core import (
    Qgis,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsPointXY,
    QgsProject,
)
from qgis.gui import QgsMapCanvas


def on_canvas(
    canvas: QgsMapCanvas, latitude: float, longitude: float, crs: str
) -> Optional[QgsPointXY]:
    """Where a position (degrees in a geographic CRS) is drawn; None where it cannot be."""
    change = _change(canvas, crs)
    try:
        return None if change is None else change.transform(QgsPointXY(longitude, latitude))
    except QgsCsException:
        return None


def from_canvas(canvas: QgsMapCanvas, point: QgsPointXY, crs: str) -> Optional[Tuple[float, float]]:
    """Latitude and longitude (degrees in a geographic CRS) of a point of the canvas; None where
    it has none."""
    change = _change(canvas, crs)
    try:
        place = None if change is None else change.transform(
            point, Qgis.TransformDirection.Reverse)
    except QgsCsException:
        return None
    return None if place is None else (place.y(), place.x())


def _change(canvas: QgsMapCanvas, crs: str) -> Optional[QgsCoordinateTransform]:
    target = canvas.mapSettings().destinationCrs()
    source = QgsCoordinateReferenceSystem(crs)
    if not target.isValid() or not source.isValid():
        return None
    return QgsCoordinateTransform(source, target, QgsProject.instance())
