"""What pairing by geometry is given: checked, and made into what the search works on."""

from __future__ import annotations

import math
from typing import Optional, Tuple

import numpy as np

from .errors import InputError
from .pairing_evidence import SIGMAS, PointLists
from .wording import counted

#: A free scale lies within this factor of 1: feet and metres differ by 3.3.
FREE_SCALE = 5.0
#: Standard deviations (metres) that are possible when none is given, and the largest as a share of
#: the extent: with more, a site has no shape.
SIGMA_RANGE = (1e-3, 2.0)
LARGEST_SIGMA_SHARE = 0.03


def points_of(given: np.ndarray, side: str) -> np.ndarray:
    """(n,) complex points, easting + i northing; `side` is what messages call the list.

    Raises
    ------
    InputError
        Naming the index of a point that cannot be used.
    """
    try:
        points = np.asarray(given, dtype=float)
    except (TypeError, ValueError):
        points = np.zeros(0)
    if points.ndim != 2 or points.shape[1] != 2:
        raise InputError(
            f"The {side} points are no (n, 2) array of numbers.",
            "Give easting and northing of each point, in metres.",
        )
    bad = np.flatnonzero(~np.isfinite(points).all(axis=1))
    if len(bad):
        raise InputError(
            f"The {side} point at index {bad[0]} has no finite easting and northing.",
            "Leave out points without a position.",
        )
    if len(points) < 3:
        raise InputError(
            f"There {'is' if len(points) == 1 else 'are'} {counted(len(points), side + ' point')}; "
            "geometry alone needs at least three on each side.",
            "Add points, or pair by hand.",
        )
    order = np.lexsort((points[:, 1], points[:, 0]))
    same = np.flatnonzero((np.diff(points[order], axis=0) == 0.0).all(axis=1))
    if len(same):
        first, second = sorted(order[same[0]:same[0] + 2])
        raise InputError(
            f"The {side} points at indices {first} and {second} are at the same place.",
            "Keep one of them.",
        )
    return points[:, 0] + 1j * points[:, 1]


def names_of(control, observed, n: int, m: int):
    """The two lists of names, or None."""
    if control is None or observed is None:
        return None
    if len(control) != n or len(observed) != m:
        raise InputError(
            f"There are {len(control)} and {len(observed)} names for {n} control and {m} observed "
            "points.", "Give one name for each point, blank where there is none.",
        )
    return tuple(["".join(str(name).split()).casefold() if name is not None else ""
                  for name in side] for side in (control, observed))


def scale_range_of(free: bool, tolerance: float) -> Tuple[float, float]:
    """Lowest and highest scale."""
    if free:
        return 1.0 / FREE_SCALE, FREE_SCALE
    if not 0.0 <= tolerance < 0.5:
        raise InputError(f"The scale tolerance is {tolerance}.",
                         "Give a number from 0 to 0.5, or let the scale be free.")
    return 1.0 - tolerance, 1.0 + tolerance


def lists_of(z: np.ndarray, w: np.ndarray, scale_range, noise: Optional[float]) -> PointLists:
    """The lists with what is known of noise and site; points are about their middles."""
    if noise is not None and not (math.isfinite(noise) and noise > 0.0):
        raise InputError(f"The noise is {noise}.", "Give a standard deviation in metres.")
    sides = [_widths(points) for points in (z, w)]
    free = scale_range[1] / scale_range[0] > 2.0
    if free:
        widths = sides[0]
    else:
        widths = min(sides, key=lambda pair: pair[0] * max(pair[1], 1e-3 * pair[0]))
    low, high = (noise / 2.0, noise * 2.0) if noise is not None else SIGMA_RANGE
    largest = LARGEST_SIGMA_SHARE * widths[0]
    if high > largest:
        low, high = min(low, largest * low / high), largest
    return PointLists(z, w, scale_range, np.geomspace(low, high, SIGMAS), widths)


def _widths(points: np.ndarray) -> Tuple[float, float]:
    """Long and short side of the rectangle that points are strewn over; far ones count little."""
    plane = np.stack([points.real, points.imag], axis=-1)
    axes = np.linalg.svd(plane - plane.mean(axis=0), full_matrices=False)[2]
    along = (plane - np.median(plane, axis=0)) @ axes.T
    even = np.sqrt(12.0) * along.std(axis=0)
    middle = 5.0 * np.median(np.abs(along), axis=0)
    first, second = np.where(middle > 0.0, np.minimum(even, middle), even)
    return float(max(first, second)), float(min(first, second))
