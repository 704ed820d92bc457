"""Invented sites with planted blunders, one way for every cause, for tests and the benchmark.

The slips are made here by their meaning, forwards, and not with the code that undoes them. A
blunder counts as planted only when its misfit is at least twice the minimal detectable bias of the
clean pairs.
"""

from __future__ import annotations

import dataclasses
import math
import tempfile
from functools import lru_cache
from typing import Callable, Dict, List, NamedTuple, Optional, Tuple

import numpy as np
import pyproj

from sitetie.core import Control, Observation, Pair, Settings, solve
from sitetie.core.errors import SitetieError

from .sites import base_wkt, change, write_geoid

FOOT = 0.3048
POLES = (1.3, 1.5, 1.8, 2.0, 2.5)
#: Sites tried for a case, and slips tried at one pair.
SITE_TRIES, SLIP_TRIES = 12, 6


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


class Made(NamedTuple):
    """Clean pairs and the truth behind them."""

    pairs: Tuple[Pair, ...]
    settings: Settings
    plane: pyproj.Proj
    marks: np.ndarray  #: (n, 3) true latitude, longitude, height
    geoid_shift: float


# -- clean sites -------------------------------------------------------------------------------


def made_site(draw, marks: int, *, extent: Optional[float] = None, height: Optional[float] = None,
              geoid: bool = False, ground: bool = False, latitude_below: float = 65.0) -> Made:
    """A clean site: scattered, ring, corridor or two clusters; realistic sigmas, three ways."""
    latitude, longitude = draw.uniform(-latitude_below, latitude_below), draw.uniform(-175, 175)
    if geoid:
        latitude, longitude = draw.uniform(46.5, 49.5), draw.uniform(9.5, 12.5)
    latitude, longitude = round(latitude, 3), round(longitude, 3)
    extent = 10.0 ** draw.uniform(2.3, 3.4) if extent is None else extent
    level = draw.uniform(20.0, 900.0) if height is None else height
    plane = pyproj.Proj(proj="tmerc", lat_0=latitude, lon_0=longitude, k=1, ellps="WGS84")
    base = _layout(draw, marks, extent)
    lon, lat = plane(base[:, 0], base[:, 1], inverse=True)
    heights = level + draw.uniform(0.0, 0.03 * extent, marks)
    turn, scale = draw.uniform(-math.pi, math.pi), 1.0 + draw.uniform(-2e-4, 2e-4)
    if ground:
        scale = 1.0 + level / 6.371e6
    origin = draw.uniform(1_000.0, 90_000.0, 2)
    shift = draw.uniform(-50.0, 50.0)
    if abs(shift) < 8.0:
        shift += math.copysign(20.0, shift)
    settings: Dict[str, object] = {"base_crs": base_wkt(latitude, longitude)}
    if marks >= 7 and draw.random() < 0.3:
        settings["vertical_model"] = "plane"
    undulation = np.full(marks, shift)
    if geoid:
        settings.update(geoid=_geoid(), vertical_model="shift")
        grid = pyproj.Transformer.from_pipeline(
            f"+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
            f"+step +inv +proj=vgridshift +grids={_geoid()} +multiplier=1")
        undulation = -np.array([grid.transform(x, y, 0.0)[2] for x, y in zip(lon, lat)])
        undulation = np.abs(undulation)  # the grid of the tests is positive everywhere
    own = draw.random() < 0.5
    cosine, sine = math.cos(turn), math.sin(turn)
    pairs = []
    for i in range(marks):
        gnss, control = (draw.uniform(0.005, 0.015), draw.uniform(0.003, 0.008)) if own else \
            (0.008, 0.005)
        up, control_up = (2.0 * gnss, control) if own else (0.015, 0.005)
        e, n = draw.normal(0.0, control, 2)
        seen = _displaced(draw, (lat[i], lon[i], heights[i]), gnss, up)
        site = origin + scale * np.array([cosine * base[i, 0] - sine * base[i, 1],
                                          sine * base[i, 0] + cosine * base[i, 1]]) + (e, n)
        elevation = heights[i] - undulation[i] + draw.normal(0.0, control_up)
        pole = float(draw.choice(POLES)) if draw.random() < 0.7 else None
        pairs.append(Pair(
            Control(f"K{i + 1:02d}", round(site[0], 3), round(site[1], 3), round(elevation, 3),
                    sigma_h=control if own else None, sigma_v=control_up if own else None),
            Observation(f"{101 + i}", round(seen[0], 9), round(seen[1], 9), round(seen[2], 3),
                        sigma_e=gnss if own else None, sigma_n=gnss if own else None,
                        sigma_u=up if own else None, pole=pole,
                        pole_kind="vertical" if pole else None,
                        session=f"day {1 + 3 * i // marks}", fix="fixed"),
        ))
    return Made(tuple(pairs), Settings(**settings), plane,
                np.stack([lat, lon, heights], axis=1), shift)


