"""A tie from typed published parameters, and its test against one's own observations.

The parameters are taken as published: rotation sense, units and axes of the method, in the units
and axes of the source projection. Methods are those of the EPSG dataset (IOGP 373-7-2):

========== =========================================== =======================================
method     equations                                   parameters
========== =========================================== =======================================
EPSG:9621  E = tE + M (x cos q + y sin q)              easting, northing, scale, rotation
           N = tN + M (-x sin q + y cos q)
EPSG:9624  E = A0 + A1 x + A2 y, N = B0 + B1 x + B2 y  A0, A1, A2, B0, B1, B2
EPSG:9656  E = x + A0, N = y + B0                      easting, northing
EPSG:1049  P6 seismic bin grid, I = J - 90 degrees     origin_i, origin_j, easting, northing,
                                                       scale, width_i, width_j, bearing,
                                                       increment_i, increment_j
========== =========================================== =======================================

For the last one the projection is the target and (I, J) the source, so that its site grid is the
bin grid; the inverse of the equations is used.
"""

from __future__ import annotations

from typing import Dict, Mapping, Optional, Sequence, Tuple

import numpy as np

from .errors import SettingsError
from .geoid import open_geoid
from .horizontal import HorizontalPart
from .pairs import Pair, Role
from .projection import base_projection
from .results import AGREES, DISAGREES, ComponentResult, PairResidual, ResidualTable, TieStatistics
from .settings import Settings
from .solve import provenance
from .tie import Tie
from .vertical import VerticalPart

_NAMES: Dict[str, Tuple[str, ...]] = {
    "EPSG:9621": ("easting", "northing", "scale", "rotation"),
    "EPSG:9624": ("A0", "A1", "A2", "B0", "B1", "B2"),
    "EPSG:9656": ("easting", "northing"),
    "EPSG:1049": ("origin_i", "origin_j", "easting", "northing", "scale", "width_i", "width_j",
                  "bearing", "increment_i", "increment_j"),
}
#: Size of one unit in degrees; ``dms`` is the EPSG pseudo-unit DDD.MMSSsss.
ANGLE_UNITS = {"deg": 1.0, "arcsec": 1.0 / 3600.0, "rad": 180.0 / np.pi, "grad": 0.9}


def tie_from_parameters(
    settings: Settings,
    method: str,
    parameters: Mapping[str, float],
    *,
    angle_unit: str = "deg",
    inverse: bool = False,
    vertical: Optional[Mapping[str, float]] = None,
    accuracy_h: Optional[float] = None,
    accuracy_v: Optional[float] = None,
    source: str = "",
) -> Tie:
    """Make a tie from published parameters.

    Parameters
    ----------
    settings : Settings
        `base_crs` names the source projection; `site_unit` is the unit of the published grid.
    method : str
        One of the methods above.
    parameters : mapping
        By the names above, in the units as published: lengths of the source projection's side in
        its own unit, of the grid's side in the site unit.
    angle_unit : str
        Of a rotation or bearing: deg, arcsec, rad, grad, or dms (packed DDD.MMSSsss).
    inverse : bool
        True when the parameters lead from the site grid to the projection.
    vertical : mapping, optional
        ``shift`` (elevation units) alone, or the vertical offset and slope of EPSG:1046: also
        ``latitude``, ``longitude`` (degrees) of the evaluation point and ``slope_latitude``,
        ``slope_longitude`` (arc seconds).
    accuracy_h, accuracy_v : float, optional
        Stated standard deviations in metres; uncertainties are NaN without them.

    Raises
    ------
    SettingsError
        When the method or a parameter is unknown or missing, or no projection is named.
    """
    numbers = _checked(method, parameters)
    if settings.base_crs is None:
        raise SettingsError(
            "Published parameters need the projection they start from.",
            "Name it in base_crs.",
        )
    matrix, offset = _affine(method, numbers, angle_unit)
    if inverse or method == "EPSG:1049":
        matrix = np.linalg.inv(matrix)
        offset = -matrix @ offset
    place = _in_source_metres(settings, matrix, offset)
    base = base_projection(
        settings.base_crs, settings.observation_crs, datum_operation=settings.datum_operation,
        epoch=settings.observation_epoch,
    )
    horizontal = HorizontalPart(
        model="affine", centroid=(0.0, 0.0),
        names=("easting", "northing", "m_ee", "m_en", "m_ne", "m_nn"),
        values=tuple(map(float, (*place[1], *place[0].ravel()))),
        translation=tuple(map(float, place[1])),
        matrix=tuple(tuple(map(float, row)) for row in place[0]),
    )
    settings = settings.replace(horizontal_model="affine", scale=None, vertical_model=None
                                if vertical is None else settings.vertical_model or "shift")
    return Tie(
        kind="typed", settings=settings, base=base,
        geoid=open_geoid(settings.geoid) if settings.geoid else None,
        horizontal=horizontal, vertical=_vertical(settings, base, vertical), pairs=(), rows=(),
        statistics=TieStatistics(None, None), repeats=(), provenance=provenance(),
        accuracy_h=accuracy_h, accuracy_v=accuracy_v, source=source, cautions=base.cautions,
    )


