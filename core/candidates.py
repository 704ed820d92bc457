"""Every slip that could explain one pair, weighed."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Any, Dict, Iterator, List, Optional, Tuple

import numpy as np

from .causes import CAUSES
from .pairs import Pair, Role
from .quantiles import chi_square_quantile
from .reference import GENERIC_WEIGHT, Reference, generic_h, generic_v, normal_h, normal_v
from .slips import angle_slips, number_slips, other_units, pole_slips

#: What a position that was not fixed may be off by, metres (one axis), by the words of `fix`.
#: Common practice, no source.
NOT_FIXED = (("float", 0.4), ("autonomous", 3.0), ("single", 3.0), ("dgnss", 1.0), ("dgps", 1.0),
             ("sbas", 1.0))
#: Evidence that lies in the record itself: fewer than one such position in two hundred agrees with
#: the others to some centimetres by chance. Common practice, no source.
RECORDED = math.log(200.0)
#: Without a geoid grid: how much the undulation may vary over a site, metres.
UNDULATION_SPREAD = 0.05


@dataclass(frozen=True)
class Candidate:
    """One explanation of one pair. `score` is the log odds against a disturbed mark."""

    cause: str
    side: str
    control_ids: Tuple[str, ...]
    score: float
    evidence: str
    pair: Pair
    misfit: Optional[float] = None
    remaining: Optional[float] = None


@dataclass(frozen=True)
class _Trial:
    """A value tried: what it would make of the position or the height of a pair.

    There are a thousand of them at a pair, so the corrected pair is made only when asked for.
    """

    cause: str
    pair: Pair
    position: Optional[Tuple[float, float]] = None
    control: Optional[Tuple[float, float]] = None
    height: Optional[float] = None
    elevation: Optional[float] = None
    other: Optional[int] = None
    spread: float = 0.0

    def changes(self) -> Tuple[Dict[str, Any], Dict[str, Any]]:
        """What changes in the observation and in the control point."""
        tried: Dict[str, Any] = dict(zip(("latitude", "longitude"), self.position or ()))
        given: Dict[str, Any] = dict(zip(("easting", "northing"), self.control or ()))
        if self.height is not None:
            tried["height"] = self.height
        if self.elevation is not None:
            given["elevation"] = self.elevation
        return tried, given

    def corrected(self) -> Pair:
        if self.other is not None:
            return self.pair
        tried, given = self.changes()
        return dataclasses.replace(
            self.pair, observation=dataclasses.replace(self.pair.observation, **tried),
            control=dataclasses.replace(self.pair.control, **given))

    def words(self) -> str:
        if self.other is not None:
            return f"the observation taken for {self.pair.control.id}"
        said = []
        for value, changed in zip((self.pair.observation, self.pair.control), self.changes()):
            for name, after in changed.items():
                before = getattr(value, name)
                form, unit = (".9f", "°") if name in ("latitude", "longitude") else \
                    (".3f", " m" if name == "height" else "")
                if before != after:
                    said.append(f"{name} {after:{form}}{unit} instead of {before:{form}}{unit}")
        return " and ".join(said)


def candidates_of(reference: Reference, i: int) -> List[Candidate]:
    """All explanations of pair i that bring it back within its uncertainty, and the disturbed
    mark."""
    wrong_h, wrong_v = reference.wrong_h(i), reference.wrong_v(i)
    found: List[Candidate] = []
    if wrong_h:
        found += _weigh_h(reference, i, list(_position_trials(reference, i)))
    if wrong_v:
        found += _weigh_v(reference, i, list(_height_trials(reference, i)))
    found += _weigh_both(reference, i, list(_joint_trials(reference, i)))
    found += _not_fixed(reference, i, wrong_h, wrong_v)
    return found + _disturbed(reference, i, wrong_h, wrong_v)


# -- what is tried ---------------------------------------------------------------------------


def _position_trials(reference: Reference, i: int) -> Iterator[_Trial]:
    pair = reference.pairs[i]
    observation, control = pair.observation, pair.control
    lat, lon = observation.latitude, observation.longitude
    yield _moved(pair, "latitude_sign", -lat, lon)
    yield _moved(pair, "longitude_sign", lat, -lon)
    if abs(lon) <= 90.0:
        yield _moved(pair, "latitude_longitude_exchanged", lon, lat)
    slips_lat, slips_lon = angle_slips(lat), angle_slips(lon)
    for cause, value in slips_lat:
        if abs(value) <= 90.0:
            yield _moved(pair, cause, value, lon)
    for cause, value in slips_lon:
        if abs(value) <= 360.0:
            yield _moved(pair, cause, lat, value)
    whole = {"packed_dms_as_degrees", "degrees_as_packed_dms", "minutes_as_decimals",
             "decimals_as_minutes"}
    for cause, value in slips_lat:
        if cause in whole and abs(value) <= 90.0:
            for other, second in slips_lon:
                if other == cause and abs(second) <= 360.0:
                    yield _moved(pair, cause, value, second)
    e, n = control.easting, control.northing
    assert e is not None
    assert n is not None
    yield _replaced(pair, "easting_northing_exchanged", n, e)
    for cause, value in number_slips(e):
        yield _replaced(pair, cause, value, n)
    for cause, value in number_slips(n):
        yield _replaced(pair, cause, e, value)
    for first, second in zip(other_units(e), other_units(n)):
        yield _replaced(pair, "control_unit", first, second)


def _moved(pair: Pair, cause: str, latitude: float, longitude: float) -> _Trial:
    return _Trial(cause, pair, position=(latitude, longitude))


def _replaced(pair: Pair, cause: str, easting: float, northing: float) -> _Trial:
    return _Trial(cause, pair, control=(easting, northing))


def _height_trials(reference: Reference, i: int) -> Iterator[_Trial]:
    pair = reference.pairs[i]
    observation, elevation = pair.observation, pair.control.elevation
    height = observation.height
    assert height is not None
    assert elevation is not None
    for cause, value in number_slips(height):
        yield _raised(pair, cause, value)
    for cause, value in pole_slips(height, observation.pole, observation.pole_kind):
        yield _raised(pair, cause, value)
    for value in other_units(height):
        yield _raised(pair, "height_in_feet", value)
    yield _orthometric(reference, i)
    for cause, value in number_slips(elevation):
        yield _lifted(pair, cause, value)
    for value in other_units(elevation):
        yield _lifted(pair, "control_unit", value)


def _raised(pair: Pair, cause: str, height: float, spread: float = 0.0) -> _Trial:
    return _Trial(cause, pair, height=height, spread=spread)


def _lifted(pair: Pair, cause: str, elevation: float) -> _Trial:
    return _Trial(cause, pair, elevation=elevation)


def _orthometric(reference: Reference, i: int) -> _Trial:
    pair = reference.pairs[i]
    if reference.geoid is not None:
        undulation, spread = float(reference.arrays.undulation[i]), 0.0
    else:
        undulation = -float(reference.vertical_fit.part.correction(reference.place(i)))
        spread = UNDULATION_SPREAD
    height = pair.observation.height
    assert height is not None
    return _raised(pair, "orthometric_height", height + undulation, spread)


def _joint_trials(reference: Reference, i: int) -> Iterator[_Trial]:
    """Slips that move position and elevation together."""
    pair = reference.pairs[i]
    if not reference.usable[i] or pair.horizontal is Role.IDLE:
        return
    seen = {pair.control.id}
    for row, other in enumerate(reference.pairs):
        control = other.control
        if control.id in seen or not control.has_position:
            continue
        seen.add(control.id)
        new = dataclasses.replace(
            pair, control=control,
            vertical=pair.vertical if control.has_elevation else Role.IDLE)
        assert control.easting is not None
        assert control.northing is not None
        yield _Trial("wrong_control", new,
                     control=(control.easting, control.northing), elevation=control.elevation,
                     other=row)
    control = pair.control
    values = [v for v in (control.easting, control.northing, control.elevation) if v is not None]
    if len(values) == 3 and reference.wrong_v(i):
        for e, n, z in zip(*map(other_units, values)):
            yield _Trial("control_unit", pair, control=(e, n), elevation=z)


# -- how it is weighed -----------------------------------------------------------------------


def _counts(trials: List[_Trial]) -> Dict[str, int]:
    counts: Dict[str, int] = {}
    for trial in trials:
        counts[trial.cause] = counts.get(trial.cause, 0) + 1
    return counts


def _differences_h(reference: Reference, i: int, trials: List[_Trial]) -> np.ndarray:
    """(k, 2) solved minus given position of pair i under each trial, metres."""
    pair = reference.pairs[i].observation
    latitude = np.array([(pair.latitude if t.position is None else t.position[0]) for t in trials])
    longitude = np.array([(pair.longitude if t.position is None else t.position[1])
                          for t in trials])
    plane = np.stack(reference.base.to_base(latitude, longitude), axis=-1)
    given = np.tile(reference.arrays.control[i], (len(trials), 1))
    for k, trial in enumerate(trials):
        if trial.control is not None:
            given[k] = np.array(trial.control) * reference.settings.site_length.metres
    return np.nan_to_num(reference.horizontal.part.apply(plane) - given, nan=1e9, posinf=1e9,
                         neginf=-1e9)


def _differences_v(reference: Reference, i: int, trials: List[_Trial]) -> np.ndarray:
    """(k,) solved minus given elevation of pair i under each trial, metres."""
    pair = reference.pairs[i]
    now = reference.difference_v(i)
    unit = reference.settings.elevation_length.metres
    out = np.full(len(trials), now)
    for k, trial in enumerate(trials):
        if trial.height is not None and pair.observation.height is not None:
            out[k] += trial.height - pair.observation.height
        if trial.elevation is not None and pair.control.elevation is not None:
            out[k] -= (trial.elevation - pair.control.elevation) * unit
    return out


def _weigh_h(reference: Reference, i: int, trials: List[_Trial]) -> List[Candidate]:
    counts, covariance = _counts(trials), reference.covariance_h(i)
    differences = _differences_h(reference, i, trials)
    tests = np.einsum("ki,ij,kj->k", differences, np.linalg.inv(covariance), differences)
    likelihoods = normal_h(differences, covariance)
    against = GENERIC_WEIGHT + generic_h(float(np.hypot(*reference.difference_h(i))))
    limit = chi_square_quantile(1.0 - reference.level, 2)
    unit = reference.settings.site_length.metres
    found = []
    for k in np.flatnonzero(tests <= limit):
        trial = trials[k]
        score = _weight(trial, counts) + likelihoods[k] - against
        remaining = float(np.hypot(*differences[k])) / unit
        found.append(_candidate(reference, i, trial, "horizontal", score, remaining))
    return found


def _weigh_v(reference: Reference, i: int, trials: List[_Trial]) -> List[Candidate]:
    counts = _counts(trials)
    differences = _differences_v(reference, i, trials)
    variance = reference.variance_v(i) + np.array([t.spread**2 for t in trials])
    against = GENERIC_WEIGHT + generic_v(reference.difference_v(i))
    limit = chi_square_quantile(1.0 - reference.level, 1)
    unit = reference.settings.elevation_length.metres
    found = []
    for k in np.flatnonzero(differences**2 <= limit * variance):
        trial = trials[k]
        score = _weight(trial, counts) + float(normal_v(differences[k], variance[k])) - against
        remaining = abs(float(differences[k])) / unit
        found.append(_candidate(reference, i, trial, "vertical", score, remaining))
    return found


def _weigh_both(reference: Reference, i: int, trials: List[_Trial]) -> List[Candidate]:
    if not trials or not (reference.wrong_h(i) or reference.wrong_v(i)):
        return []
    counts = _counts(trials)
    plane = _differences_h(reference, i, trials)
    limit = chi_square_quantile(1.0 - reference.level, 2)
    unit = reference.settings.site_length.metres
    found = []
    for k, trial in enumerate(trials):
        at = i if trial.other is None else trial.other
        covariance = reference.covariance_h(i, at)
        if plane[k] @ np.linalg.solve(covariance, plane[k]) > limit:
            continue
        score = _weight(trial, counts) + float(normal_h(plane[k:k + 1], covariance)[0])
        score -= now_h(reference, i)
        if reference.vertical is not None and i in reference.rows_v and \
                trial.elevation is not None:
            height = (_differences_v(reference, i, [trial])[0] if trial.other is None
                      else reference.difference_v_at(i, at))
            if math.isfinite(height):
                variance = reference.variance_v(at)
                if height**2 > limit * variance:
                    continue
                score += float(normal_v(np.array(height), variance)) - now_v(reference, i)
        elif reference.wrong_v(i) and trial.elevation is not None:
            continue
        found.append(_candidate(reference, i, trial, "both", score,
                                float(np.hypot(*plane[k])) / unit))
    return found


def now_h(reference: Reference, i: int) -> float:
    """Log density of the position of pair i as it stands: a member's, or a disturbed mark's."""
    difference = reference.difference_h(i)
    if reference.wrong_h(i):
        return GENERIC_WEIGHT + generic_h(float(np.hypot(*difference)))
    return float(normal_h(difference[None, :], reference.covariance_h(i))[0])


def now_v(reference: Reference, i: int) -> float:
    """As `now_h` for the height."""
    difference = reference.difference_v(i)
    if reference.wrong_v(i):
        return GENERIC_WEIGHT + generic_v(difference)
    return float(normal_v(np.array(difference), reference.variance_v(i)))


def _weight(trial: _Trial, counts: Dict[str, int]) -> float:
    return math.log(CAUSES[trial.cause].weight / counts[trial.cause])


def _not_fixed(reference: Reference, i: int, wrong_h: bool, wrong_v: bool) -> List[Candidate]:
    """A float or autonomous position whose misfit is in line with what such positions have."""
    pair = reference.pairs[i]
    fix = pair.observation.fix.strip().lower()
    sigma = next((value for word, value in NOT_FIXED if word in fix), None)
    if sigma is None or not (wrong_h or wrong_v):
        return []
    plane, height = reference.difference_h(i), reference.difference_v(i)
    score, limit = math.log(CAUSES["position_not_fixed"].weight), 0.0
    if wrong_h:
        limit = max(limit, float(np.hypot(*plane)) / (4.0 * sigma))
        score += float(normal_h(plane[None, :], np.eye(2) * sigma**2)[0]) - now_h(reference, i)
    if wrong_v:
        limit = max(limit, abs(height) / (8.0 * sigma))
        score += float(normal_v(np.array(height), 4.0 * sigma**2)) - now_v(reference, i)
    if limit > 1.0:
        return []
    score += RECORDED
    side = "both" if wrong_h and wrong_v else "horizontal" if wrong_h else "vertical"
    evidence = (
        f"{pair.observation.id} is recorded as {pair.observation.fix}, and its misfit of "
        f"{_misfit_words(reference, i, side)} is what such a position has."
    )
    return [Candidate("position_not_fixed", side, (pair.control.id,), score, evidence,
                      _idle(pair, "both"), _misfit(reference, i, side))]


def _disturbed(reference: Reference, i: int, wrong_h: bool, wrong_v: bool) -> List[Candidate]:
    pair, found = reference.pairs[i], []
    sides = [side for side, wrong in (("horizontal", wrong_h), ("vertical", wrong_v)) if wrong]
    if wrong_h and wrong_v:
        sides.append("both")
    for side in sides:
        evidence = (
            f"{pair.control.id} misses by {_misfit_words(reference, i, side)} and no simple slip "
            "explains it: a disturbed mark or a bad observation. Observe it again."
        )
        score = -GENERIC_WEIGHT if side == "both" else 0.0
        found.append(Candidate("disturbed_mark", side, (pair.control.id,), score, evidence,
                               _idle(pair, side), _misfit(reference, i, side)))
    return found


def _candidate(reference, i, trial: _Trial, side: str, score: float, remaining: float) -> Candidate:
    pair = reference.pairs[i]
    vertical = side == "vertical"
    other = None if trial.other is None else reference.pairs[trial.other].control.id
    evidence = (
        f"With {trial.words()} {pair.observation.id} fits "
        f"{other or pair.control.id} to {reference.say(remaining, vertical)} "
        f"(now {_misfit_words(reference, i, side)}): {CAUSES[trial.cause].words}."
    )
    ids = (pair.control.id,) if other is None else (pair.control.id, other)
    return Candidate(trial.cause, side, ids, float(score), evidence, trial.corrected(),
                     _misfit(reference, i, side), remaining)


def _misfit(reference: Reference, i: int, side: str) -> float:
    if side == "vertical":
        return abs(reference.difference_v(i)) / reference.settings.elevation_length.metres
    return reference.length(i)


def _misfit_words(reference: Reference, i: int, side: str) -> str:
    words = reference.say(_misfit(reference, i, side), side == "vertical")
    return f"{words} in height" if side == "vertical" else words


def _idle(pair: Pair, side: str) -> Pair:
    return dataclasses.replace(
        pair, horizontal=pair.horizontal if side == "vertical" else Role.IDLE,
        vertical=pair.vertical if side == "horizontal" else Role.IDLE)
