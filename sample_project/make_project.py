#!/usr/bin/env python3
"""Make quarry.qgz, the QGIS project of the quarry, from its layers.

    python3 sample_project/make_project.py [FOLDER]

Needs QGIS's Python bindings. Run make_sample.py, make_layers.py and make_ortho.py first. FOLDER is
where the `quarry` folder lies, by default beside this file; the project is written into it.
"""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import Dict, Optional, Tuple

from pyproj.crs import ProjectedCRS
from pyproj.crs.coordinate_operation import TransverseMercatorConversion
from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsCoordinateReferenceSystem,
    QgsLayerTreeGroup,
    QgsLineSymbol,
    QgsMapLayer,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsReferencedRectangle,
    QgsRendererCategory,
    QgsSettings,
    QgsSingleSymbolRenderer,
    QgsTextBufferSettings,
    QgsTextFormat,
    QgsVectorLayer,
    QgsVectorLayerSimpleLabeling,
)
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor, QFont
from qgis.testing import start_app
from quarry_job import TRUTH

TITLE = "Tannhag quarry: sample job"
AUTHOR = "Ilmar & Oke Surveyors (invented)"
#: The drawing plane before there is a tie: the GNSS points lie beside the old site grid, which
#: stands around easting 2000, northing 5000.
FLAT_FRAME = "EPSG:9067"  # the frame of the observations without its third axis
FALSE_ORIGIN = (3450.0, 5000.0)
EXTENT = QgsRectangle(1330.0, 4150.0, 4180.0, 5670.0)
CANVAS_SIZE = QSize(1200, 640)
LABELS_FROM_SCALE = 4000.0

INK = "#24323d"
CONTROL = "#8a1c7c"
OBSERVED = "#00708c"
DESIGN = "#c2410c"
#: Feature: (shape, fill, size in mm, turn in degrees), told apart by shape as well as by colour.
TOPO_SYMBOLS: Dict[str, Tuple[str, str, float, float]] = {
    "road edge": ("square", "#6b7280", 1.2, 0.0),
    "road centre": ("square", "#e5e7eb", 1.5, 45.0),
    "water's edge": ("circle", "#38bdf8", 1.9, 0.0),
    "floor": ("circle", "#e3d3a8", 1.5, 0.0),
    "crest": ("triangle", "#7c4a1e", 2.0, 0.0),
    "toe": ("triangle", "#d9a566", 2.0, 180.0),
    "spoil heap": ("pentagon", "#a8a29e", 1.9, 0.0),
    "ground": ("circle", "#5b8c3a", 1.5, 0.0),
    "ditch": ("square", "#1d6fa5", 1.6, 0.0),
}


