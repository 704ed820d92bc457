"""Pairs that are only proposed, drawn on the canvas: a line, and the control id at the shot."""

from __future__ import annotations

from typing import List, Mapping, NamedTuple, Sequence, Tuple

from qgis.core import QgsPointXY, QgsRectangle
from qgis.gui import QgsMapCanvas, QgsMapCanvasItem
from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QBrush, QFont, QPainter, QPainterPath, QPen

from ...core.pairs import Control, Observation
from .map_marks import Kind, MapMark
from .map_ring import INK, RIM

#: Ids are left out of a sketch with more pairs: they would cover one another.
MOST_IDS = 120
RADIUS = 7.0


class SketchedPair(NamedTuple):
    """Two points of the canvas, and the words beside the second."""

    control: QgsPointXY
    observation: QgsPointXY
    words: str


def sketched(
    pairs: Sequence[Tuple[Control, Observation]], control: Mapping[str, MapMark],
    observed: Mapping[str, MapMark],
) -> List[SketchedPair]:
    """Pairs whose marks are both on the canvas."""
    found = []
    for point, shot in pairs:
        here, there = control.get(point.id), observed.get(shot.id)
        if here is None or there is None or here.point is None or there.point is None:
            continue
        found.append(SketchedPair(here.point, there.point, point.id))
    return found


class PairingSketch(QgsMapCanvasItem):
    """Covers the canvas and follows it; shows what it was last given."""

    def __init__(self, canvas: QgsMapCanvas) -> None:
        super().__init__(canvas)
        self._canvas = canvas
        self.pairs: List[SketchedPair] = []
        self.setZValue(190)
        self.hide()

    def show_pairs(self, pairs: Sequence[SketchedPair]) -> None:
        """Draw these pairs instead of the last ones; brings them into view where none is."""
        self.pairs = list(pairs)
        self.setVisible(bool(pairs))
        points = [point for pair in pairs for point in (pair.control, pair.observation)]
        if points and not any(self._canvas.extent().contains(point) for point in points):
            extent = QgsRectangle(points[0], points[0])
            for point in points[1:]:
                extent.combineExtentWith(point)
            self._canvas.setExtent(extent.buffered(0.2 * max(extent.width(), extent.height())))
            self._canvas.refresh()
        self.updatePosition()
        self.update()

    def remove(self) -> None:
        """Take it off the canvas for good."""
        self._canvas.scene().removeItem(self)

    def updatePosition(self) -> None:
        self.prepareGeometryChange()
        self.setPos(0.0, 0.0)

    def boundingRect(self) -> QRectF:
        return QRectF(0.0, 0.0, self._canvas.width(), self._canvas.height())

    def paint(self, painter: QPainter, option: object = None, widget: object = None) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setBrush(QBrush(Qt.BrushStyle.NoBrush))
        placed = [(self.toCanvasCoordinates(pair.control), self.toCanvasCoordinates(
            pair.observation), pair.words) for pair in self.pairs]
        for colour, width in ((RIM, 4.5), (INK[Kind.CONTROL], 1.8)):
            pen = QPen(colour, width)
            if colour is not RIM:
                pen.setStyle(Qt.PenStyle.DashLine)
            painter.setPen(pen)
            for control, observation, _ in placed:
                painter.drawLine(control, observation)
                painter.drawEllipse(observation, RADIUS, RADIUS)
        if len(placed) <= MOST_IDS:
            font = QFont(self._canvas.font())
            font.setBold(True)
            for _, observation, words in placed:
                self._write(painter, font, observation, words)

    def _write(self, painter: QPainter, font: QFont, place: QPointF, words: str) -> None:
        """Letters with a light rim, to be read on any ground."""
        letters = QPainterPath()
        letters.addText(place + QPointF(RADIUS + 4.0, -RADIUS), font, words)
        painter.strokePath(letters, QPen(RIM, 4.0))
        painter.fillPath(letters, QBrush(INK[Kind.CONTROL]))
