#!/usr/bin/env python3
"""Paint the quarry's orthophoto, as a drone team would hand it over: in UTM, with painted targets.

    python3 sample_project/make_ortho.py [FOLDER]

Writes quarry/ortho.tif into FOLDER, by default beside this file. Needs numpy, pyproj and GDAL's
Python bindings. Invented like the ground it shows: flat colours with a seeded mottle, half-metre
pixels, ETRS89 / UTM zone 33N. Targets lie at the true places of the marks, quartered in black and
white, so that their centres can be measured.
"""

from __future__ import annotations

import argparse
import math
import os
from pathlib import Path
from typing import Dict, List, Sequence, Tuple

import numpy as np
import pyproj
import quarry_ground as ground
from osgeo import gdal, ogr, osr
from quarry_job import AXIS, MARKS, NOT_FOUND, TRUTH

SEED = 31
CRS = "EPSG:25833"
PIXEL = 0.5  # metres
MARGIN = 40.0  # metres round the marks
TARGET_RADIUS = 3.0  # metres; larger than life, so that it shows
SHADES = 4  # of every colour
MOTTLE = 16  # pixels across a patch of one shade
COLOURS: Dict[str, Tuple[int, int, int]] = {
    "meadow": (122, 142, 92), "rock": (168, 160, 148), "face": (120, 112, 102),
    "floor": (196, 186, 164), "pond": (74, 112, 128), "road": (214, 208, 194),
    "heap": (150, 132, 112), "black": (20, 20, 20), "white": (250, 250, 250),
}
NAMES = list(COLOURS)
Ring = List[Tuple[float, float]]


