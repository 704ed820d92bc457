"""A typed position that lies far off: would it fit if it had been meant another way?

Latitude and longitude exchanged, a wrong sign, packed degrees read as decimals, axes exchanged:
each is another reading of the same numbers, and the one that lands where the marks are is named.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Iterable, Iterator, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np
import pyproj

from .angles import parse_angle
from .errors import SitetieError
from .numerals import parse_number
from .positions import geocentric_to_geodetic, projected_to_geodetic
from .units import METRE
from .wording import length_words

#: Another reading is named when it is this many times nearer. Common practice, no source.
MUCH_NEARER = 10.0
#: Distances from other pairs that raise no eyebrow: metres, and multiples of the pairs' extent.
#: Common practice, no source.
ORDINARY_METRES, ORDINARY_EXTENTS = 2000.0, 3.0

#: Metres.
EARTH_RADIUS = 6_371_000.0
_EARTH = pyproj.Geod(ellps="GRS80")
Values = Tuple[str, ...]
#: Words, what to write into the fields, packed.
_Trial = Tuple[str, Values, bool]


class Place(NamedTuple):
    """A position with its name, degrees."""

    name: str
    latitude: float
    longitude: float


@dataclass(frozen=True)
class Reading:
    """One way to read what was typed.

    Attributes
    ----------
    words : str
        "latitude and longitude exchanged"; blank for the plain reading.
    values : tuple of str
        What to write into the fields instead.
    packed : bool
        Whether the fields are then to be read as packed degrees, minutes, seconds.
    latitude, longitude : float
        Degrees.
    """

    words: str
    values: Values
    packed: bool
    latitude: float
    longitude: float


@dataclass(frozen=True)
class PositionCheck:
    """How a typed position lies to what is known.

    Attributes
    ----------
    sentence : str
        For the person; blank when there is nothing to compare with.
    far : bool
        Whether it lies so far off that something is probably wrong.
    better : Reading or None
        A reading that lies much nearer.
    """

    sentence: str = ""
    far: bool = False
    better: Optional[Reading] = None


def read_angles(values: Values, packed: bool = False) -> Tuple[float, float]:
    """Latitude and longitude of two typed angles. Raises InputError."""
    return parse_angle(values[0], "latitude", packed), parse_angle(values[1], "longitude", packed)


def angle_readings(values: Values, packed: bool = False) -> List[Reading]:
    """Other ways to read a typed latitude and longitude."""
    latitude, longitude = values
    trials: List[_Trial] = [
        ("latitude and longitude exchanged", (longitude, latitude), packed)]
    for words, texts in _sign_trials("latitude", latitude, "longitude", longitude):
        trials.append((words, texts, packed))
    other = "as decimal degrees" if packed else "as packed degrees, minutes, seconds"
    trials.append((f"read {other}", values, not packed))
    for words, texts in _sign_trials("latitude", longitude, "longitude", latitude):
        trials.append((f"latitude and longitude exchanged and {words}", texts, packed))
    return list(_read(trials, read_angles))


def geocentric_readings(values: Values, crs: str) -> List[Reading]:
    """Other ways to read typed geocentric X, Y, Z in metres."""
    x, y, z = values

    def read(texts: Values, packed: bool) -> Tuple[float, float]:
        x, y, z = (parse_number(text, name) for text, name in zip(texts, "XYZ"))
        found = geocentric_to_geodetic(x, y, z, crs)
        return float(found.latitude), float(found.longitude)

    trials: List[_Trial] = [
        ("X and Y exchanged", (y, x, z), False), ("Y and Z exchanged", (x, z, y), False),
        ("X and Z exchanged", (z, y, x), False)]
    for place, name in enumerate("XYZ"):
        texts = list(values)
        texts[place] = negated(texts[place])
        trials.append((f"the other sign of {name}", tuple(texts), False))
    return list(_read(trials, read))


def projected_readings(values: Values, crs: str) -> List[Reading]:
    """Other ways to read a typed easting and northing."""
    easting, northing = values

    def read(texts: Values, packed: bool) -> Tuple[float, float]:
        found = projected_to_geodetic(
            parse_number(texts[0], "Easting"), parse_number(texts[1], "Northing"), crs)
        return float(found.latitude), float(found.longitude)

    trials: List[_Trial] = [("easting and northing exchanged", (northing, easting), False)]
    for words, texts in _sign_trials("easting", easting, "northing", northing):
        trials.append((words, texts, False))
    return list(_read(trials, read))


def check_position(
    position: Optional[Tuple[float, float]],
    readings: Sequence[Reading],
    others: Sequence[Place],
    expected: Optional[Place] = None,
    tolerance: float = 0.0,
    others_name: str = "the other pairs",
) -> PositionCheck:
    """Compare a typed position with where it is expected, or with the other pairs.

    Parameters
    ----------
    position : (latitude, longitude) or None
        As read, degrees; None when it cannot be read as it stands.
    readings : sequence of Reading
        Other ways to read it; the nearest counts.
    others : sequence of Place
        Observations of the other pairs, or whatever else shows where the site is.
    expected : Place, optional
        Where a tie expects the mark, named after it.
    tolerance : float
        How far from there it may lie, metres.
    others_name : str
        What the others are called.
    """
    if expected is None and not others:
        return PositionCheck()
    best = _best(readings, others, expected)
    if position is None:
        if best is None or _outside(best.reading, others):
            return PositionCheck(far=True)
        return PositionCheck(f"{_capital(best.sentence)}.", True, best.reading)
    outside = _outside(position, others)
    if expected is not None:
        away = geodesic_distance(position, expected)
        far = away > tolerance
        said = f"{length_words(away, METRE)} from where the tie expects {expected.name}"
    if expected is None or outside:
        (away, name), far = _nearest(position, others), outside
        nearest = others_name if far else f"{name}, the nearest of {others_name}"
        said = f"{length_words(away, METRE)} from {nearest}"
    if far and best is not None and best.distance * MUCH_NEARER <= away:
        return PositionCheck(f"It lies {said}; {best.sentence}.", True, best.reading)
    return PositionCheck(f"It lies {said}.", far)


def geodesic_distance(one, other) -> float:
    """Metres on the ellipsoid (GRS 80) between two positions: `Place`, `Reading` or (latitude,
    longitude) in degrees."""
    latitude, longitude = _degrees(one)
    other_latitude, other_longitude = _degrees(other)
    return float(_EARTH.inv(longitude, latitude, other_longitude, other_latitude)[2])


def negated(text: str) -> str:
    """A typed number or angle with its sign or hemisphere letter turned over."""
    stripped = text.strip()
    turned = stripped.translate(str.maketrans("NSEWnsew", "SNWEsnwe"))
    if turned != stripped:
        return turned
    if stripped[:1] in ("-", "\u2212"):
        return stripped[1:]
    return "-" + stripped.lstrip("+")


def _sign_trials(first: str, one: str, second: str, other: str) -> Iterator[Tuple[str, Values]]:
    yield f"the other sign of the {first}", (negated(one), other)
    yield f"the other sign of the {second}", (one, negated(other))
    yield "both signs turned over", (negated(one), negated(other))


def _read(
    trials: Iterable[_Trial],
    read: Callable[[Values, bool], Tuple[float, float]],
) -> Iterator[Reading]:
    for words, values, packed in trials:
        try:
            latitude, longitude = read(values, packed)
        except SitetieError:
            continue  # what cannot be read is no reading
        yield Reading(words, values, packed, latitude, longitude)


class _Best(NamedTuple):
    """The reading that comes nearest, to what."""

    reading: Reading
    distance: float
    name: str

    @property
    def sentence(self) -> str:
        how = self.reading.words
        how = how if how.startswith("read") else f"with {how}"
        return f"{how} it is {length_words(self.distance, METRE)} from {self.name}"


def _best(
    readings: Sequence[Reading], others: Sequence[Place], expected: Optional[Place]
) -> Optional[_Best]:
    places = others if expected is None else [expected]
    found = [_Best(reading, *_nearest(reading, places)) for reading in readings]
    return min(found, key=lambda best: best.distance, default=None)


def _nearest(position, places: Sequence[Place]) -> Tuple[float, str]:
    return min((geodesic_distance(position, place), place.name) for place in places)


def _outside(position, others: Sequence[Place]) -> bool:
    """Whether a position lies farther from the others than they lie apart, by far.

    Their extent is that of the inner three quarters, so that one wild place does not count.
    """
    if not others:
        return False
    places = np.array([_on_the_sphere(place) for place in others])
    apart = np.linalg.norm(places[:, None] - places[None], axis=2)
    extent = np.quantile(apart[np.argmin(np.median(apart, axis=1))], 0.75)
    away = np.linalg.norm(places - _on_the_sphere(position), axis=1).min()
    return bool(away > max(ORDINARY_METRES, ORDINARY_EXTENTS * extent))


def _on_the_sphere(position) -> np.ndarray:
    """Metres from the earth's centre, good enough to see who lies near whom."""
    latitude, longitude = np.radians(_degrees(position))
    plane = np.cos(latitude)
    return EARTH_RADIUS * np.array(
        [plane * np.cos(longitude), plane * np.sin(longitude), np.sin(latitude)])


def _degrees(position) -> Tuple[float, float]:
    if isinstance(position, (Place, Reading)):
        return position.latitude, position.longitude
    return position


def _capital(text: str) -> str:
    return text[0].upper() + text[1:]
