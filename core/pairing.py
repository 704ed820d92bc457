"""Pairing by geometry alone: two lists of points without common names, laid on one another."""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import Callable, List, Optional, Sequence, Tuple

import numpy as np

from .errors import Cancelled
from .pairing_evidence import Mode, Neighbours, Placement, PointLists, fit, pair_probabilities
from .pairing_input import lists_of, names_of, points_of, scale_range_of
from .pairing_search import BEYOND_DOUBT, Search, in_common
from .wording import counted

#: A scale near 1 lies within this of it: grid and ground differ by less.
SCALE_TOLERANCE = 3e-3
#: A pairing is believed from this probability on, a pair in it from that.
BELIEVED, BELIEVED_PAIR = 0.99, 0.9
#: Odds, before the points are looked at, that the lists share marks at all: whoever asks has reason
#: to think so.
EXPECTED = 10.0
#: A pair under `BELIEVED` is left out as well, where that costs at most this share of the pairs.
SPARED = 0.2
#: Pairs at least: two may lie either way round.
FEWEST = 3
#: Several equally good ones are called ambiguous, and not chance, from this on together.
BELIEVED_TOGETHER = 0.5
#: A pairing less probable than the best by up to this factor is a rival of it, ...
RIVAL_ODDS = 1e3
#: ... and so is one with more than this share of its pairs and up to so many times its misfit: on a
#: regular layout what is missing may just not be in the lists.
RIVAL_SHARE, RIVAL_MISFIT = 0.8, 2.0
#: Placements that are looked at in the end.
MOST_ANSWERS = 60
#: A mirrored site is rarer than a proper one by this factor. As strong a pairing of the other
#: handedness is no rival within that factor.
MIRRORED_ODDS = 1e3
#: An equal name is by chance one time in so many.
NAME_ODDS = 10.0

Progress = Callable[[float], bool]


@dataclass(frozen=True)
class Transform:
    """How observed points are laid on the control.

    place = scale * rotation * point + shift; where `mirrored`, the northing of the point changes
    its sign first.

    Attributes
    ----------
    rotation : float
        Degrees, counter-clockwise from the observed to the control axes, -180 to 180.
    scale : float
        Control length over observed length.
    easting, northing : float
        Where the observed origin comes to lie, control units.
    mirrored : bool
    """

    rotation: float
    scale: float
    easting: float
    northing: float
    mirrored: bool = False

    def apply(self, observed: np.ndarray) -> np.ndarray:
        """(m, 2) places of (m, 2) observed points."""
        points = np.asarray(observed, dtype=float)
        w = points[:, 0] + 1j * points[:, 1] * (-1.0 if self.mirrored else 1.0)
        factor = cmath.rect(self.scale, math.radians(self.rotation))
        placed = factor * w + complex(self.easting, self.northing)
        return np.stack([placed.real, placed.imag], axis=-1)


@dataclass(frozen=True)
class Answer:
    """One way to pair the two lists.

    Attributes
    ----------
    pairs : (k, 2) int array
        Index of the control point, index of the observed point; in the order of the control.
    transform : Transform
    rms : float
        Root of the mean squared distance of the pairs, control units.
    probability : float
        Of this pairing, beside all others that were found and none at all.
    """

    pairs: np.ndarray
    transform: Transform
    rms: float
    probability: float

    @property
    def count(self) -> int:
        """Number of pairs."""
        return len(self.pairs)


