"""How long it takes from a change of role to the redrawn table, headline and residual layers.

    .venv/bin/python benchmarks/dock_speed.py

The pairs are made up: marks on a square of 2 km, with errors as the settings assume them. What is
timed is all that keeps the window busy, the new features of the residual layers included; QGIS
then paints the map in the background. Bounds: 100 ms with 60 pairs, 400 ms with 500. On a busy
machine look at the processor's time, which is printed too.
"""

from __future__ import annotations

import math
import os
import random
import statistics
import sys
import time
from typing import List, Tuple

os.environ.setdefault("QT_QPA_PLATFORM", "offscreen")

import pyproj
from qgis.core import QgsApplication, QgsProject
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QMainWindow

from sitetie.core import Control, Observation, Pair, Role, Settings
from sitetie.plugin.dock.dock import SitetieDock
from sitetie.plugin.job.job import Job
from sitetie.plugin.map.controller import MapController

BOUNDS_MS = {60: 100.0, 500: 400.0}
ROUNDS = 20


def made_up_pairs(count: int) -> List[Pair]:
    """Pairs near 48 N 11 E, on a site grid that is turned by 20 degrees."""
    chance = random.Random(count)
    plane = pyproj.Transformer.from_pipeline(
        "+proj=pipeline +step +inv +proj=tmerc +lat_0=48 +lon_0=11 +ellps=GRS80 "
        "+step +proj=unitconvert +xy_in=rad +xy_out=deg")
    turn, pairs = math.radians(20.0), []
    for i in range(count):
        east, north = chance.uniform(-1000.0, 1000.0), chance.uniform(-1000.0, 1000.0)
        site_e = 5000.0 + east * math.cos(turn) - north * math.sin(turn)
        site_n = 9000.0 + east * math.sin(turn) + north * math.cos(turn)
        longitude, latitude = plane.transform(
            east + chance.gauss(0.0, 0.009), north + chance.gauss(0.0, 0.009))
        height = 500.0 + chance.uniform(0.0, 60.0)
        pairs.append(Pair(
            Control(f"C{i + 1}", site_e, site_n, height - 46.0 + chance.gauss(0.0, 0.015)),
            Observation(f"G{i + 1}", latitude, longitude, height),
        ))
    return pairs


def measure(count: int) -> Tuple[float, float]:
    """Median milliseconds from a change of role to the painted dock: by the clock, and of the
    processor."""
    window = QMainWindow()
    canvas = QgsMapCanvas(window)
    window.setCentralWidget(canvas)
    job = Job()
    dock = SitetieDock(job, window)
    on_map = MapController(job, canvas, window)
    window.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, dock)
    window.resize(1366, 768)
    window.show()
    job.change("Settings", job.state.replace(units_chosen=True, settings=Settings(
        observation_crs="EPSG:4258", vertical_model="plane", tolerance_h=0.03, tolerance_v=0.045)))
    job.add_pairs(made_up_pairs(count))
    on_map.show_results(True)
    dock.select_places((count // 2,))
    QgsApplication.processEvents()
    clock, processor = [], []
    for i in range(ROUNDS):
        start, busy = time.perf_counter(), time.process_time()
        job.set_role((i,), ("horizontal", "vertical"), Role.CHECK)
        QgsApplication.processEvents()
        clock.append((time.perf_counter() - start) * 1000.0)
        processor.append((time.process_time() - busy) * 1000.0)
    on_map.let_go()
    dock.let_go()
    window.close()
    QgsProject.instance().clear()
    return statistics.median(clock), statistics.median(processor)


def main() -> None:
    app = QgsApplication([], True)
    app.initQgis()
    slow = False
    for count, bound in BOUNDS_MS.items():
        taken, busy = measure(count)
        slow = slow or taken > bound
        print(f"{count:4d} pairs: {taken:6.1f} ms from a change of role to the redrawn table and "
              f"residuals, {busy:6.1f} ms of the processor (bound {bound:.0f} ms)")
    app.exitQgis()
    sys.exit(1 if slow else 0)


if __name__ == "__main__":
    main()
