"""Published grids through the CRS and the pipeline of their ties: PROJ computes, not the core."""

from __future__ import annotations

import numpy as np
import pyproj

from sitetie.core import Settings, Tie, tie_from_parameters

from . import local_grids, methods
from .checks import EPSG, CheckList, dms

CHECKS = CheckList("Published grids through their derived CRS, computed by PROJ")


def through(tie: Tie, source: str, x: float, y: float, back: bool = False):
    """Coordinates of a source CRS in the derived CRS of a tie, or back; easting before northing."""
    there = pyproj.Transformer.from_crs(source, pyproj.CRS(tie.crs_wkt()), always_xy=True)
    return there.transform(x, y, direction="INVERSE" if back else "FORWARD")


def _similarity() -> Tie:
    return tie_from_parameters(methods._ED50, "EPSG:9621", methods._SIMILARITY)


@CHECKS("9621 similarity, ED50 / UTM 31N to ETRS89 / UTM 31N", methods._SOURCE_5166,
        (299905.060, 4499796.515), 0.0005)
def _():
    return through(_similarity(), "EPSG:23031", 300000.0, 4500000.0)


@CHECKS("9621 similarity, back", methods._SOURCE_5166, (300000.0, 4500000.0), 0.001,
        "the position to start from is printed to 1 mm: half of it on top")
def _():
    return through(_similarity(), "EPSG:23031", 299905.060, 4499796.515, back=True)


def _affine() -> Tie:
    return tie_from_parameters(methods._OLD_GRID, "EPSG:9624", methods._AFFINE)


@CHECKS("9624 affine, Clarke's feet to metres", methods._SOURCE_10087, (251190.497, 175146.067),
        0.0005)
def _():
    return through(_affine(), "EPSG:24100", 553900.0, 482500.0)


@CHECKS("9624 affine, back to Clarke's feet", methods._SOURCE_10087, (553900.0, 482500.0), 0.002,
        "the position to start from is printed to 1 mm, 3.3 thousandths of a foot: half of it")
def _():
    return through(_affine(), "EPSG:24100", 251190.497, 175146.067, back=True)


@CHECKS("1049 bin grid (mirrored axes) to US survey feet", f"{EPSG}, method 1049",
        (890972.63, 10298199.29), 0.005)
def _():
    return through(methods._left_handed(), "EPSG:32066", 4700.0, 247.0, back=True)


@CHECKS("9666 bin grid", f"{EPSG}, method 9666", (464855.62, 5837055.90), 0.005)
def _():
    return through(methods._right_handed(), "EPSG:32631", 300.0, 247.0, back=True)


@CHECKS("9656 Christmas Island Grid 1985 to MGA 48", f"{EPSG}, operation 6724",
        (550015.0, 8780001.0), 1e-6, "the printed parameters themselves")
def _():
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:28348", observation_crs="EPSG:4283"), "EPSG:9656",
        {"easting": 550015.0, "northing": 8780001.0}, inverse=True)
    return through(tie, "EPSG:28348", 0.0, 0.0, back=True)


@CHECKS("Tombak LNG plant grid", f"{EPSG}, operation 15747 and its datum's text",
        (618336.748, 3067774.210), 0.0005,
        "the text prints easting 618336.784: digits exchanged in the source")
def _():
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:32639"), "EPSG:9621",
        {"easting": 611267.2865, "northing": 3046565.8255, "scale": 0.9997728332,
         "rotation": 315.0}, inverse=True)
    return through(tie, "EPSG:32639", 20000.0, 10000.0, back=True)


@CHECKS("Astra Minas grid: its origin on the earth", f"{EPSG}, operation 1035 and its datum's text",
        (-dms(67, 34, 38.94), -dms(45, 59, 54.79)), 2e-6,
        "printed to 0.01 arc second, half of which is 1.4e-6 degrees")
def _():
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:22192", observation_crs="EPSG:4221"), "EPSG:9621",
        {"easting": 2610200.48, "northing": 4905282.73, "scale": 1.0,
         "rotation": (271.053, "dms")}, inverse=True, site_axes="NW")
    return through(tie, "EPSG:4221", 0.0, 0.0, back=True)


@CHECKS("Slovenia D48/GK to D96/TM, region 10", f"{EPSG}, operation 3938; figures by PROJ",
        (476763.303, 95620.222), 0.0005)
def _():
    tie = local_grids.slovenia(*local_grids.SLOVENIA[3938])
    return through(tie, "EPSG:3912", 477134.28, 95134.21)


@CHECKS("Heathrow Airport Grid: its origin of the published approximation",
        f"{EPSG}, operation 11388 (similarity over the British National Grid) against conversion "
        "11389 (local orthographic, false easting 7334.818, northing 5637.421 at its centre)",
        (7334.818, 5637.421), 0.012, "EPSG's remark on CRS 11390: better than 12 mm within the "
        "airport")
def _():
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:27700", observation_crs="EPSG:4277"), "EPSG:9621",
        {"easting": -504786.4675, "northing": -156728.1037, "scale": 1.000259617024,
         "rotation": (0.026361909134441, "rad")})
    return through(tie, "EPSG:4277", -dms(0, 27, 5.963708), dms(51, 28, 12.396806))


@CHECKS("ED50 to ETRS89 in Catalonia, the publisher's own way back",
        f"{EPSG}, remarks of operation 5166: 129.547, 208.186, 0.9999984496, -1.56504 arc seconds",
        (299905.060, 4499796.515), 0.001, "both offsets are printed to 1 mm: half of it on top")
def _():
    tie = tie_from_parameters(methods._ED50, "EPSG:9621", {
        "easting": 129.547, "northing": 208.186, "scale": 0.9999984496,
        "rotation": (-1.56504, "arcsec")}, inverse=True)
    return through(tie, "EPSG:23031", 300000.0, 4500000.0)


@CHECKS("1046 vertical offset and slope, through the pipeline", methods._SOURCE_5431, 472.690,
        0.0005)
def _():
    there = pyproj.Transformer.from_pipeline(methods.sloped().pipeline())
    return there.transform(dms(9, 40), dms(47, 20), 473.0)[2]


@CHECKS("1046 vertical offset and slope, through the pipeline and back", methods._SOURCE_5431,
        473.0, 0.001, "the height to start from is printed to 1 mm: half of it on top")
def _():
    tie = methods.sloped()
    place = tie.to_site(dms(47, 20), dms(9, 40))[:2]
    back = pyproj.Transformer.from_pipeline(tie.pipeline(backward=True))
    return np.array(back.transform(*place, 472.690))[2]
