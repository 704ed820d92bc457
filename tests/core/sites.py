"""Random invented sites with a known truth, for tests that must hold on any site.

The truth is made with pyproj alone, not with the code under test: a Transverse Mercator of scale 1
on the ellipsoid, a similarity of it, and a height correction that may tilt.
"""

from __future__ import annotations

import dataclasses
import math
import struct
from typing import Dict, List, NamedTuple, Optional, Sequence, Tuple

import numpy as np
import pyproj

from sitetie.core import Control, Observation, Pair, Settings, Tie

METRES = {"m": 1.0, "ft": 0.3048, "us-ft": 1200.0 / 3937.0}
DEFAULT_H = math.hypot(0.008, 0.005)  # of an observation and its control, the settings' defaults


class Site(NamedTuple):
    """Pairs, settings whose base is the true plane, and the truth (metres, radians)."""

    pairs: Tuple[Pair, ...]
    settings: Settings
    rotation: float
    scale: float
    latitude: float
    longitude: float
    extent: float


def base_wkt(latitude: float, longitude: float, crs: str = "EPSG:4326") -> str:
    """The plane that the truth is made in."""
    conversion = pyproj.crs.coordinate_operation.TransverseMercatorConversion(
        latitude, longitude, 0.0, 0.0, 1.0
    )
    made = pyproj.crs.ProjectedCRS(conversion, name="True plane", geodetic_crs=pyproj.CRS(crs))
    return made.to_wkt("WKT2_2019")


def random_site(
    seed: int,
    *,
    marks: int = 7,
    noise: float = 1.0,
    checks: int = 0,
    idle: int = 0,
    own_sigmas: bool = True,
    place: Optional[Tuple[float, float]] = None,
    extent: Optional[float] = None,
    rotation: Optional[float] = None,
    true_scale: Optional[float] = None,
    tilt: float = 2e-5,
    site_unit: str = "m",
    elevation_unit: Optional[str] = None,
    **settings,
) -> Site:
    """A site anywhere between 70 degrees south and north.

    Parameters
    ----------
    noise : float
        Size of the random errors in their stated sigmas; 0 gives exact data.
    checks, idle : int
        How many of the marks are withheld in both parts; the last ones.
    own_sigmas : bool
        Every pair has sigmas of its own (a factor 4 apart, correlated east and north); otherwise
        the defaults of the settings hold.
    tilt : float
        Largest slope of the height correction.
    settings
        Further settings.
    """
    draw = np.random.default_rng(seed)
    latitude, longitude = draw.uniform(-70.0, 70.0), draw.uniform(-179.0, 179.0)
    if place is not None:
        latitude, longitude = place
    latitude, longitude = round(latitude, 3), round(longitude, 3)
    extent = 10.0 ** draw.uniform(1.9, 3.4) if extent is None else extent
    rotation = draw.uniform(-math.pi, math.pi) if rotation is None else rotation
    scale = 1.0 + draw.uniform(-4e-4, 4e-4) if true_scale is None else true_scale
    origin = draw.uniform(-1e4, 2e5, 2)
    slopes = draw.uniform(-tilt, tilt, 2)
    unit, unit_v = METRES[site_unit], METRES[elevation_unit or site_unit]
    plane = pyproj.Proj(proj="tmerc", lat_0=latitude, lon_0=longitude, k=1, ellps="WGS84")
    turn = np.array([[math.cos(rotation), -math.sin(rotation)],
                     [math.sin(rotation), math.cos(rotation)]])
    pairs = []
    for i in range(marks):
        base = draw.uniform(-extent / 2.0, extent / 2.0, 2)
        lon, lat = plane(base[0], base[1], inverse=True)
        height = draw.uniform(100.0, 100.0 + 0.05 * extent)
        sigmas = _sigmas(draw) if own_sigmas else {}
        # Noise on the control side stands for all of it; a similarity turns it as it likes.
        errors = noise * draw.standard_normal(3) * _size(sigmas)
        site = origin + scale * turn @ base + errors[:2]
        elevation = height - 47.0 + slopes @ base + errors[2]
        role = "fit"
        if i >= marks - checks - idle:
            role = "check" if i >= marks - checks else "idle"
        pairs.append(Pair(
            Control(f"C{i}", site[0] / unit, site[1] / unit, elevation / unit_v,
                    sigma_h=sigmas.get("control_h"), sigma_v=sigmas.get("control_v")),
            Observation(f"G{i}", lat, lon, height, sigma_e=sigmas.get("e"),
                        sigma_n=sigmas.get("n"), sigma_en=sigmas.get("en"),
                        sigma_u=sigmas.get("u")),
            role, role,
        ))
    over = {"crs": settings["observation_crs"]} if "observation_crs" in settings else {}
    made = Settings(site_unit=site_unit, elevation_unit=elevation_unit,
                    **{"base_crs": base_wkt(latitude, longitude, **over), **settings})
    return Site(tuple(pairs), made, rotation, scale, latitude, longitude, extent)


