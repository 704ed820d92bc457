"""Where the features of a point layer are."""

from __future__ import annotations

from typing import Iterator, Optional, Tuple

from qgis.core import QgsFeature, QgsFeatureRequest, QgsPoint, QgsVectorLayer


def first_vertex(feature: QgsFeature) -> Optional[QgsPoint]:
    """The first point of a feature; None without one."""
    if not feature.hasGeometry():
        return None
    vertex = next(feature.geometry().vertices(), None)
    return None if vertex is None or vertex.isEmpty() else vertex


def first_vertices(layer: QgsVectorLayer) -> Iterator[Tuple[int, Optional[QgsPoint]]]:
    """Feature id and first point of every feature, in the CRS of the layer; None without one."""
    request = QgsFeatureRequest()
    request.setNoAttributes()
    for feature in layer.getFeatures(request):
        yield feature.id(), first_vertex(feature)
