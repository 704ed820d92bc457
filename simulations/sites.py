"""Invented sites with a known truth, and noisy pairs drawn from them.

The truth is a plane map of the base grid and a height correction. Noise goes where it arises: on
latitude, longitude, height (along local east, north, up) and on the control coordinates.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import Optional, Tuple

import numpy as np

from ..core.pairs import Control, Observation, Pair, Role
from ..core.projection import BaseProjection
from ..core.settings import Settings
from ..core.solve import freeze_base


@dataclass(frozen=True)
class Case:
    """A kind of site, of which many are drawn. It is solved at a test level of 0.01 unless told
    otherwise, so that false alarms are many enough to be counted.

    Attributes
    ----------
    marks : int
        Fit marks, spread at random over a square of side `extent` (metres).
    scale_sigma : float or None
        None leaves the scale to the model; else it is held at 1.0001 with this sigma, and the
        true scale is drawn from that.
    unequal, correlated : bool
        Own sigmas for every pair (a factor 6 between the best and the worst), and an east-north
        correlation between -0.8 and 0.8; otherwise the default sigmas.
    noise : float
        True sigmas over stated sigmas.
    shots : int
        Observations of each mark.
    sessions : int
        In how many sessions they were taken, evenly.
    believed_correlation : float or None
        Session correlation in the settings, where it differs from the true one.
    """

    name: str
    horizontal_model: str
    vertical_model: str
    marks: int
    scale_sigma: Optional[float] = None
    unequal: bool = False
    correlated: bool = False
    extent: float = 600.0
    latitude: float = 48.1
    longitude: float = 9.2
    base_crs: Optional[str] = None
    site_unit: str = "m"
    sigma_basis: str = "stated"
    test_level: float = 0.01
    noise: float = 1.0
    shots: int = 1
    sessions: int = 1
    believed_correlation: Optional[float] = None


@dataclass(frozen=True)
class Truth:
    """The true relation: site = translation + matrix (base - centre), heights by a plane."""

    base: BaseProjection
    centre: np.ndarray
    translation: np.ndarray
    matrix: np.ndarray
    shift: float
    slopes: np.ndarray
    unit: float

    def site(self, latitude, longitude, height) -> np.ndarray:
        """(n, 3) true easting, northing, elevation in site units."""
        base = np.stack(self.base.to_base(latitude, longitude), axis=-1)
        return np.column_stack([self.plane(base), self.correction(base) + height / self.unit])

    def plane(self, base: np.ndarray) -> np.ndarray:
        """(n, 2) true site position of base positions, site units."""
        return (self.translation + (base - self.centre) @ self.matrix.T) / self.unit

    def correction(self, base: np.ndarray) -> np.ndarray:
        """(n,) true elevation less height, site units."""
        return (self.shift + (base - self.centre) @ self.slopes) / self.unit


@dataclass(frozen=True)
class Site:
    """One site drawn: what a surveyor has (pairs, settings) and what nobody knows (truth).

    `points` are the true latitude, longitude and height of a place inside the control and of one
    at twice its extent; `observed` the same places as observed, with `point_covariance` (local
    east, north, up, square metres).
    """

    pairs: Tuple[Pair, ...]
    settings: Settings
    truth: Truth
    mark_positions: np.ndarray
    points: np.ndarray
    observed: np.ndarray
    point_covariance: np.ndarray


def draw(case: Case, rng: np.random.Generator) -> Site:
    """Draw a site: fit marks and, last of the pairs, one check mark."""
    settings, base = frame(case)
    offsets = case.extent * (rng.random((case.marks + 1, 2)) - 0.5)
    marks = _positions(case, base, offsets, 300.0 + 20.0 * rng.random(case.marks + 1))
    truth = _truth(case, base, rng)
    given = truth.site(*marks.T)
    pairs = []
    for k, (mark, true) in enumerate(zip(marks, given)):
        role = Role.CHECK if k == case.marks else Role.FIT
        pairs += _pairs_of_mark(case, settings, base, rng, f"M{k}", mark, true, role)
    points = _positions(case, base, _places(offsets[:-1], rng), np.array([310.0, 330.0]))
    covariance = _point_covariance(case, settings, rng)
    noise = case.noise * rng.normal(size=(2, 3)) @ np.linalg.cholesky(covariance).T
    observed = moved(base, points, noise)
    return Site(tuple(pairs), settings, truth, marks, points, observed, covariance)


@lru_cache(maxsize=None)
def frame(case: Case) -> Tuple[Settings, BaseProjection]:
    """Settings of a case with the base projection frozen, and that projection."""
    scale = None if case.scale_sigma is None else (1.0001, case.scale_sigma)
    settings = Settings(
        site_unit=case.site_unit, base_crs=case.base_crs, scale=scale,
        horizontal_model=case.horizontal_model, vertical_model=case.vertical_model,
        sigma_basis=case.sigma_basis, test_level=case.test_level,
    )
    if case.believed_correlation is not None:
        settings = settings.replace(session_correlation=case.believed_correlation)
    centre = Pair(Control("centre", 0.0, 0.0, 0.0),
                  Observation("centre", case.latitude, case.longitude, 0.0))
    return freeze_base([centre], settings)


def with_blunder(pairs, control_id: str, east: float, north: float, up: float):
    """The pairs with the control of one mark moved (site units)."""
    return tuple(
        pair if pair.control.id != control_id else dataclasses.replace(
            pair, control=dataclasses.replace(
                pair.control, easting=pair.control.easting + east,
                northing=pair.control.northing + north,
                elevation=pair.control.elevation + up))
        for pair in pairs
    )


def _positions(case: Case, base: BaseProjection, offsets, height) -> np.ndarray:
    """(n, 3) latitude, longitude, height at metres east and north of the site's middle."""
    middle = np.tile([case.latitude, case.longitude, 0.0], (len(offsets), 1))
    return moved(base, middle, np.column_stack([offsets, height]))


