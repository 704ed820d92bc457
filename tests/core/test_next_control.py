"""Which mark next: reliability against independent ways, falls against solving again, the words."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from sitetie.core import Control, solve, tie_from_parameters
from sitetie.core.adjustment import adjust
from sitetie.core.confidence_surface import confidence_surface
from sitetie.core.errors import Cancelled, GeometryError, InputError
from sitetie.core.forecast import Forecast
from sitetie.core.nearby import control_positions
from sitetie.core.next_control import AreaDesign, next_control, site_area
from sitetie.core.quantiles import noncentrality
from sitetie.core.reliability import FINDABLE, HIDDEN, SEEN
from sitetie.core.results import CANNOT_TELL, CANNOT_TEST, DOES_NOT_BELONG
from sitetie.core.work_area import WorkArea

from .sites import random_site, shifted
from .test_forecast import observed_as_expected, somewhere


def tie_of(seed: int, marks: int, **options):
    site = random_site(seed, **{"marks": marks, "noise": 0.5, "extent": 800.0, "tilt": 0.0,
                                **options})
    return solve(site.pairs, site.settings), site


def reliability_of(tie, area=None):
    area = area or WorkArea.of_places(control_positions([p.control for p in tie.pairs]))
    return AreaDesign(tie, area).reliability(Forecast.of(tie)), area


CASES = [
    (2, {"horizontal_model": "rigid", "true_scale": 1.0}),
    (3, {"horizontal_model": "similarity"}),
    (5, {"horizontal_model": "similarity", "vertical_model": "plane"}),
    (6, {"horizontal_model": "affine", "vertical_model": "plane", "site_unit": "us-ft"}),
    (4, {"horizontal_model": "similarity", "scale": (1.0, 1e-5), "true_scale": 1.0}),
]


@pytest.mark.parametrize(("marks", "options"), CASES)
def test_what_is_detectable_is_what_the_tie_itself_says(marks, options) -> None:
    tie, _ = tie_of(7, marks, **options)
    found, _ = reliability_of(tie)
    rows = {(side, row.control_id): getattr(row, side)
            for row in tie.rows for side in ("horizontal", "vertical")}
    for mark in found:
        row = rows[mark.side, mark.control_id]
        assert mark.redundancy == pytest.approx(row.redundancy, abs=1e-9)
        if row.detectable is None:
            assert mark.state == HIDDEN
            assert mark.detectable is None
        else:
            assert mark.detectable == pytest.approx(row.detectable, rel=1e-6)


@pytest.mark.parametrize(("marks", "options"), CASES)
def test_what_can_be_told_apart_against_solving_for_the_other_bias_too(marks, options) -> None:
    """A bias in k that is told from one in j is that of an adjustment with j's bias unknown."""
    tie, _ = tie_of(7, marks, **options)
    settings, forecast = tie.settings, Forecast.of(tie)
    found, _ = reliability_of(tie)
    for side in ("horizontal", "vertical"):
        design = forecast.design(side)
        size = design.rows.shape[1]
        unit = (settings.site_length if side == "horizontal" else settings.elevation_length).metres
        for k, mark in enumerate(m for m in found if m.side == side):
            if mark.state == HIDDEN:
                continue
            told = [mark.detectable * unit]
            for j in range(marks):
                if j == k:
                    continue
                columns = np.zeros((marks, size, size))
                columns[j] = np.eye(size)
                rows = np.concatenate([design.rows, columns], axis=2)
                prior = dict(design.prior)
                if prior:
                    prior["prior_design"] = np.pad(prior["prior_design"], ((0, 0), (0, size)))
                try:
                    extended = adjust(rows, np.zeros(rows.shape[:2]), design.covariance, **prior)
                    bias = extended.minimal_detectable_bias(settings.test_level, settings.power)[k]
                except GeometryError:  # nothing would be left to judge either by
                    bias = np.array([np.inf])
                told.append(float(np.hypot.reduce(bias)))
            if np.isfinite(told).all():
                assert mark.state == FINDABLE
                assert mark.separable * unit == pytest.approx(max(told), rel=1e-6)
            else:
                assert mark.state == SEEN
                assert mark.confused_with


