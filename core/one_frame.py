"""Observations brought into one frame: the observation CRS of the settings.

Pairs may name their own frame and epoch. Nothing is mixed silently: every pair must then name its
frame, a change between frames must be known to better than a datum ensemble, and coordinates in a
frame that moves with no plate must be of one epoch.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Dict, List, Optional, Sequence, Tuple

import numpy as np

from .errors import FrameError, SitetieError
from .frames import (
    Operation,
    choose_operation,
    geographic_crs,
    is_dynamic,
    is_ensemble,
    same_datum,
    transformer,
)
from .geoid import open_geoid
from .pairs import Pair, Role
from .projection import middle
from .settings import Settings

#: Epochs farther apart than this (years) are not one epoch: plates move up to some 0.1 m a year
#: (common practice, no source), which makes it one centimetre.
ONE_EPOCH = 0.1


def positions_in_one_frame(
    pairs: Sequence[Pair], settings: Settings
) -> Tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Latitude, longitude, ellipsoidal height of every pair in the observation CRS.

    NaN for an idle part that its geoid grid or its operation does not cover.

    Raises
    ------
    FrameError
        When frames or epochs are mixed, or an operation or a geoid grid is missing or does not
        cover a pair in use.
    """
    latitude = np.array([p.observation.latitude for p in pairs], dtype=float)
    longitude = np.array([p.observation.longitude for p in pairs], dtype=float)
    height = np.array([np.nan if p.observation.height is None else p.observation.height
                       for p in pairs], dtype=float)
    _make_ellipsoidal(pairs, latitude, longitude, height)
    for rows, epoch, operation in _changes(pairs, settings):
        arrays = [longitude[rows], latitude[rows], np.nan_to_num(height[rows])]
        if operation.depends_on_time:
            arrays.append(np.full(len(rows), epoch))
        moved = np.array(transformer(operation.definition).transform(*arrays)[:3])
        moved[~np.isfinite(moved)] = np.nan
        longitude[rows], latitude[rows] = moved[0], moved[1]
        height[rows] = np.where(np.isnan(height[rows]), np.nan, moved[2])
    return latitude, longitude, height


def frame_cautions(pairs: Sequence[Pair], settings: Settings) -> Tuple[str, ...]:
    """What was done to bring the observations into one frame, a sentence each."""
    said: Dict[str, None] = {}
    for rows, _, operation in _changes(pairs, settings):
        known = operation.accuracy
        accuracy = "of unknown accuracy" if known is None else f"registered as good to {known:g} m"
        said[f"Observations in {pairs[rows[0]].observation.crs} were brought into "
             f"{settings.observation_crs} by {operation.name}, {accuracy}."] = None
        said.update(dict.fromkeys(operation.cautions))
    return tuple(said)


def _make_ellipsoidal(pairs, latitude, longitude, height) -> None:
    """Add the undulation to heights above a geoid."""
    grids: Dict[str, List[int]] = {}
    for i, pair in enumerate(pairs):
        if pair.observation.height_geoid and pair.observation.height_kind == "orthometric":
            grids.setdefault(pair.observation.height_geoid, []).append(i)
    for grid, rows in grids.items():
        first = pairs[rows[0]]
        try:
            geoid = open_geoid(grid)
        except SitetieError as error:
            raise _at(error, first) from None
        undulation = geoid.sample(latitude[rows], longitude[rows])
        refuse_uncovered(geoid.grid, [pairs[i] for i in rows], undulation)
        height[rows] += undulation


def refuse_uncovered(grid: str, pairs: Sequence[Pair], undulation: np.ndarray) -> None:
    """Refuse pairs with a vertical part in use that lie outside a geoid grid.

    Raises
    ------
    FrameError
        Naming the first.
    """
    for pair, value in zip(pairs, undulation):
        if np.isnan(value) and pair.vertical is not Role.IDLE:
            place = pair.observation
            raise _at(FrameError(
                f"The geoid grid {grid} does not cover latitude {place.latitude:.5f}, longitude "
                f"{place.longitude:.5f}.",
                "Correct the position, set the vertical role to idle, or choose a grid that covers "
                "the site.",
            ), pair)


