"""The part of a site that the work is about: where predicted uncertainty counts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Sequence

import numpy as np

from .errors import GeometryError
from .hull import convex_hull

#: Points over which means are taken, about.
POINTS = 400
#: Cells of that grid at most along the longer side: a sliver has few points inside.
FINEST = 300


@dataclass(frozen=True)
class WorkArea:
    """An area, a line or some places in site coordinates.

    Attributes
    ----------
    name : str
        As a sentence says it: "the haul road".
    corners : (c, 2) array
        Of its convex hull. The variance of a predicted point is a convex function of its place,
        so that the worst one lies at a corner.
    points : (n, 2) array
        Spread evenly over it.
    """

    name: str
    corners: np.ndarray
    points: np.ndarray

    @classmethod
    def of_places(cls, places: np.ndarray, name: str = "the work area") -> "WorkArea":
        """Some places, each counting alike.

        Raises
        ------
        GeometryError
            When there is none.
        """
        places = np.asarray(places, dtype=float).reshape(-1, 2)
        places = places[np.isfinite(places).all(axis=1)]
        if not len(places):
            raise GeometryError("The work area is empty.", "Give one with at least one place.")
        return cls(name, convex_hull(places), places)

    @classmethod
    def of_hull(cls, places: np.ndarray, name: str = "the site") -> "WorkArea":
        """All within the convex hull of places, such as the control of a site."""
        corners = cls.of_places(places, name).corners
        return cls.of_rings([corners], name)

    @classmethod
    def of_rings(
        cls, rings: Sequence[np.ndarray], name: str = "the work area"
    ) -> "WorkArea":
        """Polygons by all their rings, holes included (even-odd rule).

        Parameters
        ----------
        rings : sequence of (k, 2) arrays
            Site coordinates; whether the first place is repeated at the end does not matter.
        """
        everywhere = cls.of_places(np.vstack([np.asarray(ring, dtype=float) for ring in rings]),
                                   name)
        inside = _grid_inside([np.asarray(ring, dtype=float) for ring in rings])
        return cls(name, everywhere.corners, inside if len(inside) else everywhere.points)

    @classmethod
    def of_lines(cls, lines: Sequence[np.ndarray], name: str = "the work area") -> "WorkArea":
        """Lines, evenly along their length."""
        everywhere = cls.of_places(np.vstack([np.asarray(line, dtype=float) for line in lines]),
                                   name)
        steps = [np.hypot(*np.diff(line, axis=0).T) for line in lines]
        whole = sum(float(step.sum()) for step in steps)
        if whole == 0.0:
            return everywhere
        points = []
        for line, step in zip(lines, steps):
            along = np.append(0.0, np.cumsum(step))
            at = np.linspace(0.0, along[-1], max(2, int(POINTS * along[-1] / whole)))
            points.append(np.stack([np.interp(at, along, np.asarray(line)[:, k])
                                    for k in (0, 1)], axis=1))
        return cls(name, everywhere.corners, np.vstack(points))


def _grid_inside(rings: Sequence[np.ndarray]) -> np.ndarray:
    """(n, 2) places of a square grid inside rings."""
    everything = np.vstack(rings)
    low, high = everything.min(axis=0), everything.max(axis=0)
    area = sum(_area(ring - low) for ring in rings)
    step = max(np.sqrt(area / POINTS), float((high - low).max()) / FINEST)
    if step == 0.0:
        return np.zeros((0, 2))
    cells = []  # round each ring alone: small areas may lie far apart
    for ring in rings:
        first, last = (np.floor((at - low) / step).astype(int)
                       for at in (ring.min(axis=0), ring.max(axis=0)))
        east, north = (np.arange(first[k], last[k] + 1) for k in (0, 1))
        cells.append((east[:, None] * (FINEST + 1) + north).ravel())
    grid = np.stack(np.divmod(np.unique(np.concatenate(cells)), FINEST + 1), axis=1)
    grid = low + (grid + 0.5) * step
    return grid[_inside(rings, grid)]


def _area(ring: np.ndarray) -> float:
    east, north = ring.T
    return float(abs(0.5 * np.sum(east * np.roll(north, -1) - np.roll(east, -1) * north)))


def _inside(rings: Sequence[np.ndarray], points: np.ndarray) -> np.ndarray:
    """(n,) bool by the even-odd rule."""
    inside = np.zeros(len(points), dtype=bool)
    for ring in rings:
        for (e1, n1), (e2, n2) in zip(ring, np.roll(ring, -1, axis=0)):
            if n1 == n2:
                continue
            crosses = (n1 > points[:, 1]) != (n2 > points[:, 1])
            at = e1 + (points[:, 1] - n1) / (n2 - n1) * (e2 - e1)
            inside ^= crosses & (points[:, 0] < at)
    return inside
