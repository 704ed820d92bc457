"""Makes `sitetie` importable when the tests run outside the environment of tools/prepare.sh."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

if importlib.util.find_spec("sitetie") is None:
    # The checkout may have any name; the package is called sitetie all the same.
    spec = importlib.util.spec_from_file_location(
        "sitetie", ROOT / "__init__.py", submodule_search_locations=[str(ROOT)]
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["sitetie"] = module
    spec.loader.exec_module(module)
