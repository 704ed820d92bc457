"""The site CRS in QGIS's list, on layers and on the project."""

from __future__ import annotations

from pathlib import Path
from typing import Iterator, List

import pytest
from qgis.core import (
    QgsApplication,
    QgsCoordinateReferenceSystem,
    QgsProject,
    QgsVectorLayer,
)

from sitetie.core import Tie, tie_from_parameters
from sitetie.core.settings import Settings
from sitetie.plugin.site_crs import (
    layers_on_other_ties,
    put_project_on,
    register,
    registered,
    set_on_layers,
    site_crs_name,
    take_project_back,
    tie_in_words,
    tie_of,
)
from sitetie.tests.plugin.processing_runs import Listener, memory_layer, run


def registry():
    return QgsApplication.coordinateReferenceSystemRegistry()


def names() -> List[str]:
    return [known.name for known in registry().userCrsList()]


@pytest.fixture(autouse=True)
def _clean() -> Iterator[None]:
    """An empty list of user CRSs and an empty project, before and after."""
    # pytest-qgis makes no profile of its own; QGIS and qgis_process do.
    assert QgsApplication.createDatabase()
    for _ in range(2):
        for known in registry().userCrsList():
            assert registry().removeUserCrs(known.id)
        QgsProject.instance().clear()
        if _ == 0:
            yield


def far_tie(**changes: float) -> Tie:
    """On the numbers of a national grid, where a tenth of a millimetre is 2e-11 of an offset."""
    return tie_from_parameters(
        Settings(base_crs="EPSG:25832", observation_crs="EPSG:4258"), "EPSG:9621",
        {"easting": -600000.0, "northing": -5300000.0, "scale": 1.0000138, "rotation": 12.0,
         **changes})


def test_a_tie_registered_twice_is_there_once(tie: Tie) -> None:
    first = register(tie, site="Tannhag")
    again = register(tie, site="Another title")
    assert names() == [f"Tannhag, site grid, tie {tie.short_id}"]
    assert first.authid() == again.authid()
    assert first.authid().startswith("USER:")
    assert tie_of(first) == tie.short_id


def test_the_number_comes_into_the_name_when_it_is_known(tie: Tie) -> None:
    before = register(tie, site="Tannhag").authid()
    crs = register(tie, 3, "Tannhag")
    assert names() == [f"Tannhag, site grid, tie 3 ({tie.short_id})"]
    assert crs.authid() == before
    assert tie_in_words(crs) == "tie 3"
    assert register(tie).description() == crs.description()


def test_ties_a_tenth_of_a_millimetre_apart_stay_two() -> None:
    older, newer = far_tie(), far_tie(northing=-5300000.0001)
    assert register(older, 1).authid() != register(newer, 2).authid()
    assert len(names()) == 2
    # What comes back from a file is text alone: each is known again as itself.
    for one in (older, newer):
        crs = QgsCoordinateReferenceSystem.fromWkt(one.crs_wkt("from a file"))
        assert tie_of(crs) == one.short_id
        assert tie_of(registered(one.short_id)) == one.short_id


@pytest.mark.parametrize(("name", "tie_id"), [
    (site_crs_name("1a2b3c4d"), "1a2b3c4d"),
    (site_crs_name("1a2b3c4d", 12, "North, lot 3"), "1a2b3c4d"),
    ("Site grid (present tie)", None),
    ("necktie 1a2b3c4d", None),
    ("Site grid, tie 2 (1a2b3c4d), copy", None),
])
def test_a_name_tells_of_its_tie(name: str, tie_id, tie: Tie) -> None:
    crs = QgsCoordinateReferenceSystem.fromWkt(tie.crs_wkt(name))
    assert tie_of(crs) == tie_id


