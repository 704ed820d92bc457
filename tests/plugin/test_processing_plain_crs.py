"""sitetie:plaincrs in QGIS: the file, what it says, and that nothing is written when it is off."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsPointXY,
    QgsProcessingException,
    QgsProject,
)

from sitetie.core import Tie
from sitetie.tests.plugin.processing_runs import Listener, run

pytestmark = pytest.mark.usefixtures("algorithms")


def test_a_prj_file_that_qgis_reads(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    listener = Listener()
    result = run("plaincrs", listener, TIE=tie_file, LIMIT=0.001, NAME="Quarry, plain",
                 OUTPUT=tmp_path / "quarry.prj", REPORT=tmp_path / "quarry.html")
    text = (tmp_path / "quarry.prj").read_text(encoding="utf-8")
    crs = QgsCoordinateReferenceSystem.fromWkt(text)
    assert crs.isValid()
    assert not crs.isGeographic()
    transform = QgsCoordinateTransform(
        QgsCoordinateReferenceSystem(tie.settings.observation_crs), crs, QgsProject.instance())
    area = tie.plain_projection(1.0).area
    for east in np.linspace(area[0], area[2], 5):
        for north in np.linspace(area[1], area[3], 5):
            latitude, longitude, _ = tie.to_geodetic(east, north)
            found = transform.transform(QgsPointXY(longitude, latitude))
            assert np.hypot(found.x() - east, found.y() - north) <= result["DEVIATION"] + 1e-6
    assert result["DEVIATION"] < 0.001
    assert "EPSG:98" in result["METHOD_USED"]
    assert any("root mean square" in line for line in listener.infos)
    page = (tmp_path / "quarry.html").read_text(encoding="utf-8")
    assert "Deviation from the tie, by text" in page
    assert result["METHOD_USED"].split(",")[0] in page


def test_formats(tie_file: Path, tmp_path: Path) -> None:
    result = run("plaincrs", TIE=tie_file, FORMAT="proj", METHOD="hotine oblique mercator",
                 OUTPUT=tmp_path / "plain.txt")
    text = (tmp_path / "plain.txt").read_text(encoding="utf-8")
    assert text == result["PROJ"]
    assert "+proj=omerc" in text
    run("plaincrs", TIE=tie_file, FORMAT="wkt2", OUTPUT=tmp_path / "plain.wkt")
    assert (tmp_path / "plain.wkt").read_text(encoding="utf-8").startswith("PROJCRS[")


def test_too_far_off_writes_nothing(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    e, n, _ = tie.to_site(*tie.base.to_geodetic(0.0, 0.0))
    # 600 km of a site: no projection follows the tie's plane to the micrometre.
    area = f"{e - 3e5},{e + 3e5},{n - 3e5},{n + 3e5}"
    with pytest.raises(QgsProcessingException, match="No standard projection comes within"):
        run("plaincrs", TIE=tie_file, LIMIT=1e-7, AREA=area, OUTPUT=tmp_path / "plain.prj",
            REPORT=tmp_path / "plain.html")
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(QgsProcessingException, match="The limit is 0"):
        run("plaincrs", TIE=tie_file, LIMIT=0.0, OUTPUT=tmp_path / "plain.prj")


def test_an_area_in_another_crs(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    listener = Listener()
    latitude, longitude = tie.base.to_geodetic(0.0, 0.0)
    west, south = float(longitude) - 0.05, float(latitude) - 0.04
    east, north = float(longitude) + 0.05, float(latitude) + 0.04
    run("plaincrs", listener, TIE=tie_file, LIMIT=0.01,
        AREA=f"{west},{east},{south},{north} [{tie.settings.observation_crs}]",
        OUTPUT=tmp_path / "plain.prj")
    said = next(line for line in listener.infos if "easting" in line)
    corners = tie.to_site(np.array([south, south, north, north]),
                          np.array([west, east, west, east]))
    assert f"easting {min(corners[0]):.0f}"[:12] in said.replace(",", "")