def _layout(draw, marks: int, extent: float) -> np.ndarray:
    """(n, 2) metres about the middle, no two marks closer than a fiftieth of the extent."""
    kind = draw.integers(4)
    points: List[np.ndarray] = []
    while len(points) < marks:
        if kind == 0:
            at = draw.uniform(-0.5, 0.5, 2)
        elif kind == 1:
            angle = draw.uniform(-math.pi, math.pi)
            at = draw.uniform(0.42, 0.5) * np.array([math.cos(angle), math.sin(angle)])
        elif kind == 2:
            at = np.array([draw.uniform(-0.5, 0.5), draw.uniform(-0.08, 0.08)])
        else:
            at = draw.uniform(-0.12, 0.12, 2) + (0.35 if draw.random() < 0.5 else -0.35)
        if all(np.hypot(*(at - other)) > 0.02 for other in points):
            points.append(at)
    return np.array(points) * extent


@lru_cache(maxsize=1)
def _geoid() -> str:
    return write_geoid(tempfile.mkdtemp() + "/invented.gtx")


# -- slips of one pair: (draw, made, row) -> the pair as it came in, None when it cannot be -----

Slip = Callable[[np.random.Generator, Made, int], Optional[Pair]]


def _observed(pair: Pair, **values) -> Optional[Pair]:
    try:
        return change(pair, observation=values)
    except SitetieError:
        return None


def _angles(pair: Pair, spoil: Callable[[float], Optional[float]]) -> Optional[Pair]:
    """Both angles of a pair read in the same wrong way."""
    read = [spoil(abs(v)) for v in (pair.observation.latitude, pair.observation.longitude)]
    if None in read:
        return None
    signs = (math.copysign(1.0, pair.observation.latitude),
             math.copysign(1.0, pair.observation.longitude))
    return _observed(pair, latitude=signs[0] * read[0], longitude=signs[1] * read[1])


def _packed(degrees: float) -> float:
    minutes, seconds = divmod(round(degrees * 3600.0, 5), 60.0)
    whole, minutes = divmod(int(minutes), 60)
    return round(whole + minutes / 100.0 + seconds / 10_000.0, 9)


def _unpacked(value: float) -> Optional[float]:
    text = f"{value:.9f}"
    whole, part = text.split(".")
    minutes, seconds = int(part[:2]), float(part[2:4] + "." + part[4:])
    if minutes >= 60 or seconds >= 60.0:
        return None
    return round(int(whole) + minutes / 60.0 + seconds / 3600.0, 9)


def _decimals_as_minutes(value: float) -> Optional[float]:
    whole = math.floor(value)
    return None if value - whole >= 0.6 else round(whole + (value - whole) / 0.6, 9)


def _minutes_as_decimals(value: float) -> float:
    whole = math.floor(value)
    return round(whole + (value - whole) * 0.6, 9)


def _typed(draw, pair: Pair, spoil: Callable[[np.random.Generator, str], Optional[str]]):
    """One number of a pair spoilt in its text."""
    name = str(draw.choice(["latitude", "longitude", "height", "easting", "northing", "elevation"]))
    of_control = name in ("easting", "northing", "elevation")
    value = getattr(pair.control if of_control else pair.observation, name)
    text = f"{value:.9f}" if name in ("latitude", "longitude") else f"{value:.3f}"
    text = spoil(draw, text)
    if text is None:
        return None
    try:
        return change(pair, **{"control" if of_control else "observation": {name: float(text)}})
    except SitetieError:
        return None


def _exchange_digits(draw, text: str) -> Optional[str]:
    places = [k for k, letter in enumerate(text) if letter.isdigit()]
    k = int(draw.integers(len(places) - 1))
    i, j = places[k], places[k + 1]
    letters = list(text)
    letters[i], letters[j] = letters[j], letters[i]
    return "".join(letters) if text[i] != text[j] else None


