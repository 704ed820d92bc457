"""The site book proves itself: tampering is named, crashes cost nothing, two can write.

Short runs; `book_tampering` and `book_crashes` are scripts for the long ones.
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import subprocess
import sys

import pytest

from sitetie.core.book import SiteBook, verify
from sitetie.core.errors import BookError, Cancelled, InputError
from sitetie.tests.core.book_crashes import command, faults_in_new_process, library
from sitetie.tests.core.book_tampering import (
    KINDS,
    _Unlocked,
    cut_tail,
    filled_book,
    named,
    remake_chain,
    tampered,
)

LINUX = pytest.mark.skipif(sys.platform != "linux", reason="needs fork")


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    return filled_book(tmp_path_factory.mktemp("book") / "filled.gpkg")


@pytest.fixture
def copy(filled, tmp_path):
    path = tmp_path / "copy.gpkg"
    shutil.copyfile(filled, path)
    return path


def test_an_untouched_book_is_right(filled):
    found = verify(filled)
    assert found.ok
    assert found.head.count == 10
    assert found.rows > 150
    assert "printed report" in found.sentence
    with SiteBook.open(filled) as book:
        head = book.head()
    assert head == found.head
    against = verify(filled, head.hash, head.count)
    assert against.ok
    assert against.against_print
    assert verify(filled, head.hash[:8]).ok


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_each_kind_of_tampering_is_named(filled, tmp_path, kind, monkeypatch):
    monkeypatch.setattr("sitetie.tests.core.book_tampering.KINDS", (kind,))
    path, draw = tmp_path / "tampered.gpkg", random.Random(kind.__name__)
    for _ in range(5):
        done = tampered(filled, path, draw)
        found = verify(path, whole_file=False)
        assert named(done, found), (done, found.problems)


def test_a_cut_tail_shows_against_a_printed_head(filled, copy):
    head = verify(filled).head
    cut_tail(copy)
    assert verify(copy).ok  # what remains is right in itself: only the print can tell
    found = verify(copy, head.hash, head.count)
    assert "10 entries, the ledger has 9: its end was cut off" in found.problems[0].sentence
    assert not verify(copy, head.hash).ok
    assert not verify(copy, count=10).ok
    assert verify(copy, count=9).ok


def test_a_remade_chain_shows_against_a_printed_head(filled, copy):
    head = verify(filled).head
    remake_chain(copy)
    assert verify(copy).ok
    found = verify(copy, head.hash, head.count)
    assert found.problems[0].entry == 10
    assert "made anew" in found.problems[0].sentence
    assert "made anew" in verify(copy, head.hash).sentence
    with SiteBook.open(copy) as book:
        early = book.entries(3, 3)[0]
    assert verify(copy, early.hash, 3).ok  # a report from before the change still fits


def test_later_entries_do_not_disturb_an_old_print(filled, copy):
    head = verify(filled).head
    with SiteBook.open(copy, user="bob") as book:
        book.restate("after the correction") if book.standing is None else book.stand_back(1)
    found = verify(copy, head.hash, head.count)
    assert found.ok
    assert found.head.count == head.count + 1


def test_a_moved_point_on_the_map_is_named(copy):
    """The geometry alone, the numbers untouched."""
    with _Unlocked(copy) as c:
        key, blob = c.execute("SELECT fid, geom FROM restated LIMIT 1 OFFSET 7").fetchone()
        c.execute("UPDATE restated SET geom = ? WHERE fid = ?", (blob[:-1] + b"\x41", key))
    problem = verify(copy).problems[0]
    assert (problem.table, problem.row) == ("restated", key)
    assert "(point " in problem.sentence


@pytest.mark.parametrize("sql", [
    "DROP TRIGGER observation_never_changed",
    "DROP VIEW points_now",
    "CREATE TRIGGER quiet AFTER INSERT ON control BEGIN SELECT 1; END",
])
def test_a_changed_schema_is_named(copy, sql):
    connection = sqlite3.connect(copy)
    connection.execute(sql)
    connection.close()
    name = sql.split()[2]
    assert name in verify(copy).problems[0].sentence


@pytest.mark.parametrize(("sql", "words"), [
    ("UPDATE gpkg_spatial_ref_sys SET definition_12_063 = replace(definition_12_063, 'A0\",1', "
     "'A0\",2') WHERE srs_id = 990000", "The CRS 990000 is not as entry 9 wrote it"),
    ("DELETE FROM gpkg_spatial_ref_sys WHERE srs_id = 990001", "The CRS 990001 is not as entry 4"),
    ("UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'points_now'",
     "The layer points_now stands on another CRS"),
    ("UPDATE gpkg_geometry_columns SET srs_id = 4326 WHERE table_name = 'observation'",
     "observation"),
])
def test_a_layer_moved_by_its_crs_is_named(copy, sql, words):
    connection = sqlite3.connect(copy)
    assert connection.execute(sql).rowcount == 1
    connection.commit()
    connection.close()
    found = verify(copy)
    assert any(words in problem.sentence for problem in found.problems), found.problems


def test_heads_that_are_none(copy):
    for head in ("xyz", "12345", "g" * 64):
        with pytest.raises(InputError, match="not the hash"):
            verify(copy, head)
    with pytest.raises(Cancelled, match="not checked completely"):
        verify(copy, progress=lambda share: False)


def test_bytes_on_disk_that_rotted(filled, tmp_path):
    """Any byte changed under SQLite's feet is found, or the file is refused in plain words."""
    draw, data = random.Random(8), filled.read_bytes()
    path, quiet = tmp_path / "rotten.gpkg", 0
    whole = verify(filled)
    for _ in range(25):
        place = draw.randrange(100, len(data))
        path.write_bytes(data[:place] + bytes([data[place] ^ (1 << draw.randrange(8))])
                         + data[place + 1:])
        try:
            found = verify(path)
        except BookError:
            continue
        if found.ok:  # unused space, or GeoPackage metadata: content and head are the same
            quiet += 1
            assert found.head == whole.head
            assert found.rows == whole.rows
    assert quiet < 25


def _script(*arguments: str) -> str:
    found = subprocess.run(command(*arguments), capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout + found.stderr
    assert "all well" in found.stdout, found.stdout + found.stderr
    return found.stdout


@LINUX
def test_kill_9_at_random_moments():
    _script("kill", "--points", "1500", "--cases", "30", "--seconds", "8")


@LINUX
def test_two_writers():
    said = _script("writers", "--seconds", "2")
    assert "acts" in said


@LINUX
def test_writes_that_fail(tmp_path):
    """Disk full, share gone, file turned read-only, at the system calls."""
    if library(tmp_path) is None:
        pytest.skip("needs a C compiler")
    said = faults_in_new_process(60, 3, tmp_path)
    assert "all well" in said, said
    for words in ("accept, disk full: as before, and said", "accept, share gone: as before",
                  "import, read-only: as before", "create, disk full: not made, and said"):
        assert words in said
