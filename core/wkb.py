"""Coordinates within well-known binary: found, taken out, put back; all else stays byte for byte.

Geometries are ISO WKB (OGC 06-103r4, section 8; ISO/IEC 13249-3), curves, surfaces and
collections included, or carry the older flag of a third dimension (0x80000000).
"""

from __future__ import annotations

import struct
from typing import List, NamedTuple, Sequence

import numpy as np

from .errors import InputError

_POINT, _LINE, _POLYGON, _ARCS, _TRIANGLE = 1, 2, 3, 8, 17
#: What holds geometries: collections of all kinds, compound curves, curve polygons, surfaces.
_HOLDERS = (4, 5, 6, 7, 9, 10, 11, 12, 15, 16)
_OLD_Z = 0x80000000


class Run(NamedTuple):
    """Coordinates that follow each other.

    Attributes
    ----------
    offset : int
        Of the first byte.
    points : int
    has_z, has_m : bool
    counted : bool
        Whether the count stands before it, in four bytes.
    straight : bool
        Whether straight segments join the points.
    order : str
        ``<`` or ``>``, as in `struct`.
    """

    offset: int
    points: int
    has_z: bool
    has_m: bool
    counted: bool
    straight: bool
    order: str

    @property
    def width(self) -> int:
        """Numbers of one point."""
        return 2 + self.has_z + self.has_m

    @property
    def end(self) -> int:
        """Offset behind the last byte."""
        return self.offset + 8 * self.width * self.points

    def read(self, wkb: bytes) -> np.ndarray:
        """(points, width) array: x, y, then z and m as far as there are."""
        kind = np.dtype(f"{self.order}f8")
        return np.frombuffer(wkb, kind, self.points * self.width, self.offset).reshape(
            self.points, self.width)


def find_runs(wkb: bytes) -> List[Run]:
    """All coordinates of a geometry, in their order.

    Raises
    ------
    InputError
        When the bytes are no geometry, or one of a kind that is not known.
    """
    runs: List[Run] = []
    try:
        end = _geometry(wkb, 0, runs)
    except struct.error:
        end = -1
    if end != len(wkb):
        raise InputError("The geometry is damaged.", "Mend it, or take the feature out.")
    return runs


def _geometry(wkb: bytes, at: int, runs: List[Run]) -> int:
    """Collect the runs of the geometry that starts here; gives where it ends."""
    order = "<" if wkb[at:at + 1] == b"\x01" else ">"
    (code,) = struct.unpack_from(f"{order}I", wkb, at + 1)
    has_z, has_m = bool(code & _OLD_Z), False
    code &= ~_OLD_Z
    dimensions, kind = divmod(code, 1000)
    has_z, has_m = has_z or dimensions in (1, 3), dimensions in (2, 3)
    at += 5
    if kind == _POINT:
        runs.append(Run(at, 1, has_z, has_m, False, False, order))
        return runs[-1].end
    if kind not in (_LINE, _ARCS, _POLYGON, _TRIANGLE, *_HOLDERS):
        raise InputError(f"Geometries of the kind {code} are not known.",
                         "Convert the layer to points, lines, polygons or curves.")
    (count,) = struct.unpack_from(f"{order}I", wkb, at)
    if kind in (_LINE, _ARCS):
        runs.append(Run(at + 4, count, has_z, has_m, True, kind == _LINE, order))
        return runs[-1].end
    at += 4
    for _ in range(count):
        if kind in _HOLDERS:
            at = _geometry(wkb, at, runs)
        else:
            (points,) = struct.unpack_from(f"{order}I", wkb, at)
            # A triangle stays one: its sides take no further points.
            runs.append(Run(at + 4, points, has_z, has_m, True, kind == _POLYGON, order))
            at = runs[-1].end
    return at


def replaced(wkb: bytes, runs: Sequence[Run], coordinates: Sequence[np.ndarray]) -> bytes:
    """The geometry with other coordinates.

    Parameters
    ----------
    coordinates : (n, width) array for each run
        As many points as before, except where the run is counted.
    """
    pieces, at = [], 0
    for run, points in zip(runs, coordinates):
        before = run.offset - 4 if run.counted else run.offset
        pieces.append(wkb[at:before])
        if run.counted:
            pieces.append(struct.pack(f"{run.order}I", len(points)))
        pieces.append(np.asarray(points, dtype=f"{run.order}f8").tobytes())
        at = run.end
    pieces.append(wkb[at:])
    return b"".join(pieces)
