"""What the pairing tool says: where things stand, and why a click did nothing."""

from __future__ import annotations

from typing import Optional, Sequence

from ...core.pairs import Observation, Pair
from ...core.units import LengthUnit
from ...core.wording import length_words, listed
from .map_marks import Kind, MapMark, Partner

START = "Point at a control point or an observation. Esc ends pairing."


def hovered(
    mark: MapMark, partner: Optional[Partner], pairs: Sequence[Pair], unit: LengthUnit,
    here: int, place: int,
) -> str:
    """Nothing is chosen yet and the cursor is on a mark.

    Parameters
    ----------
    here, place : int
        How many marks there are under the cursor, and which of them this is, from 0.
    """
    lines = [f"{_capital(mark.kind.value)} {mark.id}{_recorded(mark)}"]
    taken = [pair.name for pair in pairs_of(mark, pairs)]
    if taken:
        lines.append(f"Paired already: {listed(taken, most=4)}.")
    if partner is not None:
        lines.append(f"{_proposal(partner, unit)}; click twice to pair.")
    return "\n".join(lines + _more(here, place))


def chosen(mark: MapMark, partner: Optional[Partner], away: str, unit: LengthUnit) -> str:
    """One mark is chosen and the cursor is over nothing."""
    lines = [f"{mark.id}: point at its {mark.kind.other.value}. Esc: choose another."]
    if partner is not None:
        lines.append(f"{_proposal(partner, unit)}; click {mark.id} again or press Enter to pair.")
    if away:
        lines.append(f"From {mark.id} to here: {away}.")
    return "\n".join(lines)


def offered(first: MapMark, second: MapMark, away: str, here: int, place: int) -> str:
    """One mark is chosen and the cursor is on one of the other kind."""
    control, observation = in_order(first, second)
    line = f"{control.id} with {observation.id}"
    return "\n".join(
        [f"{line}{_recorded(observation)}: {away + '. C' if away else 'c'}lick to pair."]
        + _more(here, place))


def paired(pair: Pair, away: str) -> str:
    """A pair was made."""
    return f"Paired {pair.name}{': ' + away if away else ''}. Next: {START[0].lower()}{START[1:]}"


def nothing_here(wanted: Optional[Kind]) -> str:
    what = "control point or observation" if wanted is None else wanted.value
    return f"No {what} here. Zoom in, or click nearer to one."


def same_kind(first: MapMark, second: MapMark) -> str:
    if first.feature_id == second.feature_id:
        return (f"{first.id} is chosen already, and no partner is known for it. Point at its "
                f"{first.kind.other.value}; Esc chooses another.")
    return (f"{second.id} is {second.kind.article} too. Point at "
            f"{first.kind.other.article} for {first.id}; Esc chooses another.")


def observation_taken(mark: MapMark, pairs: Sequence[Pair]) -> str:
    names = listed(pair.control.id for pair in pairs_of(mark, pairs))
    return (f"The observation {mark.id} is already paired with {names}. Take that pair out first, "
            "or choose another observation.")


def pairs_of(mark: MapMark, pairs: Sequence[Pair]) -> Sequence[Pair]:
    """The pairs a mark is in."""
    if mark.kind is Kind.CONTROL:
        return [pair for pair in pairs if pair.control.id == mark.id]
    return [pair for pair in pairs if pair.observation.id == mark.id]


def in_order(one: MapMark, other: MapMark):
    """Control first."""
    return (one, other) if one.kind is Kind.CONTROL else (other, one)


def _proposal(partner: Partner, unit: LengthUnit) -> str:
    return f"{partner.mark.id} is predicted {length_words(partner.distance, unit)} away"


def _recorded(mark: MapMark) -> str:
    """Fix and session of a shot: what tells repeated ones apart."""
    if not isinstance(mark.value, Observation):
        return ""
    known = [part for part in (mark.value.fix, mark.value.session) if part]
    return f" ({', '.join(known)})" if known else ""


def _more(here: int, place: int):
    return [f"{place + 1} of {here} here; N shows the next."] if here > 1 else []


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
