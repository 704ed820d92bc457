"""EPSG's own examples of plane and vertical operations, typed in as parameters."""

from __future__ import annotations

import numpy as np

from sitetie.core import Settings, Tie, tie_from_parameters
from sitetie.core.positions import geodetic_to_geocentric

from .checks import EPSG, CheckList, dms

CHECKS = CheckList("Operations of the EPSG dataset, typed in as parameters")

# -- 9621, similarity: ED50 / UTM 31N to ETRS89 / UTM 31N (Catalonia) ------------------------------

_ED50 = Settings(base_crs="EPSG:23031", observation_crs="EPSG:4230")
_SIMILARITY = {"easting": -129.549, "northing": -208.185, "scale": 1.0000015504,
               "rotation": (1.56504, "arcsec")}
_SOURCE_5166 = f"{EPSG}, method 9621 and operation 5166; PROJ test/cli/test_cs2cs_various.yaml"


@CHECKS("9621 similarity", _SOURCE_5166, (299905.060, 4499796.515), 0.0005)
def _():
    return tie_from_parameters(_ED50, "EPSG:9621", _SIMILARITY).base_to_site(300000.0, 4500000.0)


@CHECKS("9621 similarity, back", _SOURCE_5166, (300000.0, 4500000.0), 0.001,
        "the position to start from is printed to 1 mm: half of it on top")
def _():
    return tie_from_parameters(_ED50, "EPSG:9621", _SIMILARITY).site_to_base(
        299905.060, 4499796.515)


@CHECKS("9621 similarity, the publisher's own parameters of the way back",
        f"{EPSG}, remarks of operation 5166: 129.547, 208.186, 0.9999984496, -1.56504 arc seconds",
        (299905.060, 4499796.515), 0.001, "both offsets are printed to 1 mm: half of it on top")
def _():
    tie = tie_from_parameters(_ED50, "EPSG:9621", {
        "easting": 129.547, "northing": 208.186, "scale": 0.9999984496,
        "rotation": (-1.56504, "arcsec")}, inverse=True)
    return tie.base_to_site(300000.0, 4500000.0)


@CHECKS("9621 similarity with the scale as the example prints it", f"{EPSG}, method 9621",
        (299905.060, 4499796.515), (0.0005, 0.0025),
        "the example prints M = 1.00000155; the figures were made with 1.0000015504: 4e-10 of 4500 "
        "km is 1.8 mm")
def _():
    rounded = {**_SIMILARITY, "scale": 1.00000155}
    return tie_from_parameters(_ED50, "EPSG:9621", rounded).base_to_site(300000.0, 4500000.0)


@CHECKS("9621 similarity, scale typed in ppm", _SOURCE_5166, (299905.060, 4499796.515), 0.0005)
def _():
    in_ppm = {**_SIMILARITY, "scale": (1.5504, "ppm")}
    return tie_from_parameters(_ED50, "EPSG:9621", in_ppm).base_to_site(300000.0, 4500000.0)


# -- 9624, affine: Jamaica (Old Grid), Clarke's feet, to JAD69, metres -----------------------------

_CLARKE_FOOT = 0.3047972654  # EPSG unit 9005
_SOURCE_10087 = f"{EPSG}, method 9624 and operation 10087"
_OLD_GRID = Settings(base_crs="EPSG:24100", observation_crs="EPSG:4241", site_unit="m")
_AFFINE = {"A0": 82357.457, "A1": 0.304794369, "A2": 1.5417425e-5,
           "B0": 28091.324, "B1": -1.5417425e-5, "B2": 0.304794369}


@CHECKS("9624 affine, feet to metres", _SOURCE_10087, (251190.497, 175146.067), 0.0005)
def _():
    tie = tie_from_parameters(_OLD_GRID, "EPSG:9624", _AFFINE)
    return tie.base_to_site(553900.0 * _CLARKE_FOOT, 482500.0 * _CLARKE_FOOT)


@CHECKS("9624 affine, back to feet", _SOURCE_10087, (553900.0, 482500.0), 0.002,
        "the position to start from is printed to 1 mm, 3.3 thousandths of a foot: half of it")
