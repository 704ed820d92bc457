"""Latitudes and longitudes as people write them, and written back for people to read."""

from __future__ import annotations

import re
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import List, Optional, Tuple

from .errors import InputError
from .numerals import parse_number, plain_minus, quoted

#: Letters of the positive and the negative side, and the largest size in degrees. Longitudes
#: count to 360 so that 0 to 360 east is readable too.
_SIDES = {"latitude": ("N", "S", 90), "longitude": ("E", "W", 360)}
_DEFAULT_DECIMALS = {"dms": 5, "dm": 7, "degrees": 9}  # each about 0.3 mm on the ground or finer

_TOKEN = re.compile(
    r"(?P<number>[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)"
    r"|(?P<degrees>[°º˚∘]|degrees?|deg|d)"
    r"|(?P<seconds>[\"″”“˝ʺ]|''|′′|’’|seconds?|sec)"
    r"|(?P<minutes>['′’‘´`ʹʼ]|minutes?|min|m)"
    r"|(?P<letter>[nsewo])"
    r"|(?P<sign>[+-])"
    r"|(?P<colon>:)"
    r"|(?P<blank>\s+)"
    r"|(?P<unknown>.)",
    re.IGNORECASE | re.DOTALL,
)
_CODES = {"number": "9", "degrees": "d", "minutes": "m", "seconds": "s", "letter": "L",
          "sign": "+", "colon": ":", "blank": " ", "dash": "-"}
#: A whole angle in those codes: letter and sign in front, one to three numbers, letter behind.
_SHAPE = re.compile(
    r"L? ?\+? ?9(?: ?(?:d|:|-)? ?9(?: ?(?:m|:|-)? ?9(?: ?s)?| ?m)?| ?d)?(?: ?L)?\Z"
)
_PACKED = re.compile(r"([0-9]{1,3})(?:[.,]([0-9]*))?\Z")
_EXPONENT = re.compile(r"[+-]?[0-9]*\.?[0-9]+[eE][+-]?[0-9]+\Z")
_GARBLED = ("\ufffd", "Â", "â€")


def parse_angle(
    value: object, kind: str, packed: bool = False, decimal: Optional[str] = None
) -> float:
    """Read a latitude or longitude in degrees.

    Decimal degrees, degrees and minutes, or degrees, minutes and seconds; with a hemisphere
    letter in front or behind or with a sign; parted by unit marks, blanks, colons or hyphens.
    A decimal comma is accepted.

    Parameters
    ----------
    value : str or float
    kind : {"latitude", "longitude"}
        Decides the letters and the range allowed: 90 degrees, or 360 for longitudes.
    packed : bool
        Read DDD.MMSSsss: 37.4826676 is 37°48'26.676". Never guessed. Numbers that are not text
        are taken by their shortest decimal form.
    decimal : {".", ","}, optional
        The decimal mark known to be in use; the other one is then refused.

    Returns
    -------
    float
        Degrees, north and east positive.

    Raises
    ------
    InputError
        When it cannot be read, contradicts itself or is out of range.
    """
    positive, negative, _ = _SIDES[kind]
    if isinstance(value, bool) or value is None:
        raise InputError(f"The {kind} is {value}, not an angle.", "Give degrees.")
    if not isinstance(value, str):
        number = parse_number(value, f"The {kind}")
        if not packed:
            return _in_range(number, kind, value)
        value = format(Decimal(repr(number)), "f")
    text = value.strip()
    if not text:
        raise InputError(f"The {kind} is blank.", f"Give the {kind} of the observed mark.")
    if not packed and _EXPONENT.match(text):
        return _in_range(parse_number(text, f"The {kind}"), kind, value)

    tokens = _tokens(text, kind)
    _refuse_decimal_marks(text, tokens, kind, decimal)
    sign = _sign(tokens, text, kind, positive, negative)
    numbers = [word for name, word in tokens if name == "number"]
    if packed:
        size = _packed_size(tokens, text, kind)
    else:
        if not _SHAPE.match("".join(_CODES[name] for name, _ in tokens)):
            raise _unreadable(text, kind)
        size = _size(numbers, text, kind)
    return _in_range(float(sign * size), kind, value)


def parse_latitude_longitude(text: str, packed: bool = False) -> Tuple[float, float]:
    """Read a latitude and a longitude typed together.

    They are parted by a semicolon, a tab, a comma, their hemisphere letters, or a blank between
    two plain numbers. Latitude comes first unless the letters say otherwise.

    Returns
    -------
    latitude, longitude : float
        Degrees.

    Raises
    ------
    InputError
        When the text does not fall into one latitude and one longitude.
    """
    parts = _two_parts(text)
    if len(parts) != 2:
        raise InputError(
            f"{quoted(text)} is not one latitude and one longitude.",
            "Write both with a semicolon between them, latitude first.",
        )
    first, second = parts
    if re.search("[ew]", first, re.IGNORECASE) and re.search("[ns]", second, re.IGNORECASE):
        first, second = second, first
    return parse_angle(first, "latitude", packed), parse_angle(second, "longitude", packed)


