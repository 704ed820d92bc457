"""The tables of a site book. Rows are only added: triggers refuse every change and deletion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Dict, Iterator, Tuple

#: Of the tables below, stored in `book.format_version`.
FORMAT, FORMAT_VERSION = "sitetie-site-book", 1
#: A restated point's key is its batch times this plus its observation's key.
BATCH = 2**32


@dataclass(frozen=True)
class BookTable:
    """A table.

    Attributes
    ----------
    name, title : str
    columns : tuple of (name, SQL type)
        Without the key `fid`, the geometry and `row_check`.
    frame : str
        Of the geometry: ``site``, ``observation``, or blank for a table without one.
    place : tuple of str
        Columns of the geometry's x, y, z.
    """

    name: str
    title: str
    columns: Tuple[Tuple[str, str], ...]
    frame: str = ""
    place: Tuple[str, str, str] = ("easting", "northing", "elevation")

    @property
    def names(self) -> Tuple[str, ...]:
        return tuple(name for name, _ in self.columns)


_SITE = (("easting", "REAL"), ("northing", "REAL"), ("elevation", "REAL"))

TABLES: Dict[str, BookTable] = {table.name: table for table in (
    BookTable("book", "What the book is about", (
        ("entry", "INTEGER"), ("format", "TEXT"), ("format_version", "INTEGER"), ("uuid", "TEXT"),
        ("job", "TEXT"), ("site_unit", "TEXT"), ("elevation_unit", "TEXT"),
        ("observation_crs", "TEXT"), ("created", "TEXT"))),
    BookTable("control", "Control points, every version", (
        ("entry", "INTEGER"), ("control_id", "TEXT"), ("version", "INTEGER"), *_SITE,
        ("sigma_h", "REAL"), ("sigma_v", "REAL"), ("source_document", "TEXT"),
        ("document_version", "TEXT"), ("supersedes", "INTEGER")), "site"),
    BookTable("observation", "Observations as they came", (
        ("entry", "INTEGER"), ("observation_id", "TEXT"), ("occupation", "INTEGER"),
        ("latitude", "REAL"), ("longitude", "REAL"), ("height", "REAL"), ("sigma_e", "REAL"),
        ("sigma_n", "REAL"), ("sigma_en", "REAL"), ("sigma_u", "REAL"), ("height_kind", "TEXT"),
        ("height_geoid", "TEXT"), ("pole", "REAL"), ("pole_kind", "TEXT"), ("session", "TEXT"),
        ("time", "TEXT"), ("fix", "TEXT"), ("source", "TEXT"), ("note", "TEXT"), ("crs", "TEXT"),
        ("epoch", "REAL")), "observation", ("longitude", "latitude", "height")),
    BookTable("session_correction", "Corrections of a session's base", (
        ("entry", "INTEGER"), ("session", "TEXT"), ("dx", "REAL"), ("dy", "REAL"), ("dz", "REAL"),
        ("source", "TEXT"))),
    BookTable("tie", "Accepted ties", (
        ("entry", "INTEGER"), ("tie_number", "INTEGER"), ("tie_id", "TEXT"),
        ("accepted", "TEXT"), ("accepted_by", "TEXT"), ("reason", "TEXT"), ("srs_id", "INTEGER"),
        ("tie_file", "TEXT"))),
    BookTable("pair", "Pairs of the accepted ties", (
        ("entry", "INTEGER"), ("tie_number", "INTEGER"), ("control_id", "TEXT"),
        ("observation_id", "TEXT"), ("horizontal", "TEXT"), ("vertical", "TEXT"),
        ("residual_e", "REAL"), ("residual_n", "REAL"), ("residual_u", "REAL"),
        ("corrections", "TEXT"))),
    BookTable("restatement", "Restatements, a batch of points each", (
        ("entry", "INTEGER"), ("batch", "INTEGER"), ("tie_number", "INTEGER"),
        ("points", "INTEGER"))),
    BookTable("restated", "Site coordinates of observations, under every tie", (
        ("batch", "INTEGER"), ("observation", "INTEGER"), *_SITE, ("sigma_e", "REAL"),
        ("sigma_n", "REAL"), ("sigma_z", "REAL"), ("inside", "INTEGER"), ("own", "INTEGER"),
        ("before", "INTEGER"), ("moved_h", "REAL"), ("moved_v", "REAL")), "site"),
    BookTable("issued", "Coordinates handed out", (
        ("entry", "INTEGER"), ("tie_number", "INTEGER"), ("point", "TEXT"), ("kind", "TEXT"),
        ("handed_to", "TEXT"), *_SITE, ("latitude", "REAL"), ("longitude", "REAL"),
        ("height", "REAL")), "site"),
)}

#: Tables whose rows are covered by an entry's range of keys; restated points by their batch.
RANGED = tuple(name for name in TABLES if name != "restated")

LEDGER = (
    "CREATE TABLE ledger (seq INTEGER PRIMARY KEY NOT NULL, time TEXT NOT NULL, "
    '"user" TEXT NOT NULL, software TEXT NOT NULL, action TEXT NOT NULL, summary TEXT NOT NULL, '
    "reason TEXT NOT NULL, tie_number INTEGER, standing INTEGER, detail TEXT NOT NULL, "
    "previous TEXT NOT NULL, hash TEXT NOT NULL)"
)

#: Views: name, title, SQL, geometry's frame. Those with a geometry begin with OGC_FID, by which
#: GDAL knows their features.
VIEWS: Tuple[Tuple[str, str, str, str], ...] = (
    ("standing_tie", "The tie that stands",
     "SELECT t.* FROM tie t WHERE t.tie_number = "
     "(SELECT standing FROM ledger ORDER BY seq DESC LIMIT 1)", ""),
    ("control_now", "Control points, the present version",
     "SELECT c.fid AS OGC_FID, c.* FROM control c WHERE NOT EXISTS "
     "(SELECT 1 FROM control later WHERE later.supersedes = c.fid)", "site"),
    ("points_now", "Points under the tie that stands",
     "SELECT r.fid AS OGC_FID, o.observation_id, o.occupation, b.tie_number, r.easting, "
     "r.northing, r.elevation, r.sigma_e, r.sigma_n, r.sigma_z, r.inside, r.own, r.before, "
     "r.moved_h, r.moved_v, r.observation, r.geom FROM restatement b JOIN restated r ON r.fid "
     f"BETWEEN b.batch * {BATCH} AND b.batch * {BATCH} + {BATCH - 1} "
     "JOIN observation o ON o.fid = r.observation WHERE b.tie_number = "
     "(SELECT standing FROM ledger ORDER BY seq DESC LIMIT 1) AND NOT EXISTS (SELECT 1 FROM "
     "restatement l JOIN restated x ON "
     f"x.fid = l.batch * {BATCH} + r.observation WHERE l.tie_number = b.tie_number "
     "AND l.batch > b.batch)", "site"),
    ("point_life", "A point under every tie",
     "SELECT o.observation_id, o.occupation, l.seq AS entry, l.time, l.\"user\", b.tie_number, "
     "l.reason, r.easting, r.northing, r.elevation, r.sigma_e, r.sigma_n, r.sigma_z, "
     "p.easting AS easting_before, p.northing AS northing_before, "
     "p.elevation AS elevation_before, r.moved_h, r.moved_v "
     "FROM observation o JOIN restatement b "
     f"JOIN restated r ON r.fid = b.batch * {BATCH} + o.fid JOIN ledger l ON l.seq = b.entry "
     "LEFT JOIN restated p ON p.fid = r.before", ""),
)


def create_statements() -> Iterator[str]:
    """SQL that makes tables, indexes, triggers and views."""
    yield LEDGER
    for table in TABLES.values():
        columns = "".join(f", {name} {kind}" for name, kind in table.columns)
        place = ", geom POINT" if table.frame else ""
        yield (f"CREATE TABLE {table.name} (fid INTEGER PRIMARY KEY NOT NULL{columns}, "
               f"row_check BLOB{place})")
    yield "CREATE INDEX control_by_id ON control (control_id)"
    yield "CREATE INDEX control_superseded ON control (supersedes)"
    yield "CREATE INDEX observation_by_id ON observation (observation_id)"
    yield "CREATE INDEX issued_by_tie ON issued (tie_number)"
    yield "CREATE INDEX pair_by_control ON pair (control_id)"
    for name in ("ledger", *TABLES):
        for event, done in (("UPDATE", "changed"), ("DELETE", "deleted")):
            yield (f"CREATE TRIGGER {name}_never_{done} BEFORE {event} ON {name} BEGIN SELECT "
                   f"RAISE(ABORT, 'rows of {name} are never {done} in a site book'); END")
    for name, _, sql, _ in VIEWS:
        yield f"CREATE VIEW {name} AS {sql}"
