"""sitetie:raster beside gdalwarp with the same operation: time, processor, memory.

    .venv/bin/python benchmarks/raster_speed.py [CELLS ALONG A SIDE] [ROUNDS]

Reference and product run in turn, each in a process of its own, on the same made-up rasters (8000
cells along a side unless another number is given) onto the same grid, into tiled GeoTIFFs with the
same compression. The reference is the command gdalwarp with the pipeline that the product uses,
the same resampling and approximation, and all processors for warping and compressing. Two are
printed: as it comes, and with the ratio of cell sizes given (XSCALE), as the product gives it,
because GDAL guesses it from the outlines of blocks and so widens its kernel over turned rasters.
The start of QGIS is not counted, nor are gdalwarp's few milliseconds taken off.

Wanted: at most 1.1 times gdalwarp, surfaces whose values become elevations 1.3 times. On a busy
machine look at the processor's time; the clock says little then. Memory is the largest resident
set; of the product also what QGIS takes before the work.
"""

from __future__ import annotations

import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Dict, List, Tuple

import numpy as np
from osgeo import gdal, osr

from sitetie.core import Settings, Tie, tie_from_parameters
from sitetie.core.layer_pipeline import layer_plane
from sitetie.core.projection import local_transverse_mercator
from sitetie.core.reframe import near_in, reframing
from sitetie.plugin.raster_on_site import APPROXIMATION, PLAIN_CRS

PLACE, CRS, CELL, ROUNDS = (48.0, 11.0), "EPSG:25832", 0.1, 5
WANTED = {"ortho": 1.1, "surface": 1.3}
REFERENCES = {"gdalwarp": [], "gdalwarp, XSCALE": ["-wo", "XSCALE=1", "-wo", "YSCALE=1"]}


def made_up_tie() -> Tie:
    """A turned site over a plane of its own, with a tilted plane of heights."""
    settings = Settings(
        base_crs=local_transverse_mercator("EPSG:4258", *([value] for value in PLACE)),
        observation_crs="EPSG:4258")
    return tie_from_parameters(
        settings, "EPSG:9621",
        {"easting": 5000.0, "northing": 9000.0, "scale": 1.00004, "rotation": 20.0},
        near=PLACE, vertical={"shift": -46.0, "latitude": PLACE[0], "longitude": PLACE[1],
                              "slope_latitude": 2.0, "slope_longitude": -3.0})


