"""Restating: site coordinates of observations through a tie, with their uncertainty."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Dict, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np

from .errors import Cancelled, InputError
from .hull import ON_THE_EDGE, control_hull, distance_outside
from .one_frame import positions_in_one_frame
from .pairs import Role
from .settings import Settings
from .tie import Tie

#: Points computed at a time: bounds the memory, and how long a wish to stop has to wait.
CHUNK = 50_000
#: An observation is one of the pairs' own when its id is equal and its position is so to this
#: many degrees (0.1 mm) and metres: what a change of file format may lose.
SAME_DEGREES, SAME_METRES = 1e-9, 1e-4

Progress = Callable[[float], bool]


@dataclass(frozen=True)
class Restated:
    """Site coordinates of n observations.

    Attributes
    ----------
    easting, northing, elevation : (n,) arrays
        Site units and elevation units; the elevation is NaN where the tie has no vertical part
        or no heights were given.
    sigma_easting, sigma_northing, sigma_elevation : (n,) arrays
        Standard deviations (one sigma, not 95 %) in the same units. They hold the tie's own
        uncertainty and the observation's; NaN where unknown.
    inside : (n,) array of bool, or None
        Whether the point lies in the control hull (on its edge counts); None for a tie of typed
        parameters, which has no control.
    own : (n,) array of bool
        Whether the point is an observation of one of the tie's pairs.
    covariance : (n, 3, 3) array
        Easting, northing, elevation, in site and elevation units squared.
    """

    easting: np.ndarray
    northing: np.ndarray
    elevation: np.ndarray
    sigma_easting: np.ndarray
    sigma_northing: np.ndarray
    sigma_elevation: np.ndarray
    inside: Optional[np.ndarray]
    own: np.ndarray
    covariance: np.ndarray

    def __len__(self) -> int:
        return len(self.easting)


def restate(
    tie: Tie,
    latitude,
    longitude,
    height=None,
    observation_covariance=None,
    ids: Optional[Sequence[str]] = None,
    *,
    elevations: bool = True,
    progress: Optional[Progress] = None,
) -> Restated:
    """Derive site coordinates of observations.

    Parameters
    ----------
    latitude, longitude : (n,) arrays or floats
        Degrees in the observation CRS of the tie.
    height : (n,) array or float, optional
        Ellipsoidal height in metres, of the mark. Left out, the points are restated horizontally
        only.
    observation_covariance : (3, 3) or (n, 3, 3) array, optional
        Of the observations along local east, north, up, square metres (see
        `observation_covariances`). Left out, the default sigmas of the tie's settings are
        assumed.
    ids : sequence of n str, optional
        With them a point that is itself an observation of one of the tie's pairs is recognised:
        its errors are inside the tie already, and it gets the pair's own covariance.
    elevations : bool
        False restates horizontally only; heights then serve the plane alone, where it feels them.
    progress : callable, optional
        Called with the share done, 0 to 1; work stops when it answers False.

    Returns
    -------
    Restated

    Raises
    ------
    InputError
        Naming the first point whose position or height cannot be used.
    FrameError
        When the geoid grid does not cover a point.
    Cancelled
    """
    latitude, longitude = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (latitude, longitude))
    if height is not None:
        height = np.atleast_1d(np.asarray(height, dtype=float))
    count = len(latitude)
    elevations = elevations and tie.vertical is not None and height is not None
    _refuse_unusable(tie, latitude, longitude, height, ids, elevations)
    if observation_covariance is None:
        observation_covariance = tie.default_observation_covariance()
    noise = np.broadcast_to(np.asarray(observation_covariance, dtype=float), (count, 3, 3))
    hull, own = control_hull(tie), _OwnObservations(tie)
    parts = []
    for start in range(0, max(count, 1), CHUNK):
        piece = slice(start, start + CHUNK)
        parts.append(_restated(
            tie, latitude[piece], longitude[piece], None if height is None else height[piece],
            noise[piece], own, None if ids is None else ids[piece], hull, elevations,
        ))
        if progress is not None and not progress(min(1.0, (start + CHUNK) / max(count, 1))):
            raise Cancelled()
    return parts[0] if len(parts) == 1 else _joined(parts)


def observation_covariances(
    settings: Settings,
    count: int,
    sigma_e: Optional[np.ndarray] = None,
    sigma_n: Optional[np.ndarray] = None,
    sigma_u: Optional[np.ndarray] = None,
) -> np.ndarray:
    """(n, 3, 3) covariance along local east, north, up from standard deviations in metres.

    Where one is left out or NaN, the default of the settings is assumed.

    Raises
    ------
    InputError
        When one is zero, negative or infinite.
    """
    covariance = np.zeros((count, 3, 3))
    defaults = (settings.gnss_sigma_h, settings.gnss_sigma_h, settings.gnss_sigma_v)
    for i, (sigma, default) in enumerate(zip((sigma_e, sigma_n, sigma_u), defaults)):
        if sigma is None:
            covariance[:, i, i] = default**2
            continue
        values = np.where(np.isnan(sigma), default, sigma)
        bad = ~((values > 0.0) & np.isfinite(values))
        if bad.any():
            raise InputError(
                f"A standard deviation is {values[np.argmax(bad)]}; it must be greater than zero.",
                "Give it in metres, or leave it blank for the default.",
            )
        covariance[:, i, i] = values**2
    return covariance


def _refuse_unusable(tie: Tie, latitude, longitude, height, ids, elevations: bool) -> None:
    lengths = {len(values) for values in (latitude, longitude, height, ids) if values is not None}
    if len(lengths) > 1:
        raise InputError(
            f"Latitudes, longitudes, heights and ids differ in number ({sorted(lengths)}).",
            "Give one of each for every point.",
        )

    def refuse(bad: np.ndarray, what: str, remedy: str) -> None:
        if bad.any():
            first = int(np.argmax(bad))
            many = f" ({np.count_nonzero(bad)} of {len(bad)} points)" if len(bad) > 1 else ""
            raise InputError(what + many + ".", remedy,
                             point=str(ids[first]) if ids is not None else f"{first + 1}")

    refuse(~(np.isfinite(latitude) & np.isfinite(longitude)),
           "The latitude or longitude is missing or not a finite number", "Give it in degrees.")
    refuse(np.abs(latitude) > 90.0, "The latitude is outside -90 to 90 degrees",
           "Correct it, or exchange latitude and longitude.")
    known = np.zeros(len(latitude), dtype=bool) if height is None else np.isfinite(height)
    if elevations:
        refuse(~known, "There is no height, but the tie has a vertical part",
               "Give ellipsoidal heights in metres, or restate horizontally only.")
    elif tie.base.depends_on_height:
        refuse(~known, "There is no height, but the tie's base plane depends on it "
               f"({tie.base.operation})", "Give ellipsoidal heights in metres.")


def _restated(tie: Tie, latitude, longitude, height, noise, own, ids, hull, elevations) -> Restated:
    plane = None if height is None else np.nan_to_num(height)
    easting, northing, elevation = tie.to_site(latitude, longitude, plane)
    covariance = tie.covariance(latitude, longitude, plane, noise)
    among = np.zeros(len(latitude), dtype=bool)
    if ids is not None:
        for place, row in own.find(ids, latitude, longitude, height):
            covariance[place] = row
            among[place] = True
    if not elevations:
        elevation = np.full(len(easting), np.nan)
        covariance[:, 2, :] = covariance[:, :, 2] = np.nan
    sigma = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    inside = None
    if hull is not None:
        base = np.stack(tie.base.to_base(latitude, longitude, plane), axis=-1)
        inside = distance_outside(hull, base) <= ON_THE_EDGE
    return Restated(easting, northing, elevation, sigma[:, 0], sigma[:, 1], sigma[:, 2],
                    inside, among, covariance)


def _joined(parts: List[Restated]) -> Restated:
    columns = {
        name: np.concatenate([getattr(part, name) for part in parts])
        for name in Restated.__dataclass_fields__
        if getattr(parts[0], name) is not None
    }
    return Restated(**{"inside": None, **columns})


class _Own(NamedTuple):
    latitude: float
    longitude: float
    height: float
    covariance: np.ndarray


class _OwnObservations:
    """The observations of a tie's pairs, found again by id and position."""

    def __init__(self, tie: Tie) -> None:
        self._known: Dict[str, _Own] = {}
        if not tie.pairs:
            return
        places = np.stack(positions_in_one_frame(tie.pairs, tie.settings), axis=1).tolist()
        for pair, row, (latitude, longitude, height) in zip(tie.pairs, tie.rows, places):
            if row.covariance is None:
                continue
            covariance = np.array(row.covariance)
            known = self._known.get(pair.observation.id)
            if known is None:
                self._known[pair.observation.id] = _Own(latitude, longitude, height, covariance)
                continue
            # One observation in two pairs: each side from the pair that drives that side.
            if pair.horizontal is Role.FIT:
                known.covariance[:2, :2] = covariance[:2, :2]
            if pair.vertical is Role.FIT:
                known.covariance[2, 2] = covariance[2, 2]

    def find(self, ids, latitude, longitude, height) -> List[Tuple[int, np.ndarray]]:
        """Places among the points given, with the covariance each takes."""
        found = []
        for place, name in enumerate(ids):
            known = self._known.get(name)
            if known is None:
                continue
            turn = (longitude[place] - known.longitude + 180.0) % 360.0 - 180.0
            same = abs(latitude[place] - known.latitude) < SAME_DEGREES and abs(turn) < SAME_DEGREES
            if same and height is not None and np.isfinite(known.height):
                same = not abs(height[place] - known.height) > SAME_METRES
            if same:
                found.append((place, known.covariance))
        return found
