"""What a check against the outside is: a published figure, its source, and what we make of it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Callable, List, NamedTuple, Sequence, Tuple, Union

import numpy as np

EPSG = "IOGP EPSG Dataset v12.057"
Numbers = Union[float, Sequence[float]]


@dataclass(frozen=True)
class Check:
    """One published result of one or more figures.

    Attributes
    ----------
    name, source : str
    expected, tolerance : tuples of float
        One of each for every figure. A tolerance is half a unit of the last digit the source
        prints; where it is not, `reason` says why.
    compute : callable
        Gives as many figures, through the project's own public functions.
    reason : str
        Why the tolerance is not the source's own precision, or what is wrong in the source.
    """

    name: str
    source: str
    expected: Tuple[float, ...]
    tolerance: Tuple[float, ...]
    compute: Callable[[], Numbers]
    reason: str = ""

    def got(self) -> Tuple[float, ...]:
        """What we get."""
        return tuple(np.atleast_1d(np.asarray(self.compute(), dtype=float)).ravel().tolist())


class Outcome(NamedTuple):
    """A check and what came of it; `worst` is the place of the figure nearest its tolerance."""

    check: Check
    got: Tuple[float, ...]
    worst: int

    @property
    def deviation(self) -> float:
        return self.got[self.worst] - self.check.expected[self.worst]

    @property
    def tolerance(self) -> float:
        return self.check.tolerance[self.worst]

    @property
    def met(self) -> bool:
        return all(abs(value - expected) <= tolerance for value, expected, tolerance
                   in zip(self.got, self.check.expected, self.check.tolerance))


class CheckList(List[Check]):
    """The checks of one subject, filled by its decorator."""

    def __init__(self, subject: str) -> None:
        super().__init__()
        self.subject = subject

    def __call__(self, name: str, source: str, expected: Numbers, tolerance: Numbers,
                 reason: str = ""):
        """Register the function below as what we make of a published result."""
        figures = tuple(np.atleast_1d(np.asarray(expected, dtype=float)).tolist())
        tolerances = tuple(np.broadcast_to(np.asarray(tolerance, dtype=float),
                                           len(figures)).tolist())

        def register(compute):
            self.append(Check(name, source, figures, tolerances, compute, reason))
            return compute

        return register


def outcome(check: Check) -> Outcome:
    """Compute a check."""
    got = check.got()
    if len(got) != len(check.expected):
        raise ValueError(f"{check.name}: {len(got)} figures instead of {len(check.expected)}")
    shares = [abs(value - expected) / tolerance if tolerance else
              (0.0 if value == expected else math.inf)
              for value, expected, tolerance in zip(got, check.expected, check.tolerance)]
    return Outcome(check, got, int(np.argmax(shares)))


def dms(degrees: Union[float, str], minutes: float = 0.0, seconds: float = 0.0) -> float:
    """Degrees; a degree written as text keeps the sign of -0."""
    sign = -1.0 if str(degrees).startswith("-") else 1.0
    return sign * (abs(float(degrees)) + minutes / 60.0 + seconds / 3600.0)
