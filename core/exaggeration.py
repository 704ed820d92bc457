"""How much residuals are exaggerated in a drawing, so that they can be seen beside the site."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Iterable, Optional, Tuple

import numpy as np

#: Shares of the site's extent: the largest ordinary arrow, and where an arrow is cut off.
ORDINARY_SHARE, LONGEST_SHARE = 0.12, 0.2
#: A factor in use stays while the largest ordinary arrow takes up a share between these.
KEPT_SHARES = (0.025, 0.17)
#: Sizes above this many times the median are not ordinary.
ORDINARY_TIMES = 3.0
#: Shown where every residual is zero or the site is a single place, site units.
LEAST_EXTENT, LEAST_SIZE = 1.0, 1e-6


@dataclass(frozen=True)
class Exaggeration:
    """A round factor, and what goes with it. Lengths are in site units.

    Attributes
    ----------
    factor : float
        Drawn length over true length: 1, 2 or 5 times a power of ten.
    longest : float
        An arrow that would be drawn longer than this is cut.
    reference : float
        A round true length for the reference arrow.
    """

    factor: float
    longest: float
    reference: float

    def drawn(self, east: float, north: float) -> Tuple[float, float, bool]:
        """The drawn components, and whether the arrow was cut."""
        east, north = east * self.factor, north * self.factor
        length = math.hypot(east, north)
        if length <= self.longest:
            return east, north, False
        return east * self.longest / length, north * self.longest / length, True


def exaggeration(
    sizes: Iterable[float], extent: float, kept: Optional[float] = None
) -> Exaggeration:
    """Choose a factor for residuals on a site.

    Parameters
    ----------
    sizes : iterable of float
        Lengths of the residuals; NaN ones do not count. A few very large ones do not shrink the
        rest: they are cut.
    extent : float
        Largest extent of the site.
    kept : float, optional
        The factor in use: it stays while it serves, so that a small change does not rescale the
        whole drawing.
    """
    known = np.array([size for size in sizes if math.isfinite(size) and size > 0.0])
    extent = max(extent, LEAST_EXTENT)
    ordinary = known[known <= ORDINARY_TIMES * np.median(known)] if len(known) else known
    largest = max(float(ordinary.max()) if len(ordinary) else LEAST_SIZE, LEAST_SIZE)
    factor = round_down(ORDINARY_SHARE * extent / largest)
    if kept is not None and KEPT_SHARES[0] <= kept * largest / extent <= KEPT_SHARES[1]:
        factor = kept
    return Exaggeration(factor, LONGEST_SHARE * extent, round_down(largest))


def round_down(value: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not above a positive value."""
    power = 10.0 ** math.floor(math.log10(value) + 1e-12)
    digit = value / power * (1.0 + 1e-12)
    return (5.0 if digit >= 5.0 else 2.0 if digit >= 2.0 else 1.0) * power
