"""A ring round a mark on the canvas: a diamond for control, a circle for observations."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsPointXY
from qgis.gui import QgsMapCanvas, QgsMapCanvasItem
from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QBrush, QColor, QPainter, QPen, QPolygonF

from .map_marks import Kind

#: Readable on aerial images and on paper white: dark lines with a light rim.
INK = {Kind.CONTROL: QColor("#8a1c7c"), Kind.OBSERVATION: QColor("#00708c")}
RIM = QColor(255, 255, 255, 220)


class MapRing(QgsMapCanvasItem):
    """Stays at its place on the map, and at its size on the screen.

    Parameters
    ----------
    dashed : bool
        For what is only proposed.
    """

    def __init__(self, canvas: QgsMapCanvas, radius: float = 9.0, dashed: bool = False) -> None:
        super().__init__(canvas)
        self._canvas = canvas
        self._radius, self._dashed = radius, dashed
        self._kind = Kind.OBSERVATION
        self._point: Optional[QgsPointXY] = None
        self.setZValue(200)
        self.hide()

    @property
    def point(self) -> Optional[QgsPointXY]:
        """Where it stands on the map; None while it is hidden."""
        return self._point

    def show_at(self, kind: Kind, point: Optional[QgsPointXY]) -> None:
        """Move it to a point of the map; None hides it."""
        self._kind, self._point = kind, point
        if point is None:
            self.hide()
            return
        self.updatePosition()
        self.show()
        self.update()

    def remove(self) -> None:
        """Take it off the canvas for good."""
        self._canvas.scene().removeItem(self)

    def updatePosition(self) -> None:
        if self._point is not None:
            self.setPos(self.toCanvasCoordinates(self._point))

    def boundingRect(self) -> QRectF:
        side = self._radius * 1.5 + 4.0
        return QRectF(-side, -side, 2.0 * side, 2.0 * side)

    def paint(self, painter: QPainter, option: object = None, widget: object = None) -> None:
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setBrush(QBrush(Qt.BrushStyle.NoBrush))
        for colour, width in ((RIM, 5.0), (INK[self._kind], 2.2)):
            pen = QPen(colour, width)
            if self._dashed and colour is not RIM:
                pen.setStyle(Qt.PenStyle.DashLine)
            painter.setPen(pen)
            if self._kind is Kind.CONTROL:
                reach = self._radius * 1.35
                painter.drawPolygon(QPolygonF([
                    QPointF(0, -reach), QPointF(reach, 0), QPointF(0, reach), QPointF(-reach, 0)]))
            else:
                painter.drawEllipse(QPointF(0, 0), self._radius, self._radius)
