"""The design check says of a plan what the solved tie says later."""

from __future__ import annotations

import numpy as np
import pytest

from sitetie.core import Control, Settings, solve
from sitetie.core.confidence_surface import confidence_surface
from sitetie.core.design_check import design_check
from sitetie.core.errors import GeometryError, InputError, SettingsError
from sitetie.core.forecast import Forecast
from sitetie.core.next_control import AreaDesign
from sitetie.core.reliability import HIDDEN, SEEN

from .sites import random_site

MODELS = [
    {"horizontal_model": "translation", "true_scale": 1.0, "rotation": 0.0},
    {"horizontal_model": "rigid", "true_scale": 1.0, "vertical_model": "plane"},
    {"horizontal_model": "rigid", "true_scale": 0.99962, "scale": (0.9996, 3e-5)},
    {"horizontal_model": "similarity", "vertical_model": "plane", "site_unit": "us-ft"},
    {"horizontal_model": "affine", "site_unit": "ft", "elevation_unit": "m"},
    {"horizontal_model": "similarity", "vertical_model": None},
]


@pytest.mark.parametrize("options", MODELS)
def test_before_and_after(options) -> None:
    """Planned from site coordinates alone, then observed anywhere on the earth with real noise:
    uncertainty and reliability agree to a few parts in 10,000 (scale, and noise in the marks)."""
    site = random_site(12, marks=5, noise=0.5, own_sigmas=False, tilt=0.0, extent=700.0, **options)
    after = solve(site.pairs, site.settings)
    plan = design_check([pair.control for pair in site.pairs],
                        site.settings.replace(base_crs=None))
    over = AreaDesign(after, plan.area)
    really = over.uncertainty(Forecast.of(after))
    assert set(plan.uncertainty) == set(really)
    for side, found in plan.uncertainty.items():
        assert found.worst == pytest.approx(really[side].worst, rel=1e-3)
        assert found.mean == pytest.approx(really[side].mean, rel=1e-3)
    for one, other in zip(plan.reliability, over.reliability(Forecast.of(after))):
        assert (one.control_id, one.state) == (other.control_id, other.state)
        assert one.redundancy == pytest.approx(other.redundancy, abs=1e-3)
        if one.detectable is not None:
            assert one.detectable == pytest.approx(other.detectable, rel=1e-3)
            assert one.effect == pytest.approx(other.effect, rel=2e-3)


def test_the_surface_is_that_of_the_tie_to_come() -> None:
    site = random_site(3, marks=4, noise=0.2, own_sigmas=False, tilt=0.0, extent=700.0)
    after = solve(site.pairs, site.settings)
    plan = design_check([pair.control for pair in site.pairs])
    places = np.array([(p.control.easting, p.control.northing) for p in site.pairs])
    bounds = (*places.min(axis=0) - 100.0, *places.max(axis=0) + 100.0)
    one, other = plan.surface(bounds, 50.0), confidence_surface(after, bounds, 50.0)
    assert one.horizontal == pytest.approx(other.horizontal, rel=1e-3)
    assert one.vertical == pytest.approx(other.vertical, rel=1e-3)


def test_a_named_base_projection_needs_a_place_and_changes_next_to_nothing() -> None:
    marks = [Control(f"P{i}", 1e3 + 300.0 * i, 5e3 + 200.0 * i**2 % 700, 10.0) for i in range(5)]
    named = Settings(base_crs="EPSG:25833")
    with pytest.raises(SettingsError, match="place"):
        design_check(marks, named)
    plan, other = design_check(marks, named, place=(48.8, 14.9)), design_check(marks)
    assert plan.uncertainty["horizontal"].worst == pytest.approx(
        other.uncertainty["horizontal"].worst, rel=2e-3)


