"""Pairing by geometry alone, against truth that is known because it was made up.

No published point sets with known partners at these sizes were found to check against: the truth
is that of the generator alone.
"""

from __future__ import annotations

import numpy as np
import pytest

from sitetie.core import pair_by_geometry
from sitetie.core.errors import Cancelled, InputError

from .pairing_sites import random_site, symmetric_layouts

SQUARE = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]])
SCALENE = np.array([[0.0, 0.0], [310.0, 40.0], [120.0, 260.0], [55.0, 170.0], [290.0, 330.0]])


def turned(points: np.ndarray, degrees: float, scale: float = 1.0) -> np.ndarray:
    angle = np.radians(degrees)
    rotation = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return scale * points @ rotation.T + (4000.0, -700.0)


def as_set(pairs: np.ndarray) -> set:
    return set(map(tuple, np.asarray(pairs).tolist()))


# -- random sites -----------------------------------------------------------------------------


def test_random_sites_are_paired_or_said_to_be_unclear() -> None:
    """A short seeded run of benchmarks/pairing.py: 60 sites, 6 to 60 marks, 40 % alone."""
    right = 0
    for number in range(60):
        site = random_site(np.random.default_rng([1, number]))
        found = pair_by_geometry(site.control, site.observed)
        truth, said = as_set(site.pairs), as_set(found.pairs)
        assert not found.mirrored
        if found.ambiguous or not said:
            continue
        placed = found.transform.apply(site.observed)
        for c, o in said - truth:  # a stranger no farther away than a partner may be
            assert np.hypot(*(site.control[c] - placed[o])) < 5.0 * site.noise
        assert len(said & truth) >= 0.75 * len(truth)
        right += 1
    assert right >= 58


def test_nothing_is_made_of_points_without_relation() -> None:
    for number in range(20):
        rng = np.random.default_rng([2, number])
        site = random_site(rng, marks=int(rng.integers(3, 12)), alone=1.0)
        found = pair_by_geometry(site.control, site.observed)
        assert len(found.pairs) == 0
        assert found.transform is None
        assert np.isnan(found.rms)


def test_500_by_500_points() -> None:
    site = random_site(np.random.default_rng(3), marks=500, shape="even", extent=1500.0, noise=0.05)
    found = pair_by_geometry(site.control, site.observed)
    assert as_set(found.pairs) == as_set(site.pairs)
    assert found.confidence > 0.5


def test_the_transform_lays_the_observed_on_the_control() -> None:
    observed = turned(SCALENE, 77.0, 1.0 / 1.0004)[[3, 1, 4, 0, 2]]
    found = pair_by_geometry(SCALENE, observed)
    assert found.pairs.tolist() == [[0, 3], [1, 1], [2, 4], [3, 0], [4, 2]]
    assert found.transform.scale == pytest.approx(1.0004, abs=1e-9)
    assert found.transform.rotation == pytest.approx(-77.0, abs=1e-7)
    placed = found.transform.apply(observed)[found.pairs[:, 1]]
    assert np.abs(placed - SCALENE).max() < 1e-8
    assert found.rms < 1e-8
    assert found.confidence > 0.999


def test_axes_and_order_do_not_matter() -> None:
    """The same points listed otherwise and turned give the same pairs."""
    site = random_site(np.random.default_rng(4), marks=15, noise=0.05)
    first = pair_by_geometry(site.control, site.observed)
    rng = np.random.default_rng(5)
    to_control, to_observed = rng.permutation(15), rng.permutation(15)
    again = pair_by_geometry(
        turned(site.control, 33.0)[to_control], turned(site.observed, -120.0)[to_observed])
    back = np.stack([to_control[again.pairs[:, 0]], to_observed[again.pairs[:, 1]]], axis=1)
    assert as_set(back) == as_set(first.pairs)
    assert again.rms == pytest.approx(first.rms, rel=1e-4)


# -- symmetry ---------------------------------------------------------------------------------


