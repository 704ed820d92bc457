"""Builds the plugin's installable zip: build/sitetie-<version>.zip, whose path it prints.

It holds the tracked files that a user of QGIS needs, as they stand in the checkout, and no other.
"""

from __future__ import annotations

import argparse
import configparser
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import List

ROOT = Path(__file__).resolve().parent.parent
CONTENT = (
    *("__init__.py", "metadata.txt", "LICENSE", "README.md", "CHANGELOG.md"),
    *("core", "docs", "plugin"),
)
#: The same content gives the same zip: no file's own time goes in (the format starts in 1980).
TIMESTAMP = (1980, 1, 1, 0, 0, 0)


def version() -> str:
    """The version in metadata.txt, the one place where it is written."""
    metadata = configparser.ConfigParser(interpolation=None)
    metadata.read(ROOT / "metadata.txt", encoding="utf-8")
    return metadata["general"]["version"]


def tracked_files() -> List[str]:
    """Paths of the zip's files, relative to the checkout."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--", *CONTENT], cwd=ROOT, check=True, stdout=subprocess.PIPE
    ).stdout.decode()
    return sorted(path for path in listed.split("\0") if path)


def build(folder: Path) -> Path:
    """Write the zip into `folder` and return its path."""
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"sitetie-{version()}.zip"
    unfinished = target.with_suffix(".part")
    with zipfile.ZipFile(unfinished, "w", zipfile.ZIP_DEFLATED) as archive:
        for path in tracked_files():
            entry = zipfile.ZipInfo(f"sitetie/{path}", TIMESTAMP)
            entry.external_attr = 0o644 << 16
            entry.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(entry, (ROOT / path).read_bytes())
    return unfinished.replace(target)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--folder", type=Path, default=ROOT / "build", help="where the zip goes")
    try:
        print(build(parser.parse_args().folder))
    except subprocess.CalledProcessError:
        sys.exit("The zip is built from the files git tracks: run this in a clone.")
