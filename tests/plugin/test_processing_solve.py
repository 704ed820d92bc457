"""sitetie:solve in QGIS: the core's own tie from any table, whole results or none."""

from __future__ import annotations

import json
import os
import re
import subprocess
from pathlib import Path
from typing import Any, Dict, Iterator

import pytest
from qgis.core import (
    NULL,
    QgsApplication,
    QgsProcessingException,
    QgsProcessingFeatureSourceDefinition,
    QgsProject,
    QgsVectorFileWriter,
    QgsVectorLayer,
)

from sitetie.core import Settings, Tie, find_suspects, read_pairs, solve, write_pairs
from sitetie.core.errors import OutputError
from sitetie.core.settings import HORIZONTAL_MODELS, SIGMA_BASES
from sitetie.core.units import UNITS
from sitetie.plugin.processing import settings_parameters
from sitetie.tests.plugin.processing_runs import (
    MADE_UP,
    QUARRY,
    Listener,
    as_parameters,
    layer_of,
    made_up_pairs,
    memory_layer,
    quarry_settings,
    rows_of,
    run,
)

HEADER = ("control_id,easting,northing,elevation,observation_id,latitude,longitude,height,"
          "horizontal,vertical\n")

pytestmark = pytest.mark.usefixtures("algorithms")


@pytest.fixture(scope="module")
def expected() -> Tie:
    return solve(read_pairs(QUARRY / "pairs_reviewed.csv"), Settings(**quarry_settings()))


@pytest.fixture
def quarry() -> Dict[str, Any]:
    return {"PAIRS": QUARRY / "pairs_reviewed.csv", **as_parameters(quarry_settings())}


@pytest.fixture
def clean_project(qgis_app: QgsApplication) -> Iterator[QgsProject]:
    yield QgsProject.instance()
    QgsProject.instance().clear()


def numbers(tie: Tie) -> tuple:
    """What a tie computes, without where its pairs were read."""
    return tie.horizontal, tie.vertical, tie.rows, tie.statistics, tie.settings


# -- the same tie as the core's --------------------------------------------------------------


def test_tie_of_a_text_file_is_the_cores_own(quarry, expected: Tie, tmp_path: Path) -> None:
    listener = Listener()
    result = run("solve", listener, TIE=tmp_path / "tie.json", **quarry)
    tie = Tie.load(result["TIE"])
    assert tie.id == expected.id
    assert any("Columns read: control_id, easting" in said for said in listener.infos)
    assert any("14 pairs fit, 2 check, 1 idle" in said for said in listener.infos)


@pytest.mark.parametrize("ending", ["gpkg", "csv", "shp"])
def test_tie_of_a_layer_is_the_cores_own(
    quarry, expected: Tie, tmp_path: Path, clean_project: QgsProject, ending: str
) -> None:
    """A CSV layer of the project is read as its file; the others row by row."""
    path = QUARRY / "pairs_reviewed.csv"
    if ending != "csv":
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName = {"gpkg": "GPKG", "shp": "ESRI Shapefile"}[ending]
        path = tmp_path / f"pairs.{'dbf' if ending == 'shp' else ending}"
        error, *_ = QgsVectorFileWriter.writeAsVectorFormatV3(
            layer_of(QUARRY / "pairs_reviewed.csv"), str(path).replace(".dbf", ".shp"),
            clean_project.transformContext(), options)
        assert error == QgsVectorFileWriter.WriterError.NoError
    layer = layer_of(path)
    clean_project.addMapLayer(layer)
    columns = {"COLUMNS": "observation_id=observatio;control_sigma_h=control_si;"
                          "control_sigma_v=control__1"} if ending == "shp" else {}
    for value in (layer, layer.id(), str(path)):
        run("solve", TIE=tmp_path / "tie.json", **{**quarry, "PAIRS": value}, **columns)
        assert numbers(Tie.load(tmp_path / "tie.json")) == numbers(expected)


