"""Causes that concern the whole set, or a session of it, rather than one pair."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Callable, Dict, Iterator, List, Optional, Sequence, Tuple

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
    normal_v,
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
    """Another reading of the whole set: the pairs or the settings changed for all."""

    cause: str
    evidence: str
    score: float
    reference: Reference
    pairs: Tuple[Pair, ...]


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
    """Other readings of the whole set, solved; only where many pairs stand outside, or the
    solved scale is no scale of a site. `reference` is None when no two pairs agree."""
    if reference is not None and not _doubtful(reference):
        return
    tries: List[Tuple[str, str, Tuple[Pair, ...], Settings]] = []
    mirrored = _each_control(pairs, lambda c: dataclasses.replace(
        c, easting=c.northing, northing=c.easting))
    tries.append(("mirrored", "With easting and northing of the control list exchanged "
                  "(or one axis flipped)", mirrored, settings))
    for unit in UNITS.values():
        ratio = unit.metres / settings.site_length.metres
        if abs(ratio - 1.0) > 0.1 and unit.code != "us-ft":
            said = f"With the control list read in {unit.plural}"
            if unit.code != "m":
                said += (" (international or US survey: 2 ppm apart, not to be told from these "
                         "pairs)")
            tries += _unit_tries(pairs, settings, said, ratio)
            tries += _unit_tries(pairs, settings, "With the control list taken back from a "
                                 f"conversion to {settings.site_length.plural} that it did not "
                                 "need", 1.0 / ratio)
    if settings.scale is not None or settings.horizontal_model in ("rigid", "translation"):
        free = settings.replace(scale=None, horizontal_model="similarity")
        tries.append(("grid_or_ground", "With the scale solved instead of held", pairs, free))
    if settings.base_crs is not None and "Local Transverse Mercator" not in settings.base_crs:
        local = settings.replace(base_crs=None, datum_operation=None)
        tries.append(("base_projection", "Over a local projection instead of the named one",
                      pairs, local))
    for cause, words, changed, changed_settings in tries:
        try:
            other = make_reference(changed, changed_settings, level)
        except SitetieError:
            continue
        if cause == "grid_or_ground" and not _is_site_scale(other):
            continue
        score = other.score + math.log(CAUSES[cause].weight)
        yield World(cause, f"{words} {_agreement(other)} (now {_agreement(reference)})."
                    + _scale_words(cause, other), score, other, changed)


def _doubtful(reference: Reference) -> bool:
    outside = len(reference.outsiders()) / len(reference.pairs)
    part = reference.horizontal.part
    odd_scale = "scale" in part.names and abs(math.log(part.scale)) > 0.1
    return outside >= MANY_OUTSIDE or odd_scale or reference.undecided()


def _unit_tries(pairs, settings, words: str, ratio: float):
    def position(c):
        return dataclasses.replace(c, easting=c.easting * ratio, northing=c.northing * ratio)

    def everything(c):
        moved = position(c) if c.has_position else c
        return dataclasses.replace(moved, elevation=c.elevation * ratio) \
            if c.has_elevation else moved

    yield ("control_unit_all", words, _each_control(pairs, everything, elevation=True), settings)
    yield ("control_unit_all", words + ", positions only", _each_control(pairs, position),
           settings)


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
    """Whether a solved scale is one a site may have: 1, the combined factor or its inverse."""
    part, base = reference.horizontal.part, reference.base
    combined = float(np.mean(base.combined_factor(
        reference.arrays.latitude, reference.arrays.longitude,
        np.nan_to_num(reference.arrays.height))))
    point = float(np.mean(base.point_scale(reference.arrays.latitude,
                                           reference.arrays.longitude)))
    sigma = 4.0 * math.sqrt(part.cofactor[3][3]) + 3e-6
    known = (1.0, combined, 1.0 / combined, point, 1.0 / point)
    return any(abs(part.scale - value) < sigma for value in known)


def _scale_words(cause: str, reference: Reference) -> str:
    if cause != "grid_or_ground":
        return ""
    return f" The solved scale is {reference.horizontal.part.scale:.7f}."


# -- sessions and sources ----------------------------------------------------------------------


def group_shifts(reference: Reference, wrong: Sequence[int]) -> List[Group]:
    """Sessions (or sources) all of whose pairs are outside by the same shift."""
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
            if len(controls) < 2 or not set(rows) <= outside or taken & set(rows):
                continue
            group = _common_shift(reference, cause, attribute, name, rows)
            if group is not None:
                found.append(group)
                taken |= set(rows)
    return found


def _common_shift(reference: Reference, cause, attribute, name, rows):
    shifts = np.array([reference.difference_h(i) for i in rows])
    heights = np.array([reference.difference_v(i) for i in rows])
    if not np.isfinite(shifts).all():
        return None
    mean, rise = shifts.mean(axis=0), float(np.nanmean(heights)) if np.isfinite(
        heights).any() else 0.0
    score = math.log(CAUSES[cause].weight)
    limit_h = chi_square_quantile(1.0 - reference.level, 2)
    worst = 0.0
    moved_h = any(reference.wrong_h(i) for i in rows)
    moved_v = any(reference.wrong_v(i) for i in rows)
    for k, i in enumerate(rows):
        if moved_h:
            rest, covariance = shifts[k] - mean, reference.covariance_h(i)
            if rest @ np.linalg.solve(covariance, rest) > limit_h:
                return None
            worst = max(worst, float(np.hypot(*rest)))
            score += float(normal_h(rest[None, :], covariance)[0])
            score -= GENERIC_WEIGHT + generic_h(float(np.hypot(*shifts[k])))
        if moved_v and np.isfinite(heights[k]):
            left, variance = heights[k] - rise, reference.variance_v(i)
            if left**2 > limit_h * variance:
                return None
            score += float(normal_v(np.array(left), variance))
            score -= GENERIC_WEIGHT + generic_v(heights[k])
    score += generic_h(float(np.hypot(*mean))) if moved_h else 0.0
    score += generic_v(rise) if moved_v else 0.0
    if score < 0.0:
        return None
    unit = reference.settings.site_length.metres
    said = []
    if moved_h:
        said.append(f"{reference.say(float(np.hypot(*mean)) / unit)} in position")
    if moved_v:
        said.append(f"{reference.say(rise / reference.settings.elevation_length.metres, True)} "
                    "in height")
    evidence = (
        f"All {len(rows)} pairs of {attribute} {name or '(blank)'} are shifted alike by "
        f"{' and '.join(said)}; without that shift they fit to {reference.say(worst / unit)}."
    )
    return Group(cause, tuple(rows), evidence, score,
                 float(np.hypot(*mean)) / unit if moved_h else abs(rise), worst / unit)


# -- what the parameters give away -------------------------------------------------------------


def parameter_suspects(reference: Reference):
    """Causes that leave no misfit but show in the vertical shift.

    Yields (cause, evidence, score, corrected pairs).
    """
    if reference.vertical is None or reference.geoid is None:
        return []
    rows = sorted(reference.members_v)
    part = reference.vertical.part
    shift = part.values[0]
    sigma = math.sqrt(part.cofactor[0][0]) + 0.03
    undulation = float(np.mean(reference.arrays.undulation[rows]))
    poles = {reference.pairs[i].observation.pole for i in rows}
    found = []
    if abs(undulation) > SMALL_UNDULATION and abs(shift - undulation) < 3.0 * sigma:
        found.append((
            "ellipsoidal_elevations",
            f"The vertical shift {shift:+.3f} m equals the geoid undulation {undulation:+.3f} m: "
            "the control elevations are ellipsoidal heights. Work without the geoid, or correct "
            "the list.", 3.0, reference.pairs,
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
            "taken off on any shot.", 3.0, lowered,
        ))
    return found
