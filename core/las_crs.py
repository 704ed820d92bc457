"""The CRS of a LAS file: read from its records, and the site CRS written into them.

Sources: ASPRS, LAS Specification 1.4 - R15, 2019, section 3; OGC GeoTIFF Standard 1.1
(OGC 19-008r4), 2019, clause 7 and annex B for the numbers of the keys.
"""

from __future__ import annotations

import struct
from typing import Dict, NamedTuple, Optional, Tuple

import pyproj

from .errors import FrameError
from .las_file import PointReader
from .las_header import Record, record

USER = "LASF_Projection"
WKT, MATH_WKT, KEY_DIRECTORY, KEY_DOUBLES, KEY_TEXTS = 2112, 2111, 34735, 34736, 34737
CRS_RECORDS = tuple((USER, number) for number in (
    WKT, MATH_WKT, KEY_DIRECTORY, KEY_DOUBLES, KEY_TEXTS))
_GEOGRAPHIC, _PROJECTED, _LINEAR_UNIT, _VERTICAL, _VERTICAL_UNIT = 2048, 3072, 3076, 4096, 4099
#: EPSG codes of units that GeoTIFF keys name.
_UNITS = {9001: "m", 9002: "ft", 9003: "us-ft"}
_USER_DEFINED = 32767


class CloudCrs(NamedTuple):
    """What a file says of its coordinates.

    Attributes
    ----------
    text : str or None
        Authority code or WKT; None where it says nothing.
    height_unit : str or None
        Unit of z, where it is stated.
    """

    text: Optional[str]
    height_unit: Optional[str]


def cloud_crs(reader: PointReader) -> CloudCrs:
    """The CRS that a file names.

    Raises
    ------
    FrameError
        When it names one that cannot be read, or names it in a way that leaves something open.
    """
    texts = [item.data for item in reader.header.records if item.key == (USER, WKT)]
    texts += [reader.data(item) for item in reader.extended if item.key == (USER, WKT)]
    wkt = next((text.split(b"\0")[0].decode("utf-8", "replace").strip() for text in texts), "")
    keys = reader.header.find(USER, KEY_DIRECTORY)
    if wkt:
        try:
            crs = pyproj.CRS.from_wkt(wkt)
        except pyproj.exceptions.CRSError:
            raise FrameError("The CRS in the file cannot be read.", "Name the CRS.") from None
        return CloudCrs(wkt, _height_unit(crs))
    if keys is None:
        return CloudCrs(None, None)
    return _from_keys(_short_keys(keys.data))


def site_record(wkt: str) -> Record:
    """The record that names a CRS in WKT."""
    return record(USER, WKT, "Site CRS", wkt.encode("utf-8") + b"\0")


def _short_keys(data: bytes) -> Dict[int, int]:
    """Keys that hold a number of their own; each of four 16-bit integers after a head of four."""
    numbers = struct.unpack(f"<{len(data) // 2}H", data[: len(data) // 2 * 2])
    keys = {}
    for at in range(4, min(len(numbers), 4 + 4 * (numbers[3] if len(numbers) > 3 else 0)) - 3, 4):
        key, place, _, value = numbers[at:at + 4]
        if place == 0:
            keys[key] = value
    return keys


def _from_keys(keys: Dict[int, int]) -> CloudCrs:
    code = keys.get(_PROJECTED) or keys.get(_GEOGRAPHIC)
    if not code:
        return CloudCrs(None, None)
    if code == _USER_DEFINED:
        raise FrameError("The file describes a CRS of its own by GeoTIFF keys.", "Name the CRS.")
    vertical = keys.get(_VERTICAL)
    try:
        crs = pyproj.CRS.from_epsg(code)
        unit = _axis_unit(crs, 0)
        if vertical and vertical != _USER_DEFINED:
            crs = pyproj.CRS(f"EPSG:{code}+{vertical}")
    except pyproj.exceptions.CRSError:
        raise FrameError(f"The file names EPSG:{code}, with {vertical or 'nothing'} for heights, "
                         "which PROJ does not know.", "Name the CRS.") from None
    stated = keys.get(_LINEAR_UNIT)
    if crs.is_projected and stated and stated != _USER_DEFINED and _UNITS.get(stated) != unit:
        raise FrameError(
            f"The file names {crs.name}, which counts in {unit or 'another unit'}, and the unit "
            f"{_UNITS.get(stated, stated)}.", "Name the CRS that is right.",
        )
    text = f"EPSG:{code}" + (f"+{vertical}" if crs.is_compound else "")
    return CloudCrs(text, _UNITS.get(keys.get(_VERTICAL_UNIT, 0)) or _height_unit(crs))


def _height_unit(crs: pyproj.CRS) -> Optional[str]:
    """The unit of a third axis."""
    parts: Tuple[pyproj.CRS, ...] = tuple(crs.sub_crs_list) if crs.is_compound else (crs,)
    last = parts[-1]
    if crs.is_compound:
        return _axis_unit(last, 0)
    return _axis_unit(last, 2) if len(last.axis_info) > 2 else None


def _axis_unit(crs: pyproj.CRS, axis: int) -> Optional[str]:
    factor = crs.axis_info[axis].unit_conversion_factor
    known = {1.0: "m", 0.3048: "ft", 1200.0 / 3937.0: "us-ft"}
    return next((code for size, code in known.items() if abs(factor - size) < 1e-12), None)