def test_delimited_text_layer_is_read_as_its_file(
    quarry, tmp_path: Path, clean_project: QgsProject
) -> None:
    """Leading zeros survive, which QGIS's guess of types would take off."""
    write_pairs(tmp_path / "made up.csv", made_up_pairs())
    layer = QgsVectorLayer(
        (tmp_path / "made up.csv").as_uri() + "?delimiter=,&detectTypes=yes", "csv",
        "delimitedtext")
    assert layer.isValid()
    assert layer.fields().field("control_id").isNumeric()
    clean_project.addMapLayer(layer)
    settings = {k: v for k, v in vars(MADE_UP).items() if k != "elevation_unit"}
    settings.pop("scale")
    result = run("solve", PAIRS=layer, TIE=tmp_path / "tie.json", **as_parameters(settings))
    tie = Tie.load(result["TIE"])
    assert numbers(tie) == numbers(solve(made_up_pairs(), MADE_UP))
    assert tie.pairs[0].control.id == "001"


def test_a_typed_table_with_nulls_and_numbers(tmp_path: Path) -> None:
    pairs = made_up_pairs()
    fields = ",".join(
        f"{name}:string(9)" if name.endswith("_id") or name in ("horizontal", "vertical")
        else f"{name}:double" for name in HEADER.strip().split(","))
    rows = [
        [None, p.control.id, p.control.easting, p.control.northing,
         NULL if i == 2 else p.control.elevation, p.observation.id, p.observation.latitude,
         p.observation.longitude, p.observation.height, p.horizontal.value,
         "idle" if i == 2 else p.vertical.value]
        for i, p in enumerate(pairs)
    ]
    layer = memory_layer("NoGeometry", fields, rows)
    run("solve", PAIRS=layer, TIE=tmp_path / "tie.json", SITE_UNIT="us-ft",
        OBSERVATION_CRS="EPSG:6319")
    tie = Tie.load(tmp_path / "tie.json")
    assert tie.pairs[2].control.elevation is None
    assert tie.pairs[0].control.easting == pairs[0].control.easting
    assert tie.statistics.horizontal.assumed_sigmas


def test_a_choice_of_features_is_followed(
    quarry, tmp_path: Path, clean_project: QgsProject
) -> None:
    layer = layer_of(QUARRY / "pairs_reviewed.csv")
    clean_project.addMapLayer(layer)
    layer.selectByExpression("\"control_id\" in ('K01','K02','K03','K05')")
    chosen = QgsProcessingFeatureSourceDefinition(layer.id(), True)
    run("solve", TIE=tmp_path / "tie.json", **{**quarry, "PAIRS": chosen,
                                               "VERTICAL_MODEL": "shift"})
    assert {p.control.id for p in Tie.load(tmp_path / "tie.json").pairs} == {
        "K01", "K02", "K03", "K05"}
    layer.setSubsetString("\"control_id\" <> 'K05'")
    run("solve", TIE=tmp_path / "tie.json", **{**quarry, "PAIRS": layer,
                                               "VERTICAL_MODEL": "shift"})
    assert "K05" not in {p.control.id for p in Tie.load(tmp_path / "tie.json").pairs}


# -- settings --------------------------------------------------------------------------------


def test_defaults_are_those_of_the_core(tmp_path: Path) -> None:
    write_pairs(tmp_path / "pairs.csv", made_up_pairs())
    run("solve", PAIRS=tmp_path / "pairs.csv", SITE_UNIT="us-ft", TIE=tmp_path / "tie.json")
    frozen = Tie.load(tmp_path / "tie.json").settings
    assert frozen.replace(base_crs=None) == Settings(site_unit="us-ft")


def test_choices_are_those_of_the_core() -> None:
    for choices, codes in (
        (settings_parameters.UNITS, UNITS), (settings_parameters.SIGMA_BASES, SIGMA_BASES),
    ):
        assert [code for code, _ in choices] == list(codes)
    assert {c for c, _ in settings_parameters.HORIZONTAL_MODELS} == set(HORIZONTAL_MODELS)


