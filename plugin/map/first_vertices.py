"""Where the features of a point layer are."""

from __future__ import annotations

from typing import Iterator, Optional, Tuple

from qgis.core import QgsFeatureRequest, QgsPoint, QgsVectorLayer


def first_vertices(layer: QgsVectorLayer) -> Iterator[Tuple[int, Optional[QgsPoint]]]:
    """Feature id and first point of every feature, in the CRS of the layer; None without one."""
    request = QgsFeatureRequest()
    request.setNoAttributes()
    for feature in layer.getFeatures(request):
        vertex = next(feature.geometry().vertices(), None) if feature.hasGeometry() else None
        yield feature.id(), None if vertex is None or vertex.isEmpty() else vertex
