"""A site book with a million observations, restated five times: times and size.

``.venv/bin/python benchmarks/site_book.py [--points 1000000] [--restatements 5]``
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from pathlib import Path

from sitetie.core import solve
from sitetie.core.book import SiteBook, verify
from sitetie.tests.core.book_job import CRS, job, moved, observations


def timed(words: str, work):
    start, busy = time.perf_counter(), time.process_time()
    result = work()
    print(f"{words:42s} {time.perf_counter() - start:8.2f} s, of them "
          f"{time.process_time() - busy:.2f} s of the processor", flush=True)
    return result


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--restatements", type=int, default=5)
    parser.add_argument("--folder", default=None)
    options = parser.parse_args()
    site, _, _ = job()
    with tempfile.TemporaryDirectory(dir=options.folder) as folder:
        path = Path(folder) / "million.gpkg"
        book = SiteBook.create(path, job="Pit", site_unit="m", observation_crs=CRS)
        points = observations(site, options.points)
        timed(f"import {options.points:,} observations", lambda: book.add_observations(points))
        sizes = [os.path.getsize(path)]
        for i in range(options.restatements):
            tie = solve(moved(site.pairs, i, 0.01 * i), site.settings)
            timed(f"accept tie {i + 1} and restate", lambda tie=tie: book.accept(tie))
            sizes.append(os.path.getsize(path))
            print(f"{'size':42s} {sizes[-1] / 1e6:8.0f} MB", flush=True)
        grown = [(b - a) / options.points for a, b in zip(sizes, sizes[1:])]
        print(f"{'growth per restated point':42s} {', '.join(f'{g:.0f}' for g in grown)} bytes")
        book.close()
        book = timed("open", lambda: SiteBook.open(path))
        timed("a point's life", lambda: book.life("1" + f"{options.points // 2:05d}"))
        timed("head", book.head)
        timed("verify, digests alone", lambda: print(verify(path, whole_file=False).sentence))
        timed("verify, whole file too", lambda: verify(path))
        book.close()
    print(f"{'peak memory':42s} {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:8.0f} MB")


if __name__ == "__main__":
    main()