@pytest.mark.parametrize("value", ["us-ft", "US survey foot, 1200/3937 m exactly (us-ft)", 2, "2"])
def test_a_choice_is_known_by_code_label_and_number(tmp_path: Path, value: object) -> None:
    write_pairs(tmp_path / "pairs.csv", made_up_pairs())
    run("solve", PAIRS=tmp_path / "pairs.csv", SITE_UNIT=value, TIE=tmp_path / "tie.json")
    assert Tie.load(tmp_path / "tie.json").settings.site_unit == "us-ft"


def test_every_setting_reaches_the_core(tmp_path: Path) -> None:
    write_pairs(tmp_path / "pairs.csv", made_up_pairs())
    given = {
        "site_unit": "us-ft", "elevation_unit": "ft", "observation_crs": "EPSG:6319",
        "base_crs": "EPSG:6339", "observation_epoch": 2026.35, "datum_operation": "identical",
        "horizontal_model": "rigid", "vertical_model": None, "geoid": None,
        "sigma_basis": "estimated", "confidence": 0.9, "test_level": 0.01, "power": 0.7,
        "tolerance_h": 0.5, "tolerance_v": 0.25, "gnss_sigma_h": 0.011, "gnss_sigma_v": 0.022,
        "control_sigma_h": 0.033, "control_sigma_v": 0.044, "session_correlation": 0.0,
    }
    parameters = {**as_parameters(given), "VERTICAL_MODEL": "none", "SCALE": "typed",
                  "SCALE_VALUE": 1.0003, "SCALE_SIGMA": 2e-5}
    run("solve", PAIRS=tmp_path / "pairs.csv", TIE=tmp_path / "tie.json", **parameters)
    settings = Tie.load(tmp_path / "tie.json").settings
    for name, value in given.items():
        assert getattr(settings, name) == value, name
    assert (settings.scale.value, settings.scale.sigma, settings.scale.basis) == (
        1.0003, 2e-5, "typed")


@pytest.mark.parametrize(
    ("parameters", "basis", "value"),
    [
        ({"SCALE": "unity"}, "unity", 1.0),
        ({"SCALE": "ground", "SCALE_SIGMA": 0.0}, "ground", 1.0000851),
        ({"SCALE": "grid", "SCALE_CRS": "EPSG:3045"}, "grid", 0.9996003),
    ],
)
def test_a_scale_held_for_what_it_is(quarry, tmp_path: Path, parameters, basis, value) -> None:
    """Ground: 1 + 545 m / 6 380 km; UTM 33 near its central meridian: 0.9996."""
    run("solve", TIE=tmp_path / "tie.json", **{**quarry, "TOLERANCE_H": None}, **parameters)
    tie = Tie.load(tmp_path / "tie.json")
    assert tie.settings.scale.basis == basis
    assert tie.settings.scale.value == pytest.approx(value, abs=1.5e-6)
    if "SCALE_SIGMA" in parameters:
        assert tie.settings.scale.sigma == 0.0


def test_a_later_tie_keeps_the_base_of_an_earlier_one(quarry, tmp_path: Path) -> None:
    run("solve", **{**quarry, "PAIRS": QUARRY / "pairs_first_two.csv", "VERTICAL_MODEL": "shift",
                    "TIE": tmp_path / "first.json"})
    run("solve", **quarry, EARLIER_TIE=tmp_path / "first.json", TIE=tmp_path / "later.json")
    run("solve", **quarry, TIE=tmp_path / "fresh.json")
    first, later, fresh = (
        Tie.load(tmp_path / f"{name}.json").base for name in ("first", "later", "fresh"))
    assert later == first
    assert fresh != first
    with pytest.raises(QgsProcessingException, match="earlier tie takes observations in EPSG:7931"):
        run("solve", **{**quarry, "OBSERVATION_CRS": "EPSG:4937"},
            EARLIER_TIE=tmp_path / "first.json", TIE=tmp_path / "other.json")


