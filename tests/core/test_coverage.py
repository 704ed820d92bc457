"""Coverage of points by the control: against rectangles whose answer is known by hand, and against
the hull of scipy."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.spatial import ConvexHull, Delaunay

from sitetie.core import Settings, solve
from sitetie.core.coverage import Extent, coverage
from sitetie.core.restate import restate
from sitetie.tests.core.plausible_sites import (
    EARTH,
    METRES,
    PLACES,
    geodetic,
    pairs_of,
    turned,
)

#: 800 by 600 metres, corners counter-clockwise, and one mark in the middle.
CORNERS = np.array([[-400.0, -300.0], [400.0, -300.0], [400.0, 300.0], [-400.0, 300.0], [0.0, 0.0]])
#: Offset in metres, and how far outside the rectangle that is.
POINTS = [
    ((10.0, 10.0), 0.0),
    ((-399.0, 299.0), 0.0),
    ((450.0, 0.0), 50.0),
    ((0.0, -420.0), 120.0),
    ((430.0, 340.0), 50.0),  # beyond a corner: 3-4-5
    ((-700.0, -700.0), 500.0),
]


def tie_of(place, offsets, unit="m", settings=None, **more):
    positions = geodetic(PLACES[place], offsets, 300.0)
    pairs = pairs_of(positions, turned(offsets, 31.0, unit), unit=unit, **more)
    return solve(pairs, settings or Settings(site_unit=unit))


def outside(place, tie, points, **more):
    at = geodetic(PLACES[place], np.array(points, dtype=float), 300.0)
    return coverage(tie, at[:, 0], at[:, 1], at[:, 2], **more)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("unit", METRES)
def test_distances_outside_a_rectangle(place: str, unit: str) -> None:
    offsets, expected = (np.array(column) for column in zip(*POINTS))
    found = outside(place, tie_of(place, CORNERS, unit), offsets)
    assert found.distance_outside * METRES[unit] == pytest.approx(expected, abs=0.002)
    assert list(found.outside) == list(expected > 0.0)
    assert found.share_outside == pytest.approx(4 / 6)
    assert found.farthest == 5
    assert found.farthest_distance * METRES[unit] == pytest.approx(500.0, abs=0.002)
    size = found.control
    assert size.length * METRES[unit] == pytest.approx(1000.0, abs=0.002)
    assert size.width * METRES[unit] == pytest.approx(600.0, abs=0.002)
    assert size.area * METRES[unit] ** 2 == pytest.approx(480_000.0, abs=2.0)


@pytest.mark.parametrize(
    ("corners", "length"),
    [
        (CORNERS[:1], 0.0),
        (CORNERS[:2], 800.0),
        (np.array([[-400.0, 0.0], [100.0, 0.0], [400.0, 0.0]]), 800.0),
    ],
    ids=["one mark", "two marks", "in line"],
)
def test_a_place_and_a_line_surround_nothing(corners: np.ndarray, length: float) -> None:
    settings = Settings(horizontal_model="translation", scale=(1.0 + 300.0 / EARTH, 0.0))
    positions = geodetic(PLACES["south"], corners, 300.0)
    tie = solve(pairs_of(positions, turned(corners, 0.0)), settings)
    found = outside("south", tie, [(-400.0 - 3.0, corners[0, 1] - 4.0), (-390.0, 100.0)])
    assert found.outside.all()
    assert found.distance_outside[0] == pytest.approx(5.0, abs=0.001)
    assert found.control.length == pytest.approx(length, abs=0.002)
    # Marks in line on the ground bend by less than a micrometre in the base plane.
    assert found.control.width < 1e-3
    assert found.control.area < 1.0
    on_mark = coverage(tie, *positions[0])
    assert (on_mark.share_outside, on_mark.farthest, on_mark.farthest_distance) == (0.0, None, 0.0)


def test_against_the_hull_of_scipy() -> None:
    random = np.random.default_rng(3)
    marks = random.uniform(-500.0, 500.0, (15, 2))
    points = random.uniform(-700.0, 700.0, (400, 2))
    tie = tie_of("inland", marks)
    found = outside("inland", tie, points)
    assert list(~found.outside) == list(Delaunay(marks).find_simplex(points) >= 0)
    hull = ConvexHull(marks)
    assert found.control.area == pytest.approx(hull.volume, rel=1e-5)
    beyond = hull.equations @ np.column_stack([points, np.ones(len(points))]).T
    least = np.maximum(beyond.max(axis=0), 0.0)  # to the lines through the edges
    assert (found.distance_outside > least - 0.01).all()


def test_it_is_what_restating_says() -> None:
    tie = tie_of("antimeridian", CORNERS)
    at = geodetic(PLACES["antimeridian"], np.random.default_rng(1).uniform(-600, 600, (200, 2)),
                  300.0)
    found = coverage(tie, *at.T)
    assert list(restate(tie, *at.T).inside) == list(~found.outside)


def test_vertical_control_is_another_hull() -> None:
    vertical = ["fit", "fit", "idle", "fit", "idle"]
    tie = tie_of("inland", CORNERS, vertical=vertical)
    points = [(300.0, 200.0), (-100.0, -100.0)]
    assert not outside("inland", tie, points).outside.any()
    found = outside("inland", tie, points, side="vertical")
    assert list(found.outside) == [True, False]
    # The diagonal 3 x = -4 y halves the rectangle.
    assert found.distance_outside[0] == pytest.approx((3 * 300 + 4 * 200) / 5, abs=0.002)
    assert found.control.area == pytest.approx(240_000.0, abs=2.0)


def test_checks_and_idle_pairs_do_not_cover() -> None:
    tie = tie_of("inland", CORNERS, roles=["fit", "fit", "check", "idle", "fit"])
    assert outside("inland", tie, [(200.0, 250.0)]).outside.all()


def test_typed_and_missing_parts_have_no_control() -> None:
    tie = tie_of("inland", CORNERS, settings=Settings(vertical_model=None))
    assert outside("inland", tie, [(0.0, 0.0)], side="vertical") is None
    bare = dataclasses.replace(tie.horizontal, cofactor=None)
    typed = dataclasses.replace(tie, kind="typed", horizontal=bare)
    assert outside("inland", typed, [(0.0, 0.0)]) is None


def test_no_points() -> None:
    found = coverage(tie_of("inland", CORNERS), [], [])
    assert (found.share_outside, found.farthest, found.farthest_distance) == (0.0, None, 0.0)


def test_width_is_the_narrowest_strip() -> None:
    """A right triangle with legs 3 and 4: its height over the hypotenuse is 12/5."""
    triangle = Extent(np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]]))
    assert triangle.width == pytest.approx(2.4)
    assert triangle.length == pytest.approx(5.0)
    assert triangle.area == pytest.approx(6.0)