def main() -> None:
    """Build the project and write it."""
    parser = argparse.ArgumentParser(description="Make the quarry's QGIS project.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent)
    folder = parser.parse_args().folder.resolve()
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    start_app()
    # Neither who made the project nor when belongs into it.
    QgsSettings().setValue("projects/anonymize_saved_projects", True, QgsSettings.Core)
    project = QgsProject.instance()
    project.setTitle(TITLE)
    metadata = project.metadata()
    metadata.setAuthor(AUTHOR)
    project.setMetadata(metadata)
    canvas = build(project, folder / "quarry")
    path = folder / "quarry.qgz"
    if not project.write(str(path)):
        sys.exit(f"{path} could not be written: {project.error()}")
    canvas.deleteLater()
    print(path)


def build(project: QgsProject, quarry: Path) -> QgsMapCanvas:
    """Fill the project; the canvas keeps what part of the map is shown when it is opened."""
    project.setCrs(_drawing_plane())
    root = project.layerTreeRoot()
    gnss = root.addGroup("GNSS (ETRF2000)")
    site = root.addGroup("Site grid (no CRS yet)")
    drone = root.addGroup("Drone (ETRS89 / UTM 33N)")
    tables = root.addGroup("Pair tables")
    control_uri = _csv(quarry / "control.csv", "xField=easting&yField=northing&zField=elevation")
    shots_uri = _csv(
        quarry / "observations.csv",
        f"xField=longitude&yField=latitude&zField=height&crs={TRUTH.crs}",
    )
    _add(project, site, QgsVectorLayer(control_uri, "Control points", "delimitedtext"), _control)
    axis = QgsVectorLayer(str(quarry / "design_axis.gpkg"), "Embankment axis (design)", "ogr")
    axis.setCrs(QgsCoordinateReferenceSystem())
    _add(project, site, axis, _axis)
    _add(project, gnss, QgsVectorLayer(shots_uri, "Shots at marks", "delimitedtext"), _shots)
    topo = QgsVectorLayer(str(quarry / "topo_points.gpkg"), "Topo points", "ogr")
    _add(project, gnss, topo, _topo)
    ortho = QgsRasterLayer(str(quarry / "ortho.tif"), "Orthophoto", "gdal")
    _add(project, drone, ortho, None)
    drone.findLayer(ortho.id()).setExpanded(False)
    for name, title in (
        ("pairs_first_two", "Pairs, day 1"),
        ("pairs", "Pairs as observed"),
        ("pairs_reviewed", "Pairs after review"),
    ):
        uri = _csv(quarry / f"{name}.csv", "geomType=none")
        _add(project, tables, QgsVectorLayer(uri, title, "delimitedtext"), None)
    project.viewSettings().setDefaultViewExtent(QgsReferencedRectangle(EXTENT, project.crs()))
    return _canvas(project)


def _drawing_plane() -> QgsCoordinateReferenceSystem:
    plane = ProjectedCRS(
        TransverseMercatorConversion(TRUTH.latitude, TRUTH.longitude, *FALSE_ORIGIN),
        name="Tannhag drawing plane",
        geodetic_crs=FLAT_FRAME,
    )
    return QgsCoordinateReferenceSystem.fromWkt(plane.to_wkt())


def _csv(path: Path, options: str) -> str:
    return f"{path.as_uri()}?type=csv&quiet=yes&delimiter=,&detectTypes=yes&{options}"


def _add(
    project: QgsProject, group: QgsLayerTreeGroup, layer: QgsMapLayer, dress
) -> QgsMapLayer:
    if not layer.isValid():
        sys.exit(f"{layer.name()} cannot be opened: {layer.source()}")
    if dress is not None:
        dress(layer)
    project.addMapLayer(layer, False)
    group.addLayer(layer)
    return layer


def _control(layer: QgsVectorLayer) -> None:
    symbol = _marker("diamond", "#ffffff", 3.4, CONTROL, 0.6)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    _label(layer, '"control_id"', CONTROL, 9.0, bold=True)
    layer.setMapTipTemplate("<b>[% control_id %]</b> [% description %]<br>[% document %]")


def _shots(layer: QgsVectorLayer) -> None:
    categories = [
        QgsRendererCategory(value, _marker(shape, OBSERVED, size, OBSERVED, 0.5), name)
        for value, shape, size, name in (
            ("fixed", "cross", 3.2, "rover, fixed"),
            ("float", "cross2", 3.2, "rover, float"),
            ("", "square", 2.2, "typed from a list"),
        )
    ]
    layer.setRenderer(QgsCategorizedSymbolRenderer("coalesce(\"fix\", '')", categories))
    # One label a mark, however often it was measured.
    first = "\"observation_id\" LIKE '%-1' OR \"observation_id\" LIKE 'ST-%'"
    _label(layer, f'CASE WHEN {first} THEN "observation_id" END', OBSERVED, 8.5, bold=True)
    layer.setMapTipTemplate("<b>[% observation_id %]</b> [% session %]<br>[% source %] [% note %]")


def _topo(layer: QgsVectorLayer) -> None:
    categories = [
        QgsRendererCategory(name, _marker(shape, fill, size, INK, 0.15, turn), name)
        for name, (shape, fill, size, turn) in TOPO_SYMBOLS.items()
    ]
    layer.setRenderer(QgsCategorizedSymbolRenderer("feature", categories))
    _label(layer, '"id"', INK, 7.0, from_scale=LABELS_FROM_SCALE)
    layer.setMapTipTemplate("<b>[% id %]</b> [% feature %]<br>[% description %]")


def _axis(layer: QgsVectorLayer) -> None:
    symbol = QgsLineSymbol.createSimple(
        {"line_color": DESIGN, "line_width": "0.8", "capstyle": "round", "joinstyle": "round"}
    )
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    _label(layer, '"name"', DESIGN, 8.0, along=True)


def _marker(
    shape: str, fill: str, size: float, outline: str, width: float, turn: float = 0.0
) -> QgsMarkerSymbol:
    return QgsMarkerSymbol.createSimple(
        {
            "name": shape,
            "color": fill,
            "size": str(size),
            "angle": str(turn),
            "outline_color": outline,
            "outline_width": str(width),
        }
    )


def _label(
    layer: QgsVectorLayer,
    expression: str,
    colour: str,
    size: float,
    *,
    bold: bool = False,
    along: bool = False,
    from_scale: Optional[float] = None,
) -> None:
    font = QFont("DejaVu Sans")
    font.setBold(bold)
    halo = QgsTextBufferSettings()
    halo.setEnabled(True)
    halo.setSize(0.6)
    halo.setColor(QColor("#ffffff"))
    text = QgsTextFormat()
    text.setFont(font)
    text.setSize(size)
    text.setColor(QColor(colour))
    text.setBuffer(halo)
    settings = QgsPalLayerSettings()
    settings.setFormat(text)
    settings.fieldName = expression
    settings.isExpression = True
    settings.placement = (
        QgsPalLayerSettings.Placement.Line
        if along
        else QgsPalLayerSettings.Placement.OrderedPositionsAroundPoint
    )
    settings.dist = 1.6
    if from_scale is not None:
        settings.scaleVisibility = True
        settings.minimumScale = from_scale
    layer.setLabeling(QgsVectorLayerSimpleLabeling(settings))
    layer.setLabelsEnabled(True)


def _canvas(project: QgsProject) -> QgsMapCanvas:
    canvas = QgsMapCanvas()
    canvas.setObjectName("theMapCanvas")  # the name under which QGIS looks for the shown extent
    canvas.resize(CANVAS_SIZE)
    canvas.setDestinationCrs(project.crs())
    canvas.setExtent(EXTENT)
    return canvas


if __name__ == "__main__":
    main()
