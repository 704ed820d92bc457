"""Restated points: the tie's own numbers, an honest uncertainty, the hull, and the wish to stop."""

from __future__ import annotations

import json
from pathlib import Path
from typing import List

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from sitetie.core import Control, Observation, Pair, Settings, Tie, read_pairs, solve
from sitetie.core import restate as restate_module
from sitetie.core.errors import Cancelled, InputError
from sitetie.core.hull import control_hull, convex_hull, distance_outside
from sitetie.core.restate import observation_covariances, restate

QUARRY = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"


@pytest.fixture(scope="module")
def tie() -> Tie:
    settings = Settings(**json.loads((QUARRY / "settings.json").read_text(encoding="utf-8")))
    return solve(read_pairs(QUARRY / "pairs_reviewed.csv"), settings)


@pytest.fixture(scope="module")
def scattered(tie: Tie):
    random = np.random.default_rng(11)
    count = 700
    north, east = random.uniform(-0.02, 0.02, (2, count))
    return 48.788 + north, 14.932 + east, random.uniform(500.0, 560.0, count)


def test_coordinates_and_covariances_are_those_of_the_tie(tie: Tie, scattered) -> None:
    sigma = np.random.default_rng(12).uniform(0.004, 0.03, (3, len(scattered[0])))
    noise = observation_covariances(tie.settings, len(scattered[0]), *sigma)
    found = restate(tie, *scattered, noise)
    for name, expected in zip(("easting", "northing", "elevation"), tie.to_site(*scattered)):
        assert np.array_equal(getattr(found, name), expected), name
    expected = tie.covariance(*scattered, noise)
    assert np.array_equal(found.covariance, expected)
    for axis, name in enumerate(("sigma_easting", "sigma_northing", "sigma_elevation")):
        assert np.array_equal(getattr(found, name), np.sqrt(expected[:, axis, axis])), name


