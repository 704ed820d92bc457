"""The plain map projection that comes closest to given site positions, by least squares.

Each method has one or two numbers that shape the plane; for given ones the rest (rotation, scale,
false coordinates) follows from a similarity in closed form. So only the shape is searched, by
damped Gauss-Newton steps from several starts.

The rectified grid angle of the Hotine oblique Mercator (EPSG Guidance Note 7-2, 3.5.4) turns the
axes freely about the projection centre, and variant B counts the false coordinates from there.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Callable, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np
import pyproj

from .products import product

#: Mean radius of the earth in metres, for the size of steps only.
EARTH = 6.371e6
#: Steps for differences in radians: of the order of 0.1 mm in the plane of a site, where PROJ's
#: own noise is 1e-9 m.
DIFFERENCE = 1e-4
#: An azimuth of exactly 0 is a special case of the formulas; degrees kept away from it.
AWAY_FROM_NORTH = 0.001
#: Degrees kept away from azimuth 90, where the line's apex would lie in the site: within 0.6 m of
#: the apex's meridian PROJ takes the cosine for zero and is off by decimetres.
AWAY_FROM_EAST = 1.0
#: Degrees of longitude between the site and that meridian.
AWAY_FROM_APEX = 0.01
#: Decimals of origins and azimuths in degrees; what is rounded off goes into the similarity. PROJ
#: reads 101.99999999 in WKT as 102, so there must be no more.
PLACES = 7
#: Root mean square misfit in metres below which no further start is tried.
GOOD_ENOUGH = 1e-7
#: Most rotation, degrees, that a projection without one of its own is tried for.
CONVERGENCE = 5.0


class Target(NamedTuple):
    """Where positions lie on the site.

    Attributes
    ----------
    latitude, longitude : (n,) arrays
        Degrees.
    site : (n, 2) array
        Easting, northing in metres.
    ellipsoid : (float, float)
        Semi-major axis in metres, squared eccentricity.
    middle : (latitude, longitude)
    """

    latitude: np.ndarray
    longitude: np.ndarray
    site: np.ndarray
    ellipsoid: Tuple[float, float]
    middle: Tuple[float, float]


@dataclass(frozen=True)
class Fitted:
    """A fitted projection.

    Attributes
    ----------
    method : str
        A key of `METHODS`.
    values : tuple of (EPSG parameter code, value)
        Degrees, ratio, metres.
    """

    method: str
    values: Tuple[Tuple[int, float], ...]


class _Shape(NamedTuple):
    """What a vector of shape numbers stands for: a PROJ plane of scale 1, and its centre."""

    proj: str
    latitude: float
    longitude: float
    azimuth: float = 0.0


class _Similarity(NamedTuple):
    scale: float
    rotation: float  # radians, counter-clockwise from plane to site
    shift: np.ndarray
    misfit: np.ndarray  # (n, 2) metres


def fit_projection(method: str, target: Target) -> Optional[Fitted]:
    """The best projection of a method; None where it cannot be used there."""
    shape_of, starts, turns = _SHAPES[method]
    best, lowest = None, math.inf
    for start in starts(target):
        found = _search(np.array(start), lambda p: _misfit(shape_of(target, p), target, turns))
        if found is not None and found[1] < lowest:
            best, lowest = found
        if lowest < target.site.size * GOOD_ENOUGH**2:
            break
    if best is None:
        return None
    shape = shape_of(target, best)
    similarity = _similarity(shape, target, turns)
    if shape is None or similarity is None or _apex_in_site(shape, target):
        return None
    return Fitted(method, _values(method, shape, similarity))


def _values(method: str, shape: _Shape, similarity: _Similarity):
    """EPSG parameters; the plane's own centre lies at its 0, 0."""
    east, north = similarity.shift
    if method == "hotine oblique mercator":
        angle = math.remainder(shape.azimuth - math.degrees(similarity.rotation), 360.0)
        return ((8811, shape.latitude), (8812, shape.longitude), (8813, shape.azimuth),
                (8814, angle), (8815, similarity.scale), (8816, east), (8817, north))
    return ((8801, shape.latitude), (8802, shape.longitude), (8805, similarity.scale),
            (8806, east), (8807, north))


# -- shapes --------------------------------------------------------------------------------------


def _oblique(target: Target, p: np.ndarray) -> Optional[_Shape]:
    """Azimuth of the initial line, and its distance to the right of the middle, both radians.

    Azimuths are from -90 to 90 degrees: PROJ takes one of 127.5 for one of 52.5, as the arc sine
    in the formulas does.
    """
    azimuth = round((math.degrees(p[0]) + 90.0) % 180.0 - 90.0, PLACES)
    if abs(azimuth) < AWAY_FROM_NORTH:
        azimuth = math.copysign(AWAY_FROM_NORTH, azimuth)
    if 90.0 - abs(azimuth) < AWAY_FROM_EAST:
        azimuth = math.copysign(90.0 - AWAY_FROM_EAST, azimuth)
    latitude, longitude = _moved(target, math.degrees(p[0]) + 90.0, p[1])
    return _Shape(
        f"+proj=omerc +lat_0={latitude!r} +lonc={longitude!r} +alpha={azimuth!r} "
        f"+gamma={azimuth!r} +k=1 +x_0=0 +y_0=0", latitude, longitude, azimuth)