@pytest.mark.parametrize(("marks", "options"), CASES)
def test_the_effect_against_many_directions(marks, options) -> None:
    """Of all biases that are just not seen the one with the largest effect, tried one by one."""
    tie, _ = tie_of(7, marks, **options)
    random = np.random.default_rng(1)
    middle = control_positions([p.control for p in tie.pairs]).mean(axis=0)
    area = WorkArea.of_places(middle + random.uniform(-900.0, 900.0, (12, 2)))
    found, _ = reliability_of(tie, area)
    forecast, settings = Forecast.of(tie), tie.settings
    base = np.stack(tie.site_to_base(*area.points.T), axis=-1)
    for side in ("horizontal", "vertical"):
        design = forecast.design(side)
        adjustment, size = design.adjustment, design.rows.shape[1]
        unit = (settings.site_length if side == "horizontal" else settings.elevation_length).metres
        moved_by = getattr(tie, side).design(base)
        limit = noncentrality(settings.test_level, settings.power, size)
        angles = np.linspace(0.0, np.pi, 721) if size == 2 else np.zeros(1)
        ways = np.stack([np.cos(angles), np.sin(angles)], axis=1)[:, :size]
        for k, mark in enumerate(m for m in found if m.side == side):
            if mark.state == HIDDEN:
                continue
            inverse = adjustment.whitening_inverse[k]
            metric = inverse.T @ adjustment.redundancy_matrices[k] @ inverse
            sizes = np.sqrt(limit / np.einsum("ni,ij,nj->n", ways, metric, ways))
            changes = (sizes[:, None] * ways) @ adjustment.gain[k].T
            moved = np.einsum("pdu,nu->npd", moved_by, changes)
            expected = np.sqrt((moved**2).sum(axis=2)).max()
            assert mark.effect * unit == pytest.approx(expected, rel=1e-4)
            assert mark.effect * unit >= expected * (1.0 - 1e-9)


@pytest.mark.parametrize(("marks", "expected", "verdict"), [
    (2, HIDDEN, CANNOT_TEST), (3, SEEN, CANNOT_TELL), (4, FINDABLE, DOES_NOT_BELONG),
])
def test_the_states_are_what_the_verdicts_say_of_a_real_blunder(marks, expected, verdict) -> None:
    """Similarities with a blunder of 5 m, wherever it is."""
    tie, site = tie_of(21, marks, horizontal_model="similarity", own_sigmas=False, noise=0.1)
    found, _ = reliability_of(tie)
    assert {mark.state for mark in found if mark.side == "horizontal"} == {expected}
    for guilty in range(marks):
        pairs = list(site.pairs)
        pairs[guilty] = shifted(pairs[guilty], east=3.0, north=-4.0)
        rows = solve(pairs, site.settings).rows
        assert rows[guilty].horizontal.verdict == verdict


def test_falls_are_those_of_solving_again() -> None:
    tie, site = tie_of(4, 4, horizontal_model="similarity", vertical_model="plane")
    control = [somewhere(tie, k) for k in range(6)]
    ranked = next_control(tie, control)
    for mark in ranked.marks:
        again = solve((*site.pairs, observed_as_expected(tie, mark.control)), tie.settings)
        over = AreaDesign(again, ranked.area)
        really = over.uncertainty(Forecast.of(again))
        for side, found in mark.uncertainty.items():
            assert found.worst == pytest.approx(really[side].worst, rel=1e-9)
            assert found.mean == pytest.approx(really[side].mean, rel=1e-9)
        for one, other in zip(mark.reliability, over.reliability(Forecast.of(again))):
            assert one.control_id == other.control_id
            assert one.state == other.state
            if one.detectable is not None:
                assert one.detectable == pytest.approx(other.detectable, rel=1e-6)
                assert one.effect == pytest.approx(other.effect, rel=1e-6)


def test_the_worst_case_is_that_of_the_confidence_surface() -> None:
    tie, _ = tie_of(4, 4, horizontal_model="similarity", vertical_model="plane")
    area = WorkArea.of_rings([np.array([(0.0, 0.0), (600.0, 0.0), (600.0, 400.0), (0.0, 400.0)])
                              + control_positions([tie.pairs[0].control])])
    now = next_control(tie, [], area).uncertainty
    (west, south), (east, north) = area.corners.min(axis=0), area.corners.max(axis=0)
    surface = confidence_surface(tie, (west, south, east, north), 2.0)
    assert now["horizontal"].worst == pytest.approx(surface.horizontal.max(), rel=0.01)
    assert now["vertical"].worst == pytest.approx(surface.vertical.max(), rel=0.01)
    assert now["horizontal"].mean == pytest.approx(surface.horizontal.mean(), rel=0.02)
    assert now["vertical"].mean == pytest.approx(surface.vertical.mean(), rel=0.02)


def test_a_far_mark_beats_one_beside_a_pair() -> None:
    tie, site = tie_of(3, 2, horizontal_model="similarity", own_sigmas=False)
    places = control_positions([p.control for p in tie.pairs])
    along = places[1] - places[0]
    near, far = places[0] + 0.05 * along, places[0] - 3.0 * along
    control = [Control("near", *map(float, near), 50.0), Control("far", *map(float, far), 50.0)]
    ranked = next_control(tie, control)
    assert [mark.control.id for mark in ranked.marks] == ["far", "near"]
    assert [mark.rank for mark in ranked.marks] == [1, 2]
    assert ranked.marks[0].gain > ranked.marks[1].gain > 0.0


def test_fewer_hidden_blunders_come_before_a_larger_fall() -> None:
    """Three marks nearly in line and one off it: a plane's tilt across hangs on that one."""
    tie, site = tie_of(3, 4, horizontal_model="similarity", vertical_model="plane",
                       own_sigmas=False)
    ranked = next_control(tie, [somewhere(tie, k) for k in range(8)])
    hidden = [len(mark.hidden) for mark in ranked.marks]
    assert hidden == sorted(hidden)
    for one, other in zip(ranked.marks, ranked.marks[1:]):
        assert len(one.hidden) < len(other.hidden) or one.gain >= other.gain


