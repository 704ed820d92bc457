"""A tie from typed published parameters.

The parameters are taken as published: with the rotation sense of the method, in the units and
axes of the two grids. Methods are those of the EPSG dataset (IOGP 373-7-2):

========== ============================================ ========================================
method     equations, source (x, y) to target (E, N)    parameters (EPSG parameter codes)
========== ============================================ ========================================
EPSG:9621  E = easting + M (x cos q + y sin q)          easting, northing, scale M, rotation q
           N = northing + M (-x sin q + y cos q)        (8621, 8622, 1061, 8614)
EPSG:9624  E = A0 + A1 x + A2 y                         A0, A1, A2, B0, B1, B2
           N = B0 + B1 x + B2 y                         (8623 to 8625, 8639 to 8641)
EPSG:9656  E = x + easting, N = y + northing            easting, northing (8728, 8729)
EPSG:1049  P6 bin grid, I axis 90 degrees               origin_i, origin_j, easting, northing,
           anticlockwise of J                           scale, width_i, width_j, bearing,
EPSG:9666  P6 bin grid, I axis 90 degrees               increment_i, increment_j
           clockwise of J                               (8733 to 8742)
========== ============================================ ========================================

Usually the base projection is the source and the site grid the target; `inverse` says that it is
the other way round. The bin grids are always described on the projection, so that their site
grid is the bin grid, with a bin in the place of the site unit.

Elevations: a vertical offset (EPSG:9616), or an offset and slope (EPSG:1046) as a plane over the
base projection. The published surface of 1046 follows meridians and parallels and is not quite a
plane; ours touches it where the site is (`near`), and the tie's cautions say how far the two part.
"""

from __future__ import annotations

import dataclasses
import math
from typing import Dict, Mapping, NamedTuple, Optional, Tuple, Union

import numpy as np

from .angles import parse_angle
from .errors import SettingsError
from .frames import projected_crs
from .geoid import open_geoid
from .horizontal import HorizontalPart
from .products import product
from .projection import BaseProjection, axis_directions, base_projection
from .results import TieStatistics
from .settings import Settings
from .solve import UNIT_RATIO_TOLERANCE, provenance
from .tie import Tie
from .units import UNITS, length_unit
from .vertical import VerticalPart

#: A published value: a number in the unit it is bound to have, or (number, unit).
Typed = Union[float, Tuple[float, str]]

_BIN_GRID = ("origin_i", "origin_j", "easting", "northing", "scale", "width_i", "width_j",
             "bearing", "increment_i", "increment_j")
METHODS: Dict[str, Tuple[str, ...]] = {
    "EPSG:9621": ("easting", "northing", "scale", "rotation"),
    "EPSG:9624": ("A0", "A1", "A2", "B0", "B1", "B2"),
    "EPSG:9656": ("easting", "northing"),
    "EPSG:1049": _BIN_GRID,
    "EPSG:9666": _BIN_GRID,
}
_BIN_GRIDS = ("EPSG:1049", "EPSG:9666")
_LENGTHS = ("easting", "northing", "A0", "B0", "width_i", "width_j", "shift")
_ANGLES = ("rotation", "bearing", "latitude", "longitude", "slope_latitude", "slope_longitude")
_SHIFT = ("shift",)
_SLOPED = ("shift", "latitude", "longitude", "slope_latitude", "slope_longitude")
#: Degrees in one unit; ``dms`` is the EPSG pseudo-unit DDD.MMSSsss ("sexagesimal DMS").
ANGLE_UNITS = {"deg": 1.0, "arcsec": 1.0 / 3600.0, "rad": 180.0 / math.pi, "grad": 0.9}
#: How far around the site a tilted plane is compared with the published surface, metres.
SITE_RADIUS = 10_000.0
#: Compass letter to (easting, northing) of one unit along the axis.
_LETTERS = {"E": (1.0, 0.0), "W": (-1.0, 0.0), "N": (0.0, 1.0), "S": (0.0, -1.0)}


class _Side(NamedTuple):
    """One of the two grids: its axes, and the size of its unit in metres."""

    axes: str
    metres: float

    @property
    def matrix(self) -> np.ndarray:
        """(2, 2) easting, northing in metres per number along each axis."""
        return self.metres * np.array([_LETTERS[letter] for letter in self.axes]).T


