"""The control geometry with residual arrows and error ellipses, as SVG, site north up.

Horizontal residuals are arrows, vertical ones bars with a flat end: shape tells them apart, colour
only helps. SVG is kept to what both browsers and Qt's renderer draw (SVG Tiny 1.2).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import Dict, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np

from ..exaggeration import Exaggeration, exaggeration, round_down
from ..hull import control_hull
from ..results import PairResidual
from ..tie import Tie
from ..units import LengthUnit
from ..wording import length_words
from .blocks import Drawing
from .labels import Box, placed, segment_boxes, short_names

#: Width of the drawing, least height of the map, and the margin in it; units of 1/96 inch.
WIDTH, LEAST_HEIGHT, MARGIN = 680.0, 250.0, 34.0
#: Most height of the map, of few and of many marks.
MOST_HEIGHT = (450.0, 620.0)
INK, QUIET, PLANE, RISE, GROUND = "#1b2530", "#6b7682", "#a63d17", "#1f5fa8", "#f1f5f2"
REGION = "#93a0aa"
#: Marks are many when there are more than this; their names are set smaller.
MANY = 30
ROLES = ("fit", "check", "idle")
#: Fewer units of drawing than this do not show.
VISIBLE = 0.5
#: Residuals below this share of the regions say nothing (an unchecked solution): the regions then
#: set the scale of the arrows.
TELLING = 0.02
#: The longest vertical reference bar.
LONGEST_BAR = 34.0


class _Mark(NamedTuple):
    row: PairResidual
    point: np.ndarray  # easting, northing of the control


@dataclass(frozen=True)
class _View:
    """Site coordinates to drawing coordinates, and how residuals are exaggerated."""

    middle: np.ndarray
    scale: float
    height: float
    plane: Exaggeration
    rise: Exaggeration

    def place(self, point: np.ndarray) -> Tuple[float, float]:
        east, north = ((point - self.middle) * self.scale).tolist()
        return WIDTH / 2.0 + east, self.height / 2.0 - north

    def arrow(self, row: PairResidual) -> Tuple[float, float, bool]:
        """Drawn (x, y) of the horizontal residual, and whether it is cut."""
        if row.horizontal.role == "idle" or row.horizontal.residual is None:
            return 0.0, 0.0, False
        east, north, cut = self.plane.drawn(row.east, row.north)
        return east * self.scale, -north * self.scale, cut

    def bar(self, row: PairResidual) -> Tuple[float, bool]:
        """Drawn height of the vertical residual, upwards, and whether it is cut."""
        if row.vertical.role == "idle" or row.vertical.residual is None:
            return 0.0, False
        _, up, cut = self.rise.drawn(0.0, row.up)
        return up * self.scale, cut


def geometry_drawing(tie: Tie) -> Optional[Drawing]:
    """The drawing of a tie; None when no pair has a position."""
    marks = [_Mark(row, np.array([pair.control.easting, pair.control.northing], dtype=float))
             for row, pair in zip(tie.residuals, tie.pairs) if pair.control.has_position]
    if not marks:
        return None
    view = _view(tie, marks)
    ellipses, left_out = _ellipses(tie, marks, view)
    legend, legend_height = _legend(tie, marks, view, left_out)
    height = view.height + legend_height
    body = "".join((
        f'<rect x="0.5" y="0.5" width="{WIDTH - 1:g}" height="{view.height - 1:.1f}" '
        f'fill="#ffffff" stroke="{QUIET}" stroke-width="0.6"/>',
        _hull(tie, view), ellipses, *(_residuals(mark, view) for mark in marks),
        *(_symbol(*view.place(mark.point), role) for role in reversed(ROLES) for mark in marks
          if mark.row.horizontal.role == role),
        _names(marks, view), legend,
    ))
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:.1f}" '
        f'width="{WIDTH:g}" height="{height:.1f}" font-family="DejaVu Sans, Arial, sans-serif" '
        f'font-size="11" role="img" aria-label="Control points with residual arrows and error '
        f'ellipses">{body}</svg>'
    )
    return Drawing(svg, WIDTH, height)


def _view(tie: Tie, marks: Sequence[_Mark]) -> _View:
    """A view in which marks, arrows, bars and ellipses have room."""
    points = np.array([mark.point for mark in marks])
    extent = float(max(np.ptp(points, axis=0).max(), 1.0))

    def sizes(side: str) -> List[float]:
        parts = [getattr(mark.row, side) for mark in marks]
        return [part.size for part in parts if part.size is not None and part.role != "idle"]

    regions = [float(half[0].max()) for half in (_half_axes(tie, mark.row) for mark in marks)
               if half is not None]
    across = sizes("horizontal")
    if regions and max(across, default=0.0) < TELLING * max(regions):
        across = regions
    plane, rise = exaggeration(across, extent), exaggeration(sizes("vertical"), extent)
    reached = [points]
    for mark in marks:
        view = _View(np.zeros(2), 1.0, 0.0, plane, rise)
        right, down, _ = view.arrow(mark.row)
        reached.append(mark.point + [[right, -down], [0.0, view.bar(mark.row)[0]]])
        half = _drawn_axes(tie, mark.row, plane)
        if half is not None:
            reached.append(mark.point + np.max(half[0]) * np.array([[-1.0, -1.0], [1.0, 1.0]]))
    whole = np.concatenate(reached)
    low, high = whole.min(axis=0), whole.max(axis=0)
    span = np.maximum(high - low, 0.02 * extent)
    beside = MARGIN + 24.0
    most = MOST_HEIGHT[len(marks) > MANY]
    scale = float(min((WIDTH - 2 * beside) / span[0], (most - 2 * MARGIN) / span[1]))
    height = max(LEAST_HEIGHT, span[1] * scale + 2 * MARGIN)
    return _View((low + high) / 2.0, scale, float(height), plane, rise)


# -- the map -------------------------------------------------------------------------------------


def _hull(tie: Tie, view: _View) -> str:
    hull = control_hull(tie)
    if hull is None or len(hull) < 2:
        return ""
    corners = tie.horizontal.apply(hull) / tie.settings.site_length.metres
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in map(view.place, corners))
    shape = "polygon" if len(hull) > 2 else "polyline"
    return (f'<{shape} points="{path}" fill="{GROUND}" stroke="{QUIET}" stroke-width="0.7" '
            'stroke-dasharray="4 3"/>')


def _half_axes(tie: Tie, row: PairResidual) -> Optional[Tuple[np.ndarray, np.ndarray]]:
    """Half axes of the region (small, large), site units, and their directions; None without."""
    if row.covariance is None or row.horizontal.role == "idle":
        return None
    covariance = np.array(row.covariance)[:2, :2]
    if not np.isfinite(covariance).all():
        return None
    values, vectors = np.linalg.eigh(covariance)
    return np.sqrt(np.maximum(values, 0.0)) * tie.pair_region_factor(row, 2), vectors


def _drawn_axes(
    tie: Tie, row: PairResidual, ex: Exaggeration
) -> Optional[Tuple[np.ndarray, np.ndarray]]:
    """The same exaggerated; None also where the region is too large to be drawn."""
    half = _half_axes(tie, row)
    if half is None or half[0].max() * ex.factor > ex.longest:
        return None
    return half[0] * ex.factor, half[1]


def _ellipses(tie: Tie, marks: Sequence[_Mark], view: _View) -> Tuple[str, bool]:
    """The error ellipses, one for each mark, and whether some are too large to be drawn."""
    drawn, left_out = [], False
    for mark in {(m.row.control_id, m.row.horizontal.role): m for m in reversed(marks)}.values():
        half = _drawn_axes(tie, mark.row, view.plane)
        if half is None:
            left_out |= _half_axes(tie, mark.row) is not None
            continue
        (small, large), vectors = half
        turn = -math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
        x, y = view.place(mark.point)
        drawn.append(
            f'<ellipse cx="{x:.1f}" cy="{y:.1f}" rx="{large * view.scale:.1f}" '
            f'ry="{small * view.scale:.1f}" transform="rotate({turn:.1f} {x:.1f} {y:.1f})" '
            f'fill="none" stroke="{REGION}" stroke-width="0.8"/>')
    return "".join(drawn), left_out


def _residuals(mark: _Mark, view: _View) -> str:
    x, y = view.place(mark.point)
    return _bar(x, y, *view.bar(mark.row)) + _arrow(x, y, *view.arrow(mark.row))


def _names(marks: Sequence[_Mark], view: _View) -> str:
    """The names of the marks, each once, where they cover least."""
    names = short_names([mark.row.control_id for mark in marks])
    size = 11.0 if len(names) <= MANY else 8.5
    first: Dict[str, Tuple[float, float, str]] = {}
    taken: List[Box] = []
    for mark in marks:
        x, y = view.place(mark.point)
        first.setdefault(mark.row.control_id, (x, y, names[mark.row.control_id]))
        right, down, _ = view.arrow(mark.row)
        taken += segment_boxes(x, y, x + right, y + down, 6.0)
        taken += segment_boxes(x - 6.0, y, x - 6.0, y - view.bar(mark.row)[0], 6.0)
        taken.append(Box(x - 4.0, y - 4.0, x + 4.0, y + 4.0))
    frame = Box(3.0, 3.0, WIDTH - 3.0, view.height - 3.0)
    boxes = placed(list(first.values()), taken, frame, size)
    return "".join(
        f'<text x="{(box.left + box.right) / 2:.1f}" y="{box.bottom - 0.28 * size:.1f}" '
        f'text-anchor="middle" font-size="{size:g}" fill="{INK}">{escape(name)}</text>'
        for (_, _, name), box in zip(first.values(), boxes))


def _symbol(x: float, y: float, role: str) -> str:
    if role == "fit":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.4" fill="{INK}"/>'
    if role == "check":
        return (f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#ffffff" '
                f'stroke="{INK}" stroke-width="1.5"/>')
    return (f'<path d="M{x - 4:.1f} {y - 4:.1f} l8 8 m0 -8 l-8 8" stroke="{QUIET}" '
            'stroke-width="1.4" fill="none"/>')


def _arrow(x: float, y: float, dx: float, dy: float, cut: bool) -> str:
    length = math.hypot(dx, dy)
    if length < VISIBLE:
        return ""
    ux, uy = dx / length, dy / length
    head = min(7.0, 0.6 * length)
    tip_x, tip_y = x + dx, y + dy
    left = (tip_x - head * ux - 0.45 * head * uy, tip_y - head * uy + 0.45 * head * ux)
    right = (tip_x - head * ux + 0.45 * head * uy, tip_y - head * uy - 0.45 * head * ux)
    dash = ' stroke-dasharray="6 3"' if cut else ""
    return (
        f'<path d="M{x:.1f} {y:.1f} L{tip_x - 0.6 * head * ux:.1f} {tip_y - 0.6 * head * uy:.1f}" '
        f'stroke="{PLANE}" stroke-width="1.6" fill="none"{dash}/>'
        f'<path d="M{tip_x:.1f} {tip_y:.1f} L{left[0]:.1f} {left[1]:.1f} L{right[0]:.1f} '
        f'{right[1]:.1f} Z" fill="{PLANE}"/>'
    )


def _bar(x: float, y: float, rise: float, cut: bool) -> str:
    """A bar left of the mark, upwards for solved above given, with a flat end."""
    if abs(rise) < VISIBLE:
        return ""
    at, top = x - 6.0, y - rise
    dash = ' stroke-dasharray="6 3"' if cut else ""
    return (
        f'<path d="M{at:.1f} {y:.1f} V{top:.1f}" stroke="{RISE}" stroke-width="3" fill="none"'
        f'{dash}/><path d="M{at - 4:.1f} {top:.1f} h8" stroke="{RISE}" stroke-width="1.6"/>'
    )


# -- the legend ----------------------------------------------------------------------------------


def _legend(
    tie: Tie, marks: Sequence[_Mark], view: _View, left_out: bool
) -> Tuple[str, float]:
    """The legend under the map, and its height."""
    unit, height_unit = tie.settings.site_length, tie.settings.elevation_length
    y = view.height + 19.0
    parts = [_north(y), _scale_bar(y, view, unit)]
    x = 10.0
    for role in (role for role in ROLES if any(m.row.horizontal.role == role for m in marks)):
        words = {"fit": "fit", "check": "check, withheld", "idle": "idle horizontally"}[role]
        parts += [_symbol(x + 4.0, y - 4.0, role), _text(x + 14.0, y, words)]
        x += 30.0 + 6.2 * len(words)
    if any(view.arrow(mark.row)[:2] != (0.0, 0.0) for mark in marks):
        y += 21.0
        length = view.plane.reference * view.plane.factor * view.scale
        parts += [_arrow(10.0, y - 4.0, length, 0.0, False), _text(18.0 + length, y, (
            f"{length_words(view.plane.reference, unit)} horizontal residual, solved − given, "
            f"drawn {view.plane.factor:,g} times as large"))]
    if any(view.bar(mark.row)[0] for mark in marks):
        true = round_down(LONGEST_BAR / (view.rise.factor * view.scale))
        length = true * view.rise.factor * view.scale
        y += length + 9.0
        parts += [_bar(20.0, y, length, False), _text(30.0, y - length / 2.0 + 4.0, (
            f"{length_words(true, height_unit)} vertical residual, drawn {view.rise.factor:,g} "
            "times as large; upwards: solved lies above given"))]
    region = f"{tie.settings.confidence * 100:g} %"
    if any(_drawn_axes(tie, mark.row, view.plane) is not None for mark in marks):
        y += 19.0
        parts += [
            f'<ellipse cx="19" cy="{y - 4:.1f}" rx="9" ry="5" fill="none" stroke="{REGION}"/>',
            _text(34.0, y, f"{region} region of the mark as restated, drawn "
                           f"{view.plane.factor:,g} times as large"
                           + ("; the largest are left out" if left_out else ""))]
    elif left_out:
        y += 19.0
        parts.append(_text(10.0, y, f"The {region} regions of the marks are too large to be "
                                    "drawn at the scale of the arrows."))
    hull = control_hull(tie)
    if hull is not None and len(hull) > 1:
        y += 18.0
        parts += [f'<path d="M10 {y - 4:.1f} h18" stroke="{QUIET}" stroke-dasharray="4 3"/>',
                  _text(34.0, y, "hull of the horizontal fit marks")]
    if any(view.arrow(mark.row)[2] or view.bar(mark.row)[1] for mark in marks):
        y += 18.0
        parts.append(_text(10.0, y, "Arrows and bars in dashes are too long for the map and cut "
                                    "short: see the tables."))
    return "".join(parts), y + 10.0 - view.height


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return (f'<text x="{x:.1f}" y="{y:.1f}" font-size="10.5" text-anchor="{anchor}" '
            f'fill="{INK}">{escape(words)}</text>')


def _north(y: float) -> str:
    x = WIDTH - 10.0
    return (
        f'<path d="M{x:.1f} {y + 15:.1f} V{y - 10:.1f} M{x - 5:.1f} {y - 1:.1f} L{x:.1f} '
        f'{y - 11:.1f} L{x + 5:.1f} {y - 1:.1f}" fill="none" stroke="{INK}" stroke-width="1.4"/>'
        + _text(x - 11.0, y, "site north", "end"))


def _scale_bar(y: float, view: _View, unit: LengthUnit) -> str:
    true = round_down(130.0 / view.scale)
    length = true * view.scale
    end = WIDTH - 104.0
    words = f"{true:,g} {'m' if unit.code == 'm' else 'ft'}"
    start = end - 7.0 * len(words) - 6.0 - length
    return (
        f'<path d="M{start:.1f} {y - 4:.1f} h{length:.1f} m0 -4 v8 m-{length:.1f} 0 v-8" '
        f'stroke="{INK}" stroke-width="1.2" fill="none"/>'
        + _text(start + length + 6.0, y, words))
