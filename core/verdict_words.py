"""Verdicts on a pair in words: short for a table, in sentences for whoever asks why."""

from __future__ import annotations

import math
from typing import List, Optional, Tuple

from .pairs import Pair
from .results import (
    AGREES,
    CANNOT_TELL,
    CANNOT_TEST,
    DISAGREES,
    DOES_NOT_BELONG,
    FITS,
    FITS_WITHOUT,
    IDLE,
    ComponentResult,
    PairResidual,
)
from .settings import Settings
from .units import LengthUnit
from .wording import length_words, listed

SIDES = ("horizontal", "vertical")
#: From the one that most wants a look to the one that least does.
URGENCY = (
    DOES_NOT_BELONG, CANNOT_TELL, DISAGREES, FITS_WITHOUT, CANNOT_TEST, FITS, AGREES, IDLE,
)
#: Verdicts that speak against a pair, or may.
AGAINST = (DOES_NOT_BELONG, CANNOT_TELL, DISAGREES)


def urgency(row: PairResidual) -> int:
    """Rank of the more urgent of both sides; 0 wants a look first."""
    return min(URGENCY.index(part.verdict) for part in (row.horizontal, row.vertical))


def short_verdict(row: PairResidual) -> str:
    """Both sides in a table cell: "fits", "does not belong (vertical)"."""
    parts = [(side, part) for side, part in zip(SIDES, (row.horizontal, row.vertical))
             if part.verdict != IDLE]
    if not parts:
        return "idle"
    said = [side_verdict(part) for _, part in parts]
    if len(said) == 2 and said[0] == said[1]:
        return said[0]
    if len(said) == 1:
        return f"{said[0]} ({parts[0][0]} only)"
    return "; ".join(f"{side} {words}" for (side, _), words in
                     sorted(zip(parts, said), key=lambda item: URGENCY.index(item[0][1].verdict)))


def side_verdict(part: ComponentResult) -> str:
    """One side in a table cell."""
    if part.verdict == CANNOT_TELL:
        return f"cannot be told apart from {listed(part.verdict_with, most=3)}"
    if part.verdict == FITS_WITHOUT:
        return f"fits without {listed(part.verdict_with, most=3)}"
    return part.verdict


def explained(pair: Pair, row: PairResidual, settings: Settings) -> List[str]:
    """Why a pair has its verdicts, with the figures behind them.

    Returns
    -------
    list of str
        A paragraph for each side it has, and one on repeated observations.
    """
    said: List[str] = []
    for side, part, unit, tolerance in sides(row, settings):
        if part.residual is None:
            continue
        sentences = [_verdict_sentence(side, part, unit)]
        if part.within_tolerance is not None and tolerance is not None:
            passed = "within" if part.within_tolerance else "out of"
            sentences.append(f"It is {passed} the tolerance of {length_words(tolerance, unit)}.")
        said.append(" ".join(sentences + _figures(part, unit, settings)))
    if row.repeated > 1:
        said.append(
            f"{row.repeated} pairs share the mark {pair.control.id}; those of one role are "
            "combined before they are tested."
        )
    return said or ["Idle: it takes no part."]


def off_by(part: ComponentResult, unit: LengthUnit) -> str:
    """How far a side is off: by a solution without it where there is one."""
    if part.deleted is None:
        return length_words(part.size, unit)
    return length_words(math.hypot(*part.deleted), unit)


def sides(
    row: PairResidual, settings: Settings
) -> Tuple[Tuple[str, ComponentResult, LengthUnit, Optional[float]], ...]:
    """(name, result, unit, tolerance) of the horizontal and the vertical side."""
    return (
        ("horizontal", row.horizontal, settings.site_length, settings.tolerance_h),
        ("vertical", row.vertical, settings.elevation_length, settings.tolerance_v),
    )


def _verdict_sentence(side: str, part: ComponentResult, unit: LengthUnit) -> str:
    name = "Horizontally" if side == "horizontal" else "Vertically"
    off = length_words(part.size, unit)
    others = listed(part.verdict_with)
    without = ""
    if part.deleted is not None:
        without = f"; a solution without it leaves it {off_by(part, unit)} off"
    return {
        DOES_NOT_BELONG: f"{name} it does not belong: no other pair explains the misfit nearly as "
                         f"well. Its residual is {off}{without}.",
        CANNOT_TELL: f"{name} something is wrong, and whether it is this pair or "
                     f"{listed(part.verdict_with, 'or')} cannot be told; with more pairs it could. "
                     f"Its residual is {off}{without}.",
        FITS_WITHOUT: f"{name} it fits once {others} is left out; as things stand its residual is "
                      f"{off}.",
        FITS: f"{name} it fits: its residual is {off}{without}.",
        CANNOT_TEST: f"{name} it cannot be tested: nothing else controls it, so that its residual "
                     f"({off}) says nothing.",
        AGREES: f"{name} this check agrees: it is off by {off}, which the sigmas allow.",
        DISAGREES: f"{name} this check does not agree: it is off by {off}, more than the sigmas "
                   "allow.",
        IDLE: f"{name} it is idle; it would be off by {off}.",
    }[part.verdict]


def _figures(part: ComponentResult, unit: LengthUnit, settings: Settings) -> List[str]:
    said = []
    if part.test is not None and part.critical is not None:
        said.append(f"Test value {part.test:.1f}, limit {part.critical:.1f}.")
    if part.detectable is not None and part.effect is not None:
        said.append(
            f"A blunder of {length_words(part.detectable, unit)} here would be found with "
            f"{settings.power:.0%} probability; unfound it would move a mark by up to "
            f"{length_words(part.effect, unit)}."
        )
    return said
