"""Weighted least squares and its statistics, for every model alike.

The observations come as `m` groups of `q` numbers each (a horizontal pair has two, a vertical
one has one), groups independent of one another, with a full covariance inside each group::

    residual = design @ parameters - observed          (solved minus given)

Each group is whitened by the Cholesky factor of its covariance, and the whitened design is
factored by QR with scaled columns; normal equations are never formed.

Sources: Baarda (1968) for redundancy, test and minimal detectable bias; Teunissen, *Testing
theory* (2000), for the same with more than one dimension; Kok, *On data snooping and multiple
outlier testing* (NOAA TR NOS NGS 30, 1984).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Optional

import numpy as np

from .errors import GeometryError
from .products import product
from .quantiles import (
    chi_square_p_value,
    chi_square_quantile,
    noncentrality,
    tau_critical,
    tau_noncentrality,
)

#: A redundancy below this is rounding, not redundancy.
NO_REDUNDANCY = 1e-9
#: Reciprocal condition of the scaled design below which the parameters are not determined.
SINGULAR = 1e-12


@dataclass(frozen=True)
class Adjustment:
    """A solved least-squares problem. Arrays are not to be written to.

    Attributes
    ----------
    parameters : (u,) array
    cofactor : (u, u) array
        Covariance of the parameters for an a-priori variance factor of 1.
    residuals : (m, q) array
        Solved minus given, in the units of the observations.
    prior_residuals : (k,) array
        Solved minus given of the prior values.
    whitened_residuals, whitened_basis : (m, q), (m, q, u) arrays
        Residuals over their Cholesky factors; rows of the orthonormal basis of the design.
    whitening, whitening_inverse : (m, q, q) arrays
        Lower Cholesky factors of the covariances.
    triangle_inverse : (u, u) array
        Inverse of the triangle R of the design's QR; the cofactor is its product with itself.
    sum_of_squares : float
        Weighted sum of squared residuals, priors included.
    redundancy : int
        Observations and priors less parameters.
    reciprocal_condition : float
        Of the column-scaled, whitened design: 1 is perfect, 0 undetermined.
    """

    parameters: np.ndarray
    cofactor: np.ndarray
    residuals: np.ndarray
    prior_residuals: np.ndarray
    whitened_residuals: np.ndarray
    whitened_basis: np.ndarray
    whitening: np.ndarray
    whitening_inverse: np.ndarray
    triangle_inverse: np.ndarray
    sum_of_squares: float
    redundancy: int
    reciprocal_condition: float

    @property
    def group_size(self) -> int:
        return self.residuals.shape[1]

    @property
    def variance_factor(self) -> Optional[float]:
        """Estimated variance factor (its square root is the unit-weight standard deviation).

        None without redundancy.
        """
        if self.redundancy <= 0:
            return None
        return self.sum_of_squares / self.redundancy

    @property
    def p_value(self) -> Optional[float]:
        """Probability of a sum of squares at least this large if the sigmas are right."""
        if self.redundancy <= 0:
            return None
        return float(chi_square_p_value(self.sum_of_squares, self.redundancy))

    @cached_property
    def redundancy_matrices(self) -> np.ndarray:
        """(m, q, q) whitened redundancy of each group; identity means fully controlled."""
        basis = self.whitened_basis
        identity = np.eye(self.group_size)
        return identity - product(basis, np.swapaxes(basis, 1, 2))

    @cached_property
    def redundancy_numbers(self) -> np.ndarray:
        """(m,) mean redundancy of each group per dimension, 0 to 1."""
        trace = np.trace(self.redundancy_matrices, axis1=1, axis2=2) / self.group_size
        return np.clip(trace, 0.0, 1.0)

    @cached_property
    def _redundancy_eigen(self):
        values, vectors = np.linalg.eigh(self.redundancy_matrices)
        return values, vectors

    @cached_property
    def testable(self) -> np.ndarray:
        """(m,) how many dimensions of each group the others control."""
        return (self._redundancy_eigen[0] > NO_REDUNDANCY).sum(axis=1)

    @cached_property
    def _redundancy_inverse(self) -> np.ndarray:
        values, vectors = self._redundancy_eigen
        safe = np.where(values > NO_REDUNDANCY, values, np.inf)
        return product(vectors / safe[:, None, :], np.swapaxes(vectors, 1, 2))

    @cached_property
    def test_values(self) -> np.ndarray:
        """(m,) test of each group: chi-square with `testable` degrees of freedom.

        The drop of the sum of squares when the group is left out. For one dimension its square
        root is Baarda's w. Zero where nothing can be tested.
        """
        residuals = self.whitened_residuals
        return np.einsum("mi,mij,mj->m", residuals, self._redundancy_inverse, residuals)

    def critical_values(self, level: float) -> np.ndarray:
        """(m,) critical values of `test_values`; infinite where nothing can be tested."""
        by_dimension = [np.inf] + [
            chi_square_quantile(1.0 - level, k) for k in range(1, self.group_size + 1)
        ]
        return np.asarray(by_dimension)[self.testable]

    @cached_property
    def tau(self) -> np.ndarray:
        """(m,) root of the test value over the estimated variance factor; NaN without it."""
        factor = self.variance_factor
        if not factor:
            return np.full(len(self.residuals), np.nan)
        return np.sqrt(self.test_values / factor)

    def tau_critical_values(self, level: float) -> np.ndarray:
        """(m,) critical values of `tau`; infinite where nothing can be tested."""
        by_dimension = [np.inf] + [
            tau_critical(level, self.redundancy, k) if self.redundancy > k else np.inf
            for k in range(1, self.group_size + 1)
        ]
        return np.asarray(by_dimension)[self.testable]

    @cached_property
    def deleted_residuals(self) -> np.ndarray:
        """(m, q) residual of each group from a solution without it (exact when linear).

        NaN where the others do not determine the group.
        """
        whitened = np.einsum("mij,mj->mi", self._redundancy_inverse, self.whitened_residuals)
        deleted = np.einsum("mij,mj->mi", self.whitening, whitened)
        return np.where((self.testable == self.group_size)[:, None], deleted, np.nan)

    def minimal_detectable_bias(
        self, level: float, power: float, estimated: bool = False
    ) -> np.ndarray:
        """(m, q) smallest bias of each group found with that power, in its worst direction.

        Infinite where the others do not control the group. Units of the observations. With
        `estimated` it is that of the tau test, in units of the estimated standard deviations.
        """
        if not estimated:
            root = np.sqrt(noncentrality(level, power, self.group_size))
        elif self.variance_factor:
            needed = tau_noncentrality(level, power, self.group_size, self.redundancy)
            root = np.sqrt(needed * self.variance_factor)
        else:
            root = np.inf
        inverse = self.whitening_inverse
        metric = product(np.swapaxes(inverse, 1, 2), self.redundancy_matrices, inverse)
        values, vectors = np.linalg.eigh(metric)
        weakest = values[:, 0]
        full = self.testable == self.group_size
        size = np.where(full, root / np.sqrt(np.where(full, weakest, 1.0)), np.inf)
        direction = vectors[:, :, 0]
        direction = np.where(np.abs(direction) < 1e-12, 0.0, direction)
        with np.errstate(invalid="ignore"):
            bias = size[:, None] * direction
        return np.where(np.isnan(bias), 0.0, bias)

    def parameter_effect(self, biases: np.ndarray) -> np.ndarray:
        """(m, u) change of the parameters by a bias (m, q) in each group, one at a time."""
        whitened = product(self.whitening_inverse, biases[:, :, None])
        projected = product(np.swapaxes(self.whitened_basis, 1, 2), whitened)
        return product(projected[:, :, 0], self.triangle_inverse.T)

    @cached_property
    def gain(self) -> np.ndarray:
        """(m, u, q) change of the parameters per unit change of each group's observations."""
        rows = product(np.swapaxes(self.whitening_inverse, 1, 2), self.whitened_basis)
        return product(self.triangle_inverse, np.swapaxes(rows, 1, 2))


