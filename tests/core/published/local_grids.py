"""Published local grids, typed in as parameters."""

from __future__ import annotations

import numpy as np

from sitetie.core import Settings, tie_from_parameters
from sitetie.core.positions import geodetic_to_geocentric

from .checks import EPSG, CheckList, dms
from .methods import topocentric

CHECKS = CheckList("Published local grids")


@CHECKS("Tombak LNG plant grid", f"{EPSG}, operation 15747 and its datum's text",
        (618336.748, 3067774.210), 0.0005,
        "the text prints easting 618336.784, 36 mm off; its own parameters give .748 and the "
        "printed northing to the last digit: digits exchanged in the source, kept here as that")
def _():
    # The plant grid is the source: its x points to bearing 45 degrees, its y to 315.
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:32639"), "EPSG:9621",
        {"easting": 611267.2865, "northing": 3046565.8255, "scale": 0.9997728332,
         "rotation": 315.0}, inverse=True)
    return tie.site_to_base(20000.0, 10000.0)


@CHECKS("Astra Minas grid: its origin", f"{EPSG}, operation 1035 (rotation 271.053 in packed DMS) "
        "and its datum's text: 45 deg 59 min 54.79 s S, 67 deg 34 min 38.94 s W", (0.0, 0.0), 0.015,
        "the origin is printed to 0.01 arc second, half of which is 15 cm north and 11 cm east; "
        "5 mm are seen, because the parameters came from it")
def _():
    # Axes of the grid: X north, Y west. Axes of the parameters' target: easting, northing.
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:22192", observation_crs="EPSG:4221"), "EPSG:9621",
        {"easting": 2610200.48, "northing": 4905282.73, "scale": 1.0,
         "rotation": (271.053, "dms")}, inverse=True, site_axes="NW", accuracy_h=5.0)
    return tie.to_site(dms("-45", 59, 54.79), dms("-67", 34, 38.94))[:2]


@CHECKS("Astra Minas grid: its west axis on the map", f"{EPSG}, operation 1035", dms(271, 5, 30),
        1e-9)
def _():
    # EPSG's rotation is also the bearing of the grid's second axis (Y, west) on the map.
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:22192", observation_crs="EPSG:4221"), "EPSG:9621",
        {"easting": 2610200.48, "northing": 4905282.73, "scale": 1.0,
         "rotation": (271.053, "dms")}, inverse=True, site_axes="NW")
    west = np.subtract(tie.site_to_base(-1000.0, 0.0), tie.site_to_base(0.0, 0.0))
    return np.degrees(np.arctan2(*west)) % 360.0


@CHECKS("Slovenia D48/GK to D96/TM, region 10", f"{EPSG}, operation 3938; figures by PROJ",
        (476763.303, 95620.222), 0.0005)
def _():
    return slovenia(*SLOVENIA[3938]).base_to_site(477134.28, 95134.21)


@CHECKS("Heathrow Airport Grid against its published approximation",
        f"{EPSG}, operation 11388 (similarity) and CRS 11390 (method 1130, local orthographic), "
        "five points of the airport; differences in easting and northing", np.zeros(10), 0.012,
        "EPSG's remark on 11390: better than 12 mm within the airport")
def _():
    tie = tie_from_parameters(
        Settings(base_crs="EPSG:27700", observation_crs="EPSG:4277"), "EPSG:9621",
        {"easting": -504786.4675, "northing": -156728.1037, "scale": 1.000259617024,
         "rotation": (0.026361909134441, "rad")}, accuracy_h=0.0)
    latitude = np.array([51.4655, 51.4645, 51.4770, 51.4775, 51.4700])
    longitude = np.array([-0.4850, -0.4340, -0.4850, -0.4340, -0.4600])
    easting, northing, _ = tie.to_site(latitude, longitude)
    place = np.stack(geodetic_to_geocentric(latitude, longitude, np.zeros(5), "EPSG:4277"), axis=1)
    centre = dms(51, 28, 12.396806), -dms(0, 27, 5.963708)
    plane = 1.000002816 * topocentric(place, *centre, 0.0, "EPSG:4277")[:, :2]
    azimuth = np.radians(dms(359, 42, 3.35618))
    turn = np.array([[np.cos(azimuth), -np.sin(azimuth)], [np.sin(azimuth), np.cos(azimuth)]])
    approximate = plane @ turn.T + [7334.818, 5637.421]
    return np.stack([easting, northing], axis=1) - approximate


def slovenia(easting: float, northing: float, scale: float, rotation: float):
    """One of the Slovenian regional similarities, D48/GK to D96/TM; rotation in degrees."""
    return tie_from_parameters(
        Settings(base_crs="EPSG:3912", observation_crs="EPSG:3906"), "EPSG:9621",
        {"easting": easting, "northing": northing, "scale": scale, "rotation": rotation},
        accuracy_h=0.2)


#: The 24 current Slovenian regional similarities by EPSG operation.
SLOVENIA = {
    3929: (-378.752, 493.395, 1.0000126775, 0.000984675),
    3930: (-380.322, 494.216, 1.000015768, 0.0012011048),
    3931: (-382.19, 492.412, 1.0000210585, 0.0009919079),
    3932: (-377.487, 492.209, 1.0000103303, 0.0008612384),
    3933: (-383.677, 493.408, 1.000023822, 0.0011916674),
    3934: (-379.867, 496.342, 1.0000139529, 0.001410572),
    3935: (-378.706, 493.722, 1.0000128479, 0.0010638143),
    3936: (-376.275, 493.231, 1.0000076601, 0.000972004),
    3937: (-379.883, 497.465, 1.0000132379, 0.0015286859),
    3938: (-380.127, 497.52, 1.0000138184, 0.001539718),
    3939: (-377.965, 499.354, 1.0000089352, 0.0017109424),
    3940: (-384.455, 487.979, 1.0000246653, 0.0004151044),
    3941: (-384.415, 502.308, 1.0000190161, 0.0021913792),
    3951: (-380.84, 495.612, 1.0000158378, 0.0013669828),
    3952: (-377.812, 496.076, 1.0000100475, 0.0013339461),
    3953: (-379.658, 493.837, 1.0000140367, 0.0011164461),
    3954: (-382.138, 496.819, 1.0000177148, 0.0014400562),
    3955: (-375.995, 490.833, 1.0000073161, 0.0006771071),
    3956: (-381.28, 505.983, 1.0000118449, 0.0024426318),
    3957: (-374.256, 501.885, 1.0000013456, 0.0018316181),
    3958: (-371.329, 496.151, 0.9999980009, 0.0012073334),
    3959: (-372.573, 505.578, 0.9999970275, 0.002148407),
    3960: (-371.849, 503.318, 0.9999967297, 0.0019225985),
    3961: (-371.498, 504.461, 0.9999956084, 0.0020157601),
}
