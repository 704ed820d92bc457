#!/usr/bin/env python3
"""Make the data of both sample jobs, seeded: every run writes the same bytes.

    python3 sample_project/make_sample.py [FOLDER]

Writes quarry/*.csv, lagoon/*.csv and truth.json into FOLDER, by default beside this file. Needs
numpy and pyproj. Everything is invented: places, companies, marks and measurements.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import lagoon_job
import quarry_job
from tables import write_json


def main() -> None:
    """Write both jobs and the truth behind them."""
    parser = argparse.ArgumentParser(description="Make the data of both sample jobs.")
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent)
    folder = parser.parse_args().folder
    truth = {
        "quarry": quarry_job.make(folder / "quarry"),
        "lagoon": lagoon_job.make(folder / "lagoon"),
    }
    write_json(folder / "truth.json", truth)


if __name__ == "__main__":
    main()
