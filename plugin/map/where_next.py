"""Where to go next, on the map: marks not observed yet, numbered by rank, with search circles."""

from __future__ import annotations

from typing import Callable, Dict, List, NamedTuple, Optional, Sequence, Tuple

from qgis.core import (
    QgsApplication,
    QgsCoordinateTransformContext,
    QgsFields,
    QgsProject,
    QgsTask,
    QgsVectorLayer,
)
from qgis.PyQt import sip
from qgis.PyQt.QtCore import QObject, QTimer, pyqtSignal

from ...core.errors import SitetieError
from ...core.nearby import geodetic_positions
from ...core.tie import Tie
from ...core.work_area import WorkArea
from ..job.job import Job
from ..work_area_source import area_from_layer
from .connections import Connections
from .map_marks import Kind, MapMarks
from .memory_layer import ROLE_PROPERTY, MemoryRows, make_layer
from .result_layers import GROUP, ResultLayers
from .where_next_rows import (
    CIRCLES,
    SEEK,
    WHERE_NEXT_ROLES,
    WhereNextFound,
    where_next_fields,
    where_next_rows,
)
from .where_next_styles import dress_circles, dress_seek
from .where_next_task import WhereNextTask

#: Milliseconds after the last change, and those after which a bar shows what is going on.
DELAY, PATIENCE = 150, 700
#: Where the walk may begin.
BEST_KNOWN, LAST_PAIR = "best known", "last pair"


class _Plan(NamedTuple):
    kind: str
    fields: QgsFields
    dress: Callable[[QgsVectorLayer], None]
    title: str


