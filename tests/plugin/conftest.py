"""Fixtures that several tests of the plugin share."""

from __future__ import annotations

from typing import Iterator

import pytest

from sitetie import classFactory


@pytest.fixture(scope="module")
def algorithms(qgis_processing: None) -> Iterator[None]:
    """Sitetie's algorithms are there to be run."""
    plugin = classFactory(None)
    plugin.initProcessing()
    yield
    plugin.unload()
