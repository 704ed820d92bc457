"""Marks observed more than once: their mean, its variance, their spread."""

from __future__ import annotations

import math

import numpy as np
import pytest

from sitetie.core import Control, Observation, Pair, Role, Settings, solve
from sitetie.core.marks import group_marks, observation_covariances
from sitetie.tests.core.sites import apart, change, observed_elsewhere, points, random_site


def shots(sigmas, sessions, values=None, correlation=0.7):
    """One mark from shots along one axis, with these sigmas, in these sessions."""
    count = len(sigmas)
    pairs = [Pair(Control("C", 0.0, 0.0, 0.0), Observation(f"G{i}", 48.0, 11.0, 0.0, session=s))
             for i, s in enumerate(sessions)]
    values = np.zeros(count) if values is None else np.array(values)
    covariance = np.array(sigmas)[:, None, None] ** 2
    (mark,) = group_marks(pairs, [Role.FIT] * count, Role.FIT, values[:, None], covariance,
                          correlation)
    return mark


@pytest.mark.parametrize("count", [2, 3, 10])
@pytest.mark.parametrize("correlation", [0.0, 0.7])
def test_shots_of_one_session_share_its_error(count, correlation):
    mark = shots([0.01] * count, ["day 1"] * count, correlation=correlation)
    expected = 1e-4 * (correlation + (1.0 - correlation) / count)
    assert mark.covariance[0, 0] == pytest.approx(expected)
    assert mark.weights == pytest.approx([1.0 / count] * count)
    np.testing.assert_allclose(mark.row_covariances[:, 0, 0], expected)


def test_sessions_are_independent_of_one_another():
    mark = shots([0.01] * 4, ["a", "a", "b", "b"])
    assert mark.covariance[0, 0] == pytest.approx(1e-4 * (0.7 + 0.3 / 2.0) / 2.0)
    one_by_one = shots([0.01] * 2, ["a", "b"])
    assert one_by_one.covariance[0, 0] == pytest.approx(1e-4 / 2.0)
    # Ten shots of a morning do not outweigh one of the evening tenfold.
    uneven = shots([0.01] * 11, ["morning"] * 10 + ["evening"], [0.0] * 10 + [1.0])
    assert 0.4 < uneven.mean[0] < 0.5


def test_better_shots_weigh_more():
    mark = shots([0.01, 0.02], ["a", "b"], [0.0, 1.0])
    assert mark.mean[0] == pytest.approx(0.2)
    assert mark.weights == pytest.approx([0.8, 0.2])
    assert mark.covariance[0, 0] == pytest.approx(1.0 / (1.0 / 1e-4 + 1.0 / 4e-4))


def test_the_variance_of_the_mean_is_that_of_its_weights():
    draw = np.random.default_rng(1)
    sessions = ["a", "b", "a", "c", "b", "a"]
    sigmas = draw.uniform(0.005, 0.02, 6)
    mark = shots(sigmas, sessions)
    same = np.equal.outer(sessions, sessions)
    joint = np.outer(sigmas, sigmas) * np.where(np.eye(6) == 1, 1.0, np.where(same, 0.7, 0.0))
    weights = np.array(mark.weights)
    assert weights.sum() == pytest.approx(1.0)
    assert mark.covariance[0, 0] == pytest.approx(weights @ joint @ weights)
    np.testing.assert_allclose(mark.row_covariances[:, 0, 0], joint @ weights)
    np.testing.assert_allclose(mark.weighted(np.arange(6.0)[:, None]), weights @ np.arange(6.0))


def test_the_spread_is_a_chi_square():
    draw = np.random.default_rng(2)
    sessions = ["a", "a", "a", "b", "b"]
    sigmas = np.array([0.01, 0.02, 0.01, 0.015, 0.01])
    found = []
    for _ in range(1500):
        shared = {name: draw.standard_normal() for name in "ab"}
        errors = sigmas * np.array([math.sqrt(0.7) * shared[s]
                                    + math.sqrt(0.3) * draw.standard_normal() for s in sessions])
        found.append(shots(sigmas, sessions, errors).spread_p_value)
    assert np.mean(found) == pytest.approx(0.5, abs=0.03)  # p-values are uniform
    assert np.mean(np.array(found) < 0.05) == pytest.approx(0.05, abs=0.02)


