"""The least-squares engine on random problems: every figure against its definition."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from sitetie.core.adjustment import adjust
from sitetie.core.errors import GeometryError
from sitetie.core.quantiles import (
    chi_square_p_value,
    chi_square_quantile,
    f_quantile,
    noncentrality,
    normal_quantile,
    student_quantile,
    tau_critical,
    tau_noncentrality,
)


def problem(seed, groups=9, size=2, unknowns=4):
    """Design, observations and full covariances of a random problem."""
    draw = np.random.default_rng(seed)
    design = draw.standard_normal((groups, size, unknowns)) * 10.0 ** draw.uniform(-3, 3, unknowns)
    roots = np.tril(draw.uniform(-0.5, 0.5, (groups, size, size))) + np.eye(size)
    covariance = roots @ np.swapaxes(roots, 1, 2) * draw.uniform(0.1, 4.0, (groups, 1, 1))
    truth = draw.standard_normal(unknowns)
    noise = np.linalg.cholesky(covariance) @ draw.standard_normal((groups, size, 1))
    return design, design @ truth + noise[:, :, 0], covariance


def stacked(design, observed, covariance):
    """The same as one vector with a block-diagonal covariance."""
    count, size = observed.shape
    full = np.zeros((count * size, count * size))
    for i in range(count):
        full[i * size:(i + 1) * size, i * size:(i + 1) * size] = covariance[i]
    return design.reshape(count * size, -1), observed.ravel(), full


def squares(parameters, design, observed, covariance):
    rows, right, full = stacked(design, observed, covariance)
    misfit = rows @ parameters - right
    return misfit @ np.linalg.solve(full, misfit)


SIZES = pytest.mark.parametrize("size", [1, 2, 3])


@SIZES
@pytest.mark.parametrize("seed", range(4))
def test_solution_cofactor_and_residuals_are_those_of_the_definition(seed, size):
    given = problem(seed, size=size)
    solved = adjust(*given)
    rows, right, full = stacked(*given)
    normal = rows.T @ np.linalg.solve(full, rows)
    scale = np.sqrt(np.diag(normal))  # the design's columns are six powers of ten apart
    expected = np.linalg.solve(normal / scale[:, None] / scale,
                               rows.T @ np.linalg.solve(full, right) / scale) / scale
    np.testing.assert_allclose(solved.parameters * scale, expected * scale, rtol=1e-8, atol=1e-8)
    cofactor = np.linalg.inv(normal / scale[:, None] / scale)
    np.testing.assert_allclose(solved.cofactor * scale[:, None] * scale, cofactor, rtol=1e-8,
                               atol=1e-12)
    np.testing.assert_allclose(solved.residuals.ravel(), rows @ solved.parameters - right,
                               atol=1e-10)
    assert solved.sum_of_squares == pytest.approx(squares(solved.parameters, *given))
    assert solved.redundancy == given[1].size - 4
    assert solved.variance_factor == pytest.approx(solved.sum_of_squares / solved.redundancy)
    assert solved.p_value == pytest.approx(
        stats.chi2.sf(solved.sum_of_squares, solved.redundancy))


@SIZES
def test_any_other_parameters_are_worse(size):
    given = problem(10, size=size)
    solved = adjust(*given)
    sigmas = np.sqrt(np.diag(solved.cofactor))
    for direction in np.random.default_rng(1).standard_normal((50, 4)):
        assert squares(solved.parameters + 1e-2 * sigmas * direction, *given) > (
            solved.sum_of_squares)


def test_it_agrees_with_an_independent_solver():
    given = problem(11)
    rows, right, full = stacked(*given)
    root = np.linalg.inv(np.linalg.cholesky(full))
    scale = np.linalg.norm(rows, axis=0)
    found = optimize.least_squares(lambda x: root @ (rows @ (x / scale) - right), np.zeros(4),
                                   jac=lambda _: root @ (rows / scale),
                                   xtol=1e-15, ftol=1e-15, gtol=1e-15)
    np.testing.assert_allclose(adjust(*given).parameters, found.x / scale, rtol=1e-8)


@SIZES
def test_redundancies_add_up_and_test_values_are_drops_of_the_sum_of_squares(size):
    given = problem(12, size=size)
    solved = adjust(*given)
    assert solved.redundancy_numbers.sum() * size == pytest.approx(solved.redundancy)
    assert (solved.testable == size).all()
    for k in range(len(given[1])):
        rest = adjust(*(np.delete(values, k, axis=0) for values in given))
        assert solved.sum_of_squares - rest.sum_of_squares == pytest.approx(solved.test_values[k])
        np.testing.assert_allclose(solved.deleted_residuals[k],
                                   given[0][k] @ rest.parameters - given[1][k], rtol=1e-7)


@SIZES
def test_a_detectable_bias_has_the_noncentrality_it_is_said_to_have(size):
    design, observed, covariance = problem(13, size=size)
    solved = adjust(design, observed, covariance)
    biases = solved.minimal_detectable_bias(0.001, 0.80)
    clean = design @ solved.parameters  # what a bias does to the test alone, without noise
    for k in range(len(observed)):
        biased = clean.copy()
        biased[k] += biases[k]
        test = adjust(design, biased, covariance).test_values[k]
        assert test == pytest.approx(noncentrality(0.001, 0.80, size), rel=1e-6)
        for direction in np.random.default_rng(k).standard_normal((20, size)):
            biased = clean.copy()  # and any other direction shows a bias of that size better
            biased[k] += direction / np.linalg.norm(direction) * np.linalg.norm(biases[k])
            assert adjust(design, biased, covariance).test_values[k] >= test * (1.0 - 1e-6)


def test_the_effect_of_a_bias_on_the_parameters_is_the_difference_of_two_solutions():
    design, observed, covariance = problem(14)
    solved = adjust(design, observed, covariance)
    biases = np.random.default_rng(1).standard_normal(observed.shape)
    effects = solved.parameter_effect(biases)
    for k in range(len(observed)):
        moved = observed.copy()
        moved[k] += biases[k]
        change = adjust(design, moved, covariance).parameters - solved.parameters
        np.testing.assert_allclose(effects[k], change, rtol=1e-6)
        np.testing.assert_allclose(solved.gain[k] @ biases[k], change, rtol=1e-6)


def test_priors_are_observations_of_their_own():
    design, observed, covariance = problem(15, size=1)
    prior = np.array([[0.0, 1.0, 0.0, 0.0], [1.0, 0.0, 2.0, 0.0]])
    value, sigma = np.array([0.3, -0.1]), np.array([0.01, 0.2])
    one = adjust(design, observed, covariance, prior_design=prior, prior_observed=value,
                 prior_sigma=sigma)
    other = adjust(np.vstack([design, prior[:, None]]), np.concatenate([observed, value[:, None]]),
                   np.concatenate([covariance, sigma[:, None, None] ** 2]))
    np.testing.assert_allclose(one.parameters, other.parameters, rtol=1e-9)
    np.testing.assert_allclose(one.cofactor, other.cofactor, rtol=1e-7)
    np.testing.assert_allclose(one.prior_residuals, other.residuals[-2:, 0], rtol=1e-7)
    assert one.sum_of_squares == pytest.approx(other.sum_of_squares)
    assert one.redundancy == other.redundancy
    np.testing.assert_allclose(one.test_values, other.test_values[:-2], rtol=1e-6)


def test_sigmas_ten_times_larger_change_the_statistics_and_not_the_solution():
    design, observed, covariance = problem(16)
    one, other = adjust(design, observed, covariance), adjust(design, observed, 100.0 * covariance)
    np.testing.assert_allclose(other.parameters, one.parameters, rtol=1e-9)
    np.testing.assert_allclose(other.cofactor, 100.0 * one.cofactor, rtol=1e-9)
    assert other.sum_of_squares == pytest.approx(one.sum_of_squares / 100.0)
    np.testing.assert_allclose(other.tau, one.tau, rtol=1e-9)
    np.testing.assert_allclose(other.redundancy_numbers, one.redundancy_numbers, atol=1e-12)


def test_plain_arrays_and_unit_weights():
    x = np.array([0.0, 1.0, 2.0, 3.0])
    design = np.stack([np.ones(4), x], axis=1)
    solved = adjust(design, 2.0 + 3.0 * x)
    np.testing.assert_allclose(solved.parameters, [2.0, 3.0], atol=1e-14)
    np.testing.assert_allclose(solved.cofactor, np.linalg.inv(design.T @ design), rtol=1e-12)
    weighted = adjust(design, 2.0 + 3.0 * x, np.full(4, 4.0))
    np.testing.assert_allclose(weighted.cofactor, 4.0 * solved.cofactor, rtol=1e-12)


def test_without_redundancy_nothing_is_tested():
    solved = adjust(np.eye(2)[:, None, :], np.ones((2, 1)))
    assert solved.redundancy == 0
    assert solved.variance_factor is None
    assert solved.p_value is None
    assert solved.testable.tolist() == [0, 0]
    assert solved.test_values.tolist() == [0.0, 0.0]
    assert np.isinf(solved.critical_values(0.01)).all()
    assert np.isinf(solved.tau_critical_values(0.01)).all()
    assert np.isnan(solved.tau).all()
    assert np.isnan(solved.deleted_residuals).all()
    assert np.isinf(solved.minimal_detectable_bias(0.001, 0.8)).all()
    assert np.isinf(solved.minimal_detectable_bias(0.001, 0.8, estimated=True)).all()


def test_a_group_that_the_others_control_in_one_direction_only():
    """Two points and a distance between them: each is controlled along the line, not across."""
    design = np.zeros((2, 2, 3))
    design[:, 0, 0] = design[:, 1, 1] = 1.0
    design[:, 1, 2] = [-1.0, 1.0]  # a turn: moves the points across the line
    solved = adjust(design, np.array([[0.0, 0.0], [1.0, 0.0]]))
    assert solved.redundancy == 1
    assert solved.testable.tolist() == [1, 1]
    assert solved.test_values == pytest.approx([0.5, 0.5])
    assert solved.critical_values(0.05) == pytest.approx([3.841, 3.841], abs=1e-3)
    assert np.isnan(solved.deleted_residuals).all()
    assert np.isinf(solved.minimal_detectable_bias(0.001, 0.8)[:, 1]).all()


@pytest.mark.parametrize(("design", "words"), [
    (np.ones((1, 1, 2)), "1 observations cannot determine 2 parameters"),
    (np.ones((3, 1, 2)), "geometry does not determine"),
    (np.zeros((3, 1, 2)), "geometry does not determine"),
])
def test_what_cannot_be_determined_is_refused(design, words):
    with pytest.raises(GeometryError, match=words):
        adjust(design, np.ones((len(design), 1)))


@pytest.mark.parametrize("covariance", [
    np.zeros((3, 1, 1)), -np.ones((3, 1, 1)),
    np.array([[[1.0, 1.0], [1.0, 1.0]]] * 3), np.array([[[1.0, 2.0], [2.0, 1.0]]] * 3)])
def test_a_covariance_that_is_none_is_refused(covariance):
    size = covariance.shape[1]
    with np.errstate(all="ignore"), pytest.raises(GeometryError, match="not positive definite"):
        adjust(np.ones((3, size, 1)), np.ones((3, size)), covariance)


# -- quantiles ---------------------------------------------------------------------------------


def test_quantiles_agree_with_another_implementation():
    for p in (0.5, 0.9, 0.95, 0.999):
        assert normal_quantile(p) == pytest.approx(stats.norm.ppf(p))
        for f in (1, 2, 7, 99):
            assert chi_square_quantile(p, f) == pytest.approx(stats.chi2.ppf(p, f))
            assert student_quantile(p, f) == pytest.approx(stats.t.ppf(p, f))
            assert f_quantile(p, 2, f) == pytest.approx(stats.f.ppf(p, 2, f))
            assert chi_square_p_value(chi_square_quantile(p, f), f) == pytest.approx(1.0 - p)


@pytest.mark.parametrize(("level", "power", "dimension", "published"), [
    # Baarda (1968): 17.07, as usually quoted; the others by the noncentral chi-square.
    (0.001, 0.80, 1, 17.0746), (0.001, 0.80, 2, 19.66), (0.05, 0.80, 1, 7.8489)])
def test_noncentrality(level, power, dimension, published):
    value = noncentrality(level, power, dimension)
    assert value == pytest.approx(published, abs=6e-3)
    critical = stats.chi2.ppf(1.0 - level, dimension)
    assert stats.ncx2.sf(critical, dimension, value) == pytest.approx(power, abs=1e-6)


@pytest.mark.parametrize(("dimension", "redundancy"), [(1, 3), (1, 20), (2, 4), (2, 30)])
def test_noncentrality_of_the_tau_test(dimension, redundancy):
    value = tau_noncentrality(0.01, 0.80, dimension, redundancy)
    rest = redundancy - dimension
    critical = stats.f.ppf(0.99, dimension, rest)
    assert stats.ncf.sf(critical, dimension, rest, value) == pytest.approx(0.80, abs=1e-4)
    assert value > noncentrality(0.01, 0.80, dimension)


def test_noncentrality_of_a_hopeless_tau_test():
    assert tau_noncentrality(0.001, 0.8, 2, 2) == np.inf
    # One degree of freedom left: tens of thousands, beyond where scipy's search ends.
    value = tau_noncentrality(0.001, 0.8, 1, 2)
    assert value > 1e4
    draw = np.random.default_rng(1)
    ratio = (draw.standard_normal(200_000) + np.sqrt(value)) ** 2 / draw.chisquare(1, 200_000)
    assert np.mean(ratio > stats.f.ppf(0.999, 1, 1)) == pytest.approx(0.80, abs=0.005)


@pytest.mark.parametrize(("redundancy", "dimension"), [(3, 1), (6, 1), (5, 2), (20, 2)])
def test_critical_tau_by_drawing(redundancy, dimension):
    """Tau is the root of a drop in the sum of squares over the variance that sum estimates."""
    draw = np.random.default_rng(2)
    own = draw.chisquare(dimension, 400_000)
    rest = draw.chisquare(redundancy - dimension, 400_000)
    tau = np.sqrt(own / ((own + rest) / redundancy))
    assert np.mean(tau > tau_critical(0.01, redundancy, dimension)) == pytest.approx(0.01,
                                                                                     abs=7e-4)


def test_tau_without_redundancy_of_its_own_is_certain():
    assert tau_critical(0.01, 1) == 1.0
    assert tau_critical(0.01, 2, 2) == pytest.approx(np.sqrt(2.0))