@dataclass(frozen=True)
class GeometryPairing:
    """What geometry alone says of two point lists.

    Attributes
    ----------
    pairs : (k, 2) int array
        Index of the control point, index of the observed point; in the order of the control.
        Empty when no pairing is believed, or several are.
    pair_confidence : (k,) array
        Probability that a pair is none by chance: a stranger near a control point without a
        partner fits as well as a partner would.
    confidence : float
        Probability of the least certain pair: of the pairing as a whole, times the smallest of
        `pair_confidence`. Without pairs it is the probability of the best pairing found.
    ambiguous : bool
        Whether several pairings explain the points about equally well; they are in `rivals`.
    mirrored : bool
        Whether the pairs fit only with the site mirrored: one axis is flipped, or the two are
        exchanged.
    rivals : tuple of Answer
        When ambiguous all the pairings in question, the most probable first: four for a square.
        When nothing was believed, the best that were found. Else empty.
    transform : Transform or None
    rms : float
        Root of the mean squared distance of the pairs, control units; NaN without pairs.
    doubtful : (j, 2) int array
        Pairs that would fit, but may be a chance meeting: those under a probability of 0.99 where
        that is at most a fifth of the pairs, else those under 0.9. They are not in `pairs`.
    words : str
        All of this in sentences.
    """

    pairs: np.ndarray
    pair_confidence: np.ndarray
    confidence: float
    ambiguous: bool
    mirrored: bool
    rivals: Tuple[Answer, ...]
    transform: Optional[Transform]
    rms: float
    doubtful: np.ndarray
    words: str


def pair_by_geometry(
    control: np.ndarray,
    observed: np.ndarray,
    *,
    control_names: Optional[Sequence[str]] = None,
    observed_names: Optional[Sequence[str]] = None,
    free_scale: bool = False,
    scale_tolerance: float = SCALE_TOLERANCE,
    noise: Optional[float] = None,
    progress: Optional[Progress] = None,
) -> GeometryPairing:
    """Pair two lists of plane points by their geometry.

    Any rotation; points without a partner on both sides. At least three pairs are needed for an
    answer, and four where points are many or the noise is large against the site.

    Parameters
    ----------
    control, observed : (n, 2), (m, 2) arrays
        Easting, northing in metres; the observed ones on a plane such as the base projection.
    control_names, observed_names : sequences of str, optional
        Hints: where several pairings are equally good, the one in which the names agree is taken.
        Names never speak against the geometry.
    free_scale : bool
        Whether the scale may be any from a fifth to five, not only near 1.
    scale_tolerance : float
        How far from 1 a scale near 1 may be.
    noise : float, optional
        Expected standard deviation of a difference per axis, metres. Without it everything from
        1 mm to 2 m is possible.
    progress : function, optional
        Called with the share done, 0 to 1; False stops.

    Raises
    ------
    InputError
        When an array has another shape, numbers that are not finite, the same point twice, or
        fewer than three points; when names, noise or tolerance cannot be used.
    Cancelled
    """
    z, w = points_of(control, "control"), points_of(observed, "observed")
    names = names_of(control_names, observed_names, len(z), len(w))
    low_high = scale_range_of(free_scale, scale_tolerance)
    origins = complex(np.median(z.real), np.median(z.imag)), complex(
        np.median(w.real), np.median(w.imag))
    lists = lists_of(z - origins[0], w - origins[1], low_high, noise)
    found = _search(lists, False, progress, 0.0)
    share_done = 0.5
    if not found or not _settled_well(found[0], lists):
        found += _search(lists, True, progress, share_done)
    return _conclude(_candidates(found, lists, origins), names)


# -- search -----------------------------------------------------------------------------------


def _search(
    lists: PointLists, mirrored: bool, progress: Optional[Progress], done: float
) -> List[Tuple[Mode, bool]]:
    steps = 0

    def told() -> None:
        nonlocal steps
        steps += 1
        if progress is not None and not progress(done + 0.5 * (1.0 - 0.9**steps)):
            raise Cancelled("Stopped before the end; nothing was paired.")

    lists = _turned(lists, mirrored)
    return [(mode, mirrored) for mode in Search(lists, told).run()]


def _settled_well(best: Tuple[Mode, bool], lists: PointLists) -> bool:
    """Whether nothing mirrored need be looked for: it could not be as good."""
    mode = best[0]
    fewer = min(len(lists.control), len(lists.observed))
    return mode.evidence > BEYOND_DOUBT and mode.number >= 0.5 * fewer


def _turned(lists: PointLists, mirrored: bool) -> PointLists:
    """The lists as they are looked at for a mirrored site, or as they are."""
    if not mirrored:
        return lists
    return PointLists(lists.control, np.conj(lists.observed), lists.scale_range, lists.sigmas,
                      lists.widths)


