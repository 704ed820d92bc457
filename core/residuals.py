"""Residuals, tests and statistics of a solution, in site units: solved minus given."""

from __future__ import annotations

from math import isfinite
from typing import Iterator, List, NamedTuple, Optional, Sequence, Tuple, Union

import numpy as np

from .horizontal import HorizontalFit, HorizontalPart
from .marks import Mark, PairArrays
from .pairs import Pair, Role
from .products import product
from .quantiles import chi_square_p_value, chi_square_quantile, f_quantile
from .results import (
    AGREES,
    CANNOT_TEST,
    CONSISTENT,
    DISAGREES,
    LARGER,
    SMALLER,
    UNCHECKED,
    ComponentResult,
    Matrix3,
    PartStatistics,
    RepeatSpread,
    TieStatistics,
)
from .settings import Settings
from .verdicts import judge
from .vertical import VerticalFit, VerticalPart

Fit = Union[HorizontalFit, VerticalFit]
Part = Union[HorizontalPart, VerticalPart]


def component_results(
    pairs: Sequence[Pair],
    side: str,
    fit: Fit,
    checks: Sequence[Mark],
    arrays: PairArrays,
    settings: Settings,
) -> List[ComponentResult]:
    """The horizontal or vertical side of every pair."""
    rows = own_fields(pairs, side, fit.part, arrays, settings)
    for i, fields in _fit_fields(fit, settings, _unit(side, settings)):
        rows[i].update(fields)
    factor, freedom = 1.0, None
    if settings.sigma_basis == "estimated":
        factor, freedom = applied_factor(fit.adjustment, settings)
    known = fit.adjustment.cofactor
    for i, fields in check_fields(side, fit.part, known, checks, arrays, settings, factor, freedom):
        rows[i].update(fields)
    return [ComponentResult(**fields) for fields in rows]


def own_fields(
    pairs: Sequence[Pair], side: str, part: Part, arrays: PairArrays, settings: Settings
) -> List[dict]:
    """Role, residual (solved minus given) and tolerance of each pair's own observation."""
    if isinstance(part, HorizontalPart):
        own = part.apply(arrays.base) - arrays.control
        tolerance = settings.tolerance_h
    else:
        solved = arrays.height - arrays.undulation + part.correction(arrays.base)
        own = (solved - arrays.elevation)[:, None]
        tolerance = settings.tolerance_v
    own = own / _unit(side, settings)
    fields = []
    sizes = np.hypot.reduce(own, axis=1).tolist()
    words = {role: role.value for role in Role}
    for pair, size, values in zip(pairs, sizes, own.tolist()):
        residual = _all_finite(values)
        role = getattr(pair, side)
        within = None
        if residual is not None and tolerance is not None and role is not Role.IDLE:
            within = size <= tolerance
        fields.append({"role": words[role], "residual": residual, "within_tolerance": within})
    return fields


def _fit_fields(fit: Fit, settings: Settings, unit: float):
    adjustment, level = fit.adjustment, settings.test_level
    estimated = settings.sigma_basis == "estimated"
    verdicts = judge(adjustment, level, estimated, fit.without)
    if estimated:
        tests, limits = adjustment.tau, adjustment.tau_critical_values(level)
    else:
        tests = np.sqrt(adjustment.test_values)
        limits = np.sqrt(adjustment.critical_values(level))
    biases = adjustment.minimal_detectable_bias(level, settings.power, estimated)
    effects = _largest_effects(adjustment, biases) / unit
    part_scaling, scalings = applied_factor(adjustment, settings), own_factors(fit, settings)
    columns = _FitColumns(
        deleted=(fit.deleted_residuals / unit).tolist(), test=tests.tolist(),
        critical=limits.tolist(), redundancy=adjustment.redundancy_numbers.tolist(),
        detectable=(np.hypot.reduce(biases, axis=1) / unit).tolist(),
        bearing=np.degrees(np.arctan2(biases[:, 0], biases[:, -1]) % np.pi).tolist(),
        effect=effects.tolist(),
    )
    for k, mark in enumerate(fit.marks):
        code, others = verdicts[k]
        tested = isfinite(columns.critical[k]) and isfinite(columns.test[k])
        fields = {
            "deleted": _all_finite(columns.deleted[k]),
            "test": columns.test[k] if tested else None,
            "critical": columns.critical[k] if tested else None,
            "redundancy": columns.redundancy[k],
            "verdict": code,
            "verdict_with": tuple(fit.marks[j].control_id for j in others),
        }
        if isfinite(columns.detectable[k]):
            fields["detectable"] = columns.detectable[k]
            fields["effect"] = columns.effect[k]
            if adjustment.group_size == 2:
                fields["detectable_bearing"] = columns.bearing[k]
        if scalings[k] != part_scaling:
            fields["own_factor"], fields["own_redundancy"] = scalings[k]
        for row in mark.rows:
            yield row, fields


