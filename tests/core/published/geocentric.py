"""Geocentric coordinates, changes of datum, geoid, units and written angles."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import RectBivariateSpline

from sitetie.core.frames import choose_operation, geographic_crs, transformer
from sitetie.core.geoid import open_geoid
from sitetie.core.positions import geocentric_to_geodetic, geodetic_to_geocentric, parse_angle
from sitetie.core.units import length_unit

from .checks import EPSG, CheckList, dms

CHECKS = CheckList("Geocentric coordinates, datum, geoid, units, angles")

_GIGS = "IOGP GIGS (report 430), in PROJ test/gigs/5201.gie"
_GEODEPY = "GeoscienceAustralia/GeodePy tests/test_convert.py"
_OS = "OS, A guide to coordinate systems in Great Britain, worked example, as in several tests"

# name, source, geographic CRS, latitude, longitude, height, (X, Y, Z), tolerance, tolerance of the
# way back (degrees, degrees, metres), reason
_POSITIONS = [
    ("Airy", _OS, "EPSG:4277", dms(52, 39, 27.2531), dms(1, 43, 4.5177), 24.700,
     (3874938.850, 116218.624, 5047168.208), 0.0021, (3e-8, 3e-8, 0.0015),
     "latitude and longitude are printed to 0.0001 arc second: 1.5 mm; X is printed as .849 and as "
     ".850"),
    ("WGS 84, North Sea", f"{EPSG}, method 9602", "EPSG:4979", dms(53, 48, 33.82),
     dms(2, 7, 46.38), 73.0, (3771793.97, 140253.34, 5124304.35), 0.005, (1.4e-7, 1.4e-7, 0.006),
     ""),
    ("ED50, North Sea", f"{EPSG}, method 9602", "EPSG:4230", dms(53, 48, 36.565),
     dms(2, 7, 51.477), 28.02, (3771878.84, 140349.83, 5124421.30), 0.016, (1.4e-7, 1.4e-7, 0.014),
     "latitude and longitude are printed to 0.001 arc second: 15 mm; X, Y, Z and the height to 1 "
     "cm, half of which in all three is 9 mm, and 5 mm"),
    ("GDA2020, Melbourne", _GEODEPY, "EPSG:7844", parse_angle("-37.482667598", "latitude", True),
     parse_angle("144.581644114", "longitude", True), 39.6514,
     (-4131654.2815, 2896107.9738, -3888601.3067), 0.0002, (2e-9, 2e-9, 0.0001),
     "latitude and longitude are printed to 0.00001 arc second: 0.15 mm"),
    ("WGS 84, 80 degrees north", _GIGS, "EPSG:4979", 80.0, 150.0, 1214.137,
     (-962479.5924, 555687.8517, 6260738.6526), 0.00006, (1e-9, 3e-9, 0.0005), ""),
    ("WGS 84, 80 degrees south", _GIGS, "EPSG:4979", -80.0, -150.0, -3316.255,
     (-961798.2951, -555294.5046, -6256277.0874), 0.00006, (1e-9, 3e-9, 0.0005), ""),
    ("WGS 84, southern hemisphere, west", _GIGS, "EPSG:4979", -30.0, -60.0, -526.476,
     (2763900.3489, -4787215.8313, -3170110.4974), 0.00006, (1e-9, 1e-9, 0.0005), ""),
    ("WGS 84, at the antimeridian", _GIGS, "EPSG:4979", 70.00490733, -179.99706624, -223.6178,
     (-2187336.719, -112.0, 5971017.093), 0.0012, (5e-9, 5e-9, 0.0006),
     "latitude and longitude are printed to 1e-8 degrees: 0.6 mm"),
    ("WGS 84, on the equator", _GIGS, "EPSG:4979", 0.00392509, -0.00100615, -202.5882,
     (6377934.396, -112.0, 434.0), 0.0012, (5e-9, 5e-9, 0.0006),
     "latitude and longitude are printed to 1e-8 degrees: 0.6 mm"),
    ("WGS 84, deep below the surface", _GIGS, "EPSG:4979", -37.65282143, 143.92648984, -11099.2288,
     (-4079520.647, 2971949.553, -3868226.465), 0.0012, (5e-9, 6.4e-9, 0.0006),
     "latitude and longitude are printed to 1e-8 degrees: 0.6 mm"),
]


def _register(name, source, crs, latitude, longitude, height, xyz, tolerance, back, reason) -> None:
    @CHECKS(f"Geocentric, {name}", source, xyz, tolerance, reason)
    def _():
        return geodetic_to_geocentric(latitude, longitude, height, crs)

    @CHECKS(f"Geocentric, {name}, back", source, (latitude, longitude, height), back,
            reason or "half the last printed digit of the position, or of X, Y, Z where coarser")
    def _():
        place = geocentric_to_geodetic(*xyz, crs)
        return place.latitude, place.longitude, place.height


for _row in _POSITIONS:
    _register(*_row)


@CHECKS("GDA94 to GDA2020, Alice Springs",
        "GDA2020 Technical Manual v1.0 (ICSM), in PROJ test/gie/GDA.gie",
        (-23.67011014, 133.8855216, 603.2489), (2e-8, 2e-8, 0.002),
        "PROJ's own test of these figures allows 2 mm, and prints both positions to 1e-8 degrees")
def _():
    operation = choose_operation(
        geographic_crs("EPSG:4939"), geographic_crs("EPSG:7843"),
        override="GDA94 to GDA2020 (1)", near=(-23.67, 133.89))
    longitude, latitude, height = transformer(operation.definition).transform(
        133.88551329, -23.67012389, 603.3466)
    return latitude, longitude, height


@CHECKS("EGM96 undulations at six places", "NGA, readme of the EGM96 geoid, its sample output",
        (-31.628, -2.969, -43.575, 15.871, 50.066, 17.329), 0.057,
        "PROJ interpolates the 15 minute grid bilinearly, NGA by a spline: up to 0.056 m apart. A "
        "bicubic reading of the same grid meets them to 2.5 mm, see the next check. PROJ's own "
        "test value at 55.5 N 12.5 E, 36.394, is not of this grid, which has 36.021")
def _():
    geoid = open_geoid("egm96_15.gtx")
    return geoid.undulation(*np.transpose(_EGM96_PLACES))


@CHECKS("EGM96 undulations, the same grid through a spline", "NGA, readme of the EGM96 geoid, its "
        "sample output", (-31.628, -2.969, -43.575, 15.871, 50.066, 17.329), 0.0025,
        "a check of the grid, its origin and its sign: only its nodes pass through our geoid. "
        "Printed to 1 mm; NGA's spline is not scipy's")
def _():
    geoid = open_geoid("egm96_15.gtx")
    return [_by_spline(geoid, *place) for place in _EGM96_PLACES]


_EGM96_PLACES = [(38.628155, 269.779155), (-14.621217, 305.021114), (46.874319, 102.448729),
                 (-23.617446, 133.874712), (38.625473, 359.9995), (-0.466744, 0.0023)]


def _by_spline(geoid, latitude: float, longitude: float, step: float = 0.25) -> float:
    """A bicubic spline through twelve by twelve nodes, each read exactly on the node."""
    row, column = latitude / step, longitude / step
    rows, columns = (np.floor(at) + np.arange(-5.0, 7.0) for at in (row, column))
    nodes = geoid.undulation((rows * step)[:, None],
                             ((columns * step + 180.0) % 360.0 - 180.0)[None, :])
    return float(RectBivariateSpline(rows, columns, nodes)(row, column)[0, 0])


@CHECKS("Both feet, in metres", f"{EPSG}, units 9002 and 9003", (0.3048, 1200.0 / 3937.0), 0.0)
def _():
    return length_unit("ft").metres, length_unit("us-ft").metres


@CHECKS("Packed degrees, minutes, seconds", _GEODEPY,
        (dms("-37", 48, 26.67598), dms("-37", 48.4445997)), (1e-12, 1e-9),
        "minutes are printed to 7 decimals")
def _():
    return [parse_angle("-37.482667598", "latitude", packed=True)] * 2


@CHECKS("Packed degrees of EPSG's pseudo-unit", f"{EPSG}, operation 1035: 271.053",
        271.0 + 5.0 / 60.0 + 30.0 / 3600.0, 1e-12)
def _():
    return parse_angle("271.053", "longitude", packed=True)
