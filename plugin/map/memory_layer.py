"""A temporary layer whose features are brought up to date in place."""

from __future__ import annotations

from typing import Callable, Dict, List, Sequence, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureRequest,
    QgsFields,
    QgsGeometry,
    QgsMapLayer,
    QgsPointXY,
    QgsProject,
    QgsVectorLayer,
)

from ...core.errors import OutputError
from .result_rows import Coordinates, Row

#: By this property a layer is known again when its project is opened.
ROLE_PROPERTY = "sitetie/result"
#: QGIS's own name for "do not ask about unsaved temporary layers": these are made anew.
NOT_ASKED_FOR = "skipMemoryLayersCheck"


def make_layer(kind: str, role: str, fields: QgsFields, title: str) -> QgsVectorLayer:
    """An empty temporary layer.

    Parameters
    ----------
    kind : {"Point", "LineString", "Polygon"}
    """
    layer = QgsVectorLayer(kind, title, "memory")
    if not layer.isValid() or not layer.dataProvider().addAttributes(fields.toList()):
        raise OutputError("QGIS could not make a temporary layer.", "Restart QGIS.")
    layer.updateFields()
    layer.setReadOnly(True)
    layer.setCustomProperty(ROLE_PROPERTY, role)
    layer.setCustomProperty(NOT_ASKED_FOR, 1)
    return layer


def result_layers() -> List[QgsMapLayer]:
    """Sitetie's own layers in the project: nobody wants to pair or restate them."""
    return [layer for layer in QgsProject.instance().mapLayers().values()
            if layer.customProperty(ROLE_PROPERTY)]


class MemoryRows:
    """Keeps the features of one temporary layer as rows have it, changing only what differs."""

    def __init__(self, layer: QgsVectorLayer) -> None:
        self.layer = layer
        self._known: Dict[Tuple[str, ...], Tuple[int, Row]] = {}
        provider = layer.dataProvider()
        ids = [feature.id() for feature in provider.getFeatures(
            QgsFeatureRequest().setNoAttributes())]
        if ids:
            _did(provider.deleteFeatures(ids))

    def show(self, rows: Sequence[Row], crs: QgsCoordinateReferenceSystem) -> bool:
        """Bring the layer up to date.

        Returns
        -------
        bool
            Whether anything changed.
        """
        moved = self.layer.crs() != crs
        if moved:
            self.layer.setCrs(crs)
        wanted = {row.key: row for row in rows}
        gone = [key for key in self._known if key not in wanted]
        added = [row for row in rows if row.key not in self._known]
        changed = [
            (self._known[row.key][0], self._known[row.key][1], row) for row in rows
            if row.key in self._known and self._known[row.key][1] != row
        ]
        if not (moved or gone or added or changed):
            return False
        self._delete(gone)
        self._change(changed)
        self._add(added)
        self.layer.updateExtents()
        self.layer.triggerRepaint()
        return True

    def feature_ids(self, wanted: Callable[[Row], bool]) -> List[int]:
        """Ids of the features whose row is wanted."""
        return [feature_id for feature_id, row in self._known.values() if wanted(row)]

    def rows(self) -> Dict[int, Row]:
        """Feature id → row."""
        return dict(self._known.values())

    def _delete(self, keys: Sequence[Tuple[str, ...]]) -> None:
        if keys:
            ids = [self._known.pop(key)[0] for key in keys]
            _did(self.layer.dataProvider().deleteFeatures(ids))

    def _change(self, changed: Sequence[Tuple[int, Row, Row]]) -> None:
        provider = self.layer.dataProvider()
        geometries = {
            feature_id: self._geometry(new.coordinates) for feature_id, old, new in changed
            if new.coordinates != old.coordinates
        }
        attributes = {
            feature_id: {
                place: value for place, value in enumerate(new.attributes)
                if value != old.attributes[place]
            }
            for feature_id, old, new in changed if new.attributes != old.attributes
        }
        if geometries:
            _did(provider.changeGeometryValues(geometries))
        if attributes:
            _did(provider.changeAttributeValues(attributes))
        for feature_id, _, new in changed:
            self._known[new.key] = (feature_id, new)

    def _add(self, rows: Sequence[Row]) -> None:
        if not rows:
            return
        features = []
        for row in rows:
            feature = QgsFeature(self.layer.fields())
            feature.setGeometry(self._geometry(row.coordinates))
            feature.setAttributes(list(row.attributes))
            features.append(feature)
        done, features = self.layer.dataProvider().addFeatures(features)
        _did(done)
        for row, feature in zip(rows, features):
            self._known[row.key] = (feature.id(), row)

    def _geometry(self, coordinates: Coordinates) -> QgsGeometry:
        points = [QgsPointXY(*pair) for pair in coordinates]
        if len(points) == 1:
            return QgsGeometry.fromPointXY(points[0])
        if len(points) == 2:
            return QgsGeometry.fromPolylineXY(points)
        return QgsGeometry.fromPolygonXY([points])


def _did(done: bool) -> None:
    if not done:
        raise OutputError("QGIS could not change a temporary layer.", "Restart QGIS.")
