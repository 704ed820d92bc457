"""The ground of the invented Tannhag quarry as closed formulas, and where a crew would take shots.

Everything is in the site grid: easting, northing, elevation in metres. The quarry is an oval pit
cut in 12 m benches into a hillside that falls to the south-east, with a haul road down the east
side and a pond on the floor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import List, Tuple

CENTRE = (2000.0, 5000.0)
HALF_AXES = (300.0, 230.0)  # of the pit at its crest, metres
FLOOR = 476.0
#: (elevation below the face, distance inwards from the pit's crest where the face begins)
BENCHES = ((512.0, 0.0), (500.0, 22.0), (488.0, 44.0), (FLOOR, 66.0))
FACE_WIDTH = 5.0  # horizontal width of a face, metres
INWARD = 260.0  # metres inwards for a unit of relative radius
POND = (-95.0, 25.0, 62.0, 40.0)  # centre and half axes from the quarry's centre, metres
POND_DEPTH = 3.0
WATER_LEVEL = 475.20
HEAP = (150.0, 345.0, 26.0, 7.5)  # spoil heap: centre, radius, height
ROAD_HALF_WIDTH = 5.0
ROAD_STEPS = 120


@dataclass(frozen=True)
class Shot:
    """A place where the crew measures: what it is and where it truly lies."""

    feature: str
    description: str
    easting: float
    northing: float
    elevation: float


def hillside(x: float, y: float) -> float:
    """The ground as it was before the quarry; x, y from the quarry's centre."""
    return 518.0 - 0.030 * x + 0.022 * y + 3.0 * math.sin(x / 170.0 + 0.4) * math.cos(y / 210.0)


def elevation(easting: float, northing: float) -> float:
    """True elevation of the ground, metres."""
    x, y = easting - CENTRE[0], northing - CENTRE[1]
    inwards = _inwards(x, y)
    ground = hillside(x, y)
    if inwards > 0.0:
        ground = min(ground, _staircase(inwards))
    heap_distance = math.hypot(x - HEAP[0], y - HEAP[1]) / HEAP[2]
    ground += HEAP[3] * math.exp(-(heap_distance**2))
    pond = math.exp(-(_pond_radius(x, y) ** 2))
    if inwards > BENCHES[-1][1]:
        ground -= POND_DEPTH * pond
    distance, road = _road_near(x, y)
    weight = math.exp(-((distance / (1.6 * ROAD_HALF_WIDTH)) ** 6))
    return weight * road + (1.0 - weight) * ground


def shots(jitter) -> List[Shot]:
    """Every place the crew measures, in the order they walk.

    Parameters
    ----------
    jitter : callable
        ``jitter(size)`` returns metres between -size and size: people do not walk on a lattice.
    """
    return (
        _road_shots()
        + _pond_shots()
        + _floor_shots(jitter)
        + _bench_shots(jitter)
        + _heap_shots()
        + _ground_shots(jitter)
        + _ditch_shots()
    )


def _shape(angle: float) -> float:
    return 1.0 + 0.06 * math.cos(3.0 * angle + 0.5) + 0.03 * math.sin(5.0 * angle)


def _inwards(x: float, y: float) -> float:
    u, v = x / HALF_AXES[0], y / HALF_AXES[1]
    return (1.0 - math.hypot(u, v) / _shape(math.atan2(v, u))) * INWARD


def _on_ring(inwards: float, angle: float) -> Tuple[float, float]:
    radius = (1.0 - inwards / INWARD) * _shape(angle)
    return HALF_AXES[0] * radius * math.cos(angle), HALF_AXES[1] * radius * math.sin(angle)


def _staircase(inwards: float) -> float:
    level = BENCHES[0][0] + 24.0
    for below, start in BENCHES:
        share = min(max((inwards - start) / FACE_WIDTH, 0.0), 1.0)
        level = level + (below - level) * share * share * (3.0 - 2.0 * share)
    return level


def _pond_radius(x: float, y: float) -> float:
    return math.hypot((x - POND[0]) / POND[2], (y - POND[1]) / POND[3])


def _road_line() -> List[Tuple[float, float, float]]:
    line = []
    top = hillside(*_on_ring(-0.16 * INWARD, math.radians(-36.0)))
    for step in range(ROAD_STEPS + 1):
        share = step / ROAD_STEPS
        x, y = _on_ring((-0.16 + 0.50 * share) * INWARD, math.radians(-36.0 + 128.0 * share))
        line.append((x, y, top + (FLOOR - top) * share))
    return line


ROAD = _road_line()


