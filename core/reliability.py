"""Which blunders a solution would show, which it would name, and what an unseen one would do.

Internal reliability (Baarda 1968) is the smallest bias of a mark that its test finds with the
power of the settings; external reliability is what a bias of that size, unseen, does to the
results. A bias that is seen need not be found: where a bias at another mark would explain the
residuals as well, nobody can tell which it is. Taking the redundancy that both share away leaves
what speaks of one alone (Förstner, *Reliability and discernability of extended Gauss-Markov
models*, 1983; cited from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Optional, Sequence, Tuple

import numpy as np

from .adjustment import NO_REDUNDANCY, Adjustment
from .forecast import SIDES, Forecast, SideDesign
from .products import product
from .quantiles import noncentrality, tau_noncentrality
from .settings import Settings
from .wording import listed

#: What becomes of a blunder: nobody sees it; it is seen, but not at which mark it is; it is found.
HIDDEN, SEEN, FINDABLE = "hidden", "seen", "findable"


@dataclass(frozen=True)
class MarkReliability:
    """What would become of a blunder at one mark, on one side.

    Attributes
    ----------
    control_id : str
    side : str
        ``horizontal`` or ``vertical``.
    state : str
        ``hidden``: no test finds it, whatever its size, at least in some direction. ``seen``: it
        shows that something is wrong, but not where. ``findable``: the mark can be named.
    redundancy : float
        0 (no other mark controls it) to 1.
    detectable : float or None
        Smallest blunder that is seen, in the worst direction, with the power of the settings;
        site or elevation units; None where it is hidden.
    separable : float or None
        Smallest blunder that is told from one at any other mark; None unless findable.
    confused_with : tuple of str
        Marks a blunder cannot be told from.
    effect : float or None
        Most that a blunder just too small to be seen moves a point of the work area; site or
        elevation units; None where it is hidden (there is no limit).
    """

    control_id: str
    side: str
    state: str
    redundancy: float
    detectable: Optional[float]
    separable: Optional[float]
    confused_with: Tuple[str, ...]
    effect: Optional[float]


def reliability(
    forecast: Forecast, corners_h: np.ndarray, corners_v: Optional[np.ndarray]
) -> Tuple[MarkReliability, ...]:
    """Reliability of every fit mark, horizontally and then vertically.

    Parameters
    ----------
    corners_h, corners_v : (c, 2, u), (c, 1, w) arrays
        Design at the corners of the work area. An effect on a point grows with it in a convex
        way, so that the worst one is at a corner.
    """
    settings = forecast.tie.settings
    found: Tuple[MarkReliability, ...] = ()
    for side, corners in zip(SIDES, (corners_h, corners_v)):
        design = forecast.design(side)
        if design is not None and corners is not None:
            unit = (settings.site_length if side == "horizontal" else settings.elevation_length)
            root = _root(design.adjustment, settings, forecast.variance_factor(side))
            found += _of_side(design, corners, root, unit.metres)
    return found


def _root(adjustment: Adjustment, settings: Settings, factor: float) -> float:
    """Root of the noncentrality that test level and power ask for, in standard deviations."""
    size = adjustment.group_size
    if settings.sigma_basis == "estimated":
        needed = tau_noncentrality(
            settings.test_level, settings.power, size, adjustment.redundancy)
        return float(np.sqrt(needed * factor))
    return float(np.sqrt(noncentrality(settings.test_level, settings.power, size)))


def _of_side(
    design: SideDesign, corners: np.ndarray, root: float, unit: float
) -> Tuple[MarkReliability, ...]:
    adjustment = design.adjustment
    count, size = adjustment.residuals.shape
    redundancy = adjustment.redundancy_matrices
    seen = (adjustment.testable == size) & np.isfinite(root)
    alone = _told_from_each(adjustment)
    inverse = adjustment.whitening_inverse
    detectable = _smallest(redundancy, inverse, root)
    separable = _smallest(
        alone, np.broadcast_to(inverse[:, None], alone.shape), root)
    effects = _effects(adjustment, corners, root)
    found = []
    for k, control_id in enumerate(design.control_ids):
        others = np.flatnonzero(~np.isfinite(separable[k]))
        confused = tuple(design.control_ids[j] for j in others if j != k)
        state = HIDDEN if not seen[k] else SEEN if confused else FINDABLE
        told = np.delete(separable[k], k)
        size_told = float(max(told.max(), detectable[k])) if len(told) else float(detectable[k])
        found.append(MarkReliability(
            control_id=control_id, side=design.side, state=state,
            redundancy=float(adjustment.redundancy_numbers[k]),
            detectable=None if state == HIDDEN else float(detectable[k] / unit),
            separable=size_told / unit if state == FINDABLE else None,
            confused_with=confused if state == SEEN else (),
            effect=None if state == HIDDEN else float(effects[k] / unit),
        ))
    return tuple(found)


def _told_from_each(adjustment: Adjustment) -> np.ndarray:
    """(m, m, q, q) whitened redundancy of each mark less what it shares with each other one."""
    count, size = adjustment.residuals.shape
    basis = adjustment.whitened_basis
    shared = np.einsum("iau,jbu->ijab", -basis, basis)
    every = np.arange(count)
    own = adjustment.redundancy_matrices
    shared[every, every] = 0.0
    values, vectors = np.linalg.eigh(own)
    safe = np.where(values > NO_REDUNDANCY, values, np.inf)
    inverse = product(vectors / safe[:, None, :], np.swapaxes(vectors, 1, 2))
    taken = np.einsum("ijab,jbc,ijdc->ijad", shared, inverse, shared)
    return own[:, None] - taken


def _smallest(redundancy: np.ndarray, inverse: np.ndarray, root: float) -> np.ndarray:
    """(...) size of the smallest bias with that root of the noncentrality, in its worst direction;
    infinite where there is none."""
    weakest = _least_eigenvalue(redundancy)
    metric = np.einsum("...ba,...bc,...cd->...ad", inverse, redundancy, inverse)
    least = _least_eigenvalue(metric)
    usable = weakest > NO_REDUNDANCY
    return np.where(usable, root / np.sqrt(np.where(usable, least, 1.0)), np.inf)


def _least_eigenvalue(matrices: np.ndarray) -> np.ndarray:
    """Of symmetric matrices of one or two rows, in closed form: many times faster."""
    if matrices.shape[-1] == 1:
        return matrices[..., 0, 0]
    first, last = matrices[..., 0, 0], matrices[..., 1, 1]
    mixed = (matrices[..., 0, 1] + matrices[..., 1, 0]) / 2.0
    larger = (first + last) / 2.0 + np.hypot((first - last) / 2.0, mixed)
    # By the determinant: the difference of trace and root would drown a small one.
    return (first * last - mixed**2) / np.where(larger > 0.0, larger, 1.0)


def _effects(adjustment: Adjustment, corners: np.ndarray, root: float) -> np.ndarray:
    """(m,) most that a bias of each mark that is just not seen moves a corner."""
    basis = adjustment.whitened_basis
    moved = product(product(corners, adjustment.triangle_inverse)[:, None],
                    np.swapaxes(basis, 1, 2)[None])
    values, vectors = np.linalg.eigh(adjustment.redundancy_matrices)
    safe = np.where(values > NO_REDUNDANCY, values, np.inf)
    scaled = np.einsum("cmda,mab->cmdb", moved, vectors / np.sqrt(safe)[:, None, :])
    spread = np.einsum("cmda,cmea->cmde", scaled, scaled)
    if spread.shape[-1] == 1:
        largest = spread[..., 0, 0]
    else:
        first, last, mixed = spread[..., 0, 0], spread[..., 1, 1], spread[..., 0, 1]
        largest = (first + last) / 2.0 + np.hypot((first - last) / 2.0, mixed)
    largest = np.sqrt(largest.max(axis=0))
    return root * largest if np.isfinite(root) else np.full(len(basis), np.inf)


def marks_words(marks: Sequence[MarkReliability]) -> str:
    """Marks with the side they speak of: "M3 and the elevation of M5"."""
    plane = [mark.control_id for mark in marks if mark.side == "horizontal"]
    level = [mark.control_id for mark in marks if mark.side == "vertical"]
    both = [name for name in plane if name in level]
    said = []
    for names, what in (
        (both, ""),
        ([name for name in plane if name not in both], "the position of "),
        ([name for name in level if name not in both], "the elevation of "),
    ):
        if names:
            said.append(what + listed(names, last="or", most=5))
    return listed(said, last="or")
