"""The statements of the accuracy standards, and what must be said beside them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import List, Optional, Sequence, Tuple

from .pairs import Control
from .units import LengthUnit
from .wording import counted, listed, signed

ASPRS = "ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2 (2023)"
NSSDA = "National Standard for Spatial Data Accuracy, FGDC-STD-007.3-1998"
ASPRS_FEWEST, NSSDA_FEWEST = 30, 20
#: Factors of the NSSDA, appendix 3-A: roots of the 95 % quantile of chi-square with two degrees of
#: freedom (over the radial RMSE: divided by the root of 2) and with one.
RADIAL_FACTOR, AXIS_FACTOR, VERTICAL_FACTOR = 1.7308, 2.4477, 1.9600
#: Smallest ratio of the axes for which the NSSDA's approximation is given (from memory).
LEAST_RATIO = 0.6
#: Axes are alike, so that the NSSDA's case 1 is meant, within this share.
ALIKE = 1e-3
#: Share of the RMSE from which a mean error is pointed out, and of the product's RMSE from which
#: the survey is not accurate enough (ASPRS editions 1 and 2; written from memory).
NOTABLE_MEAN, SURVEY_SHARE = 0.25, 0.5
#: Standard errors that a mean must also be away from zero, so that chance is not called systematic
#: (two-sided 1 %, common practice, no source).
BEYOND_CHANCE = 2.58


@dataclass(frozen=True)
class CheckPoint:
    """A check point and its errors, product less control.

    Attributes
    ----------
    id : str
    measured, control : Control
        The same mark in the product and as surveyed.
    east, north : float or None
        Site units.
    up : float or None
        Elevation units.
    outlying_h, outlying_v : bool
        It lies far from the others. It still counts.
    drove_h, drove_v : bool
        It drove the tie or the product's own adjustment, so that it is no independent check.
    """

    id: str
    measured: Control
    control: Control
    east: Optional[float]
    north: Optional[float]
    up: Optional[float]
    outlying_h: bool = False
    outlying_v: bool = False
    drove_h: bool = False
    drove_v: bool = False

    @property
    def radial(self) -> Optional[float]:
        """Length of the horizontal error."""
        return None if self.east is None else math.hypot(self.east, self.north or 0.0)


@dataclass(frozen=True)
class AxisFigures:
    """Errors along one axis: count, mean, standard deviation (n - 1), RMSE, extremes."""

    count: int
    mean: float
    deviation: Optional[float]
    rmse: float
    least: float
    largest: float


@dataclass(frozen=True)
class Statement:
    """What a standard has one say.

    Attributes
    ----------
    standard : str
        With its edition.
    text : str
        The statement.
    horizontal, vertical : float or None
        Its figures: site units, elevation units; None where the standard gives none.
    three_d : float or None
        Metres; ASPRS alone.
    reservations : tuple of str
        What keeps the data from meeting the standard's own conditions.
    """

    standard: str
    text: str
    horizontal: Optional[float]
    vertical: Optional[float]
    three_d: Optional[float]
    reservations: Tuple[str, ...]


Axes = Tuple[Optional[AxisFigures], Optional[AxisFigures], Optional[AxisFigures]]
Units = Tuple[LengthUnit, LengthUnit]


def figure(value: float, unit: LengthUnit) -> str:
    """A figure of a statement, to the tenth of a millimetre or of 0.001 ft."""
    return f"{value:.4f} {'m' if unit.code == 'm' else unit.plural}"


def asprs_statement(
    points: Sequence[CheckPoint],
    axes: Axes,
    survey: Tuple[Optional[float], Optional[float]],
    units: Units,
) -> Statement:
    """The statement by ASPRS Edition 2."""
    east, north, up = axes
    reservations: List[str] = []
    said: List[str] = []
    horizontal = vertical = three_d = None
    if east is not None and north is not None:
        horizontal = math.hypot(math.hypot(east.rmse, north.rmse), survey[0] or 0.0)
        said.append(f"horizontal positional accuracy RMSE_H = {figure(horizontal, units[0])}")
        reservations += _about_survey("horizontal", survey[0], horizontal)
    if up is not None:
        vertical = math.hypot(up.rmse, survey[1] or 0.0)
        said.append(f"vertical positional accuracy RMSE_V = {figure(vertical, units[1])}")
        reservations += _about_survey("vertical", survey[1], vertical)
    if horizontal is not None and vertical is not None:
        three_d = math.hypot(horizontal * units[0].metres, vertical * units[1].metres)
        said.append(f"three-dimensional positional accuracy RMSE_3D = {three_d:.4f} m")
    few = _too_few(axes, ASPRS_FEWEST, "ASPRS Edition 2")
    reservations = few + reservations + _dependent(points)
    survey_words = "included" if _all_known(axes, survey) else "not or only partly included"
    text = (f"{'Computed as in' if few else 'Tested by'} {ASPRS}, with {_number(axes)}: "
            f"{', '.join(said)}; the error of the control survey is {survey_words}.")
    return Statement(ASPRS, text, horizontal, vertical, three_d, tuple(reservations))


def nssda_statement(points: Sequence[CheckPoint], axes: Axes, units: Units) -> Statement:
    """The statement by the NSSDA."""
    east, north, up = axes
    reservations = _too_few(axes, NSSDA_FEWEST, "the NSSDA (section 3.2.2)")
    tested = "computed" if reservations else "tested"
    said: List[str] = []
    horizontal = vertical = None
    if east is not None and north is not None:
        horizontal, ratio = nssda_horizontal(east.rmse, north.rmse)
        if horizontal is None:
            reservations.append(
                f"The smaller RMSE of the two axes is {ratio:.2f} of the larger; the NSSDA's "
                f"approximation (appendix 3-A) holds from {LEAST_RATIO} on, so that no horizontal "
                "figure can be given. Find out what shifts the points along one axis.")
        else:
            said.append(f"{tested} {figure(horizontal, units[0])} horizontal accuracy at 95 % "
                        "confidence level")
    if up is not None:
        vertical = VERTICAL_FACTOR * up.rmse
        said.append(f"{tested} {figure(vertical, units[1])} vertical accuracy "
                    "at 95 % confidence level")
    reservations += _dependent(points)
    text = "; ".join(said) or "no figure can be given"
    text = f"{text[0].upper()}{text[1:]} ({NSSDA}; {_number(axes)})."
    return Statement(NSSDA, text, horizontal, vertical, None, tuple(reservations))


def nssda_horizontal(rmse_x: float, rmse_y: float) -> Tuple[Optional[float], float]:
    """The NSSDA's horizontal accuracy at 95 %, None where it gives none, and min/max of the axes.

    Appendix 3-A: case 1 where both axes are alike, else case 2 while the ratio is 0.6 or more.
    """
    small, large = sorted((rmse_x, rmse_y))
    ratio = small / large if large else 1.0
    if 1.0 - ratio <= ALIKE:
        return RADIAL_FACTOR * math.hypot(rmse_x, rmse_y), ratio
    if ratio < LEAST_RATIO:
        return None, ratio
    return AXIS_FACTOR * 0.5 * (rmse_x + rmse_y), ratio


def warnings_of(
    points: Sequence[CheckPoint],
    axes: Axes,
    units: Units,
    unmatched: Tuple[Sequence[str], Sequence[str]],
) -> Tuple[str, ...]:
    """What a person should know about the data, whatever the standard."""
    said: List[str] = []
    for side, names in (("horizontally", [p.id for p in points if p.outlying_h]),
                        ("vertically", [p.id for p in points if p.outlying_v])):
        if names:
            said.append(
                f"{listed(names)} {'lies' if len(names) == 1 else 'lie'} far from the others "
                f"{side}: look for a misread or moved mark. Nothing was left out; the figures "
                f"include {'it' if len(names) == 1 else 'them'}.")
    for name, axis, unit in zip(("east", "north", "up"), axes, (units[0], units[0], units[1])):
        if axis is not None and _systematic(axis):
            said.append(
                f"The mean error towards {name} is {signed(axis.mean * unit.small_per_unit, 1)} "
                f"{unit.small_name}, {100.0 * abs(axis.mean) / axis.rmse:.0f} % of the RMSE: a "
                "systematic error is likely (datum, unit, tie, lens or height reference).")
    for kind, alone in (("measured in the product but not among the control", unmatched[0]),
                        ("control without a measurement in the product", unmatched[1])):
        if alone:
            said.append(f"{counted(len(alone), 'point')} {kind}: {listed(alone)}.")
    return tuple(said)


def _systematic(axis: AxisFigures) -> bool:
    if axis.count < 3 or axis.deviation is None:
        return False
    chance = BEYOND_CHANCE * axis.deviation / math.sqrt(axis.count)
    return abs(axis.mean) > max(NOTABLE_MEAN * axis.rmse, chance)


def _number(axes: Axes) -> str:
    east, _, up = axes
    if east is not None and up is not None and east.count != up.count:
        return (f"{counted(east.count, 'check point')} horizontally and {up.count} vertically")
    count = east.count if east is not None else up.count if up is not None else 0
    return counted(count, "check point")


def _too_few(axes: Axes, fewest: int, standard: str) -> List[str]:
    said = []
    for side, axis in (("horizontally", axes[0]), ("vertically", axes[2])):
        if axis is not None and axis.count < fewest:
            said.append(f"{counted(axis.count, 'check point')} {side}: {standard} asks for at "
                        f"least {fewest}, so this is not a test by it.")
    return said


def _all_known(axes: Axes, survey: Sequence[Optional[float]]) -> bool:
    return all(known is not None for axis, known in zip((axes[0], axes[2]), survey)
               if axis is not None)


def _about_survey(side: str, survey: Optional[float], total: float) -> List[str]:
    if survey is None:
        return [f"The {side} error of the control survey is not given for every point; ASPRS "
                "Edition 2 includes it, so the figure is too small."]
    product = math.sqrt(max(total**2 - survey**2, 0.0))
    if survey > SURVEY_SHARE * product:
        return [f"The {side} error of the control survey is {100.0 * survey / product:.0f} % of "
                "the RMSE found; it should be no more than half, else the check says more about "
                "the control than about the product."
                if product else f"The {side} errors are all zero: were the points measured in the "
                "product at all?"]
    return []


def _dependent(points: Sequence[CheckPoint]) -> List[str]:
    said = []
    for side, names in (("horizontally", [p.id for p in points if p.drove_h]),
                        ("vertically", [p.id for p in points if p.drove_v])):
        if names:
            kind = ("it is no independent check point" if len(names) == 1
                    else "they are not independent check points")
            said.append(
                f"{listed(names)} drove the tie or the product's own adjustment {side}: {kind}, "
                "and the figures look better than they are.")
    return said