def test_sigmas_expected_mark_by_mark() -> None:
    marks = [Control("A", 0.0, 0.0, 1.0), Control("B", 500.0, 0.0, 1.0),
             Control("C", 0.0, 400.0, 1.0)]
    usual = design_check(marks)
    same = design_check(marks, observation_sigmas=[(0.008, 0.015)] * 3)
    assert same.uncertainty == usual.uncertainty
    poor = design_check(marks, observation_sigmas=[(None, None), (0.5, 0.5), (None, None)])
    found = {(m.side, m.control_id): m for m in poor.reliability}
    assert found["vertical", "B"].detectable == pytest.approx(
        np.sqrt(17.07) * np.sqrt(0.5**2 + 0.005**2 + (0.015**2 + 0.005**2) / 2.0), rel=1e-3)
    assert poor.uncertainty["horizontal"].worst > usual.uncertainty["horizontal"].worst


def test_textbook_redundancy_of_a_shift() -> None:
    """n equal marks: redundancy (n-1)/n, detectable 4.13 sigma / root of it (Baarda 1968)."""
    marks = [Control(f"P{i}", 100.0 * i, 30.0 * i * i, 5.0) for i in range(4)]
    plan = design_check(marks, Settings(control_sigma_v=0.003, gnss_sigma_v=0.004))
    for mark in plan.reliability:
        if mark.side == "vertical":
            assert mark.redundancy == pytest.approx(0.75)
            assert mark.detectable == pytest.approx(4.132 * 0.005 / np.sqrt(0.75), rel=1e-3)
            # Unseen it moves all elevations by its share in the mean.
            assert mark.effect == pytest.approx(mark.detectable / 4.0, rel=1e-9)


def test_plans_that_check_nothing_say_so() -> None:
    two = [Control("A", 0.0, 0.0, 1.0), Control("B", 500.0, 0.0, 1.0)]
    plan = design_check(two)
    assert {m.state for m in plan.reliability if m.side == "horizontal"} == {HIDDEN}
    assert {m.state for m in plan.reliability if m.side == "vertical"} == {SEEN}
    assert plan.redundancy == {"horizontal": 0, "vertical": 1}
    assert "A blunder in the position of A or B could stay hidden." in plan.words()
    assert "Nothing would check the solution horizontally." in plan.words()


def test_estimated_sigmas_pay_for_few_marks() -> None:
    marks = [Control(f"P{i}", 400.0 * (i % 2), 300.0 * (i // 2), 5.0) for i in range(4)]
    stated = design_check(marks)
    estimated = design_check(marks, Settings(sigma_basis="estimated"))
    assert estimated.uncertainty["horizontal"].worst > 1.2 * stated.uncertainty["horizontal"].worst
    pairs = zip(estimated.reliability, stated.reliability)
    assert all(one.detectable is None or one.detectable > other.detectable for one, other in pairs)


def test_elevations_may_be_missing() -> None:
    bare = [Control("A", 0.0, 0.0), Control("B", 500.0, 0.0), Control("C", 0.0, 300.0)]
    plan = design_check(bare)
    assert set(plan.uncertainty) == {"horizontal"}
    assert "only the horizontal side" in plan.words()
    some = design_check([*bare, Control("D", 100.0, 100.0, 7.0)])
    assert [m.control_id for m in some.reliability if m.side == "vertical"] == ["D"]
    left = design_check([*bare, Control("bench", elevation=5.0)])
    assert "1 without a position is left out." in left.words()


def test_what_cannot_be_done_is_said() -> None:
    with pytest.raises(InputError, match="no planned mark"):
        design_check([])
    with pytest.raises(InputError, match="A: Two planned marks"):
        design_check([Control("A", 0.0, 0.0), Control("A", 1.0, 0.0)])
    with pytest.raises(GeometryError, match="at least 3"):
        design_check([Control("A", 0.0, 0.0, 1.0), Control("B", 9.0, 0.0, 1.0)],
                     Settings(horizontal_model="affine"))
    with pytest.raises(GeometryError, match="one line"):
        design_check([Control(f"P{i}", 100.0 * i, 0.0, 1.0) for i in range(4)],
                     Settings(vertical_model="plane"))
