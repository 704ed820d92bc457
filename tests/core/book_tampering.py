"""Random tampering with the content of a site book, and whether `verify` names it.

As a script: ``python -m sitetie.tests.core.book_tampering --cases 1000``.
"""

from __future__ import annotations

import argparse
import json
import random
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Callable, Dict, List, NamedTuple, Optional, Tuple

from sitetie.core.book import IssuedPoint, Verification, verify
from sitetie.core.book.digests import RowChain, canonical_row
from sitetie.core.book.ledger import COLUMNS, Entry
from sitetie.core.book.schema import TABLES
from sitetie.core.errors import SitetieError
from sitetie.tests.core.book_job import job, new_book, observations

#: Tables with rows in the book that is tampered with.
DATA = ("book", "control", "observation", "session_correction", "tie", "pair", "restatement",
        "restated", "issued")


class Tampering(NamedTuple):
    """What was done, and where it must be found: table and, if a row can be named, its key."""

    words: str
    table: str
    row: Optional[int]


def filled_book(path: Path) -> Path:
    """A book in which everything has happened."""
    site, first, second = job()
    with new_book(path, site, 25) as book:
        book.accept(first, "first")
        book.issue([IssuedPoint("S1", *first.to_site(48.8, 14.9, 510.0)),
                    IssuedPoint("S2", *first.to_site(48.801, 14.9, 510.0))], "stakes")
        book.add_observations(observations(site, 10, day=2))
        book.restate("day 2")
        book.correct_session("day 2", 0.1, 0.1, 0.1)
        book.accept(second, "second")
        book.add_control([site.pairs[0].control], source_document="plan 8")
    return path


class _Unlocked:
    """Without triggers, which stand again afterwards, as they were."""

    def __init__(self, path: Path) -> None:
        self.connection = sqlite3.connect(path, isolation_level=None)
        self.connection.execute("PRAGMA synchronous = OFF")
        self.connection.execute("PRAGMA journal_mode = MEMORY")

    def __enter__(self) -> sqlite3.Connection:
        self._made = self.connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in self._made:
            self.connection.execute(f"DROP TRIGGER {name}")
        return self.connection

    def __exit__(self, *details: object) -> None:
        for _, sql in self._made:
            self.connection.execute(sql)
        self.connection.close()


def _other(value: object, draw: random.Random) -> object:
    if value is None:
        return draw.choice([0, 1.5, "x"])
    if isinstance(value, bytes):
        place = draw.randrange(len(value))
        return value[:place] + bytes([value[place] ^ (1 << draw.randrange(8))]) + value[place + 1:]
    if isinstance(value, float):
        return draw.choice([value + 1e-3, value * (1.0 + 4e-16) + 1e-300, -value - 1.0, None])
    if isinstance(value, int):
        return draw.choice([value + 1, value - 1, value ^ 64, None])
    text = str(value)
    place = draw.randrange(len(text) + 1)
    return draw.choice([text[:place] + "0" + text[place:], text + " ", text.upper() + "!", None])


