"""Adjustments with printed residuals, tests and critical values."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from sitetie.core import Control, Observation, Pair, Settings, Tie, solve
from sitetie.core.adjustment import Adjustment, adjust
from sitetie.core.projection import base_projection, local_transverse_mercator
from sitetie.core.quantiles import (
    chi_square_quantile,
    noncentrality,
    normal_quantile,
    tau_critical,
)

from .checks import CheckList

CHECKS = CheckList("Adjustments and their statistics")


def solved_planes(measured, control, sigma: float, **settings) -> Tie:
    """Solve plane coordinates given in a book: the measured ones become positions that lie there
    in the base plane, free of error, and the control has one sigma for all."""
    crs = local_transverse_mercator("EPSG:4326", [45.0], [10.0])
    latitude, longitude = base_projection(crs, "EPSG:4326").to_geodetic(*np.transpose(measured))
    pairs = [
        Pair(Control(f"C{i}", *place, sigma_h=sigma),
             Observation(f"M{i}", lat, lon, sigma_e=1e-9, sigma_n=1e-9), "fit", "idle")
        for i, (place, lat, lon) in enumerate(zip(control, latitude, longitude))
    ]
    return solve(pairs, Settings(base_crs=crs, vertical_model=None, sigma_basis="estimated",
                                 **settings))


# -- Ghilani: two-dimensional conformal transformation ---------------------------------------------

_GHILANI = ("Ghilani, Adjustment Computations, ch. 18 (chapter from memory); data and results as "
            "reproduced in public code that uses the example")
_RECOMPUTED = "the same data, computed once with numpy; not published"


@lru_cache(maxsize=1)
def ghilani() -> Tie:
    return solved_planes(
        [(121.622, -128.066), (141.228, 187.718), (175.802, 135.728)],
        [(1049422.40, 51089.20), (1049413.95, 49659.30), (1049244.95, 49884.95)], sigma=1.0)


@CHECKS("Conformal adjustment: a, b, TX, TY", _GHILANI,
        (-4.51249, -0.25371, 1050003.715, 50542.131), (5e-6, 5e-6, 5e-4, 5e-4))
def _():
    parameters = ghilani().parameters
    return [parameters[name].value for name in ("a1", "b1", "easting_at_origin",
                                                "northing_at_origin")]


@CHECKS("Conformal adjustment: four further points", _GHILANI,
        (1049187.361, 51040.629, 1047637.713, 51278.829, 1046582.113, 50656.241, 1045644.713,
         49749.336), 5e-4)
def _():
    measured = np.array([(174.148, -120.262), (513.520, -192.130), (754.444, -67.706),
                         (972.788, 120.994)])
    return np.transpose(ghilani().base_to_site(*measured.T))


@CHECKS("Conformal adjustment: residuals", _RECOMPUTED,
        (0.0038, -0.0291, 0.1009, -0.0767, -0.1047, 0.1059), 5e-5)
def _():
    return np.stack([ghilani().residuals.east, ghilani().residuals.north], axis=1)


@CHECKS("Conformal adjustment: unit weight, scale, rotation, sigmas of a and TX", _RECOMPUTED,
        (0.13982, 4.519621, 183.21806, 0.000576, 0.1226), (5e-6, 5e-7, 5e-6, 5e-7, 5e-5))
def _():
    tie = ghilani()
    parameters = tie.parameters
    return (np.sqrt(tie.statistics.horizontal.variance_factor), parameters["scale"].value,
            parameters["rotation"].value % 360.0, parameters["scale"].sigma,
            parameters["easting_at_origin"].sigma)


_UMEYAMA = ("Umeyama, IEEE PAMI 13(4) 1991, the paper's example: its point sets as in public code, "
            "its results from memory")


@CHECKS("Similarity of Umeyama's two triangles: R11, R12, scale, shift", _UMEYAMA,
        (0.832, 0.555, 0.721, -0.800, 0.400), 5e-4)
def _():
    tie = solved_planes([(0.0, 0.0), (1.0, 0.0), (0.0, 2.0)],
                        [(0.0, 0.0), (-1.0, 0.0), (0.0, 2.0)], sigma=0.001)
    part, parameters = tie.horizontal, tie.parameters
    (r11, r12), _ = np.array(part.matrix) / part.scale
    return (r11, r12, part.scale, parameters["easting_at_origin"].value,
            parameters["northing_at_origin"].value)


# -- a levelling net -------------------------------------------------------------------------------

_SIKI = "Siki (BME), OSGeoLabBp/tutorials english/data_processing/level_net.rst"


@lru_cache(maxsize=1)
def level_net() -> Adjustment:
    """Six height differences between four points, the fourth held at 101.345; sigma = 0.7 mm
    times the kilometres (not their root)."""
    lines = [(1, 2, -0.749, 1.1), (1, 3, -1.274, 1.8), (1, 4, -2.890, 1.4),
             (2, 3, -0.530, 1.5), (2, 4, -2.141, 1.9), (3, 4, -1.614, 0.9)]
    design, observed = np.zeros((6, 3)), np.zeros(6)
    for row, (start, end, rise, _) in enumerate(lines):
        observed[row] = rise
        for point, sign in ((start, -1.0), (end, 1.0)):
            if point == 4:
                observed[row] -= sign * 101.345
            else:
                design[row, point - 1] += sign
    return adjust(design, observed, np.array([(0.7e-3 * line[3]) ** 2 for line in lines]))


@CHECKS("Levelling net: heights", _SIKI, (104.2350, 103.4868, 102.9588), 5e-5)
def _():
    return level_net().parameters


@CHECKS("Levelling net: sigmas in mm", _SIKI, (1.13, 1.19, 0.91), 0.005)
def _():
    net = level_net()
    return 1000.0 * np.sqrt(net.variance_factor * np.diag(net.cofactor))


@CHECKS("Levelling net: residuals in mm", _SIKI, (0.81, -2.18, 0.00, 2.01, -0.81, 0.18), 0.005)
def _():
    return 1000.0 * level_net().residuals


@CHECKS("Levelling net: w", _SIKI, (1.9, 2.1, 0.0, 2.6, 0.7, 0.6), 0.05)
def _():
    return np.sqrt(level_net().test_values)


@CHECKS("Levelling net: tau", _SIKI, (1.1, 1.3, 0.0, 1.6, 0.4, 0.4), 0.05)
def _():
    return level_net().tau


@CHECKS("Levelling net: redundancy numbers", _SIKI, (0.3, 0.7, 0.5, 0.5, 0.7, 0.2), 0.05)
def _():
    return level_net().redundancy_numbers


@CHECKS("Levelling net: redundancy numbers, more digits", _RECOMPUTED,
        (0.31403, 0.68648, 0.51121, 0.54656, 0.70735, 0.23438), 5e-6)
def _():
    return level_net().redundancy_numbers


@CHECKS("Levelling net: weighted sum of squares, unit weight", _SIKI, (8.217, 1.65), (5e-4, 0.005))
def _():
    return level_net().sum_of_squares, np.sqrt(level_net().variance_factor)


# -- tau, Grubbs, Baarda, chi-square ---------------------------------------------------------------

_GRUBBS = "NIST/SEMATECH e-Handbook of Statistical Methods 1.3.5.17"
_GRUBBS_DATA = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]
_TAKEN_OFF = np.sqrt(1.0 - 1.0 / 8.0)  # Grubbs's G over tau


@CHECKS("Grubbs's G of eight values, from tau", _GRUBBS, 2.46876, 5e-6)
def _():
    return adjust(np.ones((8, 1)), np.array(_GRUBBS_DATA)).tau.max() * _TAKEN_OFF


@CHECKS("Grubbs's critical value, one side, two sides, from tau", _GRUBBS, (2.0317, 2.127),
        (5e-5, 5e-4))
def _():
    return [tau_critical(sides * 0.05 / 8, 7) * _TAKEN_OFF for sides in (2, 1)]


@CHECKS("Pope's critical tau for (n, f) = (10, 5) and (6, 3)",
        "Pope, NOAA TR NOS 65 NGS 1 (1976), routine TAURE, level 0.05 for all n together",
        (2.10417, 1.71731), 1.5e-5, "the routine stops iterating at 1e-5")
def _():
    return [tau_critical(1.0 - 0.95 ** (1.0 / n), f) for n, f in ((10, 5), (6, 3))]


@CHECKS("Baarda's constants at level 0.001, power 0.80",
        "Baarda (1968), conventional 3.29, 17.07, 4.13 (from memory); more digits computed once by "
        "the noncentral chi-square", (3.2905, 17.0746, 4.1321), 5e-5)
def _():
    found = noncentrality(0.001, 0.80, 1)
    return normal_quantile(0.9995), found, np.sqrt(found)


@CHECKS("Baarda's constants at levels 0.01 and 0.05", "computed once by the noncentral chi-square; "
        "no primary source read", (3.4175, 7.8489, 2.8016), 5e-5)
def _():
    root = np.sqrt([noncentrality(0.01, 0.80, 1), noncentrality(0.05, 0.80, 1)])
    return root[0], noncentrality(0.05, 0.80, 1), root[1]


@CHECKS("Noncentrality by the normal distribution",
        "no library: one-sided normal quantiles of level and power, 3.2905 + 0.8416, whose sum is "
        "4.1321 because the far tail is nothing", 0.0, 1e-4,
        "the far tail is 1e-13; quantiles to four decimals")
def _():
    return np.sqrt(noncentrality(0.001, 0.80, 1)) - (3.2905 + 0.8416)


@CHECKS("Chi-square quantiles, 99 degrees of freedom", "computed once; NIST/SEMATECH e-Handbook "
        "1.3.5.8 prints the same (from memory)", (73.361, 128.422), 5e-4)
def _():
    return chi_square_quantile(0.025, 99), chi_square_quantile(0.975, 99)
