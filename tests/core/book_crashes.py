"""What a site book bears: killed processes, failing writes, and two writers at once.

As a script, with the numbers of the full run as defaults::

    python -m sitetie.tests.core.book_crashes kill --cases 200 --points 20000
    python -m sitetie.tests.core.book_crashes faults --points 2000
    python -m sitetie.tests.core.book_crashes writers --seconds 60
"""

from __future__ import annotations

import argparse
import ctypes
import errno
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import Callable, Dict, List, Optional, Tuple

from sitetie.core import Control
from sitetie.core.book import SiteBook, verify
from sitetie.core.errors import BookError, SitetieError
from sitetie.tests.core.book_job import CRS, job, observations

ERRORS = {"disk full": errno.ENOSPC, "share gone": errno.EIO, "read-only": errno.EROFS}
Told = Callable[[str], None]


def life_of_a_book(path: Path, points: int, told: Told) -> None:
    """Create, import, accept, import, restate, accept, stand back; tells each head reached."""
    site, first, second = job()
    book = SiteBook.create(path, job="Pit", site_unit="m", observation_crs=CRS, user="ann")

    def done() -> None:
        head = book.head()
        told(f"{head.count} {head.hash}\n")

    done()
    book.add_observations(observations(site, points))
    done()
    book.accept(first)
    done()
    book.add_observations(observations(site, points // 4, day=2))
    done()
    book.restate()
    done()
    book.accept(second)
    done()
    book.stand_back(1)
    done()
    book.close()


def _forked(work: Callable[[Told], None]) -> Tuple[int, int]:
    """A child at work; its process id, and where to read what it tells."""
    reading, writing = os.pipe()
    child = os.fork()
    if child:
        os.close(writing)
        return child, reading
    try:
        os.close(reading)
        work(lambda text: os.write(writing, text.encode()) and None)
        os._exit(0)
    except BaseException as error:
        os.write(2, f"{type(error).__name__}: {error}\n".encode())
        os._exit(1)


def _told(reading: int) -> List[str]:
    with os.fdopen(reading) as stream:
        return stream.read().splitlines()


def _stands(path: Path, told: List[str]) -> Tuple[str, Optional[str]]:
    """Where a book stands after a crash, and what is wrong with it if anything is."""
    acknowledged = [(int(line.split()[0]), line.split()[1]) for line in told if " " in line]
    if not path.exists():
        return "not there", "an acknowledged book is gone" if acknowledged else None
    found = verify(path)
    if not found.ok:
        return "bad", found.sentence
    if acknowledged:
        count, head = acknowledged[-1]
        against = verify(path, head, count, whole_file=False)
        if not against.ok:
            return "bad", f"an acknowledged act is gone: {against.sentence}"
        if found.head.count not in (count, count + 1):
            return "bad", f"{found.head.count} entries after {count} acknowledged ones"
    # It can be worked on at once.
    with SiteBook.open(path, user="bob") as book:
        book.add_control([Control(f"after {found.head.count}", 1.0, 2.0)])
        return f"{found.head.count} entries", None


def kill(
    cases: int, points: int, seed: int, folder: Path, seconds: Optional[float] = None
) -> Tuple[Dict[str, int], List[str]]:
    """Kill -9 at random moments; where books stood, and what was wrong."""
    start = time.monotonic()
    life_of_a_book(folder / "whole.gpkg", points, lambda text: None)
    duration = time.monotonic() - start
    draw, counts, wrong = random.Random(seed), Counter(), []
    for case in range(cases):
        if seconds is not None and time.monotonic() - start > seconds:
            break
        place = folder / f"case{case}"
        place.mkdir()
        path = place / "pit.gpkg"
        child, reading = _forked(lambda told, path=path: life_of_a_book(path, points, told))
        time.sleep(draw.uniform(0.0, 1.1 * duration))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        where, problem = _stands(path, _told(reading))
        counts[where] += 1
        if problem:
            wrong.append(f"case {case}: {problem}")
        else:
            shutil.rmtree(place)
    return dict(counts), wrong


# -- failing writes ------------------------------------------------------------------------------


def library(folder: Path) -> Optional[Path]:
    """The library that makes writes fail, compiled; None without a compiler."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None or sys.platform != "linux":
        return None
    made = folder / "failing_writes.so"
    source = Path(__file__).with_name("failing_writes.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-o", str(made), str(source), "-ldl"], check=True)
    return made


def faults_in_new_process(points: int, most: int, folder: Path) -> str:
    """Run `faults` in a process with the library loaded; what it printed."""
    made = library(folder)
    if made is None:
        return ""
    found = subprocess.run(
        command("faults", "--points", str(points), "--most", str(most), "--folder", str(folder)),
        env={**os.environ, "LD_PRELOAD": str(made)}, capture_output=True, text=True, check=False)
    return found.stdout + found.stderr


def command(*arguments: str) -> List[str]:
    """How to run this script in a process of its own, wherever the package lies."""
    conftest = str(Path(__file__).resolve().parents[1] / "conftest.py")
    code = (f"import runpy, sys; runpy.run_path({conftest!r}); "
            "from sitetie.tests.core.book_crashes import main; sys.exit(main())")
    return [sys.executable, "-W", "ignore", "-c", code, *arguments]


def faults(points: int, most: int, folder: Path) -> Tuple[Dict[str, int], List[str]]:
    """Let each write of an act fail in turn, in each way; outcomes, and what was wrong."""
    shim = ctypes.CDLL(None)
    site, first, second = job()
    original = folder / "original.gpkg"
    with SiteBook.create(original, job="Pit", site_unit="m", observation_crs=CRS) as book:
        book.add_observations(observations(site, points))
        book.accept(first)
        head = book.head()
    acts: Dict[str, Callable[[Path], None]] = {
        "accept": lambda path: SiteBook.open(path).accept(second) and None,
        "import": lambda path: SiteBook.open(path).add_observations(
            observations(site, points, day=2)) and None,
        "create": lambda path: life_of_a_book(path, 8, lambda text: None),
    }
    counts, wrong = Counter(), []
    for name, act in acts.items():
        path = folder / "book.gpkg"
        writes = _writes_of(shim, act, name, original, path)
        step = max(1, writes // most)
        for words, error in ERRORS.items():
            for calls in range(0, writes, step):
                _fresh(name, original, path)
                said = _failing(shim, act, path, calls, error)
                outcome, problem = _after_failure(name, path, head, said)
                counts[f"{name}, {words}: {outcome}"] += 1
                if problem:
                    wrong.append(f"{name}, {words} from write {calls} of {writes}: {problem}")
    return dict(counts), wrong


def _fresh(name: str, original: Path, path: Path) -> None:
    for left in path.parent.glob(f"*{path.name}*"):
        left.unlink()
    if name != "create":
        shutil.copyfile(original, path)


def _writes_of(shim, act, name, original, path) -> int:
    _fresh(name, original, path)

    def work(told: Told) -> None:
        shim.failing_writes_arm(ctypes.c_long(2**40), errno.EIO)
        act(path)
        told(f"{shim.failing_writes_seen()}\n")

    child, reading = _forked(work)
    os.waitpid(child, 0)
    return int(_told(reading)[-1])


def _failing(shim, act, path: Path, calls: int, error: int) -> str:
    """What the act said; blank when it went well."""

    def work(told: Told) -> None:
        shim.failing_writes_arm(ctypes.c_long(calls), error)
        try:
            act(path)
        except SitetieError as failure:
            told(f"{type(failure).__name__}: {failure}".replace("\n", " "))

    child, reading = _forked(work)
    status = os.waitpid(child, 0)[1]
    lines = _told(reading)
    return " ".join(lines) if status == 0 else f"crashed with status {status}"


def _after_failure(name: str, path: Path, head, said: str) -> Tuple[str, Optional[str]]:
    if said.startswith("crashed"):
        return "crashed", said
    if not path.exists():
        return "not made, and said", None if said and name == "create" else f"gone ({said})"
    found = verify(path)
    if not found.ok:
        return "bad", found.sentence
    if name == "create":
        return f"{found.head.count} entries", None
    before = found.head == head
    if found.head.count not in (head.count, head.count + 1):
        return "bad", f"{found.head.count} entries"
    if before and not said:
        return "bad", "an act that was lost was called done"
    return ("as before, and said" if before else
            "done" if not said else "done, but called failed"), None


# -- two writers ---------------------------------------------------------------------------------


def writers(seconds: float, folder: Path, count: int = 2) -> Tuple[Dict[str, int], List[str]]:
    """Processes that write to one book as fast as they can."""
    path = folder / "shared.gpkg"
    site, first, second = job()
    with SiteBook.create(path, job="Pit", site_unit="m", observation_crs=CRS) as book:
        book.add_observations(observations(site, 50))
        book.accept(first)
    end = time.monotonic() + seconds

    def work(who: int, told: Told) -> None:
        draw, turn = random.Random(who), 0
        with SiteBook.open(path, user=f"writer {who}") as mine:
            while time.monotonic() < end:
                turn += 1
                try:
                    if draw.random() < 0.3:
                        entry = mine.accept(second if draw.random() < 0.5 else first)
                    elif draw.random() < 0.5:
                        entry = mine.add_observations(
                            observations(site, 5, seed=who * 10_000 + turn, day=3 + who),
                            on_changed="occupation")
                    else:
                        entry = mine.add_control([Control(f"W{who} {turn}", 1.0 * turn, 2.0)])
                    told(f"{entry.seq} {entry.hash}\n")
                except BookError:
                    told("told that somebody else was first\n")

    children = [_forked(lambda told, who=who: work(who, told)) for who in range(count)]
    counts, wrong, acknowledged = Counter(), [], []
    for child, reading in children:
        for line in _told(reading):
            seq, _, rest = line.partition(" ")
            counts["acts" if seq.isdigit() else line] += 1
            if seq.isdigit():
                acknowledged.append((int(seq), rest))
        if os.waitpid(child, 0)[1]:
            wrong.append("a writer crashed")
    found = verify(path)
    if not found.ok:
        wrong.append(found.sentence)
    with SiteBook.open(path) as book:
        kept = {entry.seq: entry.hash for entry in book.entries()}
    wrong += [f"act {seq} was acknowledged and is lost" for seq, text in acknowledged
              if kept.get(seq) != text]
    if len(kept) != 3 + len(acknowledged):
        wrong.append(f"{len(kept)} entries after {len(acknowledged)} acknowledged acts")
    return dict(counts), wrong


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("kill", "faults", "writers"))
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--points", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, help="of writing; or until no new case begins")
    parser.add_argument("--most", type=int, default=40, help="writes let fail in each act and way")
    parser.add_argument("--folder", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        folder = options.folder or Path(made)
        if options.what == "kill":
            counts, wrong = kill(options.cases, options.points, options.seed, folder,
                                 options.seconds)
        elif options.what == "writers":
            counts, wrong = writers(options.seconds or 60.0, folder)
        elif "failing_writes" in os.environ.get("LD_PRELOAD", ""):
            counts, wrong = faults(options.points, options.most, folder)
        else:
            print(faults_in_new_process(options.points, options.most, folder)
                  or "There is no compiler.")
            return 0
    for words, count in sorted(counts.items()):
        print(f"{count:5d}  {words}")
    for words in wrong:
        print(f"WRONG  {words}")
    print("all well" if not wrong else f"{len(wrong)} wrong")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