def _():
    back = tie_from_parameters(_OLD_GRID, "EPSG:9624", _AFFINE).site_to_base(251190.497, 175146.067)
    return np.array(back) / _CLARKE_FOOT


@CHECKS("9624 affine, the example's parameters of the way back", _SOURCE_10087,
        (251190.497, 175146.067), 0.001,
        "A0' and B0' are printed to 0.001 foot, A1' to B2' to 9 decimals (5e-10 of 250 km): 0.15 "
        "and 0.13 mm each")
def _():
    tie = tie_from_parameters(_OLD_GRID, "EPSG:9624", {
        "A0": -270201.960, "A1": 3.280900499, "A2": -0.000165958,
        "B0": -92178.507, "B1": 0.000165958, "B2": 3.280900499}, inverse=True)
    return tie.base_to_site(553900.0 * _CLARKE_FOOT, 482500.0 * _CLARKE_FOOT)


@CHECKS("9624 affine, deprecated operation 10088 put right", f"{EPSG}, operation 10088",
        (251190.497, 175146.067), 0.006,
        "the record has the columns of A1, A2 and of B1, B2 exchanged, the reason it is "
        "deprecated; put right. Its A1 to B2 are printed to 8 digits: 5e-8 of 3.28 is 4 mm in 250 "
        "km, its offsets to 0.01 foot")
def _():
    tie = tie_from_parameters(_OLD_GRID, "EPSG:9624", {
        "A0": -270201.96, "A1": 3.2809005, "A2": -0.00016595792,
        "B0": -92178.51, "B1": 0.00016595792, "B2": 3.2809005}, inverse=True)
    return tie.base_to_site(553900.0 * _CLARKE_FOOT, 482500.0 * _CLARKE_FOOT)


# -- 1049 and 9666, P6 seismic bin grids -----------------------------------------------------------

_US_FOOT = 1200.0 / 3937.0


def _left_handed() -> Tie:
    return tie_from_parameters(
        Settings(base_crs="EPSG:32066", observation_crs="EPSG:4267"), "EPSG:1049",
        {"origin_i": 5000.0, "origin_j": 0.0, "easting": 871200.0, "northing": 10280160.0,
         "scale": 1.0, "width_i": 82.5, "width_j": 41.25, "bearing": 340.0, "increment_i": 1.0,
         "increment_j": 1.0})


def _right_handed() -> Tie:
    return tie_from_parameters(
        Settings(base_crs="EPSG:32631", observation_crs="EPSG:4326"), "EPSG:9666",
        {"origin_i": 1.0, "origin_j": 1.0, "easting": 456781.0, "northing": 5836723.0,
         "scale": 0.99984, "width_i": 25.0, "width_j": 12.5, "bearing": 20.0, "increment_i": 1.0,
         "increment_j": 1.0})


@CHECKS("1049 bin grid (mirrored axes), US survey feet", f"{EPSG}, method 1049",
        (890972.63, 10298199.29), 0.005)
def _():
    return np.array(_left_handed().site_to_base(4700.0, 247.0)) / _US_FOOT


@CHECKS("1049 bin grid, back", f"{EPSG}, method 1049", (4700.0, 247.0), 0.0002,
        "the position to start from is printed to 0.01 foot, 1.2e-4 of the shorter bin")
def _():
    return _left_handed().base_to_site(890972.63 * _US_FOOT, 10298199.29 * _US_FOOT)


@CHECKS("9666 bin grid", f"{EPSG}, method 9666", (464855.62, 5837055.90), 0.005,
        "the same figures are printed under method 9622 for I = 300, J = 247 and an origin of 0, "
        "0: there they are wrong, for they belong to an origin of 1, 1")
def _():
    return _right_handed().site_to_base(300.0, 247.0)


@CHECKS("9666 bin grid, back", f"{EPSG}, method 9666", (300.0, 247.0), 0.0006,
        "the position to start from is printed to 1 cm: half of it is 4e-4 of the shorter bin")
def _():
    return _right_handed().base_to_site(464855.62, 5837055.90)


# -- 9656, translation -----------------------------------------------------------------------------


@CHECKS("9656 Christmas Island Grid 1985 to MGA 48", f"{EPSG}, operation 6724",
        (550015.0, 8780001.0), 0.0)
