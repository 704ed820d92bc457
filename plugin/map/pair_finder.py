"""From a row of the pair table to its place on the map, and back."""

from __future__ import annotations

from functools import partial
from typing import Dict, List, Optional, Sequence, Tuple

from qgis.core import QgsGeometry, QgsPointXY, QgsProject, QgsRectangle
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...core.pairs import Pair
from ..job.job import Job
from .canvas_places import on_canvas
from .connections import Connections
from .map_marks import Kind, MapMarks
from .map_ring import MapRing
from .result_layers import ResultLayers

#: Rings at most: beyond, the selected features alone show what is selected.
MOST_RINGS = 60
#: Room round the pairs that are zoomed to, as a share of their extent.
ROOM_SHARE = 0.3


class PairFinder(QObject):
    """Shows selected pairs on the map, and tells which pair was selected on the map.

    Signals
    -------
    picked : int
        Place in the job of a pair.
    """

    picked = pyqtSignal(int)

    def __init__(
        self, job: Job, canvas: QgsMapCanvas, marks: MapMarks, results: ResultLayers,
        parent: Optional[QObject] = None,
    ) -> None:
        super().__init__(parent)
        self._job, self._canvas, self._marks, self._results = job, canvas, marks, results
        self._rings: List[MapRing] = []
        self._selected: List[Pair] = []
        self._watched = Connections()
        self._always = Connections()
        self._always.make(job, "changed", self._job_changed)
        self._always.make(marks, "changed", self._redraw)
        self._always.make(canvas, "layersChanged", self._redraw)
        self._always.make(results, "picked", self.picked)
        self._always.make(QgsProject.instance(), "layersWillBeRemoved", self._layers_go)
        self._watch()

    def let_go(self) -> None:
        self._always.undo()
        self._watched.undo()
        self._selected = []
        self._take_rings()

    # -- from the table to the map ------------------------------------------------------------

    def select(self, places: Sequence[int]) -> None:
        """Put rings round pairs; a single one that is out of view is brought into it."""
        pairs = self._job.state.pairs
        self._selected = [pairs[place] for place in places if 0 <= place < len(pairs)]
        self._results.select(places)
        self._redraw()
        points = self._points(self._selected)
        if not points:
            return
        if len(self._selected) == 1:
            extent = self._canvas.extent()
            if not any(extent.contains(point) for point in points):
                self._canvas.setCenter(points[0])
                self._canvas.refresh()
        self._canvas.flashGeometries([QgsGeometry.fromPointXY(point) for point in points])

    def zoom_to(self, places: Sequence[int]) -> None:
        """Show pairs as large as the map allows."""
        pairs = self._job.state.pairs
        points = self._points([pairs[place] for place in places if 0 <= place < len(pairs)])
        if not points:
            return
        extent = QgsRectangle(points[0], points[0])
        for point in points[1:]:
            extent.combineExtentWith(point)
        side = max(extent.width(), extent.height())
        if side == 0.0:
            self._canvas.setCenter(points[0])
        else:
            self._canvas.setExtent(extent.buffered(ROOM_SHARE * side))
        self._canvas.refresh()

    def _points(self, pairs: Sequence[Pair]) -> List[QgsPointXY]:
        return [point for _, point in self._places(pairs)]

    def _places(self, pairs: Sequence[Pair]) -> List[Tuple[Kind, QgsPointXY]]:
        """Where the marks of pairs are drawn. An observation that no layer holds (a typed one)
        stands where its position belongs."""
        control, observed = self._drawn(Kind.CONTROL), self._drawn(Kind.OBSERVATION)
        found = []
        for pair in pairs:
            point = observed.get(pair.observation.id)
            if point is None:
                shot = pair.observation
                point = on_canvas(self._canvas, shot.latitude, shot.longitude,
                                  shot.crs or self._job.state.settings.observation_crs)
            if point is not None:
                found.append((Kind.OBSERVATION, point))
            if pair.control.id in control:
                found.append((Kind.CONTROL, control[pair.control.id]))
        return found

    def _drawn(self, kind: Kind) -> Dict[str, QgsPointXY]:
        if self._marks.problem(kind):
            return {}
        return {name: mark.point for name, mark in self._marks.named(kind).items()
                if mark.point is not None}

    def _redraw(self, *_: object) -> None:
        self._take_rings()
        for kind, point in self._places(self._selected[:MOST_RINGS]):
            ring = MapRing(self._canvas, radius=12.0)
            ring.show_at(kind, point)
            self._rings.append(ring)

    def _take_rings(self) -> None:
        while self._rings:
            self._rings.pop().remove()

    # -- from the map to the table ------------------------------------------------------------

    def _job_changed(self) -> None:
        pairs = set(self._job.state.pairs)
        kept = [pair for pair in self._selected if pair in pairs]
        if kept != self._selected:
            self._selected = kept
            self._redraw()
        self._watch()

    def _watch(self) -> None:
        """Listen to selections in the two layers."""
        self._watched.undo()
        for kind in Kind:
            layer = self._marks.layer(kind)
            if layer is not None:
                self._watched.make(layer, "selectionChanged", partial(self._layer_selected, kind))

    def _layers_go(self, layer_ids: List[str]) -> None:
        for kind in Kind:
            layer = self._marks.layer(kind)
            if layer is not None and layer.id() in layer_ids:
                self._watched.undo()

    def _layer_selected(self, kind: Kind, chosen: List[int], *_: object) -> None:
        if not chosen:
            return
        known = {mark.feature_id: name for name, mark in self._marks.named(kind).items()}
        wanted = known.get(chosen[0])
        for place, pair in enumerate(self._job.state.pairs):
            part = pair.control if kind is Kind.CONTROL else pair.observation
            if part.id == wanted:
                self.picked.emit(place)
                return
