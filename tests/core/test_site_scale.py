"""Scales held for what they are, against published scale and combined factors."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sitetie.core import Control, Observation, Pair, Settings, solve
from sitetie.core.angles import parse_angle
from sitetie.core.errors import InputError, SettingsError
from sitetie.core.site_scale import site_place, site_scale
from sitetie.tests.core.plausible_sites import (
    EARTH,
    PLACES,
    SQUARE,
    geodetic,
    on_utm,
    pairs_of,
    turned,
    utm_zone,
)


def one_pair(latitude: str, longitude: str, height=None) -> Pair:
    position = parse_angle(latitude, "latitude"), parse_angle(longitude, "longitude")
    return Pair(Control("A", 1000.0, 2000.0), Observation("a", *position, height), "fit", "idle")


def test_ground_is_the_inverse_of_the_combined_factor() -> None:
    """NGS OPUS, published output quoted in course material: UTM 12, combined factor 0.99942885."""
    pair = one_pair("40 16 39.29837 N", "111 42 55.48882 W", 1382.045)
    settings = Settings(observation_crs="EPSG:6319", base_crs="EPSG:6341", vertical_model=None,
                        horizontal_model="rigid")
    held = site_scale([pair], settings, "ground")
    assert 1.0 / held.value == pytest.approx(0.99942885, abs=5e-9)
    assert held.basis == "ground"


def test_grid_is_the_point_scale_of_the_grid_over_that_of_the_base() -> None:
    """GDA Technical Manual v2.3, p. 46 (as quoted in public code): Flinders Peak, MGA94 zone 55,
    point scale 1.00023056. The base is a local Transverse Mercator of scale 1."""
    pair = one_pair("37 57 03.7203 S", "144 25 29.5244 E")
    settings = Settings(observation_crs="EPSG:4283", vertical_model=None)
    held = site_scale([pair], settings, "grid", grid="EPSG:28355")
    assert held.value == pytest.approx(1.00023056, abs=5e-9)
    assert held.basis == "grid"
    tie = solve([pair], settings.replace(scale=held, horizontal_model="translation"))
    assert tie.horizontal.scale == held.value


def test_unity_is_exact() -> None:
    held = site_scale([one_pair("50 N", "7 E")], Settings(), "unity")
    assert (held.value, held.sigma) == (1.0, 0.0)


@pytest.mark.parametrize(
    ("basis", "error", "message"),
    [
        ("grid", SettingsError, "not named"),
        ("ground", InputError, "no fit pair has a height"),
        ("sea", SettingsError, 'Allowed: "unity", "ground", "grid"'),
    ],
)
def test_what_is_missing_is_said(basis: str, error: type, message: str) -> None:
    with pytest.raises(error, match=message):
        site_scale([one_pair("50 N", "7 E")], Settings(vertical_model=None), basis)


@pytest.mark.parametrize("place", PLACES)
def test_scales_of_sites_made_by_proj(place: str) -> None:
    """Lengths on a tangent plane at the ground, and lengths on the UTM grid there, over lengths on
    a local Transverse Mercator: what solving finds must be what the site should have."""
    positions = geodetic(PLACES[place], SQUARE, 1200.0)
    zone = utm_zone(PLACES[place])
    code = f"EPSG:{(32600 if PLACES[place][0] > 0 else 32700) + zone}"
    grid = on_utm(PLACES[place])(positions)
    for control, basis, name in ((SQUARE, "ground", None), (grid, "grid", code)):
        tie = solve(pairs_of(positions, turned(control, 10.0)), Settings())
        held = site_scale(tie, None, basis, grid=name)
        # Within sqrt(M N) against the radius of a direction: 0.4 % of 188 ppm.
        assert held.value == pytest.approx(tie.horizontal.scale, abs=8e-7), basis
        assert site_scale(tie.pairs, Settings(), basis, grid=name) == held


def test_middle_astride_the_antimeridian() -> None:
    pairs = pairs_of(geodetic(PLACES["antimeridian"], SQUARE, 50.0), turned(SQUARE, 0.0))
    latitude, longitude = site_place(pairs).middle
    assert latitude == pytest.approx(-17.75, abs=0.001)
    assert abs(longitude) == pytest.approx(179.9985, abs=0.001)


def test_one_gross_error_moves_neither_middle_nor_level() -> None:
    pairs = list(pairs_of(geodetic(PLACES["inland"], SQUARE, 400.0), turned(SQUARE, 0.0)))
    sound = site_scale(pairs, Settings(), "ground").value
    far = dataclasses.replace(pairs[2].observation, latitude=58.0, height=9000.0)
    pairs[2] = dataclasses.replace(pairs[2], observation=far)
    assert site_scale(pairs, Settings(), "ground").value == pytest.approx(sound, abs=1e-9)


def test_sigma_grows_with_relief_and_with_extent() -> None:
    def sigma(offsets, height, basis="ground", grid=None):
        positions = geodetic(PLACES["inland"], offsets, height)
        return site_scale(pairs_of(positions, turned(offsets, 0.0)), Settings(), basis,
                          grid=grid).sigma

    # 20 m of level over the radius of the earth: 3.1 ppm.
    assert sigma(SQUARE, 500.0) == pytest.approx(20.0 / EARTH, rel=0.01)
    heights = np.array([0.0, 0.0, 0.0, 0.0, 300.0, 300.0, 300.0, 300.0])
    assert sigma(SQUARE, heights) == pytest.approx(np.hypot(20.0, 150.0) / EARTH, rel=0.01)
    assert sigma(SQUARE, 0.0, "grid", "EPSG:32633") == pytest.approx(1e-6, rel=0.05)
    wide = SQUARE * 50.0
    # Point scale of the local projection: k = 1 + (x / R)**2 / 2 with x the offset to the east.
    spread = np.std((wide[:, 0] / EARTH) ** 2 / 2.0)
    assert sigma(wide, 0.0) == pytest.approx(np.hypot(20.0 / EARTH, spread), rel=0.02)


def test_pairs_without_a_place_are_refused() -> None:
    pair = one_pair("50 N", "7 E", 100.0)
    idle = dataclasses.replace(pair, horizontal="idle")
    tie = dataclasses.replace(
        solve([pair], Settings(horizontal_model="translation", vertical_model=None)), pairs=(idle,))
    with pytest.raises(InputError, match="not known where the site lies"):
        site_scale(tie, None, "ground")