def _road_near(x: float, y: float) -> Tuple[float, float]:
    """Distance to the road's centre line and the road's elevation there."""
    best = (math.inf, 0.0)
    for (x0, y0, z0), (x1, y1, z1) in zip(ROAD, ROAD[1:]):
        dx, dy = x1 - x0, y1 - y0
        share = ((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy)
        share = min(max(share, 0.0), 1.0)
        distance = math.hypot(x - x0 - share * dx, y - y0 - share * dy)
        if distance < best[0]:
            best = (distance, z0 + share * (z1 - z0))
    return best


def _shot(feature: str, description: str, x: float, y: float) -> Shot:
    # Whole millimetres, so that the last bits of sin and cos on another machine do not matter.
    easting, northing = round(CENTRE[0] + x, 3), round(CENTRE[1] + y, 3)
    return Shot(feature, description, easting, northing, round(elevation(easting, northing), 3))


def _road_shots() -> List[Shot]:
    found = []
    for step in range(6, ROAD_STEPS, 9):
        (x0, y0, _), (x1, y1, _) = ROAD[step - 1], ROAD[step + 1]
        length = math.hypot(x1 - x0, y1 - y0)
        across = ((y1 - y0) / length, -(x1 - x0) / length)
        x, y, _ = ROAD[step]
        for offset, feature, side in (
            (-ROAD_HALF_WIDTH, "road edge", "haul road, pit side going up"),
            (0.0, "road centre", "haul road"),
            (ROAD_HALF_WIDTH, "road edge", "haul road, wall side going up"),
        ):
            found.append(_shot(feature, side, x + offset * across[0], y + offset * across[1]))
    return found


def _pond_shots() -> List[Shot]:
    # Where the dish of the pond reaches the water level.
    radius = math.sqrt(math.log(POND_DEPTH / (FLOOR - WATER_LEVEL)))
    found = []
    for step in range(14):
        angle = 2.0 * math.pi * step / 14
        x = POND[0] + radius * POND[2] * math.cos(angle)
        y = POND[1] + radius * POND[3] * math.sin(angle)
        found.append(_shot("water's edge", "pond on the quarry floor", x, y))
    return found


def _floor_shots(jitter) -> List[Shot]:
    found = []
    for row in range(-4, 5):
        for column in range(-5, 6):
            x, y = 54.0 * column + jitter(10.0), 50.0 * row + jitter(10.0)
            on_floor = _inwards(x, y) > BENCHES[-1][1] + FACE_WIDTH + 3.0
            dry = _pond_radius(x, y) > 1.35
            if on_floor and dry and _road_near(x, y)[0] > 14.0:
                found.append(_shot("floor", "quarry floor", x, y))
    return found


def _bench_shots(jitter) -> List[Shot]:
    found = []
    for below, start in BENCHES:
        shots_round = 18 if start < 30.0 else 14
        for feature, inwards, word in (
            ("crest", start, "top of the face down to"),
            ("toe", start + FACE_WIDTH, "foot of the face down to"),
        ):
            for step in range(shots_round):
                angle = 2.0 * math.pi * (step + jitter(0.3)) / shots_round
                x, y = _on_ring(inwards, angle)
                cut = hillside(*_on_ring(start, angle)) > below + 1.5
                if cut and _road_near(x, y)[0] > 12.0:
                    found.append(_shot(feature, f"{word} {below:.0f} m", x, y))
    return found


def _heap_shots() -> List[Shot]:
    found = [_shot("spoil heap", "top of the heap", HEAP[0], HEAP[1])]
    for step in range(7):
        angle = 2.0 * math.pi * step / 7
        x = HEAP[0] + 1.5 * HEAP[2] * math.cos(angle)
        y = HEAP[1] + 1.5 * HEAP[2] * math.sin(angle)
        found.append(_shot("spoil heap", "foot of the heap", x, y))
    return found


def _ground_shots(jitter) -> List[Shot]:
    found = []
    for row in range(-3, 4):
        for column in range(-4, 5):
            x, y = 106.0 * column + jitter(24.0), 104.0 * row + jitter(24.0)
            clear = math.hypot(x - HEAP[0], y - HEAP[1]) > 2.0 * HEAP[2]
            if _inwards(x, y) < -14.0 and clear and _road_near(x, y)[0] > 12.0:
                found.append(_shot("ground", "natural ground", x, y))
    return found


def _ditch_shots() -> List[Shot]:
    return [
        _shot("ditch", "ditch below the future outlet", 430.0 + 32.0 * step, -385.0 - 28.0 * step)
        for step in range(7)
    ]
