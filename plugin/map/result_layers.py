"""The results of the job on the map: real layers in a group of their own."""

from __future__ import annotations

from functools import partial
from typing import Callable, Dict, List, NamedTuple, Optional, Sequence, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFields,
    QgsLayerTreeGroup,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QObject, pyqtSignal

from ...core.site_crs import site_crs_wkt
from ...core.tie import Tie
from ..fields import fields_of, number_field, text_field, whole_field
from ..job.job import Job
from ..translation import tr
from . import result_styles as styles
from .connections import Connections
from .memory_layer import ROLE_PROPERTY, MemoryRows, make_layer
from .outside_control import OUTSIDE, OutsideControl
from .result_rows import REFERENCE_KEY, ResultRows, Row, result_rows
from .where_next_rows import WHERE_NEXT_ROLES

GROUP = "Sitetie"
GROUP_PROPERTY = "sitetie/results"
SITE_CRS_NAME = tr("Site grid (present tie)")
SCOPE, SHOWN_ENTRY = "sitetie", "results_shown"


class _Plan(NamedTuple):
    """A layer: its geometry, fields, look, title and rows."""

    kind: str
    fields: QgsFields
    dress: Callable[[QgsVectorLayer], None]
    title: Callable[[ResultRows], str]
    rows: Callable[[ResultRows], Sequence[Row]]


def _pair_fields() -> Tuple:
    return (whole_field("pair"), text_field("control_id"), text_field("observ_id"),
            text_field("state"))


def _plans() -> Dict[str, _Plan]:
    """From the top of the layer tree to its bottom."""
    return {
        "arrows": _Plan(
            "LineString",
            fields_of(*_pair_fields(), number_field("res_e"), number_field("res_n"),
                      number_field("len_h"), whole_field("cut"), text_field("label")),
            styles.dress_arrows,
            lambda made: tr(
                "Horizontal residuals, solved − given, ×{factor}").format(factor=_factor(made)),
            lambda made: made.arrows,
        ),
        "triangles": _Plan(
            "Point",
            fields_of(*_pair_fields(), number_field("res_u"), text_field("side"),
                      number_field("share"), text_field("label")),
            styles.dress_triangles,
            lambda made: tr("Vertical residuals, solved − given: ▲ above, ▼ below"),
            lambda made: made.triangles,
        ),
        "ellipses": _Plan(
            "Polygon",
            fields_of(*_pair_fields(), number_field("semi_major"), number_field("semi_minor")),
            styles.dress_ellipses,
            lambda made: tr(
                "Error ellipses, {what:.4g} %, ×{factor}").format(
                what=made.level * 100, factor=_factor(made)),
            lambda made: made.ellipses,
        ),
        "hull": _Plan(
            "Polygon", fields_of(whole_field("fit_marks")), styles.dress_hull,
            lambda made: tr("Control hull"), lambda made: made.hull,
        ),
    }


def _factor(made: ResultRows) -> str:
    return f"{made.scale.factor:,.10g}"