def _checked(method: str, parameters: Mapping[str, float]) -> Dict[str, float]:
    if method not in _NAMES:
        raise SettingsError(f"The method {method!r} is unknown.", f"Allowed: {', '.join(_NAMES)}.")
    names = _NAMES[method]
    odd = sorted(set(parameters) ^ set(names))
    if odd:
        raise SettingsError(
            f"{method} has missing or unknown parameters: {', '.join(odd)}.",
            f"It takes {', '.join(names)}.",
        )
    try:
        numbers = {name: float(value) for name, value in parameters.items()}
    except (TypeError, ValueError):
        raise SettingsError(f"A parameter of {method} is not a number.", "Give numbers.") from None
    if not all(map(np.isfinite, numbers.values())):
        raise SettingsError(f"A parameter of {method} is not finite.", "Give finite numbers.")
    return numbers


def _degrees(value: float, unit: str) -> float:
    if unit == "dms":
        from .angles import parse_angle

        return parse_angle(repr(value), "longitude", packed=True)
    if unit not in ANGLE_UNITS:
        raise SettingsError(f"The angle unit {unit!r} is unknown.",
                            f"Allowed: {', '.join(ANGLE_UNITS)}, dms.")
    return value * ANGLE_UNITS[unit]


def _affine(method: str, p: Mapping[str, float], unit: str) -> Tuple[np.ndarray, np.ndarray]:
    """Matrix and offset of the method, source numbers to target numbers."""
    if method == "EPSG:9624":
        return np.array([[p["A1"], p["A2"]], [p["B1"], p["B2"]]]), np.array([p["A0"], p["B0"]])
    if method == "EPSG:9656":
        return np.eye(2), np.array([p["easting"], p["northing"]])
    if method == "EPSG:9621":
        turn = np.radians(_degrees(p["rotation"], unit))
        cosine, sine = np.cos(turn), np.sin(turn)
        matrix = p["scale"] * np.array([[cosine, sine], [-sine, cosine]])
        return matrix, np.array([p["easting"], p["northing"]])
    turn = np.radians(_degrees(p["bearing"], unit))
    i_step = p["scale"] * p["width_i"] / p["increment_i"]
    j_step = p["scale"] * p["width_j"] / p["increment_j"]
    # IOGP 373-7-2, P6 (I = J - 90): the I axis points 90 degrees anticlockwise of J.
    matrix = np.array([[-np.cos(turn) * i_step, np.sin(turn) * j_step],
                       [np.sin(turn) * i_step, np.cos(turn) * j_step]])
    origin = np.array([p["easting"], p["northing"]])
    return matrix, origin - matrix @ np.array([p["origin_i"], p["origin_j"]])


