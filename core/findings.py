"""A plausibility finding, and the facts about a site that findings are drawn from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple, Optional, Tuple

import numpy as np

from .coverage import Extent
from .errors import GeometryError
from .horizontal import HorizontalFit, fit_horizontal
from .hull import control_hull, convex_hull
from .marks import Mark, PairArrays, group_marks, pair_arrays
from .pairs import Role
from .settings import HeldScale
from .site_scale import SitePlace, site_place
from .tie import Tie
from .vertical import VerticalFit, fit_vertical
from .wording import length_words

#: Levels of a finding: nothing to do; worth knowing; act, or accept it knowingly; do not use the
#: tie before this is cleared up.
GOOD, NOTE, CAUTION, ALARM = "good", "note", "caution", "alarm"
LEVELS = (GOOD, NOTE, CAUTION, ALARM)
#: Two values agree when they differ by no more than this many standard deviations. Common
#: practice, no source.
AGREE = 3.0


@dataclass(frozen=True)
class Finding:
    """One sentence, or a few, on one topic.

    Attributes
    ----------
    topic : str
        Stable id, one of `plausibility.TOPICS`.
    level : str
        One of `LEVELS`.
    sentence : str
    """

    topic: str
    level: str
    sentence: str


def graded(value: float, note: float, caution: float) -> str:
    """The level of a size that is worth knowing from `note` on, and worrying from `caution` on."""
    return GOOD if value < note else NOTE if value < caution else CAUTION


class Tilt(NamedTuple):
    """A slope in metres per metre towards base east and north, with its covariance."""

    slopes: np.ndarray
    covariance: np.ndarray

    @property
    def size(self) -> float:
        return float(np.hypot(*self.slopes))

    @property
    def sigma(self) -> float:
        """Along its own direction."""
        way = self.slopes / self.size if self.size else np.array([1.0, 0.0])
        return float(np.sqrt(way @ self.covariance @ way))

    @property
    def test(self) -> float:
        """Chi-square with two degrees of freedom against no slope at all."""
        if not self.covariance.any():
            return np.inf
        return float(self.slopes @ np.linalg.solve(self.covariance, self.slopes))


@dataclass(frozen=True)
class SiteFacts:
    """A tie, and the points to be restated through it, in the figures findings need.

    Lengths are metres: base-plane ones in `hull`, `points` and `marks`, site ones elsewhere.

    Attributes
    ----------
    latitude, longitude, height : (n,) arrays
        The points, none or many; heights are ellipsoidal metres, NaN where unknown.
    """

    tie: Tie
    latitude: np.ndarray
    longitude: np.ndarray
    height: np.ndarray

    @cached_property
    def arrays(self) -> PairArrays:
        return pair_arrays(self.tie.pairs, self.tie.settings, self.tie.base, self.tie.geoid)

    @cached_property
    def place(self) -> Optional[SitePlace]:
        """From the pairs, else from the points; None where neither says where the site lies."""
        if any(p.horizontal is not Role.IDLE for p in self.tie.pairs):
            return site_place(self.tie)
        if not len(self.latitude):
            return None
        return SitePlace(self.tie.base, self.tie.settings, self.latitude, self.longitude,
                         self.height)

    def marks(self, side: str) -> Tuple[Mark, ...]:
        """Fit marks of one side; none where that side is typed or left out."""
        part = getattr(self.tie, side)
        if part is None or part.cofactor is None:
            return ()
        arrays = self.arrays
        if side == "horizontal":
            values, covariances = arrays.base, arrays.base_covariance
        else:
            values = (arrays.height - arrays.undulation)[:, None]
            covariances = arrays.height_variance[:, None, None]
        roles = [getattr(pair, side) for pair in self.tie.pairs]
        return group_marks(self.tie.pairs, roles, Role.FIT, values, covariances,
                           self.tie.settings.session_correlation)

    @cached_property
    def horizontal_marks(self) -> Tuple[Mark, ...]:
        return self.marks("horizontal")

    @cached_property
    def vertical_marks(self) -> Tuple[Mark, ...]:
        return self.marks("vertical")

    @cached_property
    def vertical_places(self) -> np.ndarray:
        """(m, 2) base positions of the vertical fit marks."""
        return np.array([mark.weighted(self.arrays.base) for mark in self.vertical_marks])

    @cached_property
    def hull(self) -> Optional[np.ndarray]:
        """Corners of the horizontal control; None for typed parameters."""
        return control_hull(self.tie)

    @cached_property
    def control(self) -> Optional[Extent]:
        """Size of the horizontal control."""
        return None if self.hull is None else Extent(self.tie.horizontal.apply(self.hull))

    @cached_property
    def points(self) -> np.ndarray:
        """(n, 2) base positions of the points."""
        if not len(self.latitude):
            return np.zeros((0, 2))
        height = np.nan_to_num(self.height)
        return np.stack(self.tie.base.to_base(self.latitude, self.longitude, height), axis=-1)

    @cached_property
    def points_hull(self) -> np.ndarray:
        return convex_hull(self.points)

    @cached_property
    def heights(self) -> np.ndarray:
        """Ellipsoidal heights of the horizontal fit marks that have one, metres."""
        rows = [row for mark in self.horizontal_marks for row in mark.rows]
        known = self.arrays.height[rows] if rows else np.zeros(0)
        return known[np.isfinite(known)]

    @cached_property
    def scale_sigma(self) -> Optional[float]:
        """Standard deviation of the scale, of the areal one where the model is affine."""
        part = self.tie.horizontal
        if part.model != "affine":
            return self.tie.parameters["scale"].sigma
        if part.cofactor is None:
            return None
        gradient = np.zeros(6)
        gradient[2:] = part.scale / 2.0 * np.linalg.inv(np.array(part.matrix)).T.ravel()
        return float(np.sqrt(gradient @ self.covariance("horizontal") @ gradient))

    def covariance(self, side: str) -> np.ndarray:
        """Of the parameters of one side, with the variance factor that is applied; metres."""
        statistics = getattr(self.tie.statistics, side)
        factor = 1.0 if statistics is None else statistics.applied_factor
        return factor * np.array(getattr(self.tie, side).cofactor)

    @property
    def scale_is_solved(self) -> bool:
        part, held = self.tie.horizontal, self.tie.settings.scale
        return part.cofactor is not None and (
            part.model == "affine" or (part.model == "similarity" and held is None))

    @property
    def held(self) -> HeldScale:
        """The scale that is held: by the settings, or at 1 by the model."""
        scale = self.tie.settings.scale
        return scale if isinstance(scale, HeldScale) else HeldScale(1.0, 0.0, "unity")

    @cached_property
    def free_similarity(self) -> Optional[HorizontalFit]:
        """The similarity of the same fit marks with nothing held; None where there is none."""
        marks = self.horizontal_marks
        if len(marks) < 2:
            return None
        first = [mark.rows[0] for mark in marks]
        settings = self.tie.settings.replace(horizontal_model="similarity", scale=None)
        try:
            return fit_horizontal(
                marks, self.arrays.control[first], self.arrays.control_covariance[first], settings)
        except GeometryError:
            return None

    @cached_property
    def free_tilt(self) -> Optional[Tilt]:
        """The tilt of a plane through the vertical fit marks; None where there is none."""
        marks = self.vertical_marks
        if len(marks) < 3:
            return None
        first = [mark.rows[0] for mark in marks]
        try:
            fit = fit_vertical(
                marks, self.vertical_places, self.arrays.elevation[first],
                self.arrays.elevation_variance[first],
                self.tie.settings.replace(vertical_model="plane"),
            )
        except GeometryError:
            return None
        return Tilt(np.array(fit.part.slopes), _scaled_cofactor(fit)[1:, 1:])

    # -- lengths for sentences ---------------------------------------------------------------

    def length(self, metres: float) -> str:
        """Horizontal metres in words, in the site unit."""
        unit = self.tie.settings.site_length
        return length_words(metres / unit.metres, unit)

    def rise(self, metres: float) -> str:
        """Vertical metres in words, in the elevation unit."""
        unit = self.tie.settings.elevation_length
        return length_words(metres / unit.metres, unit)

    def rate(self, ratio: float) -> str:
        """A small ratio as a length per length: 47 mm per km, 0.047 ft per 1,000 ft."""
        if self.tie.settings.site_unit == "m":
            return f"{length_words(abs(ratio) * 1000.0, self.tie.settings.site_length)} per km"
        return f"{abs(ratio) * 1000.0:.3f} ft per 1,000 ft"


def _scaled_cofactor(fit: VerticalFit) -> np.ndarray:
    """Covariance of a fit, scaled up where its residuals are larger than the sigmas allow."""
    return fit.adjustment.cofactor * max(1.0, fit.adjustment.variance_factor or 1.0)


def scaled_sigma(fit: HorizontalFit, name: str) -> float:
    """Standard deviation of a parameter, scaled up where residuals exceed the sigmas."""
    index = fit.part.names.index(name)
    factor = max(1.0, fit.adjustment.variance_factor or 1.0)
    return float(np.sqrt(factor * fit.adjustment.cofactor[index, index]))


def site_facts(tie: Tie, latitude=None, longitude=None, height=None) -> SiteFacts:
    """Facts of a tie and points; points without a finite position are left out."""
    if latitude is None or longitude is None:
        latitude = longitude = np.zeros(0)
    latitude, longitude = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (latitude, longitude))
    level = np.nan if height is None else np.asarray(height, dtype=float)
    level = np.broadcast_to(level, latitude.shape)
    usable = np.isfinite(latitude) & np.isfinite(longitude)
    if usable.any():
        plane = tie.base.to_base(latitude, longitude, np.nan_to_num(level))
        usable &= np.isfinite(plane).all(axis=0)
    return SiteFacts(tie, latitude[usable], longitude[usable], level[usable])
