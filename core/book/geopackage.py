"""What makes a SQLite file a GeoPackage (OGC 12-128, version 1.3), and points in its binary form.

Application id ``GPKG``, user version 10300; the tables gpkg_spatial_ref_sys, gpkg_contents,
gpkg_geometry_columns and gpkg_extensions. CRSs come as WKT 2 in `definition_12_063` (extension
"CRS WKT"), because a derived CRS has no other form.
"""

from __future__ import annotations

import warnings
import zlib
from typing import Iterator, List, Optional, Tuple

import numpy as np
import pyproj

from ..units import LengthUnit

APPLICATION_ID, USER_VERSION = 0x47504B47, 10300
#: Key of the site grid as the newest tie has it; that of each tie is this plus its number.
SITE_SRS = 990_000
_WKB_POINT, _WKB_POINT_Z = 1, 1001
#: A point with z: header and srs_id, then little-endian WKB.
_POINT_Z = np.dtype([("magic", "S2"), ("version", "u1"), ("flags", "u1"), ("srs", "<i4"),
                     ("order", "u1"), ("kind", "<u4"), ("x", "<f8"), ("y", "<f8"), ("z", "<f8")])
_EXTENSION = "http://www.geopackage.org/spec120/#extension_crs_wkt"

METADATA = (
    "CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER NOT NULL PRIMARY "
    "KEY, organization TEXT NOT NULL, organization_coordsys_id INTEGER NOT NULL, definition TEXT "
    "NOT NULL, description TEXT, definition_12_063 TEXT NOT NULL)",
    "CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, "
    "identifier TEXT UNIQUE, description TEXT DEFAULT '', last_change DATETIME NOT NULL DEFAULT "
    "(strftime('%Y-%m-%dT%H:%M:%fZ','now')), min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y "
    "DOUBLE, srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES "
    "gpkg_spatial_ref_sys(srs_id))",
    "CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, "
    "geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT "
    "NULL, CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name), CONSTRAINT "
    "uk_gc_table_name UNIQUE (table_name), CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) "
    "REFERENCES gpkg_contents(table_name), CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES "
    "gpkg_spatial_ref_sys (srs_id))",
    "CREATE TABLE gpkg_extensions (table_name TEXT, column_name TEXT, extension_name TEXT NOT "
    "NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, CONSTRAINT ge_tce UNIQUE (table_name, "
    "column_name, extension_name))",
)
INSERT_SRS = "INSERT OR REPLACE INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?, ?)"


def metadata_rows() -> Iterator[Tuple[str, tuple]]:
    """The rows every GeoPackage has, as SQL and parameters."""
    for name, key, words in (("Undefined cartesian SRS", -1, "undefined Cartesian coordinates"),
                             ("Undefined geographic SRS", 0, "undefined geographic coordinates")):
        yield INSERT_SRS, (name, key, "NONE", key, "undefined", words, "undefined")
    yield INSERT_SRS, srs_row("EPSG:4326")
    yield "INSERT INTO gpkg_extensions VALUES (?, ?, ?, ?, ?)", (
        "gpkg_spatial_ref_sys", "definition_12_063", "gpkg_crs_wkt", _EXTENSION, "read-write")


def srs_row(crs: str, key: Optional[int] = None, name: str = "") -> tuple:
    """The row of a CRS in gpkg_spatial_ref_sys; a registered one has its code as the key."""
    parsed = pyproj.CRS.from_user_input(crs)
    authority = parsed.to_authority() if key is None else None
    if authority is not None and authority[1].isdigit():
        organization, number = authority[0], int(authority[1])
        key = number if organization == "EPSG" else _own_key(parsed)
    else:
        key = _own_key(parsed) if key is None else key
        organization, number = "SITETIE", key
    return (name or parsed.name, key, organization, number, _old_wkt(parsed), parsed.name,
            parsed.to_wkt("WKT2_2019"))


def _old_wkt(crs: pyproj.CRS) -> str:
    """WKT 1, or what the standard has for what it cannot tell."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # pyproj 3 warns and gives None; later it will raise
        try:
            return crs.to_wkt("WKT1_GDAL") or "undefined"
        except pyproj.exceptions.CRSError:
            return "undefined"


def unplaced_site(unit: LengthUnit) -> str:
    """WKT of the site grid as long as no tie says where it is."""
    length = f'LENGTHUNIT["{unit.name}",{unit.metres!r}]'
    return (f'ENGCRS["Site grid",EDATUM["Site grid"],CS[Cartesian,2],AXIS["easting (E)",east,'
            f'ORDER[1],{length}],AXIS["northing (N)",north,ORDER[2],{length}]]')


def _own_key(crs: pyproj.CRS) -> int:
    """A key for a CRS without a number of its own: from its text, apart from those of ties."""
    return 1_000_000 + zlib.crc32(crs.to_wkt("WKT2_2019").encode("utf-8")) % 1_000_000


def point_blobs(x: np.ndarray, y: np.ndarray, z: np.ndarray, srs: int) -> List[Optional[bytes]]:
    """Points in GeoPackage binary; 2-D where z is NaN, None where x or y is."""
    made = np.zeros(len(x), dtype=_POINT_Z)
    made["magic"], made["version"], made["flags"] = b"GP", 0, 1
    made["srs"], made["order"], made["kind"] = srs, 1, _WKB_POINT_Z
    made["x"], made["y"], made["z"] = x, y, z
    data, size = made.tobytes(), _POINT_Z.itemsize
    blobs: List[Optional[bytes]] = [data[i: i + size] for i in range(0, len(data), size)]
    for i in np.flatnonzero(np.isnan(x) | np.isnan(y)).tolist():
        blobs[i] = None
    flat = np.isnan(z) & ~np.isnan(x) & ~np.isnan(y)
    if flat.any():
        made["kind"] = _WKB_POINT
        data = made.tobytes()
        for i in np.flatnonzero(flat).tolist():
            blobs[i] = data[i * size: (i + 1) * size - 8]
    return blobs
