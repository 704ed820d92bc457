"""The grid in bulk: latitude and longitude to the site and back by a polynomial that is certified.

Over the few kilometres of a site the way from latitude and longitude to the site grid is so smooth
that a polynomial in two variables follows it to a thousandth of a millimetre, and numpy evaluates
it some fifteen times faster than PROJ computes a projection. Before it is used it is held against
the exact path (the tie's own functions, that is PROJ) on a grid of points denser than the fit's
and offset from it, edges included. Where it does not hold there, where a change of datum makes the
plane depend on the height, and for points outside the extent, the exact path answers.

    kernel = site_kernel(tie, latitude, longitude)
    easting, northing, elevation = kernel(latitude, longitude, height)

Digits: kernel and exact path agree to `TOLERANCE` on the ground, that is 0.01 mm in position and
in height; the fit itself has to reach half of it. A point comes out the same alone and among many.

The polynomial is a Chebyshev expansion cut at a total degree (Mason & Handscomb, Chebyshev
Polynomials, 2003, section 6.3), evaluated by Horner's rule in pieces that stay in the processor's
cache, by two threads: numpy lets go of Python's lock while it computes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import List, Tuple, Union

import numpy as np
from numpy.polynomial.chebyshev import cheb2poly

from .errors import SitetieError
from .grid_kernel import Buffers, Certificate, GridKernel, ToGeodetic, ToSite
from .lattice import found_lattice
from .products import product
from .reframe import Reframing
from .tie import Tie

#: Largest deviation from the exact path, metres on the ground.
TOLERANCE = 1e-5
#: What the deviation on the checked points may be, as a share of the tolerance.
SHARE = 0.5
HIGHEST_DEGREE = 8
#: Points per axis of the fit, and of the check; the check's lie between the fit's.
FITTED, CHECKED = 20, 62
#: Heights between which the plane must not move, metres.
HEIGHTS = (0.0, 1000.0)

Ends = Union[np.ndarray, Tuple[float, float]]


def site_kernel(tie: Tie, latitude: Ends, longitude: Ends,
                tolerance: float = TOLERANCE) -> GridKernel:
    """The kernel from latitude, longitude, height to easting, northing, elevation.

    Parameters
    ----------
    latitude, longitude : arrays or (lowest, highest)
        Degrees; the points to be computed, or the ends of their extent. East of west across the
        antimeridian, give the eastern end plus 360.
    tolerance : float
        Metres.
    """
    latitude, longitude = _ends(latitude), _ends(longitude, periodic=True)
    return _kernel(ToSite(tie), latitude, longitude, tolerance)


def layer_kernel(tie: Tie, way: Reframing, x: Ends, y: Ends,
                 tolerance: float = TOLERANCE) -> GridKernel:
    """The kernel from the coordinates of a layer, as `Reframing` takes them, to the site."""
    exact = ToSite(tie, way)
    return _kernel(exact, _ends(x, periodic=exact.periodic == 0), _ends(y), tolerance)


def geodetic_kernel(tie: Tie, easting: Ends, northing: Ends,
                    tolerance: float = TOLERANCE) -> GridKernel:
    """The kernel from easting, northing, elevation to latitude, longitude, height."""
    return _kernel(ToGeodetic(tie), _ends(easting), _ends(northing), tolerance)


def _ends(values: Ends, periodic: bool = False) -> Tuple[float, float]:
    """Lowest and highest; across the antimeridian counted on beyond 180."""
    if not np.size(values):
        return 0.0, 0.0
    low, high = float(np.min(values)), float(np.max(values))
    if periodic and high - low > 180.0 and not isinstance(values, tuple):
        turned = np.mod(values, 360.0)
        low, high = float(np.min(turned)), float(np.max(turned))
    return low, high


def _kernel(exact, first, second, tolerance: float) -> GridKernel:
    middle = tuple((low + high) / 2.0 for low, high in (first, second))
    half = tuple(1.001 * (high - low) / 2.0 + 1e-6 for low, high in (first, second))
    none = GridKernel(exact, Certificate(0, np.nan, np.nan, 0), middle, half,
                      np.zeros((1, 1, 3, 1)))
    if not np.isfinite(middle + half).all():
        return _refused(none, "the extent is not finite")
    if exact.feels_height:
        return _refused(none, "a change of datum makes the plane depend on the height")
    try:
        return _certified(none, tolerance)
    except SitetieError as error:
        return _refused(none, f"the exact path does not cover the extent: {error.what}")


def _refused(kernel: GridKernel, why: str) -> GridKernel:
    return replace(kernel, certificate=replace(kernel.certificate, refusal=why))


def _certified(kernel: GridKernel, tolerance: float) -> GridKernel:
    angles = np.pi * (np.arange(FITTED) + 0.5) / FITTED
    basis = np.cos(np.arange(HIGHEST_DEGREE + 1)[:, None] * angles)
    basis *= np.where(np.arange(HIGHEST_DEGREE + 1) == 0, 1.0, 2.0)[:, None] / FITTED
    values = _smooth(kernel, *_places(kernel, np.cos(angles)))
    if kernel.exact.position_rows is not None and len(values) > kernel.exact.position_rows.start:
        longitude = values[kernel.exact.position_rows][1]
        longitude -= 360.0 * np.rint((longitude - longitude[0]) / 360.0)
    constant = values[:, :1]
    grid = (values - constant).reshape(len(values), FITTED, FITTED)
    series = product(basis, grid, basis.T)

    places = _places(kernel, np.linspace(-1.0, 1.0, CHECKED))
    wanted = _smooth(kernel, *places)
    if _feels_height(kernel.exact, places):
        return _refused(kernel, "the plane depends on the height")
    for degree in range(1, HIGHEST_DEGREE + 1):
        made = replace(kernel, coefficients=_powers(series, constant, degree, kernel.half))
        off = _deviations(made, places, wanted)
        if max(off) <= SHARE * tolerance:
            break
    certificate = Certificate(degree, off[0], off[1] if len(off) > 1 else np.nan, CHECKED**2)
    made = replace(made, certificate=certificate)
    if max(off) > SHARE * tolerance:
        return _refused(made, f"a polynomial of degree {degree} is off by {max(off):.1e} m")
    if kernel.exact.tie.geoid is None or len(wanted) < 3:
        return made
    return _with_lattice(made, places, tolerance)


def _places(kernel: GridKernel, steps: np.ndarray) -> Tuple[np.ndarray, np.ndarray]:
    u, v = np.meshgrid(steps, steps, indexing="ij")
    return (kernel.middle[0] + kernel.half[0] * u.ravel(),
            kernel.middle[1] + kernel.half[1] * v.ravel())


def _smooth(kernel: GridKernel, first, second) -> np.ndarray:
    """(rows, n) exact results at height 0, but for the geoid's part, which is not smooth."""
    exact = kernel.exact
    found = np.stack(exact(first, second, np.zeros(len(first))))
    if exact.tie.vertical is None:
        return found[:2]
    if exact.tie.geoid is None:
        return found
    position = exact.position(first, second)
    found[2] -= exact.undulation(*position)
    return found if exact.position_rows != slice(3, 5) else np.concatenate([found, position])


