"""The site book: what acts leave in it, what it refuses, and that SQL and GDAL can read it."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pyproj
import pytest

from sitetie.core import Control, Observation, solve
from sitetie.core.book import IssuedPoint, SiteBook, verify
from sitetie.core.book.geopackage import SITE_SRS, point_blobs
from sitetie.core.book.schema import TABLES, VIEWS
from sitetie.core.errors import BookError, Cancelled, InputError, OutputError, SettingsError
from sitetie.tests.core.book_job import CRS, job, moved, new_book, observations
from sitetie.tests.core.sites import change


@pytest.fixture(scope="module")
def site_and_ties():
    return job()


@pytest.fixture
def book(tmp_path, site_and_ties):
    made = new_book(tmp_path / "pit.gpkg", site_and_ties[0])
    yield made
    made.close()


def query(book: SiteBook, sql: str, *parameters):
    connection = sqlite3.connect(book.path)
    try:
        return connection.execute(sql, parameters).fetchall()
    finally:
        connection.close()


# -- acts ----------------------------------------------------------------------------------------


def test_restated_points_are_those_of_the_tie(book, site_and_ties):
    site, first, second = site_and_ties
    book.accept(first, "four pairs")
    book.accept(second, "all pairs")
    assert book.standing == 2
    assert book.tie().id == second.id
    assert book.tie(1).id == first.id
    for number, tie in ((1, first), (2, second)):
        rows = query(book, "SELECT o.latitude, o.longitude, o.height, r.easting, r.northing, "
                     "r.elevation FROM restatement b JOIN restated r ON r.batch = b.batch JOIN "
                     "observation o ON o.fid = r.observation WHERE b.tie_number = ?", number)
        assert len(rows) == 48
        given = np.array(rows)
        assert np.array_equal(np.array(tie.to_site(*given[:, :3].T)).T, given[:, 3:])
    assert verify(book.path).ok


def test_what_moved_and_by_which_tie(book, site_and_ties):
    """Before, after, distance, tie number, who, when, why: one query."""
    _, first, second = site_and_ties
    book.accept(first, "four pairs")
    book.accept(second, "all pairs")
    life = book.life("100007")
    assert [row["tie_number"] for row in life] == [1, 2]
    assert life[0]["easting_before"] is None
    assert life[0]["moved_h"] is None
    assert (life[1]["easting_before"], life[1]["northing_before"]) == (
        life[0]["easting"], life[0]["northing"])
    assert life[1]["moved_h"] == pytest.approx(np.hypot(
        life[1]["easting"] - life[0]["easting"], life[1]["northing"] - life[0]["northing"]))
    assert life[1]["moved_v"] == life[1]["elevation"] - life[0]["elevation"]
    assert (life[1]["user"], life[1]["reason"]) == ("ann", "all pairs")
    entry = book.entries()[-1]
    largest = query(book, "SELECT max(moved_h) FROM restated")[0][0]
    assert entry.details["largest_moved_h"] == largest
    assert {"pair": "C4 = G4", "side": "horizontal", "from": "none",
            "to": "fit"} in entry.details["role_changes"]


def test_role_changes_are_recorded(book, site_and_ties):
    site, _, second = site_and_ties
    book.accept(second)
    pairs = list(site.pairs)
    pairs[2] = change(pairs[2], horizontal="check")
    book.accept(solve(pairs, site.settings))
    assert book.entries()[-1].details["role_changes"] == [
        {"pair": "C2 = G2", "side": "horizontal", "from": "fit", "to": "check"}]
    assert query(book, "SELECT horizontal, vertical FROM pair WHERE tie_number = 2 AND "
                 "control_id = 'C2'") == [("check", "fit")]


def test_a_further_day_is_restated_alone(book, site_and_ties):
    site, first, _ = site_and_ties
    book.accept(first)
    with pytest.raises(InputError, match="has stated every observation already"):
        book.restate()
    book.add_observations(observations(site, 15, day=2), reason="day 2")
    entry = book.restate()
    assert entry.details["points"] == 15
    assert len(query(book, "SELECT * FROM points_now")) == 48 + 15
    assert verify(book.path).ok


def test_standing_back(book, site_and_ties):
    site, first, second = site_and_ties
    book.accept(first)
    book.accept(second)
    before = query(book, "SELECT observation, easting FROM points_now ORDER BY observation")
    book.add_observations(observations(site, 5, day=2))
    book.restate()
    book.stand_back(1, "second was wrong")
    assert book.standing == 1
    now = query(book, "SELECT observation, easting, tie_number FROM points_now ORDER BY 1")
    assert len(now) == 53  # the new day's points were stated by tie 1 on the way
    assert {row[2] for row in now} == {1}
    assert now[0][1] != before[0][1]
    with pytest.raises(InputError, match="stands already"):
        book.stand_back(1)
    with pytest.raises(BookError, match="no tie 7"):
        book.stand_back(7)
    assert verify(book.path).ok


def test_the_base_of_a_session_is_corrected(book, site_and_ties):
    """Raw values stay; positions move by the geocentric shift, as pyproj has it."""
    _, first, _ = site_and_ties
    book.accept(first)
    raw = query(book, "SELECT latitude, longitude, height FROM observation ORDER BY fid")
    shift = (0.131, -0.052, 0.220)
    entry = book.correct_session("day 1", *shift, source="final base", reason="base known")
    assert "mm per km" in entry.summary
    book.restate("base known")
    assert query(book, "SELECT latitude, longitude, height FROM observation ORDER BY fid") == raw
    there = pyproj.Transformer.from_crs(CRS, "EPSG:7930", always_xy=True)
    for name in ("100000", "100033"):
        row = query(book, "SELECT latitude, longitude, height FROM observation WHERE "
                    "observation_id = ?", name)[0]
        x, y, z = there.transform(row[1], row[0], row[2])
        lon, lat, up = there.transform(x + shift[0], y + shift[1], z + shift[2],
                                       direction="INVERSE")
        expected = first.to_site(lat, lon, up)
        found = query(book, "SELECT easting, northing, elevation FROM points_now WHERE "
                      "observation_id = ?", name)[0]
        assert found == pytest.approx(expected, abs=1e-6)
    # Observations of pairs are of no session here: they did not move.
    assert query(book, "SELECT count(*) FROM restated WHERE batch = 2")[0][0] == 40
    with pytest.raises(InputError, match="No observation is of the session"):
        book.correct_session("day 9", 1.0, 0.0, 0.0)
    with pytest.raises(InputError, match="is none"):
        book.correct_session("day 1", 0.0, 0.0, 0.0)


def test_control_reissued(book, site_and_ties):
    site, first, _ = site_and_ties
    book.accept(first)
    old = site.pairs[1].control
    new = Control(old.id, old.easting + 0.05, old.northing, old.elevation, old.sigma_h,
                  old.sigma_v)
    entry = book.add_control([new], source_document="plan 7", document_version="B",
                             reason="mark rebuilt")
    assert entry.details["reissued"] == ["C1"]
    assert entry.details["ties_that_used_them"] == [1]
    assert "C1 reissued; used by tie 1" in entry.summary
    versions = query(book, "SELECT version, easting, document_version FROM control WHERE "
                     "control_id = 'C1' ORDER BY version")
    assert versions == [(1, old.easting, "A"), (2, old.easting + 0.05, "B")]
    assert query(book, "SELECT version FROM control_now WHERE control_id = 'C1'") == [(2,)]
    with pytest.raises(InputError, match="already, unchanged"):
        book.add_control([new], source_document="plan 7", document_version="B")


def test_observations_are_recognised_and_never_changed(book, site_and_ties):
    site = site_and_ties[0]
    same = observations(site, 40)
    with pytest.raises(InputError, match="already, unchanged"):
        book.add_observations(same)
    other = Observation("100003", same[3].latitude, same[3].longitude, 501.0, session="day 2")
    with pytest.raises(InputError, match=r"point 100003: 1 observation with other values"):
        book.add_observations([*same, other])
    entry = book.add_observations([*same, other], on_changed="occupation")
    assert entry.summary == "1 observation added, 40 known already, 1 of them further occupations."
    assert query(book, "SELECT occupation, height FROM observation WHERE observation_id = "
                 "'100003' ORDER BY 1") == [(1, same[3].height), (2, 501.0)]


def test_observations_without_height_or_in_another_frame(book, site_and_ties):
    _, first, _ = site_and_ties
    lat, lon = site_and_ties[0].latitude, site_and_ties[0].longitude
    book.add_observations([Observation("flat", lat, lon),
                           Observation("other", lat, lon, 510.0, crs="EPSG:7931", epoch=2020.5)])
    book.accept(first)
    rows = {row[0]: row[1:] for row in query(
        book, "SELECT observation_id, easting, northing, elevation FROM points_now WHERE "
        "observation_id IN ('flat', 'other')")}
    assert rows["flat"] == (*first.to_site(lat, lon)[:2], None)
    assert rows["other"] == pytest.approx(first.to_site(lat, lon, 510.0), abs=1e-6)
    assert verify(book.path).ok


def test_issued_points_that_are_off(book, site_and_ties):
    site, first, second = site_and_ties
    with pytest.raises(InputError, match="No tie stands yet"):
        book.issue([IssuedPoint("S1", 0.0, 0.0)], "stakes")
    book.accept(first)
    places = [(site.latitude + 0.001 * i, site.longitude, 505.0) for i in range(3)]
    book.issue([IssuedPoint(f"S{i}", *first.to_site(*place)) for i, place in enumerate(places)],
               "stakes", "crew 2", reason="kerb")
    assert book.issued_off(1e-9) == []
    book.accept(second)
    off = book.issued_off(1e-6)
    assert [item.point for item in off] == ["S0", "S1", "S2"]
    for item, place in zip(off, places):
        then, now = np.array(first.to_site(*place)), np.array(second.to_site(*place))
        assert (item.east, item.north, item.up) == pytest.approx(now - then, abs=1e-6)
        assert (item.kind, item.handed_to, item.tie_number) == ("stakes", "crew 2", 1)
    assert book.issued_off(10.0) == []
    assert len(book.issued_off(10.0, 1e-6)) == 3


def test_units_and_frames_that_do_not_go_together_are_refused(book, site_and_ties):
    site = job(unit="us-ft")[0]
    feet = solve(site.pairs, site.settings)
    with pytest.raises(InputError, match="in us-ft"):
        book.accept(feet)
    plain, _, _ = site_and_ties
    other = solve(plain.pairs, plain.settings.replace(
        observation_crs="EPSG:4326", datum_operation="identical"))
    with pytest.raises(InputError, match="EPSG:4326"):
        book.accept(other)
    assert book.standing is None


def test_nothing_stays_of_an_act_that_was_stopped(book, site_and_ties):
    _, first, _ = site_and_ties
    head = book.head()
    with pytest.raises(Cancelled):
        book.accept(first, progress=lambda share: False)
    assert book.head() == head
    assert query(book, "SELECT count(*) FROM tie")[0][0] == 0


def test_a_tie_before_any_observation(tmp_path, site_and_ties):
    _, first, _ = site_and_ties
    with SiteBook.create(tmp_path / "new.gpkg", job="", site_unit="m",
                         observation_crs=CRS) as book:
        assert book.standing is None
        with pytest.raises(BookError, match="No tie stands yet"):
            book.restate()
        book.accept(first)
        book.add_observations(observations(site_and_ties[0], 3))
        assert book.restate().details["points"] == 3
        with pytest.raises(InputError, match="no observations to add"):
            book.add_observations([])
        with pytest.raises(InputError, match="no control points to add"):
            book.add_control([])
    assert verify(tmp_path / "new.gpkg").ok


def test_a_report_tells_where_the_ledger_ends(book, site_and_ties):
    from sitetie.core.report import ReportDetails, report_html

    tie = site_and_ties[1]
    book.accept(tie)
    head = book.head()
    page = report_html(tie, ReportDetails(entries=head.count, head=head.hash))
    assert f"ends with entry {head.count}, hash {head.hash}" in page.replace("<wbr>", "")
    assert "ledger" not in report_html(tie, ReportDetails())


# -- the file ------------------------------------------------------------------------------------


def test_rows_are_never_changed_or_deleted(book, site_and_ties):
    book.accept(site_and_ties[1])
    connection = sqlite3.connect(book.path)
    for name in ("ledger", *TABLES):
        if not connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0]:
            continue
        column = connection.execute(f"PRAGMA table_info({name})").fetchall()[1][1]
        for sql, done in ((f"UPDATE {name} SET {column} = {column}", "changed"),
                          (f"DELETE FROM {name}", "deleted"),
                          (f"INSERT OR REPLACE INTO {name} SELECT * FROM {name}", "")):
            connection.execute("PRAGMA recursive_triggers = ON")
            with pytest.raises(sqlite3.IntegrityError, match=f"never {done}"):
                connection.execute(sql)
            connection.rollback()
    connection.close()


def test_a_geopackage_by_the_standard(book, site_and_ties):
    book.accept(site_and_ties[1])
    assert query(book, "PRAGMA application_id") == [(0x47504B47,)]
    assert query(book, "PRAGMA user_version") == [(10300,)]
    assert query(book, "PRAGMA integrity_check") == [("ok",)]
    assert query(book, "PRAGMA foreign_key_check") == []
    assert {row[0] for row in query(book, "SELECT srs_id FROM gpkg_spatial_ref_sys")} >= {
        -1, 0, 4326, 7931, SITE_SRS, SITE_SRS + 1}
    wkt = query(book, "SELECT definition_12_063 FROM gpkg_spatial_ref_sys WHERE srs_id = ?",
                SITE_SRS)[0][0]
    crs = pyproj.CRS(wkt)
    place = pyproj.Transformer.from_crs(CRS, crs, always_xy=True)
    row = query(book, "SELECT o.longitude, o.latitude, p.easting, p.northing FROM points_now p "
                "JOIN observation o ON o.fid = p.observation LIMIT 1")[0]
    assert place.transform(*row[:2]) == pytest.approx(row[2:], abs=1e-5)
    contents = dict(query(book, "SELECT table_name, data_type FROM gpkg_contents"))
    assert set(contents) == {"ledger", *TABLES, *(view[0] for view in VIEWS)}
    geometries = query(book, "SELECT table_name, column_name, srs_id FROM gpkg_geometry_columns")
    assert {row[0] for row in geometries} == {
        name for name, kind in contents.items() if kind == "features"}
    for name, column, srs in geometries:
        for (blob,) in query(book, f"SELECT {column} FROM {name} LIMIT 3"):
            assert blob[:2] == b"GP"
            assert int.from_bytes(blob[4:8], "little", signed=True) == srs


def test_points_in_binary():
    """OGC 12-128, 2.1.3: header, then WKB; written out by hand here."""
    nan = float("nan")
    found = point_blobs(np.array([1.5, 2.0, nan]), np.array([-2.5, 3.0, 1.0]),
                        np.array([0.25, nan, 1.0]), 4326)
    header = bytes.fromhex("4750000 1e6100000".replace(" ", ""))
    wkb = bytes.fromhex("01 e9030000 000000000000f83f 00000000000004c0 000000000000d03f")
    assert found[0] == header + wkb
    assert found[1] == header + bytes.fromhex("01 01000000 0000000000000040 0000000000000840")
    assert found[2] is None


def test_gdal_reads_it(book, site_and_ties):
    ogr = pytest.importorskip("osgeo.ogr")
    book.accept(site_and_ties[1])
    source = ogr.Open(book.path)
    for name in ("control_now", "points_now", "observation", "restated", "issued"):
        layer = source.GetLayerByName(name)
        assert layer is not None, name
        assert layer.GetGeomType() == ogr.wkbPoint25D
    layer = source.GetLayerByName("points_now")
    assert layer.GetFeatureCount() == 48
    for feature in layer:
        place = feature.GetGeometryRef()
        assert (place.GetX(), place.GetY(), place.GetZ()) == (
            feature["easting"], feature["northing"], feature["elevation"])
    assert "DERIVEDPROJCRS" in layer.GetSpatialRef().ExportToWkt(["FORMAT=WKT2_2019"])
    assert source.GetLayerByName("point_life").GetFeatureCount() == 48


def test_every_table_and_column_is_described():
    page = (Path(__file__).resolve().parents[2] / "docs" / "site_book.md").read_text("utf-8")
    lines = {line.split("`")[1]: line for line in page.splitlines() if line.startswith("| `")}
    for table in TABLES.values():
        for column in table.names:
            assert f"`{column}`" in lines[table.name], (table.name, column)
    for name, *_ in VIEWS:
        assert f"`{name}`" in page
    for column in ("seq", "time", "user", "software", "action", "summary", "reason", "tie_number",
                   "standing", "detail", "previous", "hash"):
        assert f"`{column}`" in lines["ledger"]


# -- refusals ------------------------------------------------------------------------------------


def test_a_file_that_is_there_is_not_replaced(book, tmp_path):
    head = book.head()
    with pytest.raises(OutputError, match="already"):
        SiteBook.create(book.path, job="again", site_unit="m")
    with pytest.raises(OutputError, match="cannot be written"):
        SiteBook.create(tmp_path / "nowhere" / "b.gpkg", job="again", site_unit="m")
    with pytest.raises(SettingsError, match="furlong"):
        SiteBook.create(tmp_path / "b.gpkg", job="again", site_unit="furlong")
    assert book.head() == head
    assert [item.name for item in tmp_path.iterdir()] == ["pit.gpkg"]


@pytest.mark.parametrize(("content", "message"), [
    (b"", "no site book"), (b"not a database at all, but long enough to be read" * 40, "no site"),
    (None, "There is no such file"),
])
def test_what_is_no_book_is_refused(tmp_path: Path, content, message):
    path = tmp_path / "other.gpkg"
    if content is not None:
        path.write_bytes(content)
    for opened in (SiteBook.open, verify):
        with pytest.raises(BookError, match=message):
            opened(path)


@pytest.mark.parametrize("name", ["a b", "50% off?", "#1", "größe 測", "q'uote", "semi;colon&x=1"])
def test_odd_names_of_files(tmp_path, name):
    path = tmp_path / f"{name}.gpkg"
    with SiteBook.create(path, job=name, site_unit="ft", user=name) as book:
        assert book.job == book.user == name
    assert verify(path).ok
    assert [item.name for item in tmp_path.iterdir()] == [path.name]


def test_a_newer_book_is_refused(book):
    connection = sqlite3.connect(book.path)
    connection.execute("DROP TRIGGER book_never_changed")
    connection.execute("UPDATE book SET format_version = 99")
    connection.commit()
    connection.close()
    with pytest.raises(BookError, match="Update Sitetie"):
        SiteBook.open(book.path)


def test_somebody_else_is_writing(book, monkeypatch):
    monkeypatch.setattr("sitetie.core.book.storage.PATIENCE", 0.1)
    second = SiteBook.open(book.path, user="bob")
    second._storage.execute("PRAGMA busy_timeout = 50")
    book._storage.execute("BEGIN IMMEDIATE")
    with pytest.raises(BookError, match="Somebody else is writing"):
        second.add_control([Control("N1", 1.0, 2.0)])
    book._storage.execute("ROLLBACK")
    second.add_control([Control("N1", 1.0, 2.0)])
    second.close()
    assert verify(book.path).ok


def test_another_program_with_a_write_ahead_log(book, site_and_ties):
    """As QGIS has a GeoPackage while a layer is shown."""
    _, first, second = site_and_ties
    book.close()
    other = sqlite3.connect(book.path, isolation_level=None)
    assert other.execute("PRAGMA journal_mode = WAL").fetchone() == ("wal",)
    other.execute("BEGIN")
    before = other.execute("SELECT count(*) FROM points_now").fetchone()
    with SiteBook.open(book.path) as mine:
        mine.accept(first)
        assert mine.standing == 1
    assert other.execute("SELECT count(*) FROM points_now").fetchone() == before  # its snapshot
    other.execute("COMMIT")
    assert other.execute("SELECT count(*) FROM points_now").fetchone() == (48,)
    other.close()
    with SiteBook.open(book.path) as mine:
        mine.accept(second)
    assert query(book, "PRAGMA journal_mode") == [("delete",)]
    assert verify(book.path).ok


def test_a_change_meanwhile_is_told(book, site_and_ties):
    """A tie is not accepted over what somebody else did while it was computed."""
    second = SiteBook.open(book.path, user="bob")

    def meanwhile(share: float) -> bool:
        second.add_control([Control("N1", 1.0, 2.0)])
        return True

    with pytest.raises(BookError, match=r"bob changed the book meanwhile \(1 control point added"):
        book.accept(site_and_ties[1], progress=meanwhile)
    assert book.standing is None
    second.close()


def test_read_only(book, site_and_ties):
    reader = SiteBook.open(book.path, read_only=True)
    with pytest.raises(OutputError, match="cannot be written"):
        reader.accept(site_and_ties[1])
    assert reader.head() == book.head()
    reader.close()


def test_names_are_only_names(book):
    """Nothing in a name reaches SQL or breaks the ledger."""
    names = ["'; DROP TABLE ledger; --", "<script>alert(1)</script>", "=cmd|' /C calc'!A0", "ü 測",
             'a"b\\c', "{}"]
    book.add_control([Control(name, 1.0, 2.0, 3.0) for name in names],
                     reason="'); DELETE FROM ledger; --")
    assert [row[0] for row in query(book, "SELECT control_id FROM control_now ORDER BY OGC_FID")][
        -len(names):] == names
    assert verify(book.path).ok
    for bad in ("nul\x00", "half \ud800"):
        with pytest.raises(InputError, match="no file can hold"):
            book.add_control([Control("Q", 1.0, 2.0)], reason=bad)


def test_control_given_twice(book, site_and_ties):
    control = site_and_ties[0].pairs[0].control
    with pytest.raises(InputError, match="given twice"):
        book.add_control([control, control])


def test_a_moved_tie_moves_the_crs(book, site_and_ties):
    site, first, _ = site_and_ties
    book.accept(first)
    book.accept(solve(moved(site.pairs, 0, 0.4), site.settings))
    texts = dict(query(book, "SELECT srs_id, definition_12_063 FROM gpkg_spatial_ref_sys WHERE "
                       "srs_id >= ? AND srs_id < ?", SITE_SRS, SITE_SRS + 10))
    assert set(texts) == {SITE_SRS, SITE_SRS + 1, SITE_SRS + 2}
    assert texts[SITE_SRS] == texts[SITE_SRS + 2] != texts[SITE_SRS + 1]
    book.stand_back(1)
    assert query(book, "SELECT definition_12_063 FROM gpkg_spatial_ref_sys WHERE srs_id = ?",
                 SITE_SRS)[0][0] == texts[SITE_SRS + 1]