def _apex_in_site(shape: _Shape, target: Target) -> bool:
    """Whether the meridian of an initial line's apex crosses the site.

    Constants B, D, G and the longitude of the natural origin as in EPSG Guidance Note 7-2, 3.5.4.
    """
    if "omerc" not in shape.proj:
        return False
    e2, phi = target.ellipsoid[1], math.radians(shape.latitude)
    b = math.sqrt(1.0 + e2 * math.cos(phi) ** 4 / (1.0 - e2))
    d = b * math.sqrt(1.0 - e2) / (math.cos(phi) * math.sqrt(1.0 - e2 * math.sin(phi) ** 2))
    f = d + math.copysign(math.sqrt(max(d * d - 1.0, 0.0)), phi)
    gamma = math.asin(math.sin(math.radians(shape.azimuth)) / d)
    origin = math.asin(max(-1.0, min(1.0, (f - 1.0 / f) / 2.0 * math.tan(gamma)))) / b
    apex = shape.longitude - math.degrees(origin) + np.array([-90.0, 90.0]) / b
    away = (apex[:, None] - target.longitude + 180.0) % 360.0 - 180.0
    # Between the least and the greatest the meridian lies in the site.
    near = np.abs(away).min(axis=1) < AWAY_FROM_APEX
    across = (away.min(axis=1) < 0.0) & (away.max(axis=1) > 0.0) & (np.abs(away).max(axis=1) < 90)
    return bool(np.any(near | across))


def _transverse(target: Target, p: np.ndarray) -> Optional[_Shape]:
    """Distance of the central meridian, radians on the equator."""
    latitude = round(target.middle[0], PLACES)
    longitude = _longitude(target.middle[1] + math.degrees(p[0]))
    return _Shape(f"+proj=tmerc +lat_0={latitude!r} +lon_0={longitude!r} +k=1 +x_0=0 +y_0=0",
                  latitude, longitude)


def _conic(target: Target, p: np.ndarray) -> Optional[_Shape]:
    """Distance of the origin's latitude from the middle, radians.

    Turning a conic is moving its origin in longitude: that follows from the site's rotation.
    """
    latitude = round(target.middle[0] + math.degrees(p[0]), PLACES)
    if not 1.0 < abs(latitude) < 89.0:
        return None

    def shape(longitude: float) -> _Shape:
        longitude = _longitude(longitude)
        return _Shape(
            f"+proj=lcc +lat_1={latitude!r} +lat_0={latitude!r} +lon_0={longitude!r} +k_0=1 "
            "+x_0=0 +y_0=0", latitude, longitude)

    straight = _similarity(shape(target.middle[1]), target, True)
    if straight is None:
        return None
    away = -math.degrees(straight.rotation) / math.sin(math.radians(latitude))
    return shape(target.middle[1] + away) if abs(away) < 170.0 else None


def _moved(target: Target, azimuth: float, radians: float) -> Tuple[float, float]:
    """The place that far from the middle, on a sphere: any place near is as good."""
    phi, away, turn = math.radians(target.middle[0]), radians, math.radians(azimuth)
    sine = math.sin(phi) * math.cos(away) + math.cos(phi) * math.sin(away) * math.cos(turn)
    latitude = math.asin(max(-1.0, min(1.0, sine)))
    east = math.atan2(math.sin(turn) * math.sin(away) * math.cos(phi),
                      math.cos(away) - math.sin(phi) * sine)
    return (round(math.degrees(latitude), PLACES),
            _longitude(target.middle[1] + math.degrees(east)))


def _longitude(degrees: float) -> float:
    return round(math.remainder(degrees, 360.0), PLACES)


def _oblique_starts(target: Target) -> List[Tuple[float, ...]]:
    starts: List[Tuple[float, ...]] = [
        (math.radians(turn), 0.0) for turn in (0.0, 45.0, 90.0, 135.0)]
    gradient = _scale_gradient(target)
    if gradient is None:
        return starts
    # The scale grows away from the initial line, by tan(distance) / R.
    east, north = gradient
    line, away = math.atan2(-north, east), -math.atan(EARTH * math.hypot(east, north))
    return [(line, away), *starts]


def _transverse_starts(target: Target) -> List[Tuple[float, ...]]:
    rotation = _rotation(target)
    return [(0.0,), (0.02,), (-0.02,)] if abs(rotation) < math.radians(CONVERGENCE) else []