class _FitColumns(NamedTuple):
    """Columns of a fit as plain lists: reading numbers one by one out of arrays is slow."""

    deleted: list
    test: list
    critical: list
    redundancy: list
    detectable: list
    bearing: list
    effect: list


def _largest_effects(adjustment, biases: np.ndarray) -> np.ndarray:
    """(m,) most that a bias in each group moves the solved position of any fit group, metres."""
    usable = np.isfinite(biases).all(axis=1)
    biases = np.where(usable[:, None], biases, 0.0)
    whitened = product(adjustment.whitening_inverse, biases[..., None])
    basis = adjustment.whitened_basis
    projected = product(np.swapaxes(basis, 1, 2), whitened)[:, :, 0]
    rows = product(adjustment.whitening, basis)
    moved = np.einsum("kdu,mu->mkd", rows, projected)
    return np.sqrt((moved**2).sum(axis=2).max(axis=1))


def check_fields(
    side: str,
    part: Part,
    cofactor: np.ndarray,
    checks: Sequence[Mark],
    arrays: PairArrays,
    settings: Settings,
    factor: float = 1.0,
    freedom: Optional[int] = None,
) -> Iterator[Tuple[int, dict]]:
    """Tests of check marks against a part they took no part in: row and fields of each.

    The stated sigmas decide, even where the fit contradicts them: a misfit of the fit pairs must
    not excuse that of a check.

    Parameters
    ----------
    cofactor : (u, u) array
        Covariance of the part's parameters, metres; NaN where it is unknown: then nothing is
        tested.
    factor, freedom : float, int or None
        Of `applied_factor`, where the sigmas are to be estimated.
    """
    size = 2 if side == "horizontal" else 1
    unknown = not np.isfinite(cofactor).all()
    for mark in checks:
        if unknown or factor == 0.0:  # 0: to be estimated, and not a trace of error to do it from
            for i in mark.rows:
                yield i, {"verdict": CANNOT_TEST}
            continue
        row = mark.rows[0]
        if isinstance(part, HorizontalPart):
            base = mark.mean[None, :]
            solved = part.apply(base)[0]
            matrix = np.array(part.matrix)
            noise = product(matrix, mark.covariance, matrix.T) + arrays.control_covariance[row]
            given = arrays.control[row]
        else:
            base = mark.weighted(arrays.base)[None, :]
            solved = mark.mean + part.correction(base)
            noise = mark.covariance + arrays.elevation_variance[row]
            given = arrays.elevation[[row]]
        design = part.design(base)[0]
        covariance = factor * (noise + product(design, cofactor, design.T))
        difference = solved - given
        test = float(np.sqrt(product(difference, np.linalg.solve(covariance, difference))))
        level = 1.0 - settings.test_level
        if freedom is None:
            critical = np.sqrt(chi_square_quantile(level, size))
        else:
            critical = np.sqrt(size * f_quantile(level, size, freedom))
        fields = {"test": test, "critical": float(critical),
                  "verdict": AGREES if test <= critical else DISAGREES}
        for i in mark.rows:
            yield i, fields


