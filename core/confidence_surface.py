"""The confidence surface: predicted uncertainty of restated points over the site, as a grid."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Callable, Optional, Tuple

import numpy as np

from .errors import Cancelled, GeometryError, InputError
from .nearby import control_positions, predicted_positions
from .tie import Tie

#: Rows computed at a time: how long a wish to stop has to wait.
ROWS = 64
#: Room round the control, as a share of its extent, and metres at least.
ROOM, LEAST_ROOM = 0.25, 20.0
MOST_CELLS = 4_000_000


@dataclass(frozen=True)
class ConfidenceSurface:
    """Half sizes of the confidence regions on a north-up grid; the first row is the northern one.

    Attributes
    ----------
    west, north : float
        Outer corner of the first cell, site units.
    cell : float
        Size of a cell, site units.
    level : float
        Confidence, such as 0.95.
    horizontal : (rows, columns) array
        Larger half axis of the ellipse, site units.
    vertical : (rows, columns) array or None
        Half width of the interval, elevation units; None without a vertical part.
    """

    west: float
    north: float
    cell: float
    level: float
    horizontal: np.ndarray
    vertical: Optional[np.ndarray]


def site_bounds(tie: Tie) -> Tuple[float, float, float, float]:
    """West, south, east, north of the pairs with room around, site units.

    Raises
    ------
    GeometryError
        When the tie has no pairs with a position.
    """
    places = np.vstack([
        control_positions([pair.control for pair in tie.pairs]),
        predicted_positions([pair.observation for pair in tie.pairs], tie),
    ])
    places = places[np.isfinite(places).all(axis=1)]
    if not len(places):
        raise GeometryError(
            "The tie has no pairs, so nothing says where its site lies.", "Give an extent."
        )
    low, high = places.min(axis=0), places.max(axis=0)
    least = LEAST_ROOM / tie.settings.site_length.metres
    room = max(ROOM * float((high - low).max()), least)
    return (*(low - room), *(high + room))


def confidence_surface(
    tie: Tie,
    bounds: Optional[Tuple[float, float, float, float]] = None,
    cell: Optional[float] = None,
    of_restated_points: bool = True,
    progress: Optional[Callable[[float], bool]] = None,
) -> ConfidenceSurface:
    """Predict the uncertainty at the middle of every cell.

    Parameters
    ----------
    bounds : (west, south, east, north), optional
        Site units; by default `site_bounds`. The grid covers them with whole cells.
    cell : float, optional
        Site units; by default a two-hundredth of the longer side.
    of_restated_points : bool
        Whether to add a GNSS observation with the default sigmas of the settings: what a point
        restated there would have. Else the surface shows what the tie alone contributes.
    progress : function, optional
        Called with the share done; False stops.

    Raises
    ------
    InputError
        When bounds and cell make no grid, or one of more than four million cells.
    GeometryError
        When the tie does not know its uncertainty (typed, without a stated accuracy).
    Cancelled
    """
    west, south, east, north = bounds if bounds is not None else site_bounds(tie)
    if not (east > west and north > south):
        raise InputError("The extent is empty.", "Give west below east and south below north.")
    size = cell if cell is not None else max(east - west, north - south) / 200.0
    if not size > 0.0:
        raise InputError(f"The cell size is {cell}.", "Give a size greater than zero.")
    columns, rows = (math.ceil(span / size - 1e-9) for span in (east - west, north - south))
    if rows * columns > MOST_CELLS:
        raise InputError(
            f"The grid would have {rows:,} by {columns:,} cells.", "Choose larger cells."
        )
    noise = tie.default_observation_covariance() if of_restated_points else None
    middles = west + (np.arange(columns) + 0.5) * size
    horizontal = np.empty((rows, columns))
    vertical = np.empty((rows, columns))
    for start in range(0, rows, ROWS):
        some = np.arange(start, min(start + ROWS, rows))
        easting, northing = np.meshgrid(middles, north - (some + 0.5) * size)
        latitude, longitude, _ = tie.to_geodetic(easting.ravel(), northing.ravel())
        covariance = tie.covariance(latitude, longitude, None, noise)
        horizontal[some] = np.sqrt(_larger_eigenvalue(covariance)).reshape(easting.shape)
        vertical[some] = np.sqrt(covariance[:, 2, 2]).reshape(easting.shape)
        if progress is not None and not progress((some[-1] + 1) / rows):
            raise Cancelled()
    if not np.isfinite(horizontal).all():
        raise GeometryError(
            "The tie does not know its uncertainty: its parameters were typed without an accuracy.",
            "Give the accuracy of the parameters, or solve a tie from pairs.",
        )
    return ConfidenceSurface(
        west, north, size, tie.settings.confidence, tie.region_factor(2) * horizontal,
        None if tie.vertical is None else tie.region_factor(1) * vertical,
    )


def _larger_eigenvalue(covariance: np.ndarray) -> np.ndarray:
    """Of the horizontal blocks, in closed form: much faster than one by one."""
    east, north = covariance[:, 0, 0], covariance[:, 1, 1]
    mixed = covariance[:, 0, 1]
    return (east + north) / 2.0 + np.hypot((east - north) / 2.0, mixed)
