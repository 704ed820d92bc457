"""The truth behind an invented site: how its grid really lies on the earth.

Independent of the code that is to find it: only pyproj's Transverse Mercator is used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Dict, Tuple

import pyproj


@dataclass(frozen=True)
class SiteTruth:
    """How site coordinates follow from latitude, longitude and ellipsoidal height.

    With e, n in metres of a Transverse Mercator of scale 1 about (`latitude`, `longitude`):
    site = shift + scale * R * (e, n), R = [[cos, -sin], [sin, cos]] of `rotation_degree`;
    elevation = height - undulation - slope_east * e - slope_north * n. Site values in metres are
    then divided by `unit`.
    """

    crs: str
    latitude: float
    longitude: float
    rotation_degree: float
    scale: float
    shift: Tuple[float, float]  # of the base origin, metres
    undulation: float  # at the base origin, metres
    slope_east: float
    slope_north: float
    unit: float = 1.0  # metres in a unit of site coordinates and elevations

    def to_geodetic(
        self, easting: float, northing: float, elevation: float
    ) -> Tuple[float, float, float]:
        """Latitude, longitude (degrees) and ellipsoidal height (metres) of a site position."""
        x = (easting * self.unit - self.shift[0]) / self.scale
        y = (northing * self.unit - self.shift[1]) / self.scale
        turn = math.radians(self.rotation_degree)
        e = math.cos(turn) * x + math.sin(turn) * y
        n = math.cos(turn) * y - math.sin(turn) * x
        longitude, latitude = self._projection()(e, n, inverse=True)
        height = elevation * self.unit + self.undulation
        return latitude, longitude, height + self.slope_east * e + self.slope_north * n

    def degrees_of(self, east: float, north: float) -> Tuple[float, float]:
        """Degrees of latitude and longitude for small local metres north and east."""
        ellipsoid = pyproj.Geod(ellps="GRS80")
        sine = math.sin(math.radians(self.latitude))
        w = math.sqrt(1.0 - ellipsoid.es * sine * sine)
        prime = ellipsoid.a / w
        meridian = ellipsoid.a * (1.0 - ellipsoid.es) / w**3
        return (
            math.degrees(north / meridian),
            math.degrees(east / (prime * math.cos(math.radians(self.latitude)))),
        )

    def _projection(self) -> pyproj.Proj:
        return pyproj.Proj(
            proj="tmerc", lat_0=self.latitude, lon_0=self.longitude, k=1, ellps="GRS80"
        )

    def described(self) -> Dict[str, object]:
        """The truth as plain values for a JSON file."""
        return {
            "observation_crs": self.crs,
            "base": (
                f"+proj=tmerc +lat_0={self.latitude} +lon_0={self.longitude} +k=1 +ellps=GRS80"
            ),
            "equation": (
                "site = shift + scale * [[cos, -sin], [sin, cos]] * (e, n); elevation = height - "
                "undulation - slope_east * e - slope_north * n; metres, then divided by unit"
            ),
            "rotation_degree": self.rotation_degree,
            "rotation_sense": (
                "positive: the bearing of a line in the site grid is smaller than in the base by "
                "this angle"
            ),
            "scale": self.scale,
            "shift_metre": list(self.shift),
            "undulation_metre": self.undulation,
            "slope_east": self.slope_east,
            "slope_north": self.slope_north,
            "unit_metre": self.unit,
        }
