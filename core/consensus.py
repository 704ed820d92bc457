"""The largest set of pairs that agree with one another, when several may be wrong.

Every smallest set that determines the model proposes a solution; the pairs that agree with it
within their uncertainty are its followers. The best proposals are solved properly, followers are
added and dropped until nothing changes, and the largest set wins. Two sets of one size are said
to be rivals.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb
from typing import Callable, Dict, FrozenSet, Optional, Set, Tuple

import numpy as np

from .errors import GeometryError
from .quantiles import chi_square_quantile

#: Smallest sets tried at most, and fewer where there are many pairs to look at for each: beyond,
#: a sample of them. With a third of the pairs wrong, 8 of 27 sets of three are good.
MOST_PROPOSALS = 3000
FEWEST_PROPOSALS = 300
MOST_FOLLOWED = 200_000
#: Proposals that are solved properly.
MOST_SOLVED = 12
#: Members are dropped together with the worst when their chi-square is at least this part of it:
#: half the misfit. A single blunder smears less over the others.
DROPPED_WITH = 2.0


@dataclass(frozen=True)
class Consensus:
    """A set of pairs that agree.

    Attributes
    ----------
    members : frozenset of int
        Indices of the agreeing pairs.
    tests : (n,) array
        Chi-square of each pair against the solution of the members (for a member: with itself
        left out where that is possible).
    differences : (n, d) array
        Solved minus given of each pair, by that solution, metres.
    covariances : (n, d, d) array
        Of these differences.
    rivals : tuple of frozenset of int
        Other sets of the same size that agree as well.
    solution
        What `solve_subset` returned for the members.
    """

    members: FrozenSet[int]
    tests: np.ndarray
    differences: np.ndarray
    covariances: np.ndarray
    rivals: Tuple[FrozenSet[int], ...]
    solution: object


#: Solves a subset: gives the solution, and for all pairs difference, covariance, and the
#: members' own tests with the member left out.
SubsetSolver = Callable[[Tuple[int, ...]], Tuple[object, np.ndarray, np.ndarray, np.ndarray]]


def plane_followers(
    base: np.ndarray, site: np.ndarray, variance: np.ndarray, size: int, limit: float
) -> Tuple[np.ndarray, np.ndarray]:
    """Smallest sets of a horizontal model and who follows each.

    Parameters
    ----------
    base, site : (n, 2) arrays, metres
    variance : (n,) array
        Of a pair along one axis.
    size : int
        1 translation, 2 similarity or rigid, 3 affine.
    limit : float
        Chi-square limit of agreement, two dimensions.

    Returns
    -------
    (k, size) indices and (k, n) whether each pair follows.
    """
    sets = _smallest_sets(len(base), size)
    p, z = base @ np.array([1.0, 1j]), site @ np.array([1.0, 1j])
    first = sets[:, 0]
    if size == 1:
        shares = np.ones((len(sets), len(base), 1))
        predicted = p[None, :] + (z - p)[first][:, None]
    elif size == 2:
        second = sets[:, 1]
        with np.errstate(divide="ignore", invalid="ignore"):
            u = (p[None, :] - p[first][:, None]) / (p[second] - p[first])[:, None]
        shares = np.abs(np.stack([1.0 - u, u], axis=2))
        predicted = z[first][:, None] * (1.0 - u) + z[second][:, None] * u
    else:
        shares, predicted = _barycentric(base, z, sets)
    spread = variance[None, :] + (shares**2 * variance[sets][:, None, :]).sum(axis=2)
    with np.errstate(invalid="ignore"):
        test = np.abs(predicted - z[None, :]) ** 2 / spread
    return sets, _with_themselves(np.nan_to_num(test, nan=np.inf) <= limit, sets)


def height_followers(
    base: np.ndarray, offset: np.ndarray, variance: np.ndarray, size: int, limit: float
) -> Tuple[np.ndarray, np.ndarray]:
    """As `plane_followers` for a vertical shift (1) or plane (3); `offset` (n,) metres."""
    sets = _smallest_sets(len(base), size)
    if size == 1:
        shares = np.ones((len(sets), len(base), 1))
        predicted = np.broadcast_to(offset[sets[:, 0]][:, None], shares.shape[:2])
    else:
        shares, predicted = _barycentric(base, offset, sets)
    spread = variance[None, :] + (shares**2 * variance[sets][:, None, :]).sum(axis=2)
    with np.errstate(invalid="ignore"):
        test = (predicted - offset[None, :]) ** 2 / spread
    return sets, _with_themselves(np.nan_to_num(test, nan=np.inf) <= limit, sets)


def find_consensus(
    count: int,
    proposals: Tuple[np.ndarray, np.ndarray],
    solve_subset: SubsetSolver,
    dimension: int,
    level: float,
) -> Optional[Consensus]:
    """The largest agreeing set among `count` pairs, None when no set can be solved.

    Parameters
    ----------
    proposals
        Smallest sets and their followers.
    level : float
        Probability of taking a good pair for a wrong one.
    """
    limit = chi_square_quantile(1.0 - level, dimension)
    _, followers = proposals
    order = np.argsort(-followers.sum(axis=1), kind="stable")
    seen: Set[FrozenSet[int]] = set()
    settled: Dict[FrozenSet[int], Tuple] = {}
    for k in order:
        members = frozenset(np.flatnonzero(followers[k]).tolist())
        if members in seen or any(members <= known for known in settled):
            continue
        seen.add(members)
        found = _settle(members, solve_subset, limit)
        if found is not None:
            settled.setdefault(frozenset(found[0]), found)
        if len(seen) >= MOST_SOLVED:
            break
    if not settled:
        return None
    most = max(len(members) for members in settled)
    best = sorted((members for members in settled if len(members) == most),
                  key=lambda members: _misfit(settled[members]))
    members = best[0]
    _, solution, differences, covariances, tests = settled[members]
    return Consensus(members, tests, differences, covariances, tuple(best[1:]), solution)


def _settle(start, solve_subset: SubsetSolver, limit: float):
    """Solve, drop the worst members or take in outsiders, until nothing changes.

    At first all that fit are taken in at once; a set that has been before is entered again one
    pair at a time.
    """
    members, been = frozenset(start), set()
    for _ in range(3 * len(start) + 20):
        try:
            solution, differences, covariances, own = solve_subset(tuple(sorted(members)))
        except GeometryError:
            return None
        tests = np.einsum("ni,ni->n", differences,
                          np.linalg.solve(covariances, differences[:, :, None])[:, :, 0])
        inside = sorted(members)
        tests[inside] = np.nan_to_num(own)  # no number where a member cannot be tested
        gentle = members in been
        been.add(members)
        worst = float(tests[inside].max())
        if worst > limit:
            bound = worst if gentle else max(limit, worst / DROPPED_WITH)
            members -= {i for i in inside if tests[i] >= bound}
            continue
        outside = [i for i in np.flatnonzero(tests <= limit).tolist() if i not in members]
        if not outside:
            return tuple(inside), solution, differences, covariances, tests
        members |= {min(outside, key=lambda i: tests[i])} if gentle else set(outside)
    return None


def _misfit(found) -> float:
    members, tests = found[0], found[4]
    return float(tests[list(members)].sum())


def _smallest_sets(count: int, size: int) -> np.ndarray:
    """(k, size) all smallest sets, or a sample of them that is the same in every run."""
    most = min(MOST_PROPOSALS, max(FEWEST_PROPOSALS, MOST_FOLLOWED // max(count, 1)))
    if comb(count, size) <= most:
        return np.array(list(combinations(range(count), size)), dtype=int).reshape(-1, size)
    sets = np.sort(np.random.default_rng(count).integers(0, count, (2 * most, size)), axis=1)
    apart = (np.diff(sets, axis=1) > 0).all(axis=1)
    return np.unique(sets[apart][:most], axis=0)


def _barycentric(base, values, sets):
    corners = np.concatenate([base[sets], np.ones(sets.shape + (1,))], axis=2)
    points = np.hstack([base, np.ones((len(base), 1))])
    with np.errstate(all="ignore"):
        flat = np.abs(np.linalg.det(corners)) < 1e-6
        corners[flat] = np.nan_to_num(np.eye(3))
        shares = points[None, :, :] @ np.linalg.inv(corners)
    shares[flat] = np.nan
    predicted = (shares * values[sets][:, None, :]).sum(axis=2)
    return np.abs(shares), predicted


def _with_themselves(follows: np.ndarray, sets: np.ndarray) -> np.ndarray:
    np.put_along_axis(follows, sets, True, axis=1)
    return follows