def test_packed_positions_and_named_columns(quarry, tmp_path: Path) -> None:
    text = (QUARRY / "pairs_first_two.csv").read_text(encoding="utf-8")
    text = text.replace("easting,northing", "rechts,hoch").replace(
        "48.786218952,14.932540622", "48.47103882272,14.55571462392").replace(
        "48.786011931,14.930545671", "48.47096429516,14.55499644156")
    (tmp_path / "pairs.csv").write_text(text, encoding="utf-8")
    listener = Listener()
    run("solve", listener, **{**quarry, "PAIRS": tmp_path / "pairs.csv", "PACKED_DMS": True,
                              "VERTICAL_MODEL": "shift", "TIE": tmp_path / "tie.json",
                              "COLUMNS": "easting=rechts; northing=hoch"})
    pair = Tie.load(tmp_path / "tie.json").pairs[0]
    assert pair.observation.latitude == pytest.approx(48.786218952, abs=1e-12)
    assert any("easting = rechts, northing = hoch" in said for said in listener.infos)


# -- residuals -------------------------------------------------------------------------------


def test_residual_lines_lead_from_the_given_to_the_solved_position(
    quarry, expected: Tie, tmp_path: Path
) -> None:
    result = run("solve", TIE=tmp_path / "tie.json", RESIDUALS=tmp_path / "residuals.gpkg",
                 EXAGGERATION=500, **quarry)
    layer = layer_of(result["RESIDUALS"])
    assert not layer.crs().authid()
    features = list(layer.getFeatures())
    assert len(features) == len(expected.rows) == 17
    for feature, pair, row in zip(features, expected.pairs, expected.rows):
        assert feature["control_id"] == row.control_id
        assert feature["verdict_h"] == row.horizontal.verdict
        assert feature["res_u"] == (NULL if row.vertical.residual is None else row.up)
        if not pair.control.has_position:
            assert feature.geometry().isEmpty()
            assert feature["res_e"] == NULL
            continue
        start, end = feature.geometry().asPolyline()
        assert (start.x(), start.y()) == (pair.control.easting, pair.control.northing)
        assert end.x() - start.x() == pytest.approx(500 * row.east, abs=1e-9)
        assert end.y() - start.y() == pytest.approx(500 * row.north, abs=1e-9)
        assert (feature["res_e"], feature["res_n"]) == (row.east, row.north)
    elevation_only = [pair.control.id for pair in expected.pairs if not pair.control.has_position]
    assert elevation_only == ["K11"]


def test_an_exaggeration_is_chosen_and_the_longest_lines_may_be_cut(
    quarry, tmp_path: Path
) -> None:
    listener = Listener()
    result = run("solve", listener, TIE=tmp_path / "tie.json", RESIDUALS="memory:",
                 **{**quarry, "PAIRS": QUARRY / "pairs.csv"})
    features = rows_of(result["RESIDUALS"])
    factor, *others = {row["factor"] for row in features}
    assert not others
    assert f"exaggerated {factor:g} times" in "".join(listener.infos)
    for feature in result["RESIDUALS"].getFeatures():
        if feature.geometry().isEmpty():
            continue
        drawn, wanted = feature.geometry().length(), factor * feature["len_h"]
        if feature["cut"]:
            assert drawn < wanted
        else:
            assert drawn == pytest.approx(wanted)
    accused = {row["control_id"] for row in features
               if "does not belong" in (row["verdict_h"], row["verdict_v"])}
    assert accused == {"K08", "K09"}


# -- reports ---------------------------------------------------------------------------------


def test_reports_are_those_of_the_core(quarry, expected: Tie, tmp_path: Path) -> None:
    result = run("solve", TIE=tmp_path / "tie.json", REPORT=tmp_path / "report.html",
                 REPORT_PDF=tmp_path / "report.pdf", PAPER="Letter", JOB="Tannhag <quarry>",
                 SURVEYOR="I. Ilmar", LICENCE="77-X", NOTE="invented", **quarry)
    assert set(result) == {"TIE", "REPORT", "REPORT_PDF"}
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    for text in (expected.id, "Tannhag &lt;quarry&gt;", "I. Ilmar", "77-X", "invented", "K09"):
        assert text in page, text
    told = subprocess.run(["pdfinfo", tmp_path / "report.pdf"], capture_output=True, text=True)
    assert re.search(r"Page size: +612(\.\d+)? x 792(\.\d+)? pts", told.stdout), told.stdout
    text = subprocess.run(["pdftotext", tmp_path / "report.pdf", "-"], capture_output=True,
                          text=True).stdout
    assert f"tie {expected.short_id}" in text
    assert "77-X" in text