@pytest.mark.parametrize("name", list(symmetric_layouts()))
@pytest.mark.parametrize("noise", [0.0, 0.02, 0.3])
def test_symmetric_layouts_are_ambiguous(name: str, noise: float) -> None:
    marks, turns = symmetric_layouts()[name]
    rng = np.random.default_rng(6)
    observed = turned(marks[rng.permutation(len(marks))], 40.0)
    found = pair_by_geometry(marks, observed + rng.normal(0.0, noise, observed.shape))
    assert found.ambiguous
    assert len(found.pairs) == 0
    most = max(rival.count for rival in found.rivals)
    assert sum(rival.count == most for rival in found.rivals) >= turns
    assert "mbiguous" in found.words


def test_a_square_has_four_answers() -> None:
    found = pair_by_geometry(SQUARE, turned(SQUARE, 12.0))
    assert found.ambiguous
    assert not found.mirrored
    assert len(found.rivals) == 4
    assert len({tuple(map(tuple, rival.pairs.tolist())) for rival in found.rivals}) == 4
    angles = sorted(round(rival.transform.rotation) % 360 for rival in found.rivals)
    assert angles == [78, 168, 258, 348]
    for rival in found.rivals:
        assert rival.probability == pytest.approx(0.25, abs=0.01)


def test_a_square_with_one_more_mark_is_clear() -> None:
    marks = np.vstack([SQUARE, [[37.0, 81.0]]])
    found = pair_by_geometry(marks, turned(marks, 12.0))
    assert not found.ambiguous
    assert found.pairs.tolist() == [[i, i] for i in range(5)]


def test_a_part_of_a_grid_is_ambiguous() -> None:
    """Seven marks of a grid of 25, with two strangers: they fit in many places."""
    east, north = np.meshgrid(np.arange(5) * 40.0, np.arange(5) * 40.0)
    grid = np.stack([east.ravel(), north.ravel()], axis=1)
    some = grid[[6, 7, 8, 11, 12, 13, 17]]
    observed = turned(np.vstack([some, [[13.0, 155.0], [171.0, 9.0]]]), 5.0)
    assert pair_by_geometry(grid, observed).ambiguous


# -- mirrored sites, scale --------------------------------------------------------------------


def test_a_mirrored_site_is_said_to_be_mirrored() -> None:
    exchanged = turned(SCALENE, 30.0)[:, ::-1]
    found = pair_by_geometry(SCALENE, exchanged)
    assert found.mirrored
    assert not found.ambiguous
    assert found.pairs.tolist() == [[i, i] for i in range(5)]
    assert "mirrored" in found.words
    assert np.abs(found.transform.apply(exchanged) - SCALENE).max() < 1e-8


def test_marks_in_one_line_are_not_called_mirrored() -> None:
    line = np.stack([[0.0, 70.0, 210.0, 500.0, 830.0], np.zeros(5)], axis=1)
    found = pair_by_geometry(line, turned(line, 200.0))
    assert not found.mirrored
    assert not found.ambiguous
    assert found.pairs.tolist() == [[i, i] for i in range(5)]


@pytest.mark.parametrize("scale", [0.3048, 1.0, 3.28084])
def test_free_scale(scale: float) -> None:
    site = random_site(np.random.default_rng(8), marks=20, noise=0.02, scale=scale)
    found = pair_by_geometry(site.control, site.observed, free_scale=True)
    assert as_set(found.pairs) == as_set(site.pairs)
    assert found.transform.scale == pytest.approx(scale, rel=1e-3)


def test_another_scale_is_not_found_where_it_must_be_near_1() -> None:
    found = pair_by_geometry(SCALENE, turned(SCALENE, 30.0, 1.0 / 0.3048))
    assert len(found.pairs) == 0


def test_a_known_noise_decides_what_an_open_one_leaves_open() -> None:
    """A square with one corner 60 mm off has four answers, unless the noise is known."""
    marks = SQUARE + [[0.0, 0.0], [0.0, 0.0], [0.06, 0.0], [0.0, 0.0]]
    observed = turned(marks + np.random.default_rng(9).normal(0.0, 0.004, marks.shape), 20.0)
    sure = pair_by_geometry(marks, observed, noise=0.005)
    assert not sure.ambiguous
    assert sure.pairs.tolist() == [[i, i] for i in range(4)]
    assert pair_by_geometry(marks, observed, noise=0.2).ambiguous


# -- names ------------------------------------------------------------------------------------


