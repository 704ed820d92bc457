"""sitetie:raster in QGIS: targets of an orthophoto, heights of a surface, what is kept and refused."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from osgeo import gdal
from qgis.core import QgsProcessingException, QgsRasterLayer

from sitetie.core import Tie, solve
from sitetie.tests.core.sites import random_site, write_geoid
from sitetie.tests.plugin.processing_runs import MADE_UP, Listener, made_up_pairs, run
from sitetie.tests.plugin.raster_runs import (
    ground,
    measured,
    paint,
    read_raster,
    slope,
    targets_over,
    write_raster,
)

pytestmark = pytest.mark.usefixtures("algorithms")
SIZE = 420


@pytest.fixture(scope="module")
def feet() -> Tie:
    """A turned grid in US survey feet, heights in feet, a tilted plane."""
    return solve(made_up_pairs(), MADE_UP)


@pytest.fixture
def save(tmp_path_factory: pytest.TempPathFactory):
    def saved(tie: Tie) -> Path:
        path = tmp_path_factory.mktemp("tie") / "tie.json"
        tie.save(path)
        return path

    return saved


# -- orthophotos ---------------------------------------------------------------------------------

#: Which tie, CRS of the raster, size of its cells in that CRS, degrees it is turned, frames.
ORTHOS = {
    "the tie's own degrees": ("quarry", "EPSG:7931", 2.5e-6, 0.0, {}),
    "UTM": ("quarry", "EPSG:25833", 0.2, 0.0, {"datum_operation": "identical"}),
    "UTM, turned": ("quarry", "EPSG:25833", 0.2, 33.0, {"datum_operation": "identical"}),
    "another datum": ("quarry", "EPSG:31255", 0.2, 0.0, {}),
    "another datum, degrees": ("quarry", "EPSG:4312", 2.5e-6, 0.0, {}),
    "a dynamic frame": ("quarry", "EPSG:7912", 2.5e-6, 0.0, {"epoch": 2026.35}),
    "web map": ("quarry", "EPSG:3857", 0.3, 0.0, {"datum_operation": "identical"}),
    "feet from UTM": ("feet", "EPSG:6342", 0.2, 0.0, {}),
    "feet from degrees, turned": ("feet", "EPSG:6319", 2.5e-6, -61.0, {}),
}


def frames_as_parameters(frames: dict) -> dict:
    names = {"epoch": "OBSERVATION_EPOCH", "datum_operation": "DATUM_OPERATION"}
    return {names[name]: value for name, value in frames.items()}


@pytest.mark.parametrize("case", ORTHOS)
def test_targets_of_an_orthophoto_lie_within_a_tenth_of_a_cell(
    case: str, tie: Tie, feet: Tie, save, tmp_path: Path
) -> None:
    which, crs, cell, turned, frames = ORTHOS[case]
    used = {"quarry": tie, "feet": feet}[which]
    place = ground(used, crs, cell, SIZE, turned, **frames)
    targets = targets_over(place, SIZE)
    picture = paint(place, SIZE, targets)
    source = write_raster(tmp_path / "ortho.tif", np.stack([picture, picture, 255 - picture]),
                          place.transform, crs)
    result = run("raster", RASTER=source, TIE=save(used), OUTPUT=tmp_path / "site.tif",
                 **frames_as_parameters(frames))
    written = read_raster(result["OUTPUT"])
    own = cell * (np.cos(np.radians(48.8)) * 111e3 * 1.26 if cell < 1e-3 else 1.0)
    assert written.bands.shape[0] == 4, "red, green, blue, alpha"
    assert 0.5 < written.cell * used.settings.site_length.metres / own < 1.3
    for target in targets:
        for band in (written.bands[0], 255 - written.bands[2]):
            covered = np.where(written.bands[3] == 255, band, 0)
            found = measured(covered, written, target, 9.0 * written.cell)
            off = np.hypot(*np.subtract(found, target)) / written.cell
            print(f"{case}: {off:.4f} of a cell")
            assert off < 0.1
