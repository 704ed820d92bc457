"""Positions in every form people have them: typed angles, geocentric X, Y, Z, map coordinates.

Geocentric and map coordinates come back in the geodetic CRS of their own datum, which is named
beside them; no datum is ever changed here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import List, Tuple, Union

import numpy as np
import pyproj

from .angles import format_angle, parse_angle, parse_latitude_longitude
from .errors import FrameError, InputError
from .frames import geographic_crs, parse_crs, transformer
from .numerals import parse_number

__all__ = [
    "GeodeticCoordinates",
    "format_angle",
    "geocentric_to_geodetic",
    "geodetic_to_geocentric",
    "parse_angle",
    "parse_latitude_longitude",
    "parse_number",
    "projected_to_geodetic",
]

#: How closely (in CRS units) map coordinates must come back after unprojecting and projecting.
CLOSURE = 0.001

Numbers = Union[float, np.ndarray]


@dataclass(frozen=True)
class GeodeticCoordinates:
    """Latitudes and longitudes with the CRS they are in.

    Attributes
    ----------
    latitude, longitude : float or array
        Degrees, north and east positive; longitude from the CRS's own prime meridian.
    height : float, array or None
        Ellipsoidal height in metres; None for map coordinates, which carry none.
    crs : str
        Authority code such as ``EPSG:4979``, or WKT where it has none.
    crs_name : str
    """

    latitude: Numbers
    longitude: Numbers
    height: Union[float, np.ndarray, None]
    crs: str
    crs_name: str


def geocentric_to_geodetic(x: Numbers, y: Numbers, z: Numbers, crs: str) -> GeodeticCoordinates:
    """Latitude, longitude and ellipsoidal height of geocentric coordinates in metres.

    Parameters
    ----------
    x, y, z : float or array
    crs : str
        The frame: a geocentric CRS (``EPSG:4978``) or the geographic one of the same datum.

    Raises
    ------
    FrameError
        When the CRS is unknown or neither geocentric nor geographic.
    InputError
        When a coordinate is not finite or lies at the centre of the earth.
    """
    x, y, z = _finite(("X", x), ("Y", y), ("Z", z))
    distance = np.sqrt(x**2 + y**2 + z**2)
    if np.any(distance < 6e6) or np.any(distance > 7e6):
        raise InputError(
            "The geocentric coordinates are not near the surface of the earth: "
            f"{np.min(distance) / 1000.0:.0f} to {np.max(distance) / 1000.0:.0f} km from its "
            "centre.",
            "Give X, Y, Z in metres.",
        )
    geodetic, cartesian = _geocentric(crs)
    longitude, latitude, height = cartesian.transform(x, y, z, direction="INVERSE")
    return in_crs(latitude, longitude, height, geodetic)


def geodetic_to_geocentric(
    latitude: Numbers, longitude: Numbers, height: Numbers, crs: str
) -> Tuple[Numbers, Numbers, Numbers]:
    """Geocentric X, Y, Z in metres; the inverse of `geocentric_to_geodetic`.

    Raises
    ------
    FrameError, InputError
        As there.
    """
    values = _finite(("latitude", latitude), ("longitude", longitude), ("height", height))
    _, cartesian = _geocentric(crs)
    return cartesian.transform(values[1], values[0], values[2])


def projected_to_geodetic(easting: Numbers, northing: Numbers, crs: str) -> GeodeticCoordinates:
    """Latitude and longitude of map coordinates, in the geographic CRS under the projection.

    Parameters
    ----------
    easting, northing : float or array
        In the unit of the CRS, whatever its axis order. For a CRS with westing and southing
        give the negative of each.
    crs : str
        A projected CRS, or a compound one with a projected part.

    Raises
    ------
    FrameError
        When the CRS is unknown or not projected.
    InputError
        When a coordinate is not finite or cannot be unprojected.
    """
    easting, northing = _finite(("easting", easting), ("northing", northing))
    order, signs, geodetic, projection = _projection(crs)
    plane = (easting, northing)
    given = [sign * plane[slot] for slot, sign in zip(order, signs)]
    angles = projection.transform(*given, direction="INVERSE")
    again = projection.transform(*angles)
    # PROJ answers far outside a projection's reach too: only what comes back is an answer.
    bad = ~(np.maximum(*np.abs(np.subtract(again, given))) < CLOSURE)
    if np.any(bad):
        raise InputError(
            f"Easting {np.extract(bad, easting)[0]}, northing {np.extract(bad, northing)[0]} lie "
            f"outside what {crs} can compute.",
            "Check the coordinates, their unit and the CRS.",
        )
    degrees = {
        axis.direction: angle * math.degrees(axis.unit_conversion_factor)
        for axis, angle in zip(geodetic.axis_info, angles)
    }
    return in_crs(degrees["north"], degrees["east"], None, geodetic)


@lru_cache(maxsize=64)
def _geocentric(crs: str) -> Tuple[pyproj.CRS, pyproj.Transformer]:
    """The geographic CRS of the frame, and longitude, latitude, height → X, Y, Z on it."""
    frame = parse_crs(crs, "frame of the geocentric coordinates")
    if frame.is_geocentric:
        form = frame.to_json_dict()
        form["type"] = "GeographicCRS"
        form["coordinate_system"] = pyproj.CRS("EPSG:4979").to_json_dict()["coordinate_system"]
        form.pop("id", None)
        geodetic = pyproj.CRS.from_json_dict(form)
    else:
        geodetic = geographic_crs(crs, "frame of the geocentric coordinates")
    if geodetic.prime_meridian is not None and geodetic.prime_meridian.longitude != 0.0:
        raise FrameError(
            f"{geodetic.name} counts longitude from {geodetic.prime_meridian.name}, which "
            "geocentric coordinates do not.",
            "Name a CRS that counts from Greenwich.",
        )
    ellipsoid = geodetic.ellipsoid
    assert ellipsoid is not None  # every geographic CRS has one
    cartesian = transformer(
        "proj=pipeline step proj=unitconvert xy_in=deg xy_out=rad step proj=cart "
        f"a={ellipsoid.semi_major_metre!r} b={ellipsoid.semi_minor_metre!r}"
    )
    return geodetic, cartesian


@lru_cache(maxsize=64)
def _projection(crs: str):
    """Which of easting (0) and northing (1) each axis takes, its sign, the geodetic CRS, and the
    transformer from latitude, longitude in that CRS's own unit to the axes."""
    projected = parse_crs(crs, "CRS of the map coordinates")
    if projected.is_compound:
        projected = projected.sub_crs_list[0]
    geodetic = projected.geodetic_crs
    if not projected.is_projected or geodetic is None:
        raise FrameError(
            f"{projected.name} is a {projected.type_name}, not a projected CRS.",
            "Name the projected CRS that the map coordinates are in, such as EPSG:25832.",
        )
    slots = {"east": (0, 1.0), "west": (0, -1.0), "north": (1, 1.0), "south": (1, -1.0)}
    axes = [slots.get(axis.direction, (-1, 0.0)) for axis in projected.axis_info[:2]]
    if {slot for slot, _ in axes} != {0, 1}:
        # Polar axes both run along meridians: only their names tell easting from northing.
        names = {"easting": (0, 1.0), "northing": (1, 1.0)}
        axes = [names.get(axis.name.lower(), (-1, 0.0)) for axis in projected.axis_info[:2]]
    if {slot for slot, _ in axes} != {0, 1}:
        raise FrameError(
            f"The axes of {projected.name} are not an easting and a northing.",
            "Name a projected CRS with an easting and a northing.",
        )
    order, signs = zip(*axes)
    return order, signs, geodetic, pyproj.Transformer.from_crs(geodetic, projected)


def _finite(*named: Tuple[str, Numbers]) -> List[np.ndarray]:
    """The values as arrays of doubles, refused when one is not finite."""
    arrays = []
    for name, values in named:
        array = np.asarray(values, dtype=float)
        if not np.all(np.isfinite(array)):
            raise InputError(f"{name} has a value that is not finite.", "Give finite numbers.")
        arrays.append(array)
    return arrays


def in_crs(latitude, longitude, height, geodetic: pyproj.CRS) -> GeodeticCoordinates:
    """Positions with the CRS they are in, by its code or, where it has none, its WKT."""
    authority = geodetic.to_authority()
    crs = ":".join(authority) if authority else geodetic.to_wkt()
    return GeodeticCoordinates(latitude, longitude, height, crs, geodetic.name)
