"""Numbers as the tables of a report write them; units stand in the heads of the columns."""

from __future__ import annotations

import math
from typing import Iterable, Optional

from ..units import LengthUnit
from ..wording import length_words, small_number

#: Residuals of at least this many small units (mm, 0.001 ft) are written without a decimal.
LARGE = 100.0
UNCHECKED = "unchecked"


def minus(text: str) -> str:
    """The text with true minus signs."""
    return text.replace(" - ", " − ").replace("-", "−")


def fixed(value: Optional[float], decimals: int = 4) -> str:
    """A coordinate, blank where there is none."""
    return "" if value is None else minus(f"{value:,.{decimals}f}")


def small(value: Optional[float], unit: LengthUnit) -> str:
    """A residual in millimetres or thousandths of a foot, signed."""
    large = value is not None and abs(value) * unit.small_per_unit >= LARGE
    return small_number(value, unit, 0 if large else 1)


def small_size(value: Optional[float], unit: LengthUnit) -> str:
    """The same of a length, which has no sign."""
    return small(value, unit).lstrip("+")


def size_words(value: Optional[float], unit: LengthUnit) -> str:
    """A length with its unit, to a tenth of a millimetre where it is small."""
    if value is not None and unit.code == "m" and math.isfinite(value) and value < 0.1:
        return f"{value * 1000.0:.1f} mm"
    return length_words(value, unit)


def millimetres(sigma: Optional[float], assumed: Optional[float] = None) -> str:
    """A standard deviation in metres as millimetres; a star where the default stands in."""
    if sigma is not None:
        return f"{sigma * 1000.0:.1f}"
    return "" if assumed is None else f"{assumed * 1000.0:.1f}*"


def joined(texts: Iterable[str]) -> str:
    """What there is, with commas."""
    return ", ".join(text for text in texts if text)
