"""Residuals of a tie as lines in site coordinates, from the given position to the solved one."""

from __future__ import annotations

from typing import Iterator, List, Optional, Sequence

import numpy as np
from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPoint

from ..core.exaggeration import Exaggeration, exaggeration
from ..core.results import ComponentResult, PairResidual
from ..core.tie import Tie
from ..core.verdict_words import short_verdict
from .fields import fields_of, number_field, text_field, whole_field

#: Length of the tie's hash in layers: twelve digits tell any two ties of a job apart.
TIE_DIGITS = 12


def residual_fields() -> QgsFields:
    """Names of at most ten characters; ``_h`` is horizontal, ``_v`` vertical.

    ``res_e, res_n, res_u`` are residuals (solved less given), ``len_h`` the length of the
    horizontal one, ``del_e, del_n, del_u`` residuals of a solution without the mark, ``test`` the
    test value in standard deviations and ``crit`` what it should not exceed, ``red`` the
    redundancy number, ``mdb`` the minimal detectable bias, ``tol`` 1 within the tolerance and 0
    out of it, ``factor`` the exaggeration of the line and ``cut`` 1 where the line is shortened.
    """
    return fields_of(
        text_field("control_id"), text_field("observ_id"), text_field("role_h"),
        text_field("role_v"),
        *(number_field(name) for name in (
            "res_e", "res_n", "len_h", "res_u", "del_e", "del_n", "del_u", "test_h", "crit_h",
            "test_v", "crit_v", "red_h", "red_v", "mdb_h", "mdb_v")),
        whole_field("tol_h"), whole_field("tol_v"),
        text_field("verdict_h"), text_field("verdict_v"), text_field("verdict"),
        number_field("factor"), whole_field("cut"), text_field("site_tie", TIE_DIGITS),
    )


def residual_features(tie: Tie, factor: Optional[float] = None) -> Iterator[QgsFeature]:
    """One feature per pair; without a line where the control has no position.

    Parameters
    ----------
    factor : float, optional
        Drawn length over true length. Left out, a round one is chosen, and lines far longer than
        the others are cut.
    """
    fields = residual_fields()
    chosen = _exaggeration(tie, factor)
    for pair, row in zip(tie.pairs, tie.rows):
        feature, cut = QgsFeature(fields), False
        if row.horizontal.residual is not None and pair.control.has_position:
            east, north, cut = chosen.drawn(*row.horizontal.residual)
            start = QgsPoint(pair.control.easting, pair.control.northing)
            end = QgsPoint(start.x() + east, start.y() + north)
            feature.setGeometry(QgsGeometry.fromPolyline([start, end]))
        feature.setAttributes(
            _attributes(row) + [chosen.factor, int(cut), tie.id[:TIE_DIGITS]]
        )
        yield feature


def _exaggeration(tie: Tie, factor: Optional[float]) -> Exaggeration:
    if factor is not None:
        return Exaggeration(factor, float("inf"), 0.0)
    placed = np.array([(p.control.easting, p.control.northing) for p in tie.pairs
                       if p.control.has_position])
    extent = float(np.ptp(placed, axis=0).max()) if len(placed) else 0.0
    return exaggeration((row.horizontal.size or 0.0 for row in tie.rows), extent)


def _attributes(row: PairResidual) -> List[object]:
    h, v = row.horizontal, row.vertical
    return [
        row.control_id, row.observation_id, h.role, v.role,
        *_filled(h.residual, 2), h.size, *_filled(v.residual, 1),
        *_filled(h.deleted, 2), *_filled(v.deleted, 1),
        h.test, h.critical, v.test, v.critical, h.redundancy, v.redundancy,
        h.detectable, v.detectable, _flag(h), _flag(v), h.verdict, v.verdict, short_verdict(row),
    ]


def _filled(values: Optional[Sequence[float]], count: int) -> Sequence[Optional[float]]:
    return (None,) * count if values is None else values


def _flag(part: ComponentResult) -> Optional[int]:
    return None if part.within_tolerance is None else int(part.within_tolerance)