def test_a_report_that_fails_leaves_no_tie(
    quarry, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sitetie.core import report

    def fail(*_: object) -> None:
        raise OutputError("No ink.", "Refill.")

    monkeypatch.setattr(report, "write_report", fail)
    with pytest.raises(QgsProcessingException, match="No ink"):
        run("solve", TIE=tmp_path / "tie.json", REPORT=tmp_path / "report.html", **quarry)
    assert os.listdir(tmp_path) == []


# -- whole results or none, and errors as sentences ---------------------------------------------


def bad(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "bad.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", r"bad\.csv: The file is empty"),
        ("control,x\n1,2\n", r"bad\.csv, row 1: Column"),
        (HEADER + "A,1,2,3,a,50,7,1,fit,fit\nB,1x,2,3,b,50.1,7,1,fit,fit\n",
         r"bad\.csv, row 3, point B: easting '1x'"),
        (HEADER + "A,1,2,3,a,95,7,1,fit,fit\n", r"row 2, point A: .*[Ll]atitude"),
        (HEADER + "A,1,2,3,a,50,7,1,fit,fit\n", "two|at least"),
        (HEADER + "A,1,2,3,a,50,7,1,idle,fit\n", "No pair has the horizontal role fit"),
    ],
)
def test_bad_tables_are_refused_in_words(tmp_path: Path, text: str, message: str) -> None:
    path = bad(tmp_path, text)
    before = sorted(os.listdir(tmp_path))
    with pytest.raises(QgsProcessingException, match=message) as caught:
        run("solve", PAIRS=path, TIE=tmp_path / "tie.json", RESIDUALS=tmp_path / "r.gpkg")
    assert "Traceback" not in str(caught.value)
    assert sorted(os.listdir(tmp_path)) == before


@pytest.mark.parametrize(
    ("parameters", "message"),
    [
        ({"PAIRS": "/nowhere/pairs.csv"}, "does not exist"),
        ({"SITE_UNIT": "yard"}, "SITE_UNIT is 'yard'. Allowed: m, ft, us-ft"),
        ({"CONFIDENCE": 95}, "confidence is 95"),
        ({"GNSS_SIGMA_H": 0}, "gnss_sigma_h is 0"),
        ({"TOLERANCE_H": -1}, "tolerance_h is -1"),
        ({"OBSERVATION_CRS": "EPSG:25833"}, "latitudes and longitudes need a geographic CRS"),
        ({"BASE_CRS": "EPSG:4326"}, "is a geographic CRS, not a projected one"),
        ({"GEOID": "no_such.gtx"}, "geoid grid 'no_such.gtx' cannot be opened"),
        ({"SCALE": "typed"}, "SCALE_VALUE is blank"),
        ({"SCALE": "grid"}, "not named"),
        ({"HORIZONTAL_MODEL": "affine", "SCALE": "unity"}, "affine model has no single scale"),
        ({"COLUMNS": "easting"}, "names no column for a field"),
        ({"COLUMNS": "easting=nowhere"}, "no column 'nowhere'"),
        ({"EARLIER_TIE": "/nowhere/tie.json"}, "tie file cannot be read"),
        ({"TIE": "/nowhere/tie.json"}, "Nothing can be written there"),
    ],
)
def test_bad_settings_are_refused_in_words(quarry, tmp_path: Path, parameters, message) -> None:
    given = {**quarry, "TIE": tmp_path / "tie.json", **parameters}
    with pytest.raises(QgsProcessingException, match=message) as caught:
        run("solve", **given)
    assert "Traceback" not in str(caught.value)
    assert os.listdir(tmp_path) == []


