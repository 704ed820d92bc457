"""Numbers and lists as a sentence says them. Rounding happens here and nowhere before."""

from __future__ import annotations

import math
from typing import Iterable, Optional

from .units import LengthUnit

_COMPASS = ("north", "north-east", "east", "south-east", "south", "south-west", "west",
            "north-west")


def length_words(value: Optional[float], unit: LengthUnit, signed: bool = False) -> str:
    """A length with its unit: 9 mm, 1.284 m, 12.4 m, 4,310 km; 0.031 ft, 1,204 ft.

    Parameters
    ----------
    value : float or None
        In `unit`; None and NaN give "unknown".
    signed : bool
        Write a plus sign too.
    """
    if value is None or math.isnan(value):
        return "unknown"
    sign = ("−" if value < 0 else "+" if signed else "") if value else ""
    size = abs(value)
    if unit.code == "m":
        return sign + _metres(size)
    if size < 10.0:
        return f"{sign}{size:.3f} ft"
    return f"{sign}{size:,.1f} ft" if size < 1000.0 else f"{sign}{size:,.0f} ft"


def _metres(size: float) -> str:
    if size < 0.00095:
        return f"{size * 1000.0:.1f} mm"
    if size < 0.9995:
        return f"{size * 1000.0:.0f} mm"
    if size < 9.9995:
        return f"{size:.3f} m"
    if size < 999.95:
        return f"{size:.1f} m"
    return f"{size:,.0f} m" if size < 9999.5 else f"{size / 1000.0:,.0f} km"


def small_number(value: Optional[float], unit: LengthUnit, decimals: int = 0) -> str:
    """A residual in the small unit of a table column (mm, 0.001 ft), without the unit."""
    if value is None or math.isnan(value):
        return ""
    number = value * unit.small_per_unit
    text = f"{abs(number):,.{decimals}f}"
    if not text.strip("0.,"):
        return text
    return ("−" if number < 0 else "+") + text


def signed(number: float, decimals: int) -> str:
    """A number with its sign, a true minus."""
    return f"{number:+,.{decimals}f}".replace("-", "−")


def listed(names: Iterable[str], last: str = "and", most: int = 6) -> str:
    """Names in a sentence: "K01, K02 and K03"; beyond `most` the rest is counted."""
    names = list(names)
    if len(names) > most:
        names = names[: most - 1] + [f"{len(names) - most + 1} more"]
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def counted(number: int, one: str, many: Optional[str] = None) -> str:
    """A number with its noun: "1 pair", "5 pairs"."""
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def ppm_words(ratio: float) -> str:
    """The size of a small ratio: less than 0.1 ppm, 8.1 ppm, 47 ppm, 1,200 ppm."""
    size = abs(ratio) * 1e6
    if size < 0.05:
        return "less than 0.1 ppm"
    return f"{size:.1f} ppm" if size < 9.95 else f"{size:,.0f} ppm"


def small_angle_words(degrees: float) -> str:
    """The size of an angle: 1.8″, 24″, 23.702°."""
    seconds = abs(degrees) * 3600.0
    if seconds >= 3600.0:
        return f"{abs(degrees):.3f}°"
    return f"{seconds:.1f}″" if seconds < 9.95 else f"{seconds:.0f}″"


def share_words(part: int, whole: int) -> str:
    """"36 of 255 points (14 %) lie"."""
    lies = "lies" if part == 1 else "lie"
    return f"{part:,} of {counted(whole, 'point')} ({100.0 * part / whole:.0f} %) {lies}"


def compass_words(east: float, north: float) -> str:
    """The nearest of eight directions: north, north-east, ..."""
    return _COMPASS[round(math.degrees(math.atan2(east, north)) / 45.0) % 8]
