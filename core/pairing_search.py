"""Placements of one point list on another that are worth looking at, and where they settle.

A line between two control points has, up to noise and scale, the length of the line between the
observations of the same marks. Lines of the control are joined to observed lines by length; each
meeting proposes two placements (the line may lie either way round). A proposal is judged by how
many observed points it lays near a control point, looked up on a raster; the best are settled.
"""

from __future__ import annotations

import math
from typing import Callable, List, NamedTuple, Tuple

import numpy as np

from .pairing_evidence import Mode, Neighbours, Placement, PointLists, settle

#: Distances within which a proposal is judged, as standard deviations times this.
JUDGED_WITHIN = 4.0
#: Steps between the standard deviations that are looked for.
STEP = 4.0
#: Cells of the raster along its longer side.
CELLS = 1400
#: Lists of control points up to here have all their lines tried.
ALL_LINES = 13
#: Lines tried in one go, for short and for long lists of points.
LINES_AT_ONCE, FEW_LINES_AT_ONCE = 80, 24
#: Lists with more products than this count as long.
LONG = 20_000
#: Goes at most.
GOES = 4
#: Observed points that a proposal is judged by at first, and proposals that are judged by all.
SAMPLE, JUDGED_BY_ALL = 24, 600
#: Proposals for one go at most, and looked up at a time.
MOST_PROPOSALS, AT_A_TIME = 400_000, 16_384
#: Proposals settled for one go and standard deviation.
MOST_SETTLED = 40
#: An evidence (natural logarithm) that leaves no doubt: no further standard deviations, no further
#: goes.
BEYOND_DOUBT = 40.0
#: A rival of a placement is surely seen within this many times its misfit.
WELL_WITHIN = 3.0
#: Two settled placements with more than this share of pairs in common are one.
SAME = 0.5