class WhereNext(QObject):
    """Keeps two temporary layers up to date while they are wanted.

    Signals
    -------
    shown_changed : bool
    found_changed
        `found` is another one, or none.
    said : str
    computing : QgsTask
        A task that takes a while.

    Attributes
    ----------
    found : WhereNextFound or None
        Of the present tie.
    walk_from : str
        `BEST_KNOWN` or `LAST_PAIR`.
    area_layer : str
        Id of the layer with the work area; blank for the whole site.
    """

    shown_changed = pyqtSignal(bool)
    found_changed = pyqtSignal()
    said = pyqtSignal(str)
    computing = pyqtSignal(QgsTask)

    def __init__(
        self, job: Job, marks: MapMarks, results: ResultLayers, parent: Optional[QObject] = None
    ) -> None:
        super().__init__(parent)
        self._job, self._marks, self._results = job, marks, results
        self._project = QgsProject.instance()
        self.found: Optional[WhereNextFound] = None
        self.walk_from, self.area_layer = LAST_PAIR, ""
        self._shown = self._patience_lost = False
        self._layers: Dict[str, MemoryRows] = {}
        self._task: Optional[WhereNextTask] = None
        marks_fields, circle_fields = where_next_fields()
        self._plans = {
            SEEK: _Plan("Point", marks_fields, dress_seek,
                        "Where next: the number is the rank, the size what it would bring"),
            CIRCLES: _Plan("Polygon", circle_fields, dress_circles, "Search circles"),
        }
        self._pause = QTimer(self)
        self._pause.setSingleShot(True)
        self._pause.setInterval(DELAY)
        self._pause.timeout.connect(self._begin)
        self._always = Connections()
        self._always.make(job, "changed", self.again)
        self._always.make(marks, "changed", self.again)
        self._always.make(self._project, "layersWillBeRemoved", self._layers_go)
        self._always.make(self._project, "readProject", self._adopt)
        self._adopt()

    @property
    def shown(self) -> bool:
        return self._shown

    @property
    def busy(self) -> bool:
        """Whether something is being computed, or soon will be."""
        return self._pause.isActive() or self._task is not None

    def layer(self, role: str) -> Optional[QgsVectorLayer]:
        known = self._layers.get(role)
        return None if known is None else known.layer

    def show(self, shown: bool) -> None:
        """Put the marks on the map, or take them off it."""
        if shown == self._shown:
            return
        self._shown = shown
        if shown:
            self.again()
        else:
            self._remove()
        self.shown_changed.emit(shown)

    def choose(self, walk_from: str, area_layer: str) -> None:
        """Where the walk begins, and what the ranking is about."""
        if (walk_from, area_layer) != (self.walk_from, self.area_layer):
            self.walk_from, self.area_layer = walk_from, area_layer
            self.again()

    def select(self, control_ids: Sequence[str]) -> None:
        """Select marks on the map."""
        known = self._layers.get(SEEK)
        if known is not None:
            known.layer.selectByIds(known.feature_ids(lambda row: row.key[0] in control_ids))

    def again(self) -> None:
        """Something has changed: compute anew in a moment."""
        if self._shown:
            self._drop_task()
            self._pause.start()

    def let_go(self) -> None:
        """Remove the layers and stop listening."""
        self._always.undo()
        self._remove()

    # -- computing ----------------------------------------------------------------------------

    def _begin(self) -> None:
        tie = self._job.tie
        if tie is None:
            self._show(None)
            return
        try:
            control = [mark.value for mark in self._marks.readable(Kind.CONTROL)]
            area, start = self._area(tie), self._start(tie)
        except SitetieError as error:
            self._show(None)
            self.said.emit(str(error))
            return
        self._task = task = WhereNextTask(
            tie, control, start, area, self._done)  # type: ignore[arg-type]
        QgsApplication.taskManager().addTask(task)
        QTimer.singleShot(PATIENCE, lambda: self._show_progress(task))

    def _show_progress(self, task: WhereNextTask) -> None:
        if task is self._task:
            self._patience_lost = True
            self.computing.emit(task)

    def _start(self, tie: Tie) -> Optional[Tuple[float, float]]:
        """Where the crew is likely to stand: at the mark that was paired last."""
        if self.walk_from != LAST_PAIR:
            return None
        latitude, longitude, _ = geodetic_positions([tie.pairs[-1].observation], tie)
        return float(latitude[0]), float(longitude[0])

    def _area(self, tie: Tie) -> Optional[WorkArea]:
        layer = self._project.mapLayer(self.area_layer) if self.area_layer else None
        if not isinstance(layer, QgsVectorLayer):
            return None
        control = self._marks.layer(Kind.CONTROL)
        transforms: QgsCoordinateTransformContext = self._project.transformContext()
        return area_from_layer(layer, "", tie, None if control is None else control.crs(),
                               transforms)

    def _done(self, task: WhereNextTask) -> None:
        if task is not self._task:
            return
        self._task = None
        if task.found is None:
            self._show(None)
            self.said.emit(task.problem or "Looking for the next marks was stopped.")
            return
        self._show(task.found)
        if self._patience_lost:
            self._patience_lost = False
            self.said.emit("The next marks are on the map.")

    def _drop_task(self) -> None:
        task, self._task = self._task, None
        if task is not None and not sip.isdeleted(task):
            task.stop()

    # -- layers -------------------------------------------------------------------------------

    def _show(self, found: Optional[WhereNextFound]) -> None:
        self.found = found
        if found is not None:
            self._make()
            crs = self._results.site_crs(found.tie)
            for role, rows in zip(WHERE_NEXT_ROLES, where_next_rows(found)):
                if role in self._layers:
                    self._layers[role].show(rows, crs)
        else:
            for known in self._layers.values():
                known.show([], known.layer.crs())
        self.found_changed.emit()

    def _make(self) -> None:
        """Make the layers, the first time they are wanted."""
        if self._layers:
            return
        group = self._results.group()
        for place, (role, plan) in enumerate(self._plans.items()):
            layer = make_layer(plan.kind, role, plan.fields, GROUP)
            plan.dress(layer)
            layer.setName(plan.title)
            self._project.addMapLayer(layer, False)
            group.insertLayer(place, layer).setExpanded(False)
            self._layers[role] = MemoryRows(layer)
        group.setExpanded(True)

    def _adopt(self, *_: object) -> None:
        """Take over what a saved project holds: empty layers with the look they had."""
        for layer in list(self._project.mapLayers().values()):
            role = layer.customProperty(ROLE_PROPERTY)
            if role not in WHERE_NEXT_ROLES or layer is self.layer(role):
                continue
            names = [field.name() for field in layer.fields()]
            if role not in self._layers and names == [
                field.name() for field in self._plans[role].fields
            ]:
                layer.setReadOnly(True)
                self._layers[role] = MemoryRows(layer)
            else:
                self._project.removeMapLayer(layer.id())
        if self._layers and not self._shown:
            self.show(True)

    def _layers_go(self, layer_ids: List[str]) -> None:
        """The person, or the end of the project, removes layers."""
        gone = [role for role, known in self._layers.items() if known.layer.id() in layer_ids]
        for role in gone:
            del self._layers[role]
        if self.area_layer in layer_ids:
            self.area_layer = ""
            self.again()
        if gone and not self._layers and self._shown:
            self._stop()
            self.shown_changed.emit(False)

    def _stop(self) -> None:
        self._pause.stop()
        self._drop_task()
        self._shown, self.found = False, None
        self.found_changed.emit()

    def _remove(self) -> None:
        ids = [known.layer.id() for known in self._layers.values()]
        self._layers.clear()
        self._stop()
        self._project.removeMapLayers(ids)
        self._results.drop_empty_group()
