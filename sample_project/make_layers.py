#!/usr/bin/env python3
"""Make the GeoPackage layers of the quarry from its CSV files.

    python3 sample_project/make_layers.py [FOLDER]

Needs GDAL's Python bindings. Run make_sample.py first.
"""

from __future__ import annotations

import argparse
import csv
import json
import os
from pathlib import Path
from typing import Dict, List

from osgeo import gdal, ogr, osr

#: Written into the files, so that they do not change from run to run.
MADE = "2026-05-14T00:00:00.000Z"
TOPO_TEXT = ("id", "feature", "description", "fix", "session", "time")
TOPO_NUMBERS = ("sigma_e", "sigma_n", "sigma_u")


def main() -> None:
    """Write topo_points.gpkg and design_axis.gpkg beside the quarry's CSV files."""
    parser = argparse.ArgumentParser(description="Make the quarry's GeoPackage layers.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent)
    quarry = parser.parse_args().folder / "quarry"
    gdal.UseExceptions()
    gdal.SetConfigOption("OGR_CURRENT_DATE", MADE)
    settings = json.loads((quarry / "settings.json").read_text(encoding="utf-8"))
    write_topo_points(quarry, settings["observation_crs"])
    write_design_axis(quarry)


def write_topo_points(quarry: Path, crs: str) -> None:
    """Points with height, in the CRS of the observations."""
    reference = osr.SpatialReference()
    reference.SetFromUserInput(crs)
    reference.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    path, source = _create(quarry / "topo_points.gpkg")
    layer = source.CreateLayer("topo_points", reference, ogr.wkbPoint25D, ["FID=fid"])
    for name in TOPO_TEXT:
        layer.CreateField(ogr.FieldDefn(name, ogr.OFTString))
    for name in TOPO_NUMBERS:
        layer.CreateField(ogr.FieldDefn(name, ogr.OFTReal))
    for row in _rows(quarry / "topo_points.csv"):
        feature = ogr.Feature(layer.GetLayerDefn())
        for name in TOPO_TEXT:
            feature.SetField(name, row[name])
        for name in TOPO_NUMBERS:
            feature.SetField(name, float(row[name]))
        point = ogr.Geometry(ogr.wkbPoint25D)
        point.AddPoint(float(row["longitude"]), float(row["latitude"]), float(row["height"]))
        feature.SetGeometry(point)
        layer.CreateFeature(feature)
    del feature, layer, source
    os.replace(path, quarry / "topo_points.gpkg")


def write_design_axis(quarry: Path) -> None:
    """The embankment's axis in site coordinates, which have no CRS until there is a tie."""
    path, source = _create(quarry / "design_axis.gpkg")
    # GeoPackage's own entry -1, which GDAL knows by this name: a plane without a CRS.
    plane = osr.SpatialReference()
    plane.SetLocalCS("Undefined Cartesian SRS")
    layer = source.CreateLayer("design_axis", plane, ogr.wkbLineString25D, ["FID=fid"])
    layer.CreateField(ogr.FieldDefn("name", ogr.OFTString))
    line = ogr.Geometry(ogr.wkbLineString25D)
    for row in _rows(quarry / "design_axis.csv"):
        line.AddPoint(float(row["easting"]), float(row["northing"]), float(row["elevation"]))
    feature = ogr.Feature(layer.GetLayerDefn())
    feature.SetField("name", "embankment axis")
    feature.SetGeometry(line)
    layer.CreateFeature(feature)
    del feature, layer, source
    os.replace(path, quarry / "design_axis.gpkg")


def _create(path: Path):
    temporary = path.with_name(path.stem + ".part.gpkg")
    temporary.unlink(missing_ok=True)
    return temporary, ogr.GetDriverByName("GPKG").CreateDataSource(str(temporary))


def _rows(path: Path) -> List[Dict[str, str]]:
    with open(path, encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


if __name__ == "__main__":
    main()
