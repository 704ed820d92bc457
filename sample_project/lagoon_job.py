"""The Ambrel Fork lagoon: a small clean job in US survey feet, horizontal and vertical."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Dict, List, NamedTuple, Tuple

import numpy as np
from field_work import Clock, Place, Receiver, control_row, rover_row, topo_row
from site_truth import SiteTruth
from tables import (
    CONTROL,
    OBSERVATIONS,
    PAIRS,
    TOPO_POINTS,
    Row,
    pair_rows,
    write_json,
    write_table,
)

SEED = 1988  # chosen for ordinary luck, as in the quarry
US_SURVEY_FOOT = 1200.0 / 3937.0
TRUTH = SiteTruth(
    crs="EPSG:6319",
    latitude=42.05,
    longitude=-92.35,
    rotation_degree=-7.25,
    scale=1.0000358,
    shift=(10000.0 * US_SURVEY_FOOT, 20000.0 * US_SURVEY_FOOT),
    undulation=-31.842,
    slope_east=2.0e-6,
    slope_north=4.0e-6,
    unit=US_SURVEY_FOOT,
)
SETTINGS = {
    "site_unit": "us-ft",
    "elevation_unit": "us-ft",
    "observation_crs": "EPSG:6319",
    "horizontal_model": "similarity",
    "vertical_model": "shift",
    "tolerance_h": 0.1,
    "tolerance_v": 0.15,
}
SESSION = "lagoon 1"
START = "2026-06-02T13:10:00"
CONTROL_SIGMA = 0.005  # metres
BERM_TOP = 868.0  # US survey feet, as all below
LAGOON_FLOOR = 856.0
HALF_LENGTH, HALF_WIDTH, BERM_WIDTH, SIDE_SLOPE = 420.0, 260.0, 12.0, 3.0


class MarkPlan(NamedTuple):
    """A control point of the plant's own sheet; feet."""

    id: str
    easting: float
    northing: float
    description: str


DOCUMENT = "Plant control sheet C-2, 1987"
MARKS = (
    MarkPlan("AF1", 9350.0, 19420.0, "rebar with cap, gate"),
    MarkPlan("AF2", 10710.0, 19480.0, "rebar with cap, lift station"),
    MarkPlan("AF3", 10680.0, 20560.0, "chiselled cross, culvert headwall"),
    MarkPlan("AF4", 9420.0, 20610.0, "rebar with cap, north-west fence"),
    MarkPlan("AF5", 10030.0, 20480.0, "brass disk, blower house step"),
    MarkPlan("AF6", 10060.0, 19390.0, "rebar with cap, south fence"),
    MarkPlan("AF7", 11240.0, 20020.0, "iron pipe, section line"),
)
NOT_FOUND = ("AF7",)
CHECKS = ("AF6",)


def ground(easting: float, northing: float) -> float:
    """True elevation in US survey feet: a rectangular berm round a lagoon, on gentle land."""
    x, y = easting - 10000.0, northing - 20000.0
    land = 861.0 + 0.0012 * x - 0.0018 * y
    outside = max(abs(x) - HALF_LENGTH, abs(y) - HALF_WIDTH)
    if outside >= 0.0:
        return max(land, BERM_TOP - max(outside - BERM_WIDTH, 0.0) / SIDE_SLOPE)
    return max(LAGOON_FLOOR, BERM_TOP + outside / SIDE_SLOPE)


def make(folder: Path) -> Dict[str, object]:
    """Write the job's files into `folder`; give back the truth behind them."""
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.RandomState(SEED)
    receiver = Receiver(TRUTH, random)
    clock = Clock(START, random)
    marks = {
        mark.id: (mark.easting, mark.northing, round(ground(mark.easting, mark.northing), 2))
        for mark in MARKS
    }
    control = [
        control_row(
            mark.id, marks[mark.id], CONTROL_SIGMA, receiver, document=DOCUMENT,
            description=mark.description,
        )
        for mark in MARKS
    ]
    found = [mark for mark in MARKS if mark.id not in NOT_FOUND]
    observations = [
        rover_row(f"{mark.id}-1", mark.id, marks[mark.id], receiver, clock, SESSION)
        for mark in found
    ]
    pairs = [(m.id, f"{m.id}-1", _role(m.id), _role(m.id)) for m in found]
    topo, topo_truth = _topo_points(receiver, clock)

    write_table(folder / "control.csv", CONTROL, control)
    write_table(folder / "observations.csv", OBSERVATIONS, observations)
    write_table(folder / "pairs.csv", PAIRS, pair_rows(pairs, control, observations))
    write_table(folder / "topo_points.csv", TOPO_POINTS, topo)
    write_json(folder / "settings.json", SETTINGS)
    return {
        "truth": TRUTH.described(),
        "blunders": [],
        "checks": list(CHECKS),
        "not_found": list(NOT_FOUND),
        "control": marks,
        "topo_points": topo_truth,
    }


def _role(mark_id: str) -> str:
    return "check" if mark_id in CHECKS else "fit"


def _topo_points(
    receiver: Receiver, clock: Clock
) -> Tuple[List[Row], Dict[str, Place]]:
    rows: List[Row] = []
    truth: Dict[str, Place] = {}
    for feature, description, out in (
        ("berm top", "inner edge of the berm", 0.0),
        ("berm top", "outer edge of the berm", BERM_WIDTH),
        ("berm toe", "outer foot of the berm", BERM_WIDTH + 21.0),
    ):
        for step in range(14):
            easting, northing = _round_berm(out, step / 14.0)
            point_id = str(1 + len(rows))
            place = (easting, northing, round(ground(easting, northing), 3))
            rows.append(
                topo_row(point_id, feature, description, place, receiver, clock, SESSION)
            )
            truth[point_id] = place
    return rows, truth


def _round_berm(out: float, share: float) -> Tuple[float, float]:
    """A place on the rectangle `out` feet outside the berm's inner edge."""
    angle = 2.0 * math.pi * share
    u, v = math.cos(angle), math.sin(angle)
    largest = max(abs(u), abs(v))
    x, y = u / largest * (HALF_LENGTH + out), v / largest * (HALF_WIDTH + out)
    return round(10000.0 + x, 2), round(20000.0 + y, 2)
