"""Prints every check against a published figure: source, expected, got, deviation, tolerance.

    .venv/bin/python tests/how_we_know.py                 for reading
    .venv/bin/python tests/how_we_know.py --markdown      the same as tables
    .venv/bin/python tests/how_we_know.py --write         renews the tables in docs/how_we_know.md
"""

from __future__ import annotations

import math
import sys
from pathlib import Path
from typing import List, Sequence

from sitetie.core.errors import SitetieError
from sitetie.core.solve import provenance
from sitetie.tests.core.published.catalogue import LISTS
from sitetie.tests.core.published.checks import Check, CheckList, Outcome, outcome

PAGE = Path(__file__).resolve().parent.parent / "docs" / "how_we_know.md"
BEGIN, END = "<!-- tables: begin -->", "<!-- tables: end -->"


def main() -> int:
    missed: List[str] = []
    sections = [(checks.subject, _outcomes(checks, missed)) for checks in LISTS]
    count = sum(len(found) for _, found in sections)
    missed += [found.check.name for _, rows in sections for found in rows if not found.met]
    summary = f"{count - len(missed)} of {count} published results met."
    if "--write" in sys.argv:
        _renew(_markdown(sections) + f"\n\n{summary} {_versions()}")
    elif "--markdown" in sys.argv:
        print(_markdown(sections))
    else:
        print("\n\n".join(f"{subject}\n{'=' * len(subject)}\n" + "\n".join(map(_text, rows))
                          for subject, rows in sections))
    print(f"\n{summary} {_versions()}")
    if missed:
        print("Missed: " + "; ".join(missed))
    return 1 if missed else 0


def _outcomes(checks: CheckList, missed: List[str]) -> List[Outcome]:
    found = []
    for check in checks:
        try:
            found.append(outcome(check))
        except SitetieError as error:
            missed.append(f"{check.name} ({error})")
    return found


def _text(found: Outcome) -> str:
    check = found.check
    lines = [check.name, f"    {check.source}",
             f"    expected {_row(check.expected, check)}",
             f"    got      {_row(found.got, check)}",
             f"    deviation {found.deviation:+.1e}, tolerance {found.tolerance:.1e}"
             f"{'' if found.met else '   MISSED'}"]
    return "\n".join(lines + ([f"    {check.reason}"] if check.reason else []))


def _markdown(sections) -> str:
    """The tables; the deviation is that of the figure nearest its tolerance."""
    text = []
    for subject, rows in sections:
        text += [f"### {subject}", "",
                 "| result | source | expected | got | deviation | tolerance |",
                 "|---|---|---|---|---|---|"]
        for found in rows:
            check = found.check
            why = f" *{check.reason}*" if check.reason else ""
            text.append(f"| {check.name} | {check.source}.{why} | {_row(check.expected, check)} | "
                        f"{_row(found.got, check)} | {found.deviation:+.1e} | "
                        f"{found.tolerance:.1e} |")
        text.append("")
    return "\n".join(text).rstrip()


def _row(figures: Sequence[float], check: Check) -> str:
    return ", ".join(_figure(*both) for both in zip(figures, check.tolerance))


def _figure(value: float, tolerance: float) -> str:
    """One digit beyond the tolerance; all there are where nothing is tolerated."""
    if tolerance == 0.0:
        return f"{value:.15g}"
    places = max(0, 1 - math.floor(math.log10(tolerance)))
    if places > 9 or abs(value) >= 1e9:
        return f"{value:.12g}"
    text = f"{value:.{places}f}"
    return text[1:] if text.startswith("-") and not text.strip("-0.") else text


def _versions() -> str:
    made = provenance()
    return f"(PROJ {made.proj}, {made.proj_database}, numpy {made.numpy}, pyproj {made.pyproj})"


def _renew(tables: str) -> None:
    page = PAGE.read_text(encoding="utf-8")
    start, end = page.index(BEGIN) + len(BEGIN), page.index(END)
    PAGE.write_text(f"{page[:start]}\n{tables}\n{page[end:]}", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
