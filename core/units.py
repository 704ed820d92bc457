"""Length units, exactly as defined: metre, international foot, US survey foot.

Sources: international foot 0.3048 m exactly (EPSG unit 9002); US survey foot 1200/3937 m
exactly (EPSG unit 9003, where it is written 12/39.37).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Dict

from .errors import SettingsError


@dataclass(frozen=True)
class LengthUnit:
    """A length unit with its exact size.

    Attributes
    ----------
    code : str
        ``m``, ``ft`` or ``us-ft`` (PROJ's own codes).
    name, plural : str
        What a person reads.
    exact_metres : Fraction
        Metres in one unit, exactly.
    epsg_code : int
        Unit code in the EPSG dataset.
    small_name : str
        What a residual is read in: millimetres, or thousandths of a foot.
    """

    code: str
    name: str
    plural: str
    exact_metres: Fraction
    epsg_code: int
    small_name: str

    @property
    def metres(self) -> float:
        """Metres in one unit, as the nearest double."""
        return float(self.exact_metres)

    @property
    def small_per_unit(self) -> float:
        """Small units (mm, or 0.001 ft) in one unit: 1000 for all three."""
        return 1000.0


METRE = LengthUnit("m", "metre", "metres", Fraction(1), 9001, "mm")
INTERNATIONAL_FOOT = LengthUnit(
    "ft", "international foot", "international feet", Fraction(3048, 10000), 9002, "0.001 ft"
)
US_SURVEY_FOOT = LengthUnit(
    "us-ft", "US survey foot", "US survey feet", Fraction(1200, 3937), 9003, "0.001 ft"
)

UNITS: Dict[str, LengthUnit] = {
    unit.code: unit for unit in (METRE, INTERNATIONAL_FOOT, US_SURVEY_FOOT)
}


def length_unit(code: str) -> LengthUnit:
    """The unit of that code.

    Raises
    ------
    SettingsError
        When the code is none of ``m``, ``ft``, ``us-ft``. The two feet are never guessed.
    """
    try:
        return UNITS[code]
    except (KeyError, TypeError):
        raise SettingsError(
            f"{code!r} is not a unit Sitetie knows.",
            'Choose "m" (metre), "ft" (international foot, 0.3048 m) or '
            '"us-ft" (US survey foot, 1200/3937 m).',
        ) from None