def tie_from_parameters(
    settings: Settings,
    method: str,
    parameters: Mapping[str, Typed],
    *,
    angle_unit: str = "deg",
    inverse: bool = False,
    base_axes: Optional[str] = None,
    site_axes: str = "EN",
    vertical: Optional[Mapping[str, Typed]] = None,
    vertical_inverse: bool = False,
    near: Optional[Tuple[float, float]] = None,
    accuracy_h: Optional[float] = None,
    accuracy_v: Optional[float] = None,
    source: str = "",
) -> Tie:
    """Make a tie from published parameters.

    Parameters
    ----------
    settings : Settings
        `base_crs` names the projection the parameters refer to; its own unit, whatever that is,
        is theirs. `site_unit` and `elevation_unit` are those of the published grid.
    method : str
        One of the methods above.
    parameters : mapping
        By the names above. A number is in the unit of the grid it counts in; ``(number, unit)``
        names another: m, ft, us-ft for lengths, ppm for a scale (``(12.7, "ppm")`` is
        1.0000127), those of `angle_unit` for angles.
    angle_unit : str
        Of angles without one: deg, arcsec, rad, grad, or dms (packed DDD.MMSSsss).
    inverse : bool
        True when the parameters lead from the site grid to the projection.
    base_axes, site_axes : str
        Where the first and second coordinate of the parameters point: two compass letters, such
        as EN, NE, WS, NW. By default the projection's own directions with easting (or westing)
        first, as EPSG itself counts them, and EN for the site.
    vertical : mapping, optional
        ``shift`` alone, or with it ``latitude``, ``longitude`` of the evaluation point (degrees)
        and ``slope_latitude``, ``slope_longitude`` (arc seconds). Latitudes and longitudes are
        taken as those of the observation CRS: a metre of difference changes the height by 1
        micrometre per 0.2 arc seconds of slope.
    vertical_inverse : bool
        True when these lead from site elevations to heights above the ellipsoid or geoid.
    near : (latitude, longitude), optional
        Where the site lies, degrees: the place the datum operation is chosen for, and where the
        tilted plane is exact. By default the evaluation point of the slopes.
    accuracy_h, accuracy_v : float, optional
        Stated standard deviations in metres, per axis; uncertainties are NaN without them.
    source : str
        Where the parameters were published.

    Raises
    ------
    SettingsError
        When the method or a parameter is unknown, missing or without meaning, no projection is
        named, or the parameters mix up the units of the two grids.
    FrameError
        See `projection.base_projection`.
    """
    if settings.base_crs is None:
        raise SettingsError(
            "Published parameters need the projection they refer to.", "Name it in base_crs."
        )
    heights = None if vertical is None else _heights(vertical, settings, angle_unit)
    if near is None and heights is not None and len(heights) > 1:
        near = heights["latitude"], heights["longitude"]
    base = base_projection(
        settings.base_crs, settings.observation_crs, datum_operation=settings.datum_operation,
        epoch=settings.observation_epoch, near=near,
    )
    grid = _Side(_axes(base_axes or _own_axes(settings.base_crs)), _unit_metres(settings.base_crs))
    site = _Side(_axes(site_axes), settings.site_length.metres)
    accuracy_h = _accuracy("accuracy_h", accuracy_h)
    accuracy_v = _accuracy("accuracy_v", accuracy_v)
    horizontal = _horizontal(method, parameters, angle_unit, inverse, grid, site)
    if method in _BIN_GRIDS and accuracy_h is not None:
        horizontal = _with_accuracy(horizontal, accuracy_h)
    part, cautions = None, _axis_caution(grid, site, horizontal)
    if heights is not None:
        part, parting = _vertical(heights, base, -1.0 if vertical_inverse else 1.0, near)
        cautions += parting
    settings = settings.replace(
        horizontal_model=horizontal.model, scale=None,
        vertical_model=None if part is None else part.model,
        datum_operation=settings.datum_operation or base.datum_operation,
    )
    return Tie(
        kind="typed", settings=settings, base=base,
        geoid=open_geoid(settings.geoid) if settings.geoid else None,
        horizontal=horizontal, vertical=part, pairs=(), rows=(),
        statistics=TieStatistics(None, None), repeats=(), provenance=provenance(),
        accuracy_h=accuracy_h, accuracy_v=accuracy_v, source=source,
        cautions=base.cautions + cautions,
    )


