"""How often geometry alone pairs rightly, what it says when it does not, and how long it takes.

    .venv/bin/python benchmarks/pairing.py --layouts 1000 --seed 1

Sites have 6 to 60 marks on each side, 40 % of them without a partner, 10 mm to 1 m noise, on even
ground, in a corridor or in clusters, 400 m to 3 km long. A pairing is right when no pair is wrong
and at least three quarters of the true ones are there. A stranger that by chance lies as near to a
control point as a partner would cannot be told from one; such a pair is counted as a chance
meeting. Seconds are those of the processor.
"""

from __future__ import annotations

import argparse
import collections
import sys
import time
from typing import List, NamedTuple, Sequence

import numpy as np

from sitetie.core.pairing import GeometryPairing, pair_by_geometry
from sitetie.tests.core.pairing_sites import SHAPES, PairingSite, random_site, symmetric_layouts

#: Bars: share right, and seconds for 500 by 500 points.
RIGHT, SECONDS = 0.99, 1.0
#: Share of the true pairs that a right answer has at least.
MOST_OF = 0.75
#: A stranger is a chance meeting within this many standard deviations.
CHANCE = 5.0
#: Classes of the stated confidence.
CLASSES = (0.0, 0.5, 0.9, 0.99, 0.999, 0.99999, 1.0)


class Outcome(NamedTuple):
    """An answer judged: ``all``, ``most`` or ``few`` of the true pairs and no other; ``chance`` (a
    chance meeting among most of the true ones), ``wrong``, ``ambiguous``, ``none``."""

    verdict: str
    confidence: float
    marks: int
    noise: float
    seconds: float


def judge(site: PairingSite, found: GeometryPairing) -> str:
    """Compare an answer with the truth."""
    if found.ambiguous:
        return "ambiguous"
    if not len(found.pairs):
        return "none"
    truth = set(map(tuple, site.pairs.tolist()))
    said = set(map(tuple, found.pairs.tolist()))
    wrong = said - truth
    if len(said & truth) < MOST_OF * len(truth):
        return "wrong" if wrong else "few"
    if wrong:
        placed = found.transform.apply(site.observed)
        apart = [np.hypot(*(site.control[c] - placed[o])) for c, o in wrong]
        return "chance" if max(apart) <= CHANCE * site.noise else "wrong"
    return "all" if said == truth else "most"


def run(layouts: int, seed: int, shapes: Sequence[str]) -> List[Outcome]:
    """Pair random sites."""
    outcomes = []
    for number in range(layouts):
        rng = np.random.default_rng([seed, number])
        site = random_site(rng, shape=shapes[number % len(shapes)])
        started = time.process_time()
        found = pair_by_geometry(site.control, site.observed)
        seconds = time.process_time() - started
        outcomes.append(Outcome(judge(site, found), found.confidence, len(site.control),
                                site.noise, seconds))
    return outcomes


def table(title: str, groups: "dict[str, List[Outcome]]") -> None:
    """Print counts of verdicts, a line for each group."""
    kinds = ("all", "most", "few", "chance", "wrong", "ambiguous", "none")
    print(f"{title:<18}{'sites':>7}" + "".join(f"{kind:>10}" for kind in kinds) + f"{'right':>9}")
    for name, outcomes in groups.items():
        counts = collections.Counter(outcome.verdict for outcome in outcomes)
        right = (counts["all"] + counts["most"]) / max(1, len(outcomes))
        print(f"{name:<18}{len(outcomes):>7}" + "".join(f"{counts[kind]:>10}" for kind in kinds)
              + f"{100.0 * right:>8.2f}%")


def calibration(outcomes: Sequence[Outcome]) -> None:
    """Print how often answers of each class of confidence are right."""
    print(f"{'confidence':<22}{'answers':>8}{'wrong':>8}{'chance meetings':>17}")
    for low, high in zip(CLASSES[:-1], CLASSES[1:]):
        some = [each for each in outcomes if low < each.confidence <= high
                and each.verdict not in ("ambiguous", "none")]
        wrong = sum(each.verdict == "wrong" for each in some)
        chance = sum(each.verdict == "chance" for each in some)
        print(f"{low:g} to {high:g}".ljust(22) + f"{len(some):>8}{wrong:>8}{chance:>17}")


def symmetric(seed: int, times: int) -> int:
    """Pair layouts with symmetry at several noises; how many were not called ambiguous."""
    missed = 0
    for name, (marks, turns) in symmetric_layouts().items():
        said: collections.Counter = collections.Counter()
        for number in range(times):
            rng = np.random.default_rng([seed, number])
            observed = marks[rng.permutation(len(marks))] + rng.normal(
                0.0, (0.0, 0.01, 0.05, 0.3)[number % 4], marks.shape)
            found = pair_by_geometry(marks, observed + (5000.0, 100.0))
            said["ambiguous" if found.ambiguous
                 else "a pairing" if len(found.pairs) else "none"] += 1
        missed += times - said["ambiguous"]
        print(f"{name:<26}{turns} ways   {dict(said)}")
    return missed


def long_lists(seed: int, times: int) -> float:
    """Seconds for 500 by 500 points, the longest."""
    longest = 0.0
    for number in range(times):
        rng = np.random.default_rng([seed, 500, number])
        site = random_site(rng, marks=500, extent=1500.0, shape="even",
                           noise=(0.01, 0.1, 1.0)[number % 3])
        started = time.process_time()
        found = pair_by_geometry(site.control, site.observed)
        seconds = time.process_time() - started
        longest = max(longest, seconds)
        print(f"500 by 500, noise {site.noise:5.2f} m: {seconds:.2f} s, {judge(site, found)}, "
              f"{len(found.pairs)} of {len(site.pairs)} pairs")
    return longest


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--layouts", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    outcomes = run(options.layouts, options.seed, SHAPES)
    groups = {shape: outcomes[place::len(SHAPES)] for place, shape in enumerate(SHAPES)}
    for low, high in ((6, 8), (9, 20), (21, 60)):
        groups[f"{low} to {high} marks"] = [o for o in outcomes if low <= o.marks <= high]
    for low, high in ((0.01, 0.05), (0.05, 0.25), (0.25, 1.0)):
        groups[f"{low:g} to {high:g} m"] = [o for o in outcomes if low <= o.noise < high]
    groups["all sites"] = outcomes
    table("", groups)
    print()
    calibration(outcomes)
    times = sorted(outcome.seconds for outcome in outcomes)
    print(f"\nseconds per site: median {times[len(times) // 2]:.2f}, longest {times[-1]:.2f}\n")
    missed = symmetric(options.seed, max(4, options.layouts // 50))
    print()
    seconds = long_lists(options.seed, 3)
    counts = collections.Counter(outcome.verdict for outcome in outcomes)
    right = (counts["all"] + counts["most"]) / len(outcomes)
    passed = right >= RIGHT and counts["wrong"] == 0 and missed == 0 and seconds < SECONDS
    print(f"\nright {100.0 * right:.2f} % (bar {100.0 * RIGHT:g} %); right but for a "
          f"chance meeting {counts['chance']}; wrong {counts['wrong']} (bar 0); symmetric missed "
          f"{missed} (bar 0); 500 by 500 in {seconds:.2f} s (bar {SECONDS:g} s): "
          f"{'passed' if passed else 'FAILED'}")
    return 0 if passed else 1


if __name__ == "__main__":
    sys.exit(main())