def _():
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:28348", observation_crs="EPSG:4283"), "EPSG:9656",
        {"easting": 550015.0, "northing": 8780001.0}, inverse=True, accuracy_h=5.0)
    return tie.site_to_base(0.0, 0.0)


# -- heights ---------------------------------------------------------------------------------------

_LN02 = {"shift": -0.245, "latitude": dms(46, 55), "longitude": dms(8, 11),
         "slope_latitude": (-0.210, "arcsec"), "slope_longitude": (-0.032, "arcsec")}
_SWISS = Settings(base_crs="EPSG:25832", observation_crs="EPSG:4258")
_SAME_PLANE = {"easting": 0.0, "northing": 0.0}
_SOURCE_5431 = f"{EPSG}, method 1046 and operation 5431; PROJ test/gie/more_builtins.gie"


def sloped(vertical=None, **more) -> Tie:
    """The offset and slope of the example, exact at its point."""
    more.setdefault("near", (dms(47, 20), dms(9, 40)))
    return tie_from_parameters(_SWISS, "EPSG:9656", _SAME_PLANE, vertical=vertical or _LN02, **more)


@CHECKS("1046 vertical offset and slope", _SOURCE_5431, 472.690, 0.0005)
def _():
    return sloped().to_site(dms(47, 20), dms(9, 40), 473.0)[2]


@CHECKS("1046 vertical offset and slope, back", _SOURCE_5431, 473.0, 0.001,
        "the height to start from is printed to 1 mm: half of it on top")
def _():
    tie = sloped()
    easting, northing, _ = tie.to_site(dms(47, 20), dms(9, 40))
    return tie.to_geodetic(easting, northing, 472.690)[2]


@CHECKS("1046 its two terms", _SOURCE_5431, (-0.047, -0.017), 0.0005)
def _():
    terms = []
    for name in ("slope_latitude", "slope_longitude"):
        flat = {**_LN02, "shift": 0.0, "slope_latitude": 0.0, "slope_longitude": 0.0}
        tie = sloped({**flat, name: _LN02[name]})
        terms.append(tie.to_site(dms(47, 20), dms(9, 40), 0.0)[2])
    return terms


@CHECKS("1046 its radii of curvature", _SOURCE_5431, (6369526.88, 6389555.64), 0.005)
def _():
    return sloped().base.radii(dms(46, 55))


@CHECKS("9616 vertical offset: Baltic to Black Sea", f"{EPSG}, method 9616 and operation 5447",
        (2.95, 2.55), 0.0)
def _():
    tie = tie_from_parameters(_SWISS, "EPSG:9656", _SAME_PLANE, vertical={"shift": 0.4})
    back = tie_from_parameters(_SWISS, "EPSG:9656", _SAME_PLANE, vertical={"shift": 0.4},
                               vertical_inverse=True)
    height = tie.to_site(47.0, 9.0, 2.55)[2]
    return round(height, 12), round(back.to_site(47.0, 9.0, 2.95)[2], 12)


# -- 9836 and 9837, topocentric: the geocentric steps are ours, the turn is written out here -------


@CHECKS("9836/9837 topocentric of geographic", f"{EPSG}, methods 9836 and 9837",
        (-189013.869, -128642.040, -4220.171), 0.001,
        "the position is printed to 0.01 arc second in one record and to 0.001 m in the other")
def _():
    place = geodetic_to_geocentric(dms(53, 48, 33.82), dms(2, 7, 46.38), 73.0, "EPSG:4979")
    return topocentric(np.array(place), 55.0, 5.0, 200.0, "EPSG:4979")


def topocentric(place: np.ndarray, latitude: float, longitude: float, height: float, crs: str):
    """East, north, up in metres of geocentric positions (..., 3) from an origin in degrees."""
    origin = np.array(geodetic_to_geocentric(latitude, longitude, height, crs))
    p, q = np.radians([latitude, longitude])
    turn = np.array([
        [-np.sin(q), np.cos(q), 0.0],
        [-np.sin(p) * np.cos(q), -np.sin(p) * np.sin(q), np.cos(p)],
        [np.cos(p) * np.cos(q), np.cos(p) * np.sin(q), np.sin(p)],
    ])
    return (place - origin) @ turn.T
