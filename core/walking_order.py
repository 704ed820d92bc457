"""A short way past a number of places: the nearest next one, then crossings taken out."""

from __future__ import annotations

from typing import Callable, Optional, Sequence, Union

import numpy as np

from .errors import Cancelled

#: Gains below this share of the way are rounding.
_GAIN = 1e-12


def walking_order(
    places: np.ndarray,
    start: Union[Sequence[float], np.ndarray],
    progress: Optional[Callable[[float], bool]] = None,
) -> np.ndarray:
    """In which order to visit places, from a start and not back to it.

    Parameters
    ----------
    places : (n, 2) array
        In a plane.
    start : (2,) sequence
        Where the walk begins.
    progress : function, optional
        Called with the share done; False stops.

    Returns
    -------
    (n,) array of int
        Rows of `places` in the order of the walk. A good way, not proven to be the shortest: from
        each place to the nearest one left, then parts of the way are turned round as long as that
        shortens it (2-opt: Croes, Operations Research 6, 1958).

    Raises
    ------
    Cancelled
    """
    places = np.asarray(places, dtype=float).reshape(-1, 2)
    way = np.vstack([np.asarray(start, dtype=float)[None, :], places])
    order = _nearest_next(way)
    if len(places) > 1:
        _take_out_crossings(way, order, progress)
    return order[1:] - 1


def _nearest_next(way: np.ndarray) -> np.ndarray:
    left = np.ones(len(way), dtype=bool)
    order = np.zeros(len(way), dtype=int)
    left[0] = False
    for step in range(1, len(way)):
        away = np.hypot(*(way - way[order[step - 1]]).T)
        order[step] = np.argmin(np.where(left, away, np.inf))
        left[order[step]] = False
    return order


def _take_out_crossings(way: np.ndarray, order: np.ndarray, progress) -> None:
    """Turn parts of the order round in place until none shortens the way."""
    last = len(order) - 1
    least = _GAIN * np.sum(np.hypot(*np.diff(way[order], axis=0).T))
    for passes in range(1, len(order) + 1):
        shortened = False
        for first in range(1, last):
            here = way[order]
            before, begin, ends = here[first - 1], here[first], here[first + 1 :]
            gain = _lengths(begin - before) - _lengths(ends - before)
            # The last part of the way has no leg behind it.
            gain[:-1] += _lengths(ends[1:] - ends[:-1]) - _lengths(ends[1:] - begin)
            best = int(np.argmax(gain))
            if gain[best] > least:
                part = slice(first, first + 2 + best)
                order[part] = order[part][::-1]
                shortened = True
            if progress is not None and first % 50 == 0 and not progress(
                1.0 - 0.5 ** (passes - 1) * (1.0 - 0.5 * first / last)
            ):
                raise Cancelled()
        if not shortened:
            return


def _lengths(steps: np.ndarray) -> np.ndarray:
    return np.hypot(steps[..., 0], steps[..., 1])
