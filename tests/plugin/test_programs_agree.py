"""QGIS, GDAL, PROJ's cct, PostGIS and the core bring the same points to the same place.

Sites of 10 km in three units, on bases in metres and feet, easting first, northing first, southing
and westing, turned in steps of ten degrees through the full circle, from the equator to 80 degrees
north and south, and across the antimeridian.
"""

from __future__ import annotations

import subprocess
from typing import Dict, List, NamedTuple, Optional, Tuple

import numpy as np
import pytest
from osgeo import gdal, osr
from qgis.core import (
    Qgis,
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCoordinateTransformContext,
    QgsPointXY,
    QgsVector3D,
)

from sitetie.core import Tie, solve
from sitetie.core.hand_over import postgis_sql, srid_of
from sitetie.tests.core.sites import METRES, random_site
from sitetie.tests.plugin.postgis_server import Postgis

#: What the project promises is 1e-4 m.
AGREEMENT = 1e-5
#: Base, observation CRS, latitude, longitude.
BASES: Tuple[Tuple[Optional[str], str, float, float], ...] = (
    (None, "EPSG:4326", 0.0, 30.0),
    (None, "EPSG:4326", 48.2, -3.1),
    (None, "EPSG:4326", 80.0, 20.0),
    (None, "EPSG:4326", -80.0, -120.0),
    (None, "EPSG:4326", -17.0, 180.0),  # across the antimeridian
    ("EPSG:25832", "EPSG:4258", 64.0, 10.5),
    ("EPSG:32760", "EPSG:4326", -16.5, 180.0),  # the same, on a national sort of grid
    ("EPSG:2193", "EPSG:4167", -41.3, 174.8),  # northing first
    ("EPSG:2921", "EPSG:4152", 41.0, -111.5),  # international feet
    ("EPSG:2263", "EPSG:4269", 40.7, -74.0),  # US survey feet
    ("EPSG:5513", "EPSG:4156", 50.1, 14.4),  # southing, westing
    ("EPSG:3031", "EPSG:4326", -75.0, 120.0),  # polar
)


class Case(NamedTuple):
    """A tie, points around its site, and where the core brings them (metres)."""

    tie: Tie
    frame: str
    longitude: np.ndarray
    latitude: np.ndarray
    height: np.ndarray
    site: np.ndarray

    @property
    def sizes(self) -> np.ndarray:
        """(3, 1) metres in the units of easting, northing, elevation."""
        h, v = (self.tie.settings.site_length.metres, self.tie.settings.elevation_length.metres)
        return np.array([[h], [h], [v]])

    def miss(self, found, count: int = 3) -> float:
        """The largest deviation of `count` site coordinates from the core's, metres."""
        return float(np.abs(np.asarray(found)[:count] * self.sizes[:count]
                            - self.site[:count]).max())

    def miss_back(self, longitude, latitude, height=None) -> float:
        """The largest deviation of geodetic positions, in metres."""
        turn = (np.asarray(longitude) - self.longitude + 180.0) % 360.0 - 180.0
        north = (np.asarray(latitude) - self.latitude) * 111_700.0
        east = turn * 111_700.0 * np.cos(np.radians(self.latitude))
        up = 0.0 if height is None else np.asarray(height) - self.height
        return float(np.sqrt(north**2 + east**2 + up**2).max())


def make_cases() -> List[Case]:
    cases = []
    for i, (base, frame, latitude, longitude) in enumerate(BASES):
        for j, unit in enumerate(METRES):
            site = random_site(
                100 * i + j, place=(latitude, longitude), extent=10_000.0, site_unit=unit,
                rotation=np.radians(10.0 * (3 * i + j)),
                elevation_unit=list(METRES)[(j + i) % 3])
            tie = solve(site.pairs, site.settings.replace(base_crs=base, observation_crs=frame))
            cases.append(_case(tie, frame, latitude, longitude, i))
    return cases


def _case(tie: Tie, frame: str, latitude: float, longitude: float, seed: int) -> Case:
    draw = np.random.default_rng(seed)
    north, east = draw.uniform(-5000.0, 5000.0, (2, 12))
    lat = latitude + north / 111_700.0
    lon = longitude + east / (111_300.0 * np.cos(np.radians(latitude)))
    lon = (lon + 180.0) % 360.0 - 180.0
    height = draw.uniform(0.0, 1500.0, 12)
    sizes = np.array([[tie.settings.site_length.metres]] * 2
                     + [[tie.settings.elevation_length.metres]])
    return Case(tie, frame, lon, lat, height, np.array(tie.to_site(lat, lon, height)) * sizes)


@pytest.fixture(scope="module")
def cases() -> List[Case]:
    return make_cases()


