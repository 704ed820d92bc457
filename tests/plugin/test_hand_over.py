"""The commands of the hand-over page, run as they stand there, lead where the core leads."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path
from typing import Dict

import numpy as np
import pytest
from osgeo import gdal, ogr, osr

from sitetie.core import Settings, Tie, tie_from_parameters
from sitetie.core.hand_over import page, page_of, recipes, write_hand_over
from sitetie.tests.plugin.postgis_server import Postgis

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "docs" / "hand_over.md"
NOT_RUN = ("PDAL", "DuckDB")
#: How each command begins that the tests below run.
RUN = ("gdaltransform -s_srs", "gdaltransform -ct", "ogr2ogr -t_srs", "ogr2ogr -s_srs", "gdalwarp",
       "cct -d 4", "cct -d 10", "psql -q -f site.sql", "psql -c 'SELECT id, ST_AsText(ST_Transform",
       "psql -c 'SELECT id, ST_AsText(to_site", 'echo "SELECT id, ST_AsText(ST_TransformPipeline')


def feet_tie() -> Tie:
    """US survey feet over a state plane, with a tilted plane."""
    return tie_from_parameters(
        Settings(base_crs="EPSG:2263", observation_crs="EPSG:4269", site_unit="us-ft"),
        "EPSG:9621", {"easting": -970000.0, "northing": -190000.0, "scale": 1.00004,
                      "rotation": 33.0},
        vertical={"shift": (100.0, "us-ft"), "latitude": 40.7, "longitude": -74.0,
                  "slope_latitude": 3.0, "slope_longitude": -2.0})


def geoid_tie() -> Tie:
    """Elevations above a geoid grid."""
    return tie_from_parameters(
        Settings(base_crs="EPSG:25832", observation_crs="EPSG:4258", geoid="egm96_15.gtx"),
        "EPSG:9621", {"easting": -600000.0, "northing": -5300000.0, "scale": 1.0, "rotation": 5.0},
        vertical={"shift": 0.25})


class Job:
    """A hand-over folder with points and an ortho, and what the core makes of the points."""

    def __init__(self, folder: Path, tie: Tie, latitude: float, longitude: float) -> None:
        self.folder, self.tie = folder, tie
        write_hand_over(tie, folder)
        draw = np.random.default_rng(8)
        self.latitude = latitude + draw.uniform(-0.01, 0.01, 5)
        self.longitude = longitude + draw.uniform(-0.01, 0.01, 5)
        self.height = draw.uniform(200.0, 700.0, 5)
        self.site = np.array(tie.to_site(self.latitude, self.longitude, self.height)).T
        self.geodetic = np.stack([self.longitude, self.latitude, self.height], axis=1)
        _write_rows(folder / "points.txt", self.geodetic)
        _write_rows(folder / "points_on_site.txt", self.site)
        self.crs = osr.SpatialReference()
        assert self.crs.SetFromUserInput(tie.settings.observation_crs) == 0
        self.crs.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
        self._write_layer()
        self._write_ortho()

    def _write_layer(self) -> None:
        source = ogr.GetDriverByName("GPKG").CreateDataSource(str(self.folder / "points.gpkg"))
        layer = source.CreateLayer("points", self.crs, ogr.wkbPoint25D)
        for row in self.geodetic:
            feature = ogr.Feature(layer.GetLayerDefn())
            feature.SetGeometry(ogr.CreateGeometryFromWkt("POINT Z ({!r} {!r} {!r})".format(
                *map(float, row))))
            layer.CreateFeature(feature)

    def _write_ortho(self) -> None:
        raster = gdal.GetDriverByName("GTiff").Create(str(self.folder / "ortho.tif"), 60, 60, 1)
        raster.SetSpatialRef(self.crs)
        raster.SetGeoTransform(
            (self.longitude[0] - 3e-5, 1e-6, 0, self.latitude[0] + 3e-5, 0, -1e-6))
        image = np.zeros((60, 60), np.uint8)
        image[28:32, 28:32] = 200  # centred on the first point
        raster.GetRasterBand(1).WriteArray(image)

    def run(self, command: str, environment: Dict[str, str]) -> str:
        done = subprocess.run(["bash", "-ec", command], cwd=self.folder, env=environment, text=True,
                              capture_output=True, check=False)
        assert done.returncode == 0, f"{command}\n{done.stderr}"
        return done.stdout

    def command(self, start: str) -> str:
        """The command on this tie's page that begins so."""
        assert start in RUN
        return next(recipe.command for recipe in recipes(page_of(self.tie))
                    if recipe.command.startswith(start))


def _write_rows(path: Path, rows: np.ndarray) -> None:
    path.write_text("".join(" ".join(repr(float(v)) for v in row) + "\n" for row in rows))


def numbers(text: str) -> np.ndarray:
    return np.array([[float(n) for n in line.split()[:3]] for line in text.splitlines()])


def points(text: str) -> np.ndarray:
    """Coordinates of POINT Z in what psql prints."""
    return np.array([[float(n) for n in found.split()]
                     for found in re.findall(r"POINT Z \(([^)]*)\)", text)])


def layer_points(path: Path) -> np.ndarray:
    source = ogr.Open(str(path))
    return np.array([f.GetGeometryRef().GetPoint() for f in source.GetLayer(0)])


