"""A work area out of a layer: polygons, lines or points, in site coordinates or on the earth."""

from __future__ import annotations

from typing import Callable, Iterable, List, Optional

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsCsException,
    QgsFeature,
    QgsGeometry,
    QgsProcessingFeatureSource,
    QgsVectorLayer,
    QgsVertexId,
    QgsWkbTypes,
)

from ..core.errors import InputError
from ..core.tie import Tie
from ..core.work_area import WorkArea


def work_area_of(
    source: QgsProcessingFeatureSource,
    name: str,
    called: str,
    tie: Optional[Tie],
    site_crs: QgsCoordinateReferenceSystem,
    transforms: QgsCoordinateTransformContext,
    say: Callable[[str], None],
) -> WorkArea:
    """Read a work area that an algorithm is given.

    Parameters
    ----------
    called : str
        As sentences say it; blank for the name of the layer in quotes.
    tie : Tie or None
        By which a layer on the earth is carried to the site; None where there is none.
    site_crs : QgsCoordinateReferenceSystem
        Of the layer with the control points: an area in it is in site coordinates as they are.

    Raises
    ------
    InputError
        Naming the layer.
    """
    crs = source.sourceCrs()
    change = _to_observations(crs, tie, site_crs, transforms)
    if change is None:
        say(f"{name}: taken as site coordinates.")
    else:
        say(f"{name}: carried from {crs.authid() or 'its CRS'} to the site by the tie.")
    return _area(source.getFeatures(), source.wkbType(), name, called, change, tie)


def area_from_layer(
    layer: QgsVectorLayer, called: str, tie: Tie,
    site_crs: Optional[QgsCoordinateReferenceSystem], transforms: QgsCoordinateTransformContext,
) -> WorkArea:
    """The same of a layer of the project."""
    change = _to_observations(layer.crs(), tie, site_crs, transforms)
    return _area(layer.getFeatures(), layer.wkbType(), layer.name(), called, change, tie)


def _area(
    features: Iterable[QgsFeature], wkb_type: int, name: str, called: str,
    change: Optional[QgsCoordinateTransform], tie: Optional[Tie],
) -> WorkArea:
    called = called or f"“{name}”"
    pieces: List[np.ndarray] = []
    for feature in features:
        if feature.hasGeometry():
            pieces += [_site(piece, change, tie, name) for piece in _pieces(feature.geometry())]
    if not pieces:
        raise InputError("The work area has no geometry.", "Choose another layer.", file=name)
    kind = QgsWkbTypes.geometryType(wkb_type)
    if kind == QgsWkbTypes.GeometryType.PolygonGeometry:
        return WorkArea.of_rings(pieces, called)
    if kind == QgsWkbTypes.GeometryType.LineGeometry:
        return WorkArea.of_lines(pieces, called)
    return WorkArea.of_places(np.vstack(pieces), called)


def _to_observations(crs, tie, site_crs, transforms) -> Optional[QgsCoordinateTransform]:
    """How to come to the observation CRS; None where the coordinates are those of the site."""
    if tie is None or not crs.isValid() or crs == site_crs or _is_derived(crs):
        return None
    goal = QgsCoordinateReferenceSystem()
    goal.createFromUserInput(tie.settings.observation_crs)
    return QgsCoordinateTransform(crs, goal, transforms)


def _is_derived(crs: QgsCoordinateReferenceSystem) -> bool:
    """Whether a CRS is a site grid: derived from a projected one, or without a place."""
    wkt = crs.toWkt(QgsCoordinateReferenceSystem.WktVariant.WKT_PREFERRED)
    return wkt.startswith(("DERIVEDPROJCRS", "ENGCRS", "ENGINEERINGCRS"))


def _pieces(geometry: QgsGeometry) -> List[np.ndarray]:
    """Rings, lines or points as (n, 2) arrays."""
    straight = geometry.constGet().segmentize()
    pieces = []
    for part in range(straight.partCount()):
        for ring in range(straight.ringCount(part)):
            count = straight.vertexCount(part, ring)
            vertices = [straight.vertexAt(QgsVertexId(part, ring, i)) for i in range(count)]
            pieces.append(np.array([(vertex.x(), vertex.y()) for vertex in vertices]))
    return pieces


def _site(piece: np.ndarray, change, tie: Optional[Tie], name: str) -> np.ndarray:
    if change is None or tie is None:
        return piece
    try:
        moved = [change.transform(x, y) for x, y in piece.tolist()]
    except QgsCsException as error:
        raise InputError(f"The work area cannot be carried to the site ({error}).",
                         "Check its CRS.", file=name) from None
    easting, northing, _ = tie.to_site([point.y() for point in moved],
                                       [point.x() for point in moved])
    return np.stack([easting, northing], axis=-1)
