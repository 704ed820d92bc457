"""Which fit pair does not belong, and when that cannot be told.

Pairs are tested one after another: the pair whose removal explains the misfit best is accused
only when no other explains it nearly as well; then it is swept out and the rest is judged again.
"""

from __future__ import annotations

import copy
import math
from typing import Callable, List, Optional, Sequence, Tuple, Union

import numpy as np

from .adjustment import NO_REDUNDANCY, Adjustment
from .products import product
from .quantiles import chi_square_quantile, tau_critical
from .results import CANNOT_TELL, CANNOT_TEST, DOES_NOT_BELONG, FITS, FITS_WITHOUT

#: A pair is accused when it explains the misfit this many times better (likelihood ratio) than
#: any other. Common practice, no source.
EVIDENCE_RATIO = 100.0

Verdict = Tuple[str, Tuple[int, ...]]


#: Solves again without some of the groups; gives the sums of squares without each further one too.
Without = Callable[[Sequence[int]], Tuple[Adjustment, np.ndarray]]


def judge(
    adjustment: Adjustment,
    level: float,
    estimated: bool = False,
    without: Optional[Without] = None,
) -> List[Verdict]:
    """A verdict for each group of an adjustment, with the other groups it speaks of.

    Parameters
    ----------
    level : float
        Of the test of one pair.
    estimated : bool
        Whether the variance factor is unknown, so that tau decides.
    without : function, optional
        Where the model is not linear: a gross blunder turns the solution so far that formulas
        about it would accuse good groups too, so each is left out by solving again.
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
    swept = _ByFormula(adjustment) if without is None else _BySolving(count, without)
    blamed = _sweep(swept, size, level, estimated, verdicts)
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


def _sweep(left: Union[_ByFormula, _BySolving], size, level, estimated, verdicts) -> List[int]:
    """Accuse one group after the other, writing the verdicts; all that were blamed, in order."""
    accused: List[int] = []
    while True:
        tests, testable = left.tests()
        squares, redundancy = left.squares, left.redundancy
        flagged = _exceeds(tests, testable, squares, redundancy, size, level, estimated)
        if not flagged.any():
            return accused
        best = int(np.argmax(np.where(testable, tests, -1.0)))
        rivals = _rivals(tests, testable, best, squares, redundancy, estimated)
        if redundancy <= size or rivals:
            near = np.flatnonzero(flagged & _near(tests, best))
            group = sorted({best, *rivals} | set(near.tolist()))
            group = sorted({*group, *_unexplained(left, group, flagged, size, level, estimated)})
            for i in group:
                verdicts[i] = (CANNOT_TELL, tuple(j for j in group if j != i))
            return accused + group
        verdicts[best] = (DOES_NOT_BELONG, ())
        accused.append(best)
        left.sweep_out(best)


def _unexplained(left, group, flagged, size, level, estimated) -> List[int]:
    """Flagged groups that would not fit with any one of `group` left out."""
    others = [int(i) for i in np.flatnonzero(flagged) if i not in group]
    if not others or left.redundancy <= size:
        return others
    found = set()
    for i in group:
        rest = copy.deepcopy(left)
        rest.sweep_out(i)
        tests, testable = rest.tests()
        again = _exceeds(tests, testable, rest.squares, rest.redundancy, size, level, estimated)
        found |= {j for j in others if again[j] or not testable[j]}
    return sorted(found)


class _ByFormula:
    """What is left of a linear adjustment while groups are swept out of it."""

    def __init__(self, adjustment: Adjustment) -> None:
        self.count, self.size = adjustment.residuals.shape
        basis = adjustment.whitened_basis.reshape(self.count * self.size, -1)
        self._matrix = np.eye(self.count * self.size) - product(basis, basis.T)
        self._residuals = adjustment.whitened_residuals.ravel()
        self._gone: List[int] = []
        self.squares, self.redundancy = adjustment.sum_of_squares, adjustment.redundancy

    def tests(self) -> Tuple[np.ndarray, np.ndarray]:
        """Drop of the sum of squares when each group is left out, and which can be tested."""
        every = np.arange(self.count)
        blocks = self._matrix.reshape(self.count, self.size, self.count, self.size)
        blocks = blocks[every, :, every, :]
        testable = np.linalg.eigvalsh(blocks)[:, 0] > NO_REDUNDANCY
        testable[self._gone] = False
        safe = np.where(testable[:, None, None], blocks, np.eye(self.size))
        split = self._residuals.reshape(self.count, self.size)
        solved = np.linalg.solve(safe, split[:, :, None])[:, :, 0]
        return np.where(testable, np.einsum("mi,mi->m", split, solved), 0.0), testable

    def sweep_out(self, group: int) -> None:
        self.squares -= self.tests()[0][group]
        self.redundancy -= self.size
        self._gone.append(group)
        rows = slice(group * self.size, (group + 1) * self.size)
        gain = product(self._matrix[:, rows], np.linalg.inv(self._matrix[rows, rows]))
        self._residuals = self._residuals - product(gain, self._residuals[rows])
        self._matrix = self._matrix - product(gain, self._matrix[rows, :])


class _BySolving:
    """The same of an adjustment that is not linear."""

    def __init__(self, count: int, without: Without) -> None:
        self._without = without
        self._kept = list(range(count))
        self._gone: List[int] = []
        self._solve()

    def _solve(self) -> None:
        self._left, self._squares_without = self._without(self._gone)
        self.squares, self.redundancy = self._left.sum_of_squares, self._left.redundancy

    def tests(self) -> Tuple[np.ndarray, np.ndarray]:
        """Drop of the sum of squares when each group is left out, and which can be tested."""
        count = len(self._kept) + len(self._gone)
        tests, testable = np.zeros(count), np.zeros(count, dtype=bool)
        testable[self._kept] = self._left.testable == self._left.group_size
        tests[self._kept] = np.maximum(self.squares - self._squares_without, 0.0)
        return np.where(testable, tests, 0.0), testable

    def sweep_out(self, group: int) -> None:
        self._gone.append(group)
        self._kept.remove(group)
        self._solve()


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
