"""Which control point to look for next, and what it would bring.

Every candidate is added to the least squares of the tie as a row more (see `forecast`): the fall
of the predicted uncertainty over the work area, and which blunders would then be seen, named, or
still stay hidden (see `reliability`). Nothing needs to be observed for that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Callable, Dict, Iterable, List, Optional, Sequence, Tuple

import numpy as np

from .errors import Cancelled
from .forecast import SIDES, Forecast, planned_rows
from .nearby import control_positions
from .pairs import Control
from .products import product
from .reliability import FINDABLE, HIDDEN, MarkReliability, marks_words, reliability
from .seek_list import not_observed
from .tie import Tie
from .units import LengthUnit
from .wording import length_words, listed
from .work_area import WorkArea

#: Falls of a predicted uncertainty below this share are not worth a word.
FELT = 0.05
#: What the ranking goes by, where more than the number of hidden blunders tells candidates apart.
BOTH = "both"


@dataclass(frozen=True)
class Uncertainty:
    """Predicted uncertainty over a work area, at the confidence of the settings.

    Attributes
    ----------
    worst, mean : float
        Largest and mean half axis (horizontal, site units) or half interval (vertical, elevation
        units).
    """

    worst: float
    mean: float


@dataclass(frozen=True)
class NextMark:
    """What observing one control point would bring.

    Attributes
    ----------
    control : Control
    rank : int
        From 1.
    uncertainty : dict of str to Uncertainty
        Over the work area afterwards, by side.
    reliability : tuple of MarkReliability
        Afterwards, of every mark and of this one.
    findable, seen, hidden : tuple of MarkReliability
        Blunders at marks of the present tie that could be found then and cannot now; that would
        show then, though not where, and do not now; and that would still stay hidden, this
        control point's own included.
    gain : float
        Fall of the worst uncertainty, 0 to 1: mean over both sides of its logarithm, as a share.
    """

    control: Control
    rank: int
    uncertainty: Dict[str, Uncertainty]
    reliability: Tuple[MarkReliability, ...]
    findable: Tuple[MarkReliability, ...]
    seen: Tuple[MarkReliability, ...]
    hidden: Tuple[MarkReliability, ...]
    gain: float


@dataclass(frozen=True)
class NextControl:
    """Candidates, the best first, against the present state.

    Attributes
    ----------
    marks : tuple of NextMark
    area : WorkArea
    uncertainty : dict of str to Uncertainty
        Over the work area now, by side.
    reliability : tuple of MarkReliability
        Of the present tie.
    unplaced : tuple of str
        Ids of control points with an elevation only: nothing says where they are.
    units : dict of str to LengthUnit
        Site and elevation unit, by side.
    """

    marks: Tuple[NextMark, ...]
    area: WorkArea
    uncertainty: Dict[str, Uncertainty]
    reliability: Tuple[MarkReliability, ...]
    unplaced: Tuple[str, ...]
    units: Dict[str, LengthUnit]

    def words(self, mark: NextMark) -> str:
        """What a candidate would bring, in a sentence."""
        said = "; ".join(filter(None, (self.falls(mark), self.blunders(mark))))
        return f"{mark.control.id}: {said}."

    def falls(self, mark: NextMark) -> str:
        """How far the worst uncertainty falls, as a part of a sentence."""
        falls, small = [], []
        for side, called in (("horizontal", "position"), ("vertical", "elevation")):
            before, after = self.uncertainty.get(side), mark.uncertainty.get(side)
            if before is None or after is None:
                continue
            unit = self.units[side]
            old, new = length_words(before.worst, unit), length_words(after.worst, unit)
            if after.worst < (1.0 - FELT) * before.worst and old != new:
                falls.append(f"{called} from {old} to {new}")
            else:
                small.append(f"{called} stays at {old}")
        if falls:
            return f"worst-case {' and '.join(falls)} over {self.area.name}"
        return f"hardly changes the worst case over {self.area.name} ({', '.join(small)})"

    def blunders(self, mark: NextMark) -> str:
        """What becomes of blunders, as a part of a sentence; blank when there is no news."""
        worst = {side: found.worst for side, found in mark.uncertainty.items()}
        said = [*_blunder_words(mark, self.units),
                _unseen_words(mark.reliability, self.units, worst)]
        return "; ".join(filter(None, said))

    def now_words(self) -> str:
        """The present state, in sentences."""
        return state_words(self.area, self.uncertainty, self.reliability, self.units)


class AreaDesign:
    """How a work area feels the parameters of a tie: computed once for all candidates."""

    def __init__(self, tie: Tie, area: WorkArea, of_restated_points: bool = True) -> None:
        self._tie = tie
        self.corners = self._designs(area.corners)
        self._points = self._designs(area.points)
        self._noise = [self._shot_noise(places) if of_restated_points else None
                       for places in (area.corners, area.points)]

    def _designs(self, site: np.ndarray) -> Dict[str, np.ndarray]:
        base = np.stack(self._tie.site_to_base(site[:, 0], site[:, 1]), axis=-1)
        designs = {"horizontal": self._tie.horizontal.design(base)}
        if self._tie.vertical is not None:
            designs["vertical"] = self._tie.vertical.design(base)
        return designs

    def _shot_noise(self, site: np.ndarray) -> np.ndarray:
        latitude, longitude, _ = self._tie.to_geodetic(site[:, 0], site[:, 1])
        turn = self._tie.observation_jacobian(latitude, longitude)
        shot = self._tie.default_observation_covariance()
        return product(turn, shot, np.swapaxes(turn, 1, 2))

    def uncertainty(self, forecast: Forecast) -> Dict[str, Uncertainty]:
        """Predicted over the area, by side; site and elevation units."""
        found = {}
        settings = self._tie.settings
        for side, places, unit in (
            ("horizontal", slice(0, 2), settings.site_length),
            ("vertical", slice(2, 3), settings.elevation_length),
        ):
            design = forecast.design(side)
            if design is None:
                continue
            sizes = []
            for designs, noise in zip((self.corners, self._points), self._noise):
                rows = designs[side]
                covariance = product(rows, design.adjustment.cofactor, np.swapaxes(rows, 1, 2))
                if noise is not None:
                    covariance = covariance + noise[:, places, places]
                sizes.append(np.sqrt(_largest_eigenvalue(covariance)))
            factor = forecast.region_factor(side) * math.sqrt(forecast.variance_factor(side))
            factor /= unit.metres
            worst, mean = max(sizes[0].max(), sizes[1].max()), sizes[1].mean()
            found[side] = Uncertainty(factor * float(worst), factor * float(mean))
        return found

    def reliability(self, forecast: Forecast) -> Tuple[MarkReliability, ...]:
        return reliability(forecast, self.corners["horizontal"], self.corners.get("vertical"))


def next_control(
    tie: Tie,
    control: Sequence[Control],
    area: Optional[WorkArea] = None,
    *,
    leave_out: Iterable[str] = (),
    observation_covariance: Optional[np.ndarray] = None,
    of_restated_points: bool = True,
    rank_by: str = BOTH,
    progress: Optional[Callable[[float], bool]] = None,
) -> NextControl:
    """Rank control points that are not observed yet by what each would bring.

    Parameters
    ----------
    control : sequence of Control
        Those of the tie's own pairs are left out.
    area : WorkArea, optional
        Where uncertainty counts, site coordinates; by default all within the hull of the control.
    leave_out : iterable of str
        Ids of further control points that are no candidates.
    observation_covariance : (3, 3) array, optional
        Of the observation to come, local east, north, up, square metres; by default the default
        sigmas of the settings, which are assumed.
    of_restated_points : bool
        Whether predicted uncertainty is that of a point restated there, with its own GNSS
        observation of default sigmas, as in the confidence surface; else that of the tie alone.
    rank_by : {"both", "horizontal", "vertical"}
    progress : function, optional
        Called with the share done; False stops.

    Returns
    -------
    NextControl
        First come candidates that leave fewer blunders hidden, among those the ones that lower
        the worst uncertainty over the work area most (both sides: by the geometric mean of the
        ratios).

    Raises
    ------
    GeometryError
        For a typed tie, or an empty work area.
    InputError
        When two control points share an id, or one cannot be carried back.
    Cancelled

    Notes
    -----
    The covariance predicted is that found by really adding the mark where the tie expects it and
    solving again; a real observation lies a little off, which changes it in the sixth digit. The
    present variance factor is taken to stay as it is.
    """
    wanted = not_observed(tie, control, leave_out)
    unplaced = tuple(point.id for point in wanted if not point.has_position)
    wanted = [point for point in wanted if point.has_position]
    now = Forecast.of(tie)
    if area is None:
        area = site_area(tie, wanted)
    over = AreaDesign(tie, area, of_restated_points)
    before, present = over.uncertainty(now), over.reliability(now)
    found = []
    for place, rows in enumerate(planned_rows(tie, wanted, observation_covariance)):
        after = now.with_rows(rows)
        found.append(_next_mark(
            wanted[place], before, present, over.uncertainty(after), over.reliability(after),
            rank_by))
        if progress is not None and not progress((place + 1) / len(wanted)):
            raise Cancelled()
    settings = tie.settings
    return NextControl(
        marks=_ranked(found), area=area, uncertainty=before, reliability=present,
        unplaced=unplaced,
        units={"horizontal": settings.site_length, "vertical": settings.elevation_length},
    )


def site_area(tie: Tie, control: Sequence[Control]) -> WorkArea:
    """All within the hull of the tie's control and further control points, "the site"."""
    known = [pair.control for pair in tie.pairs]
    return WorkArea.of_hull(control_positions([*known, *control]))


