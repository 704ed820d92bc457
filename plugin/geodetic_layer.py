"""Site coordinates of a layer as latitude, longitude, height: points for staking out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Iterator, List, Optional, Sequence

import numpy as np
from qgis.core import (
    QgsFeature,
    QgsField,
    QgsGeometry,
    QgsPoint,
    QgsProcessingFeatureSource,
    QgsWkbTypes,
)

from ..core.angles import format_angle
from ..core.errors import InputError, SitetieError
from ..core.hull import ON_THE_EDGE, control_hull, distance_outside
from ..core.tie import Tie
from .fields import number_field, text_field, whole_field
from .layer_positions import PositionSource, Progress
from .outputs import LayerOutput
from .residual_layer import TIE_DIGITS
from .result_fields import ResultFields
from .site_fields import known

#: Points written at a time.
BATCH = 5_000


@dataclass(frozen=True)
class SiteChoices:
    """How site coordinates are read, and what is written beside the numbers.

    Attributes
    ----------
    easting, northing, elevation : str or None
        Fields. Without easting and northing the geometry is read, without elevation its Z.
    horizontal_only : bool
    dms : bool
        Also write degrees, minutes, seconds as text.
    """

    easting: Optional[str] = None
    northing: Optional[str] = None
    elevation: Optional[str] = None
    horizontal_only: bool = False
    dms: bool = False


@dataclass(frozen=True)
class Geodetic:
    """Positions of n points; `height` is None where the work was horizontal only.

    Attributes
    ----------
    features : (n,) array
        Which feature of the layer, counted from 0, each point belongs to.
    latitude, longitude, height : (n,) arrays
        Degrees and ellipsoidal metres in the observation CRS of the tie.
    inside : (n,) array of bool, or None
        Whether the point lies in the control hull; None for a tie of typed parameters.
    """

    features: np.ndarray
    latitude: np.ndarray
    longitude: np.ndarray
    height: Optional[np.ndarray]
    inside: Optional[np.ndarray]

    def __len__(self) -> int:
        return len(self.latitude)


def geodetic_positions(
    source: QgsProcessingFeatureSource,
    name: str,
    tie: Tie,
    choices: SiteChoices,
    progress: Progress,
    say: Callable[[str], None],
) -> Geodetic:
    """Latitude, longitude, height of every point or vertex of a layer in site coordinates.

    Raises
    ------
    InputError, FrameError
        Naming the layer, and row and point where one is to blame.
    """
    if choices.easting is None:
        _refuse_degrees(source, name, say)
    columns = PositionSource(
        source, name, x=choices.easting, y=choices.northing, z=choices.elevation, vertices=True,
    ).read(progress)
    if not len(columns.x):
        raise InputError("There are no points.", "Choose a layer with features.", file=name)
    wanted = tie.vertical is not None and not choices.horizontal_only
    missing = ~np.isfinite(columns.z)
    if (wanted or tie.base.depends_on_height) and missing.any():
        first = int(columns.features[np.argmax(missing)]) + 1
        what = "the tie has a vertical part" if wanted else "the tie's base plane depends on it"
        raise InputError(
            f"There is no elevation ({np.count_nonzero(missing)} of {len(missing)} points), but "
            f"{what}.",
            "Give elevations" + (", or go on horizontally only." if wanted else "."),
            file=name, row=first,
        )
    try:
        latitude, longitude, height = tie.to_geodetic(
            columns.x, columns.y, None if missing.any() else columns.z)
    except SitetieError as error:
        raise error.at(file=name) from None
    hull, inside = control_hull(tie), None
    if hull is not None:
        base = np.stack(tie.site_to_base(columns.x, columns.y), axis=-1)
        inside = distance_outside(hull, base) <= ON_THE_EDGE
    return Geodetic(columns.features, latitude, longitude, height if wanted else None, inside)


def _refuse_degrees(source, name: str, say: Callable[[str], None]) -> None:
    crs = source.sourceCrs()
    if not crs.isValid():
        return
    if crs.isGeographic():
        raise InputError(
            f"The layer is in degrees ({crs.authid()}), but site coordinates are wanted.",
            "Choose the layer with site coordinates, or name the fields that have them; if the "
            "geometry does hold site coordinates, take the CRS off the layer.", file=name,
        )
    if crs.authid():
        say(f"The layer says it is in {crs.authid()}; its coordinates are taken as site "
            "coordinates all the same.")


def geodetic_fields(choices: SiteChoices, vertices: bool) -> List[QgsField]:
    """geo_lat, geo_lon (degrees), geo_h (metres), geo_in, geo_tie, and what was asked for."""
    fields = [number_field(name) for name in ("geo_lat", "geo_lon", "geo_h")]
    fields += [whole_field("geo_in"), text_field("geo_tie", TIE_DIGITS)]
    if choices.dms:
        fields += [text_field("geo_latdms", 32), text_field("geo_londms", 32)]
    if vertices:
        fields.append(whole_field("geo_vertex"))
    return fields


def has_vertices(source: QgsProcessingFeatureSource, choices: SiteChoices) -> bool:
    """Whether a feature of the source may give several points."""
    kind = QgsWkbTypes.geometryType(source.wkbType())
    return choices.easting is None and kind != QgsWkbTypes.GeometryType.PointGeometry


def write_geodetic(
    source: QgsProcessingFeatureSource,
    layer: LayerOutput,
    found: Geodetic,
    tie: Tie,
    choices: SiteChoices,
    results: ResultFields,
    progress: Progress,
) -> None:
    """Write a point for each position, with the fields of its feature.

    Raises
    ------
    InputError
        When the source has changed since the positions were read.
    OutputError
    """
    rows = _rows(found, tie, choices, has_vertices(source, choices))
    done, batch = 0, []
    counts = np.bincount(found.features).tolist()
    for place, feature in enumerate(source.getFeatures()):
        if place >= len(counts):
            break
        for _ in range(counts[place]):
            batch.append(_point_feature(feature, found, done, results, next(rows)))
            done += 1
            if len(batch) == BATCH:
                layer.add(batch)
                batch = []
                progress(done / len(found))
    if batch:
        layer.add(batch)
    if done != len(found):
        raise InputError(
            "The layer changed while it was read.", "Try again.", file=source.sourceName()
        )
    progress(1.0)


def _rows(
    found: Geodetic, tie: Tie, choices: SiteChoices, vertices: bool
) -> Iterator[Sequence[object]]:
    """Values of `geodetic_fields` for each point."""
    count = len(found)
    nothing: List[Optional[float]] = [None] * count
    latitude, longitude = found.latitude.tolist(), found.longitude.tolist()
    columns: List[Sequence[object]] = [
        latitude, longitude, nothing if found.height is None else known(found.height),
        nothing if found.inside is None else found.inside.astype(int).tolist(),
        [tie.id[:TIE_DIGITS]] * count,
    ]
    if choices.dms:
        columns += [[format_angle(value, kind) for value in values]
                    for values, kind in ((latitude, "latitude"), (longitude, "longitude"))]
    if vertices:
        starts = np.r_[0, np.flatnonzero(np.diff(found.features)) + 1]
        first = np.repeat(starts, np.diff(np.r_[starts, count]))
        columns.append((np.arange(count) - first + 1).tolist())
    return zip(*columns)


def _point_feature(
    feature: QgsFeature, found: Geodetic, place: int, results: ResultFields, row: Sequence[object]
) -> QgsFeature:
    x, y = float(found.longitude[place]), float(found.latitude[place])
    point = QgsPoint(x, y) if found.height is None else QgsPoint(x, y, float(found.height[place]))
    made = QgsFeature(results.fields)
    made.setGeometry(QgsGeometry(point))
    made.setAttributes(results.attributes(feature.attributes(), row))
    return made
