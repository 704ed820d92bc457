"""The zip as a user meets it: installed by QGIS's own installer in a real window."""

from __future__ import annotations

import configparser
import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any, Dict

import pytest

ROOT = Path(__file__).resolve().parents[2]
WINDOW_SCRIPT = Path(__file__).with_name("in_window_install.py")


@pytest.fixture(scope="module")
def built_zip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("built")
    printed = subprocess.run(
        [sys.executable, str(ROOT / "tools" / "build_zip.py"), "--folder", str(folder)],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    ).stdout
    return Path(printed.strip())


@pytest.fixture(scope="module")
def metadata() -> Dict[str, str]:
    parser = configparser.ConfigParser(interpolation=None)
    parser.read(ROOT / "metadata.txt", encoding="utf-8")
    return dict(parser["general"])


def test_holds_what_a_user_needs_and_nothing_else(
    built_zip: Path, metadata: Dict[str, str]
) -> None:
    assert built_zip.name == f"sitetie-{metadata['version']}.zip"
    with zipfile.ZipFile(built_zip) as archive:
        assert archive.testzip() is None
        names = set(archive.namelist())
    assert {
        "sitetie/__init__.py",
        "sitetie/metadata.txt",
        "sitetie/LICENSE",
        "sitetie/README.md",
        "sitetie/core/__init__.py",
        "sitetie/plugin/plugin.py",
        f"sitetie/{metadata['icon']}",
    } <= names
    first_two = {"/".join(name.split("/")[:2]) for name in names}
    assert first_two == {
        f"sitetie/{name}"
        for name in (
            *("__init__.py", "metadata.txt", "LICENSE", "README.md", "CHANGELOG.md"),
            *("core", "docs", "plugin"),
        )
    }
    assert not [name for name in names if "__pycache__" in name or name.endswith(".pyc")]


def test_pictures_and_pages_that_the_readme_points_to_are_there(built_zip: Path) -> None:
    with zipfile.ZipFile(built_zip) as archive:
        names = set(archive.namelist())
        readme = archive.read("sitetie/README.md").decode("utf-8")
    pointed_to = set(re.findall(r"docs/[\w./]+\w", readme))
    assert len([path for path in pointed_to if path.endswith(".png")]) >= 3
    assert {f"sitetie/{path}" for path in pointed_to} <= names


def test_same_content_gives_the_same_zip(built_zip: Path, tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("build_zip", ROOT / "tools" / "build_zip.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.build(tmp_path).read_bytes() == built_zip.read_bytes()


def test_installs_loads_unloads_and_reloads_in_a_real_window(
    built_zip: Path, tmp_path: Path, metadata: Dict[str, str]
) -> None:
    """`qgis` itself runs on a virtual screen; the script in it writes down what it saw."""
    profiles, seen = tmp_path / "profiles", tmp_path / "seen.json"
    environment = {
        name: value
        for name, value in os.environ.items()
        if name not in ("QT_QPA_PLATFORM", "QGIS_PLUGINPATH", "QGIS_CUSTOM_CONFIG_PATH")
    }
    environment.update(SITETIE_ZIP=str(built_zip), SITETIE_SEEN=str(seen))
    qgis = shutil.which("qgis")
    assert qgis is not None
    done = subprocess.run(
        # `timeout` ends the screen too, which `subprocess` would leave behind.
        ["timeout", "150", "xvfb-run", "--auto-servernum", qgis, "--nologo", "--noversioncheck"]
        + ["--profiles-path", str(profiles), "--code", str(WINDOW_SCRIPT)],
        env=environment,
        capture_output=True,
        text=True,
    )
    assert seen.exists(), f"{done.stdout}\n{done.stderr}"
    report: Dict[str, Any] = json.loads(seen.read_text(encoding="utf-8"))
    assert report["error"] is None, report["error"]

    installed = profiles / "profiles" / "default" / "python" / "plugins" / "sitetie"
    assert Path(report["imported_from"]) == installed / "__init__.py"
    assert report["version"] == metadata["version"]
    assert report["before"] == {"loaded": False, "provider": False, "traces": []}
    for moment in ("installed", "reloaded", "loaded again"):
        assert report[moment]["loaded"]
        assert report[moment]["provider"]
    assert report["unloaded"] == report["before"]
    assert report["reloaded"] == report["installed"]
    assert report["loaded again"] == report["installed"]
    assert report["messages"] == []