def test_layers_on_an_older_tie_are_found_and_move_on() -> None:
    older, newer = register(far_tie(), 1), register(far_tie(easting=-600000.02), 2)
    control = memory_layer("Point", "", [["Point (1000 2000)"]], "control")
    elsewhere = memory_layer("Point?crs=EPSG:4258", "", [["Point (10 48)"]], "gnss")
    QgsProject.instance().addMapLayers([control, elsewhere])
    set_on_layers([control], older)
    short_id = tie_of(newer)
    assert layers_on_other_ties(QgsProject.instance(), short_id) == [control]
    set_on_layers([control], newer)
    assert layers_on_other_ties(QgsProject.instance(), short_id) == []
    assert control.crs().authid() == newer.authid()
    assert next(control.getFeatures()).geometry().asPoint().x() == 1000.0


@pytest.mark.parametrize("before", ["EPSG:25833", "", "own"])
def test_the_project_goes_onto_the_site_and_back(before: str, tie: Tie, tmp_path: Path) -> None:
    project = QgsProject.instance()
    text = far_tie(rotation=40.0).crs_wkt("Plane of the office") if before == "own" else before
    had = QgsCoordinateReferenceSystem.fromWkt(text) if before == "own" else \
        QgsCoordinateReferenceSystem(text)
    project.setCrs(had)
    put_project_on(project, register(tie, 1))
    put_project_on(project, register(far_tie(), 2))  # the newer tie is not what it was before
    assert tie_of(project.crs()) == far_tie().short_id
    path = str(tmp_path / "job.qgz")
    assert project.write(path)
    project.clear()
    assert project.read(path)
    take_project_back(project)
    assert project.crs().isValid() == had.isValid()
    assert project.crs() == had
    assert project.crs().description() == had.description()


@pytest.mark.usefixtures("algorithms")
def test_the_algorithm_registers_sets_and_tells(tie: Tie, tie_file: Path, tmp_path: Path) -> None:
    project = QgsProject.instance()
    project.setTitle("Tannhag quarry")
    control = memory_layer("PointZ", "", [["PointZ (2000 5000 400)"]], "control")
    project.addMapLayer(control)
    listener = Listener()
    results = run("sitecrs", listener, TIE=tie_file, LAYERS=[control], PROJECT=True, NUMBER=4,
                  WKT_FILE=tmp_path / "site.wkt", HAND_OVER=tmp_path / "for the designer")
    name = f"Tannhag quarry, site grid, tie 4 ({tie.short_id})"
    assert results["NAME"] == name
    assert results["AUTHID"] == control.crs().authid() == project.crs().authid()
    assert (tmp_path / "site.wkt").read_text(encoding="utf-8") == results["WKT"]
    assert results["WKT"] == tie.crs_wkt(name)
    assert results["PIPELINE"] == tie.pipeline()
    assert results["PIPELINE_BACK"] == tie.pipeline(backward=True)
    assert sorted(path.name for path in (tmp_path / "for the designer").iterdir()) == [
        "from_site.pipeline", "hand_over.md", "site.sql", "site.wkt", "to_site.pipeline"]
    assert listener.warnings == []
    again = run("sitecrs", TIE=tie_file)
    assert again["AUTHID"] == results["AUTHID"]
    assert names() == [name]


@pytest.mark.usefixtures("algorithms")
def test_a_shapefile_is_said_to_lose_it(tie_file: Path, tmp_path: Path) -> None:
    points = memory_layer("Point", "id:string", [["Point (2000 5000)", "a"]])
    path = tmp_path / "old.shp"
    from qgis.core import QgsVectorFileWriter

    options = QgsVectorFileWriter.SaveVectorOptions()
    options.driverName = "ESRI Shapefile"
    QgsVectorFileWriter.writeAsVectorFormatV3(
        points, str(path), QgsProject.instance().transformContext(), options)
    layer = QgsVectorLayer(str(path), "old", "ogr")
    QgsProject.instance().addMapLayer(layer)
    listener = Listener()
    run("sitecrs", listener, TIE=tie_file, LAYERS=[layer])
    assert any("shapefile" in warning for warning in listener.warnings)