# -- reading what was typed ------------------------------------------------------------------------


def _numbers(what: str, names, given: Mapping[str, Typed], metres: float, angle_unit: str):
    """The typed values in the numbers the equations want: own length unit, degrees, plain."""
    odd = sorted(set(given) ^ set(names))
    if odd:
        raise SettingsError(
            f"{what} has missing or unknown parameters: {', '.join(odd)}.",
            f"It takes {', '.join(names)}.",
        )
    return {name: _number(f"{name} of {what}", name, given[name], metres, angle_unit)
            for name in names}


def _number(what: str, name: str, typed: Typed, metres: float, angle_unit: str) -> float:
    unit: Optional[str] = None
    if isinstance(typed, (tuple, list)) and len(typed) == 2:
        typed, unit = typed
    if name in _ANGLES:
        if unit is None and name.startswith("slope"):
            unit = "arcsec"
        elif unit is None:
            unit = angle_unit if name in ("rotation", "bearing") else "deg"
        return _degrees(what, typed, unit)
    number = _finite(what, typed)
    if unit is None:
        return number
    if name in _LENGTHS and unit in UNITS:
        return number * length_unit(unit).metres / metres
    if name == "scale" and unit == "ppm":
        return 1.0 + number * 1e-6
    allowed = {"scale": "ppm"}.get(name, ", ".join(UNITS) if name in _LENGTHS else "none")
    raise SettingsError(f"{what} has the unit {unit!r}.", f"Allowed: {allowed}.")


def _degrees(what: str, typed, unit: str) -> float:
    if unit == "dms":
        return parse_angle(_finite(what, typed), "longitude", packed=True)
    if unit not in ANGLE_UNITS:
        raise SettingsError(
            f"{what} has the unit {unit!r}.", f"Allowed: {', '.join(ANGLE_UNITS)}, dms."
        )
    return _finite(what, typed) * ANGLE_UNITS[unit]


def _finite(what: str, typed) -> float:
    try:
        number = float(typed)
    except (TypeError, ValueError):
        raise SettingsError(f"{what} is {typed!r}, not a number.", "Give a number.") from None
    if not math.isfinite(number):
        raise SettingsError(f"{what} is not finite.", "Give a finite number.")
    return number


def _accuracy(name: str, given: Optional[float]) -> Optional[float]:
    if given is None:
        return None
    number = _finite(name, given)
    if number < 0.0:
        raise SettingsError(
            f"{name} is {number}; a standard deviation cannot be negative.",
            "Give it in metres, 0 where the parameters define the grid, or leave it out.",
        )
    return number


def _axes(letters: str) -> str:
    axes = str(letters).upper()
    known = len(axes) == 2 and set(axes) <= set(_LETTERS)
    if not known or (axes[0] in "EW") == (axes[1] in "EW"):
        raise SettingsError(
            f"The axes {letters!r} are not two directions at a right angle.",
            "Write two compass letters in the order of the coordinates, such as EN, NE or WS.",
        )
    return axes


def _own_axes(crs: str) -> str:
    letters = [direction[0].upper() for direction in axis_directions(projected_crs(crs))]
    return "".join(sorted(letters, key="EWNS".index))


def _unit_metres(crs: str) -> float:
    return float(projected_crs(crs).axis_info[0].unit_conversion_factor)


# -- the plane -------------------------------------------------------------------------------------


def _horizontal(method, parameters, angle_unit, inverse, grid: _Side, site: _Side):
    if method not in METHODS:
        raise SettingsError(
            f"The method {method!r} is unknown.", f"Allowed: {', '.join(METHODS)}."
        )
    bins = method in _BIN_GRIDS
    inverse = inverse or bins
    target = grid if inverse else site
    p = _numbers(method, METHODS[method], parameters, target.metres, angle_unit)
    turn, start, end = _equations(method, p)
    # end, start: the pair of points, target and source, that the equations are written about.
    if inverse:
        if abs(np.linalg.det(turn)) < 1e-300:
            raise _collapse(method)
        turn, start, end = np.linalg.inv(turn), end, start
    matrix = product(site.matrix, turn, np.linalg.inv(grid.matrix))
    centroid, place = product(grid.matrix, start), product(site.matrix, end)
    determinant = float(np.linalg.det(matrix))
    if not math.isfinite(determinant) or determinant == 0.0:
        raise _collapse(method)
    if not bins:
        _refuse_unit_mixup(method, math.sqrt(abs(determinant)))
    return _part(method, matrix, centroid, place)


