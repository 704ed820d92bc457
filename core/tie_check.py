"""A tie held against pairs that took no part in it: typed parameters, or a solution, and one's own
observations."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from typing import List, Optional, Sequence, Tuple

import numpy as np

from .errors import InputError
from .marks import group_marks, pair_arrays
from .pairs import Pair, Role
from .residuals import check_fields, own_fields
from .results import ComponentResult, PairResidual, ResidualTable
from .tie import Tie


@dataclass(frozen=True)
class CheckSummary:
    """How the checks of one side lie; site units or elevation units.

    Attributes
    ----------
    pairs : int
    mean : tuple of float
        Mean residual (solved minus given): (east, north) or (up,). Where the parameters are good
        but the two frames differ by a constant, it shows here.
    rms : float
        Root of the mean squared residual (horizontal: of its length), divided by `pairs`.
    largest : float
    """

    pairs: int
    mean: Tuple[float, ...]
    rms: float
    largest: float


@dataclass(frozen=True)
class TieCheck:
    """What came of it.

    Attributes
    ----------
    tie : Tie
        The same tie carrying the pairs as checks and their residuals, for reports.
    horizontal, vertical : CheckSummary or None
        None where no pair could be compared.
    """

    tie: Tie
    horizontal: Optional[CheckSummary]
    vertical: Optional[CheckSummary]

    @property
    def residuals(self) -> ResidualTable:
        """Solved minus given of every pair, with test and verdict."""
        return self.tie.residuals


def check_against(tie: Tie, pairs: Sequence[Pair]) -> TieCheck:
    """Hold a typed tie against one's own observations.

    Every pair that is not idle is a check, whatever its role. A mark is tested at the test level
    of the tie's settings with the covariance of the observation, that of the control and the
    tie's stated accuracy; where that is not stated it is not tested, and its residual speaks
    alone.

    Raises
    ------
    InputError
        When the tie was solved (put checks into the pairs it is solved from), or nothing can be
        compared.
    """
    if tie.kind != "typed":
        raise InputError(
            "This tie was solved from pairs.",
            "Give further pairs the role check and solve again: its own pairs come along then.",
        )
    checks = tuple(_as_check(pair, tie.vertical is not None) for pair in pairs)
    if all(pair.horizontal is pair.vertical is Role.IDLE for pair in checks):
        raise InputError("There is no pair to compare.", "Give pairs with the role check.")
    arrays = pair_arrays(checks, tie.settings, tie.base, tie.geoid)
    sides = [_side(tie, side, checks, arrays) for side in ("horizontal", "vertical")]
    rows = tuple(
        PairResidual(pair.control.id, pair.observation.id, h, v)
        for pair, h, v in zip(checks, *sides)
    )
    return TieCheck(dataclasses.replace(tie, pairs=checks, rows=rows), *map(_summary, sides))


def _as_check(pair: Pair, heights: bool) -> Pair:
    horizontal, vertical = (Role.IDLE if role is Role.IDLE else Role.CHECK
                            for role in (pair.horizontal, pair.vertical))
    return dataclasses.replace(
        pair, horizontal=horizontal, vertical=vertical if heights else Role.IDLE
    )


def _side(tie: Tie, side: str, pairs, arrays) -> List[ComponentResult]:
    part = getattr(tie, side)
    roles = [getattr(pair, side) for pair in pairs]
    if part is None:
        return [ComponentResult(role=role.value) for role in roles]
    if side == "horizontal":
        values, noise = arrays.base, arrays.base_covariance
    else:
        values = (arrays.height - arrays.undulation)[:, None]
        noise = arrays.height_variance[:, None, None]
    marks = group_marks(pairs, roles, Role.CHECK, values, noise, tie.settings.session_correlation)
    common = own_fields(pairs, side, part, arrays, tie.settings)
    results = [ComponentResult(**fields) for fields in common]
    cofactor = tie.part_covariance(side)
    for i, fields in check_fields(side, part, cofactor, marks, arrays, tie.settings):
        results[i] = ComponentResult(**common[i], **fields)
    return results


def _summary(results: Sequence[ComponentResult]) -> Optional[CheckSummary]:
    compared = np.array([r.residual for r in results
                         if r.role == Role.CHECK.value and r.residual is not None])
    if not len(compared):
        return None
    sizes = np.hypot.reduce(compared, axis=1)
    return CheckSummary(
        len(compared), tuple(map(float, compared.mean(axis=0))),
        float(np.sqrt(np.mean(sizes**2))), float(sizes.max()),
    )
