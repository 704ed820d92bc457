"""Point clouds made by an independent program (laspy), for tests and benchmarks."""

from __future__ import annotations

from typing import Optional, Tuple

import laspy
import numpy as np
import pyproj
from laspy.vlrs.vlr import VLR
from laspy.vlrs.vlrlist import VLRList

PLACE = (48.1, 11.5)


def write_cloud(
    path,
    count: int,
    point_format: int = 7,
    version: str = "1.4",
    crs: Optional[str] = "EPSG:25832",
    frame: str = "EPSG:4258",
    place: Tuple[float, float] = PLACE,
    reach: float = 1500.0,
    scale: float = 0.001,
    seed: int = 1,
    extra: bool = True,
) -> laspy.LasData:
    """Write points that wander over a site, with random numbers in every other dimension.

    Parameters
    ----------
    crs : str or None
        Projected, geographic or geocentric; None names none in the file.
    reach : float
        Metres from the middle to the edge.
    """
    draw = np.random.default_rng(seed)
    header = laspy.LasHeader(point_format=point_format, version=version)
    steps = draw.uniform(-reach, reach, (2, count)) if count < 100_000 else np.stack(
        [np.linspace(-reach, reach, count), reach * np.sin(np.linspace(0.0, 300.0, count))])
    latitude = place[0] + steps[1] / 111_200.0
    longitude = place[1] + steps[0] / (111_200.0 * np.cos(np.radians(place[0])))
    height = 500.0 + 0.02 * steps[0] + draw.normal(0.0, 2.0, count)
    where = longitude, latitude, height
    if crs is not None:
        where = pyproj.Transformer.from_crs(
            pyproj.CRS(frame).to_3d(), pyproj.CRS(crs).to_3d(), always_xy=True).transform(*where)
        if pyproj.CRS(crs).to_epsg() is not None or point_format >= 6:
            header.add_crs(pyproj.CRS(crs))
    fine = 1e-8 if crs is None or pyproj.CRS(crs).is_geographic else scale
    header.scales = [fine, fine, scale]
    header.offsets = [float(np.floor(values.mean())) for values in where] if count else [0.0] * 3
    header.global_encoding.gps_time_type = laspy.header.GpsTimeType.STANDARD
    if extra:
        header.add_extra_dim(laspy.ExtraBytesParams("amplitude", np.uint16, "made up"))
        header.add_extra_dim(laspy.ExtraBytesParams("range", np.float64))
    header.vlrs.append(VLR("made up", 4711, "bytes of somebody", bytes(range(256)) * 3))
    cloud = laspy.LasData(header)
    cloud.x, cloud.y, cloud.z = where
    fill_the_rest(cloud, draw)
    if version == "1.4":
        cloud.evlrs = VLRList([VLR("made up", 12, "long", bytes(100_000)),
                               VLR("made up", 13, "longer", b"x" * 70_001)])
    cloud.write(str(path))
    return cloud


def fill_the_rest(cloud: laspy.LasData, draw) -> None:
    """Random numbers in all dimensions but the coordinates; returns that make sense."""
    count = len(cloud.points)
    for dimension in cloud.point_format.dimensions:
        name = dimension.name
        if name in ("X", "Y", "Z"):
            continue
        if name == "gps_time":
            cloud[name] = 1.2e8 + np.cumsum(draw.uniform(0.0, 1e-4, count))
        elif dimension.kind is laspy.point.dims.DimensionKind.FloatingPoint:
            cloud[name] = draw.normal(0.0, 100.0, count)
        else:
            high = min(int(dimension.max), 2**31)
            cloud[name] = draw.integers(max(int(dimension.min), -2**31), high, count)
    cloud.return_number = draw.integers(1, 5, count)
    cloud.number_of_returns = np.full(count, 5)


def other_bytes(path) -> np.ndarray:
    """(n, size - 12) bytes of the point records without X, Y, Z."""
    points = laspy.read(str(path)).points.array
    return np.frombuffer(points.tobytes(), np.uint8).reshape(len(points), -1)[:, 12:]
