"""How marks to look for look: the number is the rank, the size what the mark would bring."""

from __future__ import annotations

from qgis.core import (
    QgsFillSymbol,
    QgsFontMarkerSymbolLayer,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsProperty,
    QgsSimpleFillSymbolLayer,
    QgsSimpleMarkerSymbolLayer,
    QgsSingleSymbolRenderer,
    QgsSymbolLayer,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtGui import QColor

from .result_styles import BLUE, INK, MILLIMETRES, plain_labels, set_labels, symbol_of


def dress_seek(layer: QgsVectorLayer) -> None:
    properties = QgsSymbolLayer.Property
    disc = QgsSimpleMarkerSymbolLayer.create({
        "name": "circle", "color": "white", "outline_color": BLUE, "outline_width": "0.6",
        "size": "6",
    })
    disc.setDataDefinedProperty(
        properties.PropertySize, QgsProperty.fromExpression('5 + 3 * coalesce("share", 0)'))
    # The best one is filled, so that it is found at once.
    disc.setDataDefinedProperty(
        properties.PropertyFillColor,
        QgsProperty.fromExpression(f"if(\"next_rank\" = 1, '{BLUE}', 'white')"))
    number = QgsFontMarkerSymbolLayer("Sans Serif", "1", 3.2, QColor(INK))
    number.setSizeUnit(MILLIMETRES)
    number.setDataDefinedProperty(
        properties.PropertyCharacter, QgsProperty.fromExpression('to_string("next_rank")'))
    number.setDataDefinedProperty(
        properties.PropertyFillColor,
        QgsProperty.fromExpression(f"if(\"next_rank\" = 1, 'white', '{INK}')"))
    layer.setRenderer(QgsSingleSymbolRenderer(symbol_of(QgsMarkerSymbol(), disc, number)))
    settings = plain_labels(8.0, INK)
    settings.placement = QgsPalLayerSettings.Placement.AroundPoint
    settings.dist = 4.2
    settings.distUnits = MILLIMETRES
    set_labels(layer, settings)
    layer.setDisplayExpression('"control_id" || \': \' || "seek_text" || \' \' || "next_text"')


def dress_circles(layer: QgsVectorLayer) -> None:
    fill = QgsSimpleFillSymbolLayer(
        QColor(0, 114, 178, 30), Qt.BrushStyle.SolidPattern, QColor(BLUE), Qt.PenStyle.DashLine,
        0.4)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol_of(QgsFillSymbol(), fill)))
