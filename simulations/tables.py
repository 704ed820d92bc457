"""The counts as Markdown tables, and the bars they are held against."""

from __future__ import annotations

from typing import Dict, List, NamedTuple, Sequence, Tuple

import numpy as np

from .counting import Rate, Rates
from .prediction import coverage_after_test, rejection
from .sites import Case

#: Bars: truth in 95 % regions, false alarms at level 0.01, power 0.80.
COVERAGE = (0.94, 0.96)
ALARMS = (0.009, 0.011)
POWER = (0.78, 0.82)
#: A measured share agrees with a predicted one within this many standard errors.
AGREES = 4.0
#: Trials from which a bar is taken by the letter; below, three standard errors are allowed.
ENOUGH = 10000
REGIONS = ("parameters", "tie inside", "tie beyond", "point inside", "point beyond", "fit pair")
UNSCALED = "fit pair, unscaled"
SIDES = ("horizontal", "vertical")
SAID = ("it alone", "it and others", "others", "cannot be told", "cannot be tested", "nothing",
        "refused")
START, END = "<!-- tables: start -->", "<!-- tables: end -->"

Counted = Dict[str, Dict[str, Rates]]


class Missed(NamedTuple):
    """A bar that was not met."""

    where: str
    measured: float
    bar: Tuple[float, float]

    def __str__(self) -> str:
        low, high = self.bar
        return f"{self.where}: {100 * self.measured:.2f} %, bar {100 * low:.4g} to {100 * high:.4g}"


def report(counted: Counted, cases: Dict[str, Sequence[Case]], heading: str
           ) -> Tuple[str, List[Missed]]:
    """All tables that were counted, and the bars not met."""
    parts, missed = [heading], []
    for section, write in (("honest", _honest), ("estimated", _estimated),
                           ("too small", _too_small), ("untellable", _untellable),
                           ("tellable", _tellable), ("repeated", _repeated)):
        if section in counted:
            parts += write(counted[section], cases[section], missed)
    if missed:
        parts.append("**Bars not met** (bold in the tables):\n\n"
                     + "\n".join(f"- {miss}" for miss in missed))
    else:
        parts.append("Every bar is met.")
    return "\n\n".join(parts) + "\n", missed


def put_into(page: str, text: str) -> str:
    """The page with the text between its marks."""
    before, rest = page.split(START)
    return f"{before}{START}\n\n{text}\n{END}{rest.split(END)[1]}"


def redundancy(case: Case, side: str) -> int:
    """Observations and priors less parameters."""
    if side == "vertical":
        return case.marks - {"shift": 1, "plane": 3}[case.vertical_model]
    held = {"translation": 2, "rigid": 3, "similarity": 3, "affine": 6}
    free = case.horizontal_model == "similarity" and case.scale_sigma is None
    return 2 * case.marks - held[case.horizontal_model] - free


def _honest(counted, cases, missed) -> List[str]:
    parts = []
    for side in SIDES:
        parts.append(f"### 1. Truth inside the stated 95 % region: {side}, per cent of "
                     f"{_sites(counted)} sites")
        parts.append(_regions(counted, cases, side, missed, COVERAGE))
    parts.append("### 2. False alarms at level 0.01, and blunders of the minimal detectable bias "
                 "found at power 0.80, per cent")
    parts.append(_tests(counted, cases, missed))
    return parts


def _estimated(counted, cases, missed) -> List[str]:
    parts = []
    for side in SIDES:
        parts.append(f"### 3. Sigmas estimated (only their ratios believed): {side}, per cent of "
                     f"{_sites(counted)} sites")
        parts.append(_regions(counted, cases, side, missed, COVERAGE, but=("fit pair",)))
    parts.append("Tau tests at level 0.01 and power 0.80, per cent:")
    parts.append(_tests(counted, cases, missed))
    return parts