@dataclass(frozen=True)
class _Candidate:
    """A pairing, and what is left of it without the pairs that are not believed.

    Attributes
    ----------
    transform : Transform
        By all pairs.
    pairs, sure, kept : (k, 2), (k,), (k,) arrays
        Pairs, probability of each, whether it is believed.
    believed : Transform
        By the believed pairs alone.
    believed_rms : float
        Of these.
    """

    mode: Mode
    mirrored: bool
    transform: Transform
    pairs: np.ndarray
    sure: np.ndarray
    kept: np.ndarray
    believed: Transform
    believed_rms: float

    @property
    def log_odds(self) -> float:
        return self.mode.evidence - (math.log(MIRRORED_ODDS) if self.mirrored else 0.0)


def _candidates(found, lists: PointLists, origins) -> List[_Candidate]:
    """The placements found, most probable first; a mirrored one that makes the same pairs as a
    proper one (marks in one line) is left out."""
    near = Neighbours(lists.control)
    best = sorted(found, key=lambda each: -each[0].evidence)[:MOST_ANSWERS]
    candidates: List[_Candidate] = []
    for mode, mirrored in sorted(best, key=lambda each: (each[1], -each[0].evidence)):
        if mirrored and any(in_common(mode, other.mode) > 0.5 and not other.mirrored
                            and other.mode.evidence > mode.evidence - 5.0
                            for other in candidates):
            continue
        turned = _turned(lists, mirrored)
        order = np.argsort(mode.control, kind="stable")
        control, observed = mode.control[order], mode.observed[order]
        sure = pair_probabilities(turned, near, mode)[order]
        kept = _kept(sure)
        placement = fit(turned, control[kept], observed[kept]) if kept.sum() >= FEWEST else None
        placement = placement or mode.placement
        laid = placement.factor * turned.observed[observed[kept]] + placement.shift
        squares = np.abs(laid - lists.control[control[kept]]) ** 2
        candidates.append(_Candidate(
            mode, mirrored, _transform(mode.placement, mirrored, origins),
            np.stack([control, observed], axis=1), sure, kept,
            _transform(placement, mirrored, origins),
            math.sqrt(float(squares.mean())) if len(squares) else math.nan,
        ))
    return sorted(candidates, key=lambda each: -each.log_odds)


def _transform(placement: Placement, mirrored: bool, origins) -> Transform:
    """A placement about the middles of the lists, about the origins of their axes."""
    origin = np.conj(origins[1]) if mirrored else origins[1]
    shift = placement.shift + origins[0] - placement.factor * origin
    return Transform(math.degrees(cmath.phase(placement.factor)), abs(placement.factor),
                     float(shift.real), float(shift.imag), mirrored)


# -- conclusion -------------------------------------------------------------------------------


def _conclude(candidates: List[_Candidate], names) -> GeometryPairing:
    if not candidates:
        return _nothing((), 0.0)
    best = candidates[0]
    odds = np.array([each.log_odds for each in candidates])
    top = max(odds[0], 0.0)
    weights = EXPECTED * np.exp(odds - top)
    total = weights.sum() + math.exp(-top)
    probabilities = weights / total
    rivals = [place for place, each in enumerate(candidates)
              if place == 0 or _rival(each, best)]
    together = float(probabilities[rivals].sum())
    answers = tuple(_answer(candidates[place], float(probabilities[place])) for place in rivals)
    if together < (BELIEVED if len(rivals) == 1 else BELIEVED_TOGETHER):
        return _nothing(answers, float(probabilities[0]))
    if len(rivals) == 1:
        return _one(best, together, "")
    named = _by_names([candidates[place] for place in rivals], names)
    if named is not None:
        chosen, lead = named
        return _one(chosen, together * (1.0 - NAME_ODDS**-lead), (
            f"{counted(len(rivals), 'pairing')} fit about equally well; the names decide "
            f"for this one ({counted(lead, 'equal name')}). "))
    return _ambiguous(answers, candidates, float(probabilities[0]))