def state_words(
    area: WorkArea, uncertainty: Dict[str, Uncertainty], marks: Sequence[MarkReliability],
    units: Dict[str, LengthUnit],
) -> str:
    """Predicted uncertainty and what a blunder could do, in sentences."""
    sizes = [f"{called} {length_words(uncertainty[side].worst, units[side])}"
             for side, called in (("horizontal", "position"), ("vertical", "elevation"))
             if side in uncertainty]
    said = [f"Worst-case {' and '.join(sizes)} over {area.name}."]
    hidden = [mark for mark in marks if mark.state == HIDDEN]
    seen = [mark for mark in marks if mark.state not in (HIDDEN, FINDABLE)]
    if hidden:
        said.append(f"A blunder in {marks_words(hidden)} could stay hidden.")
    if seen:
        said.append(f"A blunder in {marks_words(seen)} would show, but not which it is.")
    unseen = _unseen_words(marks, units, {})
    if unseen and not hidden:
        said.append(f"{unseen[0].upper()}{unseen[1:]}.")
    return " ".join(said)


def _next_mark(control, before, present, uncertainty, after, rank_by) -> NextMark:
    was = {(mark.side, mark.control_id): mark.state for mark in present}
    sides = SIDES if rank_by == BOTH else (rank_by,)
    ratios = [math.log(uncertainty[side].worst / before[side].worst)
              for side in sides if side in uncertainty]
    known = [(mark, was.get((mark.side, mark.control_id))) for mark in after]
    return NextMark(
        control=control, rank=0, uncertainty=uncertainty, reliability=after,
        findable=tuple(m for m, old in known
                       if old not in (None, FINDABLE) and m.state == FINDABLE),
        seen=tuple(m for m, old in known if old == HIDDEN and m.state not in (HIDDEN, FINDABLE)),
        hidden=tuple(m for m in after if m.state == HIDDEN),
        gain=-math.expm1(float(np.mean(ratios))) if ratios else 0.0,
    )


