"""The marks of the two chosen layers as they stand on the canvas, and who lies near a point."""

from __future__ import annotations

import enum
from dataclasses import dataclass
from typing import Dict, Iterator, List, Optional, Tuple, Union

import numpy as np
from qgis.core import (
    QgsCoordinateTransform,
    QgsCsException,
    QgsFeatureRequest,
    QgsPoint,
    QgsPointXY,
    QgsProject,
    QgsVectorLayer,
)
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...core.errors import InputError, SitetieError
from ...core.nearby import control_positions, nearest, predicted_positions, search_radius
from ...core.pair_table import cell_text
from ...core.pairs import Control, Observation
from ...core.settings import Settings
from ...core.tie import Tie
from ..cells import cell
from ..job.job import Job
from ..job.layer_points import read_control, read_observations
from ..job.layer_source import find_layer, has_points
from ..job.state import FEATURE_ID, LayerSource
from ..translation import tr
from .canvas_places import on_canvas
from .connections import Connections
from .first_vertices import first_vertex

#: Signals of a layer after which its marks may be other ones.
CHANGES = (
    "dataChanged", "featureAdded", "featuresDeleted", "geometryChanged", "attributeValueChanged",
    "crsChanged", "subsetStringChanged", "afterRollBack",
)


#: Marks looked at near a point; repeated shots at one place are fewer.
MOST_NEAR = 40
#: Features of a layer at most: finding the marks of a larger one would take QGIS's time.
MOST_MARKS = 100_000
#: Features of a layer that is read through to find a partner where the map has no CRS.
MOST_READ = 2000


class Kind(enum.Enum):
    """What a mark is."""

    CONTROL = tr("control point")
    OBSERVATION = "observation"

    @property
    def other(self) -> "Kind":
        return Kind.OBSERVATION if self is Kind.CONTROL else Kind.CONTROL

    @property
    def article(self) -> str:
        return tr("a control point") if self is Kind.CONTROL else tr("an observation")


ID_NAMES = {Kind.CONTROL: "control_id", Kind.OBSERVATION: "observation_id"}


class MapMark:
    """A feature of one of the two layers; its values are read when they are first asked for.

    Attributes
    ----------
    kind : Kind
    feature_id : int
    id : str
        Blank where the feature has none.
    point : QgsPointXY or None
        On the canvas; None for a feature without a geometry, which can only be paired by its id.
    """

    def __init__(
        self, side: "_Side", feature_id: int, name: str, point: Optional[QgsPointXY]
    ) -> None:
        self.kind, self.feature_id, self.id, self.point = side.kind, feature_id, name, point
        self._side: Optional[_Side] = side
        self._value: Union[Control, Observation, None] = None

    @property
    def value(self) -> Union[Control, Observation, None]:
        """None when the feature cannot be read; `MapMarks.fault` says why."""
        if self._side is not None:
            side, self._side = self._side, None
            self._value = side.read_one(self)
        return self._value

    def take(self, value: Union[Control, Observation, None]) -> None:
        """What reading all features at once has found."""
        self._side, self._value = None, value


@dataclass(frozen=True)
class Partner:
    """Whom the tie expects beside a mark, and how far away, in site units."""

    mark: MapMark
    distance: float


