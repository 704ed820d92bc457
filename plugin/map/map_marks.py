"""The marks of the two chosen layers as they stand on the canvas, and who lies near a point."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Dict, List, Optional, Tuple, Union

import numpy as np
from qgis.core import (
    QgsCoordinateTransform,
    QgsCsException,
    QgsPointXY,
    QgsProject,
    QgsVectorLayer,
)
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...core.errors import InputError, SitetieError
from ...core.nearby import control_positions, nearest, predicted_positions, search_radius
from ...core.pairs import Control, Observation
from ...core.settings import Settings
from ..job.job import Job
from ..job.layer_points import read_control, read_observations
from ..job.layer_source import find_layer, has_points
from ..job.state import LayerSource
from .connections import Connections
from .first_vertices import first_vertices

#: Signals of a layer after which its marks may be other ones.
CHANGES = (
    "dataChanged", "featureAdded", "featuresDeleted", "geometryChanged", "attributeValueChanged",
    "crsChanged", "subsetStringChanged", "afterRollBack",
)


class Kind(enum.Enum):
    """What a mark is."""

    CONTROL = "control point"
    OBSERVATION = "observation"

    @property
    def other(self) -> "Kind":
        return Kind.OBSERVATION if self is Kind.CONTROL else Kind.CONTROL

    @property
    def article(self) -> str:
        return "a control point" if self is Kind.CONTROL else "an observation"


@dataclass(frozen=True, eq=False)
class MapMark:
    """A feature of one of the two layers.

    Attributes
    ----------
    kind : Kind
    feature_id : int
    point : QgsPointXY or None
        On the canvas; None for a feature without a geometry, which can only be paired by its id.
    value : Control, Observation or None
        None when the feature cannot be read; `MapMarks.fault` says why.
    """

    kind: Kind
    feature_id: int
    point: Optional[QgsPointXY]
    value: Union[Control, Observation, None]

    @property
    def id(self) -> str:
        return "" if self.value is None else self.value.id


@dataclass(frozen=True)
class Partner:
    """Whom the tie expects beside a mark, and how far away, in site units."""

    mark: MapMark
    distance: float


class _Side:
    """The marks of one layer."""

    def __init__(
        self, source: LayerSource, settings: Settings, layer: QgsVectorLayer,
        marks: List[MapMark], faults: List[SitetieError],
    ) -> None:
        self.source, self.settings, self.layer = source, settings, layer
        self.layer_id = layer.id()
        self.marks, self.faults = marks, faults
        self.points = np.array(
            [(np.nan, np.nan) if mark.point is None else (mark.point.x(), mark.point.y())
             for mark in marks], dtype=float,
        ).reshape(-1, 2)
        self.readable = [mark for mark in marks if mark.value is not None]


class MapMarks(QObject):
    """Reads the layers when they are first needed, and again after they have changed.

    Signals
    -------
    changed
        The marks are other ones now, or their layer is gone.
    """

    changed = pyqtSignal()

    def __init__(self, job: Job, canvas: QgsMapCanvas, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self._job, self._canvas = job, canvas
        self._sides: Dict[Kind, _Side] = {}
        self._layers = Connections()
        self._predicted: Tuple[object, object, np.ndarray] = (None, None, np.zeros((0, 2)))
        self._always = Connections()
        self._always.make(canvas, "destinationCrsChanged", self._forget)
        # Not before they are gone: whoever hears of it would read them once more.
        self._always.make(QgsProject.instance(), "layersRemoved", self._layers_gone)
        self._always.make(job, "changed", self._job_changed)

    def let_go(self) -> None:
        """Forget everything and stop listening."""
        self._always.undo()
        self._layers.undo()
        self._sides.clear()

    # -- what there is ------------------------------------------------------------------------

    def source(self, kind: Kind) -> Optional[LayerSource]:
        state = self._job.state
        return state.control if kind is Kind.CONTROL else state.observations

    def problem(self, kind: Kind) -> str:
        """Why nothing of that kind can be pointed at; blank when it can."""
        source = self.source(kind)
        if source is None:
            return (f"No layer with {kind.value}s is chosen. Choose one under Layers.")
        layer = find_layer(source)
        if layer is None:
            return (f"The layer “{source.name}” with the {kind.value}s is missing. Load it again, "
                    "or choose another one under Layers.")
        if not has_points(layer):
            return (f"The layer “{layer.name()}” has no points on the map. Pair by ids, or choose "
                    "a layer with points.")
        if layer not in self._canvas.layers():
            return f"The layer “{layer.name()}” is not shown. Switch it on in the layer tree."
        try:
            self._side(kind)
        except SitetieError as error:
            return str(error)
        return ""

    def layer(self, kind: Kind) -> Optional[QgsVectorLayer]:
        return find_layer(self.source(kind))

    def readable(self, kind: Kind) -> List[MapMark]:
        """All marks of a kind that can be read, on the map or not.

        Raises
        ------
        SitetieError
            When there is no such layer, or its mapping cannot serve.
        """
        return list(self._side(kind).readable)

    def faults(self, kind: Kind) -> List[SitetieError]:
        """Why some features cannot be read. Raises as `readable`."""
        return list(self._side(kind).faults)

    def near(self, kind: Kind, point: QgsPointXY, tolerance: float) -> List[MapMark]:
        """Marks within a distance (map units) of a point, nearest first; none of a layer that is
        not shown."""
        if self.layer(kind) not in self._canvas.layers():
            return []
        try:
            side = self._side(kind)
        except SitetieError:
            return []
        distances = np.hypot(side.points[:, 0] - point.x(), side.points[:, 1] - point.y())
        found = np.flatnonzero(distances <= tolerance)
        return [side.marks[i] for i in found[np.argsort(distances[found], kind="stable")]]

    def fault(self, mark: MapMark) -> SitetieError:
        """Why a mark without a value cannot be read."""
        layer, source = self.layer(mark.kind), self.source(mark.kind)
        if layer is not None and source is not None:
            try:
                _read(layer, source, self._job.state.settings, mark.kind, [mark.feature_id], None)
            except SitetieError as error:
                return error
        return InputError(
            f"Feature {mark.feature_id} has the id of another feature.",
            "Give every feature an id of its own.",
        )

    def partner(self, mark: MapMark) -> Optional[Partner]:
        """Whom the tie expects beside a mark: the nearest of the other kind that is in no pair
        yet, as far as honest ones may lie. None where there is no tie or nobody."""
        tie = self._job.tie
        if tie is None or mark.value is None:
            return None
        pairs = self._job.state.pairs
        taken = {pair.control.id for pair in pairs} | {pair.observation.id for pair in pairs}
        try:
            others = self._side(mark.kind.other).readable
            places = self._places(mark.kind.other).copy()
            here = self.place(mark)
            shot = mark if mark.kind is Kind.OBSERVATION else None
            places[[other.id in taken for other in others]] = np.nan
            found = None if here is None else nearest(here, places)
            if found is None:
                return None
            shot = shot or others[found[0]]
            radius = search_radius(tie, [shot.value])  # type: ignore[list-item]
        except SitetieError:
            return None
        return Partner(others[found[0]], found[1]) if found[1] <= radius else None

    def place(self, mark: MapMark) -> Optional[Tuple[float, float]]:
        """Site easting and northing of a mark: given for control, by the tie for an observation.

        None where there is none.
        """
        if isinstance(mark.value, Control):
            values = control_positions([mark.value])[0]
        elif isinstance(mark.value, Observation) and self._job.tie is not None:
            try:
                values = predicted_positions([mark.value], self._job.tie)[0]
            except SitetieError:
                return None
        else:
            return None
        return (float(values[0]), float(values[1])) if np.isfinite(values).all() else None

    def _places(self, kind: Kind) -> np.ndarray:
        """(n, 2) site positions of the readable marks of a kind."""
        side = self._side(kind)
        values = [mark.value for mark in side.readable]
        if kind is Kind.CONTROL:
            return control_positions(values)  # type: ignore[arg-type]
        tie = self._job.tie
        assert tie is not None  # only asked for where there is one
        if self._predicted[0] is not tie or self._predicted[1] is not side:
            self._predicted = (tie, side, predicted_positions(values, tie))  # type: ignore[arg-type]
        return self._predicted[2]

    # -- reading ------------------------------------------------------------------------------

    def _side(self, kind: Kind) -> _Side:
        source = self.source(kind)
        layer = find_layer(source)
        if source is None or layer is None:
            name = "" if source is None else f" “{source.name}”"
            raise InputError(f"The layer{name} with the {kind.value}s is missing.",
                             "Choose one under Layers.")
        known = self._sides.get(kind)
        if known is not None and known.layer is layer:
            return known
        side = self._read_side(kind, source, layer)
        self._sides[kind] = side
        for signal in CHANGES:
            self._layers.make(layer, signal, self._forget)
        return side

    def _read_side(self, kind: Kind, source: LayerSource, layer: QgsVectorLayer) -> _Side:
        settings = self._job.state.settings
        faults: List[SitetieError] = []
        values = dict(_read(layer, source, settings, kind, None, faults))
        marks = []
        for feature_id, point in _points(layer, self._canvas).items():
            marks.append(MapMark(kind, feature_id, point, values.pop(feature_id, None)))
        marks += [MapMark(kind, feature_id, None, value) for feature_id, value in values.items()]
        return _Side(source, settings, layer, marks, faults)

    def _forget(self, *_: object) -> None:
        self._layers.undo()
        if self._sides:
            self._sides.clear()
            self.changed.emit()

    def _layers_gone(self, layer_ids: List[str]) -> None:
        if any(side.layer_id in layer_ids for side in self._sides.values()):
            self._forget()

    def _job_changed(self) -> None:
        """Another layer, mapping or frame makes other marks; other pairs do not."""
        settings = self._job.state.settings
        for kind, side in self._sides.items():
            if side.source != self.source(kind) or (
                side.settings.observation_crs != settings.observation_crs
            ):
                self._forget()
                return


def _read(layer, source, settings, kind: Kind, feature_ids, skipped):
    """(feature id, value) of the features that can be read."""
    if kind is Kind.CONTROL:
        return [tuple(found) for found in read_control(layer, source, feature_ids, skipped)]
    return [tuple(found) for found in
            read_observations(layer, source, settings, feature_ids, skipped)]


def _points(layer: QgsVectorLayer, canvas: QgsMapCanvas) -> Dict[int, Optional[QgsPointXY]]:
    """Where the features of a layer are drawn; a layer without a CRS is drawn as it stands."""
    change = QgsCoordinateTransform(
        layer.crs(), canvas.mapSettings().destinationCrs(), QgsProject.instance())
    points: Dict[int, Optional[QgsPointXY]] = {}
    for feature_id, vertex in first_vertices(layer):
        try:
            points[feature_id] = None if vertex is None else change.transform(QgsPointXY(vertex))
        except QgsCsException:
            points[feature_id] = None
    return points
