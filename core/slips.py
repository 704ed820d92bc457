"""What a person may have done wrong with one number: slips, as corrected values.

Each generator yields the values that the slip would have been made from, so that the data can
be tried with them. A list of usual pole lengths and the like is common practice, no source.
"""

from __future__ import annotations

import math
from typing import Iterator, List, Tuple

from .units import INTERNATIONAL_FOOT, METRE, US_SURVEY_FOOT

#: Pole lengths people use, metres. Common practice, no source.
USUAL_POLES = (1.0, 1.2, 1.25, 1.3, 1.5, 1.75, 1.8, 1.9, 2.0, 2.1, 2.2, 2.25, 2.5, 3.0, 3.5, 4.0)
#: Radii of antennas and ground planes for slant readings, metres. Common practice, no source.
SLANT_RADII = (0.085, 0.1, 0.135, 0.165, 0.2)

Slip = Tuple[str, float]


def digits_exchanged(text: str) -> Iterator[str]:
    """The texts from which two neighbouring digits were exchanged (a point between is skipped)."""
    places = [i for i, letter in enumerate(text) if letter.isdigit()]
    for i, j in zip(places, places[1:]):
        if text[i] != text[j]:
            letters = list(text)
            letters[i], letters[j] = letters[j], letters[i]
            yield "".join(letters)


def digits_wrong(text: str) -> Iterator[str]:
    """The texts that differ in one digit."""
    for i, letter in enumerate(text):
        if letter.isdigit():
            for other in "0123456789":
                if other != letter:
                    yield text[:i] + other + text[i + 1:]


def plain_text(value: float, decimals: int) -> str:
    """A number as it was probably typed: the shortest text, with at most so many decimals."""
    text = repr(round(value, decimals))
    if "e" in text or "E" in text:
        text = f"{value:.{decimals}f}"
    return text


def number_slips(value: float, decimals: int = 4) -> List[Slip]:
    """Digit slips in a plain number (a coordinate or a height)."""
    text = _with_outer_zeros(plain_text(value, decimals))
    slips = [("digits_exchanged", float(item)) for item in digits_exchanged(text)]
    return slips + [("digit_wrong", float(item)) for item in digits_wrong(text)]


def _with_outer_zeros(text: str) -> str:
    """The number with a zero before and behind, which a slip may have put there and a number
    does not keep: 10.5 typed 01.5, 0.102 typed 0.120."""
    sign = "-" if text.startswith("-") else ""
    return f"{sign}0{text[len(sign):]}" + ("0" if "." in text else "")


def angle_slips(degrees: float) -> List[Slip]:
    """Slips in one angle that was typed from a list, in decimal degrees or in degrees, minutes
    and seconds."""
    sign = -1.0 if degrees < 0.0 else 1.0
    size = abs(degrees)
    slips = [(cause, sign * value) for cause, value in number_slips(size, 10)]
    for cause, value in _sexagesimal_slips(size):
        slips.append((cause, sign * value))
    slips += [("packed_dms_as_degrees", sign * value) for value in _from_packed(size)]
    slips.append(("degrees_as_packed_dms", sign * _to_packed(size)))
    whole = math.floor(size)
    minutes = (size - whole) * 100.0
    if minutes < 60.0:
        slips.append(("minutes_as_decimals", sign * (whole + minutes / 60.0)))
    slips.append(("decimals_as_minutes", sign * (whole + (size - whole) * 0.6)))
    return [slip for slip in slips if math.isfinite(slip[1])]


def _sexagesimal_slips(size: float) -> Iterator[Slip]:
    """Digit slips in degrees, minutes, seconds."""
    text = _dms_text(size)
    for cause, generator in (("digits_exchanged", digits_exchanged), ("digit_wrong", digits_wrong)):
        for item in generator(text):
            value = _dms_value(item)
            if value is not None:
                yield cause, value


def _dms_text(size: float) -> str:
    total = round(size * 3600.0 * 1e5)
    degrees, rest = divmod(total, 3600 * 100000)
    minutes, seconds = divmod(rest, 60 * 100000)
    return f"{degrees} {minutes:02d} {seconds / 1e5:08.5f}"


def _dms_value(text: str):
    degrees, minutes, seconds = text.split(" ")
    if int(minutes) >= 60 or float(seconds) >= 60.0:
        return None
    return int(degrees) + int(minutes) / 60.0 + float(seconds) / 3600.0


def _from_packed(size: float) -> Iterator[float]:
    """The angle of a packed DDD.MMSSsss that was taken for decimal degrees."""
    text = f"{size:.10f}"
    whole, part = text.split(".")
    minutes, seconds = int(part[:2]), float(f"{part[2:4]}.{part[4:]}")
    if minutes < 60 and seconds < 60.0:
        yield int(whole) + minutes / 60.0 + seconds / 3600.0


def _to_packed(size: float) -> float:
    """Decimal degrees that were taken for packed DDD.MMSSsss and converted."""
    degrees, minutes, seconds = _dms_text(size).split(" ")
    return float(f"{degrees}.{minutes}{seconds.replace('.', '')}")


def other_units(value: float) -> List[float]:
    """The number as it would stand in another unit."""
    feet = (INTERNATIONAL_FOOT.metres, US_SURVEY_FOOT.metres)
    return [value * METRE.metres / size for size in feet] + [value * size for size in feet]


def pole_slips(height: float, pole, pole_kind) -> List[Slip]:
    """Slips with the pole in the height of a mark; `pole` None when it was not recorded."""
    slips: List[Slip] = []
    recorded = (pole,) if pole else (2.0, 1.8, 1.5)
    for length in recorded:
        slips.append(("pole_missing", height - length))
        slips.append(("pole_twice", height + length))
    for length in recorded:
        for other in USUAL_POLES:
            if abs(other - length) > 1e-6:
                slips.append(("pole_wrong", height + length - other))
    for radius in SLANT_RADII:
        if pole and radius < pole:
            longer = pole - math.sqrt(pole**2 - radius**2)
            slips.append(("slant_as_vertical", height + longer))
            if pole_kind == "slant":  # a vertical reading, taken for the slant one it is called
                slips.append(("slant_as_vertical", height - longer))
    return slips