def _regions(counted, cases, side, missed, bar, but=()) -> str:
    head = ["case", "redundancy", "parameters", "each parameter", "tie inside", "tie at twice",
            "point inside", "point at twice", "fit pair", "unscaled", "mean square"]
    rows = []
    for case in cases:
        rates = counted[case.name]
        cells = [_held(rates[f"{side} {name}"], missed, f"{case.name}, {side} {name}",
                       None if name in but else bar) for name in REGIONS]
        each = [_held(rate, missed, f"{case.name}, {name}", bar) for name, rate in rates.items()
                if name.startswith(f"{side} parameter ")]
        cells.append(_held(rates[f"{side} {UNSCALED}"], missed, f"{case.name}, {side} {UNSCALED}",
                           bar))
        square = rates[f"{side} fit pair, mean square"]
        cells.append(f"{square.mean:.3f} ± {square.standard_error:.3f}")
        rows.append([case.name, str(redundancy(case, side)), cells[0], _range(each), *cells[1:]])
    return _table(head, rows)


def _range(cells: List[str]) -> str:
    order = sorted(cells, key=lambda cell: float(cell.strip("*")))
    return order[0] if len(order) == 1 else f"{order[0]} – {order[-1]}"


def _tests(counted, cases, missed) -> str:
    head = ["case", *(f"{side} {name}" for side in SIDES
                      for name in ("fit tests", "fit false alarms", "check false alarms",
                                   "pairs accused", "power", "power as stated"))]
    rows, pooled = [], {}
    for case in cases:
        rates, row = counted[case.name], [case.name]
        for side in SIDES:
            fit = rates[f"{side} alarm fit"]
            pooled.setdefault(f"{side} alarm fit", Rate()).extend(fit)
            pooled.setdefault(f"{side} alarm check", Rate()).extend(rates[f"{side} alarm check"])
            row += [f"{fit.trials:,}", _with_error(fit), _with_error(rates[f"{side} alarm check"]),
                    _percent(rates[f"{side} accused"]),
                    _held(rates[f"{side} power"], missed, f"{case.name}, {side} power", POWER),
                    _percent(rates[f"{side} power as stated"])]
        rows.append(row)
    row = ["all"]
    for side in SIDES:
        fit, check = pooled[f"{side} alarm fit"], pooled[f"{side} alarm check"]
        row += [f"{fit.trials:,}",
                _held(fit, missed, f"{side} false alarms of fit pairs", ALARMS, 3),
                _held(check, missed, f"{side} false alarms of checks", ALARMS, 3), "", "", ""]
    rows.append(row)
    stated = [i for i, name in enumerate(head) if name.endswith("as stated")]
    if all(not row[i].strip("–") for row in rows for i in stated):
        head, *rows = [[cell for i, cell in enumerate(row) if i not in stated]
                       for row in (head, *rows)]
    return _table(head, rows)


def _too_small(counted, cases, missed) -> List[str]:
    rows = []
    for case in cases:
        for side, dimension in zip(SIDES, (2, 1)):
            rates, freedom = counted[case.name], redundancy(case, side)
            rejected = rates[f"{side} rejected"]
            predicted = rejection(freedom, case.noise)
            allowed = AGREES * np.sqrt(predicted * (1.0 - predicted) / rejected.trials)
            inside = rates[f"{side} tie inside"]
            rows.append([
                case.name, side, str(freedom),
                _held(rejected, missed, f"{case.name}, {side} rejected, sigmas too small",
                      (predicted - allowed, predicted + allowed)),
                f"{100 * predicted:.1f}",
                _percent(inside), f"{100 * coverage_after_test(dimension, freedom, 2.0):.1f}",
                _percent(rates[f"{side} tie inside, accepted"]),
                _percent(rates[f"{side} tie inside, rejected"]),
                f"{rates[f'{side} scaled'].mean:.1f}",
                _percent(rates[f"{side} fit pair"]),
            ])
    rows.sort(key=lambda row: (row[1], int(row[2])))
    head = ["case", "part", "redundancy", "rejected", "predicted", "truth in region (tie inside)",
            "predicted", "where not rejected", "where rejected",
            "size of region where rejected, right one = 1", "fit pair"]
    return [f"### 4. True sigmas twice the stated ones: what the chi-square test says and what is "
            f"then stated, per cent of {_sites(counted)} sites", _table(head, rows), *_levels()]


