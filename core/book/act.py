"""One act on a book: rows added, their digests, and the ledger entry that holds them."""

from __future__ import annotations

from typing import Any, Dict, List, Mapping, Optional, Sequence

import numpy as np

from .digests import RESTATED, RowChain, canonical_row, text_digest, unpacked
from .geopackage import INSERT_SRS, SITE_SRS, point_blobs
from .ledger import Entry, append, head_of, plain_text
from .schema import BATCH, TABLES, BookTable
from .storage import Storage


class Act:
    """Within a transaction; `finish` writes the entry.

    Attributes
    ----------
    seq : int
        Number of the entry to come; rows carry it.
    """

    def __init__(self, storage: Storage, user: str, observation_srs: int) -> None:
        self._storage = storage
        self._user = user
        self._srs = {"site": SITE_SRS, "observation": observation_srs}
        self._ranges: List[Dict[str, Any]] = []
        self._crs: Dict[str, str] = {}
        self.seq = head_of(storage).count + 1

    def add(self, name: str, rows: Sequence[Mapping[str, Any]]) -> List[int]:
        """Add rows to a table; gives their keys. Values not given are left blank."""
        if not rows:
            return []
        table, chain = TABLES[name], RowChain()
        first = self._storage.rows(f"SELECT coalesce(max(fid), 0) FROM {name}")[0][0] + 1
        values = []
        for fid, row in enumerate(rows, first):
            plain: List[Any] = [fid]
            for column, kind in table.columns:
                value = self.seq if column == "entry" else row.get(column)
                plain.append(None if value is None else _plain(column, kind, value))
            plain.append(chain.add(canonical_row(plain)))
            values.append(plain)
        if table.frame:
            for row_values, blob in zip(values, self._blobs(table, rows)):
                row_values.append(blob)
        marks = ", ".join("?" * len(values[0]))
        self._storage.insert(f"INSERT INTO {name} VALUES ({marks})", values)
        last = first + len(rows) - 1
        self._ranges.append({"table": name, "first": first, "last": last, "rows": len(rows),
                             "digest": chain.text})
        return list(range(first, last + 1))

    def _blobs(self, table: BookTable, rows: Sequence[Mapping[str, Any]]):
        x, y, z = (np.array([row.get(column) for row in rows], dtype=float)  # None becomes NaN
                   for column in table.place)
        widen(self._storage, table.name, x, y)
        return point_blobs(x, y, z, self._srs[table.frame])

    def add_restated(self, batch: int, pieces: Sequence[np.ndarray]) -> None:
        """Add a batch of restated points, packed, in the order of their keys."""
        chain, count = RowChain(), 0
        marks = ", ".join("?" * (len(RESTATED.names or ()) + 2))
        for packed in pieces:
            checks = chain.add_packed(packed)
            blobs = point_blobs(packed["easting"], packed["northing"], packed["elevation"],
                                SITE_SRS)
            self._storage.insert(
                f"INSERT INTO restated VALUES ({marks})",
                (row + (check, blob) for row, check, blob in zip(unpacked(packed), checks, blobs)))
            widen(self._storage, "restated", packed["easting"], packed["northing"])
            widen(self._storage, "points_now", packed["easting"], packed["northing"])
            count += len(packed)
        self._ranges.append({"table": "restated", "first": batch * BATCH,
                             "last": batch * BATCH + BATCH - 1, "rows": count,
                             "digest": chain.text})

    def set_crs(self, row: Sequence[Any]) -> None:
        """Write a row of gpkg_spatial_ref_sys; the entry keeps the digest of its WKT 2."""
        self._storage.execute(INSERT_SRS, row)
        self._crs[str(row[1])] = text_digest(row[-1])

    def finish(
        self,
        action: str,
        summary: str,
        reason: str = "",
        *,
        tie_number: Optional[int] = None,
        standing: Optional[int] = None,
        **detail: Any,
    ) -> Entry:
        """Write the entry."""
        return append(
            self._storage, user=self._user, action=action, summary=summary, reason=reason,
            tie_number=tie_number, standing=standing,
            detail={**detail, "crs": self._crs, "rows": self._ranges})


def widen(storage: Storage, name: str, x: np.ndarray, y: np.ndarray) -> None:
    """Widen the extent of a layer, and say that it changed."""
    known = np.isfinite(x) & np.isfinite(y)
    if not known.any():
        return
    values = [float(v) for v in (x[known].min(), y[known].min(), x[known].max(), y[known].max())]
    storage.execute(
        "UPDATE gpkg_contents SET last_change = strftime('%Y-%m-%dT%H:%M:%fZ','now'), "
        "min_x = min(coalesce(min_x, ?1), ?1), min_y = min(coalesce(min_y, ?2), ?2), "
        "max_x = max(coalesce(max_x, ?3), ?3), max_y = max(coalesce(max_y, ?4), ?4) "
        "WHERE table_name = ?5", (*values, name))


def _plain(name: str, kind: str, value: Any) -> Any:
    """The value as SQLite will give it back."""
    if kind == "REAL":
        return float(value) + 0.0  # no minus zero
    if kind == "INTEGER":
        return int(value)
    return plain_text(name, value)


