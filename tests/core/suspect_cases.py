"""Sites with planted blunders, one way for every cause, for tests and the benchmark.

A blunder counts as planted only when its misfit is at least twice the minimal detectable bias of
the clean pairs.
"""

from __future__ import annotations

import dataclasses
import math
from typing import NamedTuple, Optional, Tuple

import numpy as np

from sitetie.core import Pair, Settings, solve
from sitetie.core.errors import SitetieError

from .sites import change
from .suspect_sites import POLES, Made, made_site
from .suspect_slips import SLIPS, other_unit

#: Sites tried for a case, and slips tried at one pair.
SITE_TRIES, SLIP_TRIES = 12, 6
#: Slips of some centimetres at most, which only precise heights show.
SMALL = {"slant_as_vertical"}
ON_ONE_PAIR = tuple(SLIPS)
ON_ALL = ("control_unit_all", "mirrored", "grid_or_ground", "base_projection",
          "ellipsoidal_elevations", "pole_on_every_shot", "session_shifted", "sources_disagree")
EVERY = ON_ONE_PAIR + ("pairs_exchanged",) + ON_ALL


class Blunder(NamedTuple):
    """What was planted: the cause, the control points concerned, the sigma of one residual."""

    cause: str
    control_ids: Tuple[str, ...]
    sigma: float


class Case(NamedTuple):
    """Pairs as they came in, with the blunders planted in them."""

    pairs: Tuple[Pair, ...]
    settings: Settings
    blunders: Tuple[Blunder, ...]


def clean_case(draw) -> Case:
    made = made_site(draw, int(draw.integers(4, 31)))
    return Case(made.pairs, made.settings, ())


def single_case(draw, cause: str) -> Optional[Case]:
    """A site with one blunder; None where no try gave one that is detectable."""
    for _ in range(SITE_TRIES):
        if cause in SLIPS:
            made = made_site(draw, int(draw.integers(4, 31)), precise=cause in SMALL)
            case = _on_pairs(draw, made, (cause,))
        else:
            case = _ON_ALL[cause](draw, int(draw.integers(5, 31)))
        if case is not None:
            return case
    return None


def double_case(draw, causes: Tuple[str, str]) -> Optional[Case]:
    for _ in range(SITE_TRIES):
        made = made_site(draw, int(draw.integers(7, 31)), precise=bool(SMALL & set(causes)))
        case = _on_pairs(draw, made, causes)
        if case is not None:
            return case
    return None


def many_wrong_case(draw) -> Case:
    """40 pairs, 13 of them wrong, each by a slip drawn from all but the small ones."""
    usual = [cause for cause in ON_ONE_PAIR if cause not in SMALL]
    case = None
    while case is None:
        causes = tuple(str(cause) for cause in draw.choice(usual, 13))
        case = _on_pairs(draw, made_site(draw, 40, extent=1500.0), causes)
    return case


def _on_pairs(draw, made: Made, causes: Tuple[str, ...]) -> Optional[Case]:
    tie = None
    chosen = draw.permutation(len(made.pairs))[:len(causes)]
    pairs, blunders = list(made.pairs), []
    for i, cause in zip(chosen.tolist(), causes):
        spoilt, sigma = None, None
        for _ in range(SLIP_TRIES):
            spoilt = SLIPS[cause](draw, made, i)
            if spoilt is None:
                continue
            tie = tie or solve(made.pairs, made.settings)
            sigma = _detectable(tie, made.pairs[i], spoilt, i)
            if sigma is not None:
                break
        if spoilt is None or sigma is None:
            return None
        pairs[i] = spoilt
        blunders.append(Blunder(cause, (spoilt.control.id,), sigma))
    return Case(tuple(pairs), made.settings, tuple(blunders))


def _detectable(tie, before: Pair, after: Pair, i: int) -> Optional[float]:
    """Sigma of the residual when the change is twice the minimal detectable bias, else None."""
    shift = np.array(_misfit(tie, after)) - np.array(_misfit(tie, before))
    row = tie.residuals[i]
    plane, height = float(np.hypot(*shift[:2])), abs(float(shift[2]))
    if not np.isfinite(plane) or plane >= 2.0 * row.horizontal.detectable:
        return row.horizontal.detectable / math.sqrt(19.66)
    if height >= 2.0 * row.vertical.detectable:
        return row.vertical.detectable / math.sqrt(17.07)
    return None


def _misfit(tie, pair: Pair) -> Tuple[float, float, float]:
    o, c = pair.observation, pair.control
    try:
        found = tie.to_site([o.latitude], [o.longitude], [o.height])[:3]
    except SitetieError:  # beyond the projection
        return math.inf, math.inf, math.inf
    e, n, z = (np.ravel(v)[0] for v in found)
    return e - c.easting, n - c.northing, z - c.elevation


def _all_guilty(cause: str, pairs, settings: Settings) -> Case:
    ids = tuple(p.control.id for p in pairs)
    return Case(tuple(pairs), settings, (Blunder(cause, ids, 0.01),))