def applied_factor(adjustment, settings: Settings) -> Tuple[float, Optional[int]]:
    """Variance factor for covariances and the redundancy behind their regions.

    1 and None (normal quantiles) unless the chi-square test rejects, or the settings say that
    only the ratios of the sigmas are believed.
    """
    return _scaling(adjustment.sum_of_squares, adjustment.redundancy, settings)


def own_factors(fit: Fit, settings: Settings) -> List[Tuple[float, Optional[int]]]:
    """The same for the restated positions of the fit marks, from the solution without each.

    The error of a fit mark shows in its residual. Scaled by a test that sees this residual, its
    region would hold the truth too often, up to 98 times of 100 where little is redundant; the
    misfit of the others is independent of it. Where sigmas are to be estimated and the others
    leave nothing to do it from, the part's own estimate serves.
    """
    adjustment = fit.adjustment
    left = np.maximum(adjustment.sum_of_squares - adjustment.test_values, 0.0).tolist()
    redundancy = (adjustment.redundancy - adjustment.testable).tolist()
    whole = applied_factor(adjustment, settings)
    estimated = settings.sigma_basis == "estimated"
    return [whole if estimated and freedom <= 0 else _scaling(squares, freedom, settings)
            for squares, freedom in zip(left, redundancy)]


def _scaling(squares: float, redundancy: int, settings: Settings) -> Tuple[float, Optional[int]]:
    if redundancy <= 0:
        return 1.0, None
    factor = squares / redundancy
    rejected = chi_square_p_value(squares, redundancy) < 1.0 - settings.confidence
    if settings.sigma_basis == "estimated" or rejected:
        return factor, redundancy
    return 1.0, None


def part_statistics(
    pairs: Sequence[Pair],
    side: str,
    fit: Fit,
    results: Sequence[ComponentResult],
    settings: Settings,
) -> PartStatistics:
    """Sum up one part."""
    adjustment = fit.adjustment
    factor, freedom = applied_factor(adjustment, settings)
    fitted, checked = (np.array([r.size for r in results if r.role == role])
                       for role in (Role.FIT.value, Role.CHECK.value))
    redundant = adjustment.redundancy > 0
    return PartStatistics(
        fit_pairs=len(fitted),
        fit_marks=len(fit.marks),
        check_pairs=len(checked),
        parameters=len(adjustment.parameters),
        redundancy=adjustment.redundancy,
        sum_of_squares=adjustment.sum_of_squares if redundant else 0.0,
        variance_factor=adjustment.variance_factor,
        p_value=adjustment.p_value,
        outcome=_outcome(adjustment, settings),
        applied_factor=float(factor),
        region_redundancy=freedom,
        rms=float(np.sqrt(np.mean(fitted**2))) if redundant else None,
        check_rms=float(np.sqrt(np.mean(checked**2))) if len(checked) else None,
        largest=float(fitted.max()) if redundant else None,
        reciprocal_condition=adjustment.reciprocal_condition,
        assumed_sigmas=any(_assumed(p, side) for p in pairs if getattr(p, side) is Role.FIT),
    )


def _outcome(adjustment, settings: Settings) -> str:
    if adjustment.redundancy <= 0:
        return UNCHECKED
    level = 1.0 - settings.confidence
    if adjustment.p_value < level:
        return LARGER
    return SMALLER if adjustment.p_value > 1.0 - level else CONSISTENT


def _assumed(pair: Pair, side: str) -> bool:
    control, observation = pair.control, pair.observation
    if side == "horizontal":
        return control.sigma_h is None or observation.sigma_e is None
    return control.sigma_v is None or observation.sigma_u is None


