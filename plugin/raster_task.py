"""From a raster, a tie and what a person wants to what GDAL has to do."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, Optional, Tuple

import numpy as np
import pyproj

from ..core.errors import FrameError, InputError
from ..core.frames import transformer
from ..core.geoid import open_geoid
from ..core.layer_pipeline import LayerPlane, layer_plane, usual_height
from ..core.reframe import Reframing, near_in, reframing
from ..core.site_grid import (
    Bounds,
    PlaneWay,
    bounds_on_site,
    cell_at,
    rounded_cell,
    site_grid,
)
from ..core.surface import HeightChange
from ..core.tie import Tie
from ..core.units import length_unit
from .raster_on_site import RasterChoices, Task
from .raster_source import RasterSource

#: Sideways shift by height, in cells for 100 m, from which it is told.
TOLD_SHIFT = 0.01
#: Names of units that files use, besides our own.
_ALSO_CALLED = {"m": ("meter", "meters"), "ft": (), "us-ft": ("us_survey_foot", "ftus")}
#: Points along each side by which an extent in another CRS is found.
ALONG = 51


@dataclass(frozen=True)
class RasterWish:
    """What a person wants.

    Attributes
    ----------
    choices : RasterChoices
    as_surface : bool
        Whether the values are heights that become elevations.
    cell : float or None
        Site units; None for about that of the raster.
    extent : ((west, south, east, north), CRS or None) or None
        In site coordinates where no CRS is named; None for all of the raster.
    aligned : bool
    height : float or None
        Ellipsoidal height of the ground in the frame of the tie, metres.
    height_unit : str
    height_geoid, datum_operation : str or None
    epoch : float or None
    """

    choices: RasterChoices
    as_surface: bool = False
    cell: Optional[float] = None
    extent: Optional[Tuple[Bounds, Optional[str]]] = None
    aligned: bool = True
    height: Optional[float] = None
    height_unit: str = "m"
    height_geoid: Optional[str] = None
    datum_operation: Optional[str] = None
    epoch: Optional[float] = None


def raster_task(
    tie: Tie, source: RasterSource, wish: RasterWish, path: str, say: Callable[[str], None]
) -> Task:
    """Find the way and the grid.

    Parameters
    ----------
    path : str
        What the warper is to read.
    say : callable
        Takes sentences that a person should read.

    Raises
    ------
    InputError, FrameError, GeometryError
    """
    _refuse_format(source, wish)
    height = wish.height if wish.height is not None else usual_height(tie)
    near = source.placed.middle if wish.extent is None else _near(tie, source, wish.extent)
    way = reframing(
        source.crs, tie.settings.observation_crs,
        (*near, float("nan") if height is None else height),
        datum_operation=wish.datum_operation,
        epoch=wish.epoch if wish.epoch is not None else tie.settings.observation_epoch,
    )
    for caution in way.cautions:
        say(caution)
    plane = layer_plane(tie, way, near, 0.0 if height is None else height)
    there, back = _ways(plane)
    bounds = (bounds_on_site(source.placed, there, back) if wish.extent is None
              else _on_site(tie, wish.extent))
    if wish.extent is not None:
        _refuse_apart(source, bounds, back)
    own = cell_at(source.placed, near, there)
    grid = site_grid(bounds, rounded_cell(own) if wish.cell is None else wish.cell, wish.aligned)
    _tell_shift(plane, own * tie.settings.site_length.metres, height is None, say)
    change = None
    if wish.as_surface:
        change = _height_change(tie, source, way, wish, plane.height)
        _tell_unit(source.unit, wish.height_unit, say)
        if wish.choices.resampling != "bilinear":
            say("Only bilinear resampling keeps elevations to a millimetre on a slope.")
    wkt = tie.crs_wkt()
    return Task(source, path, plane.pipeline, own, grid, wkt, change, wish.choices,
                {"SITE_GRID_TIE": tie.id, "SITE_GRID_WKT": wkt})


def _height_change(
    tie: Tie, source: RasterSource, way: Reframing, wish: RasterWish, height: float
) -> HeightChange:
    geoid = open_geoid(wish.height_geoid) if wish.height_geoid else None
    if (way.heights_open or source.has_vertical_crs) and geoid is None:
        raise FrameError(
            "The CRS of the raster names a height system of its own, so the values are not "
            "ellipsoidal heights.",
            "Name the geoid grid by which they were made; if they are ellipsoidal after all, save "
            "the raster with a CRS without heights.",
        )
    return HeightChange(tie, way, length_unit(wish.height_unit).metres, geoid, height)


def _tell_unit(said: str, taken: str, say: Callable[[str], None]) -> None:
    unit = length_unit(taken)
    if said and said.lower() not in (unit.code, unit.name.lower(), unit.plural.lower(),
                                     *_ALSO_CALLED[taken]):
        say(f"The file says that its values are in {said!r}; they are taken as {unit.plural}.")


def _ways(plane: LayerPlane) -> Tuple[PlaneWay, PlaneWay]:
    made = transformer(plane.pipeline)

    def there(x, y):
        return made.transform(x, y, errcheck=False)

    def back(easting, northing):
        return made.transform(easting, northing, direction="INVERSE", errcheck=False)

    return there, back


def _near(
    tie: Tie, source: RasterSource, extent: Tuple[Bounds, Optional[str]]
) -> Tuple[float, float]:
    """Roughly the middle of an extent, as x, y of the raster: as if all were on one datum."""
    (west, south, east, north) = _on_site(tie, extent)
    latitude, longitude, _ = tie.to_geodetic((west + east) / 2.0, (south + north) / 2.0)
    x, y = near_in(source.crs, latitude, longitude)
    if pyproj.CRS.from_user_input(source.crs).is_geographic:
        x += 360.0 * round((source.placed.middle[0] - x) / 360.0)
    return x, y


def _on_site(tie: Tie, extent: Tuple[Bounds, Optional[str]]) -> Bounds:
    """The extent in site coordinates."""
    (west, south, east, north), crs = extent
    if crs is None:
        return west, south, east, north
    share = np.linspace(0.0, 1.0, ALONG)
    sides = np.concatenate([np.stack([share, 0 * share]), np.stack([share, 0 * share + 1.0]),
                            np.stack([0 * share, share]), np.stack([0 * share + 1.0, share])], 1)
    x, y = west + (east - west) * sides[0], south + (north - south) * sides[1]
    # An extent is a wish, not a measurement: its datum may be taken as that of the tie.
    latitude, longitude, _ = reframing(
        crs, tie.settings.observation_crs, (float(x[0]), float(y[0]), 0.0),
        datum_operation="identical",
    )(x, y, np.full(len(x), np.nan))
    easting, northing, _ = tie.to_site(latitude, longitude)
    return (float(easting.min()), float(northing.min()),
            float(easting.max()), float(northing.max()))


def _refuse_apart(source: RasterSource, bounds: Bounds, back: PlaneWay) -> None:
    west, south, east, north = bounds
    grid = np.linspace(0.0, 1.0, ALONG)
    easting, northing = np.meshgrid(west + (east - west) * grid, south + (north - south) * grid)
    column, row = source.placed.cell_of(*back(easting.ravel(), northing.ravel()))
    first, last = np.array([column.min(), row.min()]), np.array([column.max(), row.max()])
    if np.any(first > (source.placed.columns, source.placed.rows)) or np.any(last < 0.0):
        raise InputError(
            "The extent does not meet the raster.", "Check that it is in site coordinates.")


def _tell_shift(plane: LayerPlane, cell: float, unknown: bool, say: Callable[[str], None]) -> None:
    """Say what heights do to places, where that is felt. `cell` in metres."""
    if plane.per_100_m <= TOLD_SHIFT * cell:
        return
    at = "0 m, because the tie knows none" if unknown else f"{plane.height:.1f} m"
    say(f"Places depend on heights here: the raster is carried over at an ellipsoidal height of "
        f"{at}; ground 100 m higher or lower comes out {plane.per_100_m * 1000.0:.1f} mm beside "
        "its place.")


def _refuse_format(source: RasterSource, wish: RasterWish) -> None:
    choices = wish.choices
    if choices.compression == "JPEG" and not (
            choices.format == "cog" and source.is_byte and source.bands in (1, 3)):
        raise InputError(
            "JPEG is offered for Cloud Optimized GeoTIFFs with one or three bands of 8 bits.",
            "Choose another compression.",
        )
    nodata = choices.nodata
    if nodata is not None and not wish.as_surface and not source.holds(nodata):
        raise InputError(
            f"The raster's data type cannot hold {nodata:g} as its value for no data.",
            "Choose a value within its range.",
        )
