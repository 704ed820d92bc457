"""Prints a settings file as options of sitetie:solve, one a line: --SITE_UNIT=m and so on."""

from __future__ import annotations

import json
import sys
from pathlib import Path

for name, value in json.loads(Path(sys.argv[1]).read_text(encoding="utf-8")).items():
    if value is not None:
        print(f"--{name.upper()}={value}")