def test_the_cases_are_what_they_are_said_to_be(cases: List[Case]) -> None:
    turns = [case.tie.parameters["rotation"].value for case in cases]
    # In steps of 10 degrees, less the convergence of the base, which is large near a pole.
    assert len(turns) == 36
    assert {int(turn % 360.0 // 30.0) for turn in turns} == set(range(12))
    assert {case.tie.settings.site_unit for case in cases} == set(METRES)
    across = [case for case in cases if np.ptp(case.longitude) > 300.0]
    assert len(across) == 6
    assert all(np.ptp(case.site[0]) > 5000.0 for case in cases)


def test_qgis(cases: List[Case]) -> None:
    for case in cases:
        site = QgsCoordinateReferenceSystem.fromWkt(case.tie.crs_wkt())
        there = QgsCoordinateTransform(
            QgsCoordinateReferenceSystem(case.frame), site, QgsCoordinateTransformContext())
        points = [there.transform(QgsPointXY(x, y))
                  for x, y in zip(case.longitude, case.latitude)]
        assert case.miss(np.array([(p.x(), p.y()) for p in points]).T, 2) < AGREEMENT, case.frame
        back = [there.transform(p, Qgis.TransformDirection.Reverse)
                for p in points]
        assert case.miss_back([p.x() for p in back], [p.y() for p in back]) < AGREEMENT, case.frame


def test_qgis_in_three_dimensions_by_the_pipeline(cases: List[Case]) -> None:
    for case in cases[::5]:
        site = QgsCoordinateReferenceSystem.fromWkt(case.tie.crs_wkt())
        frame = QgsCoordinateReferenceSystem(case.frame)
        context = QgsCoordinateTransformContext()
        assert context.addCoordinateOperation(frame, site, case.tie.pipeline(), False)
        there = QgsCoordinateTransform(frame, site, context)
        points = [there.transform(QgsVector3D(*p))
                  for p in zip(case.longitude, case.latitude, case.height)]
        assert case.miss(np.array([(p.x(), p.y(), p.z()) for p in points]).T) < AGREEMENT


def test_gdal(cases: List[Case]) -> None:
    """Its coordinate transformation, and the transformer of its warper."""
    for case in cases:
        frame, site = osr.SpatialReference(), osr.SpatialReference()
        assert frame.SetFromUserInput(case.frame) == 0
        assert site.SetFromUserInput(case.tie.crs_wkt()) == 0
        for crs in (frame, site):
            crs.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
        given = np.stack([case.longitude, case.latitude, case.height], axis=1).tolist()
        found = np.array(osr.CoordinateTransformation(frame, site).TransformPoints(given)).T
        assert case.miss(found, 2) < AGREEMENT, case.frame
        assert np.abs(found[2] - case.height).max() < 1e-9
        warper = gdal.Transformer(None, None, [
            "SRC_METHOD=NO_GEOTRANSFORM", "DST_METHOD=NO_GEOTRANSFORM",
            f"SRC_SRS={frame.ExportToWkt(['FORMAT=WKT2_2019'])}",
            f"DST_SRS={case.tie.crs_wkt()}"])
        warped, done = warper.TransformPoints(False, given)
        assert all(done)
        assert case.miss(np.array(warped).T, 2) < AGREEMENT, case.frame
        back, done = warper.TransformPoints(True, warped)
        assert case.miss_back(*np.array(back).T[:2]) < AGREEMENT, case.frame


def test_cct(cases: List[Case]) -> None:
    """Three dimensions, there and back."""
    for case in cases:
        found = cct(case.tie.pipeline(), case.longitude, case.latitude, case.height)
        assert case.miss(found) < AGREEMENT, case.frame
        assert case.miss_back(*cct(case.tie.pipeline(backward=True), *found)) < AGREEMENT


def cct(pipeline: str, *columns: np.ndarray) -> np.ndarray:
    lines = "".join(" ".join(f"{value!r}" for value in map(float, row)) + "\n"
                    for row in zip(*columns))
    done = subprocess.run(["cct", "-d", "12", *pipeline.split()], input=lines, text=True,
                          capture_output=True, check=True)
    return np.array([line.split()[:3] for line in done.stdout.splitlines()], dtype=float).T


def test_postgis(cases: List[Case], postgis: Postgis) -> None:
    """The CRS in spatial_ref_sys, there and back; the function with elevations; the pipeline where
    PostGIS has that (3.4)."""
    pipelines = postgis.version >= (3, 4)
    script = []
    for i, case in enumerate(cases):
        srid, frame = srid_of(case.tie), case.frame.split(":")[1]
        script.append(postgis_sql(case.tie))
        points = ",".join(f"({k},ST_SetSRID(ST_MakePoint({x!r},{y!r},{z!r}),{frame}))" for k, (
            x, y, z) in enumerate(zip(*(map(float, a) for a in (
                case.longitude, case.latitude, case.height)))))
        ways = {"plane": f"ST_Transform(g,{srid})", "function": f"to_site_{srid}(g)",
                "back": f"ST_Transform(ST_Transform(g,{srid}),{frame})"}
        if pipelines:
            ways["pipeline"] = f"ST_TransformPipeline(g,'{case.tie.pipeline()}',{srid})"
            ways["pipeline_back"] = (f"ST_TransformPipeline({ways['pipeline']},"
                                     f"'{case.tie.pipeline(backward=True)}',{frame})")
        for name, way in ways.items():
            script.append(
                f"SELECT {i},'{name}',ST_X(p),ST_Y(p),ST_Z(p) FROM (SELECT k,{way} AS p FROM "
                f"(VALUES {points}) AS v(k,g)) AS t ORDER BY k;")
    found: Dict[Tuple[int, str], List[List[float]]] = {}
    for i, name, *numbers in postgis.rows("SET extra_float_digits=3;" + "\n".join(script)):
        found.setdefault((int(i), name), []).append([float(number) for number in numbers])
    for i, case in enumerate(cases):
        assert case.miss(np.array(found[i, "plane"]).T, 2) < AGREEMENT, case.frame
        assert case.miss(np.array(found[i, "function"]).T) < AGREEMENT, case.frame
        assert case.miss_back(*np.array(found[i, "back"]).T) < AGREEMENT, case.frame
        if pipelines:
            assert case.miss(np.array(found[i, "pipeline"]).T) < AGREEMENT, case.frame
            assert case.miss_back(*np.array(found[i, "pipeline_back"]).T) < AGREEMENT
