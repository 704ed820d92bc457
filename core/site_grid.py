"""A raster's grid on the site: how large its cells are, and what it covers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Callable, Tuple

import numpy as np

from .errors import GeometryError, InputError

#: How far a default size of cell may be rounded, as a share of it: two digits always do.
ROUNDED = 0.051
#: Points along each side of a raster by which its extent on the site is found.
ALONG = 201
#: What a point may be off after going there and back, in cells of the raster.
CLOSURE = 0.01
#: What GDAL can count along one side.
MOST = 2**31 - 1

#: x, y to easting, northing or back; infinite where it cannot be.
PlaneWay = Callable[[np.ndarray, np.ndarray], Tuple[np.ndarray, np.ndarray]]
Bounds = Tuple[float, float, float, float]


@dataclass(frozen=True)
class SiteGrid:
    """A north-up raster on the site grid.

    Attributes
    ----------
    west, north : float
        Outer corner of the first cell, site units.
    cell : float
        Size of a cell, site units.
    rows, columns : int
    """

    west: float
    north: float
    cell: float
    rows: int
    columns: int

    def eastings(self, columns) -> np.ndarray:
        """Eastings of the middles of columns, counted from 0."""
        return self.west + (np.asarray(columns) + 0.5) * self.cell

    def northings(self, rows) -> np.ndarray:
        """Northings of the middles of rows, counted from 0."""
        return self.north - (np.asarray(rows) + 0.5) * self.cell

    @property
    def bounds(self) -> Tuple[float, float, float, float]:
        """West, south, east, north."""
        return (self.west, self.north - self.rows * self.cell,
                self.west + self.columns * self.cell, self.north)


@dataclass(frozen=True)
class Placed:
    """A raster's place in its own CRS.

    Attributes
    ----------
    geotransform : (6,) tuple
        As GDAL has it: x = g0 + column g1 + row g2, y = g3 + column g4 + row g5.
    columns, rows : int
    """

    geotransform: Tuple[float, ...]
    columns: int
    rows: int

    def place(self, column, row) -> Tuple[np.ndarray, np.ndarray]:
        """x, y of places counted in cells from the outer corner."""
        g, column, row = self.geotransform, np.asarray(column), np.asarray(row)
        return g[0] + column * g[1] + row * g[2], g[3] + column * g[4] + row * g[5]

    def cell_of(self, x, y) -> Tuple[np.ndarray, np.ndarray]:
        """The column and row, with fractions, at which x, y lie."""
        g = self.geotransform
        x, y = np.asarray(x) - g[0], np.asarray(y) - g[3]
        turned = g[1] * g[5] - g[2] * g[4]
        return (g[5] * x - g[2] * y) / turned, (g[1] * y - g[4] * x) / turned

    @property
    def middle(self) -> Tuple[float, float]:
        """x, y of the middle."""
        x, y = self.place(self.columns / 2.0, self.rows / 2.0)
        return float(x), float(y)

    def edge(self) -> Tuple[np.ndarray, np.ndarray]:
        """x, y of points along the outer edge."""
        share = np.linspace(0.0, 1.0, ALONG)
        ends = np.zeros(ALONG), np.ones(ALONG)
        column = np.concatenate([share, share, *ends]) * self.columns
        row = np.concatenate([*ends, share, share]) * self.rows
        return self.place(column, row)


def bounds_on_site(raster: Placed, there: PlaneWay, back: PlaneWay) -> Bounds:
    """West, south, east, north of a raster, site units.

    Raises
    ------
    InputError
        When a part of its edge cannot be carried to the site and back.
    """
    x, y = raster.edge()
    easting, northing = there(x, y)
    with np.errstate(invalid="ignore"):
        miss = np.hypot(*np.subtract(raster.cell_of(*back(easting, northing)),
                                     raster.cell_of(x, y)))
    if not np.all(miss < CLOSURE):
        raise InputError(
            "The raster reaches farther than its projection or the base projection of the tie can "
            "compute.",
            "Give an extent in site coordinates.",
        )
    return (float(easting.min()), float(northing.min()),
            float(easting.max()), float(northing.max()))


def cell_at(raster: Placed, at: Tuple[float, float], there: PlaneWay) -> float:
    """Size of the raster's own cells on the site at a place x, y, site units."""
    column, row = raster.cell_of(*at)
    easting, northing = there(*raster.place(column + np.array([0.0, 1.0, 0.0]),
                                            row + np.array([0.0, 0.0, 1.0])))
    sides = np.stack([easting[1:] - easting[0], northing[1:] - northing[0]])
    return float(np.sqrt(abs(np.linalg.det(sides))))


def rounded_cell(size: float) -> float:
    """A size rounded to one digit, or to two where one would change it by more."""
    short = float(f"{size:.0e}")
    return short if abs(short / size - 1.0) <= ROUNDED else float(f"{size:.1e}")


def site_grid(bounds: Bounds, cell: float, aligned: bool) -> SiteGrid:
    """The grid that covers bounds.

    Parameters
    ----------
    aligned : bool
        Put the edges on whole multiples of the cell, so that rasters of one cell size match cell
        by cell. Otherwise west and north are kept.

    Raises
    ------
    InputError, GeometryError
        When the cell is no length, or the grid has no or too many cells.
    """
    if not (math.isfinite(cell) and cell > 0.0):
        raise InputError(f"The size of a cell is {cell:g}.", "Give a size greater than zero.")
    west, south, east, north = bounds
    if not (east > west and north > south and all(map(math.isfinite, bounds))):
        raise GeometryError(
            f"The extent from {west:g}, {south:g} to {east:g}, {north:g} is empty.",
            "Give west, east, south and north in site coordinates.",
        )
    slack = 1e-6  # of a cell: what rounding may add
    if aligned:
        first, top = math.floor(west / cell + slack), math.ceil(north / cell - slack)
        columns = math.ceil(east / cell - slack) - first
        rows = top - math.floor(south / cell + slack)
        west, north = first * cell, top * cell
    else:
        columns = math.ceil((east - west) / cell - slack)
        rows = math.ceil((north - south) / cell - slack)
    if max(columns, rows) > MOST:
        raise GeometryError(
            f"The result would have {columns:,} columns and {rows:,} rows.",
            "Give larger cells or a smaller extent.",
        )
    return SiteGrid(west, north, cell, max(rows, 1), max(columns, 1))
