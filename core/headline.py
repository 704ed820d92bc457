"""Where the work stands and what is worth doing next, in two short sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, List, Optional, Sequence, Tuple

from . import plausible_heights
from .errors import SitetieError
from .findings import ALARM, CAUTION, site_facts
from .pairs import Pair, Role
from .plausibility import plausibility
from .results import (
    CANNOT_TELL,
    CANNOT_TEST,
    DISAGREES,
    DOES_NOT_BELONG,
    LARGER,
    SMALLER,
    PairResidual,
    PartStatistics,
)
from .tie import Tie
from .verdict_words import off_by, sides
from .wording import counted, length_words, listed

#: How it looks: nothing speaks against it, something wants a look, it cannot go on.
GOOD, LOOK, STOP = "good", "look", "stop"


@dataclass(frozen=True)
class Headline:
    """The first line of every front.

    Attributes
    ----------
    standing : str
        What there is: pairs, roles, RMS.
    advice : str
        What is worth doing next, the most urgent thing first.
    tone : str
        ``good``, ``look`` or ``stop``.
    points : tuple of str
        Control points the advice speaks of.
    """

    standing: str
    advice: str
    tone: str
    points: Tuple[str, ...] = ()

    @property
    def text(self) -> str:
        return f"{self.standing} {self.advice}".strip()


def headline(
    pairs: Sequence[Pair], tie: Optional[Tie], problem: Optional[SitetieError] = None
) -> Headline:
    """Say where a job stands.

    Parameters
    ----------
    tie : Tie or None
        The tie of these pairs.
    problem : SitetieError or None
        Why there is none.
    """
    if tie is None:
        if problem is None:
            return Headline("No pairs yet.", "", LOOK)
        points = (problem.point,) if problem.point else ()
        return Headline(f"{_roles(pairs)}.", str(problem), STOP, points)
    standing = f"{_roles(pairs)}. {_rms(tie)}"
    for advise in (
        _odd_unit, _accused, _not_told_apart, _checks_off, _out_of_tolerance, _unchecked,
        _sigmas_too_small, _spread, _untested, _no_check, _implausible, _sigmas_too_large,
    ):
        advice = advise(tie)
        if advice is not None:
            return Headline(standing, advice[0], LOOK, tuple(advice[1]))
    assumed = any(part.assumed_sigmas for part in _parts(tie))
    doubt = " Some sigmas are assumed, so the figures are no better than they." if assumed else ""
    return Headline(standing, f"Nothing speaks against it.{doubt}", GOOD)


Advice = Optional[Tuple[str, Sequence[str]]]


def _roles(pairs: Sequence[Pair]) -> str:
    roles = [{pair.horizontal, pair.vertical} for pair in pairs]
    fit = sum(Role.FIT in both for both in roles)
    check = sum(Role.FIT not in both and Role.CHECK in both for both in roles)
    idle = sum(both == {Role.IDLE} for both in roles)
    parts = [f"{counted(fit, 'pair')} fit{'s' if fit == 1 else ''}"]
    parts += [f"{check} check"] if check else []
    parts += [f"{idle} idle"] if idle else []
    return ", ".join(parts)


def _parts(tie: Tie) -> List[PartStatistics]:
    parts = (tie.statistics.horizontal, tie.statistics.vertical)
    return [part for part in parts if part is not None]


def _named_parts(tie: Tie):
    horizontal, vertical = tie.statistics.horizontal, tie.statistics.vertical
    if horizontal is not None:
        yield "horizontal", horizontal, tie.settings.site_length
    if vertical is not None:
        yield "vertical", vertical, tie.settings.elevation_length


def _rms(tie: Tie) -> str:
    parts = list(_named_parts(tie))
    bare = [name for name, part, _ in parts if part.rms is None]
    known = [f"{name} {length_words(part.rms, unit)}" for name, part, unit in parts
             if part.rms is not None]
    said = [f"{listed(bare)} unchecked"] if bare else []
    said += [f"RMS {', '.join(known)}"] if known else []
    said += ["no heights"] if tie.statistics.vertical is None else []
    text = "; ".join(said)
    return f"{text[0].upper()}{text[1:]}."


def _with_verdict(tie: Tie, verdict: str) -> List[Tuple[PairResidual, str]]:
    """Worst mark first: (row, "horizontally, 20.0 m off")."""
    found: Dict[Tuple[str, str], Tuple[float, PairResidual, str]] = {}
    for row in tie.residuals:
        for side, part, unit, _ in sides(row, tie.settings):
            if part.verdict == verdict:
                strength = (part.test or 0.0) / (part.critical or 1.0)
                words = f"{side}ly, {off_by(part, unit)} off"
                found.setdefault((row.control_id, side), (strength, row, words))
    return [(row, words) for _, row, words in
            sorted(found.values(), key=lambda item: -item[0])]


def _names(found: Sequence[Tuple[PairResidual, str]]) -> List[str]:
    return list(dict.fromkeys(row.control_id for row, _ in found))


def _odd_unit(tie: Tie) -> Advice:
    """Elevations in another unit than said: asked before any single mark is blamed for it."""
    vertical = tie.statistics.vertical
    if vertical is None or vertical.outcome != LARGER:
        return None
    found = next(plausible_heights.unit(site_facts(tie)), None)
    return None if found is None else (found.sentence, ())


def _accused(tie: Tie) -> Advice:
    found = _with_verdict(tie, DOES_NOT_BELONG)
    if not found:
        return None
    said = listed([f"{row.control_id} ({words})" for row, words in found], most=3)
    verb = "does" if len(found) == 1 else "do"
    return f"{said} {verb} not belong: see why.", _names(found)


def _not_told_apart(tie: Tie) -> Advice:
    found = _with_verdict(tie, CANNOT_TELL)
    if not found:
        return None
    names = _names(found)
    return (f"Something is wrong among {listed(names)}, and which one cannot be told: "
            "add a pair, or look at each."), names


def _checks_off(tie: Tie) -> Advice:
    found = _with_verdict(tie, DISAGREES)
    if not found:
        return None
    said = listed([f"{row.control_id} ({words})" for row, words in found], most=3)
    one = len(found) == 1
    return (f"The check{'' if one else 's'} {said} {'does' if one else 'do'} not agree: "
            "see why."), _names(found)


def _out_of_tolerance(tie: Tie) -> Advice:
    names = [row.control_id for row in tie.residuals
             if False in (row.horizontal.within_tolerance, row.vertical.within_tolerance)]
    names = list(dict.fromkeys(names))
    if not names:
        return None
    return f"{listed(names)} {'is' if len(names) == 1 else 'are'} out of tolerance: see why.", names


def _unchecked(tie: Tie) -> Advice:
    bare = [name for name, part, _ in _named_parts(tie) if not part.checked]
    if not bare:
        return None
    return (f"Nothing checks the {listed(bare)} solution: it would fit a blunder as well. "
            "Add a pair."), ()


def _sigmas_too_small(tie: Tie) -> Advice:
    names = [name for name, part, _ in _named_parts(tie) if part.outcome == LARGER]
    if not names:
        return None
    return (f"The {listed(names)} residuals are larger than the sigmas allow, though no single "
            "pair stands out: look at control, units and sigmas."), ()


def _spread(tie: Tie) -> Advice:
    names = list(dict.fromkeys(item.control_id for item in tie.repeats if not item.accepted))
    if not names:
        return None
    return f"Repeated observations of {listed(names)} disagree: look at each.", names


def _untested(tie: Tie) -> Advice:
    names = _names(_with_verdict(tie, CANNOT_TEST))
    if not names:
        return None
    return (f"Nothing else controls {listed(names)}, so a blunder there would not show: add a "
            "pair nearby."), names


def _no_check(tie: Tie) -> Advice:
    if any(Role.CHECK.value in (row.horizontal.role, row.vertical.role) for row in tie.residuals):
        return None
    return "No pair is withheld: set one to check, or observe a mark for it.", ()


def _implausible(tie: Tie) -> Advice:
    """What only a look at the whole site shows: an odd scale, control in line, relief."""
    found = plausibility(tie)
    if not found or found[0].level not in (ALARM, CAUTION):
        return None
    return found[0].sentence, ()


def _sigmas_too_large(tie: Tie) -> Advice:
    names = [name for name, part, _ in _named_parts(tie) if part.outcome == SMALLER]
    if not names:
        return None
    return (f"The {listed(names)} residuals are smaller than the sigmas lead one to expect: the "
            "sigmas may be too careful."), ()
