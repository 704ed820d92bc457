"""The control geometry with residual arrows and error ellipses, as SVG in site north up."""

from __future__ import annotations

import math
from html import escape
from typing import List, NamedTuple, Tuple

import numpy as np

from ..exaggeration import Exaggeration, exaggeration, round_down
from ..hull import control_hull
from ..results import PairResidual
from ..tie import Tie
from ..wording import length_words

#: Size of the drawing, its margin, and the band for the legend, in drawing units (1/96 inch).
WIDTH, HEIGHT, MARGIN, LEGEND = 680, 470, 46, 92
INK, QUIET, PLANE, RISE = "#1b2530", "#7b8794", "#a63d17", "#1f5fa8"
ROLES = ("fit", "check", "idle")


class _Place(NamedTuple):
    """Site coordinates to drawing coordinates."""

    middle: np.ndarray
    scale: float

    def __call__(self, point) -> Tuple[float, float]:
        offset = (np.asarray(point) - self.middle) * self.scale
        return WIDTH / 2 + float(offset[0]), (HEIGHT) / 2 - float(offset[1])


def geometry_svg(tie: Tie) -> str:
    """The drawing of a tie; an empty text when no pair has a position."""
    marks = [(row, np.array([pair.control.easting, pair.control.northing]))
             for row, pair in zip(tie.residuals, tie.pairs) if pair.control.has_position]
    if not marks:
        return ""
    points = np.array([point for _, point in marks])
    low, high = points.min(axis=0), points.max(axis=0)
    extent = float(max((high - low).max(), 1.0))
    span = np.maximum(high - low, 0.15 * extent)
    scale = float(min((WIDTH - 3 * MARGIN) / span[0], (HEIGHT - 2 * MARGIN) / span[1]))
    place = _Place((low + high) / 2, scale)
    sizes = [part.size for row, _ in marks for part in (row.horizontal, row.vertical)
             if part.size is not None and part.role != "idle"]
    exaggerated = exaggeration(sizes, extent)
    body = [_frame(), _hull(tie, place)]
    drawn: set = set()
    for row, point in marks:
        body.append(_ellipse(tie, row, point, place, exaggerated))
    for row, point in marks:
        body.append(_mark(row, point, place, exaggerated, label=row.control_id not in drawn))
        drawn.add(row.control_id)
    body.append(_legend(tie, place, exaggerated))
    total = HEIGHT + LEGEND
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {total}" width="{WIDTH}" '
        f'height="{total}" font-family="DejaVu Sans, Arial, sans-serif" font-size="11" role="img" '
        f'aria-label="Control points with residual arrows and error ellipses">{"".join(body)}</svg>'
    )


def _frame() -> str:
    return (
        f'<rect x="0.5" y="0.5" width="{WIDTH - 1}" height="{HEIGHT - 1}" fill="#ffffff" '
        f'stroke="{QUIET}" stroke-width="0.6"/>'
        f'<path d="M{WIDTH - 30} 52 V18 M{WIDTH - 36} 28 L{WIDTH - 30} 16 L{WIDTH - 24} 28" '
        f'fill="none" stroke="{INK}" stroke-width="1.4"/>'
        f'<text x="{WIDTH - 10}" y="66" text-anchor="end" fill="{INK}">site north</text>'
    )


def _hull(tie: Tie, place: _Place) -> str:
    hull = control_hull(tie)
    if hull is None or len(hull) < 2:
        return ""
    corners = tie.horizontal.apply(hull) / tie.settings.site_length.metres
    path = " ".join(f"{x:.1f},{y:.1f}" for x, y in map(place, corners))
    return (f'<polygon points="{path}" fill="#f4f6f3" stroke="{QUIET}" stroke-width="0.8" '
            'stroke-dasharray="4 3"/>')


def _ellipse(tie: Tie, row: PairResidual, point, place: _Place, ex: Exaggeration) -> str:
    if row.covariance is None or row.horizontal.role == "idle":
        return ""
    covariance = np.array(row.covariance)[:2, :2]
    if not np.isfinite(covariance).all():
        return ""
    values, vectors = np.linalg.eigh(covariance)
    axes = np.sqrt(np.maximum(values, 0.0)) * tie.region_factor(2) * ex.factor
    if axes.max() > ex.longest:
        return ""
    turn = -math.degrees(math.atan2(vectors[1, 1], vectors[0, 1]))
    x, y = place(point)
    return (
        f'<ellipse cx="{x:.1f}" cy="{y:.1f}" rx="{axes[1] * place.scale:.1f}" '
        f'ry="{axes[0] * place.scale:.1f}" transform="rotate({turn:.1f} {x:.1f} {y:.1f})" '
        f'fill="none" stroke="{QUIET}" stroke-width="0.7"/>'
    )


