"""Where the names of marks stand in the drawing, so that as few as possible cover something."""

from __future__ import annotations

import os
from typing import Dict, List, NamedTuple, Sequence, Tuple

import numpy as np

#: Names longer than this are shortened, to what tells them apart.
LONGEST = 16
#: Width of a letter and height of a line, of the size of the type.
LETTER, LINE = 0.64, 1.15
#: Places to try, best first: (across, up) of the mark, in half label sizes plus the gap.
PLACES = ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0))
GAP = 6.0
#: How much worse it is to leave the frame than to cover something.
OUTSIDE = 10.0


class Box(NamedTuple):
    """A rectangle of the drawing, y downwards."""

    left: float
    top: float
    right: float
    bottom: float


def short_names(names: Sequence[str]) -> Dict[str, str]:
    """Names fit for a drawing: long ones lose what all of them share."""
    names = list(dict.fromkeys(names))
    shown = {name: "".join(c if c.isprintable() else " " for c in name) for name in names}
    if all(len(name) <= LONGEST for name in names):
        return shown
    head = tail = 0
    if len(names) > 1:
        head = len(os.path.commonprefix(names))
        tail = len(os.path.commonprefix([name[head:][::-1] for name in names]))
    for name, words in shown.items():
        if len(name) > LONGEST:
            rest = words[head:len(words) - tail]
            words = f"{'…' if head else ''}{rest}{'…' if tail else ''}"
            shown[name] = words if len(words) <= LONGEST else f"{words[:LONGEST - 1]}…"
    return shown


def segment_boxes(x1: float, y1: float, x2: float, y2: float, width: float = 4.0) -> List[Box]:
    """A line as a row of small boxes."""
    count = max(1, int(max(abs(x2 - x1), abs(y2 - y1)) / 6.0))
    half = width / 2.0
    boxes = []
    for i in range(count + 1):
        x, y = x1 + (x2 - x1) * i / count, y1 + (y2 - y1) * i / count
        boxes.append(Box(x - half, y - half, x + half, y + half))
    return boxes


def placed(
    marks: Sequence[Tuple[float, float, str]], taken: Sequence[Box], frame: Box, size: float
) -> List[Box]:
    """A box for the name of each mark (x, y, name), clear of what is taken and inside the frame.

    Each name in turn takes the place that covers least.
    """
    occupied = np.zeros((len(taken) + len(marks), 4))
    occupied[: len(taken)] = np.array(taken).reshape(-1, 4)
    boxes: List[Box] = []
    for count, (x, y, name) in enumerate(marks, start=len(taken)):
        choices = _choices(x, y, LETTER * size * len(name) / 2.0, LINE * size / 2.0)
        covered = [_overlap(choice, occupied[:count]).sum() for choice in choices]
        outside = np.prod(choices[:, 2:] - choices[:, :2], axis=1) - _overlap(
            np.array(frame), choices)
        best = int(np.argmin(np.array(covered) + OUTSIDE * outside))
        occupied[count] = choices[best]
        boxes.append(Box(*choices[best].tolist()))
    return boxes


def _choices(x: float, y: float, half_width: float, half_height: float) -> np.ndarray:
    """(8, 4) boxes around a mark, in the order of `PLACES`."""
    across, up = np.array(PLACES, dtype=float).T
    beside = np.where(across == 0.0, GAP, GAP / 2.0)
    middle = np.stack([x + across * (half_width + GAP), y - up * (half_height + beside)], axis=1)
    half = np.array([half_width, half_height])
    return np.hstack([middle - half, middle + half])


def _overlap(box: np.ndarray, others: np.ndarray) -> np.ndarray:
    """(n,) area that a box shares with each of (n, 4) others."""
    sides = np.minimum(box[2:], others[:, 2:]) - np.maximum(box[:2], others[:, :2])
    return np.prod(np.maximum(sides, 0.0), axis=1)
