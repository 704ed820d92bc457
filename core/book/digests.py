"""Canonical forms and their SHA-256: of ledger entries, of rows, of whole batches.

A batch of rows is chained: the digest after a row is SHA-256 of the digest before it and the row's
canonical bytes, beginning with 32 zero bytes. Each row keeps the first eight bytes of its digest
(`row_check`), so that the first row that was changed, removed, inserted or moved can be named; the
ledger keeps the last digest in full.

Canonical bytes of a row: its values in the order of the columns (`fid` first, without `row_check`
and geometry), each as one letter and big-endian bytes: ``n`` nothing; ``i`` and an int64; ``f``
and a float64; ``s``, the length as uint32, and UTF-8; ``b``, the length, and bytes. A row of
`restated` is packed instead as little-endian int64 fid, batch, observation; float64 easting,
northing, elevation, three sigmas; int64 inside, own, before; float64 moved_h, moved_v; with NaN and
-1 for nothing.
"""

from __future__ import annotations

import hashlib
import json
import struct
from typing import Any, Iterable, Iterator, List, Sequence, Tuple

import numpy as np

START = bytes(32)
_REAL, _WHOLE, _LENGTH = (struct.Struct(layout).pack for layout in (">cd", ">cq", ">cI"))
CHECK = 8
#: The packed form of restated points.
RESTATED = np.dtype([
    ("fid", "<i8"), ("batch", "<i8"), ("observation", "<i8"), ("easting", "<f8"),
    ("northing", "<f8"), ("elevation", "<f8"), ("sigma_e", "<f8"), ("sigma_n", "<f8"),
    ("sigma_z", "<f8"), ("inside", "<i8"), ("own", "<i8"), ("before", "<i8"), ("moved_h", "<f8"),
    ("moved_v", "<f8"),
])


def entry_hash(values: Sequence[Any]) -> str:
    """SHA-256 of a ledger entry: its columns up to `previous` as a JSON array, no blanks."""
    return text_digest(json.dumps(list(values), ensure_ascii=False, separators=(",", ":"),
                                  allow_nan=False))


def text_digest(text: str) -> str:
    """SHA-256 of a text in UTF-8."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def canonical_row(values: Iterable[Any]) -> bytes:
    """The canonical bytes of a row."""
    parts: List[bytes] = []
    for value in values:
        kind = type(value)
        if value is None:
            parts.append(b"n")
        elif kind is float:
            parts.append(_REAL(b"f", value))
        elif kind is int:
            parts.append(_WHOLE(b"i", value))
        elif kind is str:
            text = value.encode("utf-8", "surrogatepass")
            parts += (_LENGTH(b"s", len(text)), text)
        else:
            parts += (_LENGTH(b"b", len(value)), bytes(value))
    return b"".join(parts)


class RowChain:
    """The chained digest of a batch."""

    def __init__(self) -> None:
        self.digest = START

    def add(self, canonical: bytes) -> bytes:
        """Take in a row; gives its `row_check`."""
        self.digest = hashlib.sha256(self.digest + canonical).digest()
        return self.digest[:CHECK]

    def add_packed(self, packed: np.ndarray) -> List[bytes]:
        """Take in packed rows, each (n,) of `RESTATED`; gives their checks."""
        data, size, digest = packed.tobytes(), RESTATED.itemsize, self.digest
        sha256, checks = hashlib.sha256, []
        for start in range(0, len(data), size):
            digest = sha256(digest + data[start: start + size]).digest()
            checks.append(digest[:CHECK])
        self.digest = digest
        return checks

    @property
    def text(self) -> str:
        """The digest as the ledger writes it."""
        return self.digest.hex()


def packed_of(rows: Sequence[Tuple]) -> np.ndarray:
    """Rows of `restated` as read from the book (fid, columns) in packed form.

    Raises
    ------
    TypeError, ValueError
        When a value is no number.
    """
    packed = np.empty(len(rows), dtype=RESTATED)
    for name, column in zip(RESTATED.names or (), zip(*rows)):
        if RESTATED[name].kind == "f":
            packed[name] = np.array(column, dtype=float)  # None becomes NaN
        else:
            packed[name] = np.array([-1 if v is None else v for v in column], dtype=np.int64)
    for name in RESTATED.names or ():
        if RESTATED[name].kind == "f":
            packed[name][np.isnan(packed[name])] = np.nan
    return packed


def unpacked(packed: np.ndarray) -> Iterator[Tuple]:
    """Packed rows as the book stores them, None for nothing."""
    columns: List[List[Any]] = []
    for name in RESTATED.names or ():
        values = packed[name]
        column = values.tolist()
        missing = np.isnan(values) if RESTATED[name].kind == "f" else values == -1
        for place in np.flatnonzero(missing).tolist():
            column[place] = None
        columns.append(column)
    return zip(*columns)
