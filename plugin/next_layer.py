"""The ranking of marks to observe next, as points with what each would bring."""

from __future__ import annotations

from typing import Dict, Iterator, List, Optional, Sequence

from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY

from ..core.next_control import NextControl, Uncertainty
from ..core.reliability import MarkReliability
from ..core.tie import Tie
from .fields import fields_of, number_field, text_field, whole_field
from .residual_layer import TIE_DIGITS

SIDES = (("horizontal", "h"), ("vertical", "v"))


def next_fields() -> QgsFields:
    """Names of at most ten characters; ``_h`` is horizontal (site unit), ``_v`` vertical.

    ``was_`` and ``worst_`` are the worst uncertainty over the work area now and then, ``wmean_``
    and ``mean_`` the mean; ``gain`` the fall of the worst one, 0 to 1; ``findable``, ``seen`` and
    ``hidden`` the marks where a blunder could then be found, would show, could still hide.
    """
    numbers = [f"{name}_{letter}" for _, letter in SIDES
               for name in ("was", "worst", "wmean", "mean")]
    return fields_of(
        whole_field("next_rank"), text_field("control_id"),
        *(number_field(name) for name in (*numbers, "gain")),
        *(text_field(name) for name in ("findable", "seen", "hidden", "next_text")),
        text_field("next_tie", TIE_DIGITS),
    )


def next_features(ranked: NextControl, tie: Tie) -> Iterator[QgsFeature]:
    """A point for each candidate where the tie expects it, the best first."""
    fields = next_fields()
    for mark in ranked.marks:
        latitude, longitude, _ = tie.to_geodetic(mark.control.easting, mark.control.northing)
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(longitude, latitude)))
        feature.setAttributes([
            mark.rank, mark.control.id,
            *_numbers(ranked.uncertainty, mark.uncertainty), float(mark.gain),
            *(names(marks) for marks in (mark.findable, mark.seen, mark.hidden)),
            ranked.words(mark), tie.id[:TIE_DIGITS],
        ])
        yield feature


def _numbers(
    before: Dict[str, Uncertainty], after: Dict[str, Uncertainty]
) -> List[Optional[float]]:
    numbers: List[Optional[float]] = []
    for side, _ in SIDES:
        if side in before:
            was, then = before[side], after[side]
            numbers += [was.worst, then.worst, was.mean, then.mean]
        else:
            numbers += [None] * 4
    return numbers


def names(marks: Sequence[MarkReliability]) -> str:
    """Marks with their side in one cell: "M3 (vertical), M5 (horizontal)"."""
    return ", ".join(f"{mark.control_id} ({mark.side})" for mark in marks)