def adjust(
    design: np.ndarray,
    observed: np.ndarray,
    covariance: Optional[np.ndarray] = None,
    *,
    prior_design: Optional[np.ndarray] = None,
    prior_observed: Optional[np.ndarray] = None,
    prior_sigma: Optional[np.ndarray] = None,
) -> Adjustment:
    """Solve a weighted least-squares problem.

    Parameters
    ----------
    design : (m, q, u) or (m, u) array
    observed : (m, q) or (m,) array
    covariance : (m, q, q) or (m,) array, optional
        Covariance inside each group (variances when one-dimensional); unit when left out.
    prior_design, prior_observed, prior_sigma : (k, u), (k,), (k,) arrays, optional
        Values held with a sigma, as rows of their own.

    Raises
    ------
    GeometryError
        When the observations do not determine the parameters.
    """
    design, observed, covariance = _as_groups(design, observed, covariance)
    groups, size, unknowns = design.shape
    whitening, inverse_whitening = _whitening(covariance)
    rows = product(inverse_whitening, design).reshape(groups * size, unknowns)
    right = product(inverse_whitening, observed[:, :, None]).reshape(groups * size)
    priors = 0
    if prior_design is not None:
        sigma = np.asarray(prior_sigma, dtype=float)
        prior_design = np.asarray(prior_design, dtype=float)
        prior_observed = np.asarray(prior_observed, dtype=float)
        priors = len(sigma)
        rows = np.vstack([rows, prior_design / sigma[:, None]])
        right = np.concatenate([right, prior_observed / sigma])

    basis, triangle, condition = _factor(rows)
    parameters = np.linalg.solve(triangle, product(basis.T, right))
    # One step of refinement takes off what rounding in an ill-conditioned design left behind.
    left = right - product(rows, parameters)
    parameters = parameters + np.linalg.solve(triangle, product(basis.T, left))
    inverse = np.linalg.solve(triangle, np.eye(unknowns))
    observations = groups * size
    residuals = product(design, parameters) - observed
    whitened = product(inverse_whitening, residuals[:, :, None])[:, :, 0]
    prior_residuals = np.zeros(0)
    if priors:
        prior_residuals = product(prior_design, parameters) - prior_observed
    squares = float(np.sum(whitened**2))
    if priors:
        squares += float(np.sum((prior_residuals / sigma) ** 2))
    redundancy = observations + priors - unknowns
    return Adjustment(
        parameters=parameters,
        cofactor=product(inverse, inverse.T),
        residuals=residuals,
        prior_residuals=prior_residuals,
        whitened_residuals=whitened,
        whitened_basis=basis[:observations].reshape(groups, size, unknowns),
        whitening=whitening,
        whitening_inverse=inverse_whitening,
        triangle_inverse=inverse,
        sum_of_squares=squares,
        redundancy=redundancy,
        reciprocal_condition=condition,
    )


