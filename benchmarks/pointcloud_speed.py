"""How fast point clouds come onto the site grid, beside a bare read-write copy by laspy.

    .venv/bin/python benchmarks/pointcloud_speed.py [MILLIONS] [FOLDER]

Writes a cloud of twenty million points (unless another number is given) as LAS and as LAZ, then
lets reference and product run in turn, each in a process of its own: laspy reading and writing
the points in pieces of half a million, and `restate_cloud`, imports and the preparation of the
kernel included. Printed are medians with the fastest and slowest, ratios, peak memory of the
process, and for a sample of the points the largest deviation from the core. Wanted: at least 3
million points per second for LAS, at least 60 % of the speed of the bare copy for LAZ, less than
500 MB, and every coordinate within half of the scale of the file.

The made-up points follow flight lines, so that they compress about as measured ones do.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from typing import Dict, List, Tuple

import laspy
import numpy as np
import pyproj

from sitetie.benchmarks.kernel_speed import PLACE, made_up_tie
from sitetie.core import Tie

ROUNDS, PIECE = 3, 500_000
WANTED_SPEED, WANTED_SHARE, WANTED_MEMORY = 3.0, 0.6, 500.0
# Not the getrusage of the process, which begins with what its parent held (Linux).
END = """
peak = next(line for line in open("/proc/self/status") if line.startswith("VmHWM"))
print(time.perf_counter() - start, int(peak.split()[1]) / 1e3)
"""
COPY = f"""
import sys, time
start = time.perf_counter()
import laspy
with laspy.open(sys.argv[1]) as reader, laspy.open(
        sys.argv[2], mode="w", header=reader.header) as writer:
    for points in reader.chunk_iterator({PIECE}):
        writer.write_points(points)
{END}
"""
RESTATE = f"""
import sys, time
start = time.perf_counter()
from sitetie.core import Tie
from sitetie.core.point_cloud import restate_cloud
restate_cloud(sys.argv[1], sys.argv[2], Tie.load(sys.argv[3]))
{END}
"""


def write_flight(path: str, count: int) -> None:
    """A cloud of flight lines over 3 km, with the usual dimensions."""
    header = laspy.LasHeader(point_format=7, version="1.4")
    header.add_crs(pyproj.CRS("EPSG:25832"))
    x0, y0 = pyproj.Transformer.from_crs("EPSG:4258", "EPSG:25832", always_xy=True).transform(
        PLACE[1], PLACE[0])
    header.scales, header.offsets = [0.001] * 3, [round(x0), round(y0), 0.0]
    draw, done = np.random.default_rng(3), 0
    with laspy.open(path, mode="w", header=header) as writer:
        while done < count:
            number = min(PIECE, count - done)
            at = np.arange(done, done + number)
            along, across = at / count * 40.0, np.abs((at % 400) / 200.0 - 1.0) - 0.5
            points = laspy.ScaleAwarePointRecord.zeros(number, header=header)
            points.x = (x0 - 1500.0 + 3000.0 * np.abs(along % 2.0 - 1.0)
                        + draw.normal(0.0, 0.03, number))
            points.y = y0 - 1500.0 + 75.0 * np.floor(along) + 80.0 * across
            points.z = 300.0 + 20.0 * np.sin(along) + draw.normal(0.0, 0.05, number)
            points.intensity = draw.integers(200, 1200, number)
            points.return_number = 1 + (draw.random(number) > 0.8)
            points.number_of_returns = np.maximum(points.return_number, 1)
            points.classification = draw.choice([2, 2, 2, 5, 6], number)
            points.scan_angle = (across * 9000).astype(np.int16)
            points.point_source_id = np.floor(along).astype(np.uint16)
            points.gps_time = 1e6 + at * 5e-6
            points.red = points.green = points.blue = draw.integers(0, 255, number) * 256
            writer.write_points(points)
            done += number


def run(script: str, *arguments: str) -> Tuple[float, float]:
    """Seconds and peak megabytes of a process."""
    done = subprocess.run([sys.executable, "-c", script, *arguments], capture_output=True,
                          text=True, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)})
    if done.returncode:
        sys.exit(done.stderr)
    seconds, megabytes = done.stdout.split()
    return float(seconds), float(megabytes)


def deviation(tie: Tie, source: str, target: str) -> float:
    """Largest deviation of a sample from the core, in scales of the file."""
    back, worst = pyproj.Transformer.from_crs("EPSG:25832", "EPSG:4258", always_xy=True), 0.0
    with laspy.open(source) as reader, laspy.open(target) as writer:
        pieces = zip(reader.chunk_iterator(PIECE), writer.chunk_iterator(PIECE))
        for number, (before, after) in enumerate(pieces):
            if number % 10:
                continue
            longitude, latitude = back.transform(np.asarray(before.x), np.asarray(before.y))
            exact = tie.to_site(latitude, longitude, np.asarray(before.z))
            for values, wanted, scale in zip((after.x, after.y, after.z), exact,
                                             writer.header.scales):
                worst = max(worst, float(np.abs(np.asarray(values) - wanted).max() / scale))
    return worst


def measure(kind: str, folder: str, count: int, tie: Tie) -> None:
    source = os.path.join(folder, f"flight.{kind}")
    copied, target = (os.path.join(folder, f"{name}.{kind}") for name in ("copy", "on_site"))
    write_flight(source, count)
    results: Dict[str, List[Tuple[float, float]]] = {"laspy copy": [], "restated": []}
    for _ in range(ROUNDS):
        results["laspy copy"].append(run(COPY, source, copied))
        results["restated"].append(run(RESTATE, source, target, os.path.join(folder, "tie.json")))
    print(f"\n{kind.upper()}, {os.path.getsize(source) / 1e6:.0f} MB")
    speed = {}
    for name, rounds in results.items():
        seconds = [item[0] for item in rounds]
        speed[name] = count / statistics.median(seconds) / 1e6
        print(f"  {name:10} {statistics.median(seconds):7.2f} s ({min(seconds):.2f} to "
              f"{max(seconds):.2f}), {speed[name]:5.2f} million points/s, "
              f"peak {max(item[1] for item in rounds):.0f} MB")
    print(f"  {100.0 * speed['restated'] / speed['laspy copy']:.0f} % of the speed of the copy "
          f"(wanted for LAZ {100.0 * WANTED_SHARE:.0f} %; for LAS {WANTED_SPEED:g} million "
          f"points/s; memory below {WANTED_MEMORY:.0f} MB)")
    print(f"  largest deviation from the core: {deviation(tie, source, target):.6f} of the scale "
          "(allowed 0.5)")
    for path in (source, copied, target):
        os.unlink(path)


def main() -> None:
    count = int(float(sys.argv[1]) * 1e6) if len(sys.argv) > 1 else 20_000_000
    folder = tempfile.mkdtemp(dir=sys.argv[2] if len(sys.argv) > 2 else None)
    tie = made_up_tie()
    tie.save(os.path.join(folder, "tie.json"))
    print(f"{count / 1e6:g} million points; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}")
    try:
        for kind in ("las", "laz"):
            measure(kind, folder, count, tie)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
