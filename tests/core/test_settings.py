"""Settings: defaults, what is filled in, and that wrong values never get through."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from sitetie.core import HeldScale, Settings
from sitetie.core.errors import SettingsError


def test_the_defaults_are_those_of_the_documentation():
    settings = Settings()
    assert (settings.site_unit, settings.elevation_unit) == ("m", "m")
    assert settings.observation_crs == "EPSG:4326"
    assert (settings.horizontal_model, settings.vertical_model) == ("similarity", "shift")
    assert settings.scale is None
    assert (settings.confidence, settings.test_level, settings.power) == (0.95, 0.001, 0.80)
    assert (settings.gnss_sigma_h, settings.gnss_sigma_v) == (0.008, 0.015)
    assert (settings.control_sigma_h, settings.control_sigma_v) == (0.005, 0.005)


def test_elevations_are_in_the_site_unit_unless_told_otherwise():
    assert Settings(site_unit="ft").elevation_unit == "ft"
    assert Settings(site_unit="ft").elevation_length.metres == 0.3048
    assert Settings(site_unit="ft", elevation_unit="m").elevation_unit == "m"


def test_blank_text_is_the_same_as_none():
    assert Settings(base_crs="", geoid="  ", datum_operation="") == Settings()


def test_numbers_become_plain_floats():
    settings = Settings(gnss_sigma_h="0.01", tolerance_h=1, observation_epoch=2021, scale=("1", 0))
    assert settings.gnss_sigma_h == 0.01
    assert settings.scale == HeldScale(1.0, 0.0, "typed")
    for name in ("tolerance_h", "observation_epoch"):
        assert type(getattr(settings, name)) is float


def test_a_path_will_do_for_a_geoid():
    assert Settings(geoid=Path("grids") / "local.gtx").geoid.endswith("local.gtx")


def test_replace_checks_again_and_leaves_the_old_ones():
    settings = Settings()
    assert settings.replace(power=0.9).power == 0.9
    assert settings.power == 0.8
    with pytest.raises(SettingsError, match="power is 9"):
        settings.replace(power=9)
    with pytest.raises(TypeError):
        settings.replace(colour="red")


def test_settings_cannot_be_changed_and_can_be_keys():
    settings = Settings()
    with pytest.raises(dataclasses.FrozenInstanceError):
        settings.power = 0.9
    assert {settings: 1}[Settings()] == 1


@pytest.mark.parametrize("name", [f.name for f in dataclasses.fields(Settings)])
@pytest.mark.parametrize("value", [object(), [1], {"a": 1}, float("nan"), -1, "nonsense", b"m"])
def test_nonsense_is_never_taken_silently(name, value):
    """Every field either refuses it or it is text that a field of text may hold."""
    if value == "nonsense" and name in ("base_crs", "observation_crs", "datum_operation", "geoid"):
        assert getattr(Settings(**{name: value}), name) == value
        return
    with pytest.raises(SettingsError) as caught:
        Settings(**{name: value})
    assert caught.value.remedy


def test_no_boundary_slips_through():
    for values in ({"confidence": 1.0}, {"confidence": 0.0}, {"power": 1.0}, {"test_level": 1.0},
                   {"session_correlation": -0.1}, {"control_sigma_h": 0.0}, {"tolerance_v": -1.0},
                   {"observation_epoch": 0.0}, {"observation_epoch": 2100.1}):
        with pytest.raises(SettingsError):
            Settings(**values)
    assert Settings(session_correlation=0.0).session_correlation == 0.0
    assert Settings(scale=(1.0, 0.0)).scale.sigma == 0.0
