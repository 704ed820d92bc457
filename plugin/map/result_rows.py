"""What the result layers hold, as plain rows: residuals, ellipses, hull, in site coordinates."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Dict, List, NamedTuple, Optional, Tuple

import numpy as np

from ...core.exaggeration import Exaggeration, exaggeration
from ...core.hull import control_hull
from ...core.nearby import control_positions, predicted_positions
from ...core.pairs import Pair
from ...core.results import ComponentResult
from ...core.tie import Tie
from ...core.units import LengthUnit
from ...core.verdict_words import AGAINST
from ...core.wording import length_words

#: States of an arrow or a triangle; each is drawn in its own way.
FIT, FIT_DOUBT, CHECK, CHECK_DOUBT, IDLE, REFERENCE = (
    "fit", "fit, in doubt", "check", "check, does not agree", "idle", "reference")
STATES = (FIT, FIT_DOUBT, CHECK, CHECK_DOUBT, IDLE, REFERENCE)
DOUBTS = (FIT_DOUBT, CHECK_DOUBT)
REFERENCE_KEY = ("reference",)
ABOVE, BELOW = "above", "below"
#: Site units: what is shorter is rounding, and has no direction.
LEAST_ARROW = 1e-6
#: An ellipse counts with this share of its mean half axis for the exaggeration.
ELLIPSE_SHARE = 0.4
#: Corners of a drawn ellipse, the first one again at the end.
_TURN = np.append(np.linspace(0.0, 2.0 * math.pi, 48, endpoint=False), 0.0)
_CIRCLE = np.stack([np.cos(_TURN), np.sin(_TURN)], axis=1)

Coordinates = Tuple[Tuple[float, float], ...]


class Row(NamedTuple):
    """A feature: what it is known by, its coordinates, its attributes in the layer's order."""

    key: Tuple[str, ...]
    coordinates: Coordinates
    attributes: Tuple[object, ...]


@dataclass(frozen=True)
class ResultRows:
    """All that is drawn of a tie.

    Attributes
    ----------
    arrows : tuple of Row
        From the given position towards the solved one. Attributes: pair, control_id, observ_id,
        state, res_e, res_n, len_h, cut, label.
    triangles : tuple of Row
        One a mark: of repeated observations the worst one. Attributes: pair, control_id,
        observ_id, state, res_u, side, share (of the largest ordinary one, 0 to 1), label.
    ellipses : tuple of Row
        Round the solved position, exaggerated as the arrows; one a mark, the largest. Attributes:
        pair, control_id, observ_id, state, semi_major, semi_minor.
    hull : tuple of Row
        Attributes: fit_marks, note.
    scale : Exaggeration
    level : float
    """

    arrows: Tuple[Row, ...]
    triangles: Tuple[Row, ...]
    ellipses: Tuple[Row, ...]
    hull: Tuple[Row, ...]
    scale: Exaggeration
    level: float


def result_rows(tie: Tie, kept_factor: Optional[float] = None) -> ResultRows:
    """What to draw of a tie.

    Parameters
    ----------
    kept_factor : float, optional
        Exaggeration in use; it stays while it serves.
    """
    placed = [
        (i, pair, row) for i, (pair, row) in enumerate(zip(tie.pairs, tie.rows))
        if pair.control.has_position
    ]
    box = _box(control_positions([pair.control for _, pair, _ in placed]))
    scale = exaggeration(_sizes(tie, placed), max(box[2] - box[0], box[3] - box[1]), kept_factor)
    hull = _hull(tie)
    return ResultRows(
        arrows=tuple(_arrows(tie, placed, scale, box)),
        triangles=tuple(_triangles(tie)),
        ellipses=tuple(_ellipses(tie, placed, scale)),
        hull=hull,
        scale=scale,
        level=tie.settings.confidence,
    )


def pair_key(pair: Pair) -> Tuple[str, str]:
    """What a pair's features are known by while pairs come and go."""
    return pair.control.id, pair.observation.id


def _box(places: np.ndarray) -> Tuple[float, float, float, float]:
    if not len(places):
        return 0.0, 0.0, 0.0, 0.0
    low, high = places.min(axis=0), places.max(axis=0)
    return float(low[0]), float(low[1]), float(high[0]), float(high[1])


def _sizes(tie: Tie, placed) -> List[float]:
    """What the exaggeration goes by: residuals, or the ellipses where these are larger by far, as
    in a solution with little redundancy."""
    sizes = []
    for _, _, row in placed:
        if row.horizontal.role != "idle":
            trace = 0.0 if row.covariance is None else row.covariance[0][0] + row.covariance[1][1]
            factor = ELLIPSE_SHARE * tie.pair_region_factor(row, 2)
            ellipse = factor * math.sqrt(trace / 2.0) if trace > 0.0 else 0.0
            sizes.append(max(row.horizontal.size or 0.0, ellipse))
    return sizes


def _state(part: ComponentResult) -> str:
    doubt = part.verdict in AGAINST
    if part.role == "check":
        return CHECK_DOUBT if doubt else CHECK
    if part.role == "fit":
        return FIT_DOUBT if doubt else FIT
    return IDLE


