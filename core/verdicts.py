"""Which fit pair does not belong, and when that cannot be told.

Pairs are tested one after another: the pair whose removal explains the misfit best is accused
only when no other explains it nearly as well; then it is swept out and the rest is judged again.
"""

from __future__ import annotations

import math
from typing import List, Tuple

import numpy as np

from .adjustment import NO_REDUNDANCY, Adjustment
from .quantiles import chi_square_quantile, tau_critical
from .results import CANNOT_TELL, CANNOT_TEST, DOES_NOT_BELONG, FITS, FITS_WITHOUT

#: A pair is accused when it explains the misfit this many times better (likelihood ratio) than
#: any other. Common practice, no source.
EVIDENCE_RATIO = 100.0

Verdict = Tuple[str, Tuple[int, ...]]


def judge(adjustment: Adjustment, level: float, estimated: bool = False) -> List[Verdict]:
    """A verdict for each group of an adjustment, with the other groups it speaks of.

    Parameters
    ----------
    level : float
        Of the test of one pair.
    estimated : bool
        Whether the variance factor is unknown, so that tau decides.
    """
    count, size = adjustment.residuals.shape
    testable = adjustment.testable == size
    if estimated and adjustment.redundancy <= size:
        testable[:] = False  # one pair would take all the redundancy there is to judge it by
    verdicts: List[Verdict] = [(FITS, ()) if ok else (CANNOT_TEST, ()) for ok in testable]
    _tell_half_tested(adjustment, level, estimated, verdicts)
    flagged = _exceeds(
        adjustment.test_values, testable, adjustment.sum_of_squares, adjustment.redundancy, size,
        level, estimated,
    )
    if not flagged.any():
        return verdicts
    first = list(np.flatnonzero(flagged))
    blamed = _sweep(adjustment, level, estimated, verdicts)
    for i in first:
        if verdicts[i][0] == FITS:
            verdicts[i] = (FITS_WITHOUT, tuple(blamed))
    return verdicts


def _tell_half_tested(adjustment: Adjustment, level: float, estimated: bool, verdicts) -> None:
    """Groups the others control in some directions only, such as the two pairs of a rigid tie.

    They can show that something is wrong, never which of them it is.
    """
    half = (adjustment.testable > 0) & (adjustment.testable < adjustment.group_size)
    if estimated:
        wrong = half & (adjustment.tau > adjustment.tau_critical_values(level))
    else:
        wrong = half & (adjustment.test_values > adjustment.critical_values(level))
    group = [int(i) for i in np.flatnonzero(wrong)]
    for i in group:
        verdicts[i] = (CANNOT_TELL, tuple(j for j in group if j != i))


def _sweep(adjustment, level, estimated, verdicts) -> List[int]:
    """Accuse one group after the other, writing the verdicts; all that were blamed, in order."""
    count, size = adjustment.residuals.shape
    basis = adjustment.whitened_basis.reshape(count * size, -1)
    matrix = np.eye(count * size) - basis @ basis.T
    residuals = adjustment.whitened_residuals.ravel().copy()
    squares, redundancy = adjustment.sum_of_squares, adjustment.redundancy
    accused: List[int] = []
    while True:
        tests, testable = _tests(matrix, residuals, count, size)
        testable[accused] = False
        flagged = _exceeds(tests, testable, squares, redundancy, size, level, estimated)
        if not flagged.any():
            return accused
        best = int(np.argmax(np.where(testable, tests, -1.0)))
        rivals = _rivals(tests, testable, best, squares, redundancy, estimated)
        if redundancy <= size or rivals:
            near = np.flatnonzero(flagged & _near(tests, best))
            group = sorted({best, *rivals} | set(near.tolist()))
            for i in group:
                verdicts[i] = (CANNOT_TELL, tuple(j for j in group if j != i))
            return accused + group
        verdicts[best] = (DOES_NOT_BELONG, ())
        accused.append(best)
        squares -= tests[best]
        redundancy -= size
        rows = slice(best * size, (best + 1) * size)
        gain = matrix[:, rows] @ np.linalg.inv(matrix[rows, rows])
        residuals = residuals - gain @ residuals[rows]
        matrix = matrix - gain @ matrix[rows, :]


def _tests(matrix, residuals, count, size):
    blocks = matrix.reshape(count, size, count, size)[np.arange(count), :, np.arange(count), :]
    testable = np.linalg.eigvalsh(blocks)[:, 0] > NO_REDUNDANCY
    safe = np.where(testable[:, None, None], blocks, np.eye(size))
    split = residuals.reshape(count, size)
    tests = np.einsum("mi,mi->m", split, np.linalg.solve(safe, split[:, :, None])[:, :, 0])
    return np.where(testable, tests, 0.0), testable


def _exceeds(tests, testable, squares, redundancy, size, level, estimated):
    if redundancy <= 0:
        return np.zeros(len(tests), dtype=bool)
    if estimated:
        if redundancy <= size or squares <= 0.0:
            return np.zeros(len(tests), dtype=bool)
        limit = tau_critical(level, redundancy, size) ** 2 * squares / redundancy
    else:
        limit = chi_square_quantile(1.0 - level, size)
    return testable & (tests > limit)


def _near(tests, best):
    return tests >= tests[best] - 1e-6 * max(tests[best], 1.0)


def _rivals(tests, testable, best, squares, redundancy, estimated) -> List[int]:
    """Groups that explain the misfit nearly as well as the best one."""
    margin = 2.0 * math.log(EVIDENCE_RATIO)
    if estimated:
        floor = 1e-12 * max(squares, 1e-300)
        left = np.maximum(squares - tests, floor)
        behind = redundancy * np.log(left / left[best])
    else:
        behind = tests[best] - tests
    close = testable & (behind < margin)
    close[best] = False
    return np.flatnonzero(close).tolist()
