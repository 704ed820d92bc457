"""Suspects: pairs, or the whole set, with a named probable cause and its evidence.

The largest agreeing set of pairs is found first. Every pair outside it is then tried with each
slip people make: a slip that brings the pair back to within its uncertainty is weighed by how
well it does so, how usual it is and how many values the same kind of slip could have given; its
rival is a disturbed mark, which explains anything but predicts nothing. Whole-set causes compete
in the same currency. Scores are natural logarithms of odds.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Dict, List, Optional, Sequence, Tuple

import numpy as np

from .candidates import Candidate, candidates_of, now_h, now_v
from .causes import CAUSES
from .corrections import correct
from .errors import GeometryError, SitetieError
from .pairs import Control, Pair, Role
from .reference import Reference, make_reference, normal_h, normal_v
from .settings import Settings
from .whole_set import Group, World, group_shifts, parameter_suspects, worlds_of

#: A pair is taken for good unless so unlikely a test value would occur by chance anywhere in the
#: whole set.
SET_LEVEL = 0.001
#: Odds (natural logarithm) by which the best cause must lead for the others not to be listed. A
#: missing pole of 2 m is one value, a wrong digit one of about seventy: both must be listed.
CLOSE = math.log(200.0)
#: Odds against a second blunder, of another kind, at the same pair. Common practice, no source.
SECOND_BLUNDER = math.log(20.0)
#: Share of wrong pairs up to which single pairs are accused.
MOST_WRONG = 0.4
#: Odds from which a named cause is taken for granted when the rest is looked at again.
FIRM = math.log(20.0)
#: Odds by which another reading of the whole set must lead before it is believed.
BELIEVED = math.log(100.0)


@dataclass(frozen=True)
class Suspect:
    """A named probable cause.

    Attributes
    ----------
    cause : str
        Id in `causes.CAUSES`.
    control_ids : tuple of str
        The control points concerned; all of them for the whole set.
    evidence : str
        One sentence with one number: what fits how well once it is corrected.
    score : float
        Natural logarithm of the odds of this cause against a disturbed mark (or, for the whole
        set, against the data as they stand).
    pairs : tuple of Pair
        All pairs, with this suspect corrected (or set to idle where no correction is known). The
        values as given stay beside the corrected ones; see `corrections`.
    misfit, remaining : float or None
        Length of the residual before and after, site units (horizontal) or elevation units.
    alternative : bool
        True for a cause that explains the same pair about as well as the one listed before it.
    settings : Settings or None
        Where the cause is better put right in the settings: those to solve the given pairs with.
    """

    cause: str
    control_ids: Tuple[str, ...]
    evidence: str
    score: float
    pairs: Tuple[Pair, ...]
    misfit: Optional[float] = None
    remaining: Optional[float] = None
    alternative: bool = False
    settings: Optional[Settings] = None

    @property
    def words(self) -> str:
        """What the cause is called in a sentence."""
        return CAUSES[self.cause].words


def find_suspects(pairs: Sequence[Pair], settings: Optional[Settings] = None) -> List[Suspect]:
    """Name what is probably wrong, the likeliest first.

    Parameters
    ----------
    pairs : sequence of Pair
        Fit and check pairs are examined, idle ones left alone.
    settings : Settings, optional

    Returns
    -------
    list of Suspect
        Empty when the pairs agree with one another. One entry per blunder, each followed by
        causes that explain it about as well; ``unexplained`` when something is wrong but no pair
        can be accused.

    Raises
    ------
    SitetieError
        When the settings or the pairs cannot be used at all.
    """
    pairs = tuple(pairs)
    settings = settings or Settings()
    reference, failure = None, None
    try:
        reference = make_reference(pairs, settings, SET_LEVEL)
    except GeometryError as error:  # no two pairs agree as they stand
        failure = error
    best, world = reference, None
    to_beat = -math.inf if reference is None else reference.score + BELIEVED
    for other in worlds_of(pairs, settings, reference, SET_LEVEL):
        if other.score > to_beat:
            best, world, to_beat = other.reference, other, other.score
    if best is None:
        assert failure is not None
        raise failure
    suspects: List[Suspect] = []
    if world is not None:
        suspects.append(_of_world(world, pairs, reference))
    suspects += _of_pairs(best, pairs if world is None else world.pairs)
    suspects += [
        Suspect(cause, _ids(pairs), evidence, score,
                corrected_pairs(pairs, dict(enumerate(changed)), cause, evidence),
                settings=changed_settings)
        for cause, evidence, score, changed, changed_settings in parameter_suspects(best)
    ]
    return suspects


def suspect_sentences(pairs: Sequence[Pair], settings: Settings) -> List[str]:
    """The evidence of every suspect as sentences, alternatives after "Or"; none where the search
    cannot be made."""
    try:
        found = find_suspects(pairs, settings)
    except SitetieError:
        return []
    return [("Or: " if suspect.alternative else "") + suspect.evidence for suspect in found]


def _of_world(world: World, pairs, reference: Optional[Reference]) -> Suspect:
    before = -math.inf if reference is None else reference.score
    changed = corrected_pairs(pairs, dict(enumerate(world.pairs)), world.cause, world.evidence)
    return Suspect(world.cause, _ids(pairs), world.evidence,
                   float(min(world.score - before, 1e6)), changed, settings=world.settings)


def _of_pairs(reference: Reference, pairs: Tuple[Pair, ...]) -> List[Suspect]:
    wrong = reference.outsiders()
    if not wrong:
        return []
    if reference.undecided():
        return _undecided(reference, pairs)
    if len(wrong) > MOST_WRONG * len(pairs) and not group_shifts(reference, wrong):
        return [_too_many(reference, pairs, wrong)]
    found = _reconsidered(reference, pairs, _explained(reference, pairs, wrong))
    found.sort(key=lambda listed: -(listed[0].misfit or 0.0))
    return [suspect for listed in found for suspect in listed]


def _reconsidered(
    reference: Reference, pairs, found: List[List[Suspect]]
) -> List[List[Suspect]]:
    """What is left once the causes beyond doubt are corrected.

    A blunder whose height stayed within the limit pulls the heights of others; an observation
    made at another mark fits it only when that mark is right.
    """
    firm = [listed for listed in found if listed[0].score > FIRM]
    if not firm or len(firm) == len(found):
        return found
    done = {i: after for listed in firm for i, after in changed_rows(pairs, listed[0].pairs)}
    open_ = {i for listed in found if listed not in firm
             for i, _ in changed_rows(pairs, listed[0].pairs)}
    corrected = tuple(done.get(i, pair) for i, pair in enumerate(pairs))
    try:
        again = make_reference(corrected, reference.settings, SET_LEVEL)
    except GeometryError:
        return found
    if again.undecided():
        return found
    rest = [i for i in again.outsiders() if i not in done or i in open_]
    return firm + _explained(again, pairs, rest)


def changed_rows(before: Sequence[Pair], after: Sequence[Pair]) -> List[Tuple[int, Pair]]:
    """Places of the pairs that differ, and what they became."""
    return [(i, new) for i, (old, new) in enumerate(zip(before, after)) if new != old]


def _explained(reference: Reference, pairs, wrong: List[int]) -> List[List[Suspect]]:
    """One list of suspects per blunder, the likeliest first."""
    found: List[List[Suspect]] = []
    groups = group_shifts(reference, wrong)
    for group in groups:
        found.append([_of_group(reference, pairs, group)])
    if groups:
        taken = {i for group in groups for i in group.rows}
        reference = reference.without(taken)
        wrong = [i for i in reference.outsiders() if i not in taken]
    exchanged = _exchanged(reference, wrong)
    for i, j in exchanged:
        found.append([_exchange(reference, pairs, i, j)])
    done = {k for pair in exchanged for k in pair}
    for i in wrong:
        if i not in done:
            found += _of_pair(reference, pairs, i)
    return found


def _of_pair(reference: Reference, pairs, i: int) -> List[List[Suspect]]:
    """One list of suspects per blunder at a pair: together, or position and height apart."""
    ranked = _rank(reference, i)
    joint = ranked["both"]
    separate = [ranked[side] for side in ("horizontal", "vertical") if ranked[side]]
    apart = sum(best[0].score for best in separate) - SECOND_BLUNDER * (len(separate) - 1)
    if joint and (not separate or joint[0].score >= apart):
        return [_listed(reference, pairs, i, joint)]
    return [_listed(reference, pairs, i, best) for best in separate]


def _rank(reference: Reference, i: int) -> Dict[str, List[Candidate]]:
    """Candidates of a pair by what they concern, best first."""
    ranked: Dict[str, List[Candidate]] = {"horizontal": [], "vertical": [], "both": []}
    for candidate in candidates_of(reference, i):
        ranked[candidate.side].append(candidate)
    for side, listed in ranked.items():
        best: Dict[str, Candidate] = {}
        for candidate in listed:
            known = best.get(candidate.cause)
            if known is None or candidate.score > known.score:
                best[candidate.cause] = candidate
        ranked[side] = sorted(best.values(), key=lambda item: -item.score)
    return ranked


def _listed(reference, pairs, i: int, ranked: List[Candidate]) -> List[Suspect]:
    close = [c for c in ranked if c.score > ranked[0].score - CLOSE]
    out = []
    for k, candidate in enumerate(close[:4]):
        corrected = corrected_pairs(pairs, {i: candidate.pair}, candidate.cause,
                                    candidate.evidence)
        out.append(Suspect(
            candidate.cause, candidate.control_ids, candidate.evidence, float(candidate.score),
            corrected, candidate.misfit, candidate.remaining, alternative=k > 0,
        ))
    return out


def _exchanged(reference: Reference, wrong: List[int]) -> List[Tuple[int, int]]:
    """Pairs of outsiders that fit once their control points are exchanged."""
    found, used = [], set()
    for a, i in enumerate(wrong):
        for j in wrong[a + 1:]:
            if i in used or j in used:
                continue
            if reference.fits_control(i, j) and reference.fits_control(j, i):
                found.append((i, j))
                used |= {i, j}
    return found


def _exchange(reference: Reference, pairs, i: int, j: int) -> Suspect:
    first, second = pairs[i], pairs[j]
    before = reference.length(i)
    after = max(reference.length_with_control(i, j), reference.length_with_control(j, i))
    evidence = (
        f"With the observations of {first.control.id} and {second.control.id} exchanged both fit "
        f"to {reference.say(after)} (now {reference.say(before)})."
    )
    corrected = corrected_pairs(
        pairs, {i: _at_control(first, second.control), j: _at_control(second, first.control)},
        "pairs_exchanged", evidence)
    score = math.log(CAUSES["pairs_exchanged"].weight) - math.log(len(pairs) - 1)
    for k, at in ((i, j), (j, i)):
        moved = reference.arrays.base[k:k + 1]
        difference = reference.horizontal.part.apply(moved) - reference.arrays.control[at]
        score += float(normal_h(difference, reference.covariance_h(k, at))[0])
        score -= now_h(reference, k)
        height = reference.difference_v_at(k, at)
        if math.isfinite(height):
            score += float(normal_v(np.array(height), reference.variance_v(at)))
            score -= now_v(reference, k)
    return Suspect("pairs_exchanged", (first.control.id, second.control.id), evidence, score,
                   corrected, before, after)


def _at_control(pair: Pair, control: Control) -> Pair:
    """The pair with another control point; no vertical role without an elevation."""
    return dataclasses.replace(pair, control=control, horizontal=pair.horizontal,
                               vertical=pair.vertical if control.has_elevation else Role.IDLE)


def corrected_pairs(
    pairs: Tuple[Pair, ...], changed: Dict[int, Pair], cause: str, evidence: str
) -> Tuple[Pair, ...]:
    """The pairs with some of them corrected, and what they share with others corrected there too:
    a control point or an observation has the same values wherever it is used."""
    control = {pair.control.id: pair.control for pair in changed.values()}
    seen = {pair.observation.id: pair.observation for pair in changed.values()}
    return tuple(
        correct(pair, changed[i] if i in changed else dataclasses.replace(
            pair, control=control.get(pair.control.id, pair.control),
            observation=seen.get(pair.observation.id, pair.observation)), cause, evidence)
        for i, pair in enumerate(pairs)
    )


def _of_group(reference: Reference, pairs, group: Group) -> Suspect:
    idle = tuple(
        dataclasses.replace(pair, horizontal=Role.IDLE, vertical=Role.IDLE)
        if i in group.rows else pair for i, pair in enumerate(pairs)
    )
    return Suspect(group.cause, tuple(dict.fromkeys(pairs[i].control.id for i in group.rows)),
                   group.evidence, float(group.score), idle, group.misfit, group.remaining)


def _undecided(reference: Reference, pairs) -> List[Suspect]:
    """Several sets agree equally well: slips that explain one set's outsiders, all of them, may
    still decide."""
    readings: Dict[frozenset, Tuple[float, List[List[Suspect]]]] = {}
    for other in reference.alternatives():
        found = _explained(other, pairs, other.outsiders())
        total = other.score + sum(listed[0].score for listed in found)
        key = frozenset((listed[0].cause, listed[0].control_ids) for listed in found)
        if key not in readings or total > readings[key][0]:
            readings[key] = total, found
    ranked = sorted(readings.values(), key=lambda reading: -reading[0])
    total, found = ranked[0]
    alone = len(ranked) == 1 or total > ranked[1][0] + BELIEVED
    if alone and all(listed[0].cause != "disturbed_mark" for listed in found) and \
            sum(listed[0].score for listed in found) > BELIEVED:
        return [suspect for listed in found for suspect in listed]
    concerned = tuple(dict.fromkeys(
        pairs[i].control.id for other in reference.alternatives() for i in other.outsiders()))
    evidence = (
        f"The pairs do not agree (largest residual {reference.say(reference.largest())}), but "
        f"there are too few to tell which is wrong: {', '.join(concerned)}. Observe another mark."
    )
    return [Suspect("unexplained", concerned, evidence, 0.0, pairs)]


def _too_many(reference: Reference, pairs, wrong: List[int]) -> Suspect:
    evidence = (
        f"{len(wrong)} of {len(pairs)} pairs do not agree with the largest set that does (largest "
        f"residual {reference.say(reference.largest())}), and no common cause was found. Check "
        "the model, a held scale, the sigmas, and whether control and observations belong "
        "together."
    )
    return Suspect("unexplained", tuple(dict.fromkeys(pairs[i].control.id for i in wrong)),
                   evidence, 0.0, pairs)


def _ids(pairs) -> Tuple[str, ...]:
    return tuple(dict.fromkeys(pair.control.id for pair in pairs))