def _wrong_digit(draw, text: str) -> Optional[str]:
    places = [k for k, letter in enumerate(text) if letter.isdigit()]
    k = places[int(draw.integers(len(places)))]
    digit = str(draw.integers(10))
    return text[:k] + digit + text[k + 1:] if digit != text[k] else None


def _exchanged_angles(draw, made: Made, i: int) -> Optional[Pair]:
    o = made.pairs[i].observation
    return _observed(made.pairs[i], latitude=o.longitude, longitude=o.latitude) \
        if abs(o.longitude) <= 90.0 else None


def _control_unit(draw, made: Made, i: int) -> Pair:
    c = made.pairs[i].control
    ratio = FOOT if draw.random() < 0.5 else 1.0 / FOOT
    values = {"easting": c.easting * ratio, "northing": c.northing * ratio}
    if draw.random() < 0.5:
        values["elevation"] = c.elevation * ratio
    return change(made.pairs[i], control=values)


def _wrong_control(draw, made: Made, i: int) -> Pair:
    """Observed at the mark of another pair, named as this one."""
    j = int(draw.choice([k for k in range(len(made.pairs)) if k != i]))
    o = made.pairs[i].observation
    lat, lon, height = _displaced(draw, made.marks[j], o.sigma_e or 0.008, o.sigma_u or 0.015)
    return change(made.pairs[i], observation={
        "latitude": round(lat, 9), "longitude": round(lon, 9), "height": round(height, 3)})


def _displaced(draw, at, h: float, v: float) -> Tuple[float, float, float]:
    """A place with errors; the radius of the earth is round, the errors are small."""
    e, n = draw.normal(0.0, h, 2)
    return (at[0] + n / 111_200.0, at[1] + e / (111_200.0 * math.cos(math.radians(at[0]))),
            at[2] + draw.normal(0.0, v))


def _pole(draw, pair: Pair) -> Pair:
    """The pair with a pole recorded, or in a third of the cases none."""
    pole = float(draw.choice(POLES)) if draw.random() < 0.67 else None
    return change(pair, observation={"pole": pole, "pole_kind": "vertical" if pole else None})


def _pole_slip(factor: float) -> Slip:
    def slip(draw, made: Made, i: int) -> Pair:
        pair = _pole(draw, made.pairs[i])
        o = pair.observation
        pole = o.pole or float(draw.choice((2.0, 1.8)))
        return change(pair, observation={"height": o.height + factor * pole})
    return slip


def _pole_wrong(draw, made: Made, i: int) -> Pair:
    pair = _pole(draw, made.pairs[i])
    o = pair.observation
    recorded = o.pole or 2.0
    real = float(draw.choice([p for p in (1.0, 1.5, 1.8, 2.0, 2.2, 2.5) if p != recorded]))
    return change(pair, observation={"height": o.height + real - recorded})


def _slant(draw, made: Made, i: int) -> Pair:
    pole, radius = float(draw.choice((0.3, 1.2, 1.5))), float(draw.choice((0.085, 0.135, 0.2)))
    o = made.pairs[i].observation
    upright = math.sqrt(pole**2 - radius**2)
    return change(made.pairs[i], observation={"pole": pole, "pole_kind": "slant",
                                              "height": o.height + upright - pole})


def _not_fixed(draw, made: Made, i: int) -> Pair:
    fix, sigma = ("float", 0.4) if draw.random() < 0.5 else ("autonomous", 3.0)
    lat, lon, height = _displaced(draw, made.marks[i], sigma, 2.0 * sigma)
    return change(made.pairs[i], observation={
        "latitude": lat, "longitude": lon, "height": height, "fix": fix})


def _disturbed(draw, made: Made, i: int) -> Pair:
    size, angle = 10.0 ** draw.uniform(-1.3, 0.7), draw.uniform(-math.pi, math.pi)
    c, kind = made.pairs[i].control, draw.integers(3)
    values = {}
    if kind != 1:
        values.update(easting=c.easting + size * math.cos(angle),
                      northing=c.northing + size * math.sin(angle))
    if kind != 0:
        values["elevation"] = c.elevation + size * draw.choice((-1.0, 1.0)) * draw.uniform(0.5, 1)
    return change(made.pairs[i], control=values)


