"""The parameters as a person reads them: about the centroid and the origin, with sigmas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sitetie.core import solve
from sitetie.tests.core.sites import METRES, random_site


def solved(seed=1, **kinds):
    site = random_site(seed, **kinds)
    return solve(site.pairs, site.settings)


@pytest.mark.parametrize("unit", list(METRES))
@pytest.mark.parametrize("model", ["translation", "rigid", "similarity", "affine"])
def test_the_parameters_about_the_origin_are_those_of_epsg_9624(unit, model):
    """E = A0 + A1 x + A2 y, N = B0 + B1 x + B2 y, x and y in metres (IOGP 373-7-2)."""
    tie = solved(2, site_unit=unit, horizontal_model=model,
                 rotation=0.0 if model == "translation" else 1.3)
    a0, b0 = (tie.parameters[f"{axis}_at_origin"].value for axis in ("easting", "northing"))
    a1, a2, b1, b2 = (tie.parameters[name].value for name in ("a1", "a2", "b1", "b2"))
    x, y = np.random.default_rng(1).uniform(-3000.0, 3000.0, (2, 20))
    easting, northing = tie.base_to_site(x, y)
    np.testing.assert_allclose(a0 + a1 * x + a2 * y, easting, atol=1e-7)
    np.testing.assert_allclose(b0 + b1 * x + b2 * y, northing, atol=1e-7)


@pytest.mark.parametrize("unit", list(METRES))
def test_the_parameters_about_the_centroid_give_the_same_points(unit):
    tie = solved(3, site_unit=unit)
    value = {p.name: p.value for p in tie.parameters}
    angle, scale = math.radians(value["rotation"]), value["scale"] / METRES[unit]
    dx, dy = 700.0 - value["base_easting_centroid"], -300.0 - value["base_northing_centroid"]
    expected = (
        value["easting_at_centroid"] + scale * (math.cos(angle) * dx - math.sin(angle) * dy),
        value["northing_at_centroid"] + scale * (math.sin(angle) * dx + math.cos(angle) * dy),
    )
    assert tie.base_to_site(700.0, -300.0) == pytest.approx(expected, abs=1e-7)


def test_the_rotation_has_the_sense_that_is_said():
    """Site bearing = base-grid bearing - rotation."""
    tie = solved(4, rotation=math.radians(30.0), noise=0.0)
    assert tie.parameters["rotation"].value == pytest.approx(30.0, abs=1e-7)
    (e1, n1), (e2, n2) = tie.base_to_site(0.0, 0.0), tie.base_to_site(0.0, 100.0)
    bearing = math.degrees(math.atan2(e2 - e1, n2 - n1)) % 360.0
    assert bearing == pytest.approx(360.0 - 30.0, abs=1e-6)  # of grid north, 0 in the base
    assert "site bearing = base-grid bearing - rotation" in tie.parameters.rotation_sense


@pytest.mark.parametrize("unit", list(METRES))
def test_sigmas_are_those_of_the_covariance_at_centroid_and_origin(unit):
    tie = solved(5, site_unit=unit, elevation_unit="m", vertical_model="plane", place=(48.0, 9.0))
    origin = tie.base.to_geodetic(0.0, 0.0)
    at_origin = tie.covariance(*origin)[0]
    for k, axis in enumerate(("easting", "northing")):
        assert tie.parameters[f"{axis}_at_origin"].sigma == pytest.approx(
            math.sqrt(at_origin[k, k]), rel=1e-6)
    centroid = tie.base.to_geodetic(*tie.horizontal.centroid)
    at_centroid = tie.covariance(*centroid)[0]
    for k, axis in enumerate(("easting", "northing")):
        assert tie.parameters[f"{axis}_at_centroid"].sigma == pytest.approx(
            math.sqrt(at_centroid[k, k]), rel=1e-6)
    assert tie.parameters["vertical_shift"].sigma == pytest.approx(
        math.sqrt(tie.vertical.cofactor[0][0]))


def test_units_are_named():
    tie = solved(6, site_unit="us-ft", elevation_unit="ft", vertical_model="plane")
    unit = {p.name: p.unit for p in tie.parameters}
    assert unit["easting_at_centroid"] == unit["northing_at_origin"] == "us-ft"
    assert unit["base_easting_centroid"] == "m"
    assert unit["rotation"] == "deg"
    assert unit["scale"] == "1"
    assert unit["a1"] == "us-ft/m"
    assert unit["vertical_shift"] == "ft"
    assert unit["slope_east"] == "ppm"
    assert all(p.meaning for p in tie.parameters)


def test_slopes_are_in_ppm_and_say_arc_seconds():
    tie = solved(7, vertical_model="plane", tilt=1e-4)
    slope = tie.parameters["slope_north"]
    assert slope.value == pytest.approx(1e6 * tie.vertical.slopes[1])
    assert slope.sigma == pytest.approx(1e6 * math.sqrt(tie.vertical.cofactor[2][2]))
    arc = math.degrees(math.atan(tie.vertical.slopes[1])) * 3600.0
    assert f"({arc:+.3f} arc seconds)" in slope.meaning


def test_an_affine_says_how_much_it_deforms():
    tie = solved(8, horizontal_model="affine")
    matrix = np.array(tie.horizontal.matrix)
    stretches = [np.hypot(*(matrix @ [math.cos(a), math.sin(a)]))
                 for a in np.linspace(0.0, math.pi, 2001)]
    ppm = 1e6 * (max(stretches) / min(stretches) - 1.0)
    assert tie.parameters["distortion"].value == pytest.approx(ppm, rel=1e-4)
    assert tie.parameters["scale"].value == pytest.approx(math.sqrt(np.linalg.det(matrix)))
    assert tie.parameters["m_en"].value == matrix[0, 1]
    assert tie.parameters["rotation"].sigma is None


@pytest.mark.parametrize(("model", "scale", "rotation_sigma", "scale_sigma"), [
    ("translation", None, False, False), ("rigid", None, True, False),
    ("similarity", None, True, True), ("rigid", (1.0, 1e-5), True, True)])
def test_what_is_held_exactly_has_a_sigma_of_zero(model, scale, rotation_sigma, scale_sigma):
    tie = solved(9, horizontal_model=model, scale=scale, rotation=0.0)
    assert (tie.parameters["rotation"].sigma > 0.0) == rotation_sigma
    assert (tie.parameters["scale"].sigma > 0.0) == scale_sigma


def test_they_are_read_by_place_and_by_name():
    table = solved(10, vertical_model=None).parameters
    assert table["scale"] is table[table.names.index("scale")]
    assert len(table) == len(list(table)) == len(table.about_centroid) + len(table.about_origin)
    assert "vertical_shift" not in table.names
    with pytest.raises(KeyError, match="the parameters are base_easting_centroid, "):
        table["shear"]
