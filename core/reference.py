"""The pairs seen from their largest agreeing set: who stands outside, and by how much.

Scores are log-likelihoods: members count with the normal density of their misfit, outsiders with
a broad density over all magnitudes, as a disturbed mark could have.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Dict, List, Optional, Tuple

import numpy as np

from .causes import CAUSES
from .consensus import Consensus, find_consensus, height_followers, plane_followers
from .errors import FrameError, GeometryError
from .geoid import Geoid, open_geoid
from .horizontal import FEWEST as FEWEST_H
from .horizontal import HorizontalFit, fit_horizontal
from .marks import Mark, PairArrays, pair_arrays
from .pairs import Pair, Role
from .projection import BaseProjection
from .quantiles import chi_square_quantile
from .settings import Settings
from .solve import freeze_base
from .vertical import FEWEST as FEWEST_V
from .vertical import VerticalFit, fit_vertical

#: Pairs farther from the middle of all than this (metres) cannot be of the site.
FAR_AWAY = 20_000.0
#: Range of magnitudes of a disturbance: 1 cm to the size of the earth, and to 100 km of height.
_LOG_RANGE_H = math.log(1e7 / 1e-2)
_LOG_RANGE_V = math.log(1e5 / 1e-2)
#: How far a free scale may lie from 1 before it speaks against the data, one standard deviation.
_SCALE_SPREAD = 1e-3
GENERIC_WEIGHT = math.log(CAUSES["disturbed_mark"].weight)


@dataclass(frozen=True)
class Reference:
    """Pairs, their arrays, and the agreeing sets of both sides. Indices are those of `pairs`."""

    pairs: Tuple[Pair, ...]
    settings: Settings
    base: BaseProjection
    geoid: Optional[Geoid]
    arrays: PairArrays
    usable: np.ndarray
    rows_h: Tuple[int, ...]
    rows_v: Tuple[int, ...]
    h: Optional[Consensus]
    v: Optional[Consensus]
    level: float

    @property
    def horizontal(self) -> HorizontalFit:
        assert self.h is not None  # `make_reference` gives none without
        return self.h.solution  # type: ignore[return-value]

    @property
    def vertical(self) -> Optional[VerticalFit]:
        return None if self.v is None else self.v.solution  # type: ignore[return-value]

    @property
    def vertical_fit(self) -> VerticalFit:
        """`vertical` where it is known that there is one."""
        assert self.vertical is not None
        return self.vertical

    @cached_property
    def members_h(self) -> frozenset:
        return frozenset() if self.h is None else frozenset(self.rows_h[k] for k in self.h.members)

    @cached_property
    def members_v(self) -> frozenset:
        return frozenset() if self.v is None else frozenset(self.rows_v[k] for k in self.v.members)

    def wrong_h(self, i: int) -> bool:
        """Whether the position of pair i stands outside."""
        return self.pairs[i].horizontal is not Role.IDLE and i not in self.members_h

    def wrong_v(self, i: int) -> bool:
        """Whether the height of pair i stands outside."""
        return self.has_height(i) and i not in self.members_v

    def has_height(self, i: int) -> bool:
        """Whether the height of pair i takes part."""
        return (self.vertical is not None and bool(self.usable[i])
                and self.pairs[i].vertical is not Role.IDLE)

    def without(self, rows) -> "Reference":
        """The agreeing sets found anew among the other pairs; these rows then stand outside."""
        left = dataclasses.replace(
            self, rows_h=tuple(i for i in self.rows_h if i not in rows),
            rows_v=tuple(i for i in self.rows_v if i not in rows))
        left = dataclasses.replace(left, h=_agree_h(left))
        if left.h is None:
            raise _no_agreement()
        return dataclasses.replace(left, v=_agree_v(left))

    def outsiders(self) -> List[int]:
        """Pairs outside on either side; a mark observed several times counts once if all its
        observations are outside."""
        wrong = {i for i in range(len(self.pairs)) if self.wrong_h(i) or self.wrong_v(i)}
        rows_of: Dict[str, List[int]] = {}
        for i, pair in enumerate(self.pairs):
            rows_of.setdefault(pair.control.id, []).append(i)
        seen, out = set(), []
        for i in sorted(wrong):
            name = self.pairs[i].control.id
            rows = rows_of[name]
            if len(rows) > 1 and wrong.issuperset(rows):
                if name in seen:
                    continue
                seen.add(name)
            out.append(i)
        return out

    def undecided(self) -> bool:
        """Whether other sets agree as well as the one taken."""
        return any(side is not None and side.rivals for side in (self.h, self.v))

    def alternatives(self) -> List["Reference"]:
        """This reference, and the same with each rival set in the place of the one taken."""
        out = [self]
        for name, rows, solver in (("h", self.rows_h, _plane_solver),
                                   ("v", self.rows_v, _height_solver)):
            side = getattr(self, name)
            for members in side.rivals if side is not None else ():
                fit, differences, covariances, tests = solver(self, rows)(tuple(sorted(members)))
                rival = Consensus(members, tests, differences, covariances, (), fit)
                changed: Dict[str, Any] = {name: rival}
                out.append(dataclasses.replace(self, **changed))
        return out

    # -- one pair --------------------------------------------------------------------------

    def difference_h(self, i: int) -> np.ndarray:
        """Solved minus given position, metres; infinite where it cannot be projected."""
        if not self.usable[i]:
            return np.array([np.inf, np.inf])
        return self.horizontal.part.apply(self.arrays.base[i]) - self.arrays.control[i]

    def difference_v(self, i: int) -> float:
        """Solved minus given elevation, metres."""
        return self.difference_v_at(i, i)

    @cached_property
    def places(self) -> np.ndarray:
        """(n, 2) where the marks are in the base plane: by their control where it is known."""
        known = np.isfinite(self.arrays.control).all(axis=1, keepdims=True)
        return np.where(known, self.horizontal.part.invert(self.arrays.control), self.arrays.base)

    def place(self, i: int) -> np.ndarray:
        """Where one mark is in the base plane."""
        return self.places[i]

    def covariance_h(self, i: int, control: Optional[int] = None) -> np.ndarray:
        """Covariance of `difference_h` if pair i is good and no member."""
        at = i if control is None else control
        part, matrix = self.horizontal.part, np.array(self.horizontal.part.matrix)
        design = part.design(self.place(at)[None, :])[0]
        return (matrix @ self.arrays.base_covariance[i] @ matrix.T
                + self.arrays.control_covariance[at]
                + design @ self.horizontal.adjustment.cofactor @ design.T)

    def variance_v(self, i: int) -> float:
        """Variance of `difference_v` if pair i is good and no member."""
        fit = self.vertical_fit
        design = fit.part.design(self.place(i)[None, :])[0]
        tie = design @ fit.adjustment.cofactor @ design.T
        return float(self.arrays.height_variance[i] + self.arrays.elevation_variance[i] + tie[0, 0])

    def fits_control(self, i: int, j: int) -> bool:
        """Whether the observation of pair i fits the control point of pair j."""
        if not (self.usable[i] and self.pairs[j].control.has_position):
            return False
        difference = self.horizontal.part.apply(self.arrays.base[i]) - self.arrays.control[j]
        test = difference @ np.linalg.solve(self.covariance_h(i, j), difference)
        return bool(test <= chi_square_quantile(1.0 - self.level, 2))

    def difference_v_at(self, i: int, j: int) -> float:
        """Solved minus given elevation of observation i at the control of pair j, metres."""
        if not (self.has_height(i) and self.has_height(j)):
            return math.nan
        height = self.arrays.height[i] - self.arrays.undulation[i]
        return float(height + self.vertical_fit.part.correction(self.place(j))
                     - self.arrays.elevation[j])

    def length_with_control(self, i: int, j: int) -> float:
        """Horizontal misfit of observation i at the control of pair j, site units."""
        difference = self.horizontal.part.apply(self.arrays.base[i]) - self.arrays.control[j]
        return float(np.hypot(*difference)) / self.settings.site_length.metres

    def length(self, i: int) -> float:
        """Horizontal misfit of pair i, site units."""
        return float(np.hypot(*self.difference_h(i))) / self.settings.site_length.metres

    def largest(self) -> float:
        """Largest horizontal misfit of all, site units."""
        return max((self.length(i) for i in self.rows_h), default=0.0)

    def say(self, length: float, vertical: bool = False) -> str:
        """A length in site units in words."""
        settings = self.settings
        unit = settings.elevation_length if vertical else settings.site_length
        if not math.isfinite(length):
            return "beyond the projection"
        if abs(length) * unit.metres >= 1000.0:
            return f"{abs(length) * unit.metres / 1000.0:,.1f} km"
        if abs(length) >= 1.0:
            return f"{abs(length):,.2f} {unit.code}"
        if unit.code == "m":
            return f"{abs(length) * 1000.0:.0f} mm"
        return f"{abs(length):.3f} {unit.code}"

    # -- the whole -------------------------------------------------------------------------

    @cached_property
    def score(self) -> float:
        """Log-likelihood of everything, slips taken for disturbed marks."""
        if self.h is None:
            return -1e9
        total = -0.5 * self.horizontal.adjustment.sum_of_squares
        for i in range(len(self.pairs)):
            if i in self.members_h:
                total += -0.5 * math.log(np.linalg.det(2 * np.pi * self._noise_h(i)))
            elif self.pairs[i].horizontal is not Role.IDLE:
                total += GENERIC_WEIGHT + generic_h(float(np.hypot(*self.difference_h(i))))
        if self.vertical is not None:
            total += -0.5 * self.vertical.adjustment.sum_of_squares
            for i in self.rows_v:
                if i in self.members_v:
                    noise = self.arrays.height_variance[i] + self.arrays.elevation_variance[i]
                    total += -0.5 * math.log(2 * np.pi * noise)
                else:
                    total += GENERIC_WEIGHT + generic_v(self.difference_v(i))
        part = self.horizontal.part
        if "scale" in part.names or part.model == "affine":
            total += max(-0.5 * (math.log(max(part.scale, 1e-9)) / _SCALE_SPREAD) ** 2, -1e5)
        return total

    def _noise_h(self, i: int) -> np.ndarray:
        matrix = np.array(self.horizontal.part.matrix)
        return (matrix @ self.arrays.base_covariance[i] @ matrix.T
                + self.arrays.control_covariance[i])


def generic_h(length: float) -> float:
    """Log density of a horizontal disturbance of that length: every magnitude alike."""
    length = min(max(length, 1e-2), 1e7)
    return -math.log(2.0 * math.pi * length**2 * _LOG_RANGE_H)


def generic_v(length: float) -> float:
    """Log density of a vertical disturbance of that size."""
    length = min(max(abs(length), 1e-2), 1e5)
    return -math.log(2.0 * length * _LOG_RANGE_V)


def normal_h(difference: np.ndarray, covariance: np.ndarray) -> np.ndarray:
    """(k,) log density of (k, 2) differences."""
    test = np.einsum("ki,ij,kj->k", difference, np.linalg.inv(covariance), difference)
    return -0.5 * test - 0.5 * math.log(np.linalg.det(2 * np.pi * covariance))


def normal_v(difference: np.ndarray, variance: float) -> np.ndarray:
    """(k,) log density of (k,) differences."""
    return -0.5 * difference**2 / variance - 0.5 * math.log(2 * np.pi * variance)


def make_reference(pairs: Tuple[Pair, ...], settings: Settings, level: float) -> Reference:
    """Find the agreeing sets of both sides.

    Parameters
    ----------
    level : float
        Of a false alarm anywhere in the set.
    """
    settings, base = freeze_base(pairs, settings)
    geoid = open_geoid(settings.geoid) if settings.geoid else None
    usable = _of_the_site(pairs, base)
    arrays = _arrays(pairs, settings, base, geoid, usable)
    rows_h = tuple(i for i, p in enumerate(pairs) if p.horizontal is not Role.IDLE and usable[i])
    rows_v: Tuple[int, ...] = ()
    if settings.vertical_model is not None:
        rows_v = tuple(i for i, p in enumerate(pairs) if p.vertical is not Role.IDLE and usable[i])
    each = level / max(len(pairs), 1)
    reference = Reference(pairs, settings, base, geoid, arrays, usable, rows_h, rows_v, None, None,
                          each)
    reference = dataclasses.replace(reference, h=_agree_h(reference))
    if reference.h is None:
        raise _no_agreement()
    return dataclasses.replace(reference, v=_agree_v(reference))


def _no_agreement() -> GeometryError:
    return GeometryError(
        "No two pairs agree, or their geometry does not determine the model.",
        "Add pairs, or choose a model with fewer parameters.",
    )


def _of_the_site(pairs, base: BaseProjection) -> np.ndarray:
    latitude = np.array([p.observation.latitude for p in pairs])
    longitude = np.array([p.observation.longitude for p in pairs])
    plane = np.stack(base.to_base(latitude, longitude), axis=-1)
    finite = np.isfinite(plane).all(axis=1)
    middle = np.median(plane[finite], axis=0) if finite.any() else np.zeros(2)
    away = np.linalg.norm(np.where(finite[:, None], plane - middle, np.inf), axis=1)
    return away <= max(FAR_AWAY, 10.0 * float(np.median(away[finite]))) if finite.any() else finite


def _arrays(pairs, settings, base, geoid, usable) -> PairArrays:
    """Arrays of all pairs; those not of the site borrow the place of one that is."""
    stand_in = pairs[int(np.argmax(usable))].observation
    patched = tuple(
        pair if ok else dataclasses.replace(pair, observation=dataclasses.replace(
            pair.observation, latitude=stand_in.latitude, longitude=stand_in.longitude))
        for pair, ok in zip(pairs, usable)
    )
    try:
        return pair_arrays(patched, settings, base, geoid)
    except FrameError:
        return pair_arrays(patched, settings, base, None)


def _agree_h(reference: Reference) -> Optional[Consensus]:
    rows, arrays = list(reference.rows_h), reference.arrays
    size = FEWEST_H[reference.settings.horizontal_model]
    if len(rows) < size:
        return None
    solver = _plane_solver(reference, rows)
    whole = _all_agree(len(rows), solver, reference.level, 2)
    if whole is not None:
        return whole
    variance = (np.trace(arrays.base_covariance[rows], axis1=1, axis2=2)
                + np.trace(arrays.control_covariance[rows], axis1=1, axis2=2)) / 2.0
    limit = chi_square_quantile(1.0 - reference.level, 2)
    proposals = plane_followers(arrays.base[rows], arrays.control[rows], variance, size, limit)
    return find_consensus(len(rows), proposals, solver, 2, reference.level)


def _agree_v(reference: Reference) -> Optional[Consensus]:
    rows, arrays = list(reference.rows_v), reference.arrays
    model = reference.settings.vertical_model
    if model is None or len(rows) < FEWEST_V[model]:
        return None
    solver = _height_solver(reference, rows)
    whole = _all_agree(len(rows), solver, reference.level, 1)
    if whole is not None:
        return whole
    places = reference.places[rows]
    offset = arrays.elevation[rows] - (arrays.height - arrays.undulation)[rows]
    variance = (arrays.height_variance + arrays.elevation_variance)[rows]
    limit = chi_square_quantile(1.0 - reference.level, 1)
    proposals = height_followers(places, offset, variance, FEWEST_V[model], limit)
    return find_consensus(len(rows), proposals, solver, 1, reference.level)


def _all_agree(count: int, solver, level: float, dimension: int) -> Optional[Consensus]:
    try:
        fit, differences, covariances, tests = solver(tuple(range(count)))
    except GeometryError:
        return None
    adjustment = fit.adjustment
    if (tests > chi_square_quantile(1.0 - level, dimension)).any():
        return None
    if adjustment.p_value is not None and adjustment.p_value < level:
        return None
    return Consensus(frozenset(range(count)), tests, differences, covariances, (), fit)


def _plane_solver(reference: Reference, rows):
    arrays, settings, rows = reference.arrays, reference.settings, list(rows)
    marks = [Mark(reference.pairs[i].control.id, (i,), (1.0,), arrays.base[i],
                  arrays.base_covariance[i], arrays.base_covariance[i:i + 1]) for i in rows]
    control, noise = arrays.control[rows], arrays.control_covariance[rows]

    def solve_subset(members):
        chosen = list(members)
        fit = fit_horizontal([marks[k] for k in chosen], control[chosen], noise[chosen], settings,
                             leave_one_out=False)
        part, matrix = fit.part, np.array(fit.part.matrix)
        design = part.design(arrays.base[rows])
        covariance = (matrix @ arrays.base_covariance[rows] @ matrix.T + noise
                      + design @ fit.adjustment.cofactor @ np.swapaxes(design, 1, 2))
        return (fit, part.apply(arrays.base[rows]) - control, covariance,
                fit.adjustment.test_values)

    return solve_subset


def _height_solver(reference: Reference, rows):
    arrays, settings, rows = reference.arrays, reference.settings, list(rows)
    height = (arrays.height - arrays.undulation)[rows]
    variance, noise = arrays.height_variance[rows], arrays.elevation_variance[rows]
    places = reference.places[rows]
    marks = [Mark(reference.pairs[i].control.id, (i,), (1.0,), height[k:k + 1],
                  variance[k:k + 1, None], variance[k:k + 1, None, None])
             for k, i in enumerate(rows)]

    def solve_subset(members):
        chosen = list(members)
        fit = fit_vertical([marks[k] for k in chosen], places[chosen],
                           arrays.elevation[rows][chosen], noise[chosen], settings)
        design = fit.part.design(places)
        covariance = (variance + noise)[:, None, None] + (
            design @ fit.adjustment.cofactor @ np.swapaxes(design, 1, 2))
        difference = height + fit.part.correction(places) - arrays.elevation[rows]
        return fit, difference[:, None], covariance, fit.adjustment.test_values

    return solve_subset
