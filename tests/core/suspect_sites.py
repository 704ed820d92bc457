"""Invented clean sites for the search for suspects: layouts, sigmas and units drawn at random."""

from __future__ import annotations

import math
import tempfile
from functools import lru_cache
from typing import Dict, List, NamedTuple, Optional, Tuple

import numpy as np
import pyproj

from sitetie.core import Control, Observation, Pair, Settings

from .sites import METRES, base_wkt, write_geoid

POLES = (1.3, 1.5, 1.8, 2.0, 2.5)


class Made(NamedTuple):
    """Clean pairs and the truth behind them."""

    pairs: Tuple[Pair, ...]
    settings: Settings
    plane: pyproj.Proj
    marks: np.ndarray  #: (n, 3) true latitude, longitude, height
    geoid_shift: float
    unit: float  #: metres in a site unit


def made_site(draw, marks: int, *, extent: Optional[float] = None, height: Optional[float] = None,
              geoid: bool = False, ground: bool = False, precise: bool = False) -> Made:
    """A clean site: scattered, ring, corridor or two clusters; realistic sigmas; metres or feet.

    `precise` is long static observation of levelled marks, a few millimetres in height.
    """
    latitude, longitude = draw.uniform(-65.0, 65.0), draw.uniform(-175, 175)
    if geoid:
        latitude, longitude = draw.uniform(46.5, 49.5), draw.uniform(9.5, 12.5)
    latitude, longitude = round(latitude, 3), round(longitude, 3)
    extent = 10.0 ** draw.uniform(2.3, 3.4) if extent is None else extent
    level = draw.uniform(20.0, 900.0) if height is None else height
    plane = pyproj.Proj(proj="tmerc", lat_0=latitude, lon_0=longitude, k=1, ellps="WGS84")
    base = _layout(draw, marks, extent)
    lon, lat = plane(base[:, 0], base[:, 1], inverse=True)
    heights = level + draw.uniform(0.0, 0.03 * extent, marks)
    turn, scale = draw.uniform(-math.pi, math.pi), 1.0 + draw.uniform(-2e-4, 2e-4)
    if ground:
        scale = 1.0 + level / 6.371e6
    origin = draw.uniform(1_000.0, 90_000.0, 2)
    shift = draw.uniform(-50.0, 50.0)
    if abs(shift) < 8.0:
        shift += math.copysign(20.0, shift)
    code = str(draw.choice(("m", "m", "ft", "us-ft")))
    unit = METRES[code]
    settings: Dict[str, object] = {"site_unit": code}
    if draw.random() < 0.5:
        settings["base_crs"] = base_wkt(latitude, longitude)
    if marks >= 7 and draw.random() < 0.3:
        settings["vertical_model"] = "plane"
    undulation = np.full(marks, shift)
    if geoid:
        settings.update(geoid=_geoid(), vertical_model="shift")
        grid = pyproj.Transformer.from_pipeline(
            f"+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
            f"+step +inv +proj=vgridshift +grids={_geoid()} +multiplier=1")
        undulation = -np.array([grid.transform(x, y, 0.0)[2] for x, y in zip(lon, lat)])
        undulation = np.abs(undulation)  # the grid of the tests is positive everywhere
    own = precise or draw.random() < 0.5
    cosine, sine = math.cos(turn), math.sin(turn)
    pairs = []
    for i in range(marks):
        gnss, control = (draw.uniform(0.005, 0.015), draw.uniform(0.003, 0.008)) if own else \
            (0.008, 0.005)
        up, control_up = (2.0 * gnss, control) if own else (0.015, 0.005)
        if precise:
            up, control_up = draw.uniform(0.003, 0.006), draw.uniform(0.001, 0.003)
        e, n = draw.normal(0.0, control, 2)
        seen = displaced(draw, (lat[i], lon[i], heights[i]), gnss, up)
        site = origin + scale * np.array([cosine * base[i, 0] - sine * base[i, 1],
                                          sine * base[i, 0] + cosine * base[i, 1]]) + (e, n)
        elevation = heights[i] - undulation[i] + draw.normal(0.0, control_up)
        pole = float(draw.choice(POLES)) if draw.random() < 0.7 else None
        pairs.append(Pair(
            Control(f"K{i + 1:02d}", *np.round(np.append(site, elevation) / unit, 3).tolist(),
                    sigma_h=control if own else None, sigma_v=control_up if own else None),
            Observation(f"{101 + i}", round(seen[0], 9), round(seen[1], 9), round(seen[2], 3),
                        sigma_e=gnss if own else None, sigma_n=gnss if own else None,
                        sigma_u=up if own else None, pole=pole,
                        pole_kind="vertical" if pole else None,
                        session=f"day {1 + 3 * i // marks}", fix="fixed"),
        ))
    return Made(tuple(pairs), Settings(**settings), plane,
                np.stack([lat, lon, heights], axis=1), shift, unit)


def _layout(draw, marks: int, extent: float) -> np.ndarray:
    """(n, 2) metres about the middle, no two marks closer than a fiftieth of the extent."""
    kind = draw.integers(4)
    points: List[np.ndarray] = []
    while len(points) < marks:
        if kind == 0:
            at = draw.uniform(-0.5, 0.5, 2)
        elif kind == 1:
            angle = draw.uniform(-math.pi, math.pi)
            at = draw.uniform(0.42, 0.5) * np.array([math.cos(angle), math.sin(angle)])
        elif kind == 2:
            at = np.array([draw.uniform(-0.5, 0.5), draw.uniform(-0.08, 0.08)])
        else:
            at = draw.uniform(-0.12, 0.12, 2) + (0.35 if draw.random() < 0.5 else -0.35)
        if all(np.hypot(*(at - other)) > 0.02 for other in points):
            points.append(at)
    return np.array(points) * extent


@lru_cache(maxsize=1)
def _geoid() -> str:
    return write_geoid(tempfile.mkdtemp() + "/invented.gtx")


def displaced(draw, at, h: float, v: float) -> Tuple[float, float, float]:
    """A place with errors; the radius of the earth is round, the errors are small."""
    e, n = draw.normal(0.0, h, 2)
    return (at[0] + n / 111_200.0, at[1] + e / (111_200.0 * math.cos(math.radians(at[0]))),
            at[2] + draw.normal(0.0, v))
