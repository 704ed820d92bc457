"""Slips of one pair, forwards: by their meaning, and not with the code that undoes them.

Each takes (draw, made, row) and gives the pair as it would have come in, or None where that slip
cannot be made there.
"""

from __future__ import annotations

import math
from typing import Callable, Dict, Optional

import numpy as np

from sitetie.core import Pair
from sitetie.core.errors import SitetieError

from .sites import change
from .suspect_sites import POLES, Made, displaced

FOOT = 0.3048
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


def other_unit(draw, made: Made) -> float:
    """Feet for metres or the reverse, as the site has it."""
    ratio = FOOT if made.unit == 1.0 else made.unit
    return ratio if draw.random() < 0.5 else 1.0 / ratio


def _control_unit(draw, made: Made, i: int) -> Pair:
    c = made.pairs[i].control
    ratio = other_unit(draw, made)
    values = {"easting": c.easting * ratio, "northing": c.northing * ratio}
    if draw.random() < 0.5:
        values["elevation"] = c.elevation * ratio
    return change(made.pairs[i], control=values)


def _wrong_control(draw, made: Made, i: int) -> Pair:
    """Observed at the mark of another pair, named as this one."""
    j = int(draw.choice([k for k in range(len(made.pairs)) if k != i]))
    o = made.pairs[i].observation
    lat, lon, height = displaced(draw, made.marks[j], o.sigma_e or 0.008, o.sigma_u or 0.015)
    return change(made.pairs[i], observation={
        "latitude": round(lat, 9), "longitude": round(lon, 9), "height": round(height, 3)})


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
    """A tripod, or a low set-up over the mark; an antenna, or one with a ground plane."""
    pole = float(draw.choice((0.25, 0.3, 0.4, 1.5)))
    radius = float(draw.choice((0.135, 0.165, 0.2)))
    o = made.pairs[i].observation
    upright = math.sqrt(pole**2 - radius**2)
    return change(made.pairs[i], observation={"pole": pole, "pole_kind": "slant",
                                              "height": o.height + upright - pole})


def _not_fixed(draw, made: Made, i: int) -> Pair:
    fix, sigma = ("float", 0.4) if draw.random() < 0.5 else ("autonomous", 3.0)
    lat, lon, height = displaced(draw, made.marks[i], sigma, 2.0 * sigma)
    return change(made.pairs[i], observation={
        "latitude": lat, "longitude": lon, "height": height, "fix": fix})


def _disturbed(draw, made: Made, i: int) -> Pair:
    size, angle = 10.0 ** draw.uniform(-1.3, 0.7) / made.unit, draw.uniform(-math.pi, math.pi)
    c, kind = made.pairs[i].control, draw.integers(3)
    values = {}
    if kind != 1:
        values.update(easting=c.easting + size * math.cos(angle),
                      northing=c.northing + size * math.sin(angle))
    if kind != 0:
        values["elevation"] = c.elevation + size * draw.choice((-1.0, 1.0)) * draw.uniform(0.5, 1)
    return change(made.pairs[i], control=values)


SLIPS: Dict[str, Slip] = {
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
