"""Causes that concern the whole set, or a session of it, rather than one pair."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Callable, Dict, Iterator, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np

from .causes import CAUSES
from .errors import SitetieError
from .pairs import Pair, Role
from .quantiles import chi_square_quantile
from .reference import (
    GENERIC_WEIGHT,
    Reference,
    generic_h,
    generic_v,
    make_reference,
    normal_h,
)
from .settings import Settings
from .units import UNITS

#: Share of pairs outside from which other readings of the whole set are tried.
MANY_OUTSIDE = 0.25
#: Relative agreement of a solved scale with the ratio of two units.
UNIT_AGREEMENT = 2e-3
#: An undulation below this (metres) is no evidence of ellipsoidal elevations.
SMALL_UNDULATION = 1.0


@dataclass(frozen=True)
class World:
    """Another reading of the whole set: the pairs or the settings changed for all. With `settings`
    the pairs as given can be solved instead."""

    cause: str
    evidence: str
    score: float
    reference: Reference
    pairs: Tuple[Pair, ...]
    settings: Optional[Settings]


@dataclass(frozen=True)
class Group:
    """Pairs that are shifted together."""

    cause: str
    rows: Tuple[int, ...]
    evidence: str
    score: float
    misfit: float
    remaining: float


def worlds_of(
    pairs: Tuple[Pair, ...], settings: Settings, reference: Optional[Reference], level: float
) -> Iterator[World]:
    """Other readings of the whole set, solved. `reference` is None when no two pairs agree.

    Another scale or base may leave but one pair outside; the rest is tried only where many pairs
    stand outside, or the solved scale is no scale of a site.
    """
    tries: List[_Try] = []
    if reference is None or _doubtful(reference):
        tries += _control_tries(pairs, settings)
    elif not reference.outsiders():
        return
    tries += _setting_tries(pairs, settings)
    for cause, words, changed, changed_settings, instead in tries:
        try:
            other = make_reference(changed, changed_settings, level)
        except SitetieError:
            continue
        if cause == "grid_or_ground" and not _is_site_scale(other):
            continue
        score = other.score + math.log(CAUSES[cause].weight)
        yield World(cause, f"{words} {_agreement(other)} (now {_agreement(reference)})."
                    + _scale_words(cause, other), score, other, changed, instead)


def _control_tries(pairs: Tuple[Pair, ...], settings: Settings) -> Iterator[_Try]:
    """The control list read otherwise."""
    mirrored = _each_control(pairs, lambda c: dataclasses.replace(
        c, easting=c.northing, northing=c.easting))
    yield _Try("mirrored", "With easting and northing of the control list exchanged (or one axis "
               "flipped)", mirrored, settings)
    for unit in UNITS.values():
        ratio = unit.metres / settings.site_length.metres
        if abs(ratio - 1.0) > 0.1 and unit.code != "us-ft":
            said = f"With the control list read in {unit.plural}"
            if unit.code != "m":
                said += (" (international or US survey: 2 ppm apart, not to be told from these "
                         "pairs)")
            yield from _unit_tries(pairs, settings, said, ratio, unit.code)
            yield from _unit_tries(pairs, settings, "With the control list taken back from a "
                                   f"conversion to {settings.site_length.plural} that it did "
                                   "not need", 1.0 / ratio)


def _setting_tries(pairs: Tuple[Pair, ...], settings: Settings) -> Iterator[_Try]:
    """Another scale or base."""
    if settings.scale is not None or settings.horizontal_model in ("rigid", "translation"):
        free = settings.replace(scale=None, horizontal_model="similarity")
        yield _Try("grid_or_ground", "With the scale solved instead of held", pairs, free, free)
    if settings.base_crs is not None and "Local Transverse Mercator" not in settings.base_crs:
        local = settings.replace(base_crs=None, datum_operation=None)
        yield _Try("base_projection", "Over a local projection instead of the named one", pairs,
                   local, local)


class _Try(NamedTuple):
    """Pairs and settings to try; settings that do the same to the pairs as given."""

    cause: str
    words: str
    pairs: Tuple[Pair, ...]
    settings: Settings
    instead: Optional[Settings] = None


def _doubtful(reference: Reference) -> bool:
    outside = len(reference.outsiders()) / len(reference.pairs)
    part = reference.horizontal.part
    odd_scale = "scale" in part.names and abs(math.log(part.scale)) > 0.1
    return outside >= MANY_OUTSIDE or odd_scale or reference.undecided()


def _unit_tries(
    pairs, settings: Settings, words: str, ratio: float, code: Optional[str] = None
) -> Iterator[_Try]:
    """The control list times a ratio, with and without its elevations; `code` is the unit that
    does the same."""
    def position(c):
        return dataclasses.replace(c, easting=c.easting * ratio, northing=c.northing * ratio)

    def everything(c):
        moved = position(c) if c.has_position else c
        return dataclasses.replace(moved, elevation=c.elevation * ratio) \
            if c.has_elevation else moved

    same = settings.elevation_length == settings.site_length
    yield _Try("control_unit_all", words, _each_control(pairs, everything, elevation=True),
               settings, _in_unit(settings, code, True) if code and same else None)
    yield _Try("control_unit_all", words + ", positions only", _each_control(pairs, position),
               settings, _in_unit(settings, code, False) if code else None)


def _in_unit(settings: Settings, code: str, elevations: bool) -> Settings:
    """The settings with another site unit; tolerances keep their length."""
    ratio = settings.site_length.metres / UNITS[code].metres
    changes: Dict[str, object] = {"site_unit": code}
    if settings.tolerance_h is not None:
        changes["tolerance_h"] = settings.tolerance_h * ratio
    if elevations:
        changes["elevation_unit"] = code
        if settings.tolerance_v is not None:
            changes["tolerance_v"] = settings.tolerance_v * ratio
    return settings.replace(**changes)


def _each_control(pairs, change: Callable, elevation: bool = False) -> Tuple[Pair, ...]:
    return tuple(
        dataclasses.replace(pair, control=change(pair.control))
        if pair.control.has_position or (elevation and pair.control.has_elevation) else pair
        for pair in pairs
    )


def _agreement(reference: Optional[Reference]) -> str:
    if reference is None:
        return "no two pairs agree"
    good = len(reference.pairs) - len(reference.outsiders())
    return f"{good} of {len(reference.pairs)} pairs agree"


def _is_site_scale(reference: Reference) -> bool:
    """Whether a solved scale is one a site may have: 1, the combined factor of a height found
    among the pairs, the point scale, or an inverse."""
    part, base, arrays = reference.horizontal.part, reference.base, reference.arrays
    rows = sorted(reference.members_h)
    place = arrays.latitude[rows], arrays.longitude[rows]
    combined = base.combined_factor(*place, np.nan_to_num(arrays.height[rows]))
    point = base.point_scale(*place)
    assert part.cofactor is not None
    slack = 4.0 * math.sqrt(part.cofactor[3][3]) + 3e-6
    return any(values.min() - slack < part.scale < values.max() + slack
               for values in (np.ones(1), combined, 1.0 / combined, point, 1.0 / point))


def _scale_words(cause: str, reference: Reference) -> str:
    if cause != "grid_or_ground":
        return ""
    return f" The solved scale is {reference.horizontal.part.scale:.7f}."


# -- sessions and sources ----------------------------------------------------------------------


def group_shifts(reference: Reference, wrong: Sequence[int]) -> List[Group]:
    """Sessions (or sources) shifted alike against the solution of the others.

    The others are solved without them: where the shift is small, some heights of the session
    agree with the rest and would pull it.
    """
    found: List[Group] = []
    taken: set = set()
    outside = {k for k in range(len(reference.pairs))
               if reference.wrong_h(k) or reference.wrong_v(k)}
    for cause, attribute in (("session_shifted", "session"), ("sources_disagree", "source")):
        members: Dict[str, List[int]] = {}
        for i, pair in enumerate(reference.pairs):
            if Role.IDLE in (pair.horizontal, pair.vertical) and i not in outside:
                continue
            members.setdefault(getattr(pair.observation, attribute), []).append(i)
        if len(members) < 2:
            continue
        for name, rows in members.items():
            controls = {reference.pairs[i].control.id for i in rows}
            if len(controls) < 2 or taken & set(rows) or \
                    2 * len(outside & set(rows)) < len(rows) or \
                    2 * len(rows) > len(reference.pairs):
                continue
            try:
                others = reference.without(set(rows))
            except SitetieError:
                continue
            group = _common_shift(others, cause, attribute, name, rows)
            if group is not None:
                found.append(group)
                taken |= set(rows)
    return found


def _common_shift(others: Reference, cause: str, attribute: str, name: str,
                  rows: Sequence[int]) -> Optional[Group]:
    """The shift of some pairs against the solution of the others; None where they are not shifted
    alike."""
    shifts = np.array([others.difference_h(i) for i in rows])
    if not np.isfinite(shifts).all():
        return None
    plane = _alike(shifts, np.array([others.covariance_h(i) for i in rows]), others.level,
                   generic_h)
    tall = [i for i in rows if math.isfinite(others.difference_v(i))]
    height = None if not tall else _alike(
        np.array([[others.difference_v(i)] for i in tall]),
        np.array([[[others.variance_v(i)]] for i in tall]), others.level, generic_v)
    if plane is None or (tall and height is None):
        return None
    score, said = math.log(CAUSES[cause].weight), []
    settings = others.settings
    sides = ((plane, settings.site_length, "in position"),
             (height, settings.elevation_length, "in height"))
    for side, unit, words in sides:
        if side is not None:
            score += side.score
            if side.moved:
                length = others.say(side.length / unit.metres, words == "in height")
                said.append(f"{length} {words}")
    if score < 0.0 or not said:
        return None
    side, unit, _ = sides[0] if plane.moved else sides[1]
    assert side is not None
    evidence = (
        f"All {len(rows)} pairs of {attribute} {name or '(blank)'} are shifted alike by "
        f"{' and '.join(said)}; without that shift they fit to "
        f"{others.say(side.worst / unit.metres, not plane.moved)}."
    )
    return Group(cause, tuple(rows), evidence, score, side.length / unit.metres,
                 side.worst / unit.metres)


class _Shift(NamedTuple):
    """A common shift on one side, metres: whether it is one, how long, and the largest rest."""

    moved: bool
    length: float
    worst: float
    score: float


def _alike(
    shifts: np.ndarray, covariances: np.ndarray, level: float, generic: Callable[[float], float]
) -> Optional[_Shift]:
    """(k, d) shifts as one shift common to all, weighed against one disturbance each; None where
    they differ."""
    limit = chi_square_quantile(1.0 - level, shifts.shape[1])
    mean = shifts.mean(axis=0)
    out = np.array([_test(shift, c) > limit for shift, c in zip(shifts, covariances)])
    if not out.any():
        return _Shift(False, 0.0, 0.0, 0.0)
    rest = shifts - mean
    if any(_test(left, c) > limit for left, c in zip(rest, covariances)):
        return None
    score = generic(float(np.linalg.norm(mean)))
    for left, shift, covariance, outside in zip(rest, shifts, covariances, out):
        score += float(normal_h(left[None, :], covariance)[0])
        score -= (GENERIC_WEIGHT + generic(float(np.linalg.norm(shift))) if outside
                  else float(normal_h(shift[None, :], covariance)[0]))
    return _Shift(True, float(np.linalg.norm(mean)),
                  float(np.linalg.norm(rest, axis=1).max()), score)


def _test(difference: np.ndarray, covariance: np.ndarray) -> float:
    """Chi-square of a difference."""
    return float(difference @ np.linalg.solve(covariance, difference))


# -- what the parameters give away -------------------------------------------------------------


def parameter_suspects(reference: Reference):
    """Causes that leave no misfit but show in the vertical shift.

    Yields (cause, evidence, score, corrected pairs, settings to solve the given pairs with).
    """
    if reference.vertical is None or reference.geoid is None:
        return []
    rows = sorted(reference.members_v)
    part = reference.vertical.part
    assert part.cofactor is not None
    shift = part.values[0]
    sigma = math.sqrt(part.cofactor[0][0]) + 0.03
    undulation = float(np.mean(reference.arrays.undulation[rows]))
    poles = {reference.pairs[i].observation.pole for i in rows}
    found: List[Tuple[str, str, float, Tuple[Pair, ...], Optional[Settings]]] = []
    if abs(undulation) > SMALL_UNDULATION and abs(shift - undulation) < 3.0 * sigma:
        found.append((
            "ellipsoidal_elevations",
            f"The vertical shift {shift:+.3f} m equals the geoid undulation {undulation:+.3f} m: "
            "the control elevations are ellipsoidal heights. Work without the geoid, or correct "
            "the list.", 3.0, reference.pairs, reference.settings.replace(geoid=None),
        ))
    pole = poles.pop() if len(poles) == 1 else None
    if pole and abs(shift + pole) < 3.0 * sigma:
        lowered = tuple(
            dataclasses.replace(p, observation=dataclasses.replace(
                p.observation, height=p.observation.height - pole))
            if p.observation.height is not None else p for p in reference.pairs
        )
        found.append((
            "pole_on_every_shot",
            f"The vertical shift {shift:+.3f} m is the recorded pole of {pole:.3f} m: it was not "
            "taken off on any shot.", 3.0, lowered, None,
        ))
    return found
