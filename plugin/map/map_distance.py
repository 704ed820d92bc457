"""How far apart two marks are, in words: on the site grid once there is a tie, else as drawn."""

from __future__ import annotations

import math
from typing import Optional, Tuple

from qgis.core import QgsPointXY
from qgis.gui import QgsMapCanvas

from ...core.errors import SitetieError
from ...core.misreadings import geodesic_distance
from ...core.wording import length_words
from ..job.job import Job
from ..translation import tr
from .canvas_places import from_canvas
from .map_marks import MapMark, MapMarks


class MapDistance:
    """Measures for the pairing tool."""

    def __init__(self, job: Job, canvas: QgsMapCanvas, marks: MapMarks) -> None:
        self._job, self._canvas, self._marks = job, canvas, marks

    def between(self, one: MapMark, other: MapMark) -> str:
        """Of two marks; blank where it cannot be told."""
        if self._job.tie is not None:
            first, second = self._marks.place(one), self._marks.place(other)
            return "" if first is None or second is None else self._on_site(first, second)
        if one.point is None or other.point is None:
            return ""
        return self._as_drawn(one.point, other.point)

    def to_cursor(self, mark: MapMark, cursor: QgsPointXY) -> str:
        """Of a mark and a point of the map; blank where it cannot be told."""
        if self._job.tie is not None:
            first, second = self._marks.place(mark), self._site_place(cursor)
            return "" if first is None or second is None else self._on_site(first, second)
        return "" if mark.point is None else self._as_drawn(mark.point, cursor)

    def _on_site(self, first: Tuple[float, float], second: Tuple[float, float]) -> str:
        length = math.hypot(first[0] - second[0], first[1] - second[1])
        return tr(
            "{length} on the site grid").format(
            length=length_words(length, self._job.state.settings.site_length))

    def _as_drawn(self, one: QgsPointXY, other: QgsPointXY) -> str:
        """Before there is a tie: on the ellipsoid, from where both are drawn, in site units."""
        first, second = self._geodetic(one), self._geodetic(other)
        if first is None or second is None:
            return ""
        unit = self._job.state.settings.site_length
        length = geodesic_distance(first, second) / unit.metres
        return tr(
            "{length} as drawn on the map (there is no solution yet)").format(
            length=length_words(length, unit))

    def _site_place(self, cursor: QgsPointXY) -> Optional[Tuple[float, float]]:
        tie, position = self._job.tie, self._geodetic(cursor)
        if tie is None or position is None:
            return None
        try:
            easting, northing, _ = tie.to_site(*position)
        except SitetieError:
            return None
        return easting, northing

    def _geodetic(self, point: QgsPointXY) -> Optional[Tuple[float, float]]:
        return from_canvas(self._canvas, point, self._job.state.settings.observation_crs)