def _levels() -> List[str]:
    """The same by theory, for other levels of the chi-square test."""
    levels = (0.05, 0.01, 0.001)
    rows = [
        [str(freedom), *(f"{100 * rejection(freedom, 2.0, level):.1f} / "
                         f"{100 * coverage_after_test(2, freedom, 2.0, level):.1f} / "
                         f"{100 * coverage_after_test(1, freedom, 2.0, level):.1f}"
                         for level in levels)]
        for freedom in (1, 2, 3, 4, 6, 8, 12, 20, 40)
    ]
    head = ["redundancy", *(f"level {level:g}" for level in levels)]
    return ["Computed, for other levels of the chi-square test: rejected / truth in the horizontal "
            "region / in the vertical interval, per cent, true sigmas twice the stated ones:",
            _table(head, rows)]


def _untellable(counted, cases, missed) -> List[str]:
    rows = []
    for case in cases:
        for side in SIDES:
            found = [rates for name, rates in counted.items() if name.startswith(case.name + " / ")]
            total = {said: sum(rates[f"{side} {said}"].trials for rates in found) for said in SAID}
            sites = sum(total.values())
            accused = sum(total[said] for said in SAID[:3])
            if accused:
                missed.append(Missed(f"{case.name}, {side} accused", accused / sites, (0.0, 0.0)))
            rows.append([case.name, side, f"{sites:,}", f"**{accused}**" if accused else "0",
                         *(f"{total[said]:,}" for said in SAID[3:])])
    head = ["case", "part", "sites", "a pair accused", *(said for said in SAID[3:])]
    return ["### 5. One pair out by 0.03 to 3000 m where pairs cannot be told apart: sites by what "
            "is said", _table(head, rows)]


def _tellable(counted, cases, missed) -> List[str]:
    sizes = sorted({name.split(" / ")[1] for name in counted}, key=float)
    rows = []
    for case in cases:
        for side in SIDES:
            cells = []
            for size in sizes:
                rates = counted[f"{case.name} / {size}"]
                trials = [rates[f"{side} {said}"].trials for said in SAID]
                share = 100.0 / max(sum(trials), 1)
                right, more, wrong, *silent = (share * n for n in trials)
                cells.append(f"{right:.1f} / {more:.1f} / {wrong:.1f} / {sum(silent):.1f}")
            rows.append([case.name, side, *cells])
    head = ["case", "part", *(f"{float(size):g} m" for size in sizes)]
    return ["### 6. One pair out where there is more redundancy: it alone accused / it and others "
            "/ others only / nobody, per cent", _table(head, rows)]


def _repeated(counted, cases, missed) -> List[str]:
    rows = []
    for case in cases:
        rates = counted[case.name]
        bar = COVERAGE if case.believed_correlation is None else None
        for side in SIDES:
            first = counted[cases[0].name][f"{side} sigma"].mean
            rows.append([
                case.name, side, f"{rates[f'{side} sigma'].mean / first:.2f}",
                *(_held(rates[f"{side} {name}"], missed, f"{case.name}, {side} {name}", bar)
                  for name in REGIONS),
                _percent(rates[f"{side} rejected"]), _percent(rates[f"{side} spread alarm"]),
            ])
    head = ["shots at each mark", "part", "stated sigma, one shot = 1", "parameters", "tie inside",
            "tie at twice", "point inside", "point at twice", "fit pair", "chi-square rejects",
            "spread refused"]
    return [f"### 7. Repeated shots (similarity of 5 marks; correlation 0.7 inside a session), per "
            f"cent of {_sites(counted)} sites", _table(head, rows)]


def _held(rate: Rate, missed, where: str, bar, digits: int = 2) -> str:
    """The share in per cent, bold and noted where it misses the bar."""
    if not rate.trials or bar is None:
        return _percent(rate, digits)
    slack = 0.0 if rate.trials >= ENOUGH else 3.0 * rate.standard_error
    if bar[0] - slack <= rate.mean <= bar[1] + slack:
        return _percent(rate, digits)
    missed.append(Missed(where, rate.mean, bar))
    return f"**{_percent(rate, digits)}**"


def _percent(rate: Rate, digits: int = 2) -> str:
    return f"{100.0 * rate.mean:.{digits}f}" if rate.trials else "–"


def _with_error(rate: Rate) -> str:
    if not rate.trials:
        return "–"
    return f"{100.0 * rate.mean:.3f} ± {100.0 * rate.standard_error:.3f}"


def _sites(counted) -> str:
    return f"{max(rate.sites for rates in counted.values() for rate in rates.values()):,}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(line) + " |" for line in lines)
