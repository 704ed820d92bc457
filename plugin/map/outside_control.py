"""Restated points that lie outside the control of the present tie."""

from __future__ import annotations

from typing import Dict, List, NamedTuple, Optional, Tuple

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsLayerTreeGroup,
    QgsProject,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QObject, QTimer

from ...core.errors import SitetieError
from ...core.hull import ON_THE_EDGE, control_hull, distance_outside
from ...core.reframe import reframing
from ...core.tie import Tie
from ..fields import fields_of, number_field, text_field
from ..job.layer_source import crs_text, has_points
from ..translation import tr
from .connections import Connections
from .first_vertices import first_vertices
from .map_marks import CHANGES
from .memory_layer import MemoryRows, make_layer
from .result_rows import Row
from .result_styles import dress_outside

OUTSIDE = "outside"
#: The field by which a restated layer is known.
RESTATED_FIELD = "site_in"
#: Layers with more points are left out, and the title says so: reading them would take seconds.
MOST_POINTS = 50_000
#: Milliseconds after the last change of the tie.
DELAY = 150


class _Points(NamedTuple):
    """Features of a restated layer in the base plane of a tie."""

    pipeline: str
    feature_ids: np.ndarray
    base: np.ndarray


class OutsideControl(QObject):
    """A layer of the restated points outside the control hull, brought up to date a moment after
    the tie has changed."""

    def __init__(self, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self._rows: Optional[MemoryRows] = None
        self._read: Dict[str, _Points] = {}
        self._sources = Connections()
        self._tie: Optional[Tie] = None
        self._crs = QgsCoordinateReferenceSystem()
        self._timer = QTimer(self)
        self._timer.setSingleShot(True)
        self._timer.setInterval(DELAY)
        self._timer.timeout.connect(self.update)
        self._always = Connections()
        self._always.make(QgsProject.instance(), "layersAdded", self._again)

    @property
    def layer(self) -> Optional[QgsVectorLayer]:
        return None if self._rows is None else self._rows.layer

    def make(self, group: QgsLayerTreeGroup) -> None:
        """Make the layer at the end of a group."""
        layer = make_layer("Point", OUTSIDE, _fields(), tr("Outside the control"))
        dress_outside(layer)
        QgsProject.instance().addMapLayer(layer, False)
        group.addLayer(layer).setExpanded(False)
        self._rows = MemoryRows(layer)

    def adopt(self, layer: QgsVectorLayer) -> bool:
        """Take over the layer of a project that was opened, if there is none yet."""
        names = [field.name() for field in layer.fields()]
        if self._rows is not None or names != [field.name() for field in _fields()]:
            return False
        layer.setReadOnly(True)
        self._rows = MemoryRows(layer)
        return True

    def show(self, tie: Optional[Tie], crs: QgsCoordinateReferenceSystem) -> None:
        """Show the points of this tie, in a moment."""
        self._tie, self._crs = tie, crs
        self._again()

    def update(self) -> None:
        """Show them now."""
        self._timer.stop()
        if self._rows is None:
            return
        rows, left_out = [], []
        hull = None if self._tie is None else control_hull(self._tie)
        if self._tie is not None and hull is not None:
            for layer in restated_layers():
                if layer.featureCount() > MOST_POINTS:
                    left_out.append(layer.name())
                else:
                    rows += self._outside(layer, self._tie, hull)
        self._rows.show(rows, self._crs)
        title = tr("Outside the control")
        title += tr(
            " (without {join}: too many points)").format(
            join=', '.join(left_out)) if left_out else ""
        if self._rows.layer.name() != title:
            self._rows.layer.setName(title)

    def layers_go(self, layer_ids: List[str]) -> None:
        """Layers are being removed; ours may be among them, or a restated one."""
        for layer_id in layer_ids:
            self._read.pop(layer_id, None)
        if self.layer is not None and self.layer.id() in layer_ids:
            self._rows = None
        else:
            self._again()

    def forget(self) -> List[str]:
        """Stop, and give the ids of layers to remove."""
        self._timer.stop()
        self._sources.undo()
        self._read.clear()
        ids = [] if self.layer is None else [self.layer.id()]
        self._rows, self._tie = None, None
        return ids

    def let_go(self) -> None:
        self._always.undo()
        self.forget()

    def _again(self, *_: object) -> None:
        if self._rows is not None:
            self._timer.start()

    def _outside(self, layer: QgsVectorLayer, tie: Tie, hull: np.ndarray) -> List[Row]:
        points = self._points(layer, tie)
        if points is None:
            return []
        away = distance_outside(hull, points.base)
        found = np.flatnonzero(away > ON_THE_EDGE)
        easting, northing = tie.base_to_site(points.base[found, 0], points.base[found, 1])
        unit = tie.settings.site_length.metres
        return [
            Row((layer.id(), str(points.feature_ids[i])), ((float(e), float(n)),),
                (layer.name(), str(points.feature_ids[i]), float(away[i] / unit)))
            for i, e, n in zip(found, easting, northing)
        ]

    def _points(self, layer: QgsVectorLayer, tie: Tie) -> Optional[_Points]:
        """The points of a layer in the base plane; None where its frame leads nowhere."""
        known = self._read.get(layer.id())
        if known is not None and known.pipeline == tie.base.pipeline:
            return known
        feature_ids, x, y, z = _coordinates(layer)
        if not len(x):
            return None
        try:
            way = reframing(crs_text(layer.crs()), tie.settings.observation_crs,
                            (x[0], y[0], 0.0 if np.isnan(z[0]) else z[0]),
                            epoch=tie.settings.observation_epoch)
            latitude, longitude, height = way(x, y, z)
            base = np.stack(tie.base.to_base(latitude, longitude, np.nan_to_num(height)), axis=-1)
        except SitetieError:
            return None
        inside_reach = np.isfinite(base).all(axis=1)
        points = _Points(tie.base.pipeline, feature_ids[inside_reach], base[inside_reach])
        self._read[layer.id()] = points
        for signal in CHANGES:
            self._sources.make(layer, signal, self._changed)
        return points

    def _changed(self, *_: object) -> None:
        self._sources.undo()
        self._read.clear()
        self._again()


def restated_layers() -> List[QgsVectorLayer]:
    """Point layers of the project that were restated: their raw geometry lies beside what was
    derived."""
    return [
        layer for layer in QgsProject.instance().mapLayers().values()
        if isinstance(layer, QgsVectorLayer) and layer.isValid() and has_points(layer)
        and layer.crs().isValid() and layer.fields().lookupField(RESTATED_FIELD) >= 0
    ]


def _fields():
    return fields_of(text_field("layer"), text_field("feature"), number_field("away"))


def _coordinates(layer: QgsVectorLayer) -> Tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Feature ids, x, y, z of the first point of every feature that has one."""
    found = [
        (feature_id, vertex.x(), vertex.y(), vertex.z())
        for feature_id, vertex in first_vertices(layer) if vertex is not None
    ]
    table = np.array(found, dtype=float).reshape(-1, 4)
    return table[:, 0].astype(np.int64), table[:, 1], table[:, 2], table[:, 3]
