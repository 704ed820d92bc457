"""How the result layers look when they are made; a person may restyle them as any layer.

Blue and vermilion of Okabe and Ito's palette, which colour-blind eyes tell apart. No state is told
by colour alone: lines are whole or dashed, heads filled or open, and a pair in doubt is named.
"""

from __future__ import annotations

from typing import Dict, Tuple

from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsFillSymbol,
    QgsLineSymbol,
    QgsMarkerLineSymbolLayer,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsProperty,
    QgsPropertyCollection,
    QgsRendererCategory,
    QgsSimpleLineSymbolLayer,
    QgsSimpleMarkerSymbolLayer,
    QgsSingleSymbolRenderer,
    QgsSymbol,
    QgsSymbolLayer,
    QgsTextBufferSettings,
    QgsTextFormat,
    QgsUnitTypes,
    QgsVectorLayer,
    QgsVectorLayerSimpleLabeling,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QPointF, Qt
from qgis.PyQt.QtGui import QColor

from .result_rows import (
    ABOVE,
    CHECK,
    CHECK_DOUBT,
    DOUBTS,
    FIT,
    FIT_DOUBT,
    IDLE,
    REFERENCE,
)

BLUE, VERMILION, GREY, INK = "#0072B2", "#C04A00", "#6f7880", "#1b2a33"
MILLIMETRES = QgsUnitTypes.RenderUnit.RenderMillimeters

#: State: (colour, width in mm, line, filled head, words in the legend).
ARROWS: Dict[str, Tuple[str, float, str, bool, str]] = {
    FIT: (BLUE, 0.5, "solid", True, "fit"),
    FIT_DOUBT: (VERMILION, 0.8, "solid", True, "fit, in doubt"),
    CHECK: (BLUE, 0.5, "dash", False, "check, agrees"),
    CHECK_DOUBT: (VERMILION, 0.8, "dash", False, "check, does not agree"),
    IDLE: (GREY, 0.35, "dot", False, "idle"),
    REFERENCE: (INK, 0.5, "solid", True, "for comparison"),
}
#: State: (colour, filled, outline width in mm, words in the legend).
TRIANGLES: Dict[str, Tuple[str, bool, float, str]] = {
    FIT: (BLUE, True, 0.3, "fit"),
    FIT_DOUBT: (VERMILION, True, 0.3, "fit, in doubt"),
    CHECK: (BLUE, False, 0.5, "check, agrees"),
    CHECK_DOUBT: (VERMILION, False, 0.6, "check, does not agree"),
    IDLE: (GREY, False, 0.3, "idle"),
}


def dress_arrows(layer: QgsVectorLayer) -> None:
    categories = []
    for state, (colour, width, style, filled, words) in ARROWS.items():
        head = "filled_arrowhead" if filled else "arrowhead"
        symbol = symbol_of(
            QgsLineSymbol(), _line(colour, width, style),
            _at_vertex("firstvertex", "circle", colour, 3.2 * width, True),
            _at_vertex("lastvertex", head, colour, 1.6 + 2.4 * width, filled), _gap())
        categories.append(QgsRendererCategory(state, symbol, words))
    layer.setRenderer(QgsCategorizedSymbolRenderer("state", categories))
    settings = _labels(8.0, INK)
    settings.geometryGenerator = "end_point($geometry)"
    settings.geometryGeneratorType = QgsWkbTypes.GeometryType.PointGeometry
    settings.geometryGeneratorEnabled = True
    settings.placement = QgsPalLayerSettings.Placement.AroundPoint
    settings.dist = 1.2
    set_labels(layer, settings)


def dress_triangles(layer: QgsVectorLayer) -> None:
    """Upwards for solved above given, downwards for below; below the mark, so that triangle and
    arrow do not cover each other."""
    above = f"\"side\" = '{ABOVE}'"
    properties = QgsSymbolLayer.Property
    categories = []
    for state, (colour, filled, width, words) in TRIANGLES.items():
        marker = QgsSimpleMarkerSymbolLayer.create({
            "name": "triangle", "color": colour if filled else "255,255,255,255",
            "outline_color": colour, "outline_width": str(width), "size": "3",
        })
        for key, expression in (
            (properties.PropertyAngle, f"if({above}, 0, 180)"),
            # The offset turns with the marker.
            (properties.PropertyOffset, f"if({above}, '0,3.8', '0,-3.8')"),
            (properties.PropertySize, '1.6 + 2.0 * "share"'),
        ):
            marker.setDataDefinedProperty(key, QgsProperty.fromExpression(expression))
        categories.append(
            QgsRendererCategory(state, symbol_of(QgsMarkerSymbol(), marker), words))
    layer.setRenderer(QgsCategorizedSymbolRenderer("state", categories))
    settings = _labels(7.5, INK)
    settings.placement = QgsPalLayerSettings.Placement.OverPoint
    settings.quadOffset = QgsPalLayerSettings.QuadrantPosition.QuadrantRight
    settings.xOffset, settings.yOffset = 2.4, 3.8
    settings.offsetUnits = MILLIMETRES
    set_labels(layer, settings)