def _arrows(tie: Tie, placed, scale: Exaggeration, box) -> List[Row]:
    unit = tie.settings.site_length
    longest = _longest_shots(placed)
    rows = []
    for i, pair, row in placed:
        part = row.horizontal
        if part.residual is None or (part.size or 0.0) < LEAST_ARROW:
            continue
        east, north, cut = scale.drawn(*part.residual)
        start = (pair.control.easting, pair.control.northing)
        state = _state(part)
        label = ""
        if longest[pair.control.id] == i:
            label = length_words(part.size, unit) + (", drawn shorter" if cut else "")
            label += f", longest of {row.repeated}" if row.repeated > 1 else ""
            label = f"{pair.control.id}: {label}" if state in DOUBTS else label
        rows.append(Row(
            pair_key(pair), (start, (start[0] + east, start[1] + north)),
            (i, pair.control.id, pair.observation.id, state, part.residual[0], part.residual[1],
             part.size, int(cut), label),
        ))
    if rows:
        rows.append(_reference_arrow(scale, box, _round_words(scale.reference, unit)))
    return rows


def _longest_shots(placed) -> Dict[str, int]:
    """Which pair of each mark has the longest arrow: it alone is labelled."""
    found: Dict[str, Tuple[float, int]] = {}
    for i, pair, row in placed:
        size = row.horizontal.size or 0.0
        if size >= found.get(pair.control.id, (0.0, -1))[0]:
            found[pair.control.id] = (size, i)
    return {control_id: i for control_id, (_, i) in found.items()}


def _reference_arrow(scale: Exaggeration, box, words: str) -> Row:
    """A round length below the site, to read the others by."""
    west, south, east, north = box
    length = scale.reference * scale.factor
    level = south - 0.12 * max(east - west, north - south, length)
    return Row(
        REFERENCE_KEY, ((west, level), (west + length, level)),
        (-1, "", "", REFERENCE, scale.reference, 0.0, scale.reference, 0,
         f"{words} (×{scale.factor:,.10g})"),
    )


def _round_words(length: float, unit: LengthUnit) -> str:
    """A round length without needless zeros."""
    if unit.code == "m":
        return f"{length:g} m" if length >= 1.0 else f"{length * 1000.0:g} mm"
    return f"{length:g} ft"


def _triangles(tie: Tie) -> List[Row]:
    """Vertical residuals; at the control, or for a mark without position where the tie puts it."""
    marks: Dict[str, List[Tuple[int, float, str]]] = {}
    for i, row in enumerate(tie.rows):
        if row.vertical.residual is not None:
            up = row.vertical.residual[0]
            marks.setdefault(row.control_id, []).append((i, up, _state(row.vertical)))
    sizes = [abs(up) for found in marks.values() for _, up, state in found if state != IDLE]
    largest = exaggeration(sizes, 1.0).reference
    rows = []
    for found in marks.values():
        i, up, state = max(found, key=lambda item: (item[2] != IDLE, abs(item[1])))
        pair = tie.pairs[i]
        label = length_words(up, tie.settings.elevation_length, signed=True)
        label += f", worst of {len(found)}" if len(found) > 1 else ""
        if state in DOUBTS or not pair.control.has_position:
            label = f"{pair.control.id}: {label}"
        rows.append(Row(
            pair_key(pair), (_place(tie, pair),),
            (i, pair.control.id, pair.observation.id, state, up, ABOVE if up >= 0.0 else BELOW,
             min(1.0, abs(up) / largest), label),
        ))
    return rows


def _place(tie: Tie, pair: Pair) -> Tuple[float, float]:
    if pair.control.easting is not None and pair.control.northing is not None:
        return pair.control.easting, pair.control.northing
    easting, northing = predicted_positions([pair.observation], tie)[0]
    return float(easting), float(northing)


def _ellipses(tie: Tie, placed, scale: Exaggeration) -> List[Row]:
    shown, planes, centres, factors = [], [], [], []
    for i, pair, row in placed:
        part = row.horizontal
        if part.residual is None or row.covariance is None or part.role == "idle":
            continue
        east, north, cut = scale.drawn(*part.residual)
        plane = [line[:2] for line in row.covariance[:2]]
        if not cut and all(map(math.isfinite, plane[0] + plane[1])):
            shown.append((i, pair, part))
            planes.append(plane)
            factors.append(tie.pair_region_factor(row, 2))
            centres.append((pair.control.easting + east, pair.control.northing + north))
    if not shown:
        return []
    values, axes = np.linalg.eigh(np.array(planes))
    half = np.array(factors)[:, None] * np.sqrt(np.maximum(values, 0.0))
    largest: Dict[str, int] = {}
    for place, (_, pair, _) in enumerate(shown):
        kept = largest.setdefault(pair.control.id, place)
        if half[place, 1] > half[kept, 1]:
            largest[pair.control.id] = place
    rows = []
    for place in largest.values():
        i, pair, part = shown[place]
        minor, major = half[place].tolist()
        if major <= 0.0:
            continue
        points = (_CIRCLE * (half[place] * scale.factor)) @ axes[place].T + centres[place]
        rows.append(Row(
            pair_key(pair), tuple(map(tuple, points.tolist())),
            (i, pair.control.id, pair.observation.id, _state(part), major, minor)))
    return rows


def _hull(tie: Tie) -> Tuple[Row, ...]:
    corners = control_hull(tie)
    if corners is None or len(corners) < 3:
        return ()
    easting, northing = tie.base_to_site(corners[:, 0], corners[:, 1])
    ring = list(zip(easting.tolist(), northing.tolist()))
    marks = tie.statistics.horizontal.fit_marks if tie.statistics.horizontal else len(corners)
    return (Row(("hull",), tuple(ring + ring[:1]), (marks,)),)
