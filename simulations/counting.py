"""Draw many sites, on several processors, and count: the same seed gives the same counts."""

from __future__ import annotations

import multiprocessing
import sys
from collections import defaultdict
from functools import partial
from typing import Callable, Dict, List, NamedTuple, Sequence, Tuple

import numpy as np

from .studies import Outcomes

#: Sites drawn from one random generator; each such batch has its own seed.
BATCH = 100


class Task(NamedTuple):
    """A study of one site, and how many sites to draw; `study` takes a random generator."""

    name: str
    study: Callable[[np.random.Generator], Outcomes]
    sites: int


class Rate:
    """Share of successes over sites that may hold several trials each."""

    def __init__(self) -> None:
        self._sums: List[float] = []
        self._trials: List[int] = []

    def add(self, values: Sequence[float]) -> None:
        """The outcomes of one site."""
        self._sums.append(float(sum(values)))
        self._trials.append(len(values))

    def extend(self, other: "Rate") -> None:
        self._sums += other._sums
        self._trials += other._trials

    @property
    def sites(self) -> int:
        return len(self._trials)

    @property
    def trials(self) -> int:
        return sum(self._trials)

    @property
    def mean(self) -> float:
        return sum(self._sums) / self.trials if self.trials else float("nan")

    @property
    def standard_error(self) -> float:
        """Of the mean; trials at one site are not taken as independent."""
        if not self.trials:
            return float("nan")
        away = np.array(self._sums) - self.mean * np.array(self._trials)
        return float(np.sqrt(np.sum(away**2)) / self.trials)


Rates = Dict[str, Rate]


def count(tasks: Sequence[Task], seed: int, processes: int = 1) -> Dict[str, Rates]:
    """Run the tasks and count the outcomes of each by name."""
    batches = [
        (task, (seed, number, start), min(BATCH, task.sites - start))
        for number, task in enumerate(tasks)
        for start in range(0, task.sites, BATCH)
    ]
    counted: Dict[str, Rates] = {task.name: defaultdict(Rate) for task in tasks}
    if processes == 1:
        results = map(_batch, batches)
        return _gathered(results, counted, 0)
    with multiprocessing.Pool(processes) as pool:
        return _gathered(pool.imap(_batch, batches), counted, len(batches))


def _batch(batch: Tuple[Task, Tuple[int, ...], int]) -> Tuple[str, Rates]:
    task, seed, sites = batch
    rng = np.random.default_rng(seed)
    rates: Rates = defaultdict(Rate)
    for _ in range(sites):
        for name, values in task.study(rng).items():
            rates[name].add(values)
    return task.name, rates


def _gathered(results, counted: Dict[str, Rates], batches: int) -> Dict[str, Rates]:
    for done, (name, rates) in enumerate(results, start=1):
        for outcome, rate in rates.items():
            counted[name][outcome].extend(rate)
        if batches and done % max(batches // 20, 1) == 0:
            print(f"{100 * done // batches} %", file=sys.stderr, flush=True)
    return counted


def task(name: str, study, case, sites: int, **options) -> Task:
    """A task for one case of a study in `studies`."""
    return Task(name, partial(study, case, **options), sites)