def format_angle(
    degrees: float, kind: str, style: str = "dms", decimals: Optional[int] = None
) -> str:
    """Write a latitude or longitude for a person to read; `parse_angle` reads it back.

    Parameters
    ----------
    degrees : float
    kind : {"latitude", "longitude"}
    style : {"dms", "dm", "degrees"}
    decimals : int, optional
        Of the last unit written. By default 5 of seconds, 7 of minutes, 9 of degrees, each
        well below a millimetre on the ground.

    Raises
    ------
    InputError
        When the value is not finite or out of range.
    """
    positive, negative, _ = _SIDES[kind]
    places = _DEFAULT_DECIMALS[style] if decimals is None else decimals
    number = _in_range(parse_number(degrees, f"The {kind}"), kind, degrees)
    unit = {"dms": 3600, "dm": 60, "degrees": 1}[style]
    # Whole steps of the last digit, so that 59.99999" carries into the minute.
    steps = int(
        (abs(Decimal(repr(number))) * unit * 10**places).to_integral_value(ROUND_HALF_EVEN)
    )
    letter = negative if number < 0.0 and steps else positive
    whole, fraction = divmod(steps, 10**places)
    digits = f".{fraction:0{places}d}" if places else ""
    if style == "degrees":
        return f"{whole}{digits}° {letter}"
    if style == "dm":
        return f"{whole // 60}° {whole % 60:02d}{digits}′ {letter}"
    return f"{_degrees_minutes_seconds(whole, digits)} {letter}"


def format_bearing(degrees: float, decimals: int = 0) -> str:
    """Write a bearing or azimuth, clockwise 0 to 360 degrees, as degrees, minutes, seconds.

    Parameters
    ----------
    degrees : float
        Any size; full circles are taken off.
    decimals : int
        Of the seconds.
    """
    steps = round(degrees % 360.0 * 3600 * 10**decimals) % (360 * 3600 * 10**decimals)
    whole, fraction = divmod(steps, 10**decimals)
    return _degrees_minutes_seconds(whole, f".{fraction:0{decimals}d}" if decimals else "")


def _degrees_minutes_seconds(whole: int, digits: str) -> str:
    """Whole seconds and the digits behind them in sexagesimal form."""
    minutes, seconds = divmod(whole, 60)
    return f"{minutes // 60}° {minutes % 60:02d}′ {seconds:02d}{digits}″"


def _tokens(text: str, kind: str) -> List[Tuple[str, str]]:
    found = []
    for match in _TOKEN.finditer(plain_minus(text)):
        name = match.lastgroup or "unknown"
        if name == "unknown":
            raise _unreadable(text, kind, match.group())
        found.append((name, match.group()))
    for place in range(1, len(found) - 1):
        if found[place][0] == "sign" and found[place - 1][0] == found[place + 1][0] == "number":
            found[place] = ("dash", "-")  # 37-48-26.7: a hyphen between numbers parts them
    return _with_seconds_told_from_south(found, text, kind)


def _with_seconds_told_from_south(tokens, text, kind):
    """Decide whether an "s" after the third number marks seconds or the south."""
    numbers = [place for place, (name, _) in enumerate(tokens) if name == "number"]
    after = numbers[2] + 1 if len(numbers) == 3 else len(tokens)
    if after >= len(tokens) or tokens[after][1] not in ("s", "S"):
        return tokens
    marks = [word for name, word in tokens[:after] if name in ("degrees", "minutes")]
    spelt = any(word.isalpha() for word in marks)
    others = sum(name == "letter" for name, _ in tokens) - 1
    small = tokens[after][1] == "s"
    if others and (small or spelt) or spelt and small:
        return tokens[:after] + [("seconds", tokens[after][1])] + tokens[after + 1:]
    if kind == "latitude" and marks and small != spelt:
        raise InputError(
            f"The latitude {quoted(text)} ends in {tokens[after][1]}, which can mean seconds or "
            "south.",
            'Mark the seconds with ", and write S, N or a sign for the hemisphere.',
        )
    return tokens


def _refuse_decimal_marks(text, tokens, kind, decimal) -> None:
    numbers = [word for name, word in tokens if name == "number"]
    used = {mark for word in numbers for mark in ".," if mark in word}
    if len(used) == 2 or sum("," in word or "." in word for word in numbers) > 1:
        raise InputError(
            f"The {kind} {quoted(text)} has more than one decimal mark.",
            "Give one angle, with decimals in its last number only.",
        )
    if decimal is not None and used - {decimal}:
        has, others = ("comma", "points") if decimal == "." else ("point", "commas")
        raise InputError(
            f"The {kind} {quoted(text)} has a decimal {has} where decimal {others} are in use.",
            "Use one decimal mark throughout.",
        )