def _ranked(found: Sequence[NextMark]) -> Tuple[NextMark, ...]:
    order = sorted(found, key=lambda mark: (len(mark.hidden), -mark.gain, mark.control.id))
    return tuple(replace(mark, rank=rank) for rank, mark in enumerate(order, start=1))


def _blunder_words(mark: NextMark, units: Dict[str, LengthUnit]) -> List[str]:
    said = []
    if mark.findable:
        said.append(f"makes a blunder in {marks_words(mark.findable)} findable "
                    f"(from {_separable_words(mark.findable, units)})")
    if mark.seen:
        said.append(f"a blunder in {marks_words(mark.seen)} would show, but not which it is")
    if mark.hidden:
        said.append(f"a blunder in {marks_words(mark.hidden)} could still stay hidden")
    return said


def _separable_words(marks: Sequence[MarkReliability], units: Dict[str, LengthUnit]) -> str:
    """From what size on a blunder is found at every one of these marks."""
    largest: Dict[str, float] = {}
    for mark in marks:
        if mark.separable is not None:
            largest[mark.side] = max(mark.separable, largest.get(mark.side, 0.0))
    where = {"horizontal": " in position", "vertical": " in elevation"}
    return listed(length_words(size, units[side]) + (where[side] if len(largest) > 1 else "")
                  for side, size in largest.items())


def _unseen_words(
    marks: Sequence[MarkReliability], units: Dict[str, LengthUnit], above: Dict[str, float]
) -> str:
    """What a blunder that no test shows would do, where it is more than that by side."""
    said = []
    for side, called in (("horizontal", "a position"), ("vertical", "an elevation")):
        largest = max((mark.effect for mark in marks
                       if mark.side == side and mark.effect is not None), default=0.0)
        if largest > above.get(side, 0.0):
            said.append(f"{called} by up to {length_words(largest, units[side])}")
    return f"a blunder too small to show could move {listed(said)}" if said else ""


def _largest_eigenvalue(covariance: np.ndarray) -> np.ndarray:
    if covariance.shape[1] == 1:
        return covariance[:, 0, 0]
    east, north, mixed = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    return (east + north) / 2.0 + np.hypot((east - north) / 2.0, mixed)