_SLIPS: Dict[str, Slip] = {
    "latitude_sign": lambda d, m, i: _observed(
        m.pairs[i], latitude=-m.pairs[i].observation.latitude),
    "longitude_sign": lambda d, m, i: _observed(
        m.pairs[i], longitude=-m.pairs[i].observation.longitude),
    "latitude_longitude_exchanged": _exchanged_angles,
    "packed_dms_as_degrees": lambda d, m, i: _angles(m.pairs[i], _packed),
    "degrees_as_packed_dms": lambda d, m, i: _angles(m.pairs[i], _unpacked),
    "minutes_as_decimals": lambda d, m, i: _angles(m.pairs[i], _minutes_as_decimals),
    "decimals_as_minutes": lambda d, m, i: _angles(m.pairs[i], _decimals_as_minutes),
    "digits_exchanged": lambda d, m, i: _typed(d, m.pairs[i], _exchange_digits),
    "digit_wrong": lambda d, m, i: _typed(d, m.pairs[i], _wrong_digit),
    "easting_northing_exchanged": lambda d, m, i: change(m.pairs[i], control={
        "easting": m.pairs[i].control.northing, "northing": m.pairs[i].control.easting}),
    "control_unit": _control_unit,
    "wrong_control": _wrong_control,
    "pole_wrong": _pole_wrong,
    "pole_missing": _pole_slip(1.0),
    "pole_twice": _pole_slip(-1.0),
    "slant_as_vertical": _slant,
    "height_in_feet": lambda d, m, i: change(m.pairs[i], observation={
        "height": m.pairs[i].observation.height / FOOT}),
    "orthometric_height": lambda d, m, i: change(m.pairs[i], observation={
        "height": round(m.pairs[i].observation.height - m.geoid_shift + d.normal(0, 0.01), 3)}),
    "position_not_fixed": _not_fixed,
    "disturbed_mark": _disturbed,
}
ON_ONE_PAIR = tuple(_SLIPS)
ON_ALL = ("control_unit_all", "mirrored", "grid_or_ground", "base_projection",
          "ellipsoidal_elevations", "pole_on_every_shot", "session_shifted", "sources_disagree")
EVERY = ON_ONE_PAIR + ("pairs_exchanged",) + ON_ALL


# -- cases -------------------------------------------------------------------------------------


def clean_case(draw) -> Case:
    made = made_site(draw, int(draw.integers(4, 31)))
    return Case(made.pairs, made.settings, ())


def single_case(draw, cause: str) -> Optional[Case]:
    """A site with one blunder; None where no try gave one that is detectable."""
    for _ in range(SITE_TRIES):
        if cause in _SLIPS:
            case = _on_pairs(draw, made_site(draw, int(draw.integers(4, 31))), (cause,))
        else:
            case = _ON_ALL[cause](draw, int(draw.integers(5, 31)))
        if case is not None:
            return case
    return None


def double_case(draw, causes: Tuple[str, str]) -> Optional[Case]:
    for _ in range(SITE_TRIES):
        case = _on_pairs(draw, made_site(draw, int(draw.integers(7, 31))), causes)
        if case is not None:
            return case
    return None


def many_wrong_case(draw) -> Case:
    """40 pairs, 13 of them disturbed."""
    made = made_site(draw, 40, extent=1500.0)
    pairs, blunders = list(made.pairs), []
    for i in draw.permutation(40)[:13]:
        pairs[i] = change(pairs[i], control={"easting": pairs[i].control.easting
                                             + draw.uniform(0.5, 9.0)})
        blunders.append(Blunder("disturbed_mark", (pairs[i].control.id,), 0.01))
    return Case(tuple(pairs), made.settings, tuple(blunders))


def _on_pairs(draw, made: Made, causes: Tuple[str, ...]) -> Optional[Case]:
    tie = solve(made.pairs, made.settings)
    chosen = draw.permutation(len(made.pairs))[:len(causes)]
    pairs, blunders = list(made.pairs), []
    for i, cause in zip(chosen.tolist(), causes):
        spoilt, sigma = None, None
        for _ in range(SLIP_TRIES):
            spoilt = _SLIPS[cause](draw, made, i)
            sigma = None if spoilt is None else _detectable(tie, made.pairs[i], spoilt, i)
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
    made, ratio = made_site(draw, marks), FOOT if draw.random() < 0.5 else 1.0 / FOOT
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
    pairs = [change(p, control={"elevation": round(p.observation.height
                                                   + draw.normal(0.0, 0.015), 3)})
             for p in made.pairs]
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
