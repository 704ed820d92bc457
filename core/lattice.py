"""A grid that PROJ interpolates bilinearly, found again over a site and evaluated by numpy.

A geoid grid is a patchwork of bilinear cells. Where its lines run is not known here (PROJ reads
the file), but they show: along a meridian or a parallel the undulation is straight inside a cell
and bends on a line. From the bends the lines are found, the surface is sampled where they cross,
and the result is held against the surface on points in between before it is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Optional, Tuple

import numpy as np

#: Points along a profile, and where the profiles cross the other axis (irregular, so that one
#: bend less on one of them does not matter).
PROFILE = 2049
CROSSINGS = (-0.83, -0.31, 0.07, 0.52, 0.97)
#: Bends below this, metres from one point of a profile to the next, are rounding.
BEND = 1e-11
#: Points of the check per cell and axis, and at most per axis.
DENSITY, MOST = 3, 300
#: Points asked for at a time.
CHUNK = 50_000

Surface = Callable[[np.ndarray, np.ndarray], np.ndarray]


@dataclass(frozen=True, eq=False)
class Lattice:
    """Bilinear cells.

    Attributes
    ----------
    start, step : (float, float)
        Of the lines along both axes.
    count : (int, int)
        Cells along both axes.
    parts : (4, cells) array
        Of each cell: value in its lower corner, change along the first axis, along the second,
        and of both together.
    """

    start: Tuple[float, float]
    step: Tuple[float, float]
    count: Tuple[int, int]
    parts: np.ndarray

    def __call__(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """(n,) values at (n,) places inside."""
        f, row = self._within(u, 0)
        g, column = self._within(v, 1)
        row *= self.count[1]
        row += column
        value, along, across, both = (part.take(row) for part in self.parts)
        both *= f
        both += across
        both *= g
        along *= f
        value += along
        value += both
        return value

    def _within(self, places: np.ndarray, axis: int) -> Tuple[np.ndarray, np.ndarray]:
        within = places - self.start[axis]
        within *= 1.0 / self.step[axis]
        cell = within.astype(np.intp)
        np.clip(cell, 0, self.count[axis] - 1, out=cell)
        within -= cell
        return within, cell


def found_lattice(
    surface: Surface, half: Tuple[float, float], room: float
) -> Tuple[Optional[Lattice], float, int]:
    """The cells of a surface over -half to +half.

    Parameters
    ----------
    surface : callable
        (n,) values at (n,) places along both axes.
    room : float
        Largest deviation allowed on the points of the check.

    Returns
    -------
    Lattice or None
        None where the surface is no patchwork of regular bilinear cells.
    float
        Largest deviation found.
    int
        Points checked.
    """
    axes = []
    for axis in (0, 1):
        steps = np.linspace(-half[axis], half[axis], PROFILE)
        profiles = []
        for share in CROSSINGS:
            crossing = np.full(PROFILE, share * half[1 - axis])
            profiles.append(surface(*((steps, crossing) if axis == 0 else (crossing, steps))))
        bends = _bends(steps, np.array(profiles))
        if bends is None:
            return None, float("inf"), 0
        axes.append(_lines(bends, half[axis]))
    (start, step, count) = (tuple(item) for item in zip(*axes))
    lattice = _sampled(surface, start, step, count)
    checked = [np.linspace(-limit, limit, min(DENSITY * cells + 20, MOST))
               for limit, cells in zip(half, count)]
    wanted = _over(surface, *checked)
    off = float(np.abs(_over(lattice, *checked) - wanted).max())
    return (lattice if off <= room else None), off, wanted.size


def _bends(steps: np.ndarray, profiles: np.ndarray) -> Optional[np.ndarray]:
    """Where profiles that are straight elsewhere bend; None when they are curved."""
    size = np.abs(np.diff(profiles, 2)).sum(axis=0)
    bent = np.flatnonzero(size > BEND)
    if not len(bent):
        return np.array([])
    groups = np.split(bent, np.flatnonzero(np.diff(bent) > 1) + 1)
    if max(map(len, groups)) > 2:
        return None
    # A bend between two points shows at both, in proportion to its distance from the other.
    return np.array([np.average(steps[1:-1][group], weights=size[group]) for group in groups])


def _lines(bends: np.ndarray, half: float) -> Tuple[float, float, int]:
    """Start, step and number of cells of the regular lines through the bends."""
    if not len(bends):
        return -half, 2.0 * half, 1
    if len(bends) == 1:
        step = half + abs(bends[0])
        return float(bends[0] - step), float(step), 2
    span = bends[-1] - bends[0]
    step = span / max(1, round(span / np.diff(bends).min()))
    before = int(np.ceil((bends[0] + half) / step - 1e-9))
    after = int(np.ceil((half - bends[0]) / step - 1e-9))
    return float(bends[0] - before * step), float(step), before + after


def _sampled(surface: Surface, start, step, count) -> Lattice:
    nodes = _over(surface, *(a + s * np.arange(n + 1) for a, s, n in zip(start, step, count)))
    low, along = nodes[:-1, :-1], nodes[1:, :-1] - nodes[:-1, :-1]
    across = nodes[:-1, 1:] - nodes[:-1, :-1]
    both = nodes[1:, 1:] - nodes[1:, :-1] - across
    return Lattice(start, step, count,
                   np.stack([part.ravel() for part in (low, along, across, both)]))


def _over(surface: Surface, first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Values over all pairs of places."""
    u, v = (values.ravel() for values in np.meshgrid(first, second, indexing="ij"))
    parts = [surface(u[at:at + CHUNK], v[at:at + CHUNK]) for at in range(0, len(u), CHUNK)]
    return np.concatenate(parts).reshape(len(first), len(second))
