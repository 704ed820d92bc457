"""Quantiles and constants of the tests: normal, chi-square, t, F, tau, and Baarda's noncentrality.

Sources: Baarda, *A testing procedure for use in geodetic networks* (1968), for the noncentrality
that links level and power; Pope, *The statistics of residuals and the detection of outliers*
(NOAA TR NOS 65 NGS 1, 1976), for tau. The distributions are those of `scipy.special`.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Optional

import numpy as np


def normal_quantile(probability: float) -> float:
    """Standard normal quantile of a cumulative probability."""
    from scipy.special import ndtri

    return float(ndtri(probability))


def chi_square_quantile(probability: float, degrees_of_freedom: float) -> float:
    """Chi-square quantile of a cumulative probability."""
    from scipy.special import chdtri

    return float(chdtri(degrees_of_freedom, 1.0 - probability))


def chi_square_p_value(value, degrees_of_freedom):
    """Probability that chi-square exceeds `value` (scalar or array)."""
    from scipy.special import chdtrc

    return chdtrc(degrees_of_freedom, value)


def student_quantile(probability: float, degrees_of_freedom: float) -> float:
    """Student t quantile of a cumulative probability."""
    from scipy.special import stdtrit

    return float(stdtrit(degrees_of_freedom, probability))


def f_quantile(probability: float, numerator: float, denominator: float) -> float:
    """F quantile of a cumulative probability."""
    from scipy.special import fdtri

    return float(fdtri(numerator, denominator, probability))


def region_factor(level: float, dimension: int, freedom: Optional[int] = None) -> float:
    """Factor on a standard deviation for a region: a normal, t, chi-square or F quantile.

    Parameters
    ----------
    dimension : int
        2 for an ellipse (its half axes are this times the root of the eigenvalues), 1 for an
        interval.
    freedom : int, optional
        Degrees of freedom of an estimated variance factor; None where it is known.
    """
    if dimension == 2:
        if freedom is None:
            return float(np.sqrt(chi_square_quantile(level, 2)))
        return float(np.sqrt(2.0 * f_quantile(level, 2, freedom)))
    if freedom is None:
        return normal_quantile(0.5 + level / 2.0)
    return student_quantile(0.5 + level / 2.0, freedom)


@lru_cache(maxsize=64)
def noncentrality(level: float, power: float, degrees_of_freedom: int) -> float:
    """Noncentrality at which a chi-square test of that level has that power.

    For one degree of freedom, level 0.001 and power 0.80 this is Baarda's 17.07 (its square
    root 4.13); for two degrees of freedom 19.66.
    """
    from scipy.special import chndtrinc

    critical = chi_square_quantile(1.0 - level, degrees_of_freedom)
    return float(chndtrinc(critical, degrees_of_freedom, 1.0 - power))


@lru_cache(maxsize=256)
def tau_noncentrality(level: float, power: float, dimension: int, redundancy: int) -> float:
    """Noncentrality at which the tau test of that level has that power.

    The tau test is an F test of `dimension` against the rest of the redundancy; infinite where
    nothing is left to estimate the variance from. Above 10000, where scipy's search ends, the
    denominator alone decides, the numerator being known to a percent.
    """
    from scipy.special import ncfdtrinc

    rest = redundancy - dimension
    if rest <= 0:
        return float("inf")
    critical = f_quantile(1.0 - level, dimension, rest)
    value = float(ncfdtrinc(dimension, rest, 1.0 - power, critical))
    if value < 9999.0:
        return value
    return critical * dimension / rest * chi_square_quantile(power, rest)


def tau_critical(level: float, redundancy: int, dimension: int = 1) -> float:
    """Critical value of the internally studentised residual of one pair.

    The square of tau over the redundancy follows a beta distribution with dimension/2 and
    (redundancy - dimension)/2; for one dimension this is Pope's tau,
    ``t * sqrt(f) / sqrt(f - 1 + t**2)``. With no redundancy beyond the pair's own the value is
    certain, and the critical value is its upper limit.

    Parameters
    ----------
    level : float
        Probability of exceeding it by chance in one test.
    redundancy : int
        Of the whole adjustment.
    dimension : int
        1 for a single residual, 2 for a horizontal pair.
    """
    from scipy.special import betaincinv

    if redundancy <= dimension:
        return float(np.sqrt(redundancy))
    beta = betaincinv(dimension / 2.0, (redundancy - dimension) / 2.0, 1.0 - level)
    return float(np.sqrt(redundancy * beta))
