"""What the residuals would be if a suspect is right: the same pairs solved before and after."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence, Tuple

from .errors import SitetieError
from .pairs import Pair, Role
from .settings import Settings
from .solve import solve
from .suspects import Suspect
from .tie import Tie

Size = Optional[float]


@dataclass(frozen=True)
class PreviewRow:
    """Lengths of one pair's residuals before and after, in the units of the given settings.

    None where there is none, or no solution. `idle` says whether the pair then takes no part,
    horizontally and vertically.
    """

    place: int
    name: str
    concerned: bool
    horizontal: Tuple[Size, Size]
    vertical: Tuple[Size, Size]
    idle: Tuple[bool, bool]


@dataclass(frozen=True)
class Move:
    """Where a correction takes a mark: latitude and longitude before and after, degrees."""

    name: str
    start: Tuple[float, float]
    end: Tuple[float, float]


@dataclass(frozen=True)
class Preview:
    """Before and after a suspect is put right.

    Attributes
    ----------
    rows : tuple of PreviewRow
        In the order of the pairs.
    horizontal, vertical : (before, after)
        Root mean square of the fit pairs' residuals; None without redundancy or solution.
    moves : tuple of Move
        Positions that are corrected: of an observation, or of a control point as GNSS would see it.
    problem : str
        Why the corrected pairs cannot be solved; blank when they can.
    """

    rows: Tuple[PreviewRow, ...]
    horizontal: Tuple[Size, Size]
    vertical: Tuple[Size, Size]
    moves: Tuple[Move, ...] = ()
    problem: str = ""


def preview(pairs: Sequence[Pair], settings: Settings, suspect: Suspect,
            now: Optional[Tie] = None) -> Preview:
    """Solve again with a suspect put right.

    Parameters
    ----------
    pairs, settings
        Those the suspect was found in.
    now : Tie, optional
        Their tie, where it is solved already.
    """
    if now is None:
        now, _ = _solved(pairs, settings)
    after_pairs, after_settings = put_right(pairs, settings, suspect)
    then, problem = _solved(after_pairs, after_settings)
    plane = after_settings.site_length.metres / settings.site_length.metres
    tall = after_settings.elevation_length.metres / settings.elevation_length.metres
    rows = tuple(
        PreviewRow(
            i, before.name, _concerned(before, after, suspect),
            (_size(now, i, "horizontal"), _size(then, i, "horizontal", plane)),
            (_size(now, i, "vertical"), _size(then, i, "vertical", tall)),
            (after.horizontal is Role.IDLE, after.vertical is Role.IDLE),
        ) for i, (before, after) in enumerate(zip(pairs, after_pairs))
    )
    return Preview(rows, (_rms(now, "horizontal"), _rms(then, "horizontal", plane)),
                   (_rms(now, "vertical"), _rms(then, "vertical", tall)),
                   moves=_moves(pairs, after_pairs, then), problem=problem)


def _moves(before: Sequence[Pair], after: Sequence[Pair], then: Optional[Tie]) -> Tuple[Move, ...]:
    """The corrected positions; a control point's by the tie of the corrected pairs."""
    found = []
    for old, new in zip(before, after):
        start, end = (_seen(pair) for pair in (old, new))
        if start == end and then is not None and new.control.has_position:
            start, end = (_expected(pair, then) for pair in (old, new))
        if start != end and start is not None and end is not None:
            found.append(Move(new.name, start, end))
    return tuple(found)


def _seen(pair: Pair) -> Optional[Tuple[float, float]]:
    return pair.observation.latitude, pair.observation.longitude


def _expected(pair: Pair, tie: Tie) -> Optional[Tuple[float, float]]:
    """Where a tie expects the control point of a pair; None where it cannot say."""
    try:
        latitude, longitude, _ = tie.to_geodetic(pair.control.easting, pair.control.northing)
    except SitetieError:
        return None
    return float(latitude), float(longitude)


def put_right(
    pairs: Sequence[Pair], settings: Settings, suspect: Suspect
) -> Tuple[Tuple[Pair, ...], Settings]:
    """Pairs and settings with a suspect put right: in the settings where it has some."""
    if suspect.settings is not None:
        return tuple(pairs), suspect.settings
    return suspect.pairs, settings


def _solved(pairs: Sequence[Pair], settings: Settings) -> Tuple[Optional[Tie], str]:
    try:
        return solve(pairs, settings), ""
    except SitetieError as error:
        return None, str(error)


def _concerned(before: Pair, after: Pair, suspect: Suspect) -> bool:
    return before != after or (
        suspect.settings is None and before.control.id in suspect.control_ids)


def _size(tie: Optional[Tie], place: int, side: str, unit: float = 1.0) -> Size:
    size = None if tie is None else getattr(tie.rows[place], side).size
    return None if size is None else size * unit


def _rms(tie: Optional[Tie], side: str, unit: float = 1.0) -> Size:
    part = None if tie is None else getattr(tie.statistics, side)
    return None if part is None or part.rms is None else part.rms * unit
