"""Fixtures that several tests of the plugin share."""

from __future__ import annotations

from pathlib import Path
from typing import Iterator

import pytest

from sitetie import classFactory
from sitetie.core import Settings, Tie, read_pairs, solve
from sitetie.tests.plugin.postgis_server import Postgis, postgis_server
from sitetie.tests.plugin.processing_runs import QUARRY, quarry_settings


@pytest.fixture(scope="module")
def algorithms(qgis_processing: None) -> Iterator[None]:
    """Sitetie's algorithms are there to be run."""
    plugin = classFactory(None)
    plugin.initProcessing()
    yield
    plugin.unload()


@pytest.fixture(scope="session")
def tie() -> Tie:
    """The tie of the sample quarry's pairs after review."""
    return solve(read_pairs(QUARRY / "pairs_reviewed.csv"), Settings(**quarry_settings()))


@pytest.fixture
def tie_file(tie: Tie, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """That tie in a folder of its own."""
    path = tmp_path_factory.mktemp("tie") / "tie.json"
    tie.save(path)
    return path


@pytest.fixture(scope="session")
def postgis() -> Iterator[Postgis]:
    """A database with PostGIS."""
    with postgis_server() as server:
        yield server
