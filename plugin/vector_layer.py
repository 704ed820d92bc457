"""Features carried to the site grid or back, vertex by vertex; all else stays as it is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import islice
from typing import Callable, List, Optional, Sequence, Tuple

import numpy as np
from qgis.core import QgsFeature, QgsFeatureRequest, QgsGeometry, QgsProcessingFeatureSource

from ..core.densify import bend, densified
from ..core.errors import InputError, SitetieError
from ..core.layer_way import LayerWay
from ..core.wkb import Run, find_runs, replaced
from .layer_positions import EVERY, Progress
from .outputs import LayerOutput


@dataclass
class Carried:
    """What was carried so far.

    Attributes
    ----------
    features, without_geometry : int
    points : int
        Vertices, those added on segments among them.
    added : int
        Vertices added on segments.
    heights : int
        Vertices whose height was changed.
    """

    features: int = 0
    without_geometry: int = 0
    points: int = 0
    added: int = 0
    heights: int = 0


@dataclass(frozen=True)
class Carrier:
    """Carries geometries one way.

    Attributes
    ----------
    way : LayerWay
    to_site : bool
        Or from the site.
    deviation : float or None
        How far straight segments may stray, in site units, before further points are put on
        them; None never.
    degrees : bool
        Whether the results are longitudes and latitudes.
    """

    way: LayerWay
    to_site: bool
    deviation: Optional[float] = None
    degrees: bool = False

    def features(self, batch: Sequence[QgsFeature], count: Carried) -> None:
        """Give features their new geometries."""
        shapes = [bytes(feature.geometry().asWkb().data()) if feature.hasGeometry() else b""
                  for feature in batch]
        runs = [find_runs(shape) if shape else [] for shape in shapes]
        points = [run.read(shape) for shape, own in zip(shapes, runs) for run in own]
        flat = [run for own in runs for run in own]
        before = sum(map(len, points))
        if self.deviation is not None:
            points = densified(points, [run.straight for run in flat], self._stray, self.deviation)
        owners = np.repeat(np.arange(len(runs)), [len(own) for own in runs])
        moved = self._moved(flat, points, owners, count)
        place = iter(moved)
        for feature, shape, own in zip(batch, shapes, runs):
            if not shape:
                continue
            geometry = QgsGeometry()
            geometry.fromWkb(replaced(shape, own, list(islice(place, len(own)))))
            feature.setGeometry(geometry)
        count.features += len(batch)
        count.without_geometry += sum(not own or not any(run.points for run in own) for own in runs)
        count.points += sum(map(len, points))
        count.added += sum(map(len, points)) - before

    def _moved(
        self, runs: Sequence[Run], points: Sequence[np.ndarray], owners: np.ndarray, count: Carried
    ) -> List[np.ndarray]:
        if not points:
            return []
        lengths = [len(run) for run in points]
        x, y = (np.concatenate([run[:, i] for run in points]).astype(float) for i in (0, 1))
        z = np.concatenate([run[:, 2] if kind.has_z else np.full(len(run), np.nan)
                            for kind, run in zip(runs, points)]).astype(float)
        there = np.isfinite(x) & np.isfinite(y)  # an empty point has NaN
        carry = self.way.to_site if self.to_site else self.way.to_layer
        if there.any():
            x[there], y[there], z[there] = carry(x[there], y[there], z[there])
        if self.way.metres is not None:
            count.heights += int((there & np.isfinite(z)).sum())
        if self.degrees:
            x = _continuous(x, np.repeat(owners, lengths))
        made, at = [], 0
        for kind, run in zip(runs, points):
            piece, at = slice(at, at + len(run)), at + len(run)
            moved = run.astype(float)
            for place, values in enumerate((x, y, z)[: 3 if kind.has_z else 2]):
                moved[:, place] = values[piece]
            made.append(moved)
        return made

    def _stray(self, one: np.ndarray, other: np.ndarray) -> np.ndarray:
        """How far the images of straight segments are from straight, site units."""
        if self.to_site:
            first, last = (self._plane(self.way.to_site, ends) for ends in (one, other))
            return bend(first, last, lambda share: self._plane(
                self.way.to_site, one + share * (other - one)))
        first, last = (self._plane(self.way.to_layer, ends) for ends in (one, other))
        return bend(one, other, lambda share: self._plane(
            self.way.to_site, first + share * (last - first)))

    @staticmethod
    def _plane(carry: Callable, points: np.ndarray) -> np.ndarray:
        return np.stack(carry(*points.T, np.full(len(points), np.nan))[:2], axis=1)


def carry_layer(
    source: QgsProcessingFeatureSource, layer: LayerOutput, carrier: Carrier, progress: Progress
) -> Carried:
    """Carry and write all features of a layer.

    Raises
    ------
    InputError, FrameError
        Naming the layer and the feature to blame.
    OutputError, Cancelled
    """
    done, total = Carried(), max(source.featureCount(), 1)
    features = source.getFeatures()
    while True:
        progress(min(1.0, done.features / total))
        batch: List[QgsFeature] = list(islice(features, EVERY))
        if not batch:
            return done
        start = done.features
        try:
            carrier.features(batch, done)
        except SitetieError as error:
            raise _blamed(batch, start, carrier, error).at(file=source.sourceName()) from None
        layer.add(batch)


def _blamed(
    batch: Sequence[QgsFeature], start: int, carrier: Carrier, error: SitetieError
) -> SitetieError:
    """The error with the number of the first feature that raises it alone."""
    for place, feature in enumerate(batch):
        try:
            carrier.features([QgsFeature(feature)], Carried())
        except SitetieError as alone:
            return alone.at(row=start + place + 1)
    return error


def first_vertex(source: QgsProcessingFeatureSource) -> Tuple[float, float]:
    """x, y of the first vertex of a layer.

    Raises
    ------
    InputError
        When there is none.
    """
    request = QgsFeatureRequest()
    request.setNoAttributes()
    for feature in source.getFeatures(request):
        for vertex in feature.geometry().vertices() if feature.hasGeometry() else ():
            if math.isfinite(vertex.x()) and math.isfinite(vertex.y()):
                return vertex.x(), vertex.y()
    raise InputError("There is nothing with a geometry.", "Choose a layer with features.",
                     file=source.sourceName())


def _continuous(longitude: np.ndarray, owners: np.ndarray) -> np.ndarray:
    """Longitudes of which those of one feature go on beyond 180 rather than jump to -180."""
    if not len(longitude):
        return longitude
    starts = np.flatnonzero(np.r_[True, owners[1:] != owners[:-1]])
    low = np.fmin.reduceat(longitude, starts)
    high = np.fmax.reduceat(longitude, starts)
    torn = np.repeat(high - low > 180.0, np.diff(np.r_[starts, len(longitude)]))
    return np.where(torn & (longitude < 0.0), longitude + 360.0, longitude)