def _sigmas(draw) -> Dict[str, float]:
    e, n, u = draw.uniform(0.004, 0.016, 3)
    return {"e": e, "n": n, "u": 2.0 * u, "en": draw.uniform(-0.8, 0.8) * math.sqrt(e * n),
            "control_h": draw.uniform(0.003, 0.010), "control_v": draw.uniform(0.003, 0.010)}


def _size(sigmas: Dict[str, float]) -> np.ndarray:
    if not sigmas:
        return np.array([DEFAULT_H, DEFAULT_H, math.hypot(0.015, 0.005)])
    across = math.hypot(math.sqrt(sigmas["e"] * sigmas["n"]), sigmas["control_h"])
    return np.array([across, across, math.hypot(sigmas["u"], sigmas["control_v"])])


def change(pair: Pair, *, control: Optional[dict] = None, observation: Optional[dict] = None,
           **fields) -> Pair:
    """A pair with some values of it, its control or its observation changed."""
    return dataclasses.replace(
        pair,
        control=dataclasses.replace(pair.control, **(control or {})),
        observation=dataclasses.replace(pair.observation, **(observation or {})),
        **fields,
    )


def shifted(pair: Pair, east: float = 0.0, north: float = 0.0, up: float = 0.0) -> Pair:
    """The pair with its control moved, site units."""
    c = pair.control
    return change(pair, control={"easting": c.easting + east, "northing": c.northing + north,
                                 "elevation": c.elevation + up})


def observed_elsewhere(pair: Pair, east: float = 0.0, north: float = 0.0,
                       up: float = 0.0) -> Pair:
    """The pair with its observation moved, metres on the ground."""
    o = pair.observation
    longitude, latitude, _ = pyproj.Geod(ellps="WGS84").fwd(
        o.longitude, o.latitude, math.degrees(math.atan2(east, north)), math.hypot(east, north))
    return change(pair, observation={"latitude": latitude, "longitude": longitude,
                                     "height": o.height + up})


def turned(pairs: Sequence[Pair], angle: float, about=(0.0, 0.0)) -> List[Pair]:
    """The pairs with the site axes turned: all control rotated by an angle in radians."""
    return [change(pair, control=dict(zip(
        ("easting", "northing"),
        turned_points(pair.control.easting, pair.control.northing, angle, about))))
        for pair in pairs]


def turned_points(easting, northing, angle: float, about=(0.0, 0.0)):
    """Site positions rotated counter-clockwise."""
    x, y = easting - about[0], northing - about[1]
    cosine, sine = math.cos(angle), math.sin(angle)
    return about[0] + cosine * x - sine * y, about[1] + sine * x + cosine * y


def points(site: Site, count: int = 30, seed: int = 0, reach: float = 2.0):
    """Latitudes, longitudes, heights scattered over the site and beyond it."""
    draw = np.random.default_rng(seed)
    metres = draw.uniform(-0.5 * reach * site.extent, 0.5 * reach * site.extent, (2, count))
    latitude = site.latitude + metres[1] / 111_000.0
    longitude = site.longitude + metres[0] / (111_000.0 * math.cos(math.radians(site.latitude)))
    return latitude, longitude, draw.uniform(50.0, 400.0, count)


def apart(one: Tie, other: Tie, where) -> float:
    """Largest difference of restated points in metres."""
    unit, unit_v = one.settings.site_length.metres, one.settings.elevation_length.metres
    first, second = np.array(one.to_site(*where)), np.array(other.to_site(*where))
    scaled = (first - second) * np.array([unit, unit, unit_v])[:, None]
    assert np.isfinite(first[:2]).all()
    return float(np.nanmax(np.abs(scaled)))


def verdicts(tie: Tie) -> Dict[str, tuple]:
    """Verdict of every pair by its observation; the company is a set."""
    return {row.observation_id: tuple((part.verdict, frozenset(part.verdict_with))
                                      for part in (row.horizontal, row.vertical))
            for row in tie.residuals}


def write_geoid(path, south=46.0, west=9.0, north=50.0, east=13.0, step=0.25) -> str:
    """Write a geoid grid (GTX) that slopes like a real one: 45 m and some centimetres per km."""
    rows, columns = round((north - south) / step) + 1, round((east - west) / step) + 1
    latitude, longitude = np.meshgrid(south + step * np.arange(rows),
                                      west + step * np.arange(columns), indexing="ij")
    values = 45.0 + 1.5 * np.sin(longitude) + 1.2 * np.cos(1.3 * latitude)
    header = struct.pack(">ddddii", south, west, step, step, rows, columns)
    with open(path, "wb") as stream:
        stream.write(header + values.astype(">f4").tobytes())
    return str(path)