def test_after_a_failure_the_old_results_stay(
    quarry, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("tie.json", "residuals.gpkg"):
        (tmp_path / name).write_text("the old one")

    def fail(self: Tie, path: str) -> None:
        Path(path).write_text("half")
        raise OutputError("The disk is full.", "Make room.")

    monkeypatch.setattr(Tie, "save", fail)
    with pytest.raises(QgsProcessingException, match="The disk is full. Make room."):
        run("solve", TIE=tmp_path / "tie.json", RESIDUALS=tmp_path / "residuals.gpkg", **quarry)
    assert sorted(os.listdir(tmp_path)) == ["residuals.gpkg", "tie.json"]
    assert all(path.read_text() == "the old one" for path in tmp_path.iterdir())


def test_stopped_half_way_nothing_is_written(quarry, tmp_path: Path) -> None:
    with pytest.raises(QgsProcessingException, match="Stopped before the end"):
        run("solve", Listener(stop_at=50), TIE=tmp_path / "tie.json",
            RESIDUALS=tmp_path / "residuals.gpkg", **quarry)
    assert os.listdir(tmp_path) == []


# -- help ------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["solve", "restate", "geodetic"])
def test_every_parameter_has_help(name: str) -> None:
    algorithm = QgsApplication.processingRegistry().algorithmById(f"sitetie:{name}")
    assert len(algorithm.shortHelpString()) > 200
    assert algorithm.shortDescription()
    for parameter in algorithm.parameterDefinitions():
        assert len(parameter.help()) > 10, parameter.name()
        assert parameter.description() != parameter.name()


def test_the_tie_file_is_the_cores_own_json(quarry, tmp_path: Path) -> None:
    run("solve", TIE=tmp_path / "tie.json", **quarry)
    text = (tmp_path / "tie.json").read_text(encoding="utf-8")
    assert json.loads(text)["format"] == "sitetie-tie"


# -- suspects and corrections ----------------------------------------------------------------


def test_the_log_names_what_is_probably_wrong(tmp_path: Path) -> None:
    """The blunders that were planted in the sample: exchanged digits at K08, the pole at K09."""
    listener = Listener()
    run("solve", listener, PAIRS=QUARRY / "pairs.csv", TIE=tmp_path / "tie.json",
        **as_parameters(quarry_settings()))
    said = [words for words in listener.warnings if words.startswith("Probably wrong: ")]
    assert "K08" in said[0]
    assert said[0].endswith("two neighbouring digits are exchanged.")
    assert "K09" in said[1]
    assert said[1].endswith("the pole had another height.")
    assert all(words.startswith("Probably wrong: Or: ") for words in said[2:])


@pytest.mark.parametrize("ending", ["csv", "gpkg"])
def test_corrections_in_a_table_are_followed_and_go_with_the_tie(
    tmp_path: Path, clean_project: QgsProject, ending: str
) -> None:
    settings = Settings(**quarry_settings())
    raw = read_pairs(QUARRY / "pairs.csv")
    corrected = find_suspects(raw, settings)[0].pairs
    table = tmp_path / "pairs.csv"
    write_pairs(table, corrected)
    source: Any = table
    if ending == "gpkg":
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName = "GPKG"
        source = tmp_path / "pairs.gpkg"
        error, *_ = QgsVectorFileWriter.writeAsVectorFormatV3(
            QgsVectorLayer(str(table), "pairs", "ogr"), str(source),
            QgsProject.instance().transformContext(), options)
        assert error == QgsVectorFileWriter.WriterError.NoError
    listener = Listener()
    result = run("solve", listener, PAIRS=source, TIE=tmp_path / "tie.json",
                 **as_parameters(quarry_settings()))
    tie = Tie.load(result["TIE"])
    place = next(i for i, pair in enumerate(tie.pairs) if pair.corrections)
    assert tie.pairs[place].control.id == "K08"
    assert tie.pairs[place].corrections == corrected[place].corrections
    assert tie.pairs[place].given_observation == raw[place].observation
    assert tie.residuals["K08"].horizontal.size < 0.02
    assert any(said.startswith("K08 = ST-K08 is corrected: latitude 48.788974840° instead of "
                               "48.788794840° as given") for said in listener.infos)
