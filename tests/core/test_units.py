"""The three units, exactly."""

from __future__ import annotations

from fractions import Fraction

import pyproj
import pytest

from sitetie.core.errors import SettingsError
from sitetie.core.units import UNITS, length_unit


@pytest.mark.parametrize(("code", "exact"), [
    ("m", Fraction(1)), ("ft", Fraction(3048, 10000)), ("us-ft", Fraction(1200, 3937))])
def test_sizes_are_exact_and_those_of_epsg(code, exact):
    unit = length_unit(code)
    assert unit.exact_metres == exact
    assert unit.metres == float(exact)
    registered = pyproj.database.get_units_map(auth_name="EPSG", category="linear")
    assert next(u for u in registered.values() if u.code == str(unit.epsg_code)
                ).conv_factor == pytest.approx(unit.metres, rel=1e-15)
    assert unit.small_per_unit == 1000.0


def test_the_two_feet_are_two_parts_in_a_million_apart():
    ratio = UNITS["us-ft"].exact_metres / UNITS["ft"].exact_metres
    assert float(ratio - 1) == pytest.approx(2.000004e-6, rel=1e-6)
    # 500,000 ft of false easting are a foot and more: why the two are never guessed.
    assert 0.9 < 500_000 * float(ratio - 1) < 1.1


@pytest.mark.parametrize("code", ["feet", "M", "", None, 1, [], "usft"])
def test_an_unknown_unit_is_refused_with_the_allowed_ones(code):
    with pytest.raises(SettingsError, match="is not a unit") as caught:
        length_unit(code)
    for allowed in ('"m"', '"ft"', '"us-ft"'):
        assert allowed in caught.value.remedy
