"""The base projection: the frozen map plane between latitude/longitude and the site grid.

Whatever unit and axis order the named CRS has, the base plane is easting, northing in metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Optional, Sequence, Tuple, Union

import numpy as np
import pyproj

from .errors import FrameError
from .frames import (
    Operation,
    choose_operation,
    conversion_only,
    ensemble_caution,
    geographic_crs,
    projected_crs,
    transformer,
)

#: Step in metres for the differences behind scale and convergence: truncation and rounding both
#: stay near 1e-11.
DIFFERENCE_STEP = 100.0
Angles = Union[Sequence[float], np.ndarray]
_SIGNED_AXES = {"east": (0, 1), "west": (0, -1), "north": (1, 1), "south": (1, -1)}


@dataclass(frozen=True)
class BaseProjection:
    """A projection with everything needed to use it again, whatever PROJ's database says later.

    Attributes
    ----------
    crs : str
        The projected CRS as the settings name it (authority code or WKT).
    name : str
    pipeline : str
        PROJ pipeline: longitude, latitude in degrees, ellipsoidal height in metres of the
        observation frame → easting, northing in metres, height.
    ellipsoid : (float, float)
        Semi-major axis in metres and inverse flattening (0 for a sphere) of the observation CRS.
    operation : str
        What the step from the observation frame to the base datum is called.
    accuracy : float or None
        Of that step, metres.
    depends_on_height, depends_on_time : bool
        Whether the base plane feels the height or the epoch.
    epoch : float or None
    datum_operation : str or None
        The operation to the base datum as `Settings.datum_operation` would name it again; None
        when the observations stand on the base datum.
    cautions : tuple of str
    """

    crs: str
    name: str
    pipeline: str
    ellipsoid: Tuple[float, float]
    operation: str
    accuracy: Optional[float] = None
    depends_on_height: bool = False
    depends_on_time: bool = False
    epoch: Optional[float] = None
    datum_operation: Optional[str] = None
    cautions: Tuple[str, ...] = ()

    def to_base(self, latitude, longitude, height=None) -> Tuple[np.ndarray, np.ndarray]:
        """Base easting and northing in metres; degrees in, any shape.

        `height` (metres) matters only where `depends_on_height`. Positions PROJ cannot project
        come back as NaN.
        """
        first, second, _ = self._run(longitude, latitude, height, "FORWARD")
        return first, second

    def to_geodetic(self, easting, northing, height=None) -> Tuple[np.ndarray, np.ndarray]:
        """Latitude and longitude in degrees of base coordinates in metres.

        `height` is that of the observation frame, as in `to_base`.
        """
        if self.depends_on_height:
            return self._to_geodetic_with_height(easting, northing, height)
        longitude, latitude, _ = self._run(easting, northing, None, "INVERSE")
        if "proj=col_urban" in self.pipeline:
            # PROJ's way back is an approximation there (0.4 mm 13 km from the origin).
            there = self.to_base(latitude, longitude)
            longitude, latitude, _ = self._run(
                2.0 * np.asarray(easting) - there[0], 2.0 * np.asarray(northing) - there[1], None,
                "INVERSE",
            )
        return latitude, longitude

    def _to_geodetic_with_height(self, easting, northing, height):
        """Invert `to_base` by going there and back: the height is that of the other frame, and
        PROJ's inverse of a seven-parameter step is its transpose, off by up to a millimetre."""
        easting, northing, height = np.broadcast_arrays(
            np.asarray(easting, dtype=float), np.asarray(northing, dtype=float),
            np.asarray(0.0 if height is None else height, dtype=float),
        )
        e, n, h = easting, northing, height
        for _ in range(6):
            longitude, latitude, _ = self._run(e, n, h, "INVERSE")
            east, north, h = self._run(longitude, latitude, height, "FORWARD")
            miss_e, miss_n = easting - east, northing - north
            e, n = e + miss_e, n + miss_n
            if not np.any(np.hypot(miss_e, miss_n) > 1e-9):
                break
        return latitude, longitude

    def _run(self, first, second, height, direction):
        first = np.asarray(first, dtype=float)
        second = np.asarray(second, dtype=float)
        shape = np.broadcast_shapes(first.shape, second.shape, np.shape(height))
        arrays = [np.array(np.broadcast_to(a, shape), dtype=float, copy=True).ravel()
                  for a in (first, second, 0.0 if height is None else height)]
        if self.depends_on_time:
            arrays.append(np.full(arrays[0].shape, self.epoch, dtype=float))
        results = transformer(self.pipeline).transform(*arrays, direction=direction)[:3]
        out = []
        for values in results:
            values = np.asarray(values, dtype=float).reshape(shape)
            out.append(np.where(np.isfinite(values), values, np.nan))
        return out

    def jacobian(self, latitude, longitude, height=None) -> np.ndarray:
        """(..., 2, 2) base metres per metre on the ellipsoid towards local east and north.

        Columns are east, north; rows easting, northing. Central differences.
        """
        latitude = np.asarray(latitude, dtype=float)
        longitude = np.asarray(longitude, dtype=float)
        meridian, prime_vertical = self.radii(latitude)
        phi = np.radians(latitude)
        north = np.degrees(DIFFERENCE_STEP / meridian)
        east = np.degrees(DIFFERENCE_STEP / (prime_vertical * np.cos(phi)))
        columns = []
        for d_lat, d_lon in ((0.0, east), (north, 0.0)):
            high = self.to_base(latitude + d_lat, longitude + d_lon, height)
            low = self.to_base(latitude - d_lat, longitude - d_lon, height)
            difference = np.stack([high[0] - low[0], high[1] - low[1]], axis=-1)
            columns.append(difference / (2.0 * DIFFERENCE_STEP))
        # The parallel is curved by tan(phi) / N: its chord is shorter, felt towards the poles.
        chord = np.sinc(DIFFERENCE_STEP * np.tan(phi) / prime_vertical / np.pi)
        columns[0] = columns[0] / chord[..., None]
        return np.stack(columns, axis=-1)

    def radii(self, latitude) -> Tuple[np.ndarray, np.ndarray]:
        """Radii of curvature in the meridian (M) and prime vertical (N), metres."""
        semi_major, inverse_flattening = self.ellipsoid
        flattening = 1.0 / inverse_flattening if inverse_flattening else 0.0
        e2 = flattening * (2.0 - flattening)
        sine = np.sin(np.radians(np.asarray(latitude, dtype=float)))
        w2 = 1.0 - e2 * sine**2
        return semi_major * (1.0 - e2) / w2**1.5, semi_major / np.sqrt(w2)

    def point_scale(self, latitude, longitude) -> np.ndarray:
        """Point scale factor: base-grid length over ellipsoid length (root of the areal scale)."""
        return np.sqrt(np.abs(np.linalg.det(self.jacobian(latitude, longitude))))

    def convergence(self, latitude, longitude) -> np.ndarray:
        """Meridian convergence in degrees: azimuth of grid north, clockwise from true north.

        Positive east of the central meridian of a Transverse Mercator in the northern
        hemisphere, as PROJ and NGS have it; some national manuals use the opposite sign.
        """
        jacobian = self.jacobian(latitude, longitude)
        return np.degrees(np.arctan2(-jacobian[..., 0, 1], jacobian[..., 1, 1]))

    def elevation_factor(self, latitude, height) -> np.ndarray:
        """Ellipsoid length over length at ellipsoidal height (m): R / (R + h), R = sqrt(M N)."""
        meridian, prime_vertical = self.radii(latitude)
        radius = np.sqrt(meridian * prime_vertical)
        return radius / (radius + np.asarray(height, dtype=float))

    def combined_factor(self, latitude, longitude, height) -> np.ndarray:
        """Base-grid length over ground length: point scale times elevation factor."""
        return self.point_scale(latitude, longitude) * self.elevation_factor(latitude, height)

    def line_scale(self, latitude_1, longitude_1, latitude_2, longitude_2) -> np.ndarray:
        """Scale factor of the line between two points, by Simpson's rule on its point scales."""
        e1, n1 = self.to_base(latitude_1, longitude_1)
        e2, n2 = self.to_base(latitude_2, longitude_2)
        middle = self.to_geodetic((e1 + e2) / 2.0, (n1 + n2) / 2.0)
        inverse = (
            1.0 / self.point_scale(latitude_1, longitude_1)
            + 4.0 / self.point_scale(*middle)
            + 1.0 / self.point_scale(latitude_2, longitude_2)
        ) / 6.0
        return 1.0 / inverse