def test_the_size_of_the_pieces_changes_no_digit(
    tie: Tie, scattered, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = restate(tie, *scattered)
    monkeypatch.setattr(restate_module, "CHUNK", 37)
    pieces = restate(tie, *scattered)
    for name in ("easting", "northing", "elevation", "inside", "covariance", "sigma_easting"):
        assert np.array_equal(getattr(whole, name), getattr(pieces, name)), name


def test_without_sigmas_the_defaults_are_assumed(tie: Tie, scattered) -> None:
    n = len(scattered[0])
    settings = tie.settings
    given = observation_covariances(
        settings, n, np.full(n, settings.gnss_sigma_h), np.full(n, np.nan), None)
    assert np.array_equal(
        restate(tie, *scattered).covariance, restate(tie, *scattered, given).covariance)


def test_a_pairs_own_observation_takes_the_pairs_own_covariance(tie: Tie) -> None:
    fitted = [i for i, pair in enumerate(tie.pairs) if pair.horizontal.value == "fit"]
    observations = [tie.pairs[i].observation for i in fitted]
    place = [np.array([getattr(o, name) for o in observations])
             for name in ("latitude", "longitude", "height")]
    ids = [o.id for o in observations]
    noise = observation_covariances(tie.settings, len(ids), *(
        np.array([getattr(o, name) for o in observations], dtype=float)
        for name in ("sigma_e", "sigma_n", "sigma_u")))
    found = restate(tie, *place, noise, ids=ids)
    assert found.own.all()
    for i, covariance in zip(fitted, found.covariance):
        assert np.array_equal(covariance, np.array(tie.rows[i].covariance))
    # As a new observation the same point would count its noise a second time.
    strange = restate(tie, *place, noise, ids=[f"{name}x" for name in ids])
    assert not strange.own.any()
    assert (strange.sigma_easting > found.sigma_easting).all()
    # A point that took the name but lies elsewhere is a new observation.
    moved = restate(tie, place[0] + 1e-8, *place[1:], noise, ids=ids)
    assert not moved.own.any()
    raised = restate(tie, *place[:2], place[2] + 0.001, noise, ids=ids)
    assert not raised.own.any()


def test_an_observation_may_be_known_across_a_full_turn_of_longitude(tie: Tie) -> None:
    one = tie.pairs[0].observation
    found = restate(tie, one.latitude, one.longitude - 360.0, one.height, ids=[one.id])
    assert found.own.all()


def test_one_observation_in_two_pairs_takes_each_side_from_the_pair_that_drives_it() -> None:
    """A mark known by two ids: one for its position, one for its elevation."""
    pairs = [
        Pair(Control("P1", 0.0, 0.0), Observation("A", 50.0, 7.0, 100.0), "fit", "idle"),
        Pair(Control("H1", elevation=60.0), Observation("A", 50.0, 7.0, 100.0), "idle", "fit"),
        Pair(Control("P2", 300.0, 0.0, 61.0),
             Observation("B", 50.0, 7.004185, 101.0), "fit", "fit"),
        Pair(Control("P3", 0.0, 300.0, 62.0),
             Observation("C", 50.0026975, 7.0, 102.0), "fit", "fit"),
    ]
    tie = solve(pairs, Settings(observation_crs="EPSG:4937"))
    found = restate(tie, 50.0, 7.0, 100.0, ids=["A"])
    position, elevation = (np.array(tie.rows[i].covariance) for i in (0, 1))
    assert found.covariance[0, 0, 0] == position[0, 0] < elevation[0, 0]
    assert found.covariance[0, 2, 2] == elevation[2, 2] < position[2, 2]


def test_without_heights_it_is_horizontal_only(tie: Tie, scattered) -> None:
    found = restate(tie, *scattered[:2])
    assert np.isnan(found.elevation).all()
    assert np.isnan(found.sigma_elevation).all()
    assert np.array_equal(found.easting, restate(tie, *scattered).easting)


def test_a_tie_without_vertical_part_gives_no_elevation(tie: Tie, scattered) -> None:
    flat = solve(tie.pairs, tie.settings.replace(vertical_model=None))
    found = restate(flat, *scattered, ids=[tie.pairs[0].observation.id] * len(scattered[0]))
    assert np.isnan(found.elevation).all()
    assert np.isnan(found.sigma_elevation).all()
    assert np.isfinite(found.sigma_northing).all()
    one = tie.pairs[0].observation
    own = restate(flat, one.latitude, one.longitude, one.height, ids=[one.id])
    assert own.own.all()
    assert np.isnan(own.sigma_elevation).all()


@pytest.mark.parametrize(
    ("place", "value", "message"),
    [
        (0, np.nan, r"point T4: The latitude or longitude is missing.*1 of 6 points"),
        (1, np.inf, r"point T4: .*not a finite number"),
        (0, 91.0, r"point T4: The latitude is outside -90 to 90.*exchange"),
        (2, np.nan, r"point T4: There is no height, but the tie has a vertical part"),
    ],
)
def test_the_first_point_that_cannot_be_used_is_named(tie: Tie, place, value, message) -> None:
    columns = [np.full(6, 48.788), np.full(6, 14.932), np.full(6, 530.0)]
    columns[place][3] = value
    with pytest.raises(InputError, match=message):
        restate(tie, *columns, ids=[f"T{i + 1}" for i in range(6)])


def test_columns_of_unlike_length_are_refused(tie: Tie) -> None:
    with pytest.raises(InputError, match="differ in number"):
        restate(tie, np.full(3, 48.788), np.full(3, 14.932), np.full(2, 530.0))


@pytest.mark.parametrize("sigma", [0.0, -0.01, np.inf])
def test_an_impossible_sigma_is_refused(sigma: float) -> None:
    with pytest.raises(InputError, match="standard deviation"):
        observation_covariances(Settings(), 2, np.array([0.01, sigma]))


def test_no_points_give_no_points(tie: Tie) -> None:
    assert len(restate(tie, np.zeros(0), np.zeros(0), np.zeros(0))) == 0


def test_progress_is_told_and_a_wish_to_stop_is_heard(
    tie: Tie, scattered, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(restate_module, "CHUNK", 100)
    told: List[float] = []
    restate(tie, *scattered, progress=lambda share: told.append(share) or True)
    assert told == [pytest.approx(i / 7) for i in range(1, 8)]
    with pytest.raises(Cancelled):
        restate(tie, *scattered, progress=lambda share: share < 0.4)


# -- the control hull ------------------------------------------------------------------------


def test_hull_is_that_of_scipy() -> None:
    random = np.random.default_rng(3)
    for count in (3, 4, 9, 60):
        points = random.normal(size=(count, 2)) * (3000.0, 40.0) + (5e5, 5e6)
        ours, theirs = convex_hull(points), points[ConvexHull(points).vertices]
        assert {tuple(p) for p in ours} == {tuple(p) for p in theirs}


def test_distance_outside_a_square() -> None:
    square = convex_hull(np.array([[0, 0], [10, 0], [10, 10], [0, 10], [5, 5], [5, 0]]))
    assert len(square) == 4
    points = np.array([[5, 5], [10, 5], [0, 0], [13, 14], [5, -2], [-3, 5]])
    assert distance_outside(square, points) == pytest.approx([0, 0, 0, 5, 2, 3])


def test_a_line_and_a_place_have_no_inside() -> None:
    line = convex_hull(np.array([[0.0, 0.0], [4.0, 0.0], [10.0, 0.0]]))
    assert line.tolist() == [[0.0, 0.0], [10.0, 0.0]]
    assert distance_outside(line, np.array([[5.0, 0.0], [5.0, 0.1], [12.0, 0.0]])) == pytest.approx(
        [0.0, 0.1, 2.0])
    place = convex_hull(np.array([[1.0, 1.0], [1.0, 1.0]]))
    assert distance_outside(place, np.array([[1.0, 1.0], [4.0, 5.0]])) == pytest.approx([0, 5])


def test_inside_means_within_the_fit_pairs(tie: Tie, scattered) -> None:
    found = restate(tie, *scattered)
    fit = [p.observation for p in tie.pairs if p.horizontal.value == "fit"]
    corners = np.stack(tie.base.to_base([o.latitude for o in fit], [o.longitude for o in fit]), 1)
    hull = ConvexHull(corners)
    points = np.stack(tie.base.to_base(*scattered[:2]), axis=1)
    expected = (points @ hull.equations[:, :2].T + hull.equations[:, 2] <= 0.0).all(axis=1)
    assert np.array_equal(found.inside, expected)
    assert 20 < expected.sum() < 680
    on_the_edge = restate(tie, [o.latitude for o in fit], [o.longitude for o in fit])
    assert on_the_edge.inside.all()


def test_two_pairs_hold_nothing_inside(tie: Tie, scattered) -> None:
    two = solve(read_pairs(QUARRY / "pairs_first_two.csv"),
                tie.settings.replace(vertical_model="shift"))
    assert len(control_hull(two)) == 2
    assert not restate(two, *scattered).inside.any()


def test_a_base_plane_that_feels_heights_is_not_restated_without_them(tie: Tie) -> None:
    """NTF's three-parameter shift moves the plane by the height, too."""
    pairs = [
        Pair(Control("A", 0.0, 0.0), Observation("a", 48.0, 3.0, 100.0), "fit", "idle"),
        Pair(Control("B", 500.0, 0.0), Observation("b", 48.0, 3.0067, 150.0), "fit", "idle"),
    ]
    ballistic = solve(pairs, Settings(
        observation_crs="EPSG:7931", base_crs="EPSG:27572", vertical_model=None,
        datum_operation="+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        "+step +proj=cart +ellps=GRS80 +step +proj=helmert +x=168 +y=60 +z=-320 "
        "+step +inv +proj=cart +a=6378249.2 +b=6356515 +step +proj=lcc +lat_1=46.8 +lat_0=46.8 "
        "+lon_0=2.33722917 +k_0=0.99987742 +x_0=600000 +y_0=2200000 +a=6378249.2 +b=6356515"))
    assert ballistic.base.depends_on_height
    with pytest.raises(InputError, match="base plane depends on it"):
        restate(ballistic, 48.0, 3.001, elevations=False)
    flat = restate(ballistic, 48.0, 3.001, 120.0, elevations=False)
    assert flat.easting == ballistic.to_site(48.0, 3.001, 120.0)[0]
    assert np.isnan(flat.elevation).all()
