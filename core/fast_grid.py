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
Polynomials, 2003, chapter 6, cited from memory), evaluated by Horner's rule in pieces that stay in
the processor's cache, by two threads: numpy lets go of Python's lock while it computes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Callable, Optional, Tuple, Union

import numpy as np
from numpy.polynomial.chebyshev import cheb2poly

from .errors import SitetieError
from .grid_kernel import (
    Certificate,
    GridKernel,
    ToGeodetic,
    ToSite,
    ground_metres,
    polynomial,
)
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
Exact = Union[ToSite, ToGeodetic]


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
                      np.zeros((1, 1, 2, 1)), np.zeros((1, 1, 1, 1)))
    if not np.isfinite(middle + half).all():
        return _with(none, refusal="the extent is not finite")
    if exact.feels_height:
        return _with(none, refusal="a change of datum makes the plane depend on the height")
    try:
        return _certified(none, tolerance)
    except SitetieError as error:
        return _with(none, refusal=f"the exact path does not cover the extent: {error.what}")


def _with(kernel: GridKernel, **changes) -> GridKernel:
    return replace(kernel, certificate=replace(kernel.certificate, **changes))


def _certified(kernel: GridKernel, tolerance: float) -> GridKernel:
    exact, room = kernel.exact, SHARE * tolerance
    fitted = _places(kernel, np.cos(np.pi * (np.arange(FITTED) + 0.5) / FITTED))
    checked = _places(kernel, np.linspace(-1.0, 1.0, CHECKED))
    if _feels_height(exact, checked):
        return _with(kernel, refusal="the plane depends on the height")
    kernel = _with(kernel, points=CHECKED**2)
    offsets = [values - middle for values, middle in zip(checked, kernel.middle)]

    plane, rise = _smooth(exact, *fitted)
    wanted, wanted_rise = _smooth(exact, *checked)
    degree, coefficients, off = _lowest(
        plane, kernel.half, offsets, lambda found: _off(exact, found, wanted), room)
    kernel = replace(_with(kernel, degree=degree, deviation=off), coefficients=coefficients)
    if off > room:
        return _with(kernel,
                     refusal=f"a polynomial of degree {degree} is off by {off:.1e} m")
    if rise is None:
        return kernel
    scale = _elevation_metres(exact)
    degree, coefficients, off = _lowest(
        rise[None], kernel.half, offsets,
        lambda found: float(np.abs(found[0] - wanted_rise).max()) * scale, room)
    kernel = replace(_with(kernel, height_deviation=off), rise=coefficients)
    if off > room:
        return _with(kernel, height_refusal=f"a polynomial of degree {degree} is off by {off:.1e}"
                     " m in height")
    return kernel if exact.tie.geoid is None else _with_lattice(kernel, checked, room)


def _places(kernel: GridKernel, steps: np.ndarray) -> Tuple[np.ndarray, np.ndarray]:
    u, v = np.meshgrid(steps, steps, indexing="ij")
    return (kernel.middle[0] + kernel.half[0] * u.ravel(),
            kernel.middle[1] + kernel.half[1] * v.ravel())


def _smooth(exact: Exact, first, second) -> Tuple[np.ndarray, Optional[np.ndarray]]:
    """What a polynomial has to follow: the plane, and the third result at height 0 but for the
    geoid's part, which is not smooth."""
    found = np.stack(exact(first, second, np.zeros(len(first))))
    plane: np.ndarray = found[:2]
    rise: Optional[np.ndarray] = found[2]
    if exact.tie.vertical is None:
        rise = None
    elif exact.tie.geoid is not None:
        position = exact.position(first, second)
        rise = found[2] - exact.undulation(position[0], position[1])
        if isinstance(exact, ToSite) and exact.way is not None:
            plane = np.concatenate([plane, position])
    if exact.position_rows is not None and len(plane) >= exact.position_rows.stop:
        longitude = plane[exact.position_rows][1]
        longitude -= 360.0 * np.rint((longitude - longitude[0]) / 360.0)  # counted on beyond 180
    return plane, rise


