"""Whether the stated figures are honest: invented sites with a known truth, solved and counted.

    python -m sitetie.simulations.honest_statistics --into docs/honest_statistics.md

prints the tables (Markdown) and the bars that are not met; the exit code is then 1. The full run
takes about half an hour on two idle processors; `--sites 500` gives a quick look.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import Dict, List, Optional, Sequence

import numpy as np
import pyproj

from ..core.version import VERSION
from ..core.whole_file import write_whole_file
from . import tables
from .counting import Rates, Task, count, task
from .sites import Case
from .studies import blundered, honest, regions_alone, repeated

OWN = {"unequal": True, "correlated": True}
#: A Lambert base far from its meridian: turned by 44 degrees, scale 0.966.
TURNED = {"base_crs": "+proj=lcc +lat_1=35 +lat_2=65 +lat_0=52 +lon_0=70 +datum=WGS84 +type=crs"}

HONEST = (
    Case("translation, 2 pairs; shift", "translation", "shift", 2),
    Case("translation, 12 pairs, own sigmas; shift", "translation", "shift", 12, **OWN),
    Case("translation, scale held ±20 ppm, 4 pairs, own sigmas; plane", "translation", "plane", 4,
         scale_sigma=2e-5, **OWN),
    Case("rigid, 2 pairs; shift", "rigid", "shift", 2),
    Case("rigid, 4 pairs, own sigmas; plane", "rigid", "plane", 4, **OWN),
    Case("rigid, 12 pairs; plane", "rigid", "plane", 12),
    Case("rigid, scale held ±20 ppm, 5 pairs, own sigmas; shift", "rigid", "shift", 5,
         scale_sigma=2e-5, **OWN),
    Case("similarity, 2 pairs (unchecked); shift", "similarity", "shift", 2),
    Case("similarity, 3 pairs; plane (unchecked)", "similarity", "plane", 3),
    Case("similarity, 5 pairs, own sigmas, turned base; plane", "similarity", "plane", 5,
         **OWN, **TURNED),
    Case("similarity, 10 pairs, site of 20 m; plane", "similarity", "plane", 10, extent=20.0),
    Case("similarity, 12 pairs, own sigmas; shift", "similarity", "shift", 12, **OWN),
    Case("similarity, scale held exactly, 4 pairs; shift", "similarity", "shift", 4,
         scale_sigma=0.0),
    Case("similarity, scale held ±20 ppm, 4 pairs, own sigmas, us-ft; plane", "similarity",
         "plane", 4, scale_sigma=2e-5, site_unit="us-ft", **OWN),
    Case("affine, 4 pairs; plane", "affine", "plane", 4),
    Case("affine, 12 pairs, own sigmas; plane", "affine", "plane", 12, **OWN),
)
ESTIMATED = tuple(
    replace(case, sigma_basis="estimated") for case in (
        Case("translation, 3 pairs; shift", "translation", "shift", 3),
        Case("similarity, 5 pairs, own sigmas; plane", "similarity", "plane", 5, **OWN),
        Case("affine, 8 pairs; plane", "affine", "plane", 8),
        Case("rigid, 20 pairs, own sigmas; shift", "rigid", "shift", 20, **OWN),
    )
)
TOO_SMALL = tuple(
    replace(case, noise=2.0) for case in (
        Case("rigid, 2 pairs; shift", "rigid", "shift", 2),
        Case("similarity, 3 pairs; shift", "similarity", "shift", 3),
        Case("rigid, 3 pairs; shift", "rigid", "shift", 3),
        Case("similarity, 4 pairs; plane", "similarity", "plane", 4),
        Case("similarity, 6 pairs; shift", "similarity", "shift", 6),
        Case("similarity, 12 pairs; shift", "similarity", "shift", 12),
        Case("similarity, 30 pairs; shift", "similarity", "shift", 30),
    )
)
#: Too little redundancy to tell pairs apart, horizontally and vertically.
UNTELLABLE = (
    Case("translation, 2 pairs; shift, 2 pairs", "translation", "shift", 2),
    Case("rigid, 2 pairs; shift, 2 pairs", "rigid", "shift", 2),
    Case("similarity, 2 pairs; shift, 2 pairs", "similarity", "shift", 2),
    Case("similarity, 3 pairs; plane, 3 pairs", "similarity", "plane", 3),
    Case("affine, 4 pairs; plane, 4 pairs", "affine", "plane", 4),
)
TELLABLE = (
    Case("translation, 3 pairs; shift, 3 pairs", "translation", "shift", 3),
    Case("rigid, 3 pairs; shift, 3 pairs", "rigid", "shift", 3),
    Case("rigid, 4 pairs; shift, 4 pairs", "rigid", "shift", 4),
    Case("similarity, scale held ±20 ppm, 3 pairs; shift, 3 pairs", "similarity", "shift", 3,
         scale_sigma=2e-5),
    Case("similarity, 4 pairs; shift, 4 pairs", "similarity", "shift", 4),
    Case("similarity, 6 pairs; plane, 6 pairs", "similarity", "plane", 6),
    Case("rigid, 12 pairs; shift, 12 pairs", "rigid", "shift", 12),
    Case("affine, 6 pairs; plane, 6 pairs", "affine", "plane", 6),
)
#: Metres.
BLUNDERS = (0.03, 0.1, 0.5, 5.0, 100.0, 3000.0)
REPEATED = tuple(
    Case(name, "similarity", "shift", 5, **options) for name, options in (
        ("1 shot", {}),
        ("10 shots in one session", {"shots": 10}),
        ("10 shots in two sessions", {"shots": 10, "sessions": 2}),
        ("10 shots in ten sessions", {"shots": 10, "sessions": 10}),
        ("10 shots in one session, taken for independent", {"shots": 10,
                                                           "believed_correlation": 0.0}),
    )
)


CASES: Dict[str, Sequence[Case]] = {
    "honest": HONEST, "estimated": ESTIMATED, "too small": TOO_SMALL, "untellable": UNTELLABLE,
    "tellable": TELLABLE, "repeated": REPEATED,
}


def tasks(section: str, sites: int) -> List[Task]:
    """The tasks of a section when its cases get that many sites."""
    cases = CASES[section]
    if section in ("untellable", "tellable"):
        few = max(sites // 20, 20)
        return [blunder_task(case, size, few) for case in cases for size in BLUNDERS]
    if section != "honest":
        sites = max(sites // 2, 20)
    study = {"too small": regions_alone, "repeated": repeated}.get(section, honest)
    return [task(case.name, study, case, sites) for case in cases]


def blunder_task(case: Case, size: float, sites: int) -> Task:
    """One mark out by `size`, at the usual test level and with own sigmas."""
    usual = replace(case, test_level=0.001, **OWN)
    return task(f"{case.name} / {size:g}", blundered, usual, sites, size=size)


def main(arguments: Optional[Sequence[str]] = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--sites", type=int, default=10000, help="sites per case")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=20)
    parser.add_argument("--only", nargs="*", choices=CASES, help="sections: " + ", ".join(CASES))
    parser.add_argument("--into", type=Path, help="write the tables between the marks of this page")
    given = parser.parse_args(arguments)

    counted: Dict[str, Dict[str, Rates]] = {}
    for section in given.only or CASES:
        print(section, file=sys.stderr)
        counted[section] = count(tasks(section, given.sites), given.seed, given.processes)
    heading = (f"Seed {given.seed}, {given.sites:,} sites per case; Sitetie {VERSION}, numpy "
               f"{np.__version__}, PROJ {pyproj.proj_version_str}.")
    text, missed = tables.report(counted, CASES, heading)
    print(text)
    if given.into:
        page = given.into.read_text(encoding="utf-8")
        write_whole_file(given.into, tables.put_into(page, text).encode("utf-8"))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
