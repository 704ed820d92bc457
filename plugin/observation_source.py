"""Observations out of a layer that an algorithm is given."""

from __future__ import annotations

from typing import Dict, List, Optional

from qgis.core import QgsFeatureRequest, QgsProcessingFeatureSource

from ..core.errors import InputError
from ..core.pairs import Observation
from ..core.settings import Settings
from .job.layer_points import read_observations
from .job.layer_source import guess_observations, source_of
from .job.state import FieldChoice


def observations_of(
    source: QgsProcessingFeatureSource, name: str, settings: Settings,
    fields: Dict[str, Optional[str]],
) -> List[Observation]:
    """Read observations.

    Parameters
    ----------
    fields : dict
        Core name (``observation_id``, ``latitude``...) to field; what is None is found by its
        name, and positions from the geometry where the layer has points and a CRS.

    Raises
    ------
    InputError, FrameError
        Naming layer, point and feature.
    """
    layer = source.materialize(QgsFeatureRequest())
    layer.setName(name)
    layer.setCrs(source.sourceCrs())  # a layer in memory without one would get that of the project
    guessed = {choice.name: choice.field for choice in guess_observations(layer).fields}
    guessed.update({key: field for key, field in fields.items() if field})
    mapping = source_of(layer, [FieldChoice(key, field) for key, field in guessed.items()])
    found = read_observations(layer, mapping, settings)
    if not found:
        raise InputError("There are no observations.", "Choose a layer with features.", file=name)
    return [item.observation for item in found]