def _in_source_metres(settings: Settings, matrix: np.ndarray, offset: np.ndarray):
    """The same with both sides in metres, easting first."""
    from .frames import projected_crs

    source = projected_crs(settings.base_crs or "")
    source_unit = source.axis_info[0].unit_conversion_factor
    site_unit = settings.site_length.metres
    directions = [axis.direction.lower() for axis in source.axis_info[:2]]
    sign = -1.0 if directions[0] in ("west", "south") and set(directions) == {"west", "south"} \
        else 1.0
    return matrix * (sign * site_unit / source_unit), offset * site_unit


def _vertical(settings: Settings, base, numbers: Optional[Mapping[str, float]]):
    if numbers is None:
        return None
    unit = settings.elevation_length.metres
    if set(numbers) == {"shift"}:
        return VerticalPart("shift", (0.0, 0.0), ("shift",), (float(numbers["shift"]) * unit,))
    names = {"shift", "latitude", "longitude", "slope_latitude", "slope_longitude"}
    if set(numbers) != names:
        raise SettingsError(
            "The vertical parameters are incomplete.", f"Give shift, or {', '.join(sorted(names))}."
        )
    latitude, longitude = float(numbers["latitude"]), float(numbers["longitude"])
    easting, northing = base.to_base(latitude, longitude)
    slopes = np.radians(np.array([numbers["slope_longitude"], numbers["slope_latitude"]]) / 3600.0)
    # The slopes are along local east and north; carried into the base plane at that point.
    turned = slopes @ np.linalg.inv(base.jacobian(latitude, longitude))
    return VerticalPart(
        "plane", (float(easting), float(northing)), ("shift", "slope_east", "slope_north"),
        (float(numbers["shift"]) * unit, float(turned[0]), float(turned[1])),
    )


def check_against(tie: Tie, pairs: Sequence[Pair]) -> ResidualTable:
    """Test a tie against pairs that took no part in it.

    Every pair that is not idle is a check: its restated observation less its control. It is
    judged at the test level of the tie's settings where the tie's accuracy is known, else only
    its residual is given.
    """
    from .marks import pair_arrays
    from .quantiles import chi_square_quantile

    settings = tie.settings
    arrays = pair_arrays(tuple(pairs), settings, tie.base, tie.geoid)
    known = tie.covariance(arrays.latitude, arrays.longitude, np.nan_to_num(arrays.height))
    east, north, up = tie.to_site(arrays.latitude, arrays.longitude, arrays.height)
    site, rise = settings.site_length.metres, settings.elevation_length.metres
    rows = []
    for i, pair in enumerate(pairs):
        plane = np.array([east[i], north[i]]) - arrays.control[i] / site
        noise = (np.array(tie.horizontal.matrix) @ arrays.base_covariance[i]
                 @ np.array(tie.horizontal.matrix).T + arrays.control_covariance[i]) / site**2
        level = up[i] - arrays.elevation[i] / rise
        spread = (arrays.height_variance[i] + arrays.elevation_variance[i]) / rise**2
        rows.append(PairResidual(
            pair.control.id, pair.observation.id,
            _check(pair.horizontal, plane, known[i, :2, :2] + noise, settings.tolerance_h,
                   chi_square_quantile(1.0 - settings.test_level, 2)),
            _check(pair.vertical, np.array([level]), known[i, 2:, 2:] + spread,
                   settings.tolerance_v, chi_square_quantile(1.0 - settings.test_level, 1)),
        ))
    return ResidualTable(rows)


def _check(role: Role, difference, covariance, tolerance, limit: float) -> ComponentResult:
    if role is Role.IDLE or not np.isfinite(difference).all():
        return ComponentResult(Role.IDLE.value)
    size = float(np.hypot.reduce(difference))
    within = None if tolerance is None else size <= tolerance
    residual = tuple(map(float, difference))
    if not np.isfinite(covariance).all():
        return ComponentResult(Role.CHECK.value, residual, within_tolerance=within)
    test = float(np.sqrt(difference @ np.linalg.solve(covariance, difference)))
    critical = float(np.sqrt(limit))
    return ComponentResult(Role.CHECK.value, residual, test=test, critical=critical,
                           within_tolerance=within,
                           verdict=AGREES if test <= critical else DISAGREES)