class Raster:
    """A picture of where control points are near."""

    def __init__(self, control: np.ndarray, within: float) -> None:
        corner = complex(control.real.min(), control.imag.min())
        span = complex(control.real.max(), control.imag.max()) - corner
        self.cell = max(within / 2.0, max(span.real, span.imag) / CELLS)
        self.within = max(within, 1.5 * self.cell)
        border = int(math.ceil(self.within / self.cell)) + 2
        self._corner = corner - border * self.cell * (1 + 1j)
        self._columns = int(span.real / self.cell) + 2 * border + 2
        self._rows = int(span.imag / self.cell) + 2 * border + 2
        steps = np.arange(-border + 1, border)
        dx, dy = (part.ravel() for part in np.meshgrid(steps, steps))
        disk = np.hypot(dx, dy) * self.cell <= self.within
        at = self._cells(control.real, control.imag)
        self._near = np.zeros(self._rows * self._columns, dtype=bool)
        self._near[(at[:, None] + (dy * self._columns + dx)[disk][None, :]).ravel()] = True

    def _cells(self, easting: np.ndarray, northing: np.ndarray) -> np.ndarray:
        column = ((easting - self._corner.real) / self.cell).astype(np.int32)
        row = ((northing - self._corner.imag) / self.cell).astype(np.int32)
        np.clip(column, 0, self._columns - 1, out=column)
        np.clip(row, 0, self._rows - 1, out=row)
        row *= self._columns
        row += column
        return row

    def hits(self, factors: np.ndarray, shifts: np.ndarray, observed: np.ndarray) -> np.ndarray:
        """(p,) how many observed points lie near a control point under each proposal."""
        found = np.empty(len(factors), dtype=np.int32)
        size = max(1, 400_000 // max(len(observed), 1))
        x, y = (part.astype(np.float32) for part in (observed.real, observed.imag))
        for start in range(0, len(factors), size):
            part = slice(start, start + size)
            c, s = (f.astype(np.float32)[:, None] for f in (factors[part].real, factors[part].imag))
            east, north = (f.astype(np.float32)[:, None]
                           for f in (shifts[part].real, shifts[part].imag))
            cells = self._cells(c * x - s * y + east, s * x + c * y + north)
            found[part] = self._near[cells].sum(axis=1)
        return found


class _Lines(NamedTuple):
    """Lines between points: ends, and the vector from the first to the second."""

    first: np.ndarray
    second: np.ndarray
    vectors: np.ndarray
    lengths: np.ndarray


def _lines(points: np.ndarray) -> _Lines:
    """All lines, shortest first."""
    first, second = np.triu_indices(len(points), 1)
    vectors = points[second] - points[first]
    lengths = np.abs(vectors)
    order = np.argsort(lengths, kind="stable")
    order = order[lengths[order] > 0.0]
    return _Lines(first[order], second[order], vectors[order], lengths[order])


class Search:
    """Finds the placements of the observed on the control.

    Parameters
    ----------
    progress : function
        Called now and then; may raise to stop.
    """

    def __init__(self, lists: PointLists, progress: Callable[[], None]) -> None:
        self._lists, self._progress = lists, progress
        self.near = Neighbours(lists.control)
        self._observed = _lines(lists.observed)
        self._rng = np.random.default_rng(20_260_101)
        self._rasters = self._make_rasters()
        self._sample = self._rng.permutation(len(lists.observed))[:SAMPLE]
        self.modes: List[Mode] = []

    def run(self) -> List[Mode]:
        """The settled placements, that of the highest evidence first."""
        for lines in self._goes():
            for sigma, raster in self._rasters:
                self._go(lines, sigma, raster)
                if self._beyond_doubt() and raster.within >= WELL_WITHIN * self.modes[0].rms:
                    break
            if self._beyond_doubt():
                break
        return self.modes

    def _beyond_doubt(self) -> bool:
        return bool(self.modes) and self.modes[0].evidence > BEYOND_DOUBT

    def _make_rasters(self) -> List[Tuple[float, Raster]]:
        """A raster for each standard deviation looked for, small to large; where the points are
        too many to look for so small a one, the next takes its place."""
        found: List[Tuple[float, Raster]] = []
        sigma = float(self._lists.sigmas[-1])
        while sigma > float(self._lists.sigmas[0]) and len(found) < 6:
            raster = Raster(self._lists.control, JUDGED_WITHIN * sigma)
            found.append((sigma, raster))
            if raster.within > JUDGED_WITHIN * sigma:
                break
            sigma /= STEP
        return found[::-1]

    def _goes(self):
        """Lines of the control, in portions; those that no observed line is long enough for are
        left out."""
        lists = self._lists
        n, m = len(lists.control), len(lists.observed)
        lines = _lines(lists.control)
        slack = JUDGED_WITHIN * float(lists.sigmas[-1])
        longest = (float(self._observed.lengths[-1]) if len(self._observed.lengths) else 0.0)
        usable = np.flatnonzero(lines.lengths <= longest * lists.scale_range[1] + slack)
        if n <= ALL_LINES:
            yield _Lines(*(part[usable] for part in lines))
            return
        at_once = LINES_AT_ONCE if n * m <= LONG else FEW_LINES_AT_ONCE
        # Long lines lay the site out well, but the longest may reach beyond what was observed.
        usable = self._rng.permutation(usable[len(usable) // 3:])
        for go in range(GOES):
            chosen = usable[go * at_once:(go + 1) * at_once]
            if len(chosen):
                yield _Lines(*(part[chosen] for part in lines))

    def _go(self, lines: _Lines, sigma: float, raster: Raster) -> None:
        self._progress()
        factors, shifts = self._proposals(lines, sigma)
        observed = self._lists.observed
        if len(observed) > 1.5 * SAMPLE and len(factors) > JUDGED_BY_ALL:
            hits = raster.hits(factors, shifts, observed[self._sample])
            best = np.argpartition(-hits, JUDGED_BY_ALL)[:JUDGED_BY_ALL]
            factors, shifts = factors[best], shifts[best]
        self._progress()
        hits = raster.hits(factors, shifts, observed)
        order = np.argsort(-hits, kind="stable")
        order = order[hits[order] >= 3]
        self._settle(factors[order], shifts[order], hits[order], raster)

    def _proposals(self, lines: _Lines, sigma: float) -> Tuple[np.ndarray, np.ndarray]:
        """Factors and shifts of all meetings of lines."""
        lists, seen = self._lists, self._observed
        low, high = lists.scale_range
        slack = JUDGED_WITHIN * sigma
        start = np.searchsorted(seen.lengths, (lines.lengths - slack) / high)
        counts = np.searchsorted(seen.lengths, (lines.lengths + slack) / low, side="right") - start
        which = np.repeat(np.arange(len(counts)), counts)
        at = np.arange(len(which)) + np.repeat(start - (np.cumsum(counts) - counts), counts)
        if len(at) > MOST_PROPOSALS:
            some = np.sort(self._rng.permutation(len(at))[:MOST_PROPOSALS])
            which, at = which[some], at[some]
        factors = lines.vectors[which] / seen.vectors[at]
        scale = np.abs(factors)
        factors *= np.clip(scale, low, high) / scale
        z, w = lists.control, lists.observed
        middle = (z[lines.first] + z[lines.second])[which] / 2.0
        turned = factors * ((w[seen.first[at]] + w[seen.second[at]]) / 2.0)
        return (np.concatenate([factors, -factors]),
                np.concatenate([middle - turned, middle + turned]))

    def _settle(
        self, factors: np.ndarray, shifts: np.ndarray, hits: np.ndarray, raster: Raster
    ) -> None:
        """Settle proposals, those with most hits first; one that leads where another has led is
        left out."""
        open_ = np.ones(len(factors), dtype=bool)
        for mode in self.modes:
            open_ &= ~self._leads_to(mode, factors, shifts, raster.within)
        for _ in range(MOST_SETTLED):
            places = np.flatnonzero(open_)
            if not len(places) or (self._beyond_doubt()
                                   and hits[places[0]] < 0.5 * self.modes[0].number):
                return
            first = places[0]
            open_[first] = False
            start = Placement(complex(factors[first]), complex(shifts[first]))
            settled = settle(self._lists, self.near, start, raster.within)
            if settled is None:
                continue
            open_ &= ~self._leads_to(settled, factors, shifts, raster.within)
            self._keep(settled)

    def _leads_to(
        self, mode: Mode, factors: np.ndarray, shifts: np.ndarray, within: float
    ) -> np.ndarray:
        """Which proposals lay most pairs of a settled placement near one another."""
        z, w = self._lists.control[mode.control], self._lists.observed[mode.observed]
        if len(w) > SAMPLE:
            z, w = z[:SAMPLE], w[:SAMPLE]
        near = np.abs(factors[:, None] * w[None, :] + shifts[:, None] - z[None, :]) <= within
        return near.sum(axis=1) > SAME * len(w)

    def _keep(self, mode: Mode) -> None:
        for place, known in enumerate(self.modes):
            if in_common(mode, known) > SAME:
                if mode.evidence > known.evidence:
                    self.modes[place] = mode
                break
        else:
            self.modes.append(mode)
        self.modes.sort(key=lambda each: -each.evidence)


def in_common(one: Mode, other: Mode) -> float:
    """Share of the pairs of the smaller of two that both have."""
    mine = set(zip(one.control.tolist(), one.observed.tolist()))
    both = mine.intersection(zip(other.control.tolist(), other.observed.tolist()))
    return len(both) / max(1, min(one.number, other.number))
