"""Figures that must be the same on every release of PROJ, numpy and Python, to a micrometre.

    python tests/same_figures.py                     prints them as JSON
    python tests/same_figures.py --versions          prints what they were made with
    python tests/same_figures.py --compare A B ...   compares such files; 1 when they differ
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Dict, List

#: Metres.
ALIKE = 1e-6
SITES = 12


def figures() -> Dict[str, List[float]]:
    """Site coordinates and their sigmas of places in and around random sites, in metres."""
    import numpy as np

    from sitetie.core import solve
    from sitetie.tests.core.sites import random_site

    found: Dict[str, List[float]] = {}
    models = ("translation", "rigid", "similarity", "affine")
    for seed in range(SITES):
        site = random_site(seed, marks=8, horizontal_model=models[seed % 4],
                           vertical_model=("shift", "plane")[seed % 2])
        tie = solve(site.pairs, site.settings)
        at = [pair.observation for pair in site.pairs]
        latitude, longitude, height = (
            np.array([getattr(item, name) for item in at], dtype=float)
            for name in ("latitude", "longitude", "height"))
        spread = 2.0  # twice as far out as the marks
        place = [mean + spread * (values - mean) for values in (latitude, longitude, height)
                 for mean in [values.mean()]]
        found[f"site {seed}: coordinates"] = np.ravel(tie.to_site(*place)).tolist()
        sigmas = [row.covariance[k][k] ** 0.5 for row in tie.residuals for k in range(3)
                  if row.covariance is not None]
        found[f"site {seed}: sigmas"] = sigmas
        back = tie.to_geodetic(*tie.to_site(*place))
        metres = 111_000.0
        found[f"site {seed}: and back"] = [
            *(np.ravel(back[:2]) * metres).tolist(), *np.ravel(back[2]).tolist()]
    return found


def versions() -> str:
    import platform

    import numpy as np
    import pyproj
    from osgeo import gdal
    from qgis.PyQt.QtCore import QT_VERSION_STR

    debian = Path("/etc/debian_version").read_text(encoding="ascii").strip()
    return ", ".join((debian, QT_VERSION_STR, platform.python_version(), pyproj.proj_version_str,
                      gdal.__version__, pyproj.__version__, np.__version__))


def compare(paths: List[str]) -> int:
    first, *others = [json.loads(Path(path).read_text(encoding="utf-8")) for path in paths]
    worst, where = 0.0, ""
    for other in others:
        if other.keys() != first.keys():
            print("The files hold different figures.")
            return 1
        for name, values in first.items():
            if len(values) != len(other[name]):
                print(f"{name}: {len(values)} figures against {len(other[name])}.")
                return 1
            for one, two in zip(values, other[name]):
                if not abs(one - two) <= worst:
                    worst, where = abs(one - two), name
    count = sum(map(len, first.values()))
    print(f"{count} figures on {len(paths)} releases: farthest apart {worst:.1e} m "
          f"({where or 'all alike'}); {ALIKE:.0e} m allowed.")
    return 0 if worst <= ALIKE else 1


if __name__ == "__main__":
    if "--compare" in sys.argv:
        sys.exit(compare(sys.argv[2:]))
    print(versions() if "--versions" in sys.argv else json.dumps(figures()))
