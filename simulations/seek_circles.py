"""Whether seek circles hold what they promise: invented sites are solved, finding shots counted.

    python -m sitetie.simulations.seek_circles --into docs/where_next.md

prints the table (Markdown) and the bars that are not met; the exit code is then 1. The full run
takes about ten minutes on two idle processors; `--sites 500` gives a quick look.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from pathlib import Path
from typing import Dict, List, Optional, Sequence, Tuple

import numpy as np
import pyproj

from ..core.pairs import Control
from ..core.restate import observation_covariances
from ..core.seek_list import seek_list
from ..core.solve import solve
from ..core.version import VERSION
from ..core.whole_file import write_whole_file
from .counting import Rate, Rates, Task, count, task
from .sites import Case, draw, moved
from .studies import Outcomes
from .tables import put_into

CASES = (
    Case("rigid, 2 pairs; shift", "rigid", "shift", 2),
    Case("similarity, 2 pairs; shift", "similarity", "shift", 2),
    Case("rigid, 2 pairs, own sigmas; shift", "rigid", "shift", 2, unequal=True),
    Case("similarity, 2 pairs, own sigmas, us-ft; shift", "similarity", "shift", 2, unequal=True,
         site_unit="us-ft"),
    Case("rigid, scale held ±20 ppm, 2 pairs; shift", "rigid", "shift", 2, scale_sigma=2e-5),
    Case("similarity, 4 pairs, own sigmas; plane", "similarity", "plane", 4, unequal=True),
    Case("affine, 3 pairs (unchecked); plane", "affine", "plane", 3),
)
#: Distance from the middle of the pairs, in units of their reach.
PLACES = (("near", 0.5), ("at the rim", 1.0), ("far", 3.0), ("very far", 10.0))
#: What is promised: 95 ± 1 %.
LOWEST, HIGHEST = 0.94, 0.96
#: Standard deviations of control and of the finding shot where pairs have sigmas of their own.
OWN_CONTROL, OWN_SHOT = (0.012, 0.02), (0.02, 0.011, 0.04)


def study(case: Case, rng: np.random.Generator) -> Outcomes:
    """Whether the shots that find four marks lie in their circles and intervals, on one site."""
    site = draw(case, rng)
    settings = site.settings
    tie = solve(site.pairs, settings)
    control, seen, shot = _sought(case, site, rng)
    found = seek_list(
        tie, control, observation_covariance=shot if case.unequal else None)
    outcomes: Outcomes = defaultdict(list)
    meridian, prime_vertical = tie.base.radii(site.mark_positions[0, 0])
    for point in found.points:
        place = [name for name, _ in PLACES].index(point.control.id)
        north = np.radians(seen[place, 0] - point.latitude) * meridian
        east = (np.radians(seen[place, 1] - point.longitude) * prime_vertical
                * np.cos(np.radians(seen[place, 0])))
        away = np.hypot(east, north)
        name = point.control.id
        outcomes[f"{name}: in the circle"] = [away <= point.radius]
        outcomes[f"{name}: in the circle of the larger axis"] = [away <= point.semi_major]
        outcomes[f"{name}: radius"] = [point.radius]
        outcomes[f"{name}: height in the interval"] = [
            abs(seen[place, 2] - point.height) <= point.half_height]
    return outcomes


def _sought(case: Case, site, rng) -> Tuple[List[Control], np.ndarray, np.ndarray]:
    """Control points at the four places, where the shots see them, and the shot's covariance."""
    settings, truth = site.settings, site.truth
    base = truth.base
    pairs = np.stack(base.to_base(*site.mark_positions[: case.marks, :2].T), axis=-1)
    middle = pairs.mean(axis=0)
    reach = np.hypot(*(pairs - middle).T).max()
    angles = 2.0 * np.pi * rng.random(len(PLACES))
    at = middle + reach * np.array([share for _, share in PLACES])[:, None] * np.stack(
        [np.cos(angles), np.sin(angles)], axis=1)
    latitude, longitude = base.to_geodetic(at[:, 0], at[:, 1])
    marks = np.column_stack([latitude, longitude, 300.0 + 30.0 * rng.random(len(PLACES))])
    sigma_h, sigma_v = (OWN_CONTROL if case.unequal
                        else (settings.control_sigma_h, settings.control_sigma_v))
    shot = observation_covariances(settings, 1)[0]
    if case.unequal:
        shot = np.diag(np.square(OWN_SHOT))
    given = truth.site(*marks.T) + rng.normal(size=(len(PLACES), 3)) * [
        sigma_h, sigma_h, sigma_v] / settings.site_length.metres
    noise = rng.normal(size=(len(PLACES), 3)) * np.sqrt(np.diag(shot))
    own = {"sigma_h": sigma_h, "sigma_v": sigma_v} if case.unequal else {}
    control = [Control(name, *map(float, place), **own)
               for (name, _), place in zip(PLACES, given)]
    return control, moved(base, marks, noise), shot


def tasks(sites: int, cases: Sequence[Case] = CASES) -> List[Task]:
    return [task(case.name, study, case, sites) for case in cases]


def report(counted: Dict[str, Rates]) -> Tuple[str, List[str]]:
    """The table, and what is outside the promise."""
    lines = ["| tie | place | mean radius | in the circle | in that of the larger axis "
             "| height in the interval |", "|---|---|---|---|---|---|"]
    missed = []
    for name, rates in counted.items():
        for place, _ in PLACES:
            circle, height = (rates[f"{place}: {what}"]
                              for what in ("in the circle", "height in the interval"))
            larger = rates[f"{place}: in the circle of the larger axis"]
            lines.append(
                f"| {name} | {place} | {rates[f'{place}: radius'].mean * 1000.0:,.0f} mm "
                f"| {_percent(circle)} | {_percent(larger)} | {_percent(height)} |")
            for what, rate in (("circle", circle), ("height", height)):
                if not LOWEST <= rate.mean <= HIGHEST:
                    missed.append(f"{name}, {place}, {what}: {_percent(rate)}")
    return "\n".join(lines), missed


def _percent(rate: Rate) -> str:
    return f"{100.0 * rate.mean:.2f} %"


def main(arguments: Optional[Sequence[str]] = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sites", type=int, default=10000, help="sites per case")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=6)
    parser.add_argument("--cases", type=int, default=len(CASES), help="only the first cases")
    parser.add_argument("--into", type=Path, help="write the table between the marks of this page")
    given = parser.parse_args(arguments)
    counted = count(tasks(given.sites, CASES[: given.cases]), given.seed, given.processes)
    table, missed = report(counted)
    text = (f"Seed {given.seed}, {given.sites:,} sites per case; Sitetie {VERSION}, numpy "
            f"{np.__version__}, PROJ {pyproj.proj_version_str}.\n\n{table}\n")
    text += "\nOutside 95 ± 1 %: " + "; ".join(missed) + ".\n" if missed else (
        "\nEvery share is within 95 ± 1 %.\n")
    print(text)
    if given.into:
        page = given.into.read_text(encoding="utf-8")
        write_whole_file(given.into, put_into(page, text).encode("utf-8"))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