def _conic_starts(target: Target) -> List[Tuple[float, ...]]:
    return [(0.0,), (0.03,), (-0.03,)]


def _rotation(target: Target) -> float:
    """Radians from true north at the middle to the site, counter-clockwise."""
    similarity = _similarity(_transverse(target, np.zeros(1)), target, True)
    return math.pi if similarity is None else similarity.rotation


def _scale_gradient(target: Target) -> Optional[Tuple[float, float]]:
    """Growth of ln(scale) per metre towards east and north at the middle, from a second-order
    conformal fit: plane positions as complex numbers, site = a + b z + c z²."""
    shape = _transverse(target, np.zeros(1))
    assert shape is not None
    plane = _plane(shape, target)
    if plane is None:
        return None
    z = plane[:, 0] + 1j * plane[:, 1]
    size = float(np.abs(z).max())
    design = np.stack([np.ones_like(z), z / size, (z / size) ** 2], axis=1)
    if len(z) < 3:
        return None
    _, b, c = np.linalg.lstsq(design, target.site[:, 0] + 1j * target.site[:, 1], rcond=None)[0]
    growth = 2.0 * c / b / size  # d ln f' / dz; its real part follows east, minus imaginary north
    return float(growth.real), float(-growth.imag)


#: Shape, starts, and whether the method can turn its axes freely.
_SHAPES = {
    "transverse mercator": (_transverse, _transverse_starts, False),
    "lambert conformal conic": (_conic, _conic_starts, False),
    "hotine oblique mercator": (_oblique, _oblique_starts, True),
}


# -- search --------------------------------------------------------------------------------------


def _plane(shape: _Shape, target: Target) -> Optional[np.ndarray]:
    try:
        plane = pyproj.Transformer.from_pipeline(
            "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
            "+step {} +a={!r} +es={!r}".format(shape.proj, *target.ellipsoid))
    except pyproj.exceptions.ProjError:
        return None
    found = np.stack(plane.transform(target.longitude, target.latitude), axis=1)
    return found if np.isfinite(found).all() else None


def _similarity(shape: Optional[_Shape], target: Target, turns: bool) -> Optional[_Similarity]:
    """From the plane of a shape to the site; without turning where the method cannot."""
    plane = None if shape is None else _plane(shape, target)
    if plane is None:
        return None
    start, end = plane - plane.mean(axis=0), target.site - target.site.mean(axis=0)
    cosine = float(np.sum(start * end))
    sine = float(np.sum(start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0])) if turns else 0.0
    rotation = math.atan2(sine, cosine)
    scale = math.hypot(cosine, sine) / float(np.sum(start**2))
    turn = scale * np.array([[math.cos(rotation), -math.sin(rotation)],
                             [math.sin(rotation), math.cos(rotation)]])
    if cosine < 0.0 and not turns:
        return None
    shift = target.site.mean(axis=0) - product(turn, plane.mean(axis=0))
    return _Similarity(scale, rotation, shift, product(start, turn.T) - end)


def _misfit(shape: Optional[_Shape], target: Target, turns: bool) -> Optional[np.ndarray]:
    similarity = _similarity(shape, target, turns)
    return None if similarity is None else similarity.misfit.ravel()


def _search(
    start: np.ndarray, misfit: Callable[[np.ndarray], Optional[np.ndarray]]
) -> Optional[Tuple[np.ndarray, float]]:
    """Numbers of least squared misfit, and that; damped Gauss-Newton."""
    here = misfit(start)
    if here is None:
        return None
    at, square, damping = start, float(here @ here), 1e-6
    for _ in range(25):
        columns = _slopes(at, misfit)
        if columns is None:
            break
        normal, right = columns.T @ columns, columns.T @ here
        size = np.diag(normal).max()
        if size == 0.0:
            break
        step = -np.linalg.solve(normal + damping * size * np.eye(len(at)), right)
        step *= min(1.0, 0.2 / max(float(np.abs(step).max()), 1e-300))
        tried = misfit(at + step)
        if tried is None or tried @ tried >= square:
            damping = max(damping, 1e-9) * 30.0
            if damping > 1e3:
                break
            continue
        gain = square - float(tried @ tried)
        at, here, square, damping = at + step, tried, float(tried @ tried), damping / 10.0
        if gain < 1e-6 * square or square < at.size * GOOD_ENOUGH**2:
            break
    return at, square


def _slopes(
    at: np.ndarray, misfit: Callable[[np.ndarray], Optional[np.ndarray]]
) -> Optional[np.ndarray]:
    columns: List[np.ndarray] = []
    for axis in np.eye(len(at)) * DIFFERENCE:
        high, low = misfit(at + axis), misfit(at - axis)
        if high is None or low is None:
            return None
        columns.append((high - low) / (2.0 * DIFFERENCE))
    return np.stack(columns, axis=1)


def methods() -> Sequence[str]:
    """Names of the methods, the best known first."""
    return tuple(_SHAPES)
