"""How strongly two point lists speak for being the same marks, laid on one another in some way.

A placement of the observed points on the control, with k pairs, is weighed against the points
having nothing to do with one another. Under the placement the k paired points lie round their
control points by a normal law; an unpaired one lies anywhere on the site. Everything that is not
known is averaged over: the shift over the site, the rotation over the circle, the logarithm of
the scale over its range, the standard deviation over its range on a logarithmic scale, the number
of pairs from three on, and the choice of them over all there are. The averages over shift,
rotation and scale are Laplace approximations.

The average of this ratio over points without relation is 1, whatever the number of placements
tried: a placement with evidence E is by chance less often than once in E lists (Markov's
inequality; Good 1985, "Weight of evidence: a brief survey", Bayesian Statistics 2).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple, Optional, Tuple

import numpy as np
from scipy.special import gammaln

#: Values of the standard deviation that are averaged over.
SIGMAS = 28
#: An honest pair lies within this many standard deviations.
REACH = 8.0
#: Placements of up to so many pairs are tried with more.
FEW = 12
#: Rounds of pairing and fitting; most placements need three.
ROUNDS = 12


@dataclass(frozen=True)
class PointLists:
    """Two lists of plane points as complex numbers, easting + i northing, about their middles.

    Attributes
    ----------
    control, observed : (n,), (m,) complex arrays
        The observed are conjugates where a mirrored site is looked for.
    scale_range : (low, high)
        Control length over observed length.
    sigmas : (s,) array
        Standard deviations that are possible, per axis of a difference.
    widths : (long, short)
        Sides of the rectangle the marks are strewn over, control units.
    """

    control: np.ndarray
    observed: np.ndarray
    scale_range: Tuple[float, float]
    sigmas: np.ndarray
    widths: Tuple[float, float]

    @property
    def areas(self) -> np.ndarray:
        """(s,) area of the site for each sigma: marks in one line fill a strip of its width."""
        return self.widths[0] * np.maximum(self.widths[1], 6.0 * self.sigmas)


class Placement(NamedTuple):
    """The observed points laid on the control: place = factor * observed + shift."""

    factor: complex
    shift: complex


class Mode(NamedTuple):
    """A placement that settled.

    Attributes
    ----------
    control, observed : (k,) int arrays
        The pairs.
    distances : (k,) array
        Between control and placed observed points.
    evidence : float
        Natural logarithm.
    """

    placement: Placement
    control: np.ndarray
    observed: np.ndarray
    distances: np.ndarray
    evidence: float

    @property
    def number(self) -> int:
        """Of pairs."""
        return len(self.control)

    @property
    def rms(self) -> float:
        return float(np.sqrt(np.mean(self.distances**2)))


class Neighbours:
    """Control points in the order of their eastings, for finding what lies near them."""

    def __init__(self, control: np.ndarray) -> None:
        self._order = np.argsort(control.real, kind="stable")
        self._points = control[self._order]

    def within(self, placed: np.ndarray, reach: float):
        """Control index, observed index, distance of all that are within reach, nearest first."""
        eastings = self._points.real
        low = np.searchsorted(eastings, placed.real - reach)
        counts = np.searchsorted(eastings, placed.real + reach, side="right") - low
        observed = np.repeat(np.arange(len(placed)), counts)
        first = np.cumsum(counts) - counts
        places = np.arange(len(observed)) + np.repeat(low - first, counts)
        distances = np.abs(self._points[places] - placed[observed])
        near = np.flatnonzero(distances <= reach)
        near = near[np.argsort(distances[near], kind="stable")]
        return self._order[places[near]], observed[near], distances[near]

    def mutual(self, placed: np.ndarray, reach: float):
        """As `within`, but only pairs that are each other's nearest."""
        control, observed, distances = self.within(placed, reach)
        nearest = np.zeros((2, len(control)), dtype=bool)
        for row, side in zip(nearest, (control, observed)):
            row[np.unique(side, return_index=True)[1]] = True
        both = nearest.all(axis=0)
        return control[both], observed[both], distances[both]


def log_evidence(
    lists: PointLists, counts: np.ndarray, squares: np.ndarray, moments: np.ndarray
) -> np.ndarray:
    """(j,) natural logarithm of the evidence for placements.

    Parameters
    ----------
    counts, squares, moments : (j,) arrays
        Number of pairs; sum of their squared distances; sum of the squared distances of the
        placed observed points from their middle.
    """
    n, m = len(lists.control), len(lists.observed)
    k, sigma = counts[:, None].astype(float), lists.sigmas[None, :]
    lever = np.sqrt(np.maximum(moments, 1e-300))[:, None]
    ratio = (k - 1.0) * np.log(lists.areas / (2.0 * np.pi * sigma**2)) - np.log(k)
    ratio -= squares[:, None] / (2.0 * sigma**2)
    ratio += np.minimum(0.0, np.log(sigma / (np.sqrt(2.0 * np.pi) * lever)))
    low, high = lists.scale_range
    if high > low:
        spread = np.sqrt(2.0 * np.pi) * sigma / lever
        ratio += np.minimum(0.0, np.log(spread / np.log(high / low)))
    top = ratio.max(axis=1)
    mean = top + np.log(np.exp(ratio - top[:, None]).mean(axis=1))
    k = counts.astype(float)
    choices = (gammaln(m + 1.0) - gammaln(k + 1.0) - gammaln(m - k + 1.0)
               + gammaln(n + 1.0) - gammaln(n - k + 1.0))
    return mean - np.log(min(n, m) - 2.0) - choices


