"""Positional accuracy of a product (ortho, surface, point cloud) against site control.

Error = measured in the product less control. Two statements are made from the same errors, each
by its own rule:

ASPRS Positional Accuracy Standards for Digital Geospatial Data, Edition 2 (2023; version 2, 2024):
root mean square errors, the survey's own error included,
``RMSE_H² = RMSE_E² + RMSE_N² + survey_H²``, ``RMSE_V² = rmse_U² + survey_V²``,
``RMSE_3D² = RMSE_H² + RMSE_V²``; at least 30 check points; no 95 % figure. (Abdullah, PE&RS 89/10,
2023, pp. 581-588 names the changes of the edition; the formulas are written from memory.)

National Standard for Spatial Data Accuracy, FGDC-STD-007.3-1998, sections 3.2.2, 3.2.3 and
appendix 3-A: accuracy at 95 % confidence, horizontally ``1.7308 RMSE_r`` where both axes are alike
and about ``2.4477 * 0.5 (RMSE_x + RMSE_y)`` where the smaller is 0.6 to 1.0 of the larger;
vertically ``1.9600 RMSE_z``; at least 20 check points. (Section numbers, the limit of the ratio
and the number of points from memory; the factors are quantiles, which a test computes.)

Nothing is ever left out: outliers are named, and stay in every figure.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Dict, Iterable, List, Optional, Sequence, Tuple

import numpy as np

from .accuracy_statements import (
    AxisFigures,
    CheckPoint,
    Statement,
    asprs_statement,
    nssda_statement,
    warnings_of,
)
from .errors import InputError, SettingsError
from .pairs import Control
from .units import LengthUnit, length_unit

#: Errors farther from the median than this many robust standard deviations are pointed out
#: (common practice, no source), given this many points.
OUTLYING, FEWEST_TO_TELL = 4.0, 6
#: Median absolute deviation to standard deviation, of a normal distribution.
MAD_FACTOR = 1.4826
#: Median length of a plane normal error, in standard deviations of one axis: sqrt(2 ln 2).
MEDIAN_RADIAL = math.sqrt(2.0 * math.log(2.0))


@dataclass(frozen=True)
class PositionalAccuracy:
    """The result: figures, statements and warnings.

    Attributes
    ----------
    points : tuple of CheckPoint
    unit, elevation_unit : LengthUnit
    east, north, up : AxisFigures or None
    rmse_h : float or None
        Radial, of the errors alone: sqrt(RMSE_E² + RMSE_N²), site units.
    survey_h, survey_v : float or None
        RMSE of the control survey: radial in site units, vertical in elevation units; None where
        not known.
    asprs, nssda : Statement
    unmatched_measured, unmatched_control : tuple of str
        Names without a partner.
    warnings : tuple of str
    """

    points: Tuple[CheckPoint, ...]
    unit: LengthUnit
    elevation_unit: LengthUnit
    east: Optional[AxisFigures]
    north: Optional[AxisFigures]
    up: Optional[AxisFigures]
    rmse_h: Optional[float]
    survey_h: Optional[float]
    survey_v: Optional[float]
    asprs: Statement
    nssda: Statement
    unmatched_measured: Tuple[str, ...]
    unmatched_control: Tuple[str, ...]
    warnings: Tuple[str, ...]


def positional_accuracy(
    measured: Sequence[Control],
    control: Sequence[Control],
    *,
    site_unit: str = "m",
    elevation_unit: Optional[str] = None,
    sigma_h: Optional[float] = None,
    sigma_v: Optional[float] = None,
    drove_h: Iterable[str] = (),
    drove_v: Iterable[str] = (),
) -> PositionalAccuracy:
    """Compare points measured in a product with control of the same names.

    Parameters
    ----------
    measured, control : sequences of Control
        In site coordinates. A point without elevation is compared horizontally only, one without
        position vertically only. Standard deviations of the control are used where given.
    sigma_h, sigma_v : float, optional
        Standard deviations of the control survey in metres, per horizontal axis and vertical, for
        control without its own.
    drove_h, drove_v : names, optional
        Control that drove the tie or the product's own adjustment.

    Raises
    ------
    InputError
        With names given twice, or no point to compare.
    SettingsError
        With an unknown unit or an impossible standard deviation.
    """
    unit, elevation = length_unit(site_unit), length_unit(elevation_unit or site_unit)
    for name, sigma in (("sigma_h", sigma_h), ("sigma_v", sigma_v)):
        if sigma is not None and not 0.0 <= sigma < math.inf:
            raise SettingsError(f"{name} is {sigma}.", "Give it in metres, or leave it out.")
    first, second = _by_name(measured, "measured points"), _by_name(control, "control")
    points = _compared(first, second, set(drove_h), set(drove_v))
    east, north, up = (_figures([getattr(p, axis) for p in points])
                       for axis in ("east", "north", "up"))
    if east is None and up is None:
        raise InputError(
            f"No point is both among the {len(first)} measured and the {len(second)} control "
            "points with something to compare.",
            "Check that both use the same names, and that positions or elevations are there.",
        )
    survey_h = _survey(points, "easting", "sigma_h", sigma_h, math.sqrt(2.0) / unit.metres)
    survey_v = _survey(points, "elevation", "sigma_v", sigma_v, 1.0 / elevation.metres)
    rmse_h = None if east is None or north is None else math.hypot(east.rmse, north.rmse)
    axes = (east, north, up)
    unmatched = (tuple(name for name in first if name not in second),
                 tuple(name for name in second if name not in first))
    return PositionalAccuracy(
        points=points, unit=unit, elevation_unit=elevation, east=east, north=north, up=up,
        rmse_h=rmse_h, survey_h=survey_h, survey_v=survey_v,
        asprs=asprs_statement(points, axes, (survey_h, survey_v), (unit, elevation)),
        nssda=nssda_statement(points, axes, (unit, elevation)),
        unmatched_measured=unmatched[0], unmatched_control=unmatched[1],
        warnings=warnings_of(points, axes, (unit, elevation), unmatched),
    )


def _by_name(points: Sequence[Control], kind: str) -> Dict[str, Control]:
    found: Dict[str, Control] = {}
    for point in points:
        if point.id in found:
            raise InputError(
                f"{point.id} is given twice among the {kind}.",
                "Keep one of them, or give each a name of its own.", point=point.id,
            )
        found[point.id] = point
    return found


def _compared(measured, control, drove_h, drove_v) -> Tuple[CheckPoint, ...]:
    points: List[CheckPoint] = []
    for name, given in control.items():
        if name not in measured:
            continue
        product = measured[name]
        plane = product.has_position and given.has_position
        level = product.has_elevation and given.has_elevation
        if plane or level:
            points.append(CheckPoint(
                name, product, given,
                product.easting - given.easting if plane else None,
                product.northing - given.northing if plane else None,
                product.elevation - given.elevation if level else None,
                drove_h=name in drove_h and plane, drove_v=name in drove_v and level,
            ))
    return _with_outliers(points)


def _with_outliers(points: Sequence[CheckPoint]) -> Tuple[CheckPoint, ...]:
    plane = np.array([(p.east, p.north) for p in points if p.east is not None]).reshape(-1, 2)
    level = np.array([p.up for p in points if p.up is not None])
    far_h = iter(_far(np.hypot(*(plane - np.median(plane, axis=0)).T), MEDIAN_RADIAL)
                 if len(plane) else ())
    far_v = iter(_far(np.abs(level - np.median(level)), 1.0 / MAD_FACTOR) if len(level) else ())
    return tuple(dataclasses.replace(
        p, outlying_h=p.east is not None and bool(next(far_h)),
        outlying_v=p.up is not None and bool(next(far_v))) for p in points)


def _far(distance: np.ndarray, median_of_one: float) -> np.ndarray:
    """Which distances from the median are out of line with their own median."""
    if len(distance) < FEWEST_TO_TELL:
        return np.zeros(len(distance), dtype=bool)
    return distance > OUTLYING * float(np.median(distance)) / median_of_one


def _figures(errors: Sequence[Optional[float]]) -> Optional[AxisFigures]:
    values = np.array([error for error in errors if error is not None])
    if not len(values):
        return None
    return AxisFigures(
        len(values), float(values.mean()),
        float(values.std(ddof=1)) if len(values) > 1 else None,
        float(np.sqrt(np.mean(values**2))), float(values.min()), float(values.max()),
    )


def _survey(points, has: str, own: str, default, factor) -> Optional[float]:
    """RMSE of the control survey; None unless it is known for every point compared."""
    compared = [p for p in points if (p.east if has == "easting" else p.up) is not None]
    sigmas = [getattr(p.control, own) for p in compared]
    sigmas = [default if sigma is None else sigma for sigma in sigmas]
    if not sigmas or any(sigma is None for sigma in sigmas):
        return None
    return factor * math.sqrt(sum(sigma**2 for sigma in sigmas) / len(sigmas))