@pytest.fixture(params=["quarry", "feet", "geoid"])
def job(request: pytest.FixtureRequest, tie: Tie, tmp_path: Path) -> Job:
    made, place = {"quarry": lambda: (tie, (48.787, 14.932)),
                   "feet": lambda: (feet_tie(), (40.7, -74.0)),
                   "geoid": lambda: (geoid_tie(), (48.0, 10.5))}[request.param]()
    folder = tmp_path / "hand over"
    return Job(folder, made, *place)


def test_the_page_in_the_docs_is_this_page() -> None:
    assert PAGE.read_text(encoding="utf-8") == page("EPSG:7931", 990001)


def test_every_command_on_the_page_is_run_here_or_marked() -> None:
    """A command that comes new to the page needs its test."""
    for recipe in recipes(PAGE.read_text(encoding="utf-8")):
        known = sum(recipe.command.startswith(start) for start in RUN)
        assert known == (0 if recipe.program in NOT_RUN else 1), recipe.command
    text = PAGE.read_text(encoding="utf-8")
    for program in NOT_RUN:
        assert text.split(f"## {program}\n\n")[1].startswith("Not run here")


def test_gdal(job: Job) -> None:
    here = dict(os.environ)
    flat = np.column_stack([job.site[:, :2], job.height])
    found = numbers(job.run(job.command("gdaltransform -s_srs"), here))
    assert np.abs(found - flat).max() < 1e-5
    found = numbers(job.run(job.command("gdaltransform -ct"), here))
    assert np.abs(found - job.site).max() < 1e-5
    job.run(job.command("ogr2ogr -t_srs"), here)
    assert np.abs(layer_points(job.folder / "points_on_site.gpkg") - flat).max() < 1e-5
    job.run(job.command("ogr2ogr -s_srs"), here)
    assert np.abs(layer_points(job.folder / "points_with_elevations.gpkg") - job.site).max() < 1e-5


def test_gdal_warps_an_ortho(job: Job) -> None:
    job.run(job.command("gdalwarp"), dict(os.environ))
    raster = gdal.Open(str(job.folder / "ortho_on_site.tif"))
    image = raster.ReadAsArray().astype(float)
    rows, columns = np.mgrid[0.5: image.shape[0], 0.5: image.shape[1]]
    left, size, _, top, _, down = raster.GetGeoTransform()
    centre = (left + size * (columns * image).sum() / image.sum(),
              top + down * (rows * image).sum() / image.sum())
    assert np.hypot(*(centre - job.site[0, :2])) < 0.1 * size


def test_cct(job: Job) -> None:
    here = dict(os.environ)
    found = numbers(job.run(job.command("cct -d 4"), here))
    assert np.abs(found - job.site).max() < 1e-4
    back = numbers(job.run(job.command("cct -d 10"), here))
    assert np.abs(back[:, :2] - job.geodetic[:, :2]).max() < 1e-9
    assert np.abs(back[:, 2] - job.height).max() < 1e-6


def test_postgis(job: Job, postgis: Postgis) -> None:
    code = job.tie.settings.observation_crs.split(":")[1]
    values = ",".join("({},ST_SetSRID(ST_MakePoint({!r},{!r},{!r}),{}))".format(
        i, *map(float, row), code) for i, row in enumerate(job.geodetic))
    postgis.rows("DROP TABLE IF EXISTS points; CREATE TABLE points (id int, geom geometry);"
                 f"INSERT INTO points VALUES {values};")
    here = postgis.environment
    for _ in range(2):  # again does no harm
        job.run(job.command("psql -q -f site.sql"), here)
    found = points(job.run(job.command(RUN[8]), here))
    assert np.abs(found - np.column_stack([job.site[:, :2], job.height])).max() < 1e-5
    if job.tie.geoid is None:
        found = points(job.run(job.command(RUN[9]), here))
        assert np.abs(found - job.site).max() < 1e-5
    pipeline = job.command(RUN[10])
    if postgis.version >= (3, 4):
        assert np.abs(points(job.run(pipeline, here)) - job.site).max() < 1e-5
    else:
        # What the page says: not before 3.4.
        with pytest.raises(AssertionError, match="st_transformpipeline"):
            job.run(f"set -o pipefail; {pipeline.replace('psql', 'psql -v ON_ERROR_STOP=1')}", here)


def test_an_observation_crs_without_a_code_comes_as_a_file(tmp_path: Path) -> None:
    wkt = osr.SpatialReference()
    wkt.SetFromUserInput("EPSG:4258")
    text = wkt.ExportToWkt(["FORMAT=WKT2_2019"]).replace(',ID["EPSG",4258]', "").replace(
        'GEOGCRS["ETRS89"', 'GEOGCRS["Own frame"')
    made = tie_from_parameters(
        Settings(base_crs="EPSG:25832", observation_crs=text, datum_operation="identical"),
        "EPSG:9656", {"easting": -500000.0, "northing": -5300000.0})
    write_hand_over(made, tmp_path)
    assert "-s_srs observation.wkt" in (tmp_path / "hand_over.md").read_text(encoding="utf-8")
    assert (tmp_path / "observation.wkt").read_text(encoding="utf-8").strip() == \
        made.settings.observation_crs