def _sign(tokens, text, kind, positive, negative) -> int:
    letters = [word.upper() for name, word in tokens if name == "letter"]
    signs = [word for name, word in tokens if name == "sign"]
    if "O" in letters:
        raise InputError(
            f"The {kind} {quoted(text)} has the letter O, which is west in some languages and "
            "east in others.",
            "Write E or W.",
        )
    for letter in letters:
        if letter not in (positive, negative):
            other = "longitude" if kind == "latitude" else "latitude"
            raise InputError(
                f"The {kind} {quoted(text)} has the letter {letter}, which belongs to a {other}.",
                f"Write {positive} or {negative}; check that latitude and longitude are not "
                "exchanged.",
            )
    if len(letters) > 1:
        raise InputError(
            f"The {kind} {quoted(text)} has {len(letters)} hemisphere letters.", "Write one."
        )
    if not letters:
        return -1 if signs == ["-"] else 1
    if "-" in signs or (signs and letters == [negative]):
        raise InputError(
            f"The {kind} {quoted(text)} has both a sign and the letter {letters[0]}.",
            "Write the letter without a sign, or the sign without a letter.",
        )
    return -1 if letters == [negative] else 1


def _size(numbers: List[str], text: str, kind: str) -> Fraction:
    """Degrees without sign, exactly."""
    units = ("degrees", "minutes", "seconds")
    parts = [Fraction(word.replace(",", ".").rstrip(".") or "0") for word in numbers]
    for place in range(len(parts) - 1):
        if parts[place].denominator != 1 or set(numbers[place]) & set(".,"):
            raise InputError(
                f"The {kind} {quoted(text)} has decimals in its {units[place]}, and "
                f"{units[place + 1]} after them.",
                f"Give whole {units[place]} with {units[place + 1]}, or decimal {units[place]} "
                "alone.",
            )
    return _joined(parts, text, kind)


def _packed_size(tokens, text: str, kind: str) -> Fraction:
    """Degrees without sign of DDD.MMSSsss, from its digits."""
    kept = "".join(word for name, word in tokens if name not in ("letter", "sign", "blank"))
    packed = _PACKED.match(kept)
    shape = "".join(_CODES[name] for name, _ in tokens)
    if not packed or not re.match(r"L? ?\+? ?9(?: ?L)?\Z", shape):
        raise InputError(
            f"The {kind} {quoted(text)} is not in packed degrees, minutes, seconds.",
            "Write DDD.MMSSsss, such as 37.482667 for 37°48'26.67\", or switch packed off.",
        )
    digits = (packed.group(2) or "").ljust(4, "0")
    seconds = Fraction(int(digits[2:]), 10 ** (len(digits) - 4))
    return _joined([Fraction(packed.group(1)), Fraction(digits[:2]), seconds], text, kind)


def _joined(parts: List[Fraction], text: str, kind: str) -> Fraction:
    for name, part in zip(("minutes", "seconds"), parts[1:]):
        if part >= 60:
            raise InputError(
                f"The {kind} {quoted(text)} has {float(part):g} {name}.",
                f"{name.capitalize()} go from 0 to below 60; check the digits, and whether this "
                "is decimal degrees or degrees, minutes, seconds.",
            )
    return sum((part / 60**place for place, part in enumerate(parts)), Fraction(0))


def _in_range(degrees: float, kind: str, written: object) -> float:
    limit = _SIDES[kind][2]
    if abs(degrees) <= limit:
        return degrees + 0.0  # no negative zero
    hint = "; check that latitude and longitude are not exchanged" if kind == "latitude" else ""
    raise InputError(
        f"The {kind} {quoted(written)} is outside -{limit} to {limit} degrees.",
        f"Correct the {kind}{hint}.",
    )


def _unreadable(text: str, kind: str, character: str = "") -> InputError:
    if any(sign in text for sign in _GARBLED):
        return InputError(
            f"The {kind} {quoted(text)} has garbled characters: it was read in a wrong encoding.",
            "Save the file as UTF-8, or name its encoding.",
        )
    if re.fullmatch(r"[+-]?(nan|inf|infinity)", text, re.IGNORECASE):
        return InputError(f"The {kind} is {text}.", "Give a finite number of degrees.")
    because = f" because of {character!r}" if character else ""
    positive, negative, _ = _SIDES[kind]
    return InputError(
        f"The {kind} {quoted(text)} cannot be read{because}.",
        f"Write it like 37.807410, 37 48.4446 {positive} or 37°48'26.676\" {negative}.",
    )


def _two_parts(text: str) -> List[str]:
    for mark in (";", "\t", "\n", ", "):
        if mark in text:
            return [part for part in text.split(mark) if part.strip()]
    by_letters = re.findall(r"[nsew][^nsew]+|[^nsew]+[nsew]", text.strip(), re.IGNORECASE)
    if len(by_letters) == 2 and "".join(by_letters) == text.strip():
        return [part.strip(" ,") for part in by_letters]
    return text.split(",") if "," in text else text.split()
