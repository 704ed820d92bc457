"""Field work as it would have gone: a GNSS rover with its errors, a clock, the rows it records."""

from __future__ import annotations

import datetime
import math
from typing import Dict, Optional, Tuple

import numpy as np
from site_truth import SiteTruth
from tables import Row

#: Shots at one mark in one session share this part of their error variance (an assumption).
SESSION_CORRELATION = 0.7
POLE = 2.0  # metres, as it stood
FLOAT_WORSE = 25.0  # sigmas of a float position against those of a fixed one
TOPO_WORSE = 1.3  # sigmas of a quick topo shot against those of a shot at a mark
Place = Tuple[float, float, float]


class Receiver:
    """A GNSS rover: true positions in, positions with their errors and stated sigmas out."""

    def __init__(self, truth: SiteTruth, random: np.random.RandomState) -> None:
        self.truth = truth
        self.random = random
        self._shared: Dict[Tuple[str, str], np.ndarray] = {}

    def observe(
        self,
        place: Tuple[float, float, float],
        session: str,
        mark: str,
        sigmas: Tuple[float, float, float],
    ) -> Tuple[float, float, float]:
        """Latitude, longitude, height of a site position, with errors drawn from the sigmas.

        Shots with the same mark and session share a part of their errors.
        """
        key = (mark, session)
        if key not in self._shared:
            self._shared[key] = self.random.standard_normal(3)
        own = self.random.standard_normal(3)
        unit_errors = (
            math.sqrt(SESSION_CORRELATION) * self._shared[key]
            + math.sqrt(1.0 - SESSION_CORRELATION) * own
        )
        east, north, up = (float(s * error) for s, error in zip(sigmas, unit_errors))
        latitude, longitude, height = self.truth.to_geodetic(*place)
        d_latitude, d_longitude = self.truth.degrees_of(east, north)
        return latitude + d_latitude, longitude + d_longitude, height + up

    def sigmas(self, worse: float = 1.0) -> Tuple[float, float, float]:
        """What the receiver states for a shot: about 8 mm per horizontal axis and 15 mm up."""
        east = self.random.choice([6, 7, 8, 9, 10])
        north = self.random.choice([6, 7, 8, 9, 10])
        up = self.random.choice([12, 13, 14, 15, 16, 17, 18])
        return tuple(round(float(value) * worse / 1000.0, 3) for value in (east, north, up))


class Clock:
    """The time of day of one session, moving on from shot to shot."""

    def __init__(self, start: str, random) -> None:
        self.now = datetime.datetime.fromisoformat(start)
        self.random = random

    def next(self, shortest: int = 25, longest: int = 70) -> str:
        """The time of the next shot, UTC."""
        seconds = int(self.random.randint(shortest, longest + 1))
        self.now += datetime.timedelta(seconds=seconds)
        return self.now.strftime("%Y-%m-%dT%H:%M:%SZ")


def metres(value: Optional[float], decimals: int = 3) -> str:
    """A length as text, blank for None."""
    return "" if value is None else f"{value:.{decimals}f}"


def position(latitude: float, longitude: float, height: float) -> Row:
    """A position as text: 1e-9 degree is 0.1 mm."""
    return {
        "latitude": f"{latitude:.9f}",
        "longitude": f"{longitude:.9f}",
        "height": f"{height:.4f}",
    }


def stated(sigmas: Tuple[float, float, float]) -> Row:
    """Stated sigmas of a shot, metres."""
    return {name: metres(s) for name, s in zip(("sigma_e", "sigma_n", "sigma_u"), sigmas)}


def control_row(
    mark_id: str,
    place: Place,
    sigma: float,
    receiver: Receiver,
    *,
    document: str,
    description: str,
    has_position: bool = True,
    has_elevation: bool = True,
) -> Row:
    """A mark as the old survey lists it, with that survey's own errors; `sigma` in metres."""
    errors = sigma / receiver.truth.unit * receiver.random.standard_normal(3)
    easting, northing, elevation = np.array(place) + errors
    return {
        "control_id": mark_id,
        "easting": metres(easting if has_position else None),
        "northing": metres(northing if has_position else None),
        "elevation": metres(elevation if has_elevation else None),
        "control_sigma_h": metres(sigma if has_position else None),
        "control_sigma_v": metres(sigma if has_elevation else None),
        "document": document,
        "description": description,
    }


def rover_row(
    observation_id: str,
    mark_id: str,
    place: Place,
    receiver: Receiver,
    clock: Clock,
    session: str,
    *,
    walked: bool = True,
    fix: str = "fixed",
) -> Row:
    """A shot at a mark; `walked` says that the crew came from elsewhere first."""
    sigmas = receiver.sigmas(FLOAT_WORSE if fix == "float" else 1.0)
    # A float solution shares nothing with the fixed one that follows.
    measured = receiver.observe(place, f"{session} {fix}", mark_id, sigmas)
    return {
        "observation_id": observation_id,
        **position(*measured),
        **stated(sigmas),
        "fix": fix,
        "pole": metres(POLE),
        "pole_kind": "vertical",
        "session": session,
        "time": clock.next(240, 480) if walked else clock.next(),
        "source": "rover",
    }


def topo_row(
    point_id: str,
    feature: str,
    description: str,
    place: Place,
    receiver: Receiver,
    clock: Clock,
    session: str,
) -> Row:
    """A topo shot."""
    sigmas = receiver.sigmas(TOPO_WORSE)
    return {
        "id": point_id,
        "feature": feature,
        "description": description,
        **position(*receiver.observe(place, session, point_id, sigmas)),
        **stated(sigmas),
        "fix": "fixed",
        "session": session,
        "time": clock.next(),
    }