class ResultLayers(QObject):
    """Makes the layers when they are wanted, keeps them up to date, takes them away again.

    They are temporary: a saved project keeps their look and place, and they are filled again when
    it is opened. A layer that the person removes stays away until the results are asked for anew.

    Signals
    -------
    shown_changed : bool
    picked : int
        Place in the job of a pair whose feature the person selected.
    """

    shown_changed = pyqtSignal(bool)
    picked = pyqtSignal(int)

    def __init__(self, job: Job, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._project = QgsProject.instance()
        self._plans = _plans()
        self._layers: Dict[str, MemoryRows] = {}
        self._selection = Connections()
        self._shown = False
        self._dismissed = False
        self._factor: Optional[float] = None
        self._crs_text, self._crs = "", QgsCoordinateReferenceSystem()
        self._drawn: Optional[Tie] = None
        self._selecting = False
        self.outside = OutsideControl(self)
        self._always = Connections()
        self._always.make(job, "changed", self._job_changed)
        self._always.make(self._project, "layersWillBeRemoved", self._layers_go)
        self._always.make(self._project, "readProject", self._project_read)
        self._always.make(self._project, "writeProject", self._project_written)
        self._always.make(self._project, "cleared", self._project_cleared)
        self._adopt()

    @property
    def shown(self) -> bool:
        """Whether results are on the map, or will be as soon as there is a tie."""
        return self._shown

    def layer(self, role: str) -> Optional[QgsVectorLayer]:
        """``arrows``, ``triangles``, ``ellipses``, ``hull`` or ``outside``; None while absent."""
        if role == OUTSIDE:
            return self.outside.layer
        known = self._layers.get(role)
        return None if known is None else known.layer

    def show(self, shown: bool) -> None:
        """Put the results on the map, or take them off it."""
        if shown == self._shown:
            return
        self._shown, self._dismissed = shown, not shown
        if shown:
            self._drawn = None
            self._refresh()
        else:
            self._remove()
        self.shown_changed.emit(shown)

    def select(self, places: Sequence[int]) -> None:
        """Select the features of some pairs, and of no others."""
        chosen = set(places)
        self._selecting = True
        try:
            for role in ("arrows", "triangles"):
                known = self._layers.get(role)
                if known is not None:
                    known.layer.selectByIds(
                        known.feature_ids(lambda row: row.attributes[0] in chosen))
        finally:
            self._selecting = False

    def let_go(self) -> None:
        """Remove the layers and stop listening."""
        self._always.undo()
        self._remove()
        self.outside.let_go()

    # -- keeping up to date -------------------------------------------------------------------

    def _job_changed(self) -> None:
        if self._job.tie is not None and not self._shown and self._wanted():
            self.show(True)
        else:
            self._refresh()

    def _wanted(self) -> bool:
        """Results come with the first tie, unless the person took them off in this project."""
        return not self._dismissed and self._project.readBoolEntry(SCOPE, SHOWN_ENTRY, True)[0]

    def _refresh(self) -> None:
        tie = self._job.tie
        if not self._shown or tie is self._drawn:
            return
        if self._drawn is None and not self._layers and tie is not None:
            # A project that was just read may hold them: its job is opened before we hear of it.
            if not self._adopted():
                self._make()
        self._drawn = tie
        if tie is None:
            for known in self._layers.values():
                known.show([], known.layer.crs())
            self.outside.show(None, self._crs)
            return
        made = result_rows(tie, self._factor)
        self._factor = made.scale.factor
        crs = self.site_crs(tie)
        for role, known in self._layers.items():
            plan = self._plans[role]
            known.show(plan.rows(made), crs)
            title = plan.title(made)
            if known.layer.name() != title:
                known.layer.setName(title)
        self.outside.show(tie, crs)

    def site_crs(self, tie: Tie) -> QgsCoordinateReferenceSystem:
        """The site grid of a tie; that of the last one asked for is kept."""
        text = site_crs_wkt(tie, SITE_CRS_NAME, told_apart=False)
        if text != self._crs_text:
            self._crs_text = text
            self._crs = QgsCoordinateReferenceSystem.fromWkt(text)
        return self._crs

    # -- making, finding, removing ------------------------------------------------------------

    def _make(self) -> None:
        group = self.group()
        for place, (role, plan) in enumerate(self._plans.items()):
            if role in self._layers:
                continue
            layer = make_layer(plan.kind, role, plan.fields, GROUP)
            plan.dress(layer)
            self._project.addMapLayer(layer, False)
            group.insertLayer(place, layer).setExpanded(False)
            self._take(role, layer)
        self.outside.make(group)
        # Only now: the layer tree of the window cannot open a group that has nothing in it.
        group.setExpanded(True)

    def group(self) -> QgsLayerTreeGroup:
        """The group of Sitetie's layers, made where it is missing."""
        root = self._project.layerTreeRoot()
        for group in root.findGroups():
            if group.customProperty(GROUP_PROPERTY):
                return group
        group = root.insertGroup(0, GROUP)
        group.setCustomProperty(GROUP_PROPERTY, True)
        group.setExpanded(False)
        return group

    def _take(self, role: str, layer: QgsVectorLayer) -> None:
        self._layers[role] = MemoryRows(layer)
        self._selection.make(layer, "selectionChanged", partial(self._selected, role))

    def _adopt(self) -> None:
        if self._adopted() and not self._shown:
            self._shown, self._drawn = True, None
            self._refresh()
            self.shown_changed.emit(True)

    def _adopted(self) -> bool:
        """Take over what a saved project holds: empty layers with the look they had."""
        for layer in list(self._project.mapLayers().values()):
            role = layer.customProperty(ROLE_PROPERTY)
            if role is None or role in WHERE_NEXT_ROLES or layer in self._own():
                continue
            plan = self._plans.get(role)
            if plan is not None and role not in self._layers and (
                _names(layer.fields()) == _names(plan.fields)
            ):
                layer.setReadOnly(True)
                self._take(role, layer)
            elif not (role == OUTSIDE and self.outside.adopt(layer)):
                self._project.removeMapLayer(layer.id())
        return bool(self._layers)

    def _own(self) -> List[Optional[QgsVectorLayer]]:
        return [known.layer for known in self._layers.values()] + [self.outside.layer]

    def _project_read(self, *_: object) -> None:
        self._dismissed = not self._project.readBoolEntry(SCOPE, SHOWN_ENTRY, True)[0]
        self._adopt()

    def _project_written(self, *_: object) -> None:
        self._project.writeEntry(SCOPE, SHOWN_ENTRY, not self._dismissed)

    def _project_cleared(self) -> None:
        self._dismissed = False

    def _layers_go(self, layer_ids: List[str]) -> None:
        """The person, or the end of the project, removes layers."""
        for role, known in list(self._layers.items()):
            if known.layer.id() in layer_ids:
                del self._layers[role]
        self.outside.layers_go(layer_ids)
        if self._shown and not self._layers and self._drawn is not None:
            self._forget()
            self._dismissed = True
            self.shown_changed.emit(False)

    def _forget(self) -> None:
        self._selection.undo()
        self._layers.clear()
        self._shown = False
        self._drawn, self._factor = None, None

    def _remove(self) -> None:
        ids = [known.layer.id() for known in self._layers.values()]
        outside = self.outside.forget()
        self._forget()
        self._project.removeMapLayers(ids + outside)
        self.drop_empty_group()

    def drop_empty_group(self) -> None:
        """Take the group of Sitetie's layers away when nothing is in it."""
        for group in self._project.layerTreeRoot().findGroups():
            if group.customProperty(GROUP_PROPERTY) and not group.children():
                group.parent().removeChildNode(group)

    # -- what the person selects --------------------------------------------------------------

    def _selected(self, role: str, chosen: List[int], *_: object) -> None:
        known = self._layers.get(role)
        if self._selecting or known is None or not chosen:
            return
        row = known.rows().get(chosen[0])
        if row is not None and row.key != REFERENCE_KEY:
            self.picked.emit(row.attributes[0])


def _names(fields: QgsFields) -> List[str]:
    return [field.name() for field in fields]
