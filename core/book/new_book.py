"""Everything a new book begins with."""

from __future__ import annotations

import uuid
from datetime import datetime, timezone

from ..settings import Settings
from .act import Act
from .geopackage import (
    APPLICATION_ID,
    METADATA,
    SITE_SRS,
    USER_VERSION,
    metadata_rows,
    srs_row,
    unplaced_site,
)
from .schema import FORMAT, FORMAT_VERSION, TABLES, VIEWS, create_statements
from .storage import Storage


def fill_new_book(storage: Storage, settings: Settings, job: str, user: str, reason: str) -> None:
    """Everything a new book has."""
    storage.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    storage.execute(f"PRAGMA user_version = {USER_VERSION}")
    for sql in (*METADATA, *create_statements()):
        storage.execute(sql)
    for sql, values in metadata_rows():
        storage.execute(sql, values)
    unit = settings.site_length
    site = srs_row(unplaced_site(unit), SITE_SRS, f"{job or 'Site grid'}, not placed by a tie yet")
    observed = srs_row(settings.observation_crs)
    act = Act(storage, user, observed[1])
    for row in (site, observed):
        act.set_crs(row)
    srs = {"site": SITE_SRS, "observation": observed[1]}
    layers = [(table.name, table.title, table.frame) for table in TABLES.values()]
    layers += [("ledger", "What happened, in order", "")]
    layers += [(name, title, frame) for name, title, _, frame in VIEWS]
    for name, title, frame in layers:
        storage.execute(
            "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, srs_id) "
            "VALUES (?, ?, ?, ?, ?)",
            (name, "features" if frame else "attributes", name, title, srs.get(frame)))
        if frame:
            storage.execute(
                "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', 'POINT', ?, 2, 0)",
                (name, srs[frame]))
    act.add("book", [{
        "format": FORMAT, "format_version": FORMAT_VERSION, "uuid": str(uuid.uuid4()), "job": job,
        "site_unit": settings.site_unit, "elevation_unit": settings.elevation_unit,
        "observation_crs": settings.observation_crs, "created": now()}])
    act.finish("created", f"Book created for {job or 'a site'}.", reason)


def now() -> str:
    """UTC, ISO 8601."""
    return datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
