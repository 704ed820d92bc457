"""The inverse table: control against GNSS line by line, independent of any fit.

Record figures are computed from the control coordinates alone, measured ones from the
observations alone. So a wrong mark, a scale or a turned basis of bearings shows before and beside
any solution. Geodesics are Karney's (C. F. F. Karney, Algorithms for geodesics, J. Geodesy 87,
2013, in PROJ).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Dict, List, Optional, Tuple

import numpy as np
import pyproj

from .angles import format_bearing
from .errors import SettingsError
from .marks import Mark, PairArrays, group_marks, pair_arrays
from .pairs import Role
from .site_scale import site_place
from .tie import Tie
from .wording import small_angle_words

#: Up to this many marks every line is listed; beyond, each mark's lines to its nearest
#: `NEIGHBOURS` and to its farthest. Common practice, no source.
ALL_LINES_UP_TO = 12
NEIGHBOURS = 3
#: Lines shorter than this (metres) have no bearing worth a figure. Common practice, no source.
SHORTEST = 0.01
#: Length in metres of the line along site north whose azimuth is taken.
NORTH_LINE = 100.0

#: What measured distances may be compared as, and what that means.
LEVELS: Dict[str, str] = {
    "ground": "horizontal on the ground, at the mean ellipsoidal height of the two marks",
    "ellipsoid": "on the ellipsoid, along the geodesic",
    "base": "in the plane of the base projection",
}


@dataclass(frozen=True)
class InverseLine:
    """The line between two control points, by the record and as measured.

    Bearings are degrees clockwise, 0 to 360; None where the line is too short for one. Distances
    are horizontal and in site units.

    Attributes
    ----------
    from_id, to_id : str
        Control points.
    record_distance, record_bearing : float
        In the site grid, from the control coordinates.
    ground_distance : float or None
        Geodesic raised to the mean ellipsoidal height h of the two marks by (R + h) / R,
        R = sqrt(M N); a mark without a height takes the median of the others. None when no mark
        has one.
    ellipsoid_distance, base_distance : float
        Geodesic on the ellipsoid; straight line in the base plane.
    true_bearing, base_bearing : float or None
        Geodetic azimuth of the geodesic at the first mark; bearing in the base plane.
    level : str
        Which of the three distances is compared with the record: a key of `LEVELS`.
    sigma_distance, sigma_rotation : float
        Standard deviations of `difference` and `apparent_rotation`, from the sigmas of
        observations and control.
    """

    from_id: str
    to_id: str
    record_distance: float
    record_bearing: Optional[float]
    ground_distance: Optional[float]
    ellipsoid_distance: float
    base_distance: float
    true_bearing: Optional[float]
    base_bearing: Optional[float]
    level: str
    sigma_distance: float
    sigma_rotation: Optional[float]

    @property
    def measured_distance(self) -> float:
        """The measured distance that is compared with the record."""
        return getattr(self, f"{self.level}_distance")

    @property
    def difference(self) -> float:
        """Measured less record distance, site units."""
        return self.measured_distance - self.record_distance

    @property
    def difference_small(self) -> float:
        """The same in millimetres, or in thousandths of a foot where the site is in feet."""
        return 1000.0 * self.difference

    @property
    def difference_ppm(self) -> Optional[float]:
        """The same in parts per million of the measured distance."""
        if self.record_bearing is None:
            return None
        return 1e6 * self.difference / self.measured_distance

    @property
    def apparent_rotation(self) -> Optional[float]:
        """Base bearing less record bearing, -180 to 180 degrees.

        Counter-clockwise positive, as the rotation of a tie: lines of a sound control list agree.
        """
        if self.record_bearing is None or self.base_bearing is None:
            return None
        return math.remainder(self.base_bearing - self.record_bearing, 360.0)


def inverse_table(
    tie: Tie, level: Optional[str] = None, include_idle: bool = False
) -> Tuple[InverseLine, ...]:
    """Lines between the control points of a tie, the longest first.

    Repeated observations of a mark are combined as in the solution. Every line is listed up to
    `ALL_LINES_UP_TO` marks; beyond, each mark's lines to its nearest `NEIGHBOURS` and its farthest.

    Parameters
    ----------
    level : {"ground", "ellipsoid", "base"}, optional
        Which measured distance to compare with the record. By default ground, or the ellipsoid
        when no mark has a height.
    include_idle : bool
        Whether pairs whose horizontal role is idle take part.

    Raises
    ------
    SettingsError
        When the level is unknown, or ground is asked for and no mark has a height.
    """
    if level not in (None, *LEVELS):
        raise SettingsError(f"Level is {level!r}.", f"Allowed: {', '.join(LEVELS)}.")
    arrays = pair_arrays(tie.pairs, tie.settings, tie.base, None)
    marks = _marks(tie, arrays, include_idle)
    if len(marks) < 2:
        return ()
    height = _mean_heights(marks, arrays)
    level = _level(level, height)
    lines = _Lines(tie, marks, arrays, height)
    start, end = _chosen(lines.base)
    return lines.between(start, end, level)


def basis_of_bearings(tie: Tie) -> str:
    """What the bearings of the site rest on, in sentences."""
    part = tie.horizontal
    sigma = tie.parameters["rotation"].sigma
    known = f" ± {small_angle_words(sigma)} (one standard deviation)" if sigma else ""
    fit = list(dict.fromkeys(p.control.id for p in tie.pairs if p.horizontal is Role.FIT))
    if tie.kind == "typed":
        basis = "the site grid of the typed parameters"
        if tie.source:
            basis += f" ({tie.source})"
    elif part.model == "translation":
        basis = (f"grid north of the base projection {tie.base.name}, which the translation takes "
                 "over unturned")
        known = ""
    elif len(fit) == 2:
        basis = f"the line {fit[0]} to {fit[1]} of the control list, {_record_line(tie, fit)}"
    else:
        basis = f"the coordinates of the control list, held by {_listed(fit)}"
    return (f"Basis of bearings: {basis}. Bearings are those of the site grid, clockwise from site "
            f"north. {_site_north(tie)}{known}.")


def _site_north(tie: Tie) -> str:
    """Where site north points: by a geodesic in the middle of the pairs, else in the base."""
    used = [pair for pair in tie.pairs if pair.horizontal is not Role.IDLE]
    if not used:
        turn = math.degrees(tie.horizontal.rotation)
        return (f"Site north has the bearing {format_bearing(turn, 1)} in the base projection "
                f"{tie.base.name}")
    place = site_place(tie)
    latitude, longitude = place.middle
    middle = tie.horizontal.apply(
        np.stack(tie.base.to_base(latitude, longitude, place.level), axis=-1))
    easting, northing = tie.horizontal.invert(middle + [0.0, NORTH_LINE])
    north = tie.base.to_geodetic(easting, northing, place.level)
    azimuth = _geod(*tie.base.ellipsoid).inv(longitude, latitude, float(north[1]),
                                             float(north[0]))[0]
    return (f"In the middle of the control, at latitude {latitude:.5f}, longitude "
            f"{longitude:.5f} ({tie.settings.observation_crs}), site north has the geodetic "
            f"azimuth {format_bearing(azimuth, 1)}")


def _record_line(tie: Tie, ids: List[str]) -> str:
    known = {p.control.id: p.control for p in tie.pairs}
    first, second = (known[name] for name in ids)
    if not (first.has_position and second.has_position):
        return "whose record is incomplete"
    line = np.array([[second.easting, second.northing]]) - [first.easting, first.northing]
    return f"record bearing {format_bearing(float(_polar(line)[1][0]), 1)}"


def _listed(ids: List[str], most: int = 8) -> str:
    if len(ids) <= most:
        return ", ".join(ids[:-1]) + f" and {ids[-1]}" if len(ids) > 1 else "".join(ids)
    return f"{len(ids)} fit marks"


def _marks(tie: Tie, arrays: PairArrays, include_idle: bool) -> Tuple[Mark, ...]:
    def takes_part(pair) -> bool:
        return pair.horizontal is not Role.IDLE or (include_idle and pair.control.has_position)

    roles = [Role.FIT if takes_part(pair) else Role.IDLE for pair in tie.pairs]
    return group_marks(tie.pairs, roles, Role.FIT, arrays.base, arrays.base_covariance,
                       tie.settings.session_correlation)


def _mean_heights(marks, arrays: PairArrays) -> np.ndarray:
    """(m,) ellipsoidal height of each mark, the median of the others where it has none."""
    heights = np.full(len(marks), np.nan)
    for i, mark in enumerate(marks):
        known = arrays.height[list(mark.rows)]
        known = known[np.isfinite(known)]
        if len(known):
            heights[i] = known.mean()
    known = heights[np.isfinite(heights)]
    return np.where(np.isfinite(heights), heights, np.median(known) if len(known) else np.nan)


def _level(level: Optional[str], height: np.ndarray) -> str:
    unknown = bool(np.isnan(height).any())
    if level == "ground" and unknown:
        raise SettingsError(
            "Ground distances are asked for, but no mark was observed with a height.",
            'Give heights, or compare on the "ellipsoid".',
        )
    return level or ("ellipsoid" if unknown else "ground")


def _chosen(base: np.ndarray) -> Tuple[np.ndarray, np.ndarray]:
    """First and second mark of each line, longest first; the first is earlier in the list."""
    count = len(base)
    distance = np.linalg.norm(base[:, None, :] - base[None, :, :], axis=2)
    start, end = np.triu_indices(count, 1)
    if count > ALL_LINES_UP_TO:
        order = np.argsort(distance + np.diag(np.full(count, -1.0)), axis=1, kind="stable")
        near = np.zeros((count, count), dtype=bool)
        rows = np.arange(count)[:, None]
        near[rows, order[:, 1 : NEIGHBOURS + 1]] = True
        near[rows, order[:, -1:]] = True
        keep = (near | near.T)[start, end]
        start, end = start[keep], end[keep]
    longest = np.argsort(-distance[start, end], kind="stable")
    return start[longest], end[longest]


class _Lines:
    """The marks of a table as arrays, and the lines between them."""

    def __init__(self, tie: Tie, marks: Tuple[Mark, ...], arrays: PairArrays, height) -> None:
        first = [mark.rows[0] for mark in marks]
        self.tie = tie
        self.ids = [mark.control_id for mark in marks]
        self.base = np.array([mark.mean for mark in marks])
        self.base_covariance = np.array([mark.covariance for mark in marks])
        self.control = arrays.control[first]
        self.control_variance = arrays.control_covariance[first, 0, 0]
        self.height = height
        self.latitude, self.longitude = tie.base.to_geodetic(
            self.base[:, 0], self.base[:, 1], np.nan_to_num(height)
        )

    def between(self, start, end, level: str) -> Tuple[InverseLine, ...]:
        """The lines between marks `start` and `end`, arrays of places."""
        unit = self.tie.settings.site_length.metres
        true, geodesic = self._geodesics(start, end)
        ground = geodesic / self.tie.base.elevation_factor(
            (self.latitude[start] + self.latitude[end]) / 2.0,
            (self.height[start] + self.height[end]) / 2.0,
        )
        record, record_bearing = _polar(self.control[end] - self.control[start])
        base, base_bearing = _polar(self.base[end] - self.base[start])
        along, across = self._sigmas(start, end, base_bearing)
        short = (record < SHORTEST) | (base < SHORTEST)
        across = np.degrees(across / np.where(short, 1.0, base))
        columns = {
            "record_distance": record / unit, "record_bearing": _blank(record_bearing, short),
            "ground_distance": ground / unit, "ellipsoid_distance": geodesic / unit,
            "base_distance": base / unit, "true_bearing": _blank(true % 360.0, short),
            "base_bearing": _blank(base_bearing, short), "sigma_distance": along / unit,
            "sigma_rotation": _blank(across, short),
        }
        rows = zip(*(values.tolist() for values in columns.values()))
        return tuple(
            InverseLine(from_id=self.ids[a], to_id=self.ids[b], level=level,
                        **{name: _plain(value) for name, value in zip(columns, figures)})
            for a, b, figures in zip(start, end, rows)
        )

    def _geodesics(self, start, end):
        geod = _geod(*self.tie.base.ellipsoid)
        azimuth, _, length = geod.inv(
            self.longitude[start], self.latitude[start], self.longitude[end], self.latitude[end]
        )
        return np.asarray(azimuth), np.asarray(length)

    def _sigmas(self, start, end, bearing):
        """Standard deviations of a line along and across itself, metres."""
        covariance = self.base_covariance[start] + self.base_covariance[end]
        control = self.control_variance[start] + self.control_variance[end]
        turn = np.radians(bearing)
        along = np.stack([np.sin(turn), np.cos(turn)], axis=1)
        across = np.stack([np.cos(turn), -np.sin(turn)], axis=1)
        return tuple(
            np.sqrt(np.einsum("ni,nij,nj->n", way, covariance, way) + control)
            for way in (along, across)
        )


@lru_cache(maxsize=8)
def _geod(semi_major: float, inverse_flattening: float) -> pyproj.Geod:
    if not inverse_flattening:
        return pyproj.Geod(a=semi_major, b=semi_major)
    return pyproj.Geod(a=semi_major, rf=inverse_flattening)


def _polar(line: np.ndarray) -> Tuple[np.ndarray, np.ndarray]:
    """Length and bearing (degrees, 0 to 360) of (n, 2) easting, northing differences."""
    bearing = np.degrees(np.arctan2(line[:, 0], line[:, 1])) % 360.0
    return np.hypot(line[:, 0], line[:, 1]), bearing


def _blank(values: np.ndarray, where: np.ndarray) -> np.ndarray:
    return np.where(where, np.nan, values)


def _plain(value: float) -> Any:
    return None if math.isnan(value) else value