def _exchange_pairs(draw, marks: int) -> Optional[Case]:
    made = made_site(draw, marks)
    i, j = draw.permutation(marks)[:2]
    pairs = list(made.pairs)
    pairs[i] = dataclasses.replace(made.pairs[i], observation=made.pairs[j].observation)
    pairs[j] = dataclasses.replace(made.pairs[j], observation=made.pairs[i].observation)
    if _detectable(solve(made.pairs, made.settings), made.pairs[i], pairs[i], int(i)) is None:
        return None
    blunder = Blunder("pairs_exchanged", (pairs[i].control.id, pairs[j].control.id), 0.01)
    return Case(tuple(pairs), made.settings, (blunder,))


def _unit_of_all(draw, marks: int) -> Case:
    made = made_site(draw, marks)
    ratio = other_unit(draw, made)
    pairs = [change(p, control={"easting": p.control.easting * ratio,
                                "northing": p.control.northing * ratio,
                                "elevation": p.control.elevation * ratio}) for p in made.pairs]
    return _all_guilty("control_unit_all", pairs, made.settings)


def _mirrored(draw, marks: int) -> Case:
    made, kind = made_site(draw, marks), draw.integers(3)
    pairs = []
    for p in made.pairs:
        e, n = p.control.easting, p.control.northing
        e, n = ((n, e), (-e, n), (e, -n))[kind]
        pairs.append(change(p, control={"easting": e, "northing": n}))
    return _all_guilty("mirrored", pairs, made.settings)


def _grid_or_ground(draw, marks: int) -> Optional[Case]:
    made = made_site(draw, marks, extent=draw.uniform(800.0, 3000.0),
                     height=draw.uniform(500.0, 2500.0), ground=True)
    return _if_misfit("grid_or_ground", made, made.settings.replace(scale=(1.0, 0.0)))


def _base_projection(draw, marks: int) -> Optional[Case]:
    made = made_site(draw, marks, extent=draw.uniform(4000.0, 9000.0))
    zone = (int((made.pairs[0].observation.longitude + 180.0) // 6.0)
            + int(draw.choice((-2, -1, 1, 2)))) % 60 + 1
    south = made.pairs[0].observation.latitude < 0.0
    code = f"EPSG:{32700 + zone if south else 32600 + zone}"
    return _if_misfit("base_projection", made, made.settings.replace(base_crs=code))


def _if_misfit(cause: str, made: Made, settings: Settings) -> Optional[Case]:
    """A case when wrong settings misplace a mark by twice the minimal detectable bias."""
    right, wrong = solve(made.pairs, made.settings), solve(made.pairs, settings)
    moved = [np.hypot(*np.subtract(_misfit(wrong, p), _misfit(right, p))[:2])
             / row.horizontal.detectable for p, row in zip(made.pairs, right.residuals)]
    return _all_guilty(cause, made.pairs, settings) if max(moved) >= 2.0 else None


def _ellipsoidal(draw, marks: int) -> Case:
    made = made_site(draw, marks, geoid=True)
    pairs = [change(p, control={"elevation": round(
        (p.observation.height + draw.normal(0.0, 0.015)) / made.unit, 3)}) for p in made.pairs]
    return _all_guilty("ellipsoidal_elevations", pairs, made.settings)


def _pole_on_all(draw, marks: int) -> Case:
    made, pole = made_site(draw, marks, geoid=True), float(draw.choice(POLES))
    pairs = [change(p, observation={"pole": pole, "pole_kind": "vertical",
                                    "height": p.observation.height + pole}) for p in made.pairs]
    return _all_guilty("pole_on_every_shot", pairs, made.settings)


def _shifted_together(cause: str, field: str):
    def case(draw, marks: int) -> Optional[Case]:
        marks = max(marks, 6)
        made = made_site(draw, marks)
        size = int(draw.integers(2, marks // 3 + 1))
        rows = draw.permutation(marks)[:size]
        tie = solve(made.pairs, made.settings)
        length, angle = 10.0 ** draw.uniform(-0.8, 1.0), draw.uniform(-math.pi, math.pi)
        pairs = [change(p, observation={"session": "day 1", "source": "first"})
                 for p in made.pairs]
        for i in rows.tolist():
            o = made.pairs[i].observation
            pairs[i] = change(pairs[i], observation={
                field: "second",
                "latitude": o.latitude + length * math.cos(angle) / 111_200.0,
                "longitude": o.longitude + length * math.sin(angle)
                / (111_200.0 * math.cos(math.radians(o.latitude))),
                "height": o.height + 0.5 * length})
            if _detectable(tie, made.pairs[i], pairs[i], i) is None:
                return None
        ids = tuple(pairs[i].control.id for i in rows)
        return Case(tuple(pairs), made.settings, (Blunder(cause, ids, 0.01),))
    return case


_ON_ALL = {
    "pairs_exchanged": _exchange_pairs,
    "control_unit_all": _unit_of_all,
    "mirrored": _mirrored,
    "grid_or_ground": _grid_or_ground,
    "base_projection": _base_projection,
    "ellipsoidal_elevations": _ellipsoidal,
    "pole_on_every_shot": _pole_on_all,
    "session_shifted": _shifted_together("session_shifted", "session"),
    "sources_disagree": _shifted_together("sources_disagree", "source"),
}
