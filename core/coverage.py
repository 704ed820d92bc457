"""How far points lie outside the control that drives a tie, and how large that control is."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Optional

import numpy as np

from .hull import ON_THE_EDGE, control_hull, distance_outside
from .tie import Tie


@dataclass(frozen=True)
class Extent:
    """Size of a convex hull, in the unit of its corners.

    Attributes
    ----------
    corners : (k, 2) array
        As `hull.convex_hull` gives it: one row for a place, two for a line.
    """

    corners: np.ndarray

    @cached_property
    def length(self) -> float:
        """Longest distance between two corners."""
        return float(_distances(self.corners).max())

    @cached_property
    def width(self) -> float:
        """Smallest distance between two parallel lines that hold the hull; 0 for a line."""
        if len(self.corners) < 3:
            return 0.0
        edges = np.roll(self.corners, -1, axis=0) - self.corners
        normals = np.stack([-edges[:, 1], edges[:, 0]], axis=1) / np.hypot(*edges.T)[:, None]
        across = self.corners @ normals.T
        return float((across.max(axis=0) - across.min(axis=0)).min())

    @cached_property
    def area(self) -> float:
        """Enclosed area; 0 for a line or a place."""
        east, north = (self.corners - self.corners[0]).T
        return float(0.5 * abs(np.sum(east * np.roll(north, -1) - np.roll(east, -1) * north)))


@dataclass(frozen=True)
class Coverage:
    """Points against the hull of the control, in site units.

    Attributes
    ----------
    control : Extent
        Hull of the fit marks in the site grid.
    distance_outside : (n,) array
        Of each point; 0 inside and on the edge.
    """

    control: Extent
    distance_outside: np.ndarray

    @property
    def outside(self) -> np.ndarray:
        """(n,) bool, whether each point lies outside the control."""
        return self.distance_outside > 0.0

    @property
    def share_outside(self) -> float:
        """0 to 1; 0 without points."""
        return float(self.outside.mean()) if len(self.distance_outside) else 0.0

    @property
    def farthest(self) -> Optional[int]:
        """Which point lies farthest outside, None when none does."""
        return int(np.argmax(self.distance_outside)) if self.outside.any() else None

    @property
    def farthest_distance(self) -> float:
        """How far that point lies outside; 0 when none does."""
        return float(self.distance_outside.max(initial=0.0))


def coverage(
    tie: Tie, latitude, longitude, height=None, side: str = "horizontal"
) -> Optional[Coverage]:
    """How well the control surrounds points.

    Parameters
    ----------
    latitude, longitude : (n,) arrays or floats
        Degrees in the observation CRS.
    height : (n,) array or float, optional
        Metres; matters only where the base plane feels the height.
    side : {"horizontal", "vertical"}
        Which fit marks count as control.

    Returns
    -------
    Coverage or None
        None where that side has no control, as with typed parameters. Works with one mark, two
        marks and marks in line: nothing but the place or the line itself is then inside.
    """
    hull = control_hull(tie, side)
    if hull is None:
        return None
    points = np.stack(
        [np.atleast_1d(values) for values in tie.base.to_base(latitude, longitude, height)], axis=-1
    )
    return coverage_in_base(tie, hull, points)


def coverage_in_base(tie: Tie, hull: np.ndarray, points: np.ndarray) -> Coverage:
    """The same from base-plane metres: (k, 2) corners of the control and (n, 2) points.

    Distances come from the base plane times the scale of the tie.
    """
    unit = tie.settings.site_length.metres
    away = distance_outside(hull, points)
    away = np.where(away > ON_THE_EDGE, away, 0.0)
    return Coverage(
        Extent(tie.horizontal.apply(hull) / unit), away * tie.horizontal.scale / unit
    )


def _distances(corners: np.ndarray) -> np.ndarray:
    return np.linalg.norm(corners[:, None, :] - corners[None, :, :], axis=2)
