"""The seek list as points and as circles, on latitude and longitude."""

from __future__ import annotations

import math
from typing import Iterator, List, Optional, Tuple

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFields,
    QgsGeometry,
    QgsPoint,
    QgsPointXY,
    QgsWkbTypes,
)

from ..core.seek_files import COLUMNS, seek_values
from ..core.seek_list import SeekList, SeekPoint
from ..core.tie import Tie
from .fields import fields_of, number_field, text_field, whole_field
from .residual_layer import TIE_DIGITS

#: Corners of a drawn circle.
CORNERS = 72


def seek_fields() -> QgsFields:
    """The columns of the CSV (see `COLUMNS`), and the tie they were predicted by."""
    kinds = {"seek_no": whole_field, "control_id": text_field, "seek_text": text_field}
    return fields_of(*(kinds.get(name, number_field)(name) for name in COLUMNS),
                     text_field("seek_tie", TIE_DIGITS))


def observation_crs(tie: Tie) -> QgsCoordinateReferenceSystem:
    """The CRS in which the tie's observations are."""
    crs = QgsCoordinateReferenceSystem()
    crs.createFromUserInput(tie.settings.observation_crs)
    return crs


def seek_kind(seek: SeekList) -> int:
    """Points with a height where there are some."""
    heights = any(point.height is not None for point in seek.points)
    return QgsWkbTypes.Type.PointZ if heights else QgsWkbTypes.Type.Point


def seek_features(seek: SeekList, tie: Tie) -> Iterator[QgsFeature]:
    """A point for each mark, in the order of the walk."""
    fields, with_z = seek_fields(), seek_kind(seek) == QgsWkbTypes.Type.PointZ
    for point in seek.points:
        place = QgsPoint(point.longitude, point.latitude)
        if with_z:
            height = math.nan if point.height is None else point.height
            place = QgsPoint(point.longitude, point.latitude, height)
        yield _feature(fields, QgsGeometry(place), point, seek, tie)


def circle_features(seek: SeekList, tie: Tie) -> Iterator[QgsFeature]:
    """A circle for each mark whose radius is known."""
    fields = seek_fields()
    for point in seek.points:
        ring = circle(tie, point)
        if ring is not None:
            yield _feature(
                fields, QgsGeometry.fromPolygonXY([[QgsPointXY(*corner) for corner in ring]]),
                point, seek, tie)


def circle(tie: Tie, point: SeekPoint) -> Optional[List[Tuple[float, float]]]:
    """Longitudes and latitudes of a closed circle; None where its radius is unknown."""
    if point.radius is None:
        return None
    meridian, prime_vertical = (float(radius) for radius in tie.base.radii(point.latitude))
    north = math.degrees(point.radius / meridian)
    east = math.degrees(point.radius / (prime_vertical * math.cos(math.radians(point.latitude))))
    turns = [2.0 * math.pi * k / CORNERS for k in range(CORNERS)]
    ring = [(point.longitude + east * math.sin(turn), point.latitude + north * math.cos(turn))
            for turn in turns]
    return [*ring, ring[0]]


def _feature(
    fields: QgsFields, geometry: QgsGeometry, point: SeekPoint, seek: SeekList, tie: Tie
) -> QgsFeature:
    values = seek_values(point, seek.level)
    feature = QgsFeature(fields)
    feature.setGeometry(geometry)
    feature.setAttributes([*(values[name] for name in COLUMNS), tie.id[:TIE_DIGITS]])
    return feature
