"""What theory says of the chi-square test and of regions that are scaled when it rejects.

The sum of squares of an adjustment over the true variances follows chi-square with its redundancy,
independent of the errors of the parameters.
"""

from __future__ import annotations

import numpy as np

from ..core.quantiles import chi_square_p_value, chi_square_quantile
from .studies import quantile

#: Points of the midpoint rule over the sum of squares.
POINTS = 4000


def rejection(redundancy: int, noise: float, level: float = 0.05) -> float:
    """Share of sites the chi-square test rejects when true sigmas are `noise` times stated ones."""
    if redundancy <= 0:
        return 0.0
    critical = chi_square_quantile(1.0 - level, redundancy)
    return float(chi_square_p_value(critical / noise**2, redundancy))


def coverage_after_test(
    dimension: int, redundancy: int, noise: float, level: float = 0.05, confidence: float = 0.95
) -> float:
    """Truth inside a region that is scaled, with F quantiles, where the test of `level` rejects.

    For an error independent of the residuals, such as that of a parameter or a restated point.
    """
    from scipy.special import chdtri

    rejected = rejection(redundancy, noise, level)
    fixed = quantile(confidence, dimension, None) / noise**2
    covered = (1.0 - rejected) * (1.0 - chi_square_p_value(fixed, dimension))
    if rejected > 0.0:
        tails = rejected * (np.arange(POINTS) + 0.5) / POINTS
        squares = chdtri(redundancy, tails)
        limits = squares / redundancy * quantile(confidence, dimension, redundancy)
        covered += rejected * float(np.mean(1.0 - chi_square_p_value(limits, dimension)))
    return float(covered)
