"""The seek list: where to look for control points that have not been observed yet.

A tie predicts where GNSS will see a mark. The prediction is off by the tie's own error there, by
that of the control coordinates, and the shot that finds the mark has noise; the circle holds the
difference with the confidence of the settings. Far from the pairs of a two-pair tie it is wide.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Callable, Iterable, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np
import pyproj

from .errors import InputError, SitetieError
from .hull import ON_THE_EDGE, control_hull, distance_outside
from .nearby import control_positions
from .pairs import Control
from .products import product
from .search_radius import circle_radius, ellipse_axes
from .settings import Settings
from .tie import Tie
from .units import METRE
from .walking_order import walking_order
from .wording import compass_words, length_words

Progress = Callable[[float], bool]


@dataclass(frozen=True)
class SeekPoint:
    """Where to look for one control point.

    Attributes
    ----------
    control : Control
    latitude, longitude : float
        Predicted, degrees in the observation CRS of the tie.
    height : float or None
        Predicted ellipsoidal height of the mark, metres; None without an elevation or a vertical
        part.
    radius : float or None
        Of the circle round the predicted position that holds the observed one with the
        confidence of the settings, metres on the ellipsoid; None where the tie does not know its
        uncertainty.
    semi_major, semi_minor : float or None
        Half axes of the error ellipse at that confidence, metres.
    bearing : float or None
        True bearing of the larger axis, degrees, 0 to 180.
    half_height : float or None
        Half of the interval that holds the observed height, metres.
    outside : float or None
        How far it lies outside the control that drives the tie, metres; 0 inside; None where the
        tie has no control.
    order : int
        Place in the walk, from 1.
    leg : float
        Metres from the place before, on the ellipsoid; 0 for the first one when nobody said
        where the crew stands.
    leg_east, leg_north : float
        The same leg by components.
    """

    control: Control
    latitude: float
    longitude: float
    height: Optional[float]
    radius: Optional[float]
    semi_major: Optional[float]
    semi_minor: Optional[float]
    bearing: Optional[float]
    half_height: Optional[float]
    outside: Optional[float]
    order: int = 0
    leg: float = 0.0
    leg_east: float = 0.0
    leg_north: float = 0.0

    def words(self, level: float) -> str:
        """What the crew needs, in a sentence or two; `level` is the confidence."""
        if self.radius is None:
            said = "How far off it may lie is unknown: the tie was typed without an accuracy."
        else:
            said = (f"Look within {length_words(self.radius, METRE)} of the position "
                    f"({level * 100:.4g} %).")
        if self.height is not None:
            said += f" Height of the mark {self.height:.3f} m"
            if self.half_height is not None:
                said += f" ± {length_words(self.half_height, METRE)}"
            said += " over the ellipsoid."
        if self.outside:
            said += f" {length_words(self.outside, METRE)} outside the control of the tie."
        if self.leg:
            said += (f" {length_words(self.leg, METRE)} to the "
                     f"{compass_words(self.leg_east, self.leg_north)} of the place before.")
        return said


@dataclass(frozen=True)
class SeekList:
    """Control points to look for, in the order of the walk.

    Attributes
    ----------
    points : tuple of SeekPoint
    unplaced : tuple of str
        Ids of control points that have an elevation only: nothing says where they are.
    level : float
        Confidence of circles and intervals, such as 0.95.
    from_crew : bool
        Whether the walk begins where the crew stands; else at the mark that is known best.
    """

    points: Tuple[SeekPoint, ...]
    unplaced: Tuple[str, ...]
    level: float
    from_crew: bool

    @property
    def length(self) -> float:
        """Length of the walk in metres, there and not back."""
        return float(sum(point.leg for point in self.points))

    def words(self) -> str:
        """Number, widest circle and length of the walk, in a sentence."""
        if not self.points:
            return "There is no control point left to look for."
        count = len(self.points)
        said = f"{count} control {'point' if count == 1 else 'points'} to look for"
        radii = [point.radius for point in self.points if point.radius is not None]
        if radii:
            least, most = (length_words(value, METRE) for value in (min(radii), max(radii)))
            within = least if least == most else f"{least} to {most}"
            said += f", within {within} ({self.level * 100:.4g} %)"
        said += f"; a walk of {length_words(self.length, METRE)}"
        if not self.from_crew:
            said += f" from {self.points[0].control.id}"
        said += "."
        if self.unplaced:
            said += (f" {len(self.unplaced)} without a position "
                     f"{'is' if len(self.unplaced) == 1 else 'are'} left out.")
        return said


def seek_list(
    tie: Tie,
    control: Sequence[Control],
    *,
    start: Optional[Tuple[float, float]] = None,
    leave_out: Iterable[str] = (),
    observation_covariance: Optional[np.ndarray] = None,
    progress: Optional[Progress] = None,
) -> SeekList:
    """Predict where control points will be observed.

    Parameters
    ----------
    control : sequence of Control
        Those of the tie's own pairs are left out: they have been observed.
    start : (latitude, longitude), optional
        Where the crew stands, degrees in the observation CRS; by default the walk begins at the
        mark with the smallest circle.
    leave_out : iterable of str
        Ids of further control points that need not be looked for.
    observation_covariance : (3, 3) array, optional
        Of the shot that finds the mark, local east, north, up, square metres; by default the
        default sigmas of the settings, which are assumed.
    progress : function, optional
        Called with the share done; False stops.

    Returns
    -------
    SeekList

    Raises
    ------
    InputError
        When two control points share an id, or a coordinate cannot be carried back.
    Cancelled

    Notes
    -----
    Control points without sigmas of their own have those of the settings. Where the chi-square
    test rejects, everything is scaled up and t and F take the place of the normal distribution,
    as for every region of the tie. The radius is computed from both axes of the ellipse (see
    `search_radius`).
    """
    wanted = not_observed(tie, control, leave_out)
    unplaced = tuple(point.id for point in wanted if not point.has_position)
    wanted = [point for point in wanted if point.has_position]
    if not wanted:
        return SeekList((), unplaced, tie.settings.confidence, start is not None)
    places = PredictedPlaces.of(tie, wanted)
    noise = (tie.default_observation_covariance() if observation_covariance is None
             else np.asarray(observation_covariance, dtype=float))
    points = _points(tie, wanted, places, places.local_covariance(tie, wanted, noise))
    begin = _start(tie, places, points, start)
    order = walking_order(places.base, begin, progress)
    walked = _walked(tie, points, order, start)
    return SeekList(walked, unplaced, tie.settings.confidence, start is not None)


def not_observed(
    tie: Tie, control: Sequence[Control], leave_out: Iterable[str] = ()
) -> List[Control]:
    """Control points that are in none of the tie's pairs and not to be left out.

    Raises
    ------
    InputError
        When two of them share an id.
    """
    gone = {pair.control.id for pair in tie.pairs} | set(leave_out)
    left: List[Control] = []
    seen = set()
    for point in control:
        if point.id in gone:
            continue
        if point.id in seen:
            raise InputError("Two control points have this id.",
                             "Give every control point an id of its own.", point=point.id)
        seen.add(point.id)
        left.append(point)
    return left


class PredictedPlaces(NamedTuple):
    """Where a tie expects control points.

    Attributes
    ----------
    latitude, longitude, height : (n,) arrays
        Degrees and ellipsoidal metres; the height is NaN where it is unknown.
    base : (n, 2) array
        Base-plane metres.
    """

    latitude: np.ndarray
    longitude: np.ndarray
    height: np.ndarray
    base: np.ndarray

    @classmethod
    def of(cls, tie: Tie, control: Sequence[Control]) -> "PredictedPlaces":
        """Predict; every control point must have a position.

        Raises
        ------
        InputError
            Naming the point that cannot be carried back, where it is a single one.
        """
        site = control_positions(control)
        elevation = np.array([np.nan if c.elevation is None else c.elevation for c in control])
        try:
            latitude, longitude, height = tie.to_geodetic(site[:, 0], site[:, 1], elevation)
        except SitetieError as error:
            raise error.at(point=_guilty(tie, control)) from None
        base = np.stack(tie.site_to_base(site[:, 0], site[:, 1]), axis=-1)
        return cls(latitude, longitude, height, base)

    def local_covariance(
        self, tie: Tie, control: Sequence[Control], observation_covariance: np.ndarray
    ) -> np.ndarray:
        """(n, 3, 3) covariance of observed less predicted place, local east, north, up, metres.

        Tie, control and shot together, scaled as the tie's regions are; NaN where unknown.
        """
        turn = tie.observation_jacobian(self.latitude, self.longitude)
        back = np.linalg.inv(turn)
        given = control_covariances(control, tie.settings)
        noise = observation_covariance + product(back, given, np.swapaxes(back, 1, 2))
        covariance = tie.covariance(self.latitude, self.longitude, self.height, noise)
        h, v = tie.settings.site_length.metres, tie.settings.elevation_length.metres
        unit = np.array([h, h, v])
        covariance = covariance * (unit[:, None] * unit)
        if tie.vertical is None:
            covariance[:, 2, :] = covariance[:, :, 2] = 0.0
        local = product(back, covariance, np.swapaxes(back, 1, 2))
        if tie.vertical is None:
            local[:, 2, :] = local[:, :, 2] = np.nan
        return local


def control_covariances(control: Sequence[Control], settings: Settings) -> np.ndarray:
    """(n, 3, 3) covariance of control coordinates, square metres, easting, northing, elevation."""
    covariance = np.zeros((len(control), 3, 3))
    for place, point in enumerate(control):
        h = settings.control_sigma_h if point.sigma_h is None else point.sigma_h
        v = settings.control_sigma_v if point.sigma_v is None else point.sigma_v
        covariance[place] = np.diag([h**2, h**2, v**2])
    return covariance


def _guilty(tie: Tie, control: Sequence[Control]) -> Optional[str]:
    """The first control point that cannot be carried back by itself."""
    for point in control:
        try:
            tie.to_geodetic(point.easting, point.northing)
        except SitetieError:
            return point.id
    return None


def _points(
    tie: Tie, control: Sequence[Control], places: PredictedPlaces, covariance: np.ndarray
) -> List[SeekPoint]:
    axes = ellipse_axes(covariance[:, :2, :2])
    part = tie.statistics.horizontal
    freedom = None if part is None else part.region_redundancy
    radius = circle_radius(axes[:, 0], axes[:, 1], tie.settings.confidence, freedom)
    half = tie.region_factor(2) * axes
    bearing = np.degrees(np.arctan2(
        2.0 * covariance[:, 0, 1], covariance[:, 1, 1] - covariance[:, 0, 0])) / 2.0 % 180.0
    upright = tie.region_factor(1) * np.sqrt(covariance[:, 2, 2])
    hull = control_hull(tie)
    outside = None
    if hull is not None:
        outside = distance_outside(hull, places.base) * _ground_per_base(tie, places)
        outside = np.where(outside > ON_THE_EDGE, outside, 0.0)
    return [
        SeekPoint(
            control=point,
            latitude=float(places.latitude[i]), longitude=float(places.longitude[i]),
            height=_known(places.height[i]), radius=_known(radius[i]),
            semi_major=_known(half[i, 0]), semi_minor=_known(half[i, 1]),
            bearing=_known(bearing[i]),
            half_height=None if _known(places.height[i]) is None else _known(upright[i]),
            outside=None if outside is None else float(outside[i]),
        )
        for i, point in enumerate(control)
    ]


def _ground_per_base(tie: Tie, places: PredictedPlaces) -> np.ndarray:
    return 1.0 / tie.base.point_scale(places.latitude, places.longitude)


def _start(tie: Tie, places: PredictedPlaces, points: Sequence[SeekPoint], start) -> np.ndarray:
    """Where the walk begins, base-plane metres."""
    if start is None:
        known = [np.inf if point.radius is None else point.radius for point in points]
        return places.base[int(np.argmin(known))]
    base = np.array(tie.base.to_base(*start), dtype=float)
    if not (np.isfinite(base).all() and abs(start[0]) <= 90.0):
        raise InputError(
            f"The place of the crew (latitude {start[0]}, longitude {start[1]}) cannot be "
            f"projected by {tie.base.name}.",
            "Give latitude and longitude in degrees, in the observation CRS of the tie.",
        )
    return base


def _walked(tie: Tie, points: Sequence[SeekPoint], order: np.ndarray, start) -> Tuple:
    """The points in their order, with the legs between them."""
    semi_major, inverse_flattening = tie.base.ellipsoid
    if inverse_flattening:
        earth = pyproj.Geod(a=semi_major, rf=inverse_flattening)
    else:
        earth = pyproj.Geod(a=semi_major, b=semi_major)
    ordered = [points[i] for i in order]
    here = start if start is not None else (ordered[0].latitude, ordered[0].longitude)
    walked = []
    for number, point in enumerate(ordered, start=1):
        azimuth, _, leg = earth.inv(here[1], here[0], point.longitude, point.latitude)
        turn = np.radians(azimuth)
        walked.append(replace(
            point, order=number, leg=float(leg), leg_east=float(leg * np.sin(turn)),
            leg_north=float(leg * np.cos(turn))))
        here = (point.latitude, point.longitude)
    return tuple(walked)


def _known(value: float) -> Optional[float]:
    return float(value) if np.isfinite(value) else None