class _Side:
    """The marks of one layer.

    Raises
    ------
    SitetieError
        When the mapping or the CRS of the layer cannot serve.
    """

    def __init__(
        self, kind: Kind, source: LayerSource, settings: Settings, layer: QgsVectorLayer,
        canvas: QgsMapCanvas,
    ) -> None:
        self.kind, self.source, self.settings, self.layer = kind, source, settings, layer
        self.layer_id = layer.id()
        if layer.featureCount() > MOST_MARKS:
            raise InputError(
                tr(
                    "The layer has {featurecount:,} features, too many to look for "
                    "marks in.").format(featurecount=layer.featureCount()),
                tr(
                    "Choose a layer with the marks alone, or set a filter "
                    "on it."), file=layer.name(),
            )
        self.read([])  # no feature: only what the layer itself cannot do
        change = QgsCoordinateTransform(
            layer.crs(), canvas.mapSettings().destinationCrs(), QgsProject.instance())
        id_field = source.field_of(ID_NAMES[kind])
        self.marks = [
            MapMark(self, feature_id, name, _moved(change, vertex))
            for feature_id, name, vertex in _named_vertices(layer, id_field)
        ]
        self.points = np.array(
            [(np.nan, np.nan) if mark.point is None else (mark.point.x(), mark.point.y())
             for mark in self.marks], dtype=float,
        ).reshape(-1, 2)
        self._first: Dict[str, int] = {}
        for mark in self.marks:
            self._first.setdefault(mark.id, mark.feature_id)
        self.faults: List[SitetieError] = []
        self._all_read = False

    def read(
        self, feature_ids: Optional[List[int]], skipped: Optional[List[SitetieError]] = None
    ) -> Dict[int, Union[Control, Observation]]:
        """Values of features; see `read_control`."""
        found: Dict[int, Union[Control, Observation]] = {}
        if self.kind is Kind.CONTROL:
            found.update(read_control(self.layer, self.source, feature_ids, skipped))
        else:
            found.update(read_observations(
                self.layer, self.source, self.settings, feature_ids, skipped))
        return found

    def read_one(self, mark: MapMark) -> Union[Control, Observation, None]:
        """The value of a feature; None for one that cannot be read, or whose id is taken."""
        if self._first.get(mark.id) != mark.feature_id:
            return None
        try:
            return self.read([mark.feature_id], []).get(mark.feature_id)
        except SitetieError:
            return None

    def readable(self) -> List[MapMark]:
        """All marks that can be read."""
        if not self._all_read:
            self.faults = []
            values = self.read(None, self.faults)
            for mark in self.marks:
                mark.take(values.get(mark.feature_id))
            self._all_read = True
        return [mark for mark in self.marks if mark.value is not None]


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
            return (tr(
                "No layer with {value}s is chosen. Choose one under Layers.").format(
                value=kind.value))
        layer = find_layer(source)
        if layer is None:
            return (tr(
                "The layer “{name}” with the {value}s is missing. Load it again, or choose "
                "another one under Layers.").format(name=source.name, value=kind.value))
        if not has_points(layer):
            return (tr(
                "The layer “{name}” has no points on the map. Pair by ids, or choose a layer "
                "with points.").format(name=layer.name()))
        if layer not in self._canvas.layers():
            return tr(
                "The layer “{name}” is not shown. Switch it on in the layer tree.").format(
                name=layer.name())
        try:
            self._side(kind)
        except SitetieError as error:
            return str(error)
        return ""

    def layer(self, kind: Kind) -> Optional[QgsVectorLayer]:
        return find_layer(self.source(kind))

    def named(self, kind: Kind) -> Dict[str, MapMark]:
        """Marks by their id, read or not; none where there is no usable layer."""
        try:
            marks = self._side(kind).marks
        except SitetieError:
            return {}
        found: Dict[str, MapMark] = {}
        for mark in marks:
            if mark.id:
                found.setdefault(mark.id, mark)
        return found

    def readable(self, kind: Kind) -> List[MapMark]:
        """All marks of a kind that can be read, on the map or not.

        Raises
        ------
        SitetieError
            When there is no such layer, or its mapping cannot serve.
        """
        return self._side(kind).readable()

    def faults(self, kind: Kind) -> List[SitetieError]:
        """Why some features cannot be read. Raises as `readable`."""
        side = self._side(kind)
        side.readable()
        return list(side.faults)

    def near(self, kind: Kind, point: QgsPointXY, tolerance: float) -> List[MapMark]:
        """Marks within a distance (map units) of a point, nearest first and not more than
        `MOST_NEAR`; none of a layer that is not shown."""
        if self.layer(kind) not in self._canvas.layers():
            return []
        try:
            side = self._side(kind)
        except SitetieError:
            return []
        distances = np.hypot(side.points[:, 0] - point.x(), side.points[:, 1] - point.y())
        found = np.flatnonzero(distances <= tolerance)
        found = found[np.argsort(distances[found], kind="stable")][:MOST_NEAR]
        return [side.marks[i] for i in found]

    def fault(self, mark: MapMark) -> SitetieError:
        """Why a mark without a value cannot be read."""
        try:
            self._side(mark.kind).read([mark.feature_id])
        except SitetieError as error:
            return error
        return InputError(
            tr(
                "Feature {feature_id} has the id of another feature ({id}).").format(
                feature_id=mark.feature_id, id=mark.id),
            tr("Give every feature an id of its own."),
        )

    def partner(self, mark: MapMark) -> Optional[Partner]:
        """Whom the tie expects beside a mark: the nearest of the other kind that is in no pair
        yet, as far as honest ones may lie. None where there is no tie or nobody."""
        tie, here = self._job.tie, self.place(mark)
        if tie is None or here is None:
            return None
        pairs = self._job.state.pairs
        taken = {pair.control.id for pair in pairs} | {pair.observation.id for pair in pairs}
        try:
            others = [other for other in self._candidates(mark.kind.other, here, tie)
                      if other.id not in taken and other.value is not None]
            values = [other.value for other in others]
            if mark.kind is Kind.CONTROL:
                places = predicted_positions(values, tie)  # type: ignore[arg-type]
            else:
                places = control_positions(values)  # type: ignore[arg-type]
            found = nearest(here, places)
            if found is None:
                return None
            shot = mark if mark.kind is Kind.OBSERVATION else others[found[0]]
            radius = search_radius(tie, [shot.value])  # type: ignore[list-item]
        except SitetieError:
            return None
        return Partner(others[found[0]], found[1]) if found[1] <= radius else None

    def _candidates(
        self, kind: Kind, here: Tuple[float, float], tie: Tie
    ) -> List[MapMark]:
        """Marks that may be the partner: all control; of observations those drawn nearest to
        where the tie expects one, so that a large layer need not be read through."""
        side = self._side(kind)
        if kind is Kind.CONTROL or len(side.marks) <= MOST_NEAR:
            return side.readable()
        latitude, longitude, _ = tie.to_geodetic(*here)
        point = on_canvas(self._canvas, float(latitude), float(longitude),
                          tie.settings.observation_crs)
        if point is None:
            return side.readable() if len(side.marks) <= MOST_READ else []
        distances = np.hypot(side.points[:, 0] - point.x(), side.points[:, 1] - point.y())
        order = np.argsort(np.nan_to_num(distances, nan=np.inf))[:MOST_NEAR]
        return [side.marks[i] for i in order]

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

    # -- reading ------------------------------------------------------------------------------

    def _side(self, kind: Kind) -> _Side:
        source = self.source(kind)
        layer = find_layer(source)
        if source is None or layer is None:
            name = "" if source is None else f" “{source.name}”"
            raise InputError(tr(
                "The layer{name} with the {value}s is missing.").format(
                name=name, value=kind.value),
                             tr("Choose one under Layers."))
        known = self._sides.get(kind)
        if known is not None and known.layer is layer:
            return known
        side = _Side(kind, source, self._job.state.settings, layer, self._canvas)
        self._sides[kind] = side
        for signal in CHANGES:
            self._layers.make(layer, signal, self._forget)
        return side

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


def _named_vertices(
    layer: QgsVectorLayer, id_field: Optional[str]
) -> Iterator[Tuple[int, str, Optional[QgsPoint]]]:
    """Feature id, the id that people know it by, first point in the CRS of the layer."""
    place = layer.fields().lookupField(id_field) if id_field not in (None, FEATURE_ID) else -1
    request = QgsFeatureRequest()
    request.setSubsetOfAttributes([] if place < 0 else [place])
    for feature in layer.getFeatures(request):
        name = str(feature.id()) if place < 0 else cell_text(cell(feature.attribute(place)))
        yield feature.id(), name, first_vertex(feature)


def _moved(change: QgsCoordinateTransform, vertex: Optional[QgsPoint]) -> Optional[QgsPointXY]:
    """A point on the canvas; a layer without a CRS is drawn as it stands."""
    try:
        return None if vertex is None else change.transform(QgsPointXY(vertex))
    except QgsCsException:
        return None
