"""The seek list for other programs: GPX for a hand-held receiver or a telephone, and CSV."""

from __future__ import annotations

import csv
import io
import re
from typing import Dict, List, NamedTuple, Optional
from xml.etree import ElementTree

import numpy as np
import pyproj
from pyproj.exceptions import ProjError

from .frames import geographic_crs, same_datum
from .pair_table import guarded_text
from .seek_list import SeekList, SeekPoint
from .tie import Tie
from .version import VERSION

#: Columns of the CSV and fields of the layer, in their order. Lengths are metres, angles degrees,
#: site coordinates in the units of the site.
COLUMNS = (
    "seek_no", "control_id", "seek_lat", "seek_lon", "seek_h", "seek_r", "seek_dh", "seek_a",
    "seek_b", "seek_brg", "seek_out", "seek_leg", "site_e", "site_n", "site_z", "seek_text",
)
_GPX = "http://www.topografix.com/GPX/1/1"
_SCHEMA = f"{_GPX} {_GPX}/gpx.xsd"
_INSTANCE = "http://www.w3.org/2001/XMLSchema-instance"
#: What no XML 1.0 document may hold, escaped or not.
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def seek_values(point: SeekPoint, level: float) -> Dict[str, object]:
    """A seek point by the names of `COLUMNS`; None where something is unknown."""
    return {
        "seek_no": point.order, "control_id": point.control.id, "seek_lat": point.latitude,
        "seek_lon": point.longitude, "seek_h": point.height, "seek_r": point.radius,
        "seek_dh": point.half_height, "seek_a": point.semi_major, "seek_b": point.semi_minor,
        "seek_brg": point.bearing, "seek_out": point.outside, "seek_leg": point.leg,
        "site_e": point.control.easting, "site_n": point.control.northing,
        "site_z": point.control.elevation, "seek_text": point.words(level),
    }


def seek_csv(seek: SeekList) -> bytes:
    """The list as CSV; angles to 1e-9 degrees, lengths to 0.1 mm.

    A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    stream = io.StringIO(newline="")
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for point in seek.points:
        values = seek_values(point, seek.level)
        writer.writerow([_cell(name, values[name]) for name in COLUMNS])
    text = stream.getvalue()
    # Spreadsheets take text for UTF-8 only when a byte order mark says so.
    return text.encode("utf-8" if text.isascii() else "utf-8-sig")


def _cell(name: str, value: object) -> object:
    if value is None:
        return ""
    if isinstance(value, str):
        return guarded_text(value)
    if isinstance(value, float):
        return f"{value:.9f}" if name in ("seek_lat", "seek_lon") else f"{value:.4f}"
    return value


def seek_gpx(seek: SeekList, tie: Tie) -> bytes:
    """The list as GPX 1.1: a waypoint for each mark in the order of the walk, and the walk.

    GPX is always in WGS 84. Where PROJ knows the way there from the frame of the tie's
    observations it is taken, good to a metre or two as WGS 84 itself is; else the description
    says that the positions are those of that frame. The elevation of a waypoint is that over the
    geoid, and given only where the tie has a geoid grid; the ellipsoidal height is in the text.
    """
    frame = _to_wgs84(seek, tie)
    root = ElementTree.Element("gpx", {
        "version": "1.1", "creator": f"Sitetie {VERSION}", "xmlns": _GPX,
        "xmlns:xsi": _INSTANCE, "xsi:schemaLocation": _SCHEMA,
    })
    metadata = ElementTree.SubElement(root, "metadata")
    _add(metadata, "name", f"Seek list, tie {tie.short_id}")
    _add(metadata, "desc", f"{seek.words()} {frame.words}")
    undulations = _undulations(seek, tie)
    for point, latitude, longitude, undulation in zip(
        seek.points, frame.latitude, frame.longitude, undulations
    ):
        waypoint = _add_place(root, "wpt", latitude, longitude)
        if undulation is not None and point.height is not None:
            _add(waypoint, "ele", f"{point.height - undulation:.3f}")
            _add(waypoint, "geoidheight", f"{undulation:.3f}")
        _add(waypoint, "name", point.control.id)
        _add(waypoint, "desc", f"{point.order}. {point.words(seek.level)}")
        _add(waypoint, "type", "control point")
    if seek.points:
        route = ElementTree.SubElement(root, "rte")
        _add(route, "name", "Walk")
        for point, latitude, longitude in zip(seek.points, frame.latitude, frame.longitude):
            _add(_add_place(route, "rtept", latitude, longitude), "name", point.control.id)
    return ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)


class _Wgs84(NamedTuple):
    latitude: np.ndarray
    longitude: np.ndarray
    words: str


def _to_wgs84(seek: SeekList, tie: Tie) -> _Wgs84:
    latitude = np.array([point.latitude for point in seek.points])
    longitude = np.array([point.longitude for point in seek.points])
    source, target = geographic_crs(tie.settings.observation_crs), pyproj.CRS.from_epsg(4326)
    if same_datum(source, target) or not len(latitude):
        return _Wgs84(latitude, _half_turns(longitude), "Positions in WGS 84.")
    try:
        way = pyproj.Transformer.from_crs(source, target, always_xy=True, allow_ballpark=False)
        moved = np.array(way.transform(longitude, latitude))
    except ProjError:
        moved = np.full((2, len(latitude)), np.inf)
    if not np.isfinite(moved).all():
        return _Wgs84(
            latitude, _half_turns(longitude),
            f"Positions in {source.name}, which PROJ cannot carry to WGS 84: where the two differ, "
            "the waypoints are off by as much.")
    return _Wgs84(moved[1], _half_turns(moved[0]),
                  f"Positions carried from {source.name} to WGS 84, good to a metre or two.")


def _half_turns(longitude: np.ndarray) -> np.ndarray:
    """Longitudes from -180 to below 180 degrees, as the schema wants them."""
    return (longitude + 180.0) % 360.0 - 180.0


def _undulations(seek: SeekList, tie: Tie) -> List[Optional[float]]:
    if tie.geoid is None or not seek.points:
        return [None] * len(seek.points)
    return tie.geoid.undulation(
        np.array([point.latitude for point in seek.points]),
        np.array([point.longitude for point in seek.points])).tolist()


def _add_place(parent, name: str, latitude: float, longitude: float):
    return ElementTree.SubElement(
        parent, name, {"lat": f"{latitude:.9f}", "lon": f"{longitude:.9f}"})


def _add(parent, name: str, text: str) -> None:
    ElementTree.SubElement(parent, name).text = _NOT_XML.sub("\ufffd", text)
