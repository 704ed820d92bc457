"""What a tie would know after further marks: its least squares without the observed values.

The covariance of a weighted least-squares solution depends on where marks lie and on their
sigmas, not on what is observed there. A mark to come is a row more of the design; solving again
with that mark observed where the tie expects it gives the same covariance.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from typing import Dict, Optional, Sequence, Tuple

import numpy as np

from .adjustment import Adjustment, adjust
from .errors import GeometryError
from .horizontal import held_scale, scale_prior
from .marks import pair_arrays
from .pairs import Control, Role
from .products import product
from .quantiles import region_factor
from .seek_list import PredictedPlaces, control_covariances
from .solve import side_marks
from .tie import Tie

SIDES = ("horizontal", "vertical")
DIMENSIONS = {"horizontal": 2, "vertical": 1}


@dataclass(frozen=True)
class SideDesign:
    """The least squares of one side without the observed values; m marks, u parameters.

    Attributes
    ----------
    side : str
        ``horizontal`` (q = 2) or ``vertical`` (q = 1).
    control_ids : tuple of m str
    rows : (m, q, u) array
        Change of the site position, metres, per change of the parameters.
    covariance : (m, q, q) array
        Of the misclosure of each mark, square metres.
    prior : dict
        As `adjust` takes a scale held with a sigma; empty without one.
    """

    side: str
    control_ids: Tuple[str, ...]
    rows: np.ndarray
    covariance: np.ndarray
    prior: Dict[str, np.ndarray]

    @cached_property
    def adjustment(self) -> Adjustment:
        """Cofactor, redundancy, detectable biases; its residuals are zero."""
        return adjust(self.rows, np.zeros(self.rows.shape[:2]), self.covariance, **self.prior)

    def with_mark(self, control_id: str, row: np.ndarray, covariance: np.ndarray) -> "SideDesign":
        """With a mark more: its (q, u) row and the (q, q) covariance of its misclosure."""
        return dataclasses.replace(
            self,
            control_ids=(*self.control_ids, control_id),
            rows=np.concatenate([self.rows, row[None]]),
            covariance=np.concatenate([self.covariance, covariance[None]]),
        )


@dataclass(frozen=True)
class Forecast:
    """What a tie would know about itself.

    Attributes
    ----------
    tie : Tie
        The present one. Its variance factor is taken to stay as it is.
    horizontal : SideDesign
    vertical : SideDesign or None
    """

    tie: Tie
    horizontal: SideDesign
    vertical: Optional[SideDesign]

    @classmethod
    def of(cls, tie: Tie) -> "Forecast":
        """The present state of a tie.

        Raises
        ------
        GeometryError
            For a tie of typed parameters, which has no pairs that more could be added to.
        """
        if tie.horizontal.cofactor is None:
            raise GeometryError(
                "The tie was typed from published parameters: nothing says what a further mark "
                "would bring.", "Solve a tie from pairs.",
            )
        arrays = pair_arrays(tie.pairs, tie.settings, tie.base, tie.geoid)
        designs: Dict[str, Optional[SideDesign]] = {"vertical": None}
        for side in SIDES:
            part = getattr(tie, side)
            if part is None:
                continue
            marks = side_marks(tie.pairs, arrays, tie.settings, side, Role.FIT)
            first = [mark.rows[0] for mark in marks]
            noise = np.array([mark.covariance for mark in marks])
            prior: Dict[str, np.ndarray] = {}
            if side == "horizontal":
                matrix = np.array(part.matrix)
                base = np.array([mark.mean for mark in marks])
                covariance = arrays.control_covariance[first] + product(matrix, noise, matrix.T)
                prior = scale_prior(part.names, np.array(part.values), held_scale(tie.settings))
            else:
                base = np.array([mark.weighted(arrays.base) for mark in marks])
                covariance = arrays.elevation_variance[first][:, None, None] + noise
            designs[side] = SideDesign(
                side, tuple(mark.control_id for mark in marks), part.design(base), covariance,
                prior)
        return cls(tie, designs["horizontal"], designs["vertical"])  # type: ignore[arg-type]

    def with_control(
        self, control: Sequence[Control], observation_covariance: Optional[np.ndarray] = None
    ) -> "Forecast":
        """After control points have been observed and paired, each on the sides it can serve.

        Parameters
        ----------
        control : sequence of Control
            With positions.
        observation_covariance : (3, 3) array, optional
            Of the observations to come, local east, north, up, square metres; by default the
            default sigmas of the settings.
        """
        after = self
        for rows in planned_rows(self.tie, control, observation_covariance):
            after = after.with_rows(rows)
        return after

    def with_rows(self, planned: "PlannedRows") -> "Forecast":
        """With one mark more, whose rows have been made already."""
        vertical = self.vertical
        if vertical is not None and planned.vertical is not None:
            vertical = vertical.with_mark(planned.control_id, *planned.vertical)
        return Forecast(
            self.tie, self.horizontal.with_mark(planned.control_id, *planned.horizontal), vertical)

    def design(self, side: str) -> Optional[SideDesign]:
        return self.horizontal if side == "horizontal" else self.vertical

    def freedom(self, side: str) -> Optional[int]:
        """Degrees of freedom behind regions: None where the stated sigmas are believed."""
        design, part = self.design(side), getattr(self.tie.statistics, side)
        if design is None or part is None:
            return None
        estimated = self.tie.settings.sigma_basis == "estimated"
        if part.region_redundancy is None and not estimated:
            return None
        return max(design.adjustment.redundancy, 0) or None

    def variance_factor(self, side: str) -> float:
        """That of the present tie."""
        part = getattr(self.tie.statistics, side)
        return 1.0 if part is None else part.applied_factor

    def region_factor(self, side: str) -> float:
        """Factor on a standard deviation for a region at the confidence of the settings."""
        return region_factor(
            self.tie.settings.confidence, DIMENSIONS[side], self.freedom(side))

    def covariance(self, latitude, longitude, height=None, observation_covariance=None):
        """Covariance of points restated through the tie to come; see `Tie.covariance`."""
        return self.as_tie().covariance(latitude, longitude, height, observation_covariance)

    def as_tie(self) -> Tie:
        """The present tie with the uncertainty to come: for predicting, not for keeping."""
        parts = {}
        statistics = {}
        for side in SIDES:
            part, design = getattr(self.tie, side), self.design(side)
            parts[side], statistics[side] = part, getattr(self.tie.statistics, side)
            if part is None or design is None:
                continue
            cofactor = design.adjustment.cofactor
            parts[side] = dataclasses.replace(
                part, cofactor=tuple(tuple(map(float, row)) for row in cofactor))
            statistics[side] = dataclasses.replace(
                statistics[side], region_redundancy=self.freedom(side))
        return dataclasses.replace(
            self.tie, **parts, statistics=dataclasses.replace(self.tie.statistics, **statistics))


@dataclass(frozen=True)
class PlannedRows:
    """A mark to come as a row and the covariance of its misclosure, for each side it can serve."""

    control_id: str
    horizontal: Tuple[np.ndarray, np.ndarray]
    vertical: Optional[Tuple[np.ndarray, np.ndarray]]


def planned_rows(
    tie: Tie, control: Sequence[Control], observation_covariance: Optional[np.ndarray] = None
) -> Tuple[PlannedRows, ...]:
    """Rows of control points that are to be observed; see `Forecast.with_control`."""
    if not control:
        return ()
    places = PredictedPlaces.of(tie, control)
    noise = (tie.default_observation_covariance() if observation_covariance is None
             else np.asarray(observation_covariance, dtype=float))
    given = control_covariances(control, tie.settings)
    matrix = np.array(tie.horizontal.matrix)
    turn = product(matrix, tie.base.jacobian(places.latitude, places.longitude))
    plane = given[:, :2, :2] + product(turn, noise[:2, :2], np.swapaxes(turn, 1, 2))
    level = given[:, 2:, 2:] + noise[2:, 2:]
    rows = tie.horizontal.design(places.base)
    upright = None if tie.vertical is None else tie.vertical.design(places.base)
    return tuple(
        PlannedRows(
            point.id, (rows[i], plane[i]),
            (upright[i], level[i]) if upright is not None and point.has_elevation else None)
        for i, point in enumerate(control)
    )