def _as_groups(design, observed, covariance):
    design = np.asarray(design, dtype=float)
    observed = np.asarray(observed, dtype=float)
    if design.ndim == 2:
        design = design[:, None, :]
        observed = observed[:, None]
    groups, size, _ = design.shape
    if covariance is None:
        covariance = np.broadcast_to(np.eye(size), (groups, size, size))
    covariance = np.asarray(covariance, dtype=float)
    if covariance.ndim == 1:
        covariance = covariance[:, None, None]
    return design, observed, covariance


def _whitening(covariance: np.ndarray):
    """Lower Cholesky factors and their inverses; written out for one and two dimensions."""
    size = covariance.shape[1]
    if size > 2:
        roots = np.linalg.cholesky(covariance)
        return roots, np.linalg.inv(roots)
    roots, inverse = np.zeros_like(covariance), np.zeros_like(covariance)
    roots[:, 0, 0] = np.sqrt(covariance[:, 0, 0])
    inverse[:, 0, 0] = 1.0 / roots[:, 0, 0]
    if size == 2:
        roots[:, 1, 0] = covariance[:, 1, 0] * inverse[:, 0, 0]
        roots[:, 1, 1] = np.sqrt(covariance[:, 1, 1] - roots[:, 1, 0] ** 2)
        inverse[:, 1, 1] = 1.0 / roots[:, 1, 1]
        inverse[:, 1, 0] = -roots[:, 1, 0] * inverse[:, 0, 0] * inverse[:, 1, 1]
    if not np.isfinite(inverse).all():
        raise GeometryError(
            "A covariance is not positive definite.", "Check the standard deviations."
        )
    return roots, inverse


def _factor(rows: np.ndarray):
    """QR of the rows with unit columns: basis, triangle of the unscaled columns, condition."""
    unknowns = rows.shape[1]
    if rows.shape[0] < unknowns:
        raise GeometryError(
            f"{rows.shape[0]} observations cannot determine {unknowns} parameters.",
            "Add pairs, or choose a model with fewer parameters.",
        )
    lengths = np.linalg.norm(rows, axis=0)
    lengths = np.where(lengths > 0.0, lengths, 1.0)
    basis, triangle = np.linalg.qr(rows / lengths)
    singular = np.linalg.svd(triangle, compute_uv=False)
    condition = float(singular[-1] / singular[0]) if singular[0] > 0.0 else 0.0
    if not condition > SINGULAR:
        raise GeometryError(
            "The geometry does not determine the parameters.",
            "The control points coincide or lie in one line: add pairs elsewhere, or choose a "
            "model with fewer parameters.",
        )
    return basis, triangle * lengths, condition
