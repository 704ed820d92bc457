"""The coordinates of a layer to the site and back, in three dimensions."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property
from typing import Callable, Optional, Tuple

import numpy as np

from .errors import FrameError, InputError
from .geoid import Geoid, open_geoid
from .layer_pipeline import layer_plane, usual_height
from .reframe import Reframing, near_in, reframing
from .tie import Tie
from .units import length_unit

#: Sideways shift for 100 m of height, metres, from which it is told.
TOLD_SHIFT = 5e-4

Coordinates = Tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class LayerWay:
    """From x, y, z of a layer to easting, northing, elevation of a tie, and back.

    Attributes
    ----------
    tie : Tie
    way : Reframing
        From the layer to the frame of the tie.
    near : (x, y)
        A place of the layer.
    height : float
        Ellipsoidal height in the frame of the tie, metres, of points whose height is unknown.
        It is felt only where a change of frame or the base plane depends on heights.
    metres : float or None
        Metres in one unit of the layer's heights; None where z is no height to be changed: it
        then stays as it is.
    reduced_by : Geoid or None
        Geoid by which the layer's heights are reduced; None for ellipsoidal ones.
    """

    tie: Tie
    way: Reframing
    near: Tuple[float, float]
    height: float = 0.0
    metres: Optional[float] = None
    reduced_by: Optional[Geoid] = None

    def __post_init__(self) -> None:
        if self.metres is not None and self.tie.vertical is None:
            raise InputError(
                f"The tie {self.tie.short_id} has no vertical part, so it cannot change heights.",
                "Solve it with a vertical model, or leave Z as it is.",
            )

    @property
    def feels_height(self) -> bool:
        """Whether plane positions depend on heights."""
        return self.way.needs_heights or self.tie.base.depends_on_height

    def to_site(self, x, y, z) -> Coordinates:
        """Site coordinates.

        Parameters
        ----------
        x, y, z : (n,) arrays
            As the layer has them; z may be NaN.

        Raises
        ------
        InputError, FrameError
            When a position cannot be carried over, or a geoid grid does not cover it.
        """
        known = np.isfinite(z) & (self.metres is not None)
        level = np.where(known, z * (self.metres or 1.0), self._usual_level)
        latitude, longitude, height = self.way(x, y, level)
        if self.reduced_by is not None and known.any():
            height = height + self._undulation(latitude, longitude, known)
        height = np.where(known, height, self.height)
        easting, northing, elevation = self._site(latitude, longitude, height, known)
        return easting, northing, np.where(known, elevation, z)

    def to_layer(self, easting, northing, elevation) -> Coordinates:
        """x, y, z of site coordinates, as `to_site` takes them; elevations may be NaN."""
        known = np.isfinite(elevation) & (self.metres is not None)
        base = self.tie.site_to_base(easting, northing)
        height = np.full(len(known), self.height)
        latitude, longitude = self.tie.base.to_geodetic(base[0], base[1], height)
        if known.any():
            found = self.tie.to_geodetic(easting[known], northing[known], elevation[known])
            latitude[known], longitude[known], height[known] = found
        if self.reduced_by is not None and known.any():
            height = height - self._undulation(latitude, longitude, known)
        x, y, level = self.way.back(latitude, longitude, height)
        return x, y, np.where(known, level / (self.metres or 1.0), elevation)

    @cached_property
    def _usual_level(self) -> float:
        """The usual height, on the datum of the layer."""
        x, y = (np.array([value]) for value in self.near)
        latitude, longitude, _ = self.way(x, y, np.array([self.height]))
        return float(self.way.back(latitude, longitude, np.array([self.height]))[2][0])

    def _undulation(self, latitude, longitude, known) -> np.ndarray:
        assert self.reduced_by is not None
        found = np.zeros(len(known))
        found[known] = self.reduced_by.undulation(latitude[known], longitude[known])
        return found

    def _site(self, latitude, longitude, height, known) -> Coordinates:
        if known.all():
            return self.tie.to_site(latitude, longitude, height)
        # The geoid of the tie need not reach points without heights.
        easting, northing, elevation = self._in_plan.to_site(latitude, longitude, height)
        if known.any():
            elevation[known] = self.tie.to_site(
                latitude[known], longitude[known], height[known])[2]
        return easting, northing, elevation

    @cached_property
    def _in_plan(self) -> Tie:
        return dataclasses.replace(self.tie, vertical=None)


def layer_way(
    tie: Tie, crs: str, first: Tuple[float, float], *, on_site: bool = False,
    height: Optional[float] = None, height_unit: Optional[str] = None,
    height_geoid: Optional[str] = None, datum_operation: Optional[str] = None,
    epoch: Optional[float] = None, say: Callable[[str], None] = lambda sentence: None,
) -> LayerWay:
    """Find the way between a layer's CRS and a tie.

    Parameters
    ----------
    first : (x, y)
        One of the layer's places; a site position where `on_site`.
    height : float, optional
        As `LayerWay.height`; left out, the middle of the heights of the tie's observations.
    height_unit : str, optional
        Of the layer's heights; left out, Z is no height and stays.
    height_geoid : str, optional
        Grid by which the layer's heights are reduced.
    datum_operation, epoch
        As in `reframing`; the epoch left out is that of the tie.
    say : callable
        Takes sentences that a person should read.

    Raises
    ------
    InputError, FrameError
    """
    if height is None:
        height = usual_height(tie)
    known = 0.0 if height is None else height
    near = first
    if on_site:
        base = tie.site_to_base(*first)
        near = near_in(crs, *map(float, tie.base.to_geodetic(base[0], base[1], known)))
    way = reframing(
        crs, tie.settings.observation_crs, (*near, known), datum_operation=datum_operation,
        epoch=tie.settings.observation_epoch if epoch is None else epoch,
    )
    geoid = open_geoid(height_geoid) if height_geoid else None
    if height_unit is not None and way.heights_open and geoid is None:
        raise FrameError(
            "The map CRS has heights of its own, which are not ellipsoidal metres.",
            "Name the geoid grid by which they are made, or leave Z as it is.",
        )
    for caution in way.cautions:
        say(caution)
    found = LayerWay(tie, way, near, known,
                     None if height_unit is None else length_unit(height_unit).metres, geoid)
    shift = layer_plane(tie, way, near, known).per_100_m if found.feels_height else 0.0
    if shift > TOLD_SHIFT:
        say(f"Places depend on heights here. Where they are unknown, an ellipsoidal height of "
            f"{known:.1f} m is taken; a point 100 m higher or lower then comes out "
            f"{shift * 1000.0:.1f} mm beside its place.")
    return found