def local_transverse_mercator(
    observation_crs: str, latitudes: Angles, longitudes: Angles
) -> str:
    """WKT of a Transverse Mercator of scale 1 centred on the middle of the positions.

    The middle is the geocentric (spatial L1) median, rounded to 0.001 degrees: it works across
    the antimeridian and one mistyped longitude hardly moves it.
    """
    return _transverse_mercator(observation_crs, *middle(latitudes, longitudes))


@lru_cache(maxsize=64)
def _transverse_mercator(observation_crs: str, latitude: float, longitude: float) -> str:
    observed = geographic_crs(observation_crs)
    conversion = pyproj.crs.coordinate_operation.TransverseMercatorConversion(
        latitude_natural_origin=latitude, longitude_natural_origin=longitude,
        scale_factor_natural_origin=1.0,
    )
    crs = pyproj.crs.ProjectedCRS(
        conversion,
        name=f"Local Transverse Mercator at {latitude:.3f} {longitude:.3f}",
        geodetic_crs=observed,
    )
    return crs.to_wkt("WKT2_2019")


def middle(latitudes: Angles, longitudes: Angles) -> Tuple[float, float]:
    """Latitude, longitude of the geocentric median of positions, rounded to 0.001 degrees."""
    order = np.lexsort(np.stack([longitudes, latitudes]))  # the order of the pairs must not matter
    latitude = np.radians(np.asarray(latitudes, dtype=float)[order])
    longitude = np.radians(np.asarray(longitudes, dtype=float)[order])
    points = np.stack([np.cos(latitude) * np.cos(longitude),
                       np.cos(latitude) * np.sin(longitude), np.sin(latitude)], axis=1)
    centre = points.mean(axis=0)
    if len(points) > 2:
        for _ in range(200):  # Weiszfeld's iteration
            distance = np.maximum(np.linalg.norm(points - centre, axis=1), 1e-12)
            moved = (points / distance[:, None]).sum(axis=0) / (1.0 / distance).sum()
            if np.linalg.norm(moved - centre) < 1e-10:
                break
            centre = moved
    lat = np.degrees(np.arctan2(centre[2], np.hypot(centre[0], centre[1])))
    lon = np.degrees(np.arctan2(centre[1], centre[0]))
    return round(float(lat), 3), round(float(lon), 3)