def pair_covariances(
    pairs: Sequence[Pair],
    arrays: PairArrays,
    settings: Settings,
    base,
    horizontal: HorizontalFit,
    vertical: Optional[VerticalFit],
    statistics: TieStatistics,
    sides: Sequence[Sequence[ComponentResult]],
) -> List[Optional[Matrix3]]:
    """Covariance of the restated position of each pair's own observation, site units squared.

    A fit pair's noise is already inside the solution, so its covariance with the parameters is
    taken off. None for an idle pair that no plane reaches.

    Parameters
    ----------
    sides : the horizontal and the vertical side of every pair
    """
    count = len(pairs)
    joint = np.full((count, 3, 3), np.nan)
    joint[:, :2, 2] = joint[:, 2, :2] = 0.0
    matrix = np.array(horizontal.part.matrix)
    own = product(matrix, arrays.base_covariance, matrix.T)
    joint[:, :2, :2] = _restated(horizontal, arrays.base, own, matrix)
    if statistics.horizontal is not None:
        joint[:, :2, :2] *= _factors(sides[0], statistics.horizontal)[:, None, None]
    if vertical is not None and statistics.vertical is not None:
        own = arrays.height_variance[:, None, None]
        joint[:, 2:, 2:] = _restated(vertical, arrays.base, own, np.eye(1))
        joint[:, 2, 2] *= _factors(sides[1], statistics.vertical)
    h, v = settings.site_length.metres, settings.elevation_length.metres
    joint /= np.outer([h, h, v], [h, h, v])
    if vertical is None:
        joint[:, 2, 2] = 0.0
    known = np.isfinite(joint).all(axis=(1, 2))
    return [tuple(map(tuple, block)) if ok else None
            for ok, block in zip(known, joint.tolist())]


def _factors(results: Sequence[ComponentResult], part: PartStatistics) -> np.ndarray:
    return np.array([part.applied_factor if result.own_factor is None else result.own_factor
                     for result in results])


def _restated(fit: Fit, base, own, matrix) -> np.ndarray:
    design = fit.part.design(base)
    covariance = own + product(design, fit.adjustment.cofactor, np.swapaxes(design, 1, 2))
    rows = [row for mark in fit.marks for row in mark.rows]
    which = [k for k, mark in enumerate(fit.marks) for _ in mark.rows]
    shared = np.concatenate([mark.row_covariances for mark in fit.marks])
    noise = product(matrix, shared, matrix.T)
    cross = product(design[rows], fit.adjustment.gain[which], np.swapaxes(noise, 1, 2))
    covariance[rows] -= cross + np.swapaxes(cross, 1, 2)
    return covariance


def repeat_spreads(
    pairs: Sequence[Pair],
    horizontal: HorizontalFit,
    vertical: Optional[VerticalFit],
    arrays: PairArrays,
    settings: Settings,
) -> Tuple[RepeatSpread, ...]:
    """How well repeated observations of one mark agree, for the fit marks."""
    spreads = []
    for side, fit in (("horizontal", horizontal), ("vertical", vertical)):
        if fit is None:
            continue
        heights = (arrays.height - arrays.undulation)[:, None]
        values = arrays.base if side == "horizontal" else heights
        for mark in fit.marks:
            if mark.spread_p_value is None:
                continue
            away = np.linalg.norm(values[list(mark.rows)] - mark.mean, axis=1).max()
            spreads.append(RepeatSpread(
                control_id=mark.control_id, component=side, shots=len(mark.rows),
                sessions=len({pairs[row].observation.session for row in mark.rows}),
                largest=float(away / _unit(side, settings)),
                p_value=float(mark.spread_p_value),
                accepted=bool(mark.spread_p_value >= settings.test_level),
            ))
    return tuple(spreads)


def _unit(side: str, settings: Settings) -> float:
    unit = settings.site_length if side == "horizontal" else settings.elevation_length
    return unit.metres


def _all_finite(values: list) -> Optional[Tuple[float, ...]]:
    return tuple(values) if all(map(isfinite, values)) else None
