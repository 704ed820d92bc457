"""The version, read from metadata.txt: it is written in one place only."""

from __future__ import annotations

import os

_METADATA = os.path.join(os.path.dirname(os.path.dirname(os.path.abspath(__file__))),
                         "metadata.txt")


def _read() -> str:
    with open(_METADATA, encoding="utf-8") as stream:
        for line in stream:
            if line.startswith("version="):
                return line.split("=", 1)[1].strip()
    return "unknown"


VERSION = _read()
