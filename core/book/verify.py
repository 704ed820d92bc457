"""Is everything in a book as it was written? Names the first bad entry, and the first bad row."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from typing import Any, Callable, Dict, Iterator, List, Optional, Tuple

import numpy as np

from ..errors import BookError, Cancelled, InputError
from .digests import RESTATED, RowChain, canonical_row, packed_of, text_digest
from .geopackage import SITE_SRS, point_blobs
from .ledger import GENESIS, Entry, Head, entries
from .schema import RANGED, TABLES, VIEWS, create_statements
from .storage import Storage

#: Problems named before the rest is only counted.
MOST = 20


@dataclass(frozen=True)
class Problem:
    """Something that is not as it was written.

    Attributes
    ----------
    sentence : str
    entry : int or None
        Number of the ledger entry.
    table : str
    row : int or None
        Key of the row (`fid`).
    """

    sentence: str
    entry: Optional[int] = None
    table: str = ""
    row: Optional[int] = None


@dataclass(frozen=True)
class Verification:
    """The outcome.

    Attributes
    ----------
    head : Head
        As the book has it.
    rows : int
        Rows whose digests were checked.
    problems : tuple of Problem
        The first ones; empty when all is well.
    more : int
        Further problems not listed.
    against_print : bool
        Whether a printed head was compared. Without one, a tail that was cut off cleanly and a
        book that was made anew from the beginning cannot be told.
    """

    head: Head
    rows: int
    problems: Tuple[Problem, ...]
    more: int
    against_print: bool

    @property
    def ok(self) -> bool:
        return not self.problems

    @property
    def sentence(self) -> str:
        """The outcome in words."""
        if self.problems:
            return self.problems[0].sentence
        said = (f"{self.head.count} entries and {self.rows:,} rows are as they were written; the "
                f"ledger ends with {self.head.hash[:16]}…")
        return said + ("." if self.against_print else
                       ", to be compared with a printed report: without that, an end that was cut "
                       "off does not show.")


class _Findings:
    def __init__(self) -> None:
        self.problems: List[Problem] = []
        self.more = 0
        self.rows = 0

    def add(self, sentence: str, **place: Any) -> None:
        if len(self.problems) < MOST:
            self.problems.append(Problem(sentence, **place))
        else:
            self.more += 1


def verify(
    path,
    head: str = "",
    count: Optional[int] = None,
    *,
    progress: Optional[Callable[[float], bool]] = None,
    whole_file: bool = True,
) -> Verification:
    """Check a book.

    Parameters
    ----------
    head : str, optional
        Hash of the last entry from a printed report; its beginning (8 digits or more) is enough.
    count : int, optional
        Number of entries from the same report.
    whole_file : bool
        Also let SQLite check the file itself (`integrity_check`).

    Raises
    ------
    BookError
        When the file is no book, or so damaged that it cannot be read.
    InputError
        With a head that is no hash.
    """
    head = head.strip().lower()
    if head and (len(head) < 8 or len(head) > 64 or set(head) - set("0123456789abcdef")):
        raise InputError(f"{head!r} is not the hash of an entry.",
                         "Write at least the first eight digits of it, as printed.")
    storage = Storage(path, read_only=not os.access(os.fspath(path), os.W_OK))
    try:
        with storage.reading():
            return _verified(storage, head, count, progress, whole_file)
    finally:
        storage.close()


def _verified(storage, head, count, progress, whole_file) -> Verification:
    found = _Findings()
    if whole_file:
        for (said,) in storage.rows("PRAGMA integrity_check(5)"):
            if said != "ok":
                found.add(f"SQLite finds the file damaged: {said}.")
    _check_schema(storage, found)
    listed = entries(storage, -2**62)
    _check_chain(listed, found)
    covered: Dict[str, int] = dict.fromkeys(RANGED, 0)
    batches: List[int] = []
    for place, entry in enumerate(listed):
        _check_rows(storage, entry, covered, batches, found)
        if progress is not None and not progress((place + 1) / len(listed)):
            raise Cancelled("Stopped before the end; the book was not checked completely.")
    _check_strays(storage, covered, batches, found)
    _check_frames(storage, listed, found)
    end = Head(listed[-1].seq, listed[-1].hash) if listed else Head(0, GENESIS)
    _check_print(listed, head, count, found)
    return Verification(end, found.rows, tuple(found.problems), found.more,
                        bool(head or count is not None))


def _check_schema(storage: Storage, found: _Findings) -> None:
    """Tables, triggers and views as they were made."""
    made = dict(storage.rows("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL"))
    if "ledger" not in made or "book" not in made:
        raise BookError("This is no site book.", "Choose a file made by Sitetie.",
                        file=storage.path)
    for sql in create_statements():
        kind, name = sql.split()[1:3]
        if made.pop(name, None) != sql:
            found.add(f"The {kind.lower()} {name} is missing or was changed.", table=name)
    for name, sql in made.items():
        if not name.startswith(("gpkg_", "rtree_", "sqlite_")) and " TRIGGER " in sql.upper()[:30]:
            found.add(f"The trigger {name} was added; it may change rows.", table=name)


def _check_chain(listed: List[Entry], found: _Findings) -> None:
    previous, place = GENESIS, 0
    for entry in listed:
        place += 1
        try:
            right = entry.expected_hash()
            json.loads(entry.detail)
        except (TypeError, ValueError, RecursionError):
            right = ""
        where = {"entry": entry.seq, "table": "ledger"}
        if entry.seq != place:
            found.add(f"Ledger entry {place} is missing; {entry.seq} follows.", entry=place,
                      table="ledger")
            place = entry.seq
        if entry.hash != right:
            found.add(f"Ledger entry {entry.seq} ({entry.action}, {entry.time}) was changed: its "
                      "hash does not fit its content.", **where)
        elif entry.previous != previous:
            found.add(f"Ledger entry {entry.seq} does not follow the entry before it: one was "
                      "changed, removed, inserted or moved there.", **where)
        previous = entry.hash
    if not listed:
        found.add("The ledger is empty.", table="ledger")


def _check_rows(storage, entry: Entry, covered, batches, found: _Findings) -> None:
    try:
        ranges = [(str(item["table"]), int(item["first"]), int(item["last"]), int(item["rows"]),
                   str(item["digest"])) for item in json.loads(entry.detail)["rows"]]
    except (TypeError, ValueError, KeyError, RecursionError, AttributeError):
        return  # named by the chain already
    for name, first, last, count, digest in ranges:
        if name == "restated":
            batches.append(first)
        elif name in covered:
            covered[name] = max(covered[name], last)
        else:
            continue
        rows, bad = _check_batch(storage, name, first, last, digest)
        found.rows += rows
        label = f"{TABLES[name].title} (table {name})"
        where = {"entry": entry.seq, "table": name}
        if bad is not None:
            found.add(f"{label}: row {bad}{_whose(storage, name, bad)} was changed, or a row was "
                      f"removed, inserted or moved there; entry {entry.seq} of "
                      f"{entry.time[:19]} wrote it otherwise.", row=bad, **where)
        elif rows != count:
            found.add(f"{label}: entry {entry.seq} wrote {count} rows, there are {rows}; "
                      f"{'the last ones are missing' if rows < count else 'some were added'}.",
                      row=_end(storage, name, first, last), **where)


def _check_batch(storage, name, first, last, digest) -> Tuple[int, Optional[int]]:
    """Rows found, and the key of the first that is not as it was; None where all are."""
    table, chain, rows, final = TABLES[name], RowChain(), 0, None
    columns = f"fid, {', '.join(table.names)}, row_check" + (", geom" if table.frame else "")
    check = _packed_check if name == "restated" else _plain_check
    srs = _srs_of(storage, table.frame, name)
    for piece in storage.stream(
            f"SELECT {columns} FROM {name} WHERE fid BETWEEN ? AND ? ORDER BY fid",
            (first, last)):
        bad = check(chain, table, piece, srs)
        if bad is not None:
            return rows, bad
        rows, final = rows + len(piece), piece[-1][0]
    if rows and chain.text != digest:
        # Each row fits the row before it, and yet the whole is another: all was written anew, or
        # the end is missing.
        if name == "restated" or final == last:
            return rows, final
    return rows, None


def _plain_check(chain: RowChain, table, piece, srs) -> Optional[int]:
    width = len(table.names) + 1
    for row in piece:
        if row[width] != chain.add(canonical_row(row[:width])):
            return row[0]
    if table.frame:
        places = [table.names.index(column) + 1 for column in table.place]
        x, y, z = (np.array([row[i] for row in piece], dtype=float) for i in places)
        for row, blob in zip(piece, point_blobs(x, y, z, srs)):
            if row[width + 1] != blob:
                return row[0]
    return None


def _packed_check(chain: RowChain, table, piece, srs) -> Optional[int]:
    width = len(RESTATED.names or ())
    try:
        packed = packed_of([row[:width] for row in piece])
    except (TypeError, ValueError, OverflowError):
        return _plain_type(piece, width)
    checks = chain.add_packed(packed)
    blobs = point_blobs(packed["easting"], packed["northing"], packed["elevation"], srs)
    for row, check, blob in zip(piece, checks, blobs):
        if row[width] != check or row[width + 1] != blob:
            return row[0]
    return None


def _plain_type(piece, width) -> int:
    """The first row with something that is no number."""
    for row in piece:
        if not all(value is None or isinstance(value, (int, float)) for value in row[:width]):
            return row[0]
    return piece[0][0]


def _srs_of(storage: Storage, frame: str, name: str) -> int:
    if frame == "site":
        return SITE_SRS
    rows = storage.rows("SELECT srs_id FROM gpkg_geometry_columns WHERE table_name = ?", (name,))
    return rows[0][0] if rows else 0


def _whose(storage: Storage, name: str, fid: int) -> str:
    """Which point a row is about, for people."""
    column = {"control": "control_id", "observation": "observation_id", "issued": "point",
              "pair": "control_id"}.get(name)
    if column is not None:
        rows = storage.rows(f"SELECT {column} FROM {name} WHERE fid = ?", (fid,))
    elif name == "restated":
        rows = storage.rows("SELECT observation_id FROM observation WHERE fid = ?",
                            (fid % 2**32,))
    else:
        rows = []
    return f" (point {rows[0][0]})" if rows else ""


def _end(storage: Storage, name: str, first: int, last: int) -> Optional[int]:
    return storage.rows(f"SELECT max(fid) FROM {name} WHERE fid BETWEEN ? AND ?",
                        (first, last))[0][0]


def _check_strays(storage, covered: Dict[str, int], batches: List[int], found) -> None:
    """Rows that no entry tells of."""
    for name, last in covered.items():
        for (fid,) in storage.rows(
                f"SELECT fid FROM {name} WHERE fid > ? OR fid < 1 ORDER BY fid LIMIT 3", (last,)):
            found.add(f"{TABLES[name].title} (table {name}): row {fid}{_whose(storage, name, fid)}"
                      " is told of by no entry of the ledger.", table=name, row=fid)
    for batch in _other_batches(storage, set(batches)):
        found.add(f"{TABLES['restated'].title} (table restated): row {batch} is told of by no "
                  "entry of the ledger.", table="restated", row=batch)


def _other_batches(storage: Storage, known: set) -> Iterator[int]:
    """First keys of batches in the table that are not among the known ones."""
    at = -2**62
    while True:
        rows = storage.rows("SELECT fid FROM restated WHERE fid >= ? ORDER BY fid LIMIT 1", (at,))
        if not rows:
            return
        fid = rows[0][0]
        if fid // 2**32 * 2**32 not in known:
            yield fid
        at = (fid // 2**32 + 1) * 2**32


def _check_frames(storage: Storage, listed: List[Entry], found: _Findings) -> None:
    """The CRSs and which layer stands on which: a changed one would move the layer on the map."""
    expected: Dict[str, Tuple[str, int]] = {}
    for entry in listed:
        try:
            written = dict(json.loads(entry.detail)["crs"])
        except (TypeError, ValueError, KeyError, RecursionError):
            continue  # named by the chain already
        expected.update((key, (str(digest), entry.seq)) for key, digest in written.items())
    there = dict(storage.rows("SELECT srs_id, definition_12_063 FROM gpkg_spatial_ref_sys"))
    for key, (digest, seq) in expected.items():
        if not key.isdigit() or text_digest(str(there.get(int(key)))) != digest:
            found.add(f"The CRS {key} is not as entry {seq} wrote it.", entry=seq,
                      table="gpkg_spatial_ref_sys", row=int(key) if key.isdigit() else None)
    stands = dict(storage.rows("SELECT table_name, srs_id FROM gpkg_geometry_columns"))
    frames = [(table.name, table.frame) for table in TABLES.values()]
    for name, frame in [*frames, *((view, frame) for view, _, _, frame in VIEWS)]:
        right = (stands.get(name) == SITE_SRS if frame == "site" else
                 str(stands.get(name)) in expected if frame else name not in stands)
        if not right:
            found.add(f"The layer {name} stands on another CRS than it was made with.",
                      table="gpkg_geometry_columns")


def _check_print(listed: List[Entry], head: str, count: Optional[int], found: _Findings) -> None:
    """Against what a report has printed."""
    if count is not None and len(listed) < count:
        found.add(f"The report tells of {count} entries, the ledger has {len(listed)}: its end was "
                  "cut off.", entry=len(listed) + 1, table="ledger")
        return
    if not head:
        return
    if count is not None:
        then = listed[count - 1] if 0 < count <= len(listed) else None
        if then is None or not then.hash.startswith(head):
            found.add(f"Entry {count} has another hash than the report: the ledger was made anew, "
                      "at that place or before.", entry=count, table="ledger")
    elif not any(entry.hash.startswith(head) for entry in listed):
        found.add("No entry has the hash of the report: the ledger was made anew, or its end was "
                  "cut off.", table="ledger")


