"""The site CRS in files, in a project and in another QGIS profile is the same CRS."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Dict

import numpy as np
import pytest
from osgeo import gdal, osr
from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsProject,
    QgsRasterLayer,
    QgsVectorFileWriter,
    QgsVectorLayer,
)

from sitetie.core import Tie
from sitetie.plugin.site_crs import put_project_on, register
from sitetie.tests.plugin.processing_runs import memory_layer

NEARBY = ("GPKG", "gpkg"), ("FlatGeobuf", "fgb"), ("ESRI Shapefile", "shp")


@pytest.fixture(scope="module")
def read(qgis_app, tie: Tie, tmp_path_factory: pytest.TempPathFactory) -> Dict:
    """What another QGIS, with another profile, reads from what this one wrote."""
    assert QgsApplication.createDatabase()
    registry = QgsApplication.coordinateReferenceSystemRegistry()
    for known in registry.userCrsList():
        assert registry.removeUserCrs(known.id)
    folder = tmp_path_factory.mktemp("files")
    ties = tmp_path_factory.mktemp("ties")
    crs = register(tie, 2, "Tannhag")
    _write_files(folder, tie, crs)
    tie.save(ties / "tie.json")
    _nearly(tie).save(ties / "other.json")
    for known in registry.userCrsList():
        assert registry.removeUserCrs(known.id)
    done = subprocess.run(
        [sys.executable, str(Path(__file__).with_name("read_in_new_profile.py")), str(folder),
         str(ties / "tie.json"), str(ties / "other.json")],
        capture_output=True, text=True, check=False, env=dict(os.environ))
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout.splitlines()[-1])


def _nearly(tie: Tie) -> Tie:
    """A tie that PROJ would call the same by its numbers: the heights alone differ."""
    from sitetie.core import solve

    return solve(tie.pairs, tie.settings.replace(vertical_model="shift"))


def _write_files(folder: Path, tie: Tie, crs: QgsCoordinateReferenceSystem) -> None:
    points = memory_layer("PointZ", "id:string", [["PointZ (2000 5000 400)", "a"]])
    points.setCrs(crs)
    context = QgsProject.instance().transformContext()
    for driver, ending in NEARBY:
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName = driver
        done = QgsVectorFileWriter.writeAsVectorFormatV3(
            points, str(folder / f"points.{ending}"), context, options)
        assert done[0] == QgsVectorFileWriter.WriterError.NoError, done
    text = osr.SpatialReference()
    assert text.SetFromUserInput(tie.crs_wkt(crs.description())) == 0
    raster = gdal.GetDriverByName("GTiff").Create(str(folder / "plain.tif"), 20, 20, 1)
    raster.SetSpatialRef(text)
    raster.SetGeoTransform((2000.0, 1.0, 0.0, 5020.0, 0.0, -1.0))
    raster.GetRasterBand(1).WriteArray(np.ones((20, 20), np.uint8))
    raster.FlushCache()
    assert gdal.Translate(str(folder / "cog.tif"), raster, format="COG") is not None
    raster = None
    project = QgsProject()
    project.setTitle("Tannhag")
    project.setCrs(QgsCoordinateReferenceSystem("EPSG:25833"))
    put_project_on(project, crs)
    in_site = QgsVectorLayer("Point", "control", "memory")
    in_site.setCrs(crs)
    ortho = QgsRasterLayer(str(folder / "plain.tif"), "ortho")
    shape = QgsVectorLayer(str(folder / "points.shp"), "shape", "ogr")
    shape.setCrs(crs)
    project.addMapLayers([in_site, ortho, shape])
    assert project.write(str(folder / "job.qgz"))


KEPT = ("points.gpkg", "points.fgb", "plain.tif", "cog.tif", "job.qgz", "job.qgz: control",
        "job.qgz: ortho", "job.qgz: shape")


@pytest.mark.parametrize("profile", ["new", "other tie", "same tie"])
@pytest.mark.parametrize("name", KEPT)
def test_it_is_the_same_crs(read: Dict, tie: Tie, profile: str, name: str) -> None:
    found = read[profile][name]
    assert found["tie"] == tie.short_id
    assert found["name"] == f"Tannhag, site grid, tie 2 ({tie.short_id})"
    expected = tie.to_site(48.79, 14.93)[:2]
    assert np.abs(np.subtract(found["mark"], expected)).max() < 1e-6


@pytest.mark.parametrize("name", KEPT)
def test_it_has_a_code_where_the_profile_knows_it(read: Dict, name: str) -> None:
    # Not the code it had in the profile that wrote it: that number is another tie's here.
    assert read["new"][name]["code"] == ""
    assert read["other tie"][name]["code"] == ""
    assert read["same tie"][name]["code"] == "USER:100001"


def test_a_shapefile_alone_loses_it(read: Dict) -> None:
    """As the help and the hand-over page say; the project beside it keeps it."""
    assert read["same tie"]["points.shp"]["tie"] is None
    assert read["same tie"]["points.shp"]["mark"] is None
