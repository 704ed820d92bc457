"""Heights of a raster surface to site elevations, cell by cell.

What is added to a height hardly changes from cell to cell. It is computed on every 32nd cell and
interpolated between, and only where that is proven good: on the lattice of every 64th cell the
interpolation has to meet the exact value in between to `CERTIFIED`. Where it does not (a line of
the geoid grid runs there), lattice squares are divided, down to single cells.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Iterator, Optional, Tuple

import numpy as np

from .errors import FrameError, InputError
from .frames import transformer
from .geoid import Geoid
from .reframe import Reframing
from .site_grid import SiteGrid
from .tie import Tie

#: Cells along the side of the squares, from coarse to fine; each divides the one before.
SQUARES = (64, 8)
#: Metres. The lattice that is used is twice as dense as the one this holds for: across a bend it
#: deviates at most by twice as much along each axis, 0.08 mm in all, elsewhere by a quarter.
CERTIFIED = 2e-5
#: Squares of this many cells along a side and more are filled one by one.
LARGE = 16
#: Values between which the change of datum is linear, metres.
LOW, HIGH = 0.0, 1000.0


@dataclass(frozen=True)
class HeightChange:
    """Heights of a layer to elevations of the site.

    Attributes
    ----------
    tie : Tie
        With a vertical part.
    way : Reframing
        From the layer to the frame of the tie.
    metres : float
        Metres in one unit of the layer's heights.
    reduced_by : Geoid or None
        Geoid by which the layer's heights were reduced; None for ellipsoidal ones.
    height : float
        Ellipsoidal height in metres at which places are carried over.
    """

    tie: Tie
    way: Reframing
    metres: float
    reduced_by: Optional[Geoid]
    height: float

    def __post_init__(self) -> None:
        if self.tie.vertical is None:
            raise InputError(
                f"The tie {self.tie.short_id} has no vertical part, so it cannot turn heights into "
                "elevations.",
                "Solve it with a vertical model, or leave the values as they are.",
            )

    def linear(self, easting, northing) -> Tuple[np.ndarray, np.ndarray]:
        """Elevation (elevation units) at height 0, and its change per unit of height.

        Parameters
        ----------
        easting, northing : arrays
            Site units. Where a geoid grid does not reach, or a place cannot be carried back, both
            results are NaN.
        """
        tie = self.tie
        site = np.stack(np.broadcast_arrays(easting, northing), axis=-1).astype(float)
        base = tie.horizontal.invert(site * tie.settings.site_length.metres)
        latitude, longitude = tie.base.to_geodetic(
            base[..., 0], base[..., 1], np.full(base.shape[:-1], self.height))
        low, slope = self._reframed(latitude, longitude)
        low = low + tie.vertical.correction(base)  # type: ignore[union-attr]
        for geoid, sign in ((self.reduced_by, 1.0), (tie.geoid, -1.0)):
            if geoid is not None:
                low = low + sign * geoid.sample(latitude, longitude)
        unit = tie.settings.elevation_length.metres
        return low / unit, slope * self.metres / unit

    def _reframed(self, latitude, longitude) -> Tuple[np.ndarray, np.ndarray]:
        """Height in the frame of the tie at height 0 of the layer, and its change per metre."""
        operation = self.way.operation
        if operation is None:
            return np.where(np.isfinite(latitude), LOW, np.nan), np.ones(latitude.shape)
        flat = latitude.ravel(), longitude.ravel(), np.full(latitude.size, self.height)
        time = [np.full(latitude.size, self.way.epoch)] if operation.depends_on_time else []
        made = transformer(operation.definition)
        there = made.transform(flat[1], flat[0], flat[2], *time, direction="INVERSE")[:2]
        heights = [
            np.reshape(made.transform(*there, np.full(latitude.size, level), *time)[2],
                       latitude.shape)
            for level in (LOW, HIGH)
        ]
        low, high = (np.where(np.isfinite(values), values, np.nan) for values in heights)
        return low, (high - low) / (HIGH - LOW)

    def elevations(self, easting, northing, values) -> np.ndarray:
        """Elevations of heights at site positions, exactly; NaN where there is no height.

        Raises
        ------
        FrameError
            When a geoid grid or the change of datum does not reach a height.
        """
        low, slope = self.linear(easting, northing)
        found = low + slope * np.asarray(values, dtype=float)
        lost = np.isnan(found) & np.isfinite(values)
        if lost.any():
            first = np.unravel_index(int(np.argmax(lost)), lost.shape)
            raise FrameError(
                f"At easting {np.broadcast_to(easting, lost.shape)[first]:.2f}, northing "
                f"{np.broadcast_to(northing, lost.shape)[first]:.2f} there is a height, but the "
                "geoid grid or the change of datum does not reach there.",
                "Choose a smaller extent, or a geoid grid that covers the raster.",
            )
        return found

    def over(self, grid: SiteGrid, row: int, column: int, values: np.ndarray) -> np.ndarray:
        """Elevations of a block of heights, to 0.1 mm of the exact ones.

        Parameters
        ----------
        row, column : int
            Of the block's first cell in the grid, whole multiples of ``SQUARES[0]``.
        values : (rows, columns) array
            Heights in the layer's unit; NaN where there is none.
        """
        found = np.full(values.shape, np.nan)
        todo = _squares(values.shape, SQUARES[0])
        for place, size in enumerate(SQUARES):
            todo = self._interpolate(grid, (row, column), values, found, todo, size)
            if not len(todo):
                return found
            if place + 1 < len(SQUARES):
                todo = _divided(todo, size, SQUARES[place + 1])
        for rows, columns in _cells(todo, SQUARES[-1], values.shape):
            found[rows, columns] = self.elevations(
                grid.eastings(column + columns), grid.northings(row + rows), values[rows, columns])
        return found

    def _interpolate(self, grid, start, values, found, todo, size: int) -> np.ndarray:
        """Fill the squares that are proven good; the others are given back."""
        half = size // 2
        steps = np.arange(3) * half
        rows = todo[:, 0, None, None] + steps[:, None] + np.zeros(3, dtype=int)
        columns = todo[:, 1, None, None] + steps[None, :] + np.zeros((3, 1), dtype=int)
        lattice = np.stack(self.linear(
            grid.eastings(start[1] + columns), grid.northings(start[0] + rows)))
        good = self._certified(lattice)
        kept, nodes = todo[good], lattice[:, good]
        fill = _fill_one_by_one if half >= LARGE else _fill_together
        for i in (0, 1):
            for j in (0, 1):
                fill(values, found, kept + (i * half, j * half), half,
                     nodes[:, :, i:i + 2, j:j + 2])
        return todo[~good]

    def _certified(self, lattice: np.ndarray) -> np.ndarray:
        """Whether the corners of a square tell its (3, 3) nodes."""
        share = np.array([0.0, 0.5, 1.0])
        corners = lattice[..., ::2, ::2]
        edges = corners[..., :1, :] + share[:, None] * (corners[..., 1:, :] - corners[..., :1, :])
        told = edges[..., :1] + share * (edges[..., 1:] - edges[..., :1])
        miss = np.abs(lattice - told)
        worst = miss[0] + miss[1] * (HIGH / self.metres)
        return worst.max(axis=(1, 2)) * self.tie.settings.elevation_length.metres < CERTIFIED


def _fill_one_by_one(values, found, squares, size: int, nodes: np.ndarray) -> None:
    """Interpolate in squares between their (2, squares, 2, 2) corners."""
    share = np.arange(size) / size
    for (row, column), corners in zip(squares.tolist(), np.moveaxis(nodes, 1, 0)):
        piece = np.s_[row:row + size, column:column + size]
        block = values[piece]
        down = corners[:, :1] + share[: block.shape[0], None] * (corners[:, 1:] - corners[:, :1])
        low, slope = down[..., :1] + share[: block.shape[1]] * (down[..., 1:] - down[..., :1])
        slope *= block
        np.add(low, slope, out=found[piece])


def _fill_together(values, found, squares, size: int, nodes: np.ndarray) -> None:
    """The same for many small squares at once."""
    share = np.arange(size) / size
    down = nodes[:, :, :1] + share[:, None] * (nodes[:, :, 1:] - nodes[:, :, :1])
    low, slope = down[..., :1] + share * (down[..., 1:] - down[..., :1])
    rows = squares[:, 0, None, None] + np.arange(size)[:, None] + np.zeros(size, dtype=int)
    columns = squares[:, 1, None, None] + np.arange(size) + np.zeros((size, 1), dtype=int)
    inside = (rows < values.shape[0]) & (columns < values.shape[1])
    place = rows[inside], columns[inside]
    found[place] = low[inside] + slope[inside] * values[place]


def _squares(shape: Tuple[int, ...], size: int) -> np.ndarray:
    """(n, 2) first rows and columns of the squares that cover a block."""
    rows, columns = np.meshgrid(
        np.arange(0, shape[0], size), np.arange(0, shape[1], size), indexing="ij")
    return np.stack([rows.ravel(), columns.ravel()], axis=1)


def _divided(squares: np.ndarray, size: int, smaller: int) -> np.ndarray:
    inner = _squares((size, size), smaller)
    return (squares[:, None] + inner).reshape(-1, 2)


def _cells(
    squares: np.ndarray, size: int, shape: Tuple[int, ...]
) -> Iterator[Tuple[np.ndarray, np.ndarray]]:
    """Rows and columns of the cells in squares, as far as they lie in the block."""
    inner = _squares((size, size), 1)
    for start in range(0, len(squares), 4096):
        rows, columns = (squares[start:start + 4096, None] + inner).reshape(-1, 2).T
        inside = (rows < shape[0]) & (columns < shape[1])
        yield rows[inside], columns[inside]
