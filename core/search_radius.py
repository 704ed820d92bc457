"""Radius of the circle that holds a position error with a given probability, from both axes.

The larger half axis of an error ellipse times the quantile of a circle is too wide a circle, the
two-dimensional quantile times a mean axis too narrow a one. Along the bearing t (seen from the
axes, each in units of its standard deviation) a circle of radius R reaches

    R / sqrt(a^2 cos^2 t + b^2 sin^2 t)

standard deviations, and the squared distance follows chi-square with two degrees of freedom, or
2 F(2, f) where the variance factor was estimated with f degrees of freedom. The probability inside
the circle is the mean of its distribution over all bearings, which has no closed form but in two
cases: a = b, and b = 0.

Source: W. E. Hoover, *Algorithms for confidence circles and ellipses*, NOAA Technical Report
NOS 107 C&GS 3, 1984, which integrates the same density.
"""

from __future__ import annotations

from typing import Optional

import numpy as np

from .quantiles import chi_square_quantile, f_quantile

#: Bearings of the integral, in a quarter turn (the others are alike).
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)
_TURN = (_NODES + 1.0) * np.pi / 4.0
_SHARE = _WEIGHTS / 2.0
_COSINE2, _SINE2 = np.cos(_TURN) ** 2, np.sin(_TURN) ** 2
#: Halvings of the interval the radius lies in.
_HALVINGS = 34


def circle_probability(
    radius, semi_major, semi_minor, freedom: Optional[int] = None
) -> np.ndarray:
    """Probability that an error lies within a circle round its expectation.

    Parameters
    ----------
    radius, semi_major, semi_minor : (n,) arrays or floats
        Radius, and the standard deviations along the axes of the error ellipse, in one unit.
    freedom : int, optional
        Degrees of freedom of an estimated variance factor; None where it is known.

    Returns
    -------
    (n,) array
        0 to 1, to about 1e-9 where the variance factor is known.
    """
    radius, major, minor = (np.asarray(v, dtype=float)[..., None]
                            for v in (radius, semi_major, semi_minor))
    with np.errstate(divide="ignore", invalid="ignore"):
        squared = radius**2 / (major**2 * _COSINE2 + minor**2 * _SINE2)
    return np.sum(_SHARE * _within(squared, freedom), axis=-1)


def circle_radius(
    semi_major, semi_minor, level: float = 0.95, freedom: Optional[int] = None
) -> np.ndarray:
    """Radius of the circle that holds an error with probability `level`.

    Parameters
    ----------
    semi_major, semi_minor : (n,) arrays or floats
        Standard deviations along the axes of the error ellipse, the larger one first.
    level : float
    freedom : int, optional
        As in `circle_probability`.

    Returns
    -------
    (n,) array
        In the unit of the axes; NaN where an axis is.
    """
    major, minor = np.broadcast_arrays(np.asarray(semi_major, dtype=float),
                                       np.asarray(semi_minor, dtype=float))
    with np.errstate(divide="ignore", invalid="ignore"):
        shape = np.where(major > 0.0, minor / major, 0.0)
    # Between the radius of a line (which one number covers) and that of a circle.
    if freedom is None:
        line = chi_square_quantile(level, 1)
        circle = chi_square_quantile(level, 2)
    else:
        line, circle = f_quantile(level, 1, freedom), 2.0 * f_quantile(level, 2, freedom)
    low = np.full(shape.shape, np.sqrt(line) * (1.0 - 1e-6))
    high = np.full(shape.shape, np.sqrt(circle) * (1.0 + 1e-6))
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        enough = circle_probability(middle, 1.0, shape, freedom) >= level
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(np.isnan(shape), np.nan, major * (low + high) / 2.0)


def ellipse_axes(covariance: np.ndarray) -> np.ndarray:
    """(n, 2) standard deviations along the axes of (n, 2, 2) covariances, the larger one first."""
    covariance = np.asarray(covariance, dtype=float)
    east, north, mixed = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    middle, away = (east + north) / 2.0, np.hypot((east - north) / 2.0, mixed)
    # The product of both is the determinant: their difference would drown a small one.
    larger = middle + away
    with np.errstate(divide="ignore", invalid="ignore"):
        smaller = np.where(larger > 0.0, (east * north - mixed**2) / larger, 0.0)
    return np.sqrt(np.maximum(np.stack([larger, smaller], axis=-1), 0.0))


def _within(squared: np.ndarray, freedom: Optional[int]) -> np.ndarray:
    """Share of errors within that squared number of standard deviations, in the plane."""
    if freedom is None:
        return -np.expm1(-squared / 2.0)
    return -np.expm1(-freedom / 2.0 * np.log1p(squared / freedom))