def fit(lists: PointLists, control: np.ndarray, observed: np.ndarray) -> Optional[Placement]:
    """Similarity by least squares, its scale kept within the range; None for a single place."""
    z, w = lists.control[control], lists.observed[observed]
    middle_z, middle_w = z.mean(), w.mean()
    a, b = z - middle_z, w - middle_w
    size = float(np.sum(np.abs(b) ** 2))
    product = complex(np.sum(np.conj(b) * a))
    if size == 0.0 or product == 0.0:
        return None
    low, high = lists.scale_range
    scale = min(max(abs(product) / size, low), high)
    factor = product / abs(product) * scale
    return Placement(factor, complex(middle_z - factor * middle_w))


def settle(
    lists: PointLists, near: Neighbours, start: Placement, reach: float
) -> Optional[Mode]:
    """Pair and fit by turns until nothing changes; None when fewer than three pairs are left.

    Of the pairs that are each other's nearest, the closest ones are kept, as many as give the
    highest evidence.
    """
    placement, known = start, b""
    mode: Optional[Mode] = None
    for turn in range(ROUNDS):
        placed = placement.factor * lists.observed + placement.shift
        control, observed, distances = near.mutual(placed, reach)
        if len(control) < 3:
            return None
        evidence = _of_closest(lists, placed[observed], distances)
        best = 3 + int(np.argmax(evidence[2:])) if len(control) > 2 else len(control)
        kept = slice(0, len(control) if turn < 1 else best)
        mode = Mode(placement, control[kept], observed[kept], distances[kept],
                    float(evidence[len(control[kept]) - 1]))
        pairs = mode.control.tobytes() + mode.observed.tobytes()
        if pairs == known and turn > 2:
            break
        known = pairs
        new = fit(lists, mode.control, mode.observed)
        if new is None:
            return None
        placement = new
        if turn > 1:
            freedom = max(2 * mode.number - 4, 1)
            sigma = np.sqrt(float(np.sum(mode.distances**2)) / freedom)
            reach = min(max(REACH * sigma, 0.25 * reach, 2.0 * mode.distances[-1]), 2.0 * reach)
    return mode if mode is None else _grown(lists, near, mode)


def _grown(lists: PointLists, near: Neighbours, mode: Mode) -> Mode:
    """The placement with the next pairs taken in, as long as that raises the evidence.

    Few pairs may by chance fit far better than the noise is; the others then seem not to belong.
    """
    while mode.number <= FEW:
        placed = mode.placement.factor * lists.observed + mode.placement.shift
        control, observed, _ = near.mutual(placed, REACH * float(lists.sigmas[-1]))
        best = mode
        for count in range(mode.number + 1, min(mode.number + 4, len(control) + 1)):
            some = control[:count], observed[:count]
            placement = fit(lists, *some)
            if placement is None:
                continue
            laid = placement.factor * lists.observed[some[1]] + placement.shift
            distances = np.abs(laid - lists.control[some[0]])
            order = np.argsort(distances, kind="stable")
            evidence = float(_of_closest(lists, laid[order], distances[order])[-1])
            if evidence > best.evidence:
                best = Mode(placement, some[0][order], some[1][order], distances[order], evidence)
        if best is mode:
            break
        mode = best
    return mode


def _of_closest(lists: PointLists, placed: np.ndarray, distances: np.ndarray) -> np.ndarray:
    """(j,) log evidence of the closest 1, 2, ... pairs."""
    counts = np.arange(1, len(placed) + 1)
    sums, sizes = np.cumsum(placed), np.cumsum(np.abs(placed) ** 2)
    moments = np.maximum(sizes - np.abs(sums) ** 2 / counts, 0.0)
    return log_evidence(lists, counts, np.cumsum(distances**2), moments)


def pair_probabilities(lists: PointLists, near: Neighbours, mode: Mode) -> np.ndarray:
    """(k,) probability of each pair, the placement being right.

    Weighed, with the pair itself left out of the fit, against both points being without a partner
    and against what else lies near one of them.
    """
    n, m, k = len(lists.control), len(lists.observed), mode.number
    placed = mode.placement.factor * lists.observed + mode.placement.shift
    own = placed[mode.observed]
    lever = np.abs(own - own.mean()) ** 2
    left = np.clip(1.0 - 1.0 / k - lever / max(float(lever.sum()), 1e-300), 1e-6, 1.0)
    squares = np.maximum(np.sum(mode.distances**2) - mode.distances**2 / left, 0.0)
    sigma = lists.sigmas[None, :]
    weight = -squares[:, None] / (2.0 * sigma**2) - max(2 * k - 6, 0) * np.log(sigma)
    weight = np.exp(weight - weight.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    variance = sigma**2 / left[:, None]
    prior = k / ((n - k + 1.0) * (m - k + 1.0))

    def odds(rows: np.ndarray, distances: np.ndarray) -> np.ndarray:
        law = np.exp(-distances[:, None] ** 2 / (2.0 * variance[rows]))
        density = weight[rows] * law / (2.0 * np.pi * variance[rows])
        return prior * (density * lists.areas).sum(axis=1)

    everyone = np.arange(k)
    mine = odds(everyone, mode.distances / left)
    others = np.zeros(k)
    control, observed, distances = near.within(placed, 3.0 * float(mode.distances.max()))
    for side, of_pairs in ((control, mode.control), (observed, mode.observed)):
        row = np.full(max(n, m), -1)
        row[of_pairs] = everyone
        rows = row[side]
        paired = np.zeros(max(n, m), dtype=int) - 1
        paired[mode.control] = mode.observed
        foreign = (rows >= 0) & (paired[control] != observed)
        np.add.at(others, rows[foreign], odds(rows[foreign], distances[foreign]))
    return mine / (1.0 + mine + others)