def make_rasters(folder: Path, size: int) -> None:
    """An image in colours that compresses like one, and a surface with centimetres of noise."""
    draw = np.random.default_rng(3)
    reference = osr.SpatialReference()
    reference.SetFromUserInput(CRS)
    x, y = near_in(CRS, *PLACE)
    for name, bands, kind in (("ortho", 3, gdal.GDT_Byte), ("surface", 1, gdal.GDT_Float32)):
        made = gdal.GetDriverByName("GTiff").Create(
            str(folder / f"{name}.tif"), size, size, bands, kind,
            ["TILED=YES", "COMPRESS=DEFLATE", "NUM_THREADS=ALL_CPUS"])
        made.SetGeoTransform((x - size * CELL / 2, CELL, 0, y + size * CELL / 2, 0, -CELL))
        made.SetProjection(reference.ExportToWkt())
        for band in range(1, bands + 1):
            for row in range(0, size, 500):
                rows = np.arange(row, min(row + 500, size))[:, None]
                if kind == gdal.GDT_Byte:
                    blocks = np.add.outer(rows[:, 0] // 8, np.arange(size) // 8) * 37 % 200
                    values = blocks + draw.integers(0, 4, blocks.shape)
                else:
                    values = 450 + 0.02 * np.arange(size) - 0.01 * rows
                    values = values + np.round(draw.normal(0, 0.02, values.shape), 3)
                made.GetRasterBand(band).WriteArray(values, 0, row)
        if kind == gdal.GDT_Float32:
            made.GetRasterBand(1).SetNoDataValue(-9999.0)
        made.FlushCache()


def product(folder: Path, name: str) -> Dict[str, float]:
    """One run in this process."""
    os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback, QgsProject

    app = QgsApplication([], False)
    app.initQgis()
    from sitetie.plugin.processing.raster import RasterAlgorithm

    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start, busy = time.perf_counter(), time.process_time()
    _, done = RasterAlgorithm().create().run({
        "RASTER": str(folder / f"{name}.tif"), "TIE": str(folder / "tie.json"),
        "VALUES": "elevation" if name == "surface" else "keep", "RESOLUTION": CELL,
        "OVERVIEWS": False, "OUTPUT": str(folder / f"{name}_product.tif"),
    }, context, QgsProcessingFeedback())
    taken = {"seconds": time.perf_counter() - start, "busy": time.process_time() - busy,
             "before": before / 1024.0,
             "memory": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0}
    assert done
    del context
    app.exitQgis()
    return taken


def reference(folder: Path, name: str, options: List[str]) -> Dict[str, float]:
    """One run of gdalwarp onto the product's grid."""
    out = folder / f"{name}_reference.tif"
    out.unlink(missing_ok=True)
    written = gdal.Open(str(folder / f"{name}_product.tif"))
    g, columns, rows = written.GetGeoTransform(), written.RasterXSize, written.RasterYSize
    bounds = (g[0], g[3] - rows * g[1], g[0] + columns * g[1], g[3])
    command = [
        "gdalwarp", "-q", "-r", "bilinear", "-et", str(APPROXIMATION), "-multi",
        "-s_srs", PLAIN_CRS, "-t_srs", (folder / "site.wkt").read_text(),
        "-ct", (folder / "pipeline").read_text(),
        "-te", *map(repr, bounds), "-ts", str(columns), str(rows),
        "-wo", "NUM_THREADS=ALL_CPUS", *options, "-co", "TILED=YES", "-co", "COMPRESS=DEFLATE",
        "-co", f"PREDICTOR={3 if name == 'surface' else 2}", "-co", "NUM_THREADS=ALL_CPUS",
        "-co", "BIGTIFF=IF_SAFER", *(["-dstalpha"] if name == "ortho" else []),
        str(folder / f"{name}.tif"), str(out),
    ]
    start = time.perf_counter()
    subprocess.run(command, check=True)
    seconds, used = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    return {"seconds": seconds, "busy": used.ru_utime + used.ru_stime,
            "memory": used.ru_maxrss / 1024.0}


def once(*arguments: str) -> Dict[str, float]:
    """One run in a process of its own."""
    done = subprocess.run([sys.executable, __file__, "--once", *arguments], check=True,
                          stdout=subprocess.PIPE, text=True)
    return json.loads(done.stdout.splitlines()[-1])


def show(name: str, runs: Dict[str, List[Dict[str, float]]]) -> bool:
    """Print a table; whether the product is quick enough."""
    ours = runs["product"]
    for who, taken in runs.items():
        seconds, busy = ([run[what] for run in taken] for what in ("seconds", "busy"))
        memory = max(run["memory"] for run in taken)
        before = max((run.get("before", 0.0) for run in taken))
        print(f"{name:8s} {who:17s} {statistics.median(seconds):7.2f} s "
              f"({min(seconds):.2f} to {max(seconds):.2f}), processor "
              f"{statistics.median(busy):7.2f} s, memory {memory:5.0f} MB"
              + (f", {before:.0f} of it QGIS's" if before else ""))
    good = True
    for who in REFERENCES:
        ratios = [statistics.median(r[what] for r in ours)
                  / statistics.median(r[what] for r in runs[who]) for what in ("seconds", "busy")]
        print(f"{name:8s} product to {who}: {ratios[0]:.2f} by the clock, {ratios[1]:.2f} of the "
              f"processor (wanted {WANTED[name]})")
        good = good and ratios[0] <= WANTED[name]
    return good


def main() -> None:
    size = int(sys.argv[1]) if len(sys.argv) > 1 else 8000
    rounds = int(sys.argv[2]) if len(sys.argv) > 2 else ROUNDS
    tie, good = made_up_tie(), True
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        make_rasters(place, size)
        tie.save(place / "tie.json")
        near = near_in(CRS, *PLACE)
        way = reframing(CRS, tie.settings.observation_crs, (*near, 0.0))
        (place / "pipeline").write_text(layer_plane(tie, way, near, 0.0).pipeline)
        (place / "site.wkt").write_text(tie.crs_wkt())
        for name in WANTED:
            once("product", folder, name)  # makes the grid, and warms the disk's cache
            runs: Dict[str, List[Dict[str, float]]] = {"product": [], **{w: [] for w in REFERENCES}}
            for _ in range(rounds):
                runs["product"].append(once("product", folder, name))
                for who, options in REFERENCES.items():
                    runs[who].append(once("reference", folder, name, *options))
            good = show(name, runs) and good
    sys.exit(0 if good else 1)


def _child(arguments: Tuple[str, ...]) -> None:
    kind, folder, name, *options = arguments
    taken = (product(Path(folder), name) if kind == "product"
             else reference(Path(folder), name, options))
    print(json.dumps(taken), flush=True)
    os._exit(0)  # QGIS's own end is none of the measurement


if __name__ == "__main__":
    if sys.argv[1:2] == ["--once"]:
        _child(tuple(sys.argv[2:]))
    main()
