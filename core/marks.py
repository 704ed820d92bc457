"""Pairs as arrays in the base plane, and repeated observations combined into one per mark."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, List, Optional, Sequence, Tuple

import numpy as np

from .errors import InputError
from .geoid import Geoid
from .one_frame import positions_in_one_frame, refuse_uncovered
from .pairs import Pair, Role
from .products import product
from .projection import BaseProjection
from .quantiles import chi_square_p_value
from .settings import Settings


@dataclass(frozen=True)
class PairArrays:
    """Pairs in numbers; row i is pair i. Metres throughout, NaN where nothing is given or, for an
    idle pair, nothing can be computed.

    Attributes
    ----------
    latitude, longitude, height : (n,) arrays
        Degrees and ellipsoidal metres in the observation CRS of the settings.
    base : (n, 2) array
        Easting, northing in the base plane.
    base_covariance : (n, 2, 2) array
        Of the observation, in the base plane.
    undulation, height_variance : (n,) arrays
    control, control_covariance : (n, 2), (n, 2, 2) arrays
    elevation, elevation_variance : (n,) arrays
        Of the control.
    """

    latitude: np.ndarray
    longitude: np.ndarray
    height: np.ndarray
    base: np.ndarray
    base_covariance: np.ndarray
    undulation: np.ndarray
    height_variance: np.ndarray
    control: np.ndarray
    control_covariance: np.ndarray
    elevation: np.ndarray
    elevation_variance: np.ndarray


@dataclass(frozen=True)
class Mark:
    """All pairs of one control point in one role, combined.

    Attributes
    ----------
    control_id : str
    rows : tuple of int
        Which pairs.
    weights : tuple of float
        Weight of each row in the mean; they sum to 1.
    mean : (d,) array
        Weighted mean of the observations.
    covariance : (d, d) array
        Of the mean.
    row_covariances : (k, d, d) array
        Covariance of each row's own observation with the mean.
    spread : float or None
        Chi-square of the rows about their mean, None for a single row.
    spread_p_value : float or None
    """

    control_id: str
    rows: Tuple[int, ...]
    weights: Tuple[float, ...]
    mean: np.ndarray
    covariance: np.ndarray
    row_covariances: np.ndarray
    spread: Optional[float] = None
    spread_p_value: Optional[float] = None

    def weighted(self, values: np.ndarray) -> np.ndarray:
        """(d,) mean of this mark's rows of an (n, d) array, by the weights of its own mean."""
        if len(self.rows) == 1:
            return values[self.rows[0]]
        return product(np.array(self.weights), values[list(self.rows)])


def pair_arrays(
    pairs: Sequence[Pair], settings: Settings, base: BaseProjection, geoid: Optional[Geoid]
) -> PairArrays:
    """Turn pairs into arrays in the base plane.

    Raises
    ------
    InputError, FrameError
        When a position cannot be projected, frames are mixed, or a geoid does not cover a point.
    """
    latitude, longitude, height = positions_in_one_frame(pairs, settings)
    projected = np.stack(base.to_base(latitude, longitude, np.nan_to_num(height)), axis=-1)
    _refuse_unprojected(projected, pairs, base)
    site = settings.site_length.metres
    elevation_unit = settings.elevation_length.metres
    jacobian = base.jacobian(latitude, longitude)
    covariance = product(
        jacobian, observation_covariances(pairs, settings), np.swapaxes(jacobian, 1, 2)
    )
    sigma_u = _filled([p.observation.sigma_u for p in pairs], settings.gnss_sigma_v)
    control_h = _filled([p.control.sigma_h for p in pairs], settings.control_sigma_h)
    control_v = _filled([p.control.sigma_v for p in pairs], settings.control_sigma_v)
    undulation = np.zeros(len(pairs))
    if geoid is not None:
        undulation = geoid.sample(latitude, longitude)
        refuse_uncovered(geoid.grid, pairs, undulation)
    return PairArrays(
        latitude=latitude,
        longitude=longitude,
        height=height,
        base=projected,
        base_covariance=covariance,
        undulation=undulation,
        height_variance=sigma_u**2,
        control=_filled(
            [(p.control.easting, p.control.northing) if p.control.has_position
             else (np.nan, np.nan) for p in pairs], np.nan) * site,
        control_covariance=control_h[:, None, None] ** 2 * np.eye(2),
        elevation=_filled([p.control.elevation for p in pairs], np.nan) * elevation_unit,
        elevation_variance=control_v**2,
    )


