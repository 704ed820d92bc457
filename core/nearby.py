"""Partners by place: once there is a tie, who lies where the tie expects whom."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import List, Optional, Sequence, Tuple

import numpy as np

from .errors import InputError
from .one_frame import positions_in_one_frame
from .pairs import Control, Observation, Pair, Role
from .tie import Tie

#: Rows of a table of distances computed at a time: bounds the memory.
CHUNK = 1000
#: A mark is looked for this many times as far away as 95 % of honest ones lie.
GENEROUS = 2.0


@dataclass(frozen=True)
class NearPair:
    """A control point and an observation that lie near one another on the site grid.

    Attributes
    ----------
    control, observation : int
        Places in the lists given.
    distance : float
        Site units.
    """

    control: int
    observation: int
    distance: float


@dataclass(frozen=True)
class NearPairs:
    """Pairs by place, and what was left out because it is not clear.

    Attributes
    ----------
    pairs : tuple of NearPair
        In the order of the control points, nearest first.
    rivals : tuple of tuple of NearPair
        Observations with more than one control point within the limit; one entry each, nearest
        first. They are in no pair.
    shots : tuple of tuple of NearPair
        Control points with more than one observation within the limit, where repeated shots were
        not asked for; one entry each. They are in no pair.
    """

    pairs: Tuple[NearPair, ...]
    rivals: Tuple[Tuple[NearPair, ...], ...]
    shots: Tuple[Tuple[NearPair, ...], ...]


def geodetic_positions(
    observations: Sequence[Observation], tie: Tie
) -> Tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Latitude, longitude (degrees) and height (m) of observations in the tie's frame.

    Raises
    ------
    FrameError
        When an observation's own frame cannot be brought to it.
    """
    # Only pairs carry observations through the change of frame; their control plays no part.
    pairs = [Pair(Control(item.id), item, Role.IDLE, Role.IDLE) for item in observations]
    return positions_in_one_frame(pairs, tie.settings)


def predicted_positions(observations: Sequence[Observation], tie: Tie) -> np.ndarray:
    """(n, 2) easting, northing where the tie puts observations, site units.

    Raises
    ------
    FrameError, InputError
    """
    if not observations:
        return np.zeros((0, 2))
    latitude, longitude, height = geodetic_positions(observations, tie)
    return np.stack(tie.to_site(latitude, longitude, height)[:2], axis=-1)


def control_positions(control: Sequence[Control]) -> np.ndarray:
    """(n, 2) easting, northing, site units; NaN for a mark with an elevation only."""
    return np.array(
        [(c.easting, c.northing) if c.has_position else (math.nan, math.nan) for c in control],
        dtype=float,
    ).reshape(-1, 2)


def nearest(place: Sequence[float], others: np.ndarray) -> Optional[Tuple[int, float]]:
    """Which of some positions lies nearest, and how far; None when there is none."""
    distances = np.hypot(others[:, 0] - place[0], others[:, 1] - place[1])
    if not np.isfinite(distances).any():
        return None
    best = int(np.nanargmin(distances))
    return best, float(distances[best])


def search_radius(tie: Tie, observations: Sequence[Observation]) -> float:
    """How far from its control point an observation of it may lie, site units.

    Twice the largest half axis of the 95 % regions of the differences, with the settings' default
    sigmas of observation and control. Where the tie cannot say (typed, without an accuracy), the
    sigmas alone decide.
    """
    settings = tie.settings
    noise = math.hypot(settings.gnss_sigma_h, settings.control_sigma_h)
    largest = (noise / settings.site_length.metres) ** 2
    if observations:
        latitude, longitude, height = geodetic_positions(observations, tie)
        noise_3d = np.diag([noise**2, noise**2, 1.0])
        plane = tie.covariance(latitude, longitude, height, noise_3d)[:, :2, :2]
        plane = plane[np.isfinite(plane).all(axis=(1, 2))]
        if len(plane):
            largest = max(largest, float(np.linalg.eigvalsh(plane)[:, 1].max()))
    return GENEROUS * tie.region_factor(2) * math.sqrt(largest)


def pair_by_nearest(
    tie: Tie,
    control: Sequence[Control],
    observations: Sequence[Observation],
    limit: float,
    repeated_shots: bool = True,
) -> NearPairs:
    """Pair observations with the control points that lie where the tie expects them.

    Parameters
    ----------
    limit : float
        Largest distance of a pair, site units.
    repeated_shots : bool
        Whether a control point may take all the observations near it, as repeated shots of one
        mark. Else a control point with more than one is left out.

    Raises
    ------
    InputError
        When the limit is not positive.
    """
    if not limit > 0.0:
        raise InputError(
            f"The distance limit is {limit}.", "Give a distance greater than zero, in site units."
        )
    places = control_positions(control)
    by_control: List[List[NearPair]] = [[] for _ in control]
    rivals = []
    for near in _within(predicted_positions(observations, tie), places, limit):
        if len(near) > 1:
            rivals.append(tuple(near))
        else:
            by_control[near[0].control].append(near[0])
    pairs: List[NearPair] = []
    shots = []
    for near in by_control:
        near.sort(key=lambda pair: (pair.distance, pair.observation))
        if len(near) > 1 and not repeated_shots:
            shots.append(tuple(near))
        else:
            pairs += near
    return NearPairs(tuple(pairs), tuple(rivals), tuple(shots))


def _within(predicted: np.ndarray, places: np.ndarray, limit: float):
    """For each observation with control within the limit: those pairs, nearest first."""
    if not len(places):
        return
    for start in range(0, len(predicted), CHUNK):
        part = predicted[start : start + CHUNK]
        distances = np.hypot(*(part[:, None, k] - places[None, :, k] for k in (0, 1)))
        for i in np.flatnonzero((distances <= limit).any(axis=1)):
            found = np.flatnonzero(distances[i] <= limit)
            found = found[np.argsort(distances[i, found], kind="stable")]
            yield [NearPair(int(j), int(start + i), float(distances[i, j])) for j in found]