def test_one_shot_has_no_spread():
    mark = shots([0.01], ["a"])
    assert mark.spread is None
    assert mark.spread_p_value is None


def test_covariances_of_observations_and_their_defaults():
    pairs = [Pair(Control("C0", 0, 0, 0), Observation("G0", 48.0, 11.0, 1.0, sigma_e=0.01,
                                                      sigma_n=0.02, sigma_en=-0.01)),
             Pair(Control("C1", 0, 0, 0), Observation("G1", 48.0, 11.0, 1.0))]
    covariance = observation_covariances(pairs, Settings())
    np.testing.assert_allclose(covariance[0], [[1e-4, -1e-4], [-1e-4, 4e-4]])
    np.testing.assert_allclose(covariance[1], np.diag([0.008**2] * 2))


def test_repeats_are_combined_and_their_spread_is_told():
    site = random_site(1, marks=6, own_sigmas=False)
    again = [change(observed_elsewhere(site.pairs[k], east=0.006, up=0.01),
                    observation={"id": f"again {k}", "session": "day 2"}) for k in (0, 1)]
    wrong = change(observed_elsewhere(site.pairs[2], north=0.2),
                   observation={"id": "again 2", "session": "day 2"}, vertical="idle")
    tie = solve([*site.pairs, *again, wrong], site.settings)
    assert tie.statistics.horizontal.fit_pairs == 9
    assert tie.statistics.horizontal.fit_marks == 6
    assert tie.statistics.horizontal.redundancy == 2 * 6 - 4
    assert [row.repeated for row in tie.residuals] == [2, 2, 2, 1, 1, 1, 2, 2, 2]
    told = {(s.control_id, s.component): s for s in tie.repeats}
    assert set(told) == {("C0", "horizontal"), ("C1", "horizontal"), ("C2", "horizontal"),
                         ("C0", "vertical"), ("C1", "vertical")}
    assert told["C0", "horizontal"].accepted
    assert told["C0", "horizontal"].largest == pytest.approx(0.003, abs=1e-5)
    assert told["C0", "vertical"].largest == pytest.approx(0.005, abs=1e-5)
    assert (told["C0", "vertical"].shots, told["C0", "vertical"].sessions) == (2, 2)
    assert not told["C2", "horizontal"].accepted
    # Shots of one mark share its verdict and leave-one-out, and have residuals of their own.
    assert tie.residuals[0].horizontal.test == tie.residuals[6].horizontal.test
    assert tie.residuals[0].horizontal.deleted == tie.residuals[6].horizontal.deleted
    assert tie.residuals[0].horizontal.residual != tie.residuals[6].horizontal.residual


def test_the_same_shot_again_and_again_moves_nothing():
    site = random_site(2, marks=5)
    copies = [change(site.pairs[0], observation={"id": f"copy {i}"}) for i in range(9)]
    one = solve(site.pairs, site.settings.replace(session_correlation=0.999999))
    many = solve([*site.pairs, *copies], site.settings.replace(session_correlation=0.999999))
    assert apart(one, many, points(site)) < 1e-6
    # With independent shots they do pull.
    pulled = solve([*site.pairs, *copies], site.settings.replace(session_correlation=0.0))
    assert apart(one, pulled, points(site)) > 1e-4


def test_the_order_of_repeats_does_not_matter():
    site = random_site(3, marks=5, vertical_model="plane")
    again = [change(observed_elsewhere(p, east=0.01, north=-0.004, up=0.02),
                    observation={"id": f"again {p.observation.id}", "session": s})
             for p, s in zip(site.pairs, ["", "b", "", "b", "c"])]
    pairs = [*site.pairs, *again]
    one, other = solve(pairs, site.settings), solve(pairs[::-1], site.settings)
    assert apart(one, other, points(site)) < 1e-8