def _collapse(method: str) -> SettingsError:
    return SettingsError(
        f"The parameters of {method} squeeze the plane into a line.",
        "Check the scale, or the coefficients A1, A2, B1, B2.",
    )


def _equations(method: str, p: Mapping[str, float]):
    """Matrix, source point and target point of ``target = T + matrix (source - S)``."""
    origin = np.zeros(2)
    if method == "EPSG:9624":
        return (np.array([[p["A1"], p["A2"]], [p["B1"], p["B2"]]]), origin,
                np.array([p["A0"], p["B0"]]))
    at = np.array([p["easting"], p["northing"]])
    if method == "EPSG:9656":
        return np.eye(2), origin, at
    angle = math.radians(p["rotation" if method == "EPSG:9621" else "bearing"])
    cosine, sine = math.cos(angle), math.sin(angle)
    turn = np.array([[cosine, sine], [-sine, cosine]])
    if method == "EPSG:9621":
        return p["scale"] * turn, origin, at
    steps = []
    for axis, sign in (("i", -1.0 if method == "EPSG:1049" else 1.0), ("j", 1.0)):
        if p[f"increment_{axis}"] == 0.0:
            raise _collapse(method)
        steps.append(sign * p["scale"] * p[f"width_{axis}"] / p[f"increment_{axis}"])
    return turn * steps, np.array([p["origin_i"], p["origin_j"]]), at


def _refuse_unit_mixup(method: str, scale: float) -> None:
    for one in UNITS.values():
        for other in UNITS.values():
            ratio = one.metres / other.metres
            if abs(ratio - 1.0) > 0.1 and abs(scale / ratio - 1.0) < UNIT_RATIO_TOLERANCE:
                raise SettingsError(
                    f"With these parameters of {method} the site grid is {scale:.4f} times as "
                    f"large as the base projection: the {one.name} over the {other.name}.",
                    "Check site_unit, the unit of base_crs, and in which of them the parameters "
                    "count.",
                )


def _part(method: str, matrix: np.ndarray, centroid, place) -> HorizontalPart:
    """The part, as the model that the method is where the axes leave it that."""
    names: Tuple[str, ...] = ("easting", "northing")
    values = [*place]
    if method == "EPSG:9656" and np.allclose(matrix, np.eye(2), rtol=0.0, atol=1e-15):
        model, matrix = "translation", np.eye(2)
    elif method == "EPSG:9621" and np.linalg.det(matrix) > 0.0:
        model, names = "similarity", (*names, "rotation", "scale")
        values += [math.atan2(matrix[1, 0], matrix[0, 0]), math.hypot(*matrix[:, 0])]
    else:
        model, names = "affine", (*names, "m_ee", "m_en", "m_ne", "m_nn")
        values += [*matrix.ravel()]
    return HorizontalPart(
        model=model, centroid=(float(centroid[0]), float(centroid[1])), names=names,
        values=tuple(map(float, values)), translation=(float(place[0]), float(place[1])),
        matrix=tuple(tuple(map(float, row)) for row in matrix),  # type: ignore[arg-type]
    )


def _with_accuracy(part: HorizontalPart, accuracy: float) -> HorizontalPart:
    """The part with an accuracy in metres carried into bins."""
    cofactor = np.zeros((len(part.names),) * 2)
    cofactor[:2, :2] = accuracy**2 * product(np.array(part.matrix), np.array(part.matrix).T)
    return dataclasses.replace(part, cofactor=tuple(tuple(map(float, row)) for row in cofactor))