def change_row(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    name = draw.choice(DATA)
    columns = [row[1] for row in c.execute(f"PRAGMA table_info({name})")][1:]
    key = draw.choice([row[0] for row in c.execute(f"SELECT fid FROM {name}")])
    while True:
        column = draw.choice(columns)
        old = c.execute(f"SELECT {column} FROM {name} WHERE fid = ?", (key,)).fetchone()[0]
        c.execute(f"UPDATE {name} SET {column} = ? WHERE fid = ?", (_other(old, draw), key))
        now = c.execute(f"SELECT {column} FROM {name} WHERE fid = ?", (key,)).fetchone()[0]
        if now != old:
            return Tampering(f"{column} of {name} {key}: {old!r} became {now!r}", name, key)


def remove_row(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    name = draw.choice(DATA)
    key = draw.choice([row[0] for row in c.execute(f"SELECT fid FROM {name}")])
    c.execute(f"DELETE FROM {name} WHERE fid = ?", (key,))
    return Tampering(f"{name} {key} removed", name, None)


def insert_row(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    """A copy of a row, behind the others, or in a gap between two batches."""
    name = draw.choice(DATA)
    keys = [row[0] for row in c.execute(f"SELECT fid FROM {name}")]
    columns = ", ".join([row[1] for row in c.execute(f"PRAGMA table_info({name})")][1:])
    key = draw.choice([max(keys) + 1, min(keys) - 1, max(keys) + 2**33])
    c.execute(f"INSERT INTO {name} (fid, {columns}) SELECT ?, {columns} FROM {name} WHERE fid = ?",
              (key, draw.choice(keys)))
    return Tampering(f"{name} {key} inserted", name, None)


def swap_rows(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    while True:
        name = draw.choice(DATA)
        keys = [row[0] for row in c.execute(f"SELECT fid FROM {name}")]
        if len(keys) > 1:
            break
    one, other = sorted(draw.sample(keys, 2))
    for start, end in ((one, -5), (other, one), (-5, other)):
        c.execute(f"UPDATE {name} SET fid = ? WHERE fid = ?", (end, start))
    return Tampering(f"{name} {one} and {other} exchanged", name, one)


def forge_row(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    """A changed row with its own check and those of all rows after it made to fit."""
    name = draw.choice([n for n in DATA if n != "restated"])
    columns = TABLES[name].names
    key, entry = draw.choice(c.execute(f"SELECT fid, entry FROM {name}").fetchall())
    place = draw.randrange(1, len(columns))
    old = c.execute(f"SELECT {columns[place]} FROM {name} WHERE fid = ?", (key,)).fetchone()[0]
    new = "forged" if isinstance(old, str) or old is None else old + 1
    c.execute(f"UPDATE {name} SET {columns[place]} = ? WHERE fid = ?", (new, key))
    chain = RowChain()
    for row in c.execute(f"SELECT fid, {', '.join(columns)} FROM {name} WHERE entry = ? ORDER BY "
                         "fid", (entry,)).fetchall():
        c.execute(f"UPDATE {name} SET row_check = ? WHERE fid = ?",
                  (chain.add(canonical_row(row)), row[0]))
    return Tampering(f"{columns[place]} of {name} {key} forged", name, None)


def change_entry(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    seq = draw.choice([row[0] for row in c.execute("SELECT seq FROM ledger")])
    while True:
        column = draw.choice(COLUMNS)
        quoted = f'"{column}"'
        old = c.execute(f"SELECT {quoted} FROM ledger WHERE seq = ?", (seq,)).fetchone()[0]
        try:
            c.execute(f"UPDATE ledger SET {quoted} = ? WHERE seq = ?", (_other(old, draw), seq))
        except sqlite3.IntegrityError:  # not null, or a number that is taken
            continue
        now = c.execute(f"SELECT {quoted} FROM ledger WHERE seq = ?", (seq,)).fetchone()
        if now is None or now[0] != old:
            return Tampering(f"{column} of entry {seq} changed", "ledger", None)


def remove_entry(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    seqs = [row[0] for row in c.execute("SELECT seq FROM ledger")]
    seq = draw.choice(seqs)
    c.execute("DELETE FROM ledger WHERE seq = ?", (seq,))
    if draw.random() < 0.5:  # those after it move up
        for later in range(seq + 1, max(seqs) + 1):
            c.execute("UPDATE ledger SET seq = ? WHERE seq = ?", (later - 1, later))
    # Of the last entry nothing tells but its rows, which no entry tells of any more.
    return Tampering(f"entry {seq} removed", "control" if seq == max(seqs) else "ledger", None)


def insert_entry(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    """An entry with a right hash of its own, somewhere in the ledger."""
    last = c.execute("SELECT max(seq) FROM ledger").fetchone()[0]
    seq = draw.randint(1, last)
    for later in range(last, seq - 1, -1):
        c.execute("UPDATE ledger SET seq = ? WHERE seq = ?", (later + 1, later))
    before = c.execute("SELECT hash FROM ledger WHERE seq = ?", (seq - 1,)).fetchone()
    made = Entry(seq, "2026-05-01T00:00:00.000000Z", "eve", "Sitetie", "control", "Nothing.", "",
                 None, None, '{"rows":[]}', before[0] if before else "0" * 64, "")
    marks = ", ".join("?" * len(COLUMNS))
    c.execute(f"INSERT INTO ledger VALUES ({marks})",
              [*(getattr(made, name) for name in COLUMNS[:-1]), made.expected_hash()])
    return Tampering(f"an entry inserted at {seq}", "ledger", None)


def swap_entries(c: sqlite3.Connection, draw: random.Random) -> Tampering:
    one, other = draw.sample([row[0] for row in c.execute("SELECT seq FROM ledger")], 2)
    for start, end in ((one, -5), (other, one), (-5, other)):
        c.execute("UPDATE ledger SET seq = ? WHERE seq = ?", (end, start))
    return Tampering(f"entries {one} and {other} exchanged", "ledger", None)


KINDS: Tuple[Callable[[sqlite3.Connection, random.Random], Tampering], ...] = (
    change_row, remove_row, insert_row, swap_rows, forge_row, change_entry, remove_entry,
    insert_entry, swap_entries)


def tampered(original: Path, path: Path, draw: random.Random) -> Tampering:
    """A copy of a book with something done to it."""
    shutil.copyfile(original, path)
    with _Unlocked(path) as connection:
        return draw.choice(KINDS)(connection, draw)


def named(done: Tampering, found: Verification) -> bool:
    """Whether the outcome names what was done: the table, and the row where there is one."""
    return any(problem.table == done.table and (done.row is None or problem.row == done.row)
               for problem in found.problems)


def run(cases: int, seed: int, folder: Path) -> Tuple[Dict[str, int], List[str]]:
    """Counts by outcome, and what was missed."""
    original = filled_book(folder / "original.gpkg")
    clean = verify(original)
    assert clean.ok, clean.problems
    counts, missed = {"found and named": 0, "missed": 0}, []
    draw = random.Random(seed)
    for case in range(cases):
        path = folder / "tampered.gpkg"
        done = tampered(original, path, draw)
        try:
            good = named(done, verify(path, whole_file=False))
        except SitetieError as error:  # so damaged that it cannot be read, which is said
            good = True
            done = done._replace(words=f"{done.words}: {error}")
        counts["found and named" if good else "missed"] += 1
        if not good:
            missed.append(f"case {case}: {done.words}")
    return counts, missed


def cut_tail(path: Path) -> None:
    """Take the last act out, rows and all, so that what remains is right in itself."""
    with _Unlocked(path) as c:
        seq, detail = c.execute("SELECT seq, detail FROM ledger ORDER BY seq DESC LIMIT 1"
                                ).fetchone()
        for item in json.loads(detail)["rows"]:
            c.execute(f"DELETE FROM {item['table']} WHERE fid BETWEEN ? AND ?",
                      (item["first"], item["last"]))
        c.execute("DELETE FROM ledger WHERE seq = ?", (seq,))


def remake_chain(path: Path) -> None:
    """Change an entry and make every hash fit again."""
    with _Unlocked(path) as c:
        c.execute("UPDATE ledger SET reason = 'another' WHERE seq = 4")
        previous = "0" * 64
        for row in c.execute("SELECT * FROM ledger ORDER BY seq").fetchall():
            made = Entry(*row[:-2], previous, "")
            previous = made.expected_hash()
            c.execute("UPDATE ledger SET previous = ?, hash = ? WHERE seq = ?",
                      (made.previous, previous, made.seq))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        counts, missed = run(options.cases, options.seed, Path(folder))
    print(counts)
    for words in missed:
        print(words)


if __name__ == "__main__":
    main()
