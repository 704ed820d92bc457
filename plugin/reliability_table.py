"""What would become of a blunder at each mark, as a table."""

from __future__ import annotations

from typing import Iterator, Sequence

from qgis.core import QgsFeature, QgsFields

from ..core.reliability import MarkReliability
from .fields import fields_of, number_field, text_field


def reliability_fields() -> QgsFields:
    """``state`` is findable, seen or hidden; ``red`` the redundancy number; ``mdb`` the smallest
    blunder that shows, ``told`` the smallest that is told from one at any other mark, ``effect``
    the most that one just too small to show moves a point of the work area (site or elevation
    unit; blank where there is no limit); ``like`` the marks it cannot be told from."""
    return fields_of(
        text_field("control_id"), text_field("side"), text_field("state"), number_field("red"),
        number_field("mdb"), number_field("told"), number_field("effect"), text_field("like"),
    )


def reliability_features(marks: Sequence[MarkReliability]) -> Iterator[QgsFeature]:
    """A row for each mark and side."""
    fields = reliability_fields()
    for mark in marks:
        feature = QgsFeature(fields)
        feature.setAttributes([
            mark.control_id, mark.side, mark.state, mark.redundancy, mark.detectable,
            mark.separable, mark.effect, ", ".join(mark.confused_with),
        ])
        yield feature