def _axis_caution(grid: _Side, site: _Side, part: HorizontalPart) -> Tuple[str, ...]:
    said = []
    if (grid.axes, site.axes) != ("EN", "EN"):
        said.append(
            f"The parameters were taken to count {_words(grid.axes)} in the base projection and "
            f"{_words(site.axes)} in the site grid; the tie itself gives easting and northing."
        )
    if np.linalg.det(np.array(part.matrix)) < 0.0:
        said.append(
            "The site grid is a mirror image of the base projection. For a bin grid that may be "
            "right; otherwise check the axes."
        )
    return tuple(said)


def _words(axes: str) -> str:
    words = {"E": "easting", "W": "westing", "N": "northing", "S": "southing"}
    return " and ".join(words[letter] for letter in axes)


# -- heights ---------------------------------------------------------------------------------------


def _heights(given: Mapping[str, Typed], settings: Settings, angle_unit: str) -> Dict[str, float]:
    """The vertical parameters: shift in metres, latitude and longitude in degrees, slopes as
    ratios."""
    sloped = len(given) > 1
    unit = settings.elevation_length.metres
    p = _numbers("EPSG:1046" if sloped else "EPSG:9616", _SLOPED if sloped else _SHIFT, given,
                 unit, angle_unit)
    p["shift"] *= unit
    if sloped:
        for name in ("slope_latitude", "slope_longitude"):
            p[name] = math.radians(p[name])
        if not -90.0 < p["latitude"] < 90.0 or not -360.0 <= p["longitude"] <= 360.0:
            raise SettingsError(
                f"The evaluation point {p['latitude']}, {p['longitude']} is not on the earth.",
                "Give its latitude and longitude in degrees.",
            )
    return p


def _vertical(p: Mapping[str, float], base: BaseProjection, sign: float, near):
    """The plane that touches the published surface at the site, and what to say about it."""
    if len(p) == 1:
        return VerticalPart("shift", (0.0, 0.0), ("shift",), (sign * p["shift"],)), ()
    latitude, longitude = near
    place = np.array([float(v) for v in base.to_base(latitude, longitude)])
    meridian, prime_vertical = base.radii(latitude)
    phi = math.radians(latitude)
    # Slopes of the published surface along local north and east at the site.
    rho, nu = base.radii(p["latitude"])
    away = math.radians(_from(p["longitude"], longitude))
    north = (p["slope_latitude"] * rho
             - p["slope_longitude"] * nu * away * math.sin(phi)) / meridian
    east = p["slope_longitude"] * nu / prime_vertical
    turned = np.linalg.inv(base.jacobian(latitude, longitude))
    slopes = sign * product(np.array([east, north]), turned)
    shift = sign * float(offset_and_slope(p, base, latitude, longitude))
    part = VerticalPart(
        "plane", (float(place[0]), float(place[1])), ("shift", "slope_east", "slope_north"),
        (shift, float(slopes[0]), float(slopes[1])),
    )
    turn = np.radians(np.arange(0.0, 360.0, 22.5))
    around = place + SITE_RADIUS * np.stack([np.sin(turn), np.cos(turn)], axis=1)
    there = base.to_geodetic(around[:, 0], around[:, 1])
    parting = np.max(np.abs(sign * offset_and_slope(p, base, *there) - part.correction(around)))
    return part, (
        f"The tilted plane touches the published surface (EPSG:1046) at latitude {latitude:.4f}, "
        f"longitude {longitude:.4f}; {SITE_RADIUS / 1000.0:.0f} km from there they differ by up "
        f"to {1000.0 * parting:.3f} mm, growing with the square of the distance.",
    )


def offset_and_slope(p: Mapping[str, float], base: BaseProjection, latitude, longitude):
    """Height difference of EPSG:1046 in metres at positions in degrees (scalars or arrays).

    ``shift + slope_latitude rho0 (lat - lat0) + slope_longitude nu0 (lon - lon0) cos(lat)``, with
    the radii of curvature at the evaluation point and slopes as ratios (radians).
    """
    rho, nu = base.radii(p["latitude"])
    north = np.radians(np.subtract(latitude, p["latitude"]))
    east = np.radians(_from(p["longitude"], longitude)) * np.cos(np.radians(latitude))
    return p["shift"] + p["slope_latitude"] * rho * north + p["slope_longitude"] * nu * east


def _from(start: float, longitude):
    """Degrees from one longitude to others, the short way round."""
    return (np.subtract(longitude, start) + 180.0) % 360.0 - 180.0