def _refuse_unprojected(values: np.ndarray, pairs: Sequence[Pair], base: BaseProjection) -> None:
    """Refuse positions in use that the base projection cannot carry, naming the first."""
    for pair, finite in zip(pairs, np.isfinite(values).all(axis=1)):
        if not finite and (pair.horizontal is not Role.IDLE or pair.vertical is not Role.IDLE):
            raise InputError(
                f"The position cannot be projected by {base.name}.",
                "Check latitude and longitude, and that the base projection covers the site; or "
                "set both roles to idle.",
                file=pair.file, row=pair.row, point=pair.observation.id,
            )


def observation_covariances(pairs: Sequence[Pair], settings: Settings) -> np.ndarray:
    """(n, 2, 2) covariance of the observations along local east and north, square metres."""
    east = _filled([p.observation.sigma_e for p in pairs], settings.gnss_sigma_h)
    north = _filled([p.observation.sigma_n for p in pairs], settings.gnss_sigma_h)
    mixed = _filled([p.observation.sigma_en for p in pairs], 0.0)
    covariance = np.zeros((len(pairs), 2, 2))
    covariance[:, 0, 0] = east**2
    covariance[:, 1, 1] = north**2
    covariance[:, 0, 1] = covariance[:, 1, 0] = np.sign(mixed) * mixed**2
    return covariance


def group_marks(
    pairs: Sequence[Pair],
    roles: Sequence[Role],
    role: Role,
    values: np.ndarray,
    covariances: np.ndarray,
    correlation: float,
) -> Tuple[Mark, ...]:
    """Combine the pairs of one role into one mark per control point, in order of appearance.

    Parameters
    ----------
    values, covariances : (n, d), (n, d, d) arrays
        Observations of all pairs.
    correlation : float
        Between shots of one session at one mark.
    """
    rows: Dict[str, List[int]] = {}
    for i, pair in enumerate(pairs):
        if roles[i] is role:
            rows.setdefault(pair.control.id, []).append(i)
    marks = []
    for control_id, members in rows.items():
        if len(members) == 1:
            i = members[0]
            marks.append(Mark(control_id, (i,), (1.0,), values[i], covariances[i],
                              covariances[i : i + 1]))
            continue
        sessions = [pairs[i].observation.session for i in members]
        marks.append(
            _combine(control_id, members, values[members], covariances[members], sessions,
                     correlation)
        )
    return tuple(marks)


def _combine(control_id, rows, values, covariances, sessions, correlation) -> Mark:
    joint = _joint_covariance(covariances, sessions, correlation)
    precision = 1.0 / np.trace(covariances, axis1=1, axis2=2)
    weights = np.zeros(len(rows))
    session_precision = {}
    for session in dict.fromkeys(sessions):
        members = [i for i, name in enumerate(sessions) if name == session]
        inside = precision[members] / precision[members].sum()
        block = joint[np.ix_(members, members)]
        variance = np.einsum("i,j,ijkk->", inside, inside, block)
        weights[members] = inside
        session_precision[session] = 1.0 / variance
    total = sum(session_precision.values())
    weights *= np.array([session_precision[name] for name in sessions]) / total
    mean = product(weights, values)
    row_covariances = np.einsum("j,ijkl->ikl", weights, joint)
    covariance = np.einsum("i,ikl->kl", weights, row_covariances)
    spread, p_value = _spread(values, joint)
    return Mark(control_id, tuple(rows), tuple(map(float, weights)), mean,
                (covariance + covariance.T) / 2.0, row_covariances, spread, p_value)


def _joint_covariance(covariances, sessions, correlation) -> np.ndarray:
    """(k, k, d, d) covariance between shots: correlated inside a session, else independent."""
    roots = np.linalg.cholesky(covariances)
    joint = np.einsum("iab,jcb->ijac", roots, roots)
    same = np.array([[a == b for b in sessions] for a in sessions])
    factor = np.where(same, correlation, 0.0)
    np.fill_diagonal(factor, 1.0)
    return joint * factor[:, :, None, None]


def _spread(values: np.ndarray, joint: np.ndarray) -> Tuple[float, float]:
    """Chi-square of the shots about their own best mean, and its probability."""
    count, size = values.shape
    full = np.swapaxes(joint, 1, 2).reshape(count * size, count * size)
    root = np.linalg.cholesky(full)
    design = np.linalg.solve(root, np.tile(np.eye(size), (count, 1)))
    observed = np.linalg.solve(root, (values - values.mean(axis=0)).ravel())
    solution, *_ = np.linalg.lstsq(design, observed, rcond=None)
    spread = float(np.sum((observed - product(design, solution)) ** 2))
    return spread, float(chi_square_p_value(spread, (count - 1) * size))


def _filled(values, default) -> np.ndarray:
    return np.array([default if value is None else value for value in values], dtype=float)
