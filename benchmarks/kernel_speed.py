"""How fast the certified kernel is beside PROJ's pipeline through pyproj, and beside a bare copy.

    .venv/bin/python benchmarks/kernel_speed.py [MILLIONS]

Reference and product run in turn in this process over the same arrays, ten million points unless
another number is given: pyproj's `Transformer.transform` in one call with the tie's own pipeline,
the kernel, and a copy of the inputs into two other arrays, which is the limit. Printed are medians
with the fastest and slowest, ratios of medians, the largest deviation from the exact path, and the
memory above inputs and results. Wanted: at least 15 times pyproj on two cores within 0.01 mm, and
less than 300 MB. The tie is made up: 5 km, a similarity over a local Transverse Mercator.
"""

from __future__ import annotations

import os
import statistics
import sys
import threading
import time
from typing import Callable, Dict, List, Tuple

import numpy as np

from sitetie.core import Settings, Tie, tie_from_parameters
from sitetie.core.fast_grid import geodetic_kernel, site_kernel
from sitetie.core.frames import transformer
from sitetie.core.projection import local_transverse_mercator

ROUNDS, WANTED, REACH = 7, 15.0, 2500.0 / 111_200.0
PLACE = (48.0, 11.0)


def made_up_tie() -> Tie:
    """A turned site over a plane of its own."""
    settings = Settings(
        base_crs=local_transverse_mercator("EPSG:4258", *([value] for value in PLACE)),
        observation_crs="EPSG:4258")
    return tie_from_parameters(
        settings, "EPSG:9621",
        {"easting": 5000.0, "northing": 9000.0, "scale": 1.00004, "rotation": 20.0},
        near=PLACE, vertical={"shift": -46.0, "latitude": PLACE[0], "longitude": PLACE[1],
                              "slope_latitude": 2.0, "slope_longitude": -3.0})


def points(count: int) -> Tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Latitudes, longitudes, heights over the site."""
    draw = np.random.default_rng(8)
    return (draw.uniform(PLACE[0] - REACH, PLACE[0] + REACH, count),
            draw.uniform(PLACE[1] - 1.5 * REACH, PLACE[1] + 1.5 * REACH, count),
            draw.uniform(100.0, 400.0, count))


def in_turn(work: Dict[str, Callable[[], object]]) -> Dict[str, List[float]]:
    """Seconds of every kind of work, round after round."""
    seconds: Dict[str, List[float]] = {name: [] for name in work}
    for _ in range(ROUNDS):
        for name, run in work.items():
            start = time.perf_counter()
            run()
            seconds[name].append(time.perf_counter() - start)
    return seconds


def peak_above(run: Callable[[], Tuple[np.ndarray, ...]]) -> float:
    """Megabytes of memory above what was held before, and above the results."""
    held, peak, done = resident(), [0.0], threading.Event()

    def watch() -> None:
        while not done.wait(0.002):
            peak[0] = max(peak[0], resident())

    watcher = threading.Thread(target=watch)
    watcher.start()
    results = run()
    done.set()
    watcher.join()
    return peak[0] - held - sum(values.nbytes for values in results if values.strides[0]) / 1e6


def resident() -> float:
    """Megabytes this process holds (Linux)."""
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def main() -> None:
    count = int(float(sys.argv[1]) * 1e6) if len(sys.argv) > 1 else 10_000_000
    tie, (latitude, longitude, height) = made_up_tie(), points(count)
    proj = transformer(tie.pipeline())
    there = site_kernel(tie, latitude, longitude)
    easting, northing, elevation = there(latitude, longitude, height)
    back = geodetic_kernel(tie, easting, northing)
    target = [np.zeros(count) for _ in range(3)]

    def copy(*given: np.ndarray) -> None:
        for values, out in zip(given, target):
            np.copyto(out, values)

    print(f"{count / 1e6:g} million points; {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}; "
          f"degree {there.certificate.degree} there, {back.certificate.degree} back")
    for title, reference, product, bare, memory in (
        ("to the site, plane",
         lambda: proj.transform(longitude, latitude), lambda: there(latitude, longitude),
         lambda: copy(latitude, longitude), lambda: there(latitude, longitude)),
        ("to the site, with heights",
         lambda: proj.transform(longitude, latitude, height),
         lambda: there(latitude, longitude, height),
         lambda: copy(latitude, longitude, height), lambda: there(latitude, longitude, height)),
        ("back, plane",
         lambda: proj.transform(easting, northing, direction="INVERSE"),
         lambda: back(easting, northing),
         lambda: copy(easting, northing), lambda: back(easting, northing)),
        ("back, with heights",
         lambda: proj.transform(easting, northing, elevation, direction="INVERSE"),
         lambda: back(easting, northing, elevation),
         lambda: copy(easting, northing, elevation), lambda: back(easting, northing, elevation)),
    ):
        report(title, in_turn({"pyproj": reference, "kernel": product, "copy": bare}), count,
               peak_above(memory))
    deviations(tie, there, back, (latitude, longitude, height))


def report(title: str, seconds: Dict[str, List[float]], count: int, memory: float) -> None:
    middle = {name: statistics.median(values) for name, values in seconds.items()}
    print(f"\n{title}")
    for name, values in seconds.items():
        print(f"  {name:7} {middle[name]:7.3f} s ({min(values):.3f} to {max(values):.3f}), "
              f"{count / middle[name] / 1e6:6.1f} million points/s")
    ratio = middle["pyproj"] / middle["kernel"]
    print(f"  kernel {ratio:.1f} times pyproj (wanted {WANTED:g}), time "
          f"{middle['kernel'] / middle['copy']:.1f} times that of a bare copy, "
          f"{memory:.0f} MB above inputs and results")


def deviations(tie: Tie, there, back, where) -> None:
    """Of the first half million points, against the tie's own functions."""
    where = [values[:500_000] for values in where]
    exact, found = np.array(tie.to_site(*where)), np.array(there(*where))
    geodetic, again = np.array(tie.to_geodetic(*exact)), np.array(back(*exact))
    metres = np.array([[111_200.0], [111_200.0 * np.cos(np.radians(PLACE[0]))], [1.0]])
    print(f"\nlargest deviation from the exact path: {np.abs(found - exact).max() * 1e3:.1e} mm "
          f"there, {np.abs((again - geodetic) * metres).max() * 1e3:.1e} mm back (allowed 1e-02)")


if __name__ == "__main__":
    main()
