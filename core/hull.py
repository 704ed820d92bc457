"""The control hull: the smallest convex polygon round the control that drives a tie."""

from __future__ import annotations

from typing import TYPE_CHECKING, List, Optional

import numpy as np

from .one_frame import positions_in_one_frame
from .pairs import Role
from .products import product

if TYPE_CHECKING:
    from .tie import Tie

#: Metres a point may lie outside the hull and still count as on its edge (rounding).
ON_THE_EDGE = 1e-6


def convex_hull(points: np.ndarray) -> np.ndarray:
    """Corners of the convex hull.

    Parameters
    ----------
    points : (n, 2) array

    Returns
    -------
    (k, 2) array
        Counter-clockwise, no three in line; two rows for points in line, one for a single place.

    Notes
    -----
    Andrew's monotone chain (A. M. Andrew, Information Processing Letters 9, 1979).
    """
    points = np.unique(np.asarray(points, dtype=float), axis=0)
    if len(points) < 3:
        return points
    lower, upper = _chain(points.tolist()), _chain(points[::-1].tolist())
    return np.array(lower[:-1] + upper[:-1])


def _chain(points: List[List[float]]) -> List[List[float]]:
    chain: List[List[float]] = []
    for east, north in points:  # plain numbers: reading them out of arrays is slow
        while len(chain) > 1:
            (e1, n1), (e2, n2) = chain[-2:]
            if (e2 - e1) * (north - n1) - (n2 - n1) * (east - e1) > 0.0:
                break
            chain.pop()
        chain.append([east, north])
    return chain


def _cross(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    return one[..., 0] * other[..., 1] - one[..., 1] * other[..., 0]


def distance_outside(hull: np.ndarray, points: np.ndarray) -> np.ndarray:
    """How far points lie outside a hull.

    Parameters
    ----------
    hull : (k, 2) array
        As `convex_hull` gives it; a place or a line has no inside, only itself.
    points : (n, 2) array

    Returns
    -------
    (n,) array
        0 for points inside.
    """
    points = np.asarray(points, dtype=float)
    inside = np.full(len(points), len(hull) > 2)
    nearest = np.full(len(points), np.inf)
    for start, end in zip(hull, np.roll(hull, -1, axis=0)):
        edge, offset = end - start, points - start
        inside &= _cross(edge, offset) >= 0.0
        length = max(product(edge, edge), np.finfo(float).tiny)
        along = np.clip(product(offset, edge) / length, 0.0, 1.0)
        away = offset - along[:, None] * edge
        nearest = np.minimum(nearest, np.hypot(away[:, 0], away[:, 1]))
    return np.where(inside, 0.0, nearest)


def control_hull(tie: "Tie", side: str = "horizontal") -> Optional[np.ndarray]:
    """Hull of the observations that drive the solution of one side, base-plane metres.

    Parameters
    ----------
    side : {"horizontal", "vertical"}

    Returns
    -------
    (k, 2) array or None
        None for a side that is left out or was typed.
    """
    part = getattr(tie, side)
    fit = [pair for pair in tie.pairs if getattr(pair, side) is Role.FIT]
    if part is None or part.cofactor is None or not fit:
        return None
    latitude, longitude, height = positions_in_one_frame(fit, tie.settings)
    return convex_hull(
        np.stack(tie.base.to_base(latitude, longitude, np.nan_to_num(height)), axis=-1)
    )
