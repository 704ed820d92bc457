"""The ledger: what happened, in order, each entry chained to the one before it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime, timezone
from typing import Any, Dict, List, Mapping, Optional, Tuple

from ..errors import InputError
from ..version import VERSION
from .digests import entry_hash
from .storage import Storage

#: The hash before the first entry.
GENESIS = "0" * 64
COLUMNS = ("seq", "time", "user", "software", "action", "summary", "reason", "tie_number",
           "standing", "detail", "previous", "hash")
SELECT = 'SELECT {} FROM ledger '.format(
    ", ".join('"user"' if name == "user" else name for name in COLUMNS))


@dataclass(frozen=True)
class Head:
    """Where a ledger ends: number of entries, and the hash of the last one. Printed in reports."""

    count: int
    hash: str


@dataclass(frozen=True)
class Entry:
    """An entry.

    Attributes
    ----------
    seq : int
        From 1.
    time : str
        UTC, ISO 8601.
    user, software : str
    action : str
        ``created``, ``control``, ``observations``, ``session_corrected``, ``accepted``,
        ``restated``, ``issued`` or ``stood_back``.
    summary, reason : str
        What was done, and why in the person's words.
    tie_number : int or None
        The tie it is about.
    standing : int or None
        The tie that stands after it.
    detail : str
        JSON: `rows` names the rows added with their digests.
    previous, hash : str
    """

    seq: int
    time: str
    user: str
    software: str
    action: str
    summary: str
    reason: str
    tie_number: Optional[int]
    standing: Optional[int]
    detail: str
    previous: str
    hash: str

    @property
    def details(self) -> Dict[str, Any]:
        return json.loads(self.detail)

    def expected_hash(self) -> str:
        """What the hash must be."""
        return entry_hash([getattr(self, name) for name in COLUMNS[:-1]])


def head_of(storage: Storage) -> Head:
    """Where the ledger ends."""
    last = storage.rows("SELECT seq, hash FROM ledger ORDER BY seq DESC LIMIT 1")
    return Head(*last[0]) if last else Head(0, GENESIS)


def entries(storage: Storage, first: int = 1, last: Optional[int] = None) -> List[Entry]:
    """Entries by their numbers."""
    rows = storage.rows(SELECT + "WHERE seq BETWEEN ? AND ? ORDER BY seq",
                        (first, 2**62 if last is None else last))
    return [Entry(*row) for row in rows]


def append(
    storage: Storage,
    *,
    user: str,
    action: str,
    summary: str,
    reason: str,
    tie_number: Optional[int],
    standing: Optional[int],
    detail: Mapping[str, Any],
) -> Entry:
    """Write the next entry, within a transaction."""
    before = head_of(storage)
    time = datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    text = json.dumps(detail, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    values: Tuple[Any, ...] = (
        before.count + 1, time, plain_text("user", user), f"Sitetie {VERSION}", action,
        plain_text("summary", summary), plain_text("reason", reason), tie_number, standing, text,
        before.hash)
    entry = Entry(*[*values, entry_hash(values)])
    marks = ", ".join("?" * len(COLUMNS))
    storage.execute(f"INSERT INTO ledger VALUES ({marks})",
                    [getattr(entry, name) for name in COLUMNS])
    return entry


def plain_text(name: str, text: object) -> str:
    """Text that every reader can hold.

    Raises
    ------
    InputError
    """
    given = str(text or "")
    try:
        given.encode("utf-8")
    except UnicodeEncodeError:  # half a character
        given += "\x00"
    if "\x00" in given:
        raise InputError(f"{name} {given!r} holds a character that no file can hold.",
                         "Write it again.")
    return given