def dress_ellipses(layer: QgsVectorLayer) -> None:
    line = QgsSimpleLineSymbolLayer(QColor(GREY), 0.2)
    line.setWidthUnit(MILLIMETRES)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol_of(QgsFillSymbol(), line)))


def dress_hull(layer: QgsVectorLayer) -> None:
    line = QgsSimpleLineSymbolLayer(QColor(INK), 0.4)
    line.setWidthUnit(MILLIMETRES)
    line.setPenStyle(Qt.PenStyle.DashDotLine)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol_of(QgsFillSymbol(), line)))


def dress_outside(layer: QgsVectorLayer) -> None:
    marker = QgsSimpleMarkerSymbolLayer.create({
        "name": "square", "color": "255,255,255,0", "outline_color": VERMILION,
        "outline_width": "0.4", "size": "3.2", "angle": "45",
    })
    layer.setRenderer(QgsSingleSymbolRenderer(symbol_of(QgsMarkerSymbol(), marker)))


def symbol_of(symbol: QgsSymbol, *layers: QgsSymbolLayer) -> QgsSymbol:
    """A symbol of just these layers."""
    # A list handed to the constructor would be freed by Python while QGIS holds it.
    symbol.deleteSymbolLayer(0)
    for layer in layers:
        symbol.appendSymbolLayer(layer)
    return symbol


def _line(colour: str, width: float, style: str) -> QgsSimpleLineSymbolLayer:
    line = QgsSimpleLineSymbolLayer(QColor(colour), width)
    line.setWidthUnit(MILLIMETRES)
    line.setPenStyle({
        "solid": Qt.PenStyle.SolidLine, "dash": Qt.PenStyle.DashLine, "dot": Qt.PenStyle.DotLine,
    }[style])
    line.setPenCapStyle(Qt.PenCapStyle.FlatCap)
    return line


def _at_vertex(
    vertex: str, shape: str, colour: str, size: float, filled: bool
) -> QgsMarkerLineSymbolLayer:
    marker = QgsSimpleMarkerSymbolLayer.create({
        "name": shape, "color": colour if filled else "255,255,255,0", "outline_color": colour,
        "outline_width": "0.4" if shape == "arrowhead" else "0", "size": f"{size:.2f}",
        "joinstyle": "miter",
    })
    return _marker_line(vertex, marker)


def _gap() -> QgsMarkerLineSymbolLayer:
    """A break in the middle of an arrow that is drawn shorter than it is."""
    markers = [QgsSimpleMarkerSymbolLayer.create({
        "name": "square", "color": "white", "outline_style": "no", "size": "0"})]
    for shift in (-0.8, 0.8):
        bar = QgsSimpleMarkerSymbolLayer.create({
            "name": "line", "color": INK, "outline_color": INK, "outline_width": "0.4",
            "outline_style": "no", "size": "0", "angle": "20"})
        bar.setDataDefinedProperty(
            QgsSymbolLayer.Property.PropertyStrokeStyle,
            QgsProperty.fromExpression("if(\"cut\" = 1, 'solid', 'no')"))
        bar.setOffset(QPointF(shift, 0.0))
        markers.append(bar)
    for marker, size in zip(markers, (1.6, 2.6, 2.6)):
        # Without a size of its own it does not show where there is no feature, as in the legend.
        marker.setDataDefinedProperty(
            QgsSymbolLayer.Property.PropertySize,
            QgsProperty.fromExpression(f'if("cut" = 1, {size}, 0)'))
    return _marker_line("centralpoint", *markers)


def _marker_line(
    placement: str, *markers: QgsSimpleMarkerSymbolLayer
) -> QgsMarkerLineSymbolLayer:
    line = QgsMarkerLineSymbolLayer.create({"placement": placement, "rotate": "1"})
    line.setSubSymbol(symbol_of(QgsMarkerSymbol(), *markers))
    return line


def plain_labels(size: float, colour: str) -> QgsPalLayerSettings:
    """Labels from the field of that name, with a halo."""
    halo = QgsTextBufferSettings()
    halo.setEnabled(True)
    halo.setSize(0.7)
    halo.setColor(QColor("white"))
    text = QgsTextFormat()
    text.setSize(size)
    text.setColor(QColor(colour))
    text.setBuffer(halo)
    settings = QgsPalLayerSettings()
    settings.setFormat(text)
    settings.fieldName = "label"
    return settings


def _labels(size: float, colour: str) -> QgsPalLayerSettings:
    settings = plain_labels(size, colour)
    # Where labels are in each other's way those of ordinary residuals give in, also to the
    # person's own, and those of pairs in doubt come first.
    settings.priority = 2
    in_doubt = ", ".join(f"'{state}'" for state in DOUBTS)
    properties = QgsPropertyCollection()
    properties.setProperty(
        QgsPalLayerSettings.Property.Priority,
        QgsProperty.fromExpression(f"if(\"state\" IN ({in_doubt}), 10, 2)"))
    settings.setDataDefinedProperties(properties)
    return settings


def set_labels(layer: QgsVectorLayer, settings: QgsPalLayerSettings) -> None:
    """Switch labels on."""
    layer.setLabeling(QgsVectorLayerSimpleLabeling(settings))
    layer.setLabelsEnabled(True)