@pytest.mark.parametrize("side", ["horizontal", "vertical"])
def test_it_can_go_by_one_side(side) -> None:
    tie, _ = tie_of(4, 4, horizontal_model="similarity", vertical_model="plane")
    ranked = next_control(tie, [somewhere(tie, k) for k in range(6)], rank_by=side)
    worst = [mark.uncertainty[side].worst for mark in ranked.marks]
    assert worst == sorted(worst)


def test_the_words() -> None:
    tie, _ = tie_of(3, 3, horizontal_model="similarity", own_sigmas=False)
    places = control_positions([p.control for p in tie.pairs])
    area = WorkArea.of_hull(places + 3.0 * (places - places.mean(axis=0)), "the haul road")
    ranked = next_control(tie, [dataclasses.replace(somewhere(tie, 5), id="M14")], area)
    assert "A blunder in the position of C0, C1 or C2 would show, but not which it is." in (
        ranked.now_words())
    said = ranked.words(ranked.marks[0])
    assert re.match(r"M14: worst-case position from \d+ mm to \d+ mm.* over the haul road; ", said)
    assert re.search(r"makes a blunder in the position of C0, C1 or C2 findable \(from [\d.]+ m",
                     said)
    two, _ = tie_of(3, 2, horizontal_model="similarity", own_sigmas=False)
    ranked = next_control(two, [somewhere(two, 5)])
    assert "could stay hidden" in ranked.now_words()
    assert "would show, but not which it is" in ranked.words(ranked.marks[0])


def test_horizontal_only() -> None:
    tie, _ = tie_of(3, 4, vertical_model=None)
    ranked = next_control(tie, [somewhere(tie, 5)])
    assert set(ranked.uncertainty) == {"horizontal"}
    assert "elevation" not in ranked.words(ranked.marks[0])


def test_what_cannot_be_done_is_said() -> None:
    tie, site = tie_of(3, 4)
    with pytest.raises(InputError, match="share|this id"):
        next_control(tie, [somewhere(tie, 5), somewhere(tie, 5)])
    with pytest.raises(Cancelled):
        next_control(tie, [somewhere(tie, 5)], progress=lambda share: False)
    with pytest.raises(GeometryError, match="empty"):
        WorkArea.of_places(np.zeros((0, 2)))
    typed = tie_from_parameters(site.settings, "EPSG:9656", {"easting": 1.0, "northing": 2.0})
    with pytest.raises(GeometryError, match="typed"):
        next_control(typed, [Control("P", 1.0, 2.0)])
    ranked = next_control(tie, [Control("bench", elevation=3.0)])
    assert ranked.unplaced == ("bench",)
    assert not ranked.marks


# -- the work area ---------------------------------------------------------------------------


def test_points_of_an_area_lie_inside_it_and_not_in_its_hole() -> None:
    outer = np.array([(0.0, 0.0), (100.0, 0.0), (100.0, 100.0), (0.0, 100.0), (0.0, 0.0)])
    hole = np.array([(20.0, 20.0), (80.0, 20.0), (80.0, 80.0), (20.0, 80.0)])
    area = WorkArea.of_rings([outer, hole])
    east, north = area.points.T
    assert 150 < len(area.points) < 600
    assert ((east > 0) & (east < 100) & (north > 0) & (north < 100)).all()
    assert not ((east > 20) & (east < 80) & (north > 20) & (north < 80)).any()
    assert len(area.corners) == 4
    assert area.points.mean(axis=0) == pytest.approx((50.0, 50.0), abs=2.0)


def test_small_areas_far_apart_and_slivers_are_no_burden() -> None:
    square = np.array([(0.0, 0.0), (1.0, 0.0), (1.0, 1.0), (0.0, 1.0)])
    area = WorkArea.of_rings([square, square[::-1] + 50_000.0])
    assert 2 <= len(area.points) < 10_000
    sliver = np.array([(0.0, 0.0), (9000.0, 9000.0), (9000.0, 9000.1)])
    assert 1 <= len(WorkArea.of_rings([sliver]).points) < 10_000
    assert len(WorkArea.of_rings([np.zeros((3, 2))]).points) >= 1


def test_lines_count_along_their_length() -> None:
    area = WorkArea.of_lines([np.array([(0.0, 0.0), (10.0, 0.0), (1000.0, 0.0)])], "the axis")
    assert area.points.mean(axis=0) == pytest.approx((500.0, 0.0), abs=2.0)
    assert area.name == "the axis"
    assert len(WorkArea.of_lines([np.zeros((2, 2))]).points) == 2


def test_the_site_is_the_hull_of_all_control() -> None:
    tie, _ = tie_of(3, 4)
    far = Control("far", 1e5, 2e5)
    area = site_area(tie, [far])
    assert (1e5, 2e5) in map(tuple, area.corners)
