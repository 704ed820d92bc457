"""On the map: where a mark would go if the suspect in the dock is right."""

from __future__ import annotations

from typing import List, Sequence

from qgis.core import QgsGeometry, QgsWkbTypes
from qgis.gui import QgsMapCanvas, QgsRubberBand
from qgis.PyQt.QtCore import Qt

from ...core.suspect_preview import Move
from ..job.job import Job
from .canvas_places import on_canvas
from .map_marks import Kind
from .map_ring import INK, RIM, MapRing

#: More corrected positions are the whole set's, and lines would cover the map.
MOST_LINES = 20


class SuspectMoves:
    """A dashed line from where a mark was put to where it would be, with a dashed ring there."""

    def __init__(self, job: Job, canvas: QgsMapCanvas) -> None:
        self._job, self._canvas = job, canvas
        self._lines: List[QgsRubberBand] = []
        self._rings: List[MapRing] = []

    def show(self, moves: Sequence[Move]) -> None:
        """Show these in place of those before; none takes everything off the map."""
        for line in self._lines:
            self._canvas.scene().removeItem(line)
        for ring in self._rings:
            ring.remove()
        self._lines, self._rings = [], []
        crs = self._job.state.settings.observation_crs
        for move in moves[:MOST_LINES]:
            start, end = (on_canvas(self._canvas, *place, crs) for place in (move.start, move.end))
            if start is None or end is None:
                continue
            line = QgsRubberBand(self._canvas, QgsWkbTypes.GeometryType.LineGeometry)
            line.setToGeometry(QgsGeometry.fromPolylineXY([start, end]), None)
            line.setColor(INK[Kind.OBSERVATION])
            line.setSecondaryStrokeColor(RIM)
            line.setWidth(2)
            line.setLineStyle(Qt.PenStyle.DashLine)
            ring = MapRing(self._canvas, dashed=True)
            ring.show_at(Kind.OBSERVATION, end)
            self._lines.append(line)
            self._rings.append(ring)