@lru_cache(maxsize=64)
def base_projection(
    crs: str,
    observation_crs: str,
    *,
    datum_operation: Optional[str] = None,
    epoch: Optional[float] = None,
    near: Optional[Tuple[float, float]] = None,
) -> BaseProjection:
    """Make the base plane of a projected CRS for observations in a geographic CRS.

    Parameters
    ----------
    near : (latitude, longitude), optional
        Where the site lies, in degrees; the datum operation is chosen for that place and the
        projection is tried there.

    Raises
    ------
    FrameError
        See `frames.choose_operation`; also when the projection has no sensible plane there.
    """
    source = geographic_crs(observation_crs)
    target = projected_crs(crs)
    operation = choose_operation(
        source, target, override=datum_operation, epoch=epoch, near=near
    )
    ellipsoid = source.ellipsoid
    projection = BaseProjection(
        crs=crs,
        name=target.name,
        pipeline=_easting_northing_metres(operation, target),
        ellipsoid=(ellipsoid.semi_major_metre, ellipsoid.inverse_flattening),
        operation=operation.name,
        accuracy=operation.accuracy,
        depends_on_height=operation.depends_on_height,
        depends_on_time=operation.depends_on_time,
        epoch=epoch,
        datum_operation=operation.repeatable,
        cautions=ensemble_caution(source) + operation.cautions,
    )
    if near is not None:
        _try_there(projection, near)
    return projection


def projection_alone(crs: str) -> str:
    """Pipeline from the projected CRS's own longitude, latitude (its units) to the base plane."""
    target = projected_crs(crs)
    return _easting_northing_metres(conversion_only(target), target)


def axis_directions(target: pyproj.CRS) -> Tuple[str, str]:
    """Where the two axes of a projected CRS point: east, west, north or south."""
    axes = target.axis_info[:2]
    first, second = (axis.direction.lower() for axis in axes)
    if {_SIGNED_AXES.get(direction, (None,))[0] for direction in (first, second)} != {0, 1}:
        # Polar axes both point "south" or "north" along meridians: told apart by their letters.
        letters = [axis.abbrev for axis in axes]
        return ("north", "east") if letters == ["N", "E"] else ("east", "north")
    return first, second


def _easting_northing_metres(operation: Operation, target: pyproj.CRS) -> str:
    """The operation's pipeline, continued to easting, northing in metres."""
    directions = axis_directions(target)
    if directions == ("north", "east"):
        directions = ("east", "north")  # the pipeline already exchanges these two
    pipeline = operation.definition.strip()
    if not pipeline.startswith("proj=pipeline") and not pipeline.startswith("+proj=pipeline"):
        pipeline = f"proj=pipeline step {pipeline}"
    order = [0, 0]
    for position, direction in enumerate(directions):
        slot, sign = _SIGNED_AXES[direction]
        order[slot] = sign * (position + 1)
    if order != [1, 2]:
        pipeline += f" step proj=axisswap order={order[0]},{order[1]}"
    factor = target.axis_info[0].unit_conversion_factor
    if factor != 1.0:
        pipeline += f" step proj=unitconvert xy_in={factor!r} xy_out=m"
    return pipeline


def _try_there(projection: BaseProjection, near: Tuple[float, float]) -> None:
    jacobian = projection.jacobian(*near)
    if not np.all(np.isfinite(jacobian)):
        raise FrameError(
            f"The base projection {projection.name} cannot project latitude {near[0]:.4f}, "
            f"longitude {near[1]:.4f}.",
            "Choose a projection made for the site, or leave it out for a local one.",
        )
    scale = float(np.sqrt(abs(np.linalg.det(jacobian))))
    if np.linalg.det(jacobian) <= 0.0 or not 0.5 < scale < 2.0:
        raise FrameError(
            f"The base projection {projection.name} has a point scale of {scale:.4f} at the site; "
            "it is not made for that place.",
            "Choose a projection made for the site, or leave it out for a local one.",
        )
