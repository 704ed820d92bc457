"""Invented sites whose truth comes from PROJ directly, not from the code under test.

The control coordinates are made on a tangent plane on the ground, in ellipsoid lengths
or on a named grid, then turned, shifted and written in the site unit.
"""

from __future__ import annotations

import struct
from typing import Callable, Optional, Sequence, Tuple

import numpy as np
import pyproj

from sitetie.core import Control, Observation, Pair

METRES = {"m": 1.0, "ft": 0.3048, "us-ft": 1200.0 / 3937.0}
#: Mean radius of the earth in round figures, metres: for expected values only.
EARTH = 6_371_000.0

#: (latitude, longitude): both hemispheres, the equator, and astride the antimeridian.
PLACES = {
    "inland": (48.789, 14.932),
    "south": (-33.93, 18.86),
    "antimeridian": (-17.75, 179.9985),
    "equator": (0.001, -78.5),
    "north": (68.4, 17.4),
}

SQUARE = np.array([[-400.0, -300.0], [420.0, -310.0], [390.0, 330.0], [-410.0, 320.0],
                   [30.0, 20.0], [100.0, -250.0], [-150.0, 180.0], [260.0, 90.0]])


def geodetic(place: Tuple[float, float], offsets: np.ndarray, height) -> np.ndarray:
    """(n, 3) latitude, longitude, height of ground offsets (metres east, north) about a place.

    The offsets are measured on the ground: on the tangent plane at the height of the middle.
    """
    height = np.broadcast_to(np.asarray(height, dtype=float), len(offsets))
    level = float(np.mean(height))
    plane = topocentric(place, level)
    east, north = offsets.T
    # A point of the plane lies above the ellipsoid by the curvature: lowered back to its height.
    up = height - level - (east**2 + north**2) / (2.0 * EARTH)
    longitude, latitude, _ = plane.transform(east, north, up, direction="INVERSE")
    return np.column_stack([latitude, longitude, height])


def topocentric(place: Tuple[float, float], level: float) -> pyproj.Transformer:
    return pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad +step +proj=cart "
        f"+ellps=WGS84 +step +proj=topocentric +ellps=WGS84 +lat_0={place[0]!r} "
        f"+lon_0={place[1]!r} +h_0={level!r}"
    )


def utm_zone(place: Tuple[float, float]) -> int:
    return int((place[1] + 180.0) // 6.0) + 1


def on_utm(place: Tuple[float, float]) -> Callable[[np.ndarray], np.ndarray]:
    """Easting, northing in metres of the UTM zone of a place, of (n, 3) positions."""
    grid = pyproj.Proj(f"+proj=utm +zone={utm_zone(place)} +ellps=WGS84")
    return lambda at: np.column_stack(grid(at[:, 1], at[:, 0]))


def on_ellipsoid(place: Tuple[float, float]) -> Callable[[np.ndarray], np.ndarray]:
    """Plane coordinates in ellipsoid lengths: azimuthal equidistant about a place."""
    grid = pyproj.Proj(f"+proj=aeqd +lat_0={place[0]} +lon_0={place[1]} +ellps=WGS84")
    return lambda at: np.column_stack(grid(at[:, 1], at[:, 0]))


def turned(plane: np.ndarray, degrees: float, unit: str = "m", scale: float = 1.0) -> np.ndarray:
    """Site coordinates of plane ones: counter-clockwise turn, shift, unit."""
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    middle = plane.mean(axis=0)
    return (scale * (plane - middle) @ turn.T + [2000.0, 5000.0]) / METRES[unit]


def pairs_of(
    positions: np.ndarray,
    control: np.ndarray,
    elevation: Optional[np.ndarray] = None,
    *,
    roles: Sequence[str] = (),
    vertical: Sequence[str] = (),
    unit: str = "m",
    sigma: float = 0.003,
    noise: Optional[np.random.Generator] = None,
) -> Tuple[Pair, ...]:
    """Pairs M1, M2, ... at (n, 3) positions with (n, 2) control; elevations default to heights.

    `sigma` is stated in metres for control and observations, horizontally; twice it for heights.
    With a generator, noise of those sizes is put on the control.
    """
    count = len(positions)
    elevation = positions[:, 2] / METRES[unit] if elevation is None else elevation
    control, elevation = np.array(control), np.array(elevation)
    if noise is not None:
        spread = np.sqrt(2.0) * sigma / METRES[unit]
        control = control + spread * noise.normal(size=control.shape)
        elevation = elevation + 2.0 * spread * noise.normal(size=count)
    roles = list(roles) or ["fit"] * count
    vertical = list(vertical) or roles
    return tuple(
        Pair(
            Control(f"M{i + 1}", *map(float, control[i]), float(elevation[i]), sigma, 2.0 * sigma),
            Observation(f"g{i + 1}", *map(float, positions[i]), sigma_e=sigma, sigma_n=sigma,
                        sigma_u=2.0 * sigma),
            roles[i], vertical[i],
        )
        for i in range(count)
    )


def ground_site(
    place: Tuple[float, float],
    offsets: np.ndarray = SQUARE,
    height=1200.0,
    rotation: float = 23.7,
    unit: str = "m",
    **more,
) -> Tuple[Pair, ...]:
    """Pairs of a site laid out in ground lengths."""
    positions = geodetic(place, offsets, height)
    return pairs_of(positions, turned(offsets, rotation, unit), unit=unit, **more)


def write_geoid(path, south: float, west: float, level: float, north_slope: float,
                east_slope: float) -> None:
    """A geoid grid of 2 x 2 degrees as a .gtx file: a plane, slopes in metres per degree.

    Format: https://proj.org/ (grids, "gtx"): big-endian header of south, west, both steps as
    doubles, rows and columns as integers, then rows of floats from the south. From memory of the
    format; PROJ reading it back is the check.
    """
    step, count = 0.5, 5
    rows, columns = np.meshgrid(np.arange(count), np.arange(count), indexing="ij")
    values = level + north_slope * step * rows + east_slope * step * columns
    header = struct.pack(">4d2i", south, west, step, step, count, count)
    path.write_bytes(header + values.astype(">f4").tobytes())
