"""What the tests of sitetie:raster share: made-up rasters with targets and slopes."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Callable, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np
from osgeo import gdal, gdal_array, osr

from sitetie.core import Tie
from sitetie.core.layer_pipeline import usual_height
from sitetie.core.reframe import Reframing, near_in, reframing


def write_raster(
    path: Path, bands: np.ndarray, transform: Sequence[float], crs: Optional[str],
    nodata: Optional[float] = None, alpha: bool = False,
) -> Path:
    """A GeoTIFF of (bands, rows, columns)."""
    kind = gdal_array.NumericTypeCodeToGDALTypeCode(bands.dtype)
    count, rows, columns = bands.shape
    options = ["PHOTOMETRIC=RGB"] if count >= 3 else []
    options += ["ALPHA=YES"] if alpha else []
    made = gdal.GetDriverByName("GTiff").Create(str(path), columns, rows, count, kind, options)
    if transform:
        made.SetGeoTransform(list(map(float, transform)))
    if crs:
        reference = osr.SpatialReference()
        reference.SetFromUserInput(crs)
        made.SetProjection(reference.ExportToWkt(["FORMAT=WKT2_2019"]))
    for number, band in enumerate(bands, start=1):
        made.GetRasterBand(number).WriteArray(band)
        if nodata is not None:
            made.GetRasterBand(number).SetNoDataValue(nodata)
    made.FlushCache()
    return path


class Written(NamedTuple):
    """A raster as it was written."""

    bands: np.ndarray
    west: float
    north: float
    cell: float
    dataset: gdal.Dataset

    def places(self) -> Tuple[np.ndarray, np.ndarray]:
        """Easting and northing of the middle of every cell."""
        rows, columns = self.bands.shape[1:]
        return np.meshgrid(self.west + (np.arange(columns) + 0.5) * self.cell,
                           self.north - (np.arange(rows) + 0.5) * self.cell)


def read_raster(path: Any) -> Written:
    dataset = gdal.Open(str(path))
    g = dataset.GetGeoTransform()
    assert (g[2], g[4], g[5]) == (0.0, 0.0, -g[1])
    bands = dataset.ReadAsArray()
    return Written(bands.reshape((-1, *bands.shape[-2:])), g[0], g[3], g[1], dataset)


class Ground(NamedTuple):
    """A raster's CRS and geotransform over a site, with the way from the site to its cells."""

    tie: Tie
    crs: str
    transform: Tuple[float, ...]
    way: Reframing
    height: float

    def cells(self, easting, northing) -> Tuple[np.ndarray, np.ndarray]:
        """Column and row, counted from the outer corner, of site positions; by the core alone."""
        easting, northing = (np.asarray(v, dtype=float).ravel() for v in (easting, northing))
        base = self.tie.site_to_base(easting, northing)
        latitude, longitude = self.tie.base.to_geodetic(*base, np.full(len(easting), self.height))
        x, y, _ = self.way.back(latitude, longitude, np.full(len(easting), self.height))
        if self.way.kind == "geographic":
            x = x + 360.0 * np.round((self.transform[0] - x) / 360.0)
        g = self.transform
        turned = g[1] * g[5] - g[2] * g[4]
        x, y = x - g[0], y - g[3]
        return (g[5] * x - g[2] * y) / turned, (g[1] * y - g[4] * x) / turned


def ground(
    tie: Tie, crs: str, cell: float, size: int, turned: float = 0.0,
    middle: Optional[Tuple[float, float]] = None, **frames: Any,
) -> Ground:
    """A square raster's place with the middle of the site's control in its middle.

    Parameters
    ----------
    cell : float
        In the units of the CRS.
    turned : float
        Degrees by which its columns are turned.
    middle : (easting, northing), optional
        Site coordinates of its middle.
    """
    height = usual_height(tie) or 0.0
    if middle is None:
        middle = middle_of(tie)
    latitude, longitude, _ = tie.to_geodetic(*middle)
    near = near_in(crs, latitude, longitude)
    way = reframing(crs, tie.settings.observation_crs, (*near, height), **frames)
    x, y, _ = (v[0] for v in way.back(
        *(np.array([v]) for v in (latitude, longitude, height))))
    cosine, sine = np.cos(np.radians(turned)) * cell, np.sin(np.radians(turned)) * cell
    half = size / 2.0
    corner = x - half * cosine - half * sine, y - half * sine + half * cosine
    transform = (corner[0], cosine, sine, corner[1], sine, -cosine)
    return Ground(tie, crs, transform, way, height)


def middle_of(tie: Tie) -> Tuple[float, float]:
    """Site coordinates of the middle of the control."""
    unit = tie.settings.site_length.metres
    return tie.horizontal.translation[0] / unit, tie.horizontal.translation[1] / unit


def paint(
    place: Ground, size: int, targets: Sequence[Tuple[float, float]], spread: float = 2.0
) -> np.ndarray:
    """(rows, columns) of 8 bits with a bell of light, `spread` cells wide, at each target."""
    column, row = place.cells(*np.transpose(targets))
    picture = np.zeros((size, size))
    middle = np.arange(size) + 0.5
    for c, r in zip(column, row):
        picture += np.outer(np.exp(-0.5 * ((middle - r) / spread) ** 2),
                            np.exp(-0.5 * ((middle - c) / spread) ** 2))
    return np.round(20.0 + 220.0 * np.minimum(picture, 1.0)).astype(np.uint8)


def measured(
    picture: np.ndarray, written: Written, target: Tuple[float, float], reach: float
) -> Tuple[float, float]:
    """Easting and northing of the middle of light within `reach` of where a target should be."""
    easting, northing = written.places()
    near = np.hypot(easting - target[0], northing - target[1]) < reach
    light = np.where(near, np.maximum(picture.astype(float) - 22.0, 0.0), 0.0)
    assert light.sum() > 0.0, "there is no target"
    return (float((light * easting).sum() / light.sum()),
            float((light * northing).sum() / light.sum()))


def targets_over(place: Ground, size: int, count: int = 5) -> List[Tuple[float, float]]:
    """Site coordinates spread over a raster, well inside its edges."""
    from scipy.optimize import fsolve

    shares = np.linspace(0.15, 0.85, count)
    start = middle_of(place.tie)
    found = []
    for i, share in enumerate(shares):
        wanted = np.array([share, shares[(2 * i + 1) % count]]) * size
        found.append(tuple(fsolve(
            lambda site, wanted=wanted: np.ravel(place.cells(site[0], site[1])) - wanted, start,
            xtol=1e-9)))
    return found


def slope(place: Ground, across: float, down: float, level: float) -> Callable:
    """A plane in the raster's own coordinates: height at columns and rows."""
    return lambda column, row: level + across * np.asarray(column) + down * np.asarray(row)
