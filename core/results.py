"""What a solution says, as plain values: residuals, statistics, parameters."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Iterator, Optional, Sequence, Tuple

import numpy as np

from .pairs import LATER

Matrix3 = Tuple[Tuple[float, float, float], ...]

#: Verdicts on a pair.
FITS = "fits"
DOES_NOT_BELONG = "does not belong"
CANNOT_TELL = "cannot be told apart"
CANNOT_TEST = "cannot be tested"
FITS_WITHOUT = "fits once the other is left out"
AGREES = "agrees"
DISAGREES = "does not agree"
IDLE = "idle"
VERDICTS = (
    FITS, DOES_NOT_BELONG, CANNOT_TELL, CANNOT_TEST, FITS_WITHOUT, AGREES, DISAGREES, IDLE,
)

#: Outcomes of the chi-square test of a whole part.
CONSISTENT = "consistent"
LARGER = "larger than stated"
SMALLER = "smaller than stated"
UNCHECKED = "unchecked"
TYPED = "typed"


@dataclass(frozen=True)
class ComponentResult:
    """The horizontal or the vertical side of one pair.

    Lengths are in site units (horizontal) or elevation units (vertical); None means that the
    figure does not exist for this pair.

    Attributes
    ----------
    role : str
        fit, check or idle.
    residual : tuple of float
        Solved minus given: (east, north) or (up,).
    deleted : tuple of float or None
        The same from a solution without this mark (fit pairs only).
    test, critical : float or None
        Test value of the mark in standard deviations (root of chi-square, or tau when sigmas are
        estimated) and the value it should not exceed.
    redundancy : float or None
        0 (nobody controls this mark) to 1.
    detectable : float or None
        Minimal detectable bias, in the worst direction.
    detectable_bearing : float or None
        Site bearing of that direction in degrees, 0 to 180 (horizontal only).
    effect : float or None
        What a bias of that size, undetected, would at most move a fit mark.
    within_tolerance : bool or None
    verdict : str
        One of `VERDICTS`.
    verdict_with : tuple of str
        The control points the verdict speaks of besides this one.
    own_factor, own_redundancy : float or None, int or None
        Of a fit pair, where they differ from the part's `applied_factor` and
        `region_redundancy`: what the covariance of its own restated position is scaled by, and
        the redundancy behind its region. They come from the other pairs alone.
    """

    role: str
    residual: Optional[Tuple[float, ...]] = None
    deleted: Optional[Tuple[float, ...]] = None
    test: Optional[float] = None
    critical: Optional[float] = None
    redundancy: Optional[float] = None
    detectable: Optional[float] = None
    detectable_bearing: Optional[float] = None
    effect: Optional[float] = None
    within_tolerance: Optional[bool] = None
    verdict: str = IDLE
    verdict_with: Tuple[str, ...] = ()
    own_factor: Optional[float] = field(default=None, metadata=LATER)
    own_redundancy: Optional[int] = field(default=None, metadata=LATER)

    @property
    def size(self) -> Optional[float]:
        """Length of the residual."""
        return None if self.residual is None else math.hypot(*self.residual)


@dataclass(frozen=True)
class PairResidual:
    """One row of the residual table: a pair, its residuals (solved minus given) and its tests.

    Attributes
    ----------
    horizontal, vertical : ComponentResult
    covariance : 3x3 tuples of float
        Of the restated position of the pair's own observation, site units squared. For a fit
        pair it accounts for the pair's share in the solution.
    repeated : int
        Number of pairs combined at this mark.
    """

    control_id: str
    observation_id: str
    horizontal: ComponentResult
    vertical: ComponentResult
    covariance: Optional[Matrix3] = None
    repeated: int = 1

    @property
    def east(self) -> float:
        """Solved minus given easting, site units; NaN where there is none."""
        return _at(self.horizontal.residual, 0)

    @property
    def north(self) -> float:
        """Solved minus given northing, site units; NaN where there is none."""
        return _at(self.horizontal.residual, 1)

    @property
    def up(self) -> float:
        """Solved minus given elevation, elevation units; NaN where there is none."""
        return _at(self.vertical.residual, 0)


class ResidualTable(Sequence):
    """The residual rows in the order of the pairs; columns come as arrays.

    ``table.east`` is an array, ``table["M7"]`` the row of a control or observation id, and
    ``table.records()`` plain dictionaries for other table libraries.
    """

    def __init__(self, rows: Sequence[PairResidual]) -> None:
        self._rows = tuple(rows)

    def __len__(self) -> int:
        return len(self._rows)

    def __getitem__(self, key):
        if isinstance(key, str):
            for row in self._rows:
                if key in (row.control_id, row.observation_id):
                    return row
            raise KeyError(key)
        return self._rows[key]

    def __iter__(self) -> Iterator[PairResidual]:
        return iter(self._rows)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, ResidualTable) and self._rows == other._rows

    def __hash__(self) -> int:
        return hash(self._rows)

    def __repr__(self) -> str:
        return f"ResidualTable({len(self)} pairs)"

    @property
    def control_id(self) -> Tuple[str, ...]:
        return tuple(row.control_id for row in self._rows)

    @property
    def observation_id(self) -> Tuple[str, ...]:
        return tuple(row.observation_id for row in self._rows)

    @property
    def east(self) -> np.ndarray:
        """(n,) solved minus given, site units."""
        return np.array([row.east for row in self._rows])

    @property
    def north(self) -> np.ndarray:
        """(n,) solved minus given, site units."""
        return np.array([row.north for row in self._rows])

    @property
    def up(self) -> np.ndarray:
        """(n,) solved minus given, elevation units."""
        return np.array([row.up for row in self._rows])

    def records(self) -> list:
        """One flat dictionary per pair."""
        out = []
        for row in self._rows:
            record = {
                "control_id": row.control_id, "observation_id": row.observation_id,
                "east": row.east, "north": row.north, "up": row.up,
            }
            for side in ("horizontal", "vertical"):
                part = getattr(row, side)
                for item in fields(part):
                    if item.name not in ("residual", "deleted"):
                        record[f"{side}_{item.name}"] = getattr(part, item.name)
            for name, value in zip(("east", "north"), row.horizontal.deleted or (None, None)):
                record[f"{name}_deleted"] = value
            record["up_deleted"] = (row.vertical.deleted or (None,))[0]
            out.append(record)
        return out


@dataclass(frozen=True)
class PartStatistics:
    """How well the horizontal or the vertical part fits.

    Attributes
    ----------
    fit_pairs, fit_marks, check_pairs, parameters, redundancy : int
    sum_of_squares : float
        Weighted, in units of the stated variances.
    variance_factor : float or None
        Sum of squares over redundancy; None without redundancy.
    p_value : float or None
        Chance of a sum of squares at least this large if the sigmas are right.
    outcome : str
        ``consistent``, ``larger than stated``, ``smaller than stated`` or ``unchecked``.
    applied_factor : float
        Variance factor applied to covariances and regions: 1, or the estimated one when the
        chi-square test rejects (up, never down) or the settings ask for it.
    region_redundancy : int or None
        Degrees of freedom behind regions (F and t quantiles); None means normal and chi-square.
    rms : float or None
        Root of the mean squared residual of the fit pairs (horizontal: of its length), divided
        by their number; None without redundancy. Site or elevation units.
    check_rms : float or None
        The same of the check pairs.
    largest : float or None
        Largest residual of the fit pairs.
    reciprocal_condition : float
        Of the scaled design: 1 perfect, 0 undetermined.
    assumed_sigmas : bool
        Whether default sigmas are in use.
    """

    fit_pairs: int
    fit_marks: int
    check_pairs: int
    parameters: int
    redundancy: int
    sum_of_squares: float
    variance_factor: Optional[float]
    p_value: Optional[float]
    outcome: str
    applied_factor: float
    region_redundancy: Optional[int]
    rms: Optional[float]
    check_rms: Optional[float]
    largest: Optional[float]
    reciprocal_condition: float
    assumed_sigmas: bool

    @property
    def checked(self) -> bool:
        """Whether anything speaks for or against the solution besides itself."""
        return self.redundancy > 0


@dataclass(frozen=True)
class TieStatistics:
    """Statistics of both parts; None for a part that was typed or left out."""

    horizontal: Optional[PartStatistics]
    vertical: Optional[PartStatistics]


@dataclass(frozen=True)
class RepeatSpread:
    """How far repeated observations of one mark lie apart, against their sigmas.

    Attributes
    ----------
    component : str
        ``horizontal`` or ``vertical``.
    shots, sessions : int
    largest : float
        Largest distance of a shot from the mean; site or elevation units.
    p_value : float
        Chance of a spread at least this large if the sigmas are right.
    accepted : bool
        Whether the spread passes at the level of the settings.
    """

    control_id: str
    component: str
    shots: int
    sessions: int
    largest: float
    p_value: float
    accepted: bool


def _at(values: Optional[Tuple[float, ...]], index: int) -> float:
    return float("nan") if values is None else values[index]