def main() -> None:
    """Paint it and write it."""
    parser = argparse.ArgumentParser(description="Paint the quarry's orthophoto.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent)
    folder = parser.parse_args().folder / "quarry"
    folder.mkdir(parents=True, exist_ok=True)
    gdal.UseExceptions()
    path = folder / "ortho.tif"
    temporary = folder / "ortho.part.tif"
    write_ortho(temporary)
    os.replace(temporary, path)
    print(path)


def targets() -> Dict[str, Tuple[float, float]]:
    """Marks with a target, in site coordinates."""
    return {mark.id: (mark.easting, mark.northing) for mark in MARKS
            if mark.has_position and mark.id not in NOT_FOUND}


def write_ortho(path: Path) -> None:
    """A palette image: colour times shade, so that it compresses well."""
    places = [_to_map(*place) for place in targets().values()]
    places += [_to_map(*point[:2]) for point in AXIS]
    west, south = np.floor(np.min(places, axis=0) - MARGIN)
    east, north = np.ceil(np.max(places, axis=0) + MARGIN)
    width, height = int((east - west) / PIXEL), int((north - south) / PIXEL)
    frame = (west, PIXEL, 0.0, north, 0.0, -PIXEL)
    image = _painted(width, height, frame)
    mottled = image < NAMES.index("black")
    image = (image * SHADES).astype(np.uint8)
    image[mottled] += _mottle(height, width)[mottled]
    raster = gdal.GetDriverByName("GTiff").Create(
        str(path), width, height, 1, gdal.GDT_Byte, ["COMPRESS=DEFLATE", "ZLEVEL=9", "TILED=YES"])
    raster.SetSpatialRef(_map_crs())
    raster.SetGeoTransform(frame)
    band = raster.GetRasterBand(1)
    band.SetColorTable(_palette())
    band.WriteArray(image)


def _painted(width: int, height: int, frame: Sequence[float]) -> np.ndarray:
    """Places in `NAMES`, (height, width)."""
    canvas = gdal.GetDriverByName("MEM").Create("", width, height, 1, gdal.GDT_Byte)
    crs = _map_crs()
    canvas.SetSpatialRef(crs)
    canvas.SetGeoTransform(frame)
    for name, ring in _areas():
        source = ogr.GetDriverByName("Memory").CreateDataSource("")
        layer = source.CreateLayer("area", crs, ogr.wkbPolygon)
        outline = ogr.Geometry(ogr.wkbLinearRing)
        for place in [*ring, ring[0]]:
            outline.AddPoint_2D(*_to_map(*place))
        polygon = ogr.Geometry(ogr.wkbPolygon)
        polygon.AddGeometry(outline)
        feature = ogr.Feature(layer.GetLayerDefn())
        feature.SetGeometry(polygon)
        layer.CreateFeature(feature)
        gdal.RasterizeLayer(canvas, [1], layer, burn_values=[NAMES.index(name)])
    return canvas.ReadAsArray()


def _areas() -> List[Tuple[str, Ring]]:
    """What is painted, in site coordinates, from the bottom up."""
    areas: List[Tuple[str, Ring]] = [("rock", _ring(-6.0))]
    for below, start in ground.BENCHES:
        areas += [("face", _ring(start)),
                  ("floor" if below == ground.FLOOR else "rock", _ring(start + ground.FACE_WIDTH))]
    radius = math.sqrt(math.log(ground.POND_DEPTH / (ground.FLOOR - ground.WATER_LEVEL)))
    x, y, a, b = ground.POND
    areas.append(("pond", _ellipse(x, y, radius * a, radius * b)))
    x, y, size, _ = ground.HEAP
    areas.append(("heap", _ellipse(x, y, 1.5 * size, 1.5 * size)))
    areas.append(("road", _road()))
    for place in targets().values():
        areas += _target(*place)
    return areas


def _ring(inwards: float) -> Ring:
    places = [ground._on_ring(inwards, math.radians(angle)) for angle in range(0, 360, 2)]
    return [(ground.CENTRE[0] + x, ground.CENTRE[1] + y) for x, y in places]


def _ellipse(x: float, y: float, a: float, b: float) -> Ring:
    angles = [math.radians(angle) for angle in range(0, 360, 5)]
    return [(ground.CENTRE[0] + x + a * math.cos(t), ground.CENTRE[1] + y + b * math.sin(t))
            for t in angles]


def _road() -> Ring:
    left, right = [], []
    for (x0, y0, _), (x1, y1, _) in zip(ground.ROAD, ground.ROAD[1:]):
        length = math.hypot(x1 - x0, y1 - y0)
        dx = ground.ROAD_HALF_WIDTH * (y1 - y0) / length
        dy = -ground.ROAD_HALF_WIDTH * (x1 - x0) / length
        x, y = ground.CENTRE[0] + (x0 + x1) / 2.0, ground.CENTRE[1] + (y0 + y1) / 2.0
        left.append((x - dx, y - dy))
        right.append((x + dx, y + dy))
    return left + right[::-1]


def _target(easting: float, northing: float) -> List[Tuple[str, Ring]]:
    """A white disc with two black quarters."""
    def arc(start: int, end: int, radius: float) -> Ring:
        return [(easting + radius * math.cos(math.radians(t)),
                 northing + radius * math.sin(math.radians(t))) for t in range(start, end + 1, 6)]

    centre = (easting, northing)
    return [("black", arc(0, 354, TARGET_RADIUS + 0.5)), ("white", arc(0, 354, TARGET_RADIUS)),
            ("black", [centre, *arc(0, 90, TARGET_RADIUS)]),
            ("black", [centre, *arc(180, 270, TARGET_RADIUS)])]


def _mottle(height: int, width: int) -> np.ndarray:
    # RandomState's numbers are frozen by numpy's own promise; those of default_rng are not.
    patches = np.random.RandomState(SEED).randint(
        0, SHADES, (height // MOTTLE + 1, width // MOTTLE + 1)).astype(np.uint8)
    return np.repeat(np.repeat(patches, MOTTLE, axis=0), MOTTLE, axis=1)[:height, :width]


def _palette() -> gdal.ColorTable:
    palette = gdal.ColorTable()
    for place, colour in enumerate(COLOURS.values()):
        for shade in range(SHADES):
            lighter = 4 * shade if place < NAMES.index("black") else 0
            palette.SetColorEntry(
                SHADES * place + shade, tuple(min(part + lighter, 255) for part in colour))
    return palette


def _map_crs() -> osr.SpatialReference:
    crs = osr.SpatialReference()
    crs.SetFromUserInput(CRS)
    return crs


_UTM = pyproj.Proj(CRS)


def _to_map(easting: float, northing: float) -> Tuple[float, float]:
    """UTM of a place in site coordinates, by the truth behind the sample."""
    latitude, longitude, _ = TRUTH.to_geodetic(easting, northing, 500.0)
    return _UTM(longitude, latitude)


if __name__ == "__main__":
    main()