def test_names_decide_between_rivals() -> None:
    observed = turned(SQUARE, 12.0)[[2, 3, 0, 1]]
    found = pair_by_geometry(SQUARE, observed, control_names=["A", "B", "C", "D"],
                             observed_names=["c", "d", "a", "b "])
    assert not found.ambiguous
    assert found.pairs.tolist() == [[0, 2], [1, 3], [2, 0], [3, 1]]
    assert "names decide" in found.words


def test_names_at_odds_decide_nothing() -> None:
    found = pair_by_geometry(SQUARE, turned(SQUARE, 12.0), control_names=["1", "2", "3", "4"],
                             observed_names=["2", "1", "3", "4"])
    assert found.ambiguous


def test_names_never_speak_against_the_geometry() -> None:
    names = [str(i) for i in range(5)]
    found = pair_by_geometry(SCALENE, turned(SCALENE, 12.0), control_names=names,
                             observed_names=names[::-1])
    assert found.pairs.tolist() == [[i, i] for i in range(5)]


# -- what cannot be used ----------------------------------------------------------------------


@pytest.mark.parametrize(("control", "observed", "words"), [
    (SQUARE[:1], SQUARE, "at least three"),
    (SQUARE, SQUARE[:2], "at least three"),
    (np.zeros((0, 2)), SQUARE, "at least three"),
    (SQUARE[:, :1], SQUARE, "(n, 2)"),
    (SQUARE, [["a", "b"]] * 4, "(n, 2)"),
    (np.vstack([SQUARE, [[np.nan, 3.0]]]), SQUARE, "index 4"),
    (SQUARE, np.vstack([SQUARE, [[np.inf, 3.0]]]), "index 4"),
    (np.vstack([SQUARE, SQUARE[1:2]]), SQUARE, "indices 1 and 4"),
    (SQUARE, np.vstack([SQUARE[2:3], SQUARE]), "indices 0 and 3"),
])
def test_what_cannot_be_used_is_named(control, observed, words: str) -> None:
    with pytest.raises(InputError, match=words.replace("(", r"\(").replace(")", r"\)")):
        pair_by_geometry(control, observed)


@pytest.mark.parametrize("options", [
    {"noise": 0.0}, {"noise": np.nan}, {"scale_tolerance": -0.1}, {"scale_tolerance": 0.7},
    {"control_names": ["a"], "observed_names": ["b"] * 4},
])
def test_options_that_cannot_be_used(options: dict) -> None:
    with pytest.raises(InputError):
        pair_by_geometry(SQUARE, SQUARE, **options)


def test_the_arrays_given_stay_as_they_are() -> None:
    control, observed = SCALENE.copy(), turned(SCALENE, 10.0)
    kept = observed.copy()
    pair_by_geometry(control, observed)
    assert (control == SCALENE).all()
    assert (observed == kept).all()


def test_it_can_be_stopped() -> None:
    shares = []

    def progress(share: float) -> bool:
        shares.append(share)
        return len(shares) < 2

    with pytest.raises(Cancelled):
        pair_by_geometry(SQUARE, turned(SQUARE, 3.0), progress=progress)
    assert shares == sorted(shares)
    assert 0.0 <= shares[0]
    assert shares[-1] <= 1.0


def test_half_a_metre_of_noise_on_a_square_of_thirty_metres_is_not_believed() -> None:
    rng = np.random.default_rng(11)
    for _ in range(20):
        control, observed = rng.uniform(0.0, 30.0, (2, 4, 2))
        assert not len(pair_by_geometry(control, observed).pairs)


def test_a_stranger_that_may_be_chance_is_left_out_and_does_not_bend_the_answer() -> None:
    """The site of the benchmark with a stranger 4 m from a control point, at 0.8 m noise."""
    site = random_site(np.random.default_rng([2, 84]), shape="even")
    found = pair_by_geometry(site.control, site.observed)
    assert as_set(found.pairs) == as_set(site.pairs)
    assert found.doubtful.tolist() == [[1, 5]]
    placed = found.transform.apply(site.observed)[found.pairs[:, 1]]
    apart = np.hypot(*(placed - site.control[found.pairs[:, 0]]).T)
    assert found.rms == pytest.approx(np.sqrt(np.mean(apart**2)))
    assert found.rms < 2.0 * site.noise
