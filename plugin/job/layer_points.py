"""Features of a layer as control points and observations.

Control comes in site coordinates, whatever CRS the layer claims. Observations keep what was
measured: in a geographic CRS latitude, longitude and height as they stand, with that CRS as their
frame where it is another than the settings name; the core then transforms them and refuses a
null or ballpark operation. Map coordinates and geocentric ones are turned into latitude and
longitude on their own datum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Callable, Dict, Iterable, Iterator, List, NamedTuple, Optional, Tuple, TypeVar

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFeatureRequest,
    QgsPoint,
    QgsVectorLayer,
)

from ...core.errors import FrameError, InputError, SitetieError
from ...core.frames import geographic_crs, parse_crs, same_datum
from ...core.pair_columns import ColumnMatch
from ...core.pair_table import cell_text, control_from_cells, observation_from_cells
from ...core.pairs import Control, Observation
from ...core.positions import geocentric_to_geodetic
from ...core.reframe import map_to_geodetic
from ...core.settings import Settings
from ..cells import cell
from .layer_source import crs_text, refuse_unusable
from .state import FEATURE_ID, GEOMETRY_Z, LayerSource


class ControlFeature(NamedTuple):
    """A control point and the feature it was read from."""

    feature_id: int
    control: Control


class ObservationFeature(NamedTuple):
    """An observation and the feature it was read from."""

    feature_id: int
    observation: Observation


Found = TypeVar("Found", ControlFeature, ObservationFeature)


def read_control(
    layer: QgsVectorLayer,
    source: LayerSource,
    feature_ids: Optional[Iterable[int]] = None,
    skipped: Optional[List[SitetieError]] = None,
) -> List[ControlFeature]:
    """Read control points.

    Parameters
    ----------
    feature_ids : iterable of int, optional
        Only these features; by default all.
    skipped : list, optional
        Takes the errors of features that cannot be read, which are then left out. Without it the
        first such feature raises.

    Raises
    ------
    InputError
        Naming layer, point and feature.
    """
    refuse_unusable(layer, source, ("easting", "northing"))
    match = _match(source)
    from_geometry = source.field_of("easting") is None
    in_degrees = layer.crs().isValid() and layer.crs().isGeographic()

    def read(feature: QgsFeature, cells: Dict[str, object]) -> ControlFeature:
        if from_geometry:
            point = _point(feature)
            if point is not None:
                if in_degrees and abs(point.x()) <= 360.0 and abs(point.y()) <= 90.0:
                    raise InputError(
                        f"The layer is in degrees ({layer.crs().authid()}), but control is given "
                        "in site coordinates.",
                        "Choose fields with site easting and northing or another layer; if these "
                        "are site coordinates, take the CRS off the layer.",
                    )
                cells.update(easting=point.x(), northing=point.y())
        control = control_from_cells(cells, match)
        if not control.has_position and not control.has_elevation:
            raise InputError(
                "The control point has neither a position nor an elevation.",
                "Give one of them, or take the feature out.",
            )
        return ControlFeature(feature.id(), control)

    return _read(layer, source, feature_ids, skipped, "control_id", read)


def read_observations(
    layer: QgsVectorLayer,
    source: LayerSource,
    settings: Settings,
    feature_ids: Optional[Iterable[int]] = None,
    skipped: Optional[List[SitetieError]] = None,
) -> List[ObservationFeature]:
    """Read observations; see `read_control`.

    Raises
    ------
    InputError, FrameError
        Naming layer, point and feature.
    """
    refuse_unusable(layer, source, ("latitude", "longitude"))
    match = _match(source)
    from_geometry = source.field_of("latitude") is None
    try:
        frame = _Frame.of(layer.crs(), from_geometry)
    except SitetieError as error:
        raise error.at(file=layer.name()) from None
    if from_geometry and not frame.height_in_metres and source.field_of("height") == GEOMETRY_Z:
        raise FrameError(
            f"The layer's CRS ({layer.crs().authid()}) leaves the unit or the kind of its heights "
            "open.",
            "Take the height from a field in metres, or from none.",
            file=layer.name(),
        )

    def read(feature: QgsFeature, cells: Dict[str, object]) -> ObservationFeature:
        frame_text: Optional[str] = frame.crs
        if from_geometry:
            point = _point(feature)
            if point is None:
                raise InputError(
                    "The feature has no geometry, so the observation has no position.",
                    "Give it a position, or take the feature out.",
                )
            cells["latitude"], cells["longitude"], height, frame_text = frame.geodetic(point)
            if height is not None and source.field_of("height") == GEOMETRY_Z:
                cells["height"] = height
        if not cell_text(cells.get("crs")):
            cells["crs"] = _named_frame(frame_text, settings)
        if cells.get("epoch") is None and frame.epoch is not None:
            cells["epoch"] = frame.epoch
        return ObservationFeature(
            feature.id(), observation_from_cells(cells, match, source.packed_dms)
        )

    return _read(layer, source, feature_ids, skipped, "observation_id", read)


def _read(
    layer: QgsVectorLayer,
    source: LayerSource,
    feature_ids: Optional[Iterable[int]],
    skipped: Optional[List[SitetieError]],
    id_name: str,
    read: Callable[[QgsFeature, Dict[str, object]], Found],
) -> List[Found]:
    found: List[Found] = []
    seen: Dict[str, int] = {}
    for feature, cells in _features(layer, source, feature_ids):
        point_id = cell_text(cells[id_name])
        try:
            if not point_id:
                raise InputError("The feature has no id.", f"Fill {source.field_of(id_name)}.")
            if point_id in seen:
                raise InputError(
                    f"The id {point_id} is also that of feature {seen[point_id]}.",
                    "Give every feature an id of its own, or choose another field for it.",
                )
            found.append(read(feature, cells))
            seen[point_id] = feature.id()
        except SitetieError as error:
            named = f"feature {feature.id()}"
            named = f"{point_id} ({named})" if point_id else named
            placed = type(error)(
                error.what, error.remedy, file=layer.name(), row=error.row, point=named
            )
            if skipped is None:
                raise placed from None
            skipped.append(placed)
    return found


def _features(
    layer: QgsVectorLayer, source: LayerSource, feature_ids: Optional[Iterable[int]]
) -> Iterator[Tuple[QgsFeature, Dict[str, object]]]:
    """Features with their cells: core name → value."""
    names = [field.name() for field in layer.fields()]
    places = [
        (choice.name, names.index(choice.field))
        for choice in source.fields if choice.field not in (FEATURE_ID, GEOMETRY_Z)
    ]
    request = QgsFeatureRequest()
    if feature_ids is not None:
        request.setFilterFids(list(feature_ids))
    request.setSubsetOfAttributes([place for _, place in places])
    for feature in layer.getFeatures(request):
        attributes = feature.attributes()
        cells: Dict[str, object] = {name: cell(attributes[place]) for name, place in places}
        for choice in source.fields:
            if choice.field == FEATURE_ID:
                cells[choice.name] = str(feature.id())
            elif choice.field == GEOMETRY_Z:
                point = _point(feature)
                z = math.nan if point is None else point.z()
                cells[choice.name] = None if math.isnan(z) else z
        yield feature, cells


def _point(feature: QgsFeature) -> Optional[QgsPoint]:
    """The one point of a feature; None when it has no geometry."""
    if not feature.hasGeometry():
        return None
    vertices = list(feature.geometry().vertices())
    if len(vertices) > 1:
        raise InputError(
            f"The feature has {len(vertices)} points.", "Split it into features of one point each."
        )
    return vertices[0] if vertices else None


def _match(source: LayerSource) -> ColumnMatch:
    """The mapping as messages name it."""
    return ColumnMatch({choice.name: choice.field for choice in source.fields}, {}, ())


def _named_frame(crs: Optional[str], settings: Settings) -> Optional[str]:
    """The frame an observation must name; None where it is the one of the settings."""
    if crs is None:
        return None
    here = geographic_crs(crs, "CRS of the layer")
    if same_datum(here, geographic_crs(settings.observation_crs)):
        return None
    return crs


@dataclass(frozen=True)
class _Frame:
    """What a layer's CRS says about its positions.

    Attributes
    ----------
    kind : str
        ``geographic``, ``projected`` or ``geocentric``; blank when positions come from fields.
    crs : str or None
        The CRS as text; None when the layer has none.
    epoch : float or None
    height_in_metres : bool
        Whether a height in the geometry is ellipsoidal and in metres as far as the CRS tells.
    """

    kind: str
    crs: Optional[str]
    epoch: Optional[float]
    height_in_metres: bool = True

    @classmethod
    def of(cls, crs: QgsCoordinateReferenceSystem, from_geometry: bool) -> "_Frame":
        """The frame of a layer.

        Raises
        ------
        FrameError
            When the geometry is to be read and the layer has no usable CRS.
        """
        if not crs.isValid():
            if from_geometry:
                raise FrameError(
                    "The layer has no CRS, so its positions have no place on the earth.",
                    "Set the CRS of the layer, or choose fields with latitude and longitude.",
                )
            return cls("", None, None)
        text = crs_text(crs)
        epoch = crs.coordinateEpoch()
        known = None if math.isnan(epoch) else epoch
        parsed = parse_crs(text, "CRS of the layer")
        plain = not parsed.is_compound
        if parsed.is_compound:
            parsed = parsed.sub_crs_list[0]
            authority = parsed.to_authority()
            text = ":".join(authority) if authority else parsed.to_wkt()
        if not from_geometry:
            return cls("", text if parsed.is_geographic else None, known)
        if parsed.is_geographic:
            return cls("geographic", text, known, plain)
        if parsed.is_geocentric:
            return cls("geocentric", text, known)
        if parsed.is_projected:
            metres = parsed.axis_info[0].unit_conversion_factor == 1.0
            return cls("projected", text, known, plain and metres)
        raise FrameError(
            f"The layer's CRS {parsed.name} is a {parsed.type_name}, which has no place on the "
            "earth.",
            "Choose the layer as GNSS gave it, in a geographic or projected CRS.",
        )

    def geodetic(self, point: QgsPoint) -> Tuple[float, float, Optional[float], str]:
        """Latitude, longitude (degrees), height in the geometry if any, and their frame."""
        height = None if math.isnan(point.z()) else point.z()
        assert self.crs is not None  # `of` refuses a geometry without one
        if self.kind == "geographic":
            return point.y(), point.x(), height, self.crs
        if self.kind == "geocentric":
            if height is None:
                raise InputError("Z is missing.", "Geocentric coordinates need X, Y and Z.")
            found = geocentric_to_geodetic(point.x(), point.y(), height, self.crs)
            level = None if found.height is None else float(found.height)
            return float(found.latitude), float(found.longitude), level, found.crs
        found = map_to_geodetic(point.x(), point.y(), self.crs)
        return float(found.latitude), float(found.longitude), height, found.crs
