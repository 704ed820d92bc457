"""sitetie:pointcloud in QGIS: choices, words and files; the coordinates are the core's tests."""

from __future__ import annotations

import os
from pathlib import Path

import laspy
import numpy as np
import pyproj
import pytest
from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingException

from sitetie.core import Tie
from sitetie.tests.core.clouds import other_bytes, write_cloud
from sitetie.tests.plugin.processing_runs import Listener, run

pytestmark = pytest.mark.usefixtures("algorithms")


@pytest.fixture
def cloud(tmp_path: Path, tie: Tie) -> Path:
    """Points about the quarry, in the frame of its observations."""
    path = tmp_path / "cloud.laz"
    observed = tie.pairs[0].observation
    write_cloud(path, 3000, crs=tie.settings.observation_crs, frame=tie.settings.observation_crs,
                place=(observed.latitude, observed.longitude), reach=300.0)
    return path


def test_a_cloud_comes_onto_the_site(cloud: Path, tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    listener = Listener()
    target = tmp_path / "on site.laz"
    results = run("pointcloud", listener, CLOUD=cloud, TIE=tie_file, OUTPUT=target)
    assert results["OUTPUT"] == str(target)
    before, after = laspy.read(cloud), laspy.read(target)
    wanted = tie.to_site(*(np.asarray(values) for values in (before.y, before.x, before.z)))
    for axis, values in enumerate((after.x, after.y, after.z)):
        off = np.abs(np.asarray(values) - wanted[axis])
        assert off.max() <= after.header.scales[axis] / 2.0 + 1e-9
    np.testing.assert_array_equal(other_bytes(cloud), other_bytes(target))
    crs = QgsCoordinateReferenceSystem.fromWkt(after.header.parse_crs().to_wkt())
    assert crs.isValid()
    assert after.header.parse_crs() == pyproj.CRS(tie.crs_wkt())
    assert any("ellipsoidal height, in metres" in warning for warning in listener.warnings)
    assert any(f"3000 points restated through tie {tie.short_id}" in info
               for info in listener.infos)


def test_choices_reach_the_core(cloud: Path, tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    target = tmp_path / "b.las"
    run("pointcloud", CLOUD=cloud, TIE=tie_file, OUTPUT=target, HEIGHTS="keep",
        CRS=tie.settings.observation_crs)
    before, after = laspy.read(cloud), laspy.read(target)
    np.testing.assert_array_equal(after.Z, before.Z)
    run("pointcloud", CLOUD=cloud, TIE=tie_file, OUTPUT=target, HEIGHT_UNIT="ft")
    wanted = tie.to_site(np.asarray(before.y), np.asarray(before.x), 0.3048 * np.asarray(before.z))
    assert np.abs(laspy.read(target).z - wanted[2]).max() < 0.0006


@pytest.mark.parametrize(("parameters", "words"), [
    ({"OUTPUT": "b.txt"}, "ending"),
    ({"CLOUD": "none.las"}, "cannot be read"),
    ({"CRS": "EPSG:4326"}, "datum ensemble"),
    ({"DATUM_OPERATION": "nothing", "CRS": "EPSG:4258"}, "neither a PROJ pipeline"),
])
def test_what_cannot_be_done_is_said(
    cloud: Path, tie_file: Path, tmp_path: Path, parameters, words
) -> None:
    given = {"CLOUD": cloud, "TIE": tie_file, "OUTPUT": tmp_path / "b.las"}
    for name, value in parameters.items():
        given[name] = tmp_path / value if name in ("OUTPUT", "CLOUD") else value
    with pytest.raises(QgsProcessingException, match=words):
        run("pointcloud", **given)
    assert os.listdir(tmp_path) == ["cloud.laz"]


def test_stopped_nothing_is_written(
    cloud: Path, tie_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sitetie.core.point_cloud.PIECE", 1000)
    with pytest.raises(QgsProcessingException, match="Stopped before the end"):
        run("pointcloud", Listener(stop_at=50.0), CLOUD=cloud, TIE=tie_file,
            OUTPUT=tmp_path / "b.las")
    assert os.listdir(tmp_path) == ["cloud.laz"]
