"""Where the names of marks stand in the drawing, so that as few as possible cover something."""

from __future__ import annotations

import os
from typing import Dict, List, NamedTuple, Sequence, Tuple

#: Names longer than this are shortened, to what tells them apart.
LONGEST = 16
#: Width of a letter and height of a line, of the size of the type.
LETTER, LINE = 0.64, 1.15
#: Places to try, best first: (across, up) of the mark, in half label sizes plus the gap.
PLACES = ((1, 1), (-1, 1), (1, -1), (-1, -1), (0, 1), (0, -1), (1, 0), (-1, 0))
GAP = 6.0


class Box(NamedTuple):
    """A rectangle of the drawing, y downwards."""

    left: float
    top: float
    right: float
    bottom: float

    def overlap(self, other: "Box") -> float:
        """Area that both cover."""
        across = min(self.right, other.right) - max(self.left, other.left)
        down = min(self.bottom, other.bottom) - max(self.top, other.top)
        return max(0.0, across) * max(0.0, down)


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
    occupied = list(taken)
    boxes = []
    for x, y, name in marks:
        half_width, half_height = LETTER * size * len(name) / 2.0, LINE * size / 2.0

        def at(across: int, up: int) -> Box:
            cx = x + across * (half_width + GAP)  # noqa: B023 (called within this round only)
            cy = y - up * (half_height + GAP / (1 if not across else 2))  # noqa: B023
            return Box(cx - half_width, cy - half_height,  # noqa: B023
                       cx + half_width, cy + half_height)  # noqa: B023

        choices = [at(across, up) for across, up in PLACES]
        best = min(choices, key=lambda box: _cost(box, occupied, frame))
        boxes.append(best)
        occupied.append(best)
    return boxes


def _cost(box: Box, occupied: Sequence[Box], frame: Box) -> float:
    area = (box.right - box.left) * (box.bottom - box.top)
    outside = area - box.overlap(frame)
    return 10.0 * outside + sum(box.overlap(other) for other in occupied)