def moved(base: BaseProjection, positions: np.ndarray, metres: np.ndarray) -> np.ndarray:
    """Positions moved by metres east, north, up."""
    meridian, prime_vertical = base.radii(positions[:, 0])
    shifted = positions.copy()
    shifted[:, 0] += np.degrees(metres[:, 1] / meridian)
    shifted[:, 1] += np.degrees(
        metres[:, 0] / (prime_vertical * np.cos(np.radians(positions[:, 0]))))
    shifted[:, 2] += metres[:, 2]
    return shifted


def _places(offsets: np.ndarray, rng) -> np.ndarray:
    """A place inside the convex hull of the marks, and one at twice their extent."""
    inside = rng.dirichlet(np.ones(len(offsets))) @ offsets
    middle = offsets.mean(axis=0)
    reach = np.linalg.norm(offsets - middle, axis=1).max()
    angle = 2.0 * np.pi * rng.random()
    return np.array([inside, middle + 2.0 * reach * np.array([np.cos(angle), np.sin(angle)])])


def _point_covariance(case: Case, settings: Settings, rng) -> np.ndarray:
    """Of an observed point: the default sigmas, or a long ellipsoid that lies anyhow in space."""
    h, v = settings.gnss_sigma_h, settings.gnss_sigma_v
    if not case.correlated:
        return np.diag([h, h, v]) ** 2
    axes = np.linalg.qr(rng.normal(size=(3, 3)))[0] * [h / 2.0, 2.0 * h, v]
    return axes @ axes.T


def _truth(case: Case, base: BaseProjection, rng) -> Truth:
    angle, scale = 2.0 * np.pi * rng.random(), 1.0
    if case.horizontal_model == "translation":
        angle = 0.0
    if case.scale_sigma is not None:
        scale = 1.0001 + case.scale_sigma * rng.normal()
    elif case.horizontal_model in ("similarity", "affine"):
        scale = 1.0 + 2e-4 * rng.normal()
    matrix = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    if case.horizontal_model == "affine":
        matrix = matrix @ (np.eye(2) + 5e-5 * rng.normal(size=(2, 2)))
    slopes = np.zeros(2)
    if case.vertical_model == "plane":
        slopes = 3e-5 * rng.normal(size=2)
    centre = np.stack(base.to_base(case.latitude, case.longitude), axis=-1)
    return Truth(base, centre, 5000.0 * rng.random(2), matrix, -50.0 * rng.random(), slopes,
                 frame(case)[0].site_length.metres)


def _pairs_of_mark(case, settings, base, rng, name, mark, true, role):
    """The pairs of one mark: one control with its noise, and every shot with its own."""
    control_h, control_v = settings.control_sigma_h, settings.control_sigma_v
    east, north, up = settings.gnss_sigma_h, settings.gnss_sigma_h, settings.gnss_sigma_v
    correlation = 0.0
    if case.unequal:
        factors = 6.0 ** (rng.random(5) - 0.5)
        control_h, control_v, east, north, up = factors * [control_h, control_v, east, north, up]
    if case.correlated:
        correlation = 1.6 * (rng.random() - 0.5)
    noise = case.noise * rng.normal(size=3) * [control_h, control_h, control_v]
    control = true + noise / settings.site_length.metres
    root = np.zeros((3, 3))
    root[0, 0], root[2, 2] = east, up
    root[1, :2] = north * correlation, north * np.sqrt(1.0 - correlation**2)
    point = Control(name, *map(float, control), float(control_h), float(control_v))
    mixed = np.sign(correlation) * np.sqrt(abs(correlation) * east * north)
    pairs = []
    for shot, unit_noise in enumerate(_shot_noise(case, rng)):
        seen = moved(base, mark[None, :], (case.noise * root @ unit_noise)[None, :])[0]
        observation = Observation(
            f"{name}.{shot}", *map(float, seen), sigma_e=float(east), sigma_n=float(north),
            sigma_en=float(mixed), sigma_u=float(up), session=f"S{shot % case.sessions}")
        pairs.append(Pair(point, observation, role, role))
    return pairs


def _shot_noise(case: Case, rng) -> np.ndarray:
    """(shots, 3) noise of unit variance; shots of one session share a part of it."""
    if case.shots == 1:
        return rng.normal(size=(1, 3))
    shared = Settings().session_correlation
    sessions = rng.normal(size=(case.sessions, 3))[np.arange(case.shots) % case.sessions]
    return np.sqrt(shared) * sessions + np.sqrt(1.0 - shared) * rng.normal(size=(case.shots, 3))