def _changes(
    pairs: Sequence[Pair], settings: Settings
) -> List[Tuple[List[int], Optional[float], Operation]]:
    """Rows, epoch and operation of every frame that differs from the observation CRS."""
    frames: Dict[Tuple[Optional[str], Optional[float]], List[int]] = {}
    for i, pair in enumerate(pairs):
        frames.setdefault((pair.observation.crs, pair.observation.epoch), []).append(i)
    if set(frames) <= {(None, None)}:
        return []
    _refuse_mixed_epochs(pairs, settings)
    named = sorted({crs for crs, _ in frames if crs})
    if not named:
        return []
    blank = next((p for p in pairs if p.observation.crs is None), None)
    if blank is not None:
        raise _at(FrameError(
            f"Frames are mixed: some observations name theirs ({', '.join(named)}), this one does "
            "not.",
            "Name the frame of every observation in the column crs.",
        ), blank)
    near = _near(pairs)
    changes = []
    for (crs, epoch), rows in frames.items():
        time = epoch if epoch is not None else settings.observation_epoch
        try:
            operation = _operation(crs or "", settings.observation_crs, time, near)
            if operation is None:
                continue
            _refuse_mixed_ensembles(named, crs or "", settings)
        except SitetieError as error:
            raise _at(error, pairs[rows[0]]) from None
        changes.append((rows, time, operation))
    return changes


@lru_cache(maxsize=64)
def _operation(
    crs: str, observation_crs: str, epoch: Optional[float], near: Tuple[float, float]
) -> Optional[Operation]:
    """The operation into the observation CRS; None where both stand on one datum."""
    source = geographic_crs(crs, "frame of the observation")
    target = geographic_crs(observation_crs)
    if same_datum(source, target):
        return None
    return choose_operation(source, target, epoch=epoch, near=near)


def _near(pairs: Sequence[Pair]) -> Tuple[float, float]:
    """Where the site lies; neither the order of the pairs nor one wild position matters."""
    fit = [p for p in pairs if p.horizontal is Role.FIT] or pairs
    latitude, longitude = middle([p.observation.latitude for p in fit],
                                 [p.observation.longitude for p in fit])
    return round(latitude, 2), round(longitude, 2)


def _refuse_mixed_ensembles(named: Sequence[str], crs: str, settings: Settings) -> None:
    if len(named) < 2:
        return
    target = geographic_crs(settings.observation_crs)
    if is_ensemble(geographic_crs(crs)) or is_ensemble(target):
        raise FrameError(
            f"Frames are mixed ({', '.join(named)}), and between {crs} and the observation CRS "
            f"{settings.observation_crs} the change is known to a metre or two only: one of them "
            "is a family of frames (a datum ensemble).",
            "Name the real frame of each observation, and one of these frames as observation_crs.",
        )


def _refuse_mixed_epochs(pairs: Sequence[Pair], settings: Settings) -> None:
    """Refuse coordinates of different epochs in a frame in which the ground moves."""
    if not is_dynamic(geographic_crs(settings.observation_crs)):
        return
    usual = settings.observation_epoch
    known = [(p.observation.epoch if p.observation.epoch is not None else usual, p)
             for p in pairs]
    dated = [(epoch, pair) for epoch, pair in known if epoch is not None]
    if not dated:
        return
    first = usual if usual is not None else min(epoch for epoch, _ in dated)
    for epoch, pair in dated:
        if abs(epoch - first) > ONE_EPOCH:
            raise _at(FrameError(
                f"Epochs are mixed: this observation is of {epoch:g}, others of {first:g}, and in "
                f"{settings.observation_crs} the ground moves by centimetres a year.",
                "Bring all coordinates to one epoch and write that epoch, or name an "
                "observation_crs that moves with the plate.",
            ), pair)


def _at(error: SitetieError, pair: Pair) -> SitetieError:
    return error.at(file=pair.file, row=pair.row, point=pair.observation.id)
