"""Result fields on a layer's own: added, or, where they are there already, given new values."""

from __future__ import annotations

from itertools import islice
from typing import Callable, Dict, Iterable, List, Sequence

from qgis.core import QgsFeature, QgsField, QgsFields, QgsProcessingFeatureSource

from ..core.errors import InputError
from .layer_positions import EVERY, Progress
from .outputs import LayerOutput


class ResultFields:
    """The fields of a layer with result fields among or behind them.

    Attributes
    ----------
    fields : QgsFields
        A field of a result's name is replaced where it stands; all others stay as they are.
    """

    def __init__(self, given: QgsFields, results: Sequence[QgsField]) -> None:
        by_name: Dict[str, QgsField] = {field.name().lower(): field for field in results}
        self.fields = QgsFields()
        for field in given:
            self.fields.append(by_name.pop(field.name().lower(), field))
        for field in results:
            if field.name().lower() in by_name:
                self.fields.append(field)
        self._count = self.fields.count()
        self._places = [self.fields.lookupField(field.name()) for field in results]

    def attributes(self, given: Sequence[object], results: Sequence[object]) -> List[object]:
        """The attributes of a feature with result values in their places."""
        values = list(given)
        values += [None] * (self._count - len(values))
        for place, value in zip(self._places, results):
            values[place] = value
        return values


def write_results(
    source: QgsProcessingFeatureSource,
    layer: LayerOutput,
    results: ResultFields,
    count: int,
    values: Callable[[int, int], Iterable[Sequence[object]]],
    progress: Progress,
) -> None:
    """Write the features of a source with their results, in batches.

    Parameters
    ----------
    count : int
        How many features the results were made for.
    values : callable
        Results of the features from a first to before a last.

    Raises
    ------
    InputError
        When the source has changed since the results were made.
    OutputError
    """
    features = source.getFeatures()
    for start in range(0, count + 1, EVERY):
        progress(start / max(count, 1))
        batch: List[QgsFeature] = list(islice(features, EVERY))
        if len(batch) != min(EVERY, count - start):
            raise InputError(
                "The layer changed while it was read.", "Try again.", file=source.sourceName()
            )
        for feature, row in zip(batch, values(start, start + len(batch))):
            given = feature.attributes()
            feature.setFields(results.fields, False)
            feature.setAttributes(results.attributes(given, row))
        if batch:
            layer.add(batch)
