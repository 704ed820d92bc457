"""Coordinates handed out: what they were, and how far off they are under another tie."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Callable, List, Optional

import numpy as np

from ..tie import Tie
from .storage import Storage


@dataclass(frozen=True)
class IssuedPoint:
    """A point handed out: site coordinates, and where it is on the ground if that is known."""

    point: str
    easting: float
    northing: float
    elevation: Optional[float] = None
    latitude: Optional[float] = None
    longitude: Optional[float] = None
    height: Optional[float] = None


@dataclass(frozen=True)
class IssuedOff:
    """An issued point that the standing tie sees elsewhere: now less as handed out."""

    point: str
    kind: str
    handed_to: str
    tie_number: int
    east: float
    north: float
    up: Optional[float]


def issued_off(
    storage: Storage,
    standing: Optional[int],
    tie: Callable[[Optional[int]], Tie],
    tolerance_h: float,
    tolerance_v: Optional[float],
) -> List[IssuedOff]:
    """See `SiteBook.issued_off`."""
    rows = storage.rows(
        "SELECT point, kind, handed_to, tie_number, easting, northing, elevation, latitude, "
        "longitude, height FROM issued WHERE tie_number IS NOT ? ORDER BY fid", (standing,))
    if not rows:
        return []
    columns = list(zip(*rows))
    heights = np.array([np.nan if v is None else v for v in columns[9]], dtype=float)
    now = tie(standing).to_site(np.array(columns[7]), np.array(columns[8]), heights)
    found = []
    for i, row in enumerate(rows):
        east, north = float(now[0][i] - row[4]), float(now[1][i] - row[5])
        up = None if row[6] is None else float(now[2][i] - row[6])
        up = None if up is None or math.isnan(up) else up
        if math.hypot(east, north) > tolerance_h or (
                tolerance_v is not None and up is not None and abs(up) > tolerance_v):
            found.append(IssuedOff(row[0], row[1], row[2], row[3], east, north, up))
    return found
