"""Further points on straight segments, so that their images may be joined by straight ones too."""

from __future__ import annotations

from typing import Callable, List, Sequence, Tuple

import numpy as np

from .errors import InputError

#: Where along a segment its image is held against the straight line.
SHARES = (0.25, 0.5, 0.75)
#: Parts of one segment, at most.
MOST = 100_000


def bend(
    one: np.ndarray, other: np.ndarray, at: Callable[[float], np.ndarray]
) -> np.ndarray:
    """How far curves stray from the straight lines between their ends.

    Parameters
    ----------
    one, other : (k, 2) arrays
        Ends.
    at : callable
        From a share of the way to the (k, 2) points of the curves.
    """
    along = other - one
    length = np.hypot(*along.T)
    worst = np.zeros(len(one))
    for share in SHARES:
        aside = at(share) - one
        across = along[:, 0] * aside[:, 1] - along[:, 1] * aside[:, 0]
        worst = np.maximum(worst, np.abs(across))
    return np.divide(worst, length, out=np.zeros(len(one)), where=length > 0.0)


def densified(
    runs: Sequence[np.ndarray], straight: Sequence[bool],
    stray: Callable[[np.ndarray, np.ndarray], np.ndarray], limit: float,
) -> List[np.ndarray]:
    """Points put evenly on segments that would stray by more than a limit.

    Parameters
    ----------
    runs : (n, width) arrays
        Points that follow each other; x and y first. What else they have is interpolated.
    straight : sequence of bool
        Which runs may take further points.
    stray : callable
        From the (k, 2) ends of segments to how far each strays.

    Raises
    ------
    InputError
        When a segment would need more than `MOST` parts.
    """
    places = [i for i, (run, may) in enumerate(zip(runs, straight)) if may and len(run) > 1]
    if not places:
        return list(runs)
    one = np.concatenate([runs[i][:-1, :2] for i in places])
    other = np.concatenate([runs[i][1:, :2] for i in places])
    parts = _parts(one, other, stray, limit)
    found, start = list(runs), 0
    for i in places:
        count = len(runs[i]) - 1
        own = parts[start:start + count]
        start += count
        if own.max() > 1:
            found[i] = _divided(runs[i], own)
    return found


def _parts(one, other, stray, limit: float) -> np.ndarray:
    """Into how many parts each segment has to be cut."""
    usable = np.isfinite(one).all(axis=1) & np.isfinite(other).all(axis=1)
    parts, todo = np.ones(len(one), dtype=int), np.flatnonzero(usable)
    while len(todo):
        # Cut as said now, each piece is looked at anew.
        piece, share, step = _cuts(parts[todo])
        first, along = one[todo][piece], (other - one)[todo][piece]
        strays = stray(first + share[:, None] * along, first + (share + step)[:, None] * along)
        worst = np.zeros(len(todo))
        np.maximum.at(worst, piece, strays)
        short = worst > limit
        todo = todo[short]
        # What strays falls with the square of the number of parts.
        more = np.ceil(parts[todo] * np.sqrt(worst[short] / limit) * 1.05)
        if not np.all(more <= MOST):
            raise InputError(
                f"A segment would need more than {MOST:,} parts to stray by {limit:g} at most.",
                "Allow a larger deviation, or check the coordinates and the CRS of the layer.",
            )
        parts[todo] = np.maximum(more.astype(int), parts[todo] + 1)
    return parts


def _cuts(parts: np.ndarray) -> Tuple[np.ndarray, np.ndarray, np.ndarray]:
    """For every part: which segment it is of, where it starts, and its length; as shares."""
    piece = np.repeat(np.arange(len(parts)), parts)
    place = np.arange(len(piece)) - np.repeat(np.cumsum(parts) - parts, parts)
    return piece, place / parts[piece], 1.0 / parts[piece]


def _divided(points: np.ndarray, parts: np.ndarray) -> np.ndarray:
    piece, share, _ = _cuts(parts)
    made = points[piece]
    inner = share > 0.0  # the points that were there stay to the last digit
    step = points[1:] - points[:-1]
    made[inner] += share[inner, None] * step[piece[inner]]
    return np.concatenate([made, points[-1:]])