def _rival(other: _Candidate, best: _Candidate) -> bool:
    if other.mirrored != best.mirrored:
        return other.log_odds > best.log_odds - math.log(MIRRORED_ODDS) / 3.0
    if other.log_odds > best.log_odds - math.log(RIVAL_ODDS):
        return True
    return (other.mode.number > RIVAL_SHARE * best.mode.number and other.log_odds > 0.0
            and other.mode.rms <= RIVAL_MISFIT * best.mode.rms)


def _by_names(rivals: List[_Candidate], names) -> Optional[Tuple[_Candidate, int]]:
    """The rival in which the names agree, and with how many; None where names do not decide."""
    if names is None:
        return None
    known = {name for name in names[0] if name}.intersection(names[1])
    counts = []
    for place, rival in enumerate(rivals):
        both = [(names[0][c], names[1][o]) for c, o in rival.pairs]
        equal = sum(a == b and a in known for a, b in both)
        against = sum(a != b and (a in known or b in known) for a, b in both)
        counts.append((equal - against, equal, against, place))
    counts.sort(key=lambda each: (-each[0], each[3]))
    _, equal, against, place = counts[0]
    if equal == 0 or 3 * against > equal or counts[1][0] == counts[0][0]:
        return None
    return rivals[place], equal


def _answer(candidate: _Candidate, probability: float) -> Answer:
    return Answer(candidate.pairs, candidate.transform, candidate.mode.rms, probability)


def _one(candidate: _Candidate, probability: float, before: str) -> GeometryPairing:
    kept = candidate.kept
    pairs, sure = candidate.pairs[kept], candidate.sure[kept]
    if len(pairs) < FEWEST:
        return _nothing((_answer(candidate, probability),), probability)
    confidence = probability * float(sure.min())
    rms = candidate.believed_rms
    words = (f"{before}{counted(len(pairs), 'pair')} with a misfit of {rms:.3f} m (RMS); the "
             f"pairing is right with a probability of {percent(probability)}.")
    doubtful = candidate.pairs[~kept]
    if len(doubtful):
        words += (f" {counted(len(doubtful), 'more pair')} would fit, but may be a chance meeting "
                  "of strangers.")
    if candidate.mirrored:
        words += (" They fit only with the site mirrored: one axis is flipped, or easting and "
                  "northing are exchanged.")
    return GeometryPairing(pairs, sure, confidence, False, candidate.mirrored, (),
                           candidate.believed, rms, doubtful, words)


def _kept(sure: np.ndarray) -> np.ndarray:
    """Which pairs are believed. With much noise and many strangers few are beyond doubt; the
    strict limit holds where it costs little."""
    strict, lenient = sure >= BELIEVED, sure >= BELIEVED_PAIR
    spared = lenient.sum() - strict.sum() <= SPARED * lenient.sum()
    return strict if spared and strict.sum() >= FEWEST else lenient


def _ambiguous(
    answers: Tuple[Answer, ...], candidates: List[_Candidate], probability: float
) -> GeometryPairing:
    words = (f"Ambiguous: {counted(len(answers), 'pairing')} explain the points about equally "
             "well, so geometry alone cannot tell. Choose one of them, or pair one or two marks "
             "by hand.")
    if answers[0].transform.mirrored:
        words += " They fit only with the site mirrored."
    return GeometryPairing(_NONE, np.zeros(0), probability, True, answers[0].transform.mirrored,
                           answers, None, math.nan, _NONE, words)


def _nothing(answers: Tuple[Answer, ...], probability: float) -> GeometryPairing:
    words = ("No pairing stands out from chance: too few points have a partner, or the noise is "
             "too large for so few.")
    return GeometryPairing(_NONE, np.zeros(0), probability, False, False, answers, None, math.nan,
                           _NONE, words)


_NONE = np.zeros((0, 2), dtype=int)


def percent(probability: float) -> str:
    """A probability for a sentence; never a round hundred."""
    return "over 99.9 %" if probability > 0.999 else f"{100.0 * probability:.1f} %"
