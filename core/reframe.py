"""Coordinates of a layer, in whatever CRS, as latitude, longitude, height in another frame."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import Optional, Tuple

import numpy as np
import pyproj

from .errors import FrameError, InputError
from .frames import (
    IDENTICAL,
    Operation,
    choose_operation,
    geographic_crs,
    is_ensemble,
    parse_crs,
    same_datum,
    transformer,
)
from .positions import CLOSURE, GeodeticCoordinates, geocentric_to_geodetic, in_crs

_ROLE = "CRS of the layer"


@dataclass(frozen=True)
class Reframing:
    """The way from a CRS to latitude, longitude, height in a geographic CRS.

    Attributes
    ----------
    source, target : str
        CRS as given, authority code or WKT.
    kind : str
        ``geographic``, ``projected`` or ``geocentric``.
    heights_open : bool
        Whether the CRS leaves open what a third coordinate is: it is compound, or has a vertical
        axis of its own that is not in metres.
    operation : Operation or None
        Change of datum; None where both stand on one datum.
    epoch : float or None
        Decimal year at which a time-dependent operation is applied.
    cautions : tuple of str
        Sentences a person should read.
    """

    source: str
    target: str
    kind: str
    heights_open: bool
    operation: Optional[Operation]
    epoch: Optional[float]
    cautions: Tuple[str, ...] = ()

    @property
    def needs_heights(self) -> bool:
        """Whether latitude and longitude depend on the height."""
        changes = self.operation is not None and self.operation.depends_on_height
        return changes or self.kind == "geocentric"

    def __call__(self, x, y, height) -> Tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Latitude, longitude in degrees and ellipsoidal height in metres.

        Parameters
        ----------
        x, y : (n,) arrays
            In the order of maps and GIS, whatever the CRS says: longitude, latitude; easting,
            northing (or westing, southing); geocentric X, Y.
        height : (n,) array
            Ellipsoidal metres, NaN where unknown; geocentric Z.

        Raises
        ------
        InputError
            When a position lies outside what the CRS can compute.
        FrameError
            When the operation does not cover a position.
        """
        if self.kind == "geocentric":
            found = geocentric_to_geodetic(x, y, height, self.source)
            latitude, longitude = np.asarray(found.latitude), np.asarray(found.longitude)
            height = np.asarray(found.height)
        elif self.kind == "projected":
            found = map_to_geodetic(x, y, self.source)
            latitude, longitude = np.asarray(found.latitude), np.asarray(found.longitude)
        else:
            latitude, longitude = np.asarray(y, dtype=float), np.asarray(x, dtype=float)
        if self.operation is None:
            return latitude, longitude, height
        arrays = [longitude, latitude, np.nan_to_num(height)]
        if self.operation.depends_on_time:
            arrays.append(np.full(len(longitude), self.epoch))
        # PROJ's Python side answers a single point with plain numbers.
        moved = [np.reshape(values, longitude.shape)
                 for values in transformer(self.operation.definition).transform(*arrays)]
        self._refuse_lost(np.isfinite(moved[:2]).all(axis=0), latitude, longitude, FrameError,
                          f"{self.operation.name} does not cover")
        return moved[1], moved[0], np.where(np.isnan(height), np.nan, moved[2])

    def back(self, latitude, longitude, height) -> Tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The other way: x, y as the layer has them, and ellipsoidal height on its datum.

        Parameters
        ----------
        latitude, longitude, height : (n,) arrays
            Degrees and metres in the target; the height may be NaN, and counts as 0 then where a
            change of datum feels it.

        Raises
        ------
        FrameError
            When the layer is geocentric, or the operation does not cover a position.
        InputError
            When a position lies outside what the CRS can compute.
        """
        if self.kind == "geocentric":
            raise FrameError(
                "Geocentric coordinates have no plane to go back to.",
                "Choose a geographic or projected CRS.",
            )
        latitude, longitude, height = (
            np.array(values, dtype=float) for values in (latitude, longitude, height))
        if self.operation is not None:
            latitude, longitude, height = self._back_over(latitude, longitude, height)
        if self.kind == "geographic":
            return longitude, latitude, height
        x, y = (np.reshape(values, longitude.shape) for values in
                layer_projection(self.source)[1].transform(longitude, latitude))
        self._refuse_lost(np.isfinite(x) & np.isfinite(y), latitude, longitude, InputError,
                          f"{parse_crs(self.source, _ROLE).name} cannot compute")
        return x, y, height

    def _back_over(self, latitude, longitude, height):
        """Over the change of datum, backwards. PROJ's inverse of a seven-parameter step is its
        transpose, off by up to a millimetre: what is missing there and back is added."""
        assert self.operation is not None
        made = transformer(self.operation.definition)
        time = [np.full(len(longitude), self.epoch)] if self.operation.depends_on_time else []
        wanted = np.stack([longitude, latitude, np.nan_to_num(height)])
        aim = wanted.copy()
        for _ in range(4):
            found = np.stack([np.reshape(values, longitude.shape) for values in
                              made.transform(*aim, *time, direction="INVERSE")[:3]])
            again = np.stack([np.reshape(values, longitude.shape) for values in
                              made.transform(*found, *time)[:3]])
            miss = wanted - again
            miss[0] = (miss[0] + 180.0) % 360.0 - 180.0
            aim = aim + miss
            if not np.any(np.abs(miss) > [[1e-13], [1e-13], [1e-8]]):
                break
        self._refuse_lost(np.isfinite(found[:2]).all(axis=0), latitude, longitude, FrameError,
                          f"{self.operation.name} does not cover")
        return found[1], found[0], np.where(np.isnan(height), np.nan, found[2])

    @staticmethod
    def _refuse_lost(known, latitude, longitude, kind, what: str) -> None:
        if not known.all():
            first = int(np.argmin(known))
            raise kind(
                f"{what} latitude {latitude[first]:.5f}, longitude {longitude[first]:.5f}.",
                "Choose another CRS or datum operation, or leave such points out.",
            )


def reframing(
    source: str,
    target: str,
    near: Tuple[float, float, float],
    *,
    datum_operation: Optional[str] = None,
    epoch: Optional[float] = None,
) -> Reframing:
    """Find the way from a CRS to a geographic one.

    Parameters
    ----------
    source : str
        Geographic in degrees, projected, geocentric, or compound of the first two.
    target : str
        Geographic CRS, in degrees.
    near : (x, y, height)
        One of the points, as `Reframing` takes them; the operation is chosen for that place.
    datum_operation : str, optional
        As `Settings.datum_operation`.
    epoch : float, optional
        Decimal year.

    Raises
    ------
    FrameError
        When a CRS is unknown or of another kind, or the change of datum would be a null one, a
        ballpark, good to a datum ensemble only, or time-dependent without an epoch.
    """
    goal = geographic_crs(target)
    given = parse_crs(source, _ROLE)
    plane = given.sub_crs_list[0] if given.is_compound else given
    kind = _kind(plane)
    geodetic = plane if kind == "geographic" else plane.geodetic_crs
    assert geodetic is not None  # all three kinds have one
    if kind == "geographic":
        geodetic = geographic_crs(plane.to_wkt(), _ROLE)
    text = source if plane is given else plane.to_wkt()
    vertical = plane.axis_info[2:]
    heights_open = given.is_compound or bool(
        kind != "geocentric" and vertical and vertical[0].unit_conversion_factor != 1.0)
    plain = Reframing(text, target, kind, heights_open, None, epoch)
    if datum_operation == IDENTICAL or same_datum(geodetic, goal):
        return plain
    if kind == "geocentric":
        geodetic = parse_crs(geocentric_to_geodetic(near[0], near[1], near[2], text).crs, _ROLE)
    latitude, longitude, _ = plain(*(np.array([value]) for value in near))
    operation = choose_operation(
        geodetic, goal, override=datum_operation, epoch=epoch,
        near=(float(latitude[0]), float(longitude[0])),
    )
    if datum_operation is None and (is_ensemble(geodetic) or is_ensemble(goal)):
        raise FrameError(
            f"The points are in {geodetic.name}, the tie takes {goal.name}. One of them is a "
            f"family of frames (a datum ensemble), so the change between them ({operation.name}) "
            "may be wrong by a metre or two.",
            'Set the CRS of the layer to the frame the points are really in. Or name the '
            'operation; "identical" says that both are one frame.',
        )
    found = Reframing(text, target, kind, heights_open, operation, epoch)
    return dataclasses.replace(found, cautions=operation.cautions + _said(found, near))


def near_in(crs: str, latitude: float, longitude: float) -> Tuple[float, float]:
    """Roughly where a position lies in a CRS, as `Reframing` takes it: as if on one datum.

    Raises
    ------
    FrameError
        When the CRS is unknown or has no coordinates there.
    """
    given = parse_crs(crs, _ROLE)
    plane = given.sub_crs_list[0] if given.is_compound else given
    if _kind(plane) == "geographic":
        return float(longitude), float(latitude)
    x, y = pyproj.Transformer.from_crs(plane.geodetic_crs, plane, always_xy=True).transform(
        longitude, latitude)[:2]
    if not np.isfinite([x, y]).all():
        raise FrameError(
            f"{plane.name} has no coordinates at latitude {latitude:.5f}, longitude "
            f"{longitude:.5f}.", "Choose a CRS that is made for the site.",
        )
    return float(x), float(y)


def _said(way: Reframing, near: Tuple[float, float, float]) -> Tuple[str, ...]:
    """What a change of datum does, in a sentence."""
    assert way.operation is not None
    known = way.operation.accuracy
    accuracy = "of unknown accuracy" if known is None else f"registered as good to {known:g} m"
    said = f"The points are carried over by {way.operation.name}, {accuracy}."
    _, _, height = way(*(np.array([value]) for value in near))
    if way.kind != "geocentric" and abs(height[0] - near[2]) > 0.001:
        said += (
            f" Heights are taken as ellipsoidal in the layer's own frame and change by "
            f"{height[0] - near[2]:.3f} m."
        )
    return (said,)


def _kind(crs: pyproj.CRS) -> str:
    for kind in ("geographic", "geocentric", "projected"):
        if getattr(crs, f"is_{kind}"):
            return kind
    raise FrameError(
        f"The {_ROLE} {crs.name} is a {crs.type_name}, which has no place on the earth.",
        "Choose the points as GNSS gave them, in a geographic or projected CRS.",
    )


@lru_cache(maxsize=64)
def layer_projection(crs: str) -> Tuple[pyproj.CRS, pyproj.Transformer]:
    """The geographic CRS under a projection, and longitude, latitude to map coordinates."""
    plane = parse_crs(crs, _ROLE)
    plane = plane.sub_crs_list[0] if plane.is_compound else plane
    under = plane.geodetic_crs
    if not plane.is_projected or under is None:
        raise FrameError(
            f"The {_ROLE} {plane.name} is a {plane.type_name}, not a projected CRS.",
            "Name the projected CRS that the map coordinates are in, such as EPSG:25832.",
        )
    authority = under.to_authority()
    geodetic = geographic_crs(
        ":".join(authority) if authority else under.to_wkt(),
        "geographic CRS under that of the layer",
    )
    return geodetic, pyproj.Transformer.from_crs(geodetic, plane, always_xy=True)


def map_to_geodetic(x, y, crs: str) -> GeodeticCoordinates:
    """Latitude and longitude of map coordinates as a layer has them, on their own datum.

    Parameters
    ----------
    x, y : float or (n,) array
        In the order and sense of GIS: easting and northing, but westing and southing where the
        axes of the CRS run that way. `positions.projected_to_geodetic` takes typed coordinates.

    Raises
    ------
    FrameError
        When the CRS is unknown, not projected, or not over degrees.
    InputError
        When the coordinates do not come back: PROJ answers far outside a projection's reach too.
    """
    geodetic, projection = layer_projection(crs)
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    longitude, latitude = projection.transform(x, y, direction="INVERSE")
    again = projection.transform(longitude, latitude)
    miss = np.maximum(np.abs(again[0] - x), np.abs(again[1] - y))
    lost = ~(np.reshape(miss, x.shape) < CLOSURE)
    if lost.any():
        raise InputError(
            f"Map coordinates {np.extract(lost, x)[0]}, {np.extract(lost, y)[0]} lie outside what "
            f"{parse_crs(crs, _ROLE).name} can compute.",
            "Check the coordinates and the CRS of the layer.",
        )
    return in_crs(np.reshape(latitude, x.shape), np.reshape(longitude, x.shape), None, geodetic)