def _feels_height(exact, places) -> bool:
    low, high = (np.stack(exact(*places, np.full(len(places[0]), h))) for h in HEIGHTS)
    rows = 3 if exact.tie.vertical is not None else 2
    moved = exact.metres(high[:rows], low[:rows])
    if rows == 3:
        rise = (HEIGHTS[1] - HEIGHTS[0]) * exact.per_height
        moved[2] = high[2] - low[2] - rise
    return bool(np.abs(moved).max() > 1e-6)


def _powers(series: np.ndarray, constant, degree: int, half) -> np.ndarray:
    """(degree + 1, degree + 1, rows, 1) coefficients of the powers of the offsets."""
    count = degree + 1
    powers = np.zeros((count, count))
    for i in range(count):
        powers[i, : i + 1] = cheb2poly([0.0] * i + [1.0])
    kept = series[:, :count, :count] * (np.add.outer(np.arange(count), np.arange(count)) <= degree)
    made = product(powers.T, kept, powers)
    for axis in (0, 1):
        scale = half[axis] ** -np.arange(count, dtype=float)
        made = made * (scale[:, None] if axis == 0 else scale)
    made[:, 0, 0] += constant[:, 0]
    return np.ascontiguousarray(np.moveaxis(made, 0, 2))[..., None]


def _deviations(kernel: GridKernel, places, wanted: np.ndarray) -> List[float]:
    """Largest distance and difference in height from what is wanted, metres on the ground."""
    found = np.empty_like(wanted)
    given = [*places, np.zeros(len(places[0]))]
    buffers = Buffers.of(len(places[0]), len(wanted))
    for offset, values, middle in zip(buffers, places, kernel.middle):
        np.subtract(values, middle, out=offset)
    kernel.fill(given, found, buffers)
    off = kernel.exact.metres(found, wanted)
    return [float(np.hypot(off[0], off[1]).max())] + [float(np.abs(row).max()) for row in off[2:]]


def _with_lattice(kernel: GridKernel, places, tolerance: float) -> GridKernel:
    """The kernel with the geoid's part, or with elevations left to the exact path."""
    exact, rows = kernel.exact, kernel.exact.position_rows
    position = exact.position(*places)
    middle = np.array(kernel.middle)
    if rows is not None:
        middle = kernel.coefficients[0, 0, rows, 0]
    offset = position - middle[:, None]
    offset[1] -= 360.0 * np.rint(offset[1] / 360.0)
    half = tuple(1.001 * np.abs(offset).max(axis=1))
    scale = exact.per_height if isinstance(exact, ToSite) else 1.0

    def undulation(u, v):
        return exact.undulation(u + middle[0], (v + middle[1] + 180.0) % 360.0 - 180.0)

    certificate = kernel.certificate
    try:
        lattice, off, points = found_lattice(undulation, half, SHARE * tolerance * scale)
    except SitetieError as error:
        return replace(kernel, certificate=replace(certificate, height_refusal=error.what))
    certificate = replace(certificate, points=certificate.points + points,
                          height_deviation=certificate.height_deviation + off / scale)
    if lattice is None:
        certificate = replace(certificate, height_refusal=(
            f"the geoid grid is no regular patchwork of bilinear cells: off by {off / scale:.1e} "
            "m"))
    return replace(kernel, certificate=certificate, lattice=lattice)