def _lowest(
    values: np.ndarray, half, offsets, off: Callable[[np.ndarray], float], room: float
) -> Tuple[int, np.ndarray, float]:
    """Degree, coefficients and deviation of the lowest polynomial that is close enough.

    Parameters
    ----------
    values : (rows, n) array
        At the places of the fit.
    offsets : two (n,) arrays
        Of the places of the check.
    off : callable
        Deviation in metres of (rows, n) values at the places of the check.
    """
    constant = values[:, :1].copy()
    values = values - constant
    series = _chebyshev(values)
    for degree in range(HIGHEST_DEGREE + 1):
        coefficients = _powers(series, constant, degree, half)
        deviation = off(polynomial(coefficients, *offsets))
        if deviation <= room:
            break
    return degree, coefficients, deviation


def _off(exact: Exact, found: np.ndarray, wanted: np.ndarray) -> float:
    off = float(exact.metres(found[:2], wanted[:2]).max())
    if len(found) > 2:
        off = max(off, float(ground_metres(exact.tie, found[2:], wanted[2:]).max()))
    return off


def _elevation_metres(exact: Exact) -> float:
    """Metres in the unit of the third result."""
    to_site = isinstance(exact, ToSite)
    return exact.tie.settings.elevation_length.metres if to_site else 1.0


def _feels_height(exact: Exact, places) -> bool:
    first, second = places
    low, high = (np.stack(exact(first, second, np.full(len(first), h))) for h in HEIGHTS)
    moved = float(exact.metres(high[:2], low[:2]).max())
    if exact.tie.vertical is not None:
        rise = high[2] - low[2] - (HEIGHTS[1] - HEIGHTS[0]) * exact.per_height
        moved = max(moved, float(np.abs(rise).max()) * _elevation_metres(exact))
    return moved > 1e-6


def _chebyshev(values: np.ndarray) -> np.ndarray:
    """(rows, k, k) coefficients of the Chebyshev series of values at the places of the fit."""
    order = np.arange(HIGHEST_DEGREE + 1)
    basis = np.cos(order[:, None] * np.pi * (np.arange(FITTED) + 0.5) / FITTED)
    basis *= np.where(order == 0, 1.0, 2.0)[:, None] / FITTED
    return product(basis, values.reshape(len(values), FITTED, FITTED), basis.T)


def _powers(series: np.ndarray, constant: np.ndarray, degree: int, half) -> np.ndarray:
    """(degree + 1, degree + 1, rows, 1) coefficients of the powers of the offsets."""
    order = np.arange(degree + 1)
    powers = np.zeros((degree + 1, degree + 1))
    for i in order:
        powers[i, : i + 1] = cheb2poly([0.0] * i + [1.0])
    kept = series[:, : degree + 1, : degree + 1] * (np.add.outer(order, order) <= degree)
    made = product(powers.T, kept, powers)
    made *= np.multiply.outer(*(size ** -order.astype(float) for size in half))
    made[:, 0, 0] += constant[:, 0]
    return np.ascontiguousarray(np.moveaxis(made, 0, 2))[..., None]


def _with_lattice(kernel: GridKernel, places, room: float) -> GridKernel:
    """The kernel with the geoid's part, or with elevations left to the exact path."""
    exact, rows = kernel.exact, kernel.exact.position_rows
    middle = np.array(kernel.middle)
    if rows is not None:
        middle = kernel.coefficients[0, 0, rows, 0]
    offset = exact.position(*places) - middle[:, None]
    offset[1] -= 360.0 * np.rint(offset[1] / 360.0)
    half = tuple(1.001 * np.abs(offset).max(axis=1))
    scale = _elevation_metres(exact)

    def undulation(u, v):
        return exact.undulation(u + middle[0], (v + middle[1] + 180.0) % 360.0 - 180.0)

    try:
        lattice, off, points = found_lattice(undulation, half, room / scale)
    except SitetieError as error:
        return _with(kernel, height_refusal=error.what)
    certificate = kernel.certificate
    kernel = _with(kernel, points=certificate.points + points,
                   height_deviation=certificate.height_deviation + off * scale)
    if lattice is None:
        return _with(kernel, height_refusal="the geoid grid is no regular patchwork of bilinear "
                     f"cells: off by {off * scale:.1e} m")
    return replace(kernel, lattice=lattice)
