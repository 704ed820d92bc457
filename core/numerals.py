"""Numbers as people write them: read when there is one reading, refused when there are two."""

from __future__ import annotations

import math
import re
from typing import Optional, Tuple

from .errors import InputError

#: Hyphens and dashes that stand for a minus sign, with U+2212 MINUS SIGN itself.
MINUS_SIGNS = "\u2212\u2010\u2011\u2012\u2013\ufe63\uff0d"
_TO_ASCII_MINUS = str.maketrans(dict.fromkeys(MINUS_SIGNS, "-"))

_POINT = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?\Z")
_COMMA = re.compile(r"[+-]?([0-9]+,[0-9]*|,[0-9]+)([eE][+-]?[0-9]+)?\Z")
_ONE_GROUP = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}\Z")
_GROUPED = re.compile(
    r"([+-]?[0-9]{1,3}([,.'\u2019_\s])[0-9]{3}(?:\2[0-9]{3})*)(?:[.,]([0-9]*))?\Z"
)
_WITH_UNIT = re.compile(
    r"[+-]?[0-9.,]+\s*(mm|cm|km|m|metres?|meters?|us-?ft|ft|feet|foot|in|['\"\u2032\u2033])\.?\Z",
    re.IGNORECASE,
)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity)\Z", re.IGNORECASE)


def plain_minus(text: str) -> str:
    """The text with every dash that stands for a minus sign written as ``-``."""
    return text.translate(_TO_ASCII_MINUS)


def quoted(value: object, longest: int = 60) -> str:
    """A written value in quotes for a message, on one line and not endless."""
    text = "".join(sign if sign.isprintable() else repr(sign)[1:-1] for sign in str(value))
    if len(text) > longest:
        text = text[:longest] + "…"
    return f"“{text}”" if "'" in text else f"'{text}'"


def decimal_mark_of(text: str) -> Optional[str]:
    """The decimal mark that a written number shows beyond doubt.

    Returns
    -------
    str or None
        ``"."`` or ``","``; None when the text has neither or both, or a comma that could as
        well separate thousands.
    """
    if text.count(".") == 1 and "," not in text:
        return "."
    if text.count(",") == 1 and "." not in text and not _ONE_GROUP.match(plain_minus(text.strip())):
        return ","
    return None


def parse_number(value: object, name: str = "The value", decimal: Optional[str] = None) -> float:
    """Read a number that a person wrote or a table holds.

    Parameters
    ----------
    value : str, int or float
        Text may carry a sign, a decimal point or a decimal comma, and an exponent.
    name : str
        What the number is, for the message.
    decimal : {".", ","}, optional
        The decimal mark known to be in use. Without it a comma is taken as the decimal mark
        where it cannot separate thousands (``12,5``); ``1,234`` is refused.

    Raises
    ------
    InputError
        When it is blank, not a number, not finite, has a unit or thousands separators, or can
        be read in two ways.
    """
    if isinstance(value, bool):
        raise InputError(f"{name} is {value}, not a number.", "Give a number.")
    if not isinstance(value, str):
        return _finite(value, name)
    text = plain_minus(value.strip())
    if not text:
        raise InputError(f"{name} is blank.", "Give a number.")
    if _POINT.match(text) and not (decimal == "," and "." in text):
        return _finite(text, name)
    if _COMMA.match(text) and decimal != "." and (decimal == "," or not _ONE_GROUP.match(text)):
        return _finite(text.replace(",", "."), name)
    fault, remedy = _fault(text, decimal)
    raise InputError(f"{name} {quoted(value)} {fault}.", remedy)


def _finite(value: object, name: str) -> float:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        raise InputError(f"{name} is {quoted(value)}, not a number.", "Give a number.") from None
    if not math.isfinite(number):
        written = quoted(value) if isinstance(value, str) else value
        raise InputError(f"{name} {written} is not a finite number.", "Give a finite number.")
    return number


def _fault(text: str, decimal: Optional[str]) -> Tuple[str, str]:
    """What keeps a text from being a number, and the remedy."""
    if _NOT_FINITE.match(text):
        return "is not a finite number", "Give a finite number."
    if text.startswith("#"):
        return "is a spreadsheet error", "Correct the formula in the spreadsheet and export again."
    if text.startswith("="):
        return "is a formula", "Put its value in the cell and export again."
    if _ONE_GROUP.match(text):
        return (
            f"can be read as {text.replace(',', '')} or as {text.replace(',', '.')}",
            "Write the one that is meant, with a decimal point and no thousands separator.",
        )
    if _POINT.match(text):
        return (
            "has a decimal point where decimal commas are in use",
            "Use one decimal mark throughout, and no thousands separators.",
        )
    if _COMMA.match(text):
        return (
            "has a decimal comma where decimal points are in use",
            "Use one decimal mark throughout, and no thousands separators.",
        )
    grouped = _GROUPED.match(text)
    if grouped:
        plain = grouped.group(1).replace(grouped.group(2), "")
        plain += f".{grouped.group(3)}" if grouped.group(3) else ""
        return "has thousands separators", f"Write {plain}."
    if _WITH_UNIT.match(text):
        return "carries a unit", "Write the number alone, in the unit that is set for it."
    return "is not a number", "Write digits with a decimal point, such as 1234.567."
