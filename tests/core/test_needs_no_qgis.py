"""The core stands on its own: without QGIS, Qt and GDAL, and without the plugin."""

from __future__ import annotations

import pkgutil
import subprocess
import sys

import sitetie.core

MODULES = sorted(
    info.name for info in pkgutil.walk_packages(sitetie.core.__path__, "sitetie.core.")
)
FORBIDDEN = ("qgis", "osgeo", "PyQt5", "PyQt6", "sitetie.plugin")


def test_every_core_module_imports_with_qgis_out_of_reach() -> None:
    script = (
        "import sys, importlib, importlib.util\n"
        f"for name in {FORBIDDEN!r}: sys.modules[name] = None\n"
        "spec = importlib.util.spec_from_file_location(\n"
        f"    'sitetie', {sitetie.__file__!r},\n"
        f"    submodule_search_locations={list(sitetie.__path__)!r})\n"
        "sys.modules['sitetie'] = importlib.util.module_from_spec(spec)\n"
        "spec.loader.exec_module(sys.modules['sitetie'])\n"
        f"for name in {MODULES!r}: importlib.import_module(name)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert "sitetie.core.units" in MODULES
