"""Random sites for pairing by geometry, and layouts with symmetry."""

from __future__ import annotations

from typing import Dict, NamedTuple, Optional

import numpy as np

SHAPES = ("even", "corridor", "clusters")
#: Share of the marks on each side without a partner.
ALONE = 0.4


class PairingSite(NamedTuple):
    """Two lists and the truth.

    Attributes
    ----------
    control, observed : (n, 2) arrays
    pairs : (k, 2) int array
        In the order of the control.
    noise : float
        Standard deviation per axis.
    extent : float
        Longer side of the site.
    """

    control: np.ndarray
    observed: np.ndarray
    pairs: np.ndarray
    noise: float
    extent: float


def random_site(
    rng: np.random.Generator,
    marks: Optional[int] = None,
    noise: Optional[float] = None,
    shape: Optional[str] = None,
    extent: Optional[float] = None,
    scale: Optional[float] = None,
    mirrored: bool = False,
    alone: float = ALONE,
) -> PairingSite:
    """A site of 6 to 60 marks on each side, 40 % of them alone, 10 mm to 1 m noise, unless told.

    The strangers on both sides lie on the same ground as the partners.
    """
    marks = int(rng.integers(6, 61)) if marks is None else marks
    noise = float(10.0 ** rng.uniform(-2.0, 0.0)) if noise is None else noise
    shape = str(rng.choice(SHAPES)) if shape is None else shape
    extent = float(10.0 ** rng.uniform(2.6, 3.5)) if extent is None else extent
    partners = round((1.0 - alone) * marks)
    ground = _strewn(rng, 2 * marks - partners, shape, extent)
    control = ground[:marks]
    seen = np.vstack([ground[:partners], ground[marks:]])
    turn = rng.uniform(0.0, 2.0 * np.pi)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    factor = 1.0 + rng.uniform(-5e-4, 5e-4) if scale is None else scale
    observed = (seen + rng.normal(0.0, noise, seen.shape)) @ rotation.T / factor
    if mirrored:
        observed[:, 0] *= -1.0
    observed += rng.uniform(-1e5, 1e5, 2)
    to_control, to_observed = rng.permutation(marks), rng.permutation(marks)
    pairs = np.stack(
        [np.argsort(to_control)[:partners], np.argsort(to_observed)[:partners]], axis=1)
    pairs = pairs[np.argsort(pairs[:, 0])]
    return PairingSite(control[to_control] + rng.uniform(0.0, 1e4, 2), observed[to_observed], pairs,
                       noise, extent)


def _strewn(rng: np.random.Generator, number: int, shape: str, extent: float) -> np.ndarray:
    if shape == "corridor":
        return rng.uniform(0.0, 1.0, (number, 2)) * (extent, 0.1 * extent)
    if shape == "clusters":
        middles = rng.uniform(0.0, extent, (4, 2))
        return middles[rng.integers(0, 4, number)] + rng.normal(0.0, 0.07 * extent, (number, 2))
    return rng.uniform(0.0, extent, (number, 2))


def symmetric_layouts() -> Dict[str, "tuple"]:
    """Layouts of marks with the number of ways they can be laid on themselves by turning."""
    def polygon(corners: int) -> np.ndarray:
        angles = 2.0 * np.pi * np.arange(corners) / corners
        return 100.0 * np.stack([np.cos(angles), np.sin(angles)], axis=1)

    def grid(columns: int, rows: int, step_e: float = 50.0, step_n: float = 50.0) -> np.ndarray:
        east, north = np.meshgrid(np.arange(columns) * step_e, np.arange(rows) * step_n)
        return np.stack([east.ravel(), north.ravel()], axis=1)

    inner = polygon(3) * 0.4 + 7.0
    return {
        "triangle of equal sides": (polygon(3), 3),
        "square": (grid(2, 2), 4),
        "rectangle": (grid(2, 2, 80.0, 130.0), 2),
        "hexagon": (polygon(6), 6),
        "parallelogram": (np.array([[0.0, 0.0], [90.0, 0.0], [120.0, 55.0], [30.0, 55.0]]), 2),
        "grid 5 by 4": (grid(5, 4), 2),
        "grid 5 by 5": (grid(5, 5), 4),
        "lattice 10 by 10": (grid(10, 10, 20.0, 20.0), 4),
        "even line": (np.stack([60.0 * np.arange(7), 25.0 * np.arange(7)], axis=1), 2),
        "about a point": (np.vstack([inner, -inner]), 2),
    }