def _mark(row: PairResidual, point, place: _Place, ex: Exaggeration, label: bool) -> str:
    x, y = place(point)
    parts: List[str] = []
    side = 1.0
    if row.horizontal.residual is not None:
        east, north, cut = ex.drawn(row.east, row.north)
        parts.append(_arrow(x, y, east * place.scale, -north * place.scale, cut))
        side = -1.0 if east > 0 else 1.0
    if row.vertical.residual is not None:
        parts.append(_bar(x, y, row.up, place, ex))
    parts.append(_symbol(x, y, row.horizontal.role))
    if label:
        anchor = "start" if side > 0 else "end"
        parts.append(
            f'<text x="{x + 9 * side:.1f}" y="{y - 7:.1f}" text-anchor="{anchor}" fill="{INK}" '
            f'stroke="#ffffff" stroke-width="3" paint-order="stroke">{escape(row.control_id)}'
            f'</text><text x="{x + 9 * side:.1f}" y="{y - 7:.1f}" text-anchor="{anchor}" '
            f'fill="{INK}">{escape(row.control_id)}</text>'
        )
    return "".join(parts)


def _symbol(x: float, y: float, role: str) -> str:
    if role == "fit":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.6" fill="{INK}"/>'
    if role == "check":
        return (f'<rect x="{x - 4:.1f}" y="{y - 4:.1f}" width="8" height="8" fill="#ffffff" '
                f'stroke="{INK}" stroke-width="1.5"/>')
    return (f'<path d="M{x - 4:.1f} {y - 4:.1f} l8 8 m0 -8 l-8 8" stroke="{QUIET}" '
            'stroke-width="1.4" fill="none"/>')


def _arrow(x: float, y: float, dx: float, dy: float, cut: bool) -> str:
    length = math.hypot(dx, dy)
    if length < 0.5:
        return ""
    ux, uy = dx / length, dy / length
    head = min(7.0, 0.6 * length)
    tip_x, tip_y = x + dx, y + dy
    left = (tip_x - head * ux - 0.45 * head * uy, tip_y - head * uy + 0.45 * head * ux)
    right = (tip_x - head * ux + 0.45 * head * uy, tip_y - head * uy - 0.45 * head * ux)
    dash = ' stroke-dasharray="6 3"' if cut else ""
    return (
        f'<path d="M{x:.1f} {y:.1f} L{tip_x - 0.6 * head * ux:.1f} {tip_y - 0.6 * head * uy:.1f}" '
        f'stroke="{PLANE}" stroke-width="1.7" fill="none"{dash}/>'
        f'<path d="M{tip_x:.1f} {tip_y:.1f} L{left[0]:.1f} {left[1]:.1f} L{right[0]:.1f} '
        f'{right[1]:.1f} Z" fill="{PLANE}"/>'
    )


def _bar(x: float, y: float, up: float, place: _Place, ex: Exaggeration) -> str:
    """A bar beside the mark, rising for solved above given, with a flat end."""
    _, length, cut = ex.drawn(0.0, up)
    rise = length * place.scale
    if abs(rise) < 0.5:
        return ""
    at, top = x - 6.0, y - rise
    dash = ' stroke-dasharray="6 3"' if cut else ""
    return (
        f'<path d="M{at:.1f} {y:.1f} V{top:.1f}" stroke="{RISE}" stroke-width="3" fill="none"'
        f'{dash}/><path d="M{at - 4:.1f} {top:.1f} h8" stroke="{RISE}" stroke-width="1.6"/>'
    )


def _legend(tie: Tie, place: _Place, ex: Exaggeration) -> str:
    unit = tie.settings.site_length
    y = HEIGHT + 20
    reference = ex.reference * ex.factor * place.scale
    bar = round_down(130.0 / place.scale)
    percent = f"{tie.settings.confidence * 100:g} %"
    text = f'fill="{INK}"'
    parts = [
        _symbol(12, y - 4, "fit"), f'<text x="22" y="{y}" {text}>fit</text>',
        _symbol(62, y - 4, "check"), f'<text x="72" y="{y}" {text}>check</text>',
        _symbol(122, y - 4, "idle"), f'<text x="132" y="{y}" {text}>idle (horizontal roles)</text>',
        f'<path d="M290 {y - 4} h{bar * place.scale:.1f} m0 -4 v8 m-{bar * place.scale:.1f} 0 v-8" '
        f'stroke="{INK}" stroke-width="1.2" fill="none"/>',
        f'<text x="{296 + bar * place.scale:.1f}" y="{y}" {text}>'
        f'{bar:,.0f} {unit.code} on the ground</text>',
        _arrow(10, y + 20, reference, 0.0, False),
        f'<text x="{18 + reference:.1f}" y="{y + 24}" {text}>{length_words(ex.reference, unit)} of '
        f'horizontal residual, solved − given, drawn {ex.factor:,.0f} times as large</text>',
        f'<path d="M14 {y + 50} v-12 m-4 0 h8" stroke="{RISE}" stroke-width="2.4" fill="none"/>',
        f'<text x="26" y="{y + 48}" {text}>vertical residual at the same scale: up, solved above '
        'given; down, below</text>',
        f'<ellipse cx="15" cy="{y + 63}" rx="9" ry="5" fill="none" stroke="{QUIET}"/>',
        f'<text x="30" y="{y + 67}" {text}>{percent} region of the restated mark, drawn as large '
        'as the arrows; dashed arrows are cut short</text>',
    ]
    return "".join(parts)
