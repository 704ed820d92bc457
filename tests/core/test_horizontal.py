"""The horizontal models, solved from marks in the plane: definitions, statistics, bad geometry."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import optimize

from sitetie.core import HeldScale, Settings
from sitetie.core.errors import GeometryError
from sitetie.core.horizontal import HorizontalPart, fit_horizontal
from sitetie.core.marks import Mark

MODELS = {
    "translation": (2, None), "rigid": (3, None), "similarity": (4, None), "affine": (6, None),
    "held exactly": (3, HeldScale(1.0002)), "held with a sigma": (4, HeldScale(1.0002, 1e-4)),
}
MODEL = pytest.mark.parametrize("model", list(MODELS))


def settings(model):
    held = MODELS[model][1]
    name = "similarity" if model.startswith("held") else model
    return Settings(horizontal_model=name, scale=held)


def plane(seed, model, count=7, noise=1.0, turn=1.1):
    """Marks, control and its covariance, in metres."""
    draw = np.random.default_rng(seed)
    base = draw.uniform(-400.0, 400.0, (count, 2)) + [2600.0, -900.0]
    roots = np.tril(draw.uniform(-0.004, 0.004, (count, 2, 2))) + 0.008 * np.eye(2)
    covariance = roots @ np.swapaxes(roots, 1, 2)
    angle = 0.0 if model == "translation" else turn
    matrix = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    if model == "affine":
        matrix = matrix @ [[1.0003, 2e-4], [0.0, 0.9999]]
    if model in ("similarity", "held exactly", "held with a sigma"):
        matrix = matrix * 1.0002
    errors = noise * draw.standard_normal((count, 2)) * 0.01
    control = [5000.0, 8000.0] + (base - [2600.0, -900.0]) @ matrix.T + errors
    marks = [Mark(f"C{i}", (i,), (1.0,), base[i], covariance[i], covariance[i][None])
             for i in range(count)]
    return marks, control, np.tile(0.005**2 * np.eye(2), (count, 1, 1))


@MODEL
@pytest.mark.parametrize("seed", range(3))
def test_parameters_and_covariance_agree_with_an_independent_solver(model, seed):
    marks, control, control_covariance = plane(seed, model)
    fit = fit_horizontal(marks, control, control_covariance, settings(model))
    part, held = fit.part, MODELS[model][1]
    base = np.array([mark.mean for mark in marks])
    noise = np.array([mark.covariance for mark in marks])
    matrix = np.array(part.matrix)
    root = np.linalg.inv(np.linalg.cholesky(control_covariance + matrix @ noise @ matrix.T))
    scale = np.array([1.0, 1.0] + [1e-3] * (len(part.values) - 2))  # steps of like size

    def misfit(steps):
        values = np.array(part.values) + steps * scale
        named = dict(zip(part.names, values))
        if model == "affine":
            m = values[2:].reshape(2, 2)
        else:
            size = named.get("scale", held.value if held else 1.0)
            a = named.get("rotation", 0.0)
            m = size * np.array([[math.cos(a), -math.sin(a)], [math.sin(a), math.cos(a)]])
        miss = (values[:2] + (base - part.centroid) @ m.T - control)[:, :, None]
        weighted = (root @ miss).ravel()
        if held is not None and held.sigma:
            weighted = np.append(weighted, (named["scale"] - held.value) / held.sigma)
        return weighted

    found = optimize.least_squares(misfit, np.full(len(scale), 0.01), jac="3-point", xtol=1e-15,
                                   ftol=1e-15, gtol=1e-15)
    assert np.abs(found.x).max() < 1e-6  # micrometres, and nanoradians
    cofactor = np.linalg.inv(found.jac.T @ found.jac) * np.outer(scale, scale)
    np.testing.assert_allclose(part.cofactor, cofactor, rtol=1e-5, atol=1e-6 * cofactor.max())
    assert fit.adjustment.sum_of_squares == pytest.approx(2.0 * found.cost, rel=1e-7)
    assert fit.adjustment.redundancy == len(found.fun) - len(scale)
    assert len(part.values) == MODELS[model][0]


@MODEL
def test_apply_invert_and_design_go_together(model):
    part = fit_horizontal(*plane(5, model), settings(model)).part
    base = np.random.default_rng(1).uniform(-3000.0, 3000.0, (20, 2))
    site = part.apply(base)
    np.testing.assert_allclose(part.invert(site), base, atol=1e-8)
    np.testing.assert_allclose(part.apply(np.array(part.centroid)), part.translation, atol=1e-12)
    design = part.design(base)
    for k, step in enumerate(1e-6 * np.eye(len(part.values))):
        moved = moved_part(part, step)
        np.testing.assert_allclose((moved.apply(base) - site) / 1e-6, design[:, :, k], rtol=1e-4,
                                   atol=1e-2)


def moved_part(part, step):
    """The part with its parameters changed, by the definition of its names."""
    values = np.array(part.values) + step
    named = dict(zip(part.names, values))
    if part.model == "affine":
        matrix = values[2:].reshape(2, 2)
    else:
        angle, size = named.get("rotation", part.rotation), named.get("scale", part.scale)
        matrix = size * np.array([[math.cos(angle), -math.sin(angle)],
                                  [math.sin(angle), math.cos(angle)]])
    return HorizontalPart(part.model, part.centroid, part.names, tuple(values),
                          tuple(values[:2]), tuple(map(tuple, matrix)))


def test_rotation_is_counter_clockwise_and_scale_is_site_over_base():
    # A base line due east comes out due north and twice as long: turned by +90 degrees.
    part = HorizontalPart("similarity", (0.0, 0.0), ("easting", "northing", "rotation", "scale"),
                          (0.0, 0.0, math.pi / 2.0, 2.0), (0.0, 0.0), ((0.0, -2.0), (2.0, 0.0)))
    np.testing.assert_allclose(part.apply(np.array([1.0, 0.0])), [0.0, 2.0])
    assert part.rotation == pytest.approx(math.pi / 2.0)
    assert part.scale == 2.0


def test_the_affine_says_the_similarity_nearest_to_it():
    part = HorizontalPart("affine", (0.0, 0.0), (), (), (0.0, 0.0), ((4.0, 0.0), (0.0, 1.0)))
    assert part.scale == 2.0  # the root of the areal scale
    assert part.rotation == 0.0


@pytest.mark.parametrize("model", ["rigid", "similarity", "affine"])
def test_a_rotation_near_half_a_turn_is_no_trouble(model):
    for turn in (math.pi - 1e-9, -math.pi + 1e-9, math.pi):
        part = fit_horizontal(*plane(6, model, turn=turn), settings(model)).part
        assert abs(math.remainder(part.rotation - turn, 2.0 * math.pi)) < 1e-3
        assert -math.pi <= part.rotation <= math.pi


def test_leave_one_out_of_a_held_scale_agrees_with_solving_without():
    for model in ("rigid", "held exactly", "held with a sigma"):
        marks, control, covariance = plane(7, model)
        round_marks = [Mark(m.control_id, m.rows, m.weights, m.mean,
                            np.trace(m.covariance) / 2.0 * np.eye(2), m.row_covariances)
                       for m in marks]
        control[2] += [0.8, -0.3]
        fit = fit_horizontal(round_marks, control, covariance, settings(model))
        for k in range(len(marks)):
            rest = fit_horizontal(round_marks[:k] + round_marks[k + 1:],
                                  np.delete(control, k, axis=0),
                                  np.delete(covariance, k, axis=0), settings(model)).part
            np.testing.assert_allclose(fit.deleted_residuals[k],
                                       rest.apply(marks[k].mean) - control[k], atol=2e-6)


def test_two_marks_and_a_held_scale_leave_nothing_to_delete():
    fit = fit_horizontal(*plane(8, "rigid", count=2), settings("rigid"))
    assert fit.adjustment.redundancy == 1
    assert np.isnan(fit.deleted_residuals).all()


def test_marks_close_together_are_told_from_marks_in_one_place():
    marks, control, covariance = plane(9, "similarity", count=4, noise=0.0)
    middle = np.mean([m.mean for m in marks], axis=0)

    def shrunk(to):
        factor = to / 400.0
        near = [Mark(m.control_id, m.rows, m.weights, middle + factor * (m.mean - middle),
                     m.covariance, m.row_covariances) for m in marks]
        return near, control.mean(axis=0) + factor * (control - control.mean(axis=0)), covariance

    assert fit_horizontal(*shrunk(1.0), settings("similarity")).part.scale == pytest.approx(1.0002)
    with pytest.raises(GeometryError, match="of one place, no more than their uncertainty"):
        fit_horizontal(*shrunk(0.02), settings("similarity"))
    # A translation does not mind.
    fit_horizontal(*shrunk(0.0), settings("translation"))


def test_a_large_site_with_large_coordinates_keeps_its_digits():
    marks, control, covariance = plane(10, "similarity", noise=0.0)
    far = [Mark(m.control_id, m.rows, m.weights, m.mean * 1000.0, m.covariance, m.row_covariances)
           for m in marks]
    part = fit_horizontal(far, (control - [5000.0, 8000.0]) * 1000.0 + [2e7, 1e7], covariance,
                          settings("similarity")).part
    assert part.scale == pytest.approx(1.0002, abs=1e-13)
    assert part.rotation == pytest.approx(1.1, abs=1e-13)
