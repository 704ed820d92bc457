"""Horizontal models: base plane to site grid, in metres, solved about the centroid.

Every model is the plane map ``site = t + M (base - centroid)``; they differ in which numbers of
M are solved. Rotation is counter-clockwise positive: a base direction turned by it is the site
direction, so that site bearing = base-grid bearing - rotation. Scale is site length over base
length. In EPSG terms the similarity is method 9621 with theta = -rotation, the affine 9624.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Callable, NamedTuple, Optional, Sequence, Tuple

import numpy as np

from .adjustment import Adjustment, adjust
from .errors import GeometryError
from .marks import Mark
from .products import product
from .settings import HeldScale, Settings

Matrix2 = Tuple[Tuple[float, float], Tuple[float, float]]

#: Fit pairs each model needs.
FEWEST = {"translation": 1, "rigid": 2, "similarity": 2, "affine": 3}
_CALLED = {"translation": "A translation", "rigid": "A rigid tie", "similarity": "A similarity",
           "affine": "An affine"}
#: Extent of the control, in standard deviations of a position, below which it is one place.
WIDER_THAN = 3.0
#: Steps below this, in standard deviations of the parameters, end the iteration.
SETTLED = 1e-7
#: Steps in which the weights follow the matrix. It is known to far better than they need after
#: one, but gross blunders can turn it and the weights about each other for ever.
WEIGHING_STEPS = 5
#: Curvature of the rotation, in standard deviations of a mark, that tests begin to feel.
FELT = 0.05
_AFFINE_NAMES = ("easting", "northing", "m_ee", "m_en", "m_ne", "m_nn")


@dataclass(frozen=True)
class HorizontalPart:
    """A solved or typed horizontal model. Plain numbers, so that it can be stored as it is.

    Attributes
    ----------
    model : str
    centroid : (float, float)
        Base easting, northing in metres the solution is written about.
    names : tuple of str
        Of the solved parameters: ``easting, northing`` (site metres at the centroid),
        ``rotation`` (radians), ``scale``; or the four numbers of M for an affine.
    values : tuple of float
    translation : (float, float)
        Site metres at the centroid.
    matrix : ((float, float), (float, float))
        M, site metres per base metre.
    cofactor : tuple of tuples of float, or None
        Covariance of `values` for a variance factor of 1; None for typed parameters.
    """

    model: str
    centroid: Tuple[float, float]
    names: Tuple[str, ...]
    values: Tuple[float, ...]
    translation: Tuple[float, float]
    matrix: Matrix2
    cofactor: Optional[Tuple[Tuple[float, ...], ...]] = None

    @property
    def rotation(self) -> float:
        """Radians, counter-clockwise; of the closest similarity where the model is affine."""
        m = self.matrix
        return float(np.arctan2(m[1][0] - m[0][1], m[0][0] + m[1][1]))

    @property
    def scale(self) -> float:
        """Site length over base length; root of the areal scale where the model is affine."""
        return float(np.sqrt(abs(np.linalg.det(np.array(self.matrix)))))

    def apply(self, base: np.ndarray) -> np.ndarray:
        """(..., 2) base metres to site metres."""
        return _mapped(np.asarray(base) - self.centroid, self.matrix) + self.translation

    def invert(self, site: np.ndarray) -> np.ndarray:
        """(..., 2) site metres to base metres."""
        inverse = np.linalg.inv(np.array(self.matrix))
        return _mapped(np.asarray(site) - self.translation, inverse) + self.centroid

    def design(self, base: np.ndarray) -> np.ndarray:
        """(n, 2, u) change of the site position at base points per change of the parameters."""
        tangent = _tangent(self.names, self.values, np.array(self.matrix))
        return product(_plane_design(np.asarray(base) - self.centroid), tangent)


def _mapped(points: np.ndarray, matrix) -> np.ndarray:
    """(..., 2) points through a 2x2 matrix. Written out, because a matrix product rounds one
    point and many points differently, and a result must not depend on its company."""
    x, y = points[..., 0], points[..., 1]
    (xx, xy), (yx, yy) = matrix
    return np.stack([xx * x + xy * y, yx * x + yy * y], axis=-1)


@dataclass(frozen=True)
class HorizontalFit:
    """The part together with the adjustment it came from (not stored).

    `without` solves again without some of the marks, and gives the adjustment and the sums of
    squares it would have without each further mark; None where formulas do, the model being
    linear or the misfit small.
    """

    part: HorizontalPart
    adjustment: Adjustment
    marks: Tuple[Mark, ...]
    deleted_residuals: np.ndarray
    without: Optional[Callable[[Sequence[int]], Tuple[Adjustment, np.ndarray]]] = None


def fit_horizontal(
    marks: Sequence[Mark],
    control: np.ndarray,
    control_covariance: np.ndarray,
    settings: Settings,
    leave_one_out: bool = True,
) -> HorizontalFit:
    """Solve a horizontal model from combined fit marks.

    Parameters
    ----------
    control, control_covariance : (m, 2), (m, 2, 2) arrays
        Site metres of the marks.
    leave_one_out : bool
        Whether a model that is not linear is solved again without each mark; otherwise
        `deleted_residuals` are those of the formula for linear ones.

    Raises
    ------
    GeometryError
        With too few marks, or marks in one place or (affine) in one line.
    """
    model = settings.horizontal_model
    base = np.array([mark.mean for mark in marks]).reshape(-1, 2)
    noise = np.array([mark.covariance for mark in marks]).reshape(-1, 2, 2)
    _refuse_weak_geometry(model, "observations", base, noise)
    _refuse_weak_geometry(model, "control points", control, control_covariance)
    held = held_scale(settings)
    given = _Given(model, held, base, noise, control, control_covariance)
    part, step, covariance, settled = _iterated(given)
    if not settled:
        raise GeometryError(
            "The solution does not settle: the pairs contradict one another grossly.",
            "Look for a pair with a wrong position, and set it to idle.",
        )
    if model == "affine" or "rotation" not in part.names or held is None or not leave_one_out:
        return HorizontalFit(part, step, tuple(marks), step.deleted_residuals)
    offsets = base - part.centroid
    deleted, _ = _solve_without_each(part, step, offsets, control, covariance, held)
    without = given.without if _bends(deleted, offsets, covariance) else None
    return HorizontalFit(part, step, tuple(marks), deleted, without)


def _bends(deleted, offsets, covariance) -> bool:
    """Whether the misfit turns the solution so far that the curvature of the turn is felt.

    A mark that is out by d turns a site of radius r by about d/r, and points leave the tangent
    by d**2 / 2r.
    """
    lengths = np.hypot.reduce(deleted, axis=1)
    if np.isnan(lengths).all():
        return False
    sag = np.nanmax(lengths) ** 2 / (2.0 * np.sqrt(np.mean(offsets**2)))
    return bool(sag > FELT * np.sqrt(np.trace(covariance, axis1=1, axis2=2).min() / 2.0))


class _Given(NamedTuple):
    """What a solution is made from: metres, one row per mark."""

    model: str
    held: Optional[HeldScale]
    base: np.ndarray
    noise: np.ndarray
    control: np.ndarray
    control_covariance: np.ndarray

    def without(self, marks: Sequence[int]) -> Tuple[Adjustment, np.ndarray]:
        """See `HorizontalFit.without`."""
        rows = (np.delete(values, list(marks), axis=0) for values in self[2:])
        rest = _Given(self.model, self.held, *rows)
        part, step, covariance, _ = _iterated(rest)
        offsets = rest.base - part.centroid
        _, squares = _solve_without_each(
            part, step, offsets, rest.control, covariance, self.held
        )
        return step, squares


def _iterated(given: _Given) -> Tuple[HorizontalPart, Adjustment, np.ndarray, bool]:
    """The solution, its last adjustment, the covariances used, and whether it settled."""
    held, noise = given.held, given.noise
    centroid, site_centre = given.base.mean(axis=0), given.control.mean(axis=0)
    # Both sides about their middle: large site coordinates would drown the last steps in rounding.
    offsets, control = given.base - centroid, given.control - site_centre
    weights = 1.0 / np.trace(given.control_covariance + noise, axis1=1, axis2=2)
    names, values, matrix = _start(given.model, held, offsets, control, weights)

    iterations = 0
    while True:
        if iterations < WEIGHING_STEPS:
            covariance = given.control_covariance + product(matrix, noise, matrix.T)
        tangent = _tangent(names, values, matrix)
        design = product(_plane_design(offsets), tangent)
        misclosure = control - (values[:2] + product(offsets, matrix.T))
        step = adjust(design, misclosure, covariance, **scale_prior(names, values, held))
        values = values + _newton_step(step, names, values, matrix, offsets, misclosure)
        matrix = _matrix(names, values, held, matrix)
        iterations += 1
        spread = np.abs(step.parameters) / (1e-300 + np.sqrt(np.diag(step.cofactor)))
        if spread.max() < SETTLED or iterations >= 30:
            break
    values[:2] += site_centre
    part = HorizontalPart(
        model=given.model,
        centroid=(float(centroid[0]), float(centroid[1])),
        names=names,
        values=tuple(map(float, values)),
        translation=(float(values[0]), float(values[1])),
        matrix=_two_by_two(matrix),
        cofactor=tuple(tuple(map(float, row)) for row in step.cofactor),
    )
    return part, step, covariance, bool(spread.max() <= 1e-3)


def _two_by_two(matrix: np.ndarray) -> Matrix2:
    (a, b), (c, d) = matrix.tolist()
    return (a, b), (c, d)


def held_scale(settings: Settings) -> Optional[HeldScale]:
    """The scale that is held, with its sigma; None where it is solved."""
    if settings.scale is not None:
        return settings.scale  # type: ignore[return-value]
    if settings.horizontal_model in ("translation", "rigid"):
        return HeldScale(1.0, 0.0, "unity")
    return None


def _refuse_weak_geometry(model: str, what: str, points: np.ndarray, noise: np.ndarray) -> None:
    need = FEWEST[model]
    if len(points) < need:
        given = "1 mark" if len(points) == 1 else f"{len(points)} marks"
        raise GeometryError(
            f"{_CALLED[model]} needs at least {need} fit pairs at different marks; there "
            f"{'is' if len(points) == 1 else 'are'} {given} with the horizontal role fit.",
            "Set more pairs to fit, or choose a model with fewer parameters.",
        )
    if need == 1:
        return
    offsets = points - points.mean(axis=0)
    extents = np.linalg.svd(offsets, compute_uv=False) / np.sqrt(len(points))
    sigma = float(np.sqrt(np.trace(noise, axis1=1, axis2=2).mean() / 2.0))
    if extents[0] < WIDER_THAN * sigma:
        raise GeometryError(
            f"The {what} of the fit pairs all lie within {extents[0]:.3f} m of one place, no more "
            "than their uncertainty; rotation and scale cannot be found from them.",
            "Check that they are not one and the same, add a fit pair elsewhere, or choose the "
            "translation.",
        )
    if need == 3 and extents[1] < WIDER_THAN * sigma:
        raise GeometryError(
            f"The {what} of the fit pairs lie in one line to within {extents[1]:.3f} m; an affine "
            "cannot be found from them.",
            "Add a fit pair away from the line, or choose the similarity.",
        )


def _start(model, held, offsets, control, weights):
    """Names, first values and matrix: the similarity of least squares with round weights."""
    if model == "affine":
        site = control - control.mean(axis=0)
        matrix = np.linalg.lstsq(offsets, site, rcond=None)[0].T
        values = np.concatenate([control.mean(axis=0), matrix.ravel()])
        return _AFFINE_NAMES, values, matrix
    names: Tuple[str, ...] = ("easting", "northing")
    values = list(control.mean(axis=0))
    rotation, scale = 0.0, held.value if held is not None else 1.0
    if model != "translation":
        rotation, fitted_scale = _similarity(offsets, control, weights)
        names += ("rotation",)
        values.append(rotation)
        if held is None:
            scale = fitted_scale
    if held is None or held.sigma > 0.0:
        names += ("scale",)
        values.append(scale)
    return names, np.array(values), scale * _rotation_matrix(rotation)


def _newton_step(step, names, values, matrix, offsets, misclosure) -> np.ndarray:
    """The Gauss-Newton step, corrected for the curvature of the rotation.

    Where the scale is held far from the pairs' own, or a blunder is as large as the site,
    Gauss-Newton alone would turn too far and never settle.
    """
    if "rotation" not in names:
        return step.parameters
    inverse = step.whitening_inverse
    pull = -product(np.swapaxes(inverse, 1, 2), inverse, misclosure[:, :, None])[:, :, 0]
    turned = product(offsets, matrix.T)
    curvature = np.zeros((len(names), len(names)))
    at = names.index("rotation")
    curvature[at, at] = -np.sum(pull * turned)
    if "scale" in names:
        other = names.index("scale")
        across = np.stack([-turned[:, 1], turned[:, 0]], axis=1)
        curvature[at, other] = curvature[other, at] = np.sum(pull * across) / values[other]
    corrected = np.eye(len(names)) + product(step.cofactor, curvature)
    if np.linalg.det(corrected) <= 0.0:  # beyond the turning point: no minimum that way
        return step.parameters
    return np.linalg.solve(corrected, step.parameters)


def _similarity(base: np.ndarray, site: np.ndarray, weights: np.ndarray) -> Tuple[float, float]:
    """Rotation and scale that turn base positions into site positions, one weight per point."""
    root = np.sqrt(weights)[:, None]
    base = root * (base - np.average(base, axis=0, weights=weights))
    site = root * (site - np.average(site, axis=0, weights=weights))
    cosine = np.sum(base * site)
    sine = np.sum(base[:, 0] * site[:, 1] - base[:, 1] * site[:, 0])
    length = np.hypot(cosine, sine)
    if length < 1e-6 * np.linalg.norm(base) * np.linalg.norm(site):
        raise GeometryError(
            "No rotation brings the control points near the observations.",
            "Look for exchanged eastings and northings, or pairs of different marks.",
        )
    return float(np.arctan2(sine, cosine)), float(length / np.sum(base**2))


def _rotation_matrix(rotation: float) -> np.ndarray:
    cosine, sine = np.cos(rotation), np.sin(rotation)
    return np.array([[cosine, -sine], [sine, cosine]])


def _matrix(names, values, held, matrix) -> np.ndarray:
    if names == _AFFINE_NAMES:
        return values[2:].reshape(2, 2)
    named = dict(zip(names, values))
    scale = named.get("scale", held.value if held is not None else None)
    return scale * _rotation_matrix(named.get("rotation", 0.0))


def _plane_design(offsets: np.ndarray) -> np.ndarray:
    """(n, 2, 6) change of t + M x per change of t and of M row by row."""
    design = np.zeros((len(offsets), 2, 6))
    design[:, 0, 0] = design[:, 1, 1] = 1.0
    design[:, 0, 2:4] = design[:, 1, 4:6] = offsets
    return design


def _tangent(names, values, matrix) -> np.ndarray:
    """(6, u) change of t and M per change of the parameters."""
    if names == _AFFINE_NAMES:
        return np.eye(6)
    columns = {
        "easting": [1.0, 0.0, 0.0, 0.0, 0.0, 0.0],
        "northing": [0.0, 1.0, 0.0, 0.0, 0.0, 0.0],
        "rotation": [0.0, 0.0, -matrix[1, 0], -matrix[1, 1], matrix[0, 0], matrix[0, 1]],
    }
    if "scale" in names:
        columns["scale"] = [0.0, 0.0, *(matrix / values[names.index("scale")]).ravel()]
    return np.array([columns[name] for name in names]).T


def scale_prior(names, values, held) -> dict:
    """A scale held with a sigma as the row of its own that `adjust` takes."""
    if held is None or held.sigma == 0.0:
        return {}
    row = np.zeros((1, len(names)))
    at = names.index("scale")
    row[0, at] = 1.0
    return {"prior_design": row, "prior_observed": np.array([held.value - values[at]]),
            "prior_sigma": np.array([held.sigma])}


def _solve_without_each(
    part, step, offsets, control, covariance, held
) -> Tuple[np.ndarray, np.ndarray]:
    """(m, 2) residual of each mark from a solution without it, and (m,) its sum of squares.

    For models that are not linear. All m solutions run side by side, by Newton's method: the
    weighted sum of squares is quadratic in t and M, so leaving out a mark only subtracts its own
    share.
    """
    size = np.sqrt(np.mean(offsets**2)) or 1.0
    root = np.linalg.inv(np.linalg.cholesky(covariance))
    rows = product(root, _plane_design(offsets / size))
    solved = part.translation + product(offsets, np.array(part.matrix).T)
    misfit = product(root, (control - solved)[:, :, None])
    normals = product(np.swapaxes(rows, 1, 2), rows)
    rights = product(np.swapaxes(rows, 1, 2), misfit)[:, :, 0]
    squares = np.sum(misfit**2, axis=(1, 2))
    normal, right, squares = (x.sum(axis=0) - x for x in (normals, rights, squares))

    names = part.names
    turn, at = names.index("rotation"), names.index("scale") if "scale" in names else None
    values = _start_without_each(part, offsets, control, covariance)
    plane_full = np.concatenate([part.translation, np.ravel(part.matrix) * size])
    usable = step.testable == step.group_size
    scaling = np.array([1.0, 1.0, size, size, size, size])
    for round_ in range(7):
        matrices = np.array([_matrix(names, v, held, None) for v in values])
        moved = np.concatenate([values[:, :2], matrices.reshape(-1, 4) * size], axis=1)
        moved -= plane_full
        pulled = np.einsum("mij,mj->mi", normal, moved)
        if round_ == 6:
            break
        tangents = np.array([_tangent(names, v, m) for v, m in zip(values, matrices)])
        tangents *= scaling[:, None]
        gradient = right - pulled
        left = product(np.swapaxes(tangents, 1, 2), normal, tangents)
        side = np.einsum("miu,mi->mu", tangents, gradient)
        bend = np.sum(gradient[:, 2:] * matrices.reshape(-1, 4), axis=1) * size
        left[:, turn, turn] += np.where(bend > -0.5 * left[:, turn, turn], bend, 0.0)
        if at is not None:
            left[:, at, at] += 1.0 / held.sigma**2
            side[:, at] += (held.value - values[:, at]) / held.sigma**2
        scale = 1.0 / np.sqrt(np.maximum(np.diagonal(left, axis1=1, axis2=2), 1e-300))
        balanced = left * scale[:, :, None] * scale[:, None, :]
        balanced[~usable] = np.eye(len(names))
        change = scale * np.linalg.solve(balanced, (side * scale)[:, :, None])[:, :, 0]
        values = values + np.where(usable[:, None], change, 0.0)
    squares = squares + np.sum((pulled - 2.0 * right) * moved, axis=1)
    if at is not None:
        squares += ((held.value - values[:, at]) / held.sigma) ** 2
    deleted = values[:, :2] + np.einsum("mij,mj->mi", matrices, offsets) - control
    return np.where(usable[:, None], deleted, np.nan), np.where(usable, squares, np.nan)


def _start_without_each(part, offsets, control, covariance) -> np.ndarray:
    """(m, u) values to start from without each mark: those that round weights turn to.

    Plane positions as complex numbers. The full solution is no start where it carries a blunder.
    """
    weights = 1.0 / np.trace(covariance, axis1=1, axis2=2)
    base, site = (at[:, 0] + 1j * at[:, 1] for at in (offsets, control))
    sums = [weights, weights * base, weights * site, weights * np.conj(base) * site]
    weight, first, second, both = (np.sum(x) - x for x in sums)
    weight = np.maximum(weight, 1e-300)
    direction = both - np.conj(first) * second / weight
    rotation = np.angle(direction)
    moved = (second - part.scale * np.exp(1j * rotation) * first) / weight
    values = np.tile(np.array(part.values), (len(offsets), 1))
    values[:, 0], values[:, 1] = moved.real, moved.imag
    values[:, part.names.index("rotation")] = rotation
    return values
