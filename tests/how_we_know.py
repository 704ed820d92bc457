"""Prints every check against the outside: source, expected, got, deviation, tolerance.

    .venv/bin/python tests/how_we_know.py [--markdown]
"""

from __future__ import annotations

import sys

from sitetie.tests.core.published_cases import table


def main() -> int:
    markdown = "--markdown" in sys.argv
    rows = table()
    if markdown:
        print("| check | source | expected | got | deviation | tolerance |")
        print("|---|---|---|---|---|---|")
    for row in rows:
        figures = (f"{row['expected']:.12g}", f"{row['got']:.12g}", f"{row['deviation']:+.1e}",
                   f"{row['tolerance']:.1e}")
        if markdown:
            why = f" ({row['reason']})" if row["reason"] else ""
            print(f"| {row['name']} | {row['source']}{why} | {' | '.join(figures)} |")
        else:
            why = f"\n    {row['reason']}" if row["reason"] else ""
            print(f"{row['name']}\n    {row['source']}\n    expected {figures[0]}, got "
                  f"{figures[1]}, deviation {figures[2]}, tolerance {figures[3]}{why}")
    failed = [row for row in rows if abs(row["deviation"]) > row["tolerance"]]
    print(f"\n{len(rows) - len(failed)} of {len(rows)} published figures met (the worst number of "
          "each is shown).")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
