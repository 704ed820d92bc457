"""What the pairing tool says: where things stand, and why a click did nothing."""

from __future__ import annotations

from typing import Optional, Sequence

from ...core.pairs import Observation, Pair
from ...core.units import LengthUnit
from ...core.wording import length_words, listed
from ..translation import tr
from .map_marks import Kind, MapMark, Partner

START = tr("Point at a control point or an observation. Esc ends pairing.")


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
        lines.append(tr("Paired already: {taken}.").format(taken=listed(taken, most=4)))
    if partner is not None:
        lines.append(tr(
            "{proposal}; click twice to pair.").format(proposal=_proposal(partner, unit)))
    return "\n".join(lines + _more(here, place))


def chosen(mark: MapMark, partner: Optional[Partner], away: str, unit: LengthUnit) -> str:
    """One mark is chosen and the cursor is over nothing."""
    lines = [tr(
        "{id}: point at its {value}. Esc: choose another.").format(
        id=mark.id, value=mark.kind.other.value)]
    if partner is not None:
        lines.append(tr(
            "{proposal}; click {id} again or press Enter to pair.").format(
            proposal=_proposal(partner, unit), id=mark.id))
    if away:
        lines.append(tr("From {id} to here: {away}.").format(id=mark.id, away=away))
    return "\n".join(lines)


def offered(first: MapMark, second: MapMark, away: str, here: int, place: int) -> str:
    """One mark is chosen and the cursor is on one of the other kind."""
    control, observation = in_order(first, second)
    line = tr("{id} with {id2}").format(id=control.id, id2=observation.id)
    return "\n".join(
        [tr(
            "{line}{recorded}: {what}lick to pair.").format(
            line=line, recorded=_recorded(observation), what=away + '. C' if away else 'c')]
        + _more(here, place))


def paired(pair: Pair, away: str) -> str:
    """A pair was made."""
    return tr(
        "Paired {name}{what}. Next: {lower}{start}").format(
        name=pair.name, what=': ' + away if away else '', lower=START[0].lower(),
        start=START[1:])


def nothing_here(wanted: Optional[Kind]) -> str:
    what = tr("control point or observation") if wanted is None else wanted.value
    return tr("No {what} here. Zoom in, or click nearer to one.").format(what=what)


def same_kind(first: MapMark, second: MapMark) -> str:
    if first.feature_id == second.feature_id:
        return (tr(
            "{id} is chosen already, and no partner is known for it. Point at its {value}; Esc "
            "chooses another.").format(id=first.id, value=first.kind.other.value))
    return (tr(
        "{id} is {article} too. Point at {article2} for {id2}; Esc chooses another.").format(
        id=second.id, article=second.kind.article, article2=first.kind.other.article,
        id2=first.id))


def observation_taken(mark: MapMark, pairs: Sequence[Pair]) -> str:
    names = listed(pair.control.id for pair in pairs_of(mark, pairs))
    return (tr(
        "The observation {id} is already paired with {names}. Take that pair out first, or "
        "choose another observation.").format(id=mark.id, names=names))


def pairs_of(mark: MapMark, pairs: Sequence[Pair]) -> Sequence[Pair]:
    """The pairs a mark is in."""
    if mark.kind is Kind.CONTROL:
        return [pair for pair in pairs if pair.control.id == mark.id]
    return [pair for pair in pairs if pair.observation.id == mark.id]


def in_order(one: MapMark, other: MapMark):
    """Control first."""
    return (one, other) if one.kind is Kind.CONTROL else (other, one)


def _proposal(partner: Partner, unit: LengthUnit) -> str:
    return tr(
        "{id} is predicted {distance} away").format(
        id=partner.mark.id, distance=length_words(partner.distance, unit))


def _recorded(mark: MapMark) -> str:
    """Fix and session of a shot: what tells repeated ones apart."""
    if not isinstance(mark.value, Observation):
        return ""
    known = [part for part in (mark.value.fix, mark.value.session) if part]
    return f" ({', '.join(known)})" if known else ""


def _more(here: int, place: int):
    return [tr(
        "{what} of {here} here; N shows the next.").format(
        what=place + 1, here=here)] if here > 1 else []


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
