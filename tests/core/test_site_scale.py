"""Scales held for what they are, against published scale and combined factors."""

from __future__ import annotations

import pytest

from sitetie.core import Control, Observation, Pair, Settings, solve
from sitetie.core.angles import parse_angle
from sitetie.core.errors import InputError, SettingsError
from sitetie.core.site_scale import site_scale


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
