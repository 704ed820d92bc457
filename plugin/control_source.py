"""Control points out of a layer that an algorithm is given."""

from __future__ import annotations

from typing import Dict, List, NamedTuple, Optional, Sequence

import numpy as np
from qgis.core import QgsFeatureRequest, QgsProcessingFeatureSource, QgsVectorLayer

from ..core.errors import InputError
from ..core.numerals import parse_number
from ..core.pair_table import cell_text
from ..core.pairs import Control
from .cells import cell
from .job.layer_points import read_control
from .job.layer_source import guess_control, source_of
from .job.state import FieldChoice, LayerSource


class ControlLayer(NamedTuple):
    """Control points, the layer they are from (a copy in memory), and which field is what."""

    control: List[Control]
    layer: QgsVectorLayer
    source: LayerSource
    features: List[int]


def control_of(
    source: QgsProcessingFeatureSource, name: str, fields: Dict[str, Optional[str]]
) -> ControlLayer:
    """Read control points.

    Parameters
    ----------
    fields : dict
        Core name (``control_id``, ``easting``...) to field; what is None is found by its name,
        and positions from the geometry where no field has such a name.

    Raises
    ------
    InputError
        Naming layer, point and feature.
    """
    layer = source.materialize(QgsFeatureRequest())
    layer.setName(name)
    layer.setCrs(source.sourceCrs())  # a layer in memory without one would get that of the project
    guessed = {choice.name: choice.field for choice in guess_control(layer).fields}
    guessed.update({key: field for key, field in fields.items() if field})
    mapping = source_of(layer, [FieldChoice(key, field) for key, field in guessed.items()])
    found = read_control(layer, mapping)
    if not found:
        raise InputError("There are no control points.", "Choose a layer with features.", file=name)
    return ControlLayer([item.control for item in found], layer, mapping,
                        [item.feature_id for item in found])


def ids_of(source: QgsProcessingFeatureSource, name: str, field: Optional[str]) -> List[str]:
    """Ids of the features of a layer.

    Raises
    ------
    InputError
        When no field says what they are.
    """
    if not field:
        raise InputError("Nothing says which control points these features are.",
                         "Name the field with their ids.", file=name)
    return [cell_text(cell(feature[field])) for feature in source.getFeatures()]


def sigmas_of(
    read: ControlLayer, fields: Sequence[Optional[str]]
) -> List[List[Optional[float]]]:
    """A row for each control point with the numbers of those fields, metres; None where blank.

    Raises
    ------
    InputError
        Naming layer and point where one is no standard deviation.
    """
    rows = []
    by_id = {feature.id(): feature for feature in read.layer.getFeatures()}
    for point, feature_id in zip(read.control, read.features):
        row: List[Optional[float]] = []
        for field in fields:
            value = cell(by_id[feature_id][field]) if field else None
            if value is None or not cell_text(value):
                row.append(None)
                continue
            try:
                number = parse_number(value, str(field))
            except InputError as error:
                raise error.at(file=read.layer.name(), point=point.id) from None
            if not (number > 0.0 and np.isfinite(number)):
                raise InputError(
                    f"{field} is {number}; a standard deviation must be greater than zero.",
                    "Give it in metres, or leave it blank for the default.",
                    file=read.layer.name(), point=point.id,
                )
            row.append(number)
        rows.append(row)
    return rows
