"""Which layer control or observations come from: found, guessed, described."""

from __future__ import annotations

from typing import List, Optional, Sequence

from qgis.core import QgsCoordinateReferenceSystem, QgsProject, QgsVectorLayer, QgsWkbTypes

from ...core.errors import InputError
from ...core.pair_columns import likely_columns
from ..translation import tr
from .state import FEATURE_ID, GEOMETRY_Z, FieldChoice, LayerSource

CONTROL_FIELDS = (
    "control_id", "easting", "northing", "elevation", "control_sigma_h", "control_sigma_v",
)
OBSERVATION_FIELDS = (
    "observation_id", "latitude", "longitude", "height", "sigma_e", "sigma_n", "sigma_en",
    "sigma_u", "height_kind", "height_geoid", "pole", "pole_kind", "session", "time", "fix",
    "source", "note", "crs", "epoch",
)


def guess_control(layer: QgsVectorLayer) -> LayerSource:
    """The layer as a source of control: easting and northing from fields of such a name, else
    from the geometry."""
    return _guess(layer, CONTROL_FIELDS, "elevation", prefer_geometry=False)


def guess_observations(layer: QgsVectorLayer) -> LayerSource:
    """The layer as a source of observations: positions from the geometry where the layer has
    points and a CRS, else from fields."""
    return _guess(layer, OBSERVATION_FIELDS, "height", prefer_geometry=layer.crs().isValid())


def _guess(
    layer: QgsVectorLayer, wanted: Sequence[str], level: str, prefer_geometry: bool
) -> LayerSource:
    guess = likely_columns([field.name() for field in layer.fields()], wanted)
    plane = wanted[1:3]
    incomplete = not all(name in guess for name in plane)
    if has_points(layer) and (prefer_geometry or incomplete):
        for name in plane:
            guess.pop(name, None)
        if level not in guess and QgsWkbTypes.hasZ(layer.wkbType()):
            guess[level] = GEOMETRY_Z
    guess.setdefault(wanted[0], FEATURE_ID)
    return source_of(layer, [FieldChoice(name, guess[name]) for name in wanted if name in guess])


def source_of(
    layer: QgsVectorLayer, fields: Sequence[FieldChoice], packed_dms: bool = False
) -> LayerSource:
    """The layer with a mapping, as it is remembered."""
    return LayerSource(
        layer.id(), layer.name(), layer.source(), layer.providerType(), tuple(fields), packed_dms
    )


def has_points(layer: QgsVectorLayer) -> bool:
    """Whether features of the layer can carry a position."""
    return QgsWkbTypes.geometryType(layer.wkbType()) == QgsWkbTypes.GeometryType.PointGeometry


def find_layer(
    source: Optional[LayerSource], project: Optional[QgsProject] = None
) -> Optional[QgsVectorLayer]:
    """The layer of a source in a project; None when it is missing or broken.

    A layer that was taken out and added again has another id: then the same data are looked for.
    """
    if source is None:
        return None
    project = project or QgsProject.instance()
    layer = project.mapLayer(source.layer_id)
    if isinstance(layer, QgsVectorLayer):
        return layer if layer.isValid() else None
    for layer in project.mapLayers().values():
        if isinstance(layer, QgsVectorLayer) and layer.isValid() and (
            (layer.source(), layer.providerType()) == (source.uri, source.provider)
        ):
            return layer
    return None


def missing_fields(layer: QgsVectorLayer, source: LayerSource) -> List[FieldChoice]:
    """What the mapping names and the layer no longer has."""
    there = {field.name() for field in layer.fields()} | {FEATURE_ID, GEOMETRY_Z}
    return [choice for choice in source.fields if choice.field not in there]


def refuse_unusable(layer: QgsVectorLayer, source: LayerSource, plane: Sequence[str]) -> None:
    """Refuse a mapping that the layer cannot serve.

    Raises
    ------
    InputError
        Naming the layer.
    """
    name = layer.name()
    gone = missing_fields(layer, source)
    if gone:
        raise InputError(
            tr(
                "The layer has no field {field!r}, which {name} was to be read from.").format(
                field=gone[0].field, name=gone[0].name),
            tr("Choose the fields of the layer anew."), file=name,
        )
    mapped = [item for item in plane if source.field_of(item)]
    if len(mapped) == 1:
        other = next(item for item in plane if item not in mapped)
        raise InputError(
            tr(
                "{mapped} comes from a field and {other} from none.").format(
                mapped=mapped[0], other=other),
            tr("Choose fields for both, or the geometry for both."), file=name,
        )
    uses_geometry = not mapped or any(choice.field == GEOMETRY_Z for choice in source.fields)
    if uses_geometry and not has_points(layer):
        kind = QgsWkbTypes.geometryDisplayString(layer.geometryType()).lower()
        raise InputError(
            tr("The layer has no points ({kind}).").format(kind=kind),
            tr(
                "Choose the fields of {plane} and {plane2}, or a layer of points.").format(
                plane=plane[0], plane2=plane[1]), file=name,
        )


def describe_mapping(source: LayerSource) -> str:
    """The mapping in one sentence."""
    fields = {choice.name: choice.field for choice in source.fields}
    first, second, level = (
        ("easting", "northing", "elevation") if "control_id" in fields
        else ("latitude", "longitude", "height")
    )
    id_field = fields.get("control_id", fields.get("observation_id", FEATURE_ID))
    parts = [tr("id is the feature's number") if id_field == FEATURE_ID else tr(
        "id from {id_field}").format(id_field=id_field)]
    if first in fields:
        parts.append(tr(
            "{first} from {fields}, {second} from {fields2}").format(
            first=first, fields=fields[first], second=second, fields2=fields[second]))
    else:
        parts.append(tr("position from the geometry"))
    if level in fields:
        z = tr("the geometry") if fields[level] == GEOMETRY_Z else fields[level]
        parts.append(tr("{level} from {z}").format(level=level, z=z))
    else:
        parts.append(tr("no {level}").format(level=level))
    sigmas = sum("sigma" in name for name in fields)
    parts.append(tr("no sigmas") if not sigmas else tr("1 sigma field") if sigmas == 1 else
                 tr("{sigmas} sigma fields").format(sigmas=sigmas))
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."


def crs_text(crs: QgsCoordinateReferenceSystem) -> str:
    """A CRS as the core reads it: its authority code, or WKT where it has none."""
    authority = crs.authid()
    if authority and not authority.upper().startswith("USER:"):
        return authority
    return crs.toWkt(QgsCoordinateReferenceSystem.WktVariant.WKT_PREFERRED)
