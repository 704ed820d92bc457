"""The algorithms in a model, in batch, as a background task, and from the command line."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import List

import numpy as np
import pytest
from qgis.core import (
    QgsApplication,
    QgsProcessingAlgRunnerTask,
    QgsProcessingContext,
    QgsProcessingModelAlgorithm,
    QgsProcessingModelChildAlgorithm,
    QgsProcessingModelChildParameterSource,
    QgsProcessingModelOutput,
    QgsProcessingModelParameter,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFeatureSource,
    QgsProcessingUtils,
    QgsProject,
)
from qgis.PyQt.QtCore import QEventLoop

from sitetie.core import Settings, Tie, read_pairs, solve, write_pairs
from sitetie.core.restate import observation_covariances, restate
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

ROOT = Path(__file__).resolve().parents[2]
SITE = ("site_e", "site_n", "site_z", "site_se", "site_sn", "site_sz")


def algorithm(name: str):
    return QgsApplication.processingRegistry().createAlgorithmById(f"sitetie:{name}")


# -- in QGIS ---------------------------------------------------------------------------------------


@pytest.mark.usefixtures("algorithms")
def test_in_a_model_from_pairs_to_restated_points() -> None:
    """Pairs and points in; the tie goes from one step to the next."""
    model = QgsProcessingModelAlgorithm("tie and restate", "test")
    for name in ("pairs", "points"):
        model.addModelParameter(
            QgsProcessingParameterFeatureSource(name, name), QgsProcessingModelParameter(name))
    source = QgsProcessingModelChildParameterSource
    first = QgsProcessingModelChildAlgorithm("sitetie:solve")
    first.setChildId("solve")
    first.addParameterSources("PAIRS", [source.fromModelParameter("pairs")])
    for name, value in as_parameters(quarry_settings()).items():
        first.addParameterSources(name, [source.fromStaticValue(value)])
    model.addChildAlgorithm(first)
    second = QgsProcessingModelChildAlgorithm("sitetie:restate")
    second.setChildId("restate")
    second.addParameterSources("OBSERVATIONS", [source.fromModelParameter("points")])
    second.addParameterSources("TIE", [source.fromChildOutput("solve", "TIE")])
    output = QgsProcessingModelOutput("restated")
    output.setChildId("restate")
    output.setChildOutputName("OUTPUT")
    second.setModelOutputs({"restated": output})
    model.addChildAlgorithm(second)
    model.updateDestinationParameters()

    context, listener = QgsProcessingContext(), Listener()
    context.setProject(QgsProject.instance())
    results, done = model.run(
        {"pairs": str(QUARRY / "pairs_reviewed.csv"), "points": str(QUARRY / "topo_points.gpkg"),
         "restate:restated": "memory:"}, context, listener)
    assert done, listener.warnings
    rows = rows_of(context.takeResultLayer(results["restate:restated"]))
    tie = solve(read_pairs(QUARRY / "pairs_reviewed.csv"), Settings(**quarry_settings()))
    assert {row["site_tie"] for row in rows} == {tie.id[:12]}


@pytest.mark.usefixtures("algorithms")
def test_in_batch_one_row_fails_and_the_others_do_not(tmp_path: Path) -> None:
    rows = [{"PAIRS": str(QUARRY / f"{name}.csv"), "TIE": str(tmp_path / f"{name}.json"),
             "OBSERVATION_CRS": "EPSG:7931"}
            for name in ("pairs_first_two", "missing", "pairs_reviewed")]
    outcomes: List[bool] = []
    for row in rows:
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        _, done = algorithm("solve").run(row, context, Listener())
        outcomes.append(done)
    assert outcomes == [True, False, True]
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "pairs_first_two.json", "pairs_reviewed.json"]


def in_another_thread(name: str, parameters: dict) -> bool:
    """Run an algorithm as QGIS's window does."""
    context, listener, loop = QgsProcessingContext(), Listener(), QEventLoop()
    context.setProject(QgsProject.instance())
    seen = []
    task = QgsProcessingAlgRunnerTask(algorithm(name), parameters, context, listener)
    task.executed.connect(lambda done, results: (seen.append(done), loop.quit()))
    QgsApplication.taskManager().addTask(task)
    loop.exec()
    return seen == [True]


@pytest.mark.usefixtures("algorithms")
def test_as_a_task_in_another_thread(tmp_path: Path) -> None:
    """Reports are painted there, too."""
    files = {name: str(tmp_path / f"tie.{ending}") for name, ending in (
        ("TIE", "json"), ("REPORT", "html"), ("REPORT_PDF", "pdf"))}
    assert in_another_thread("solve", {
        "PAIRS": str(QUARRY / "pairs_reviewed.csv"), **as_parameters(quarry_settings()), **files})
    assert (tmp_path / "tie.pdf").read_bytes().startswith(b"%PDF")
    assert in_another_thread("restate", {
        "OBSERVATIONS": str(QUARRY / "topo_points.gpkg"), "TIE": files["TIE"],
        "OUTPUT": str(tmp_path / "out.gpkg")})
    assert layer_of(tmp_path / "out.gpkg").featureCount() == 255


@pytest.mark.usefixtures("algorithms")
def test_results_are_offered_for_the_project_by_their_final_place(tmp_path: Path) -> None:
    run("solve", PAIRS=QUARRY / "pairs_reviewed.csv", TIE=tmp_path / "tie.json",
        **as_parameters(quarry_settings()))
    for place in (str(tmp_path / "out.gpkg"), "memory:"):
        definition = QgsProcessingOutputLayerDefinition(place, QgsProject.instance())
        definition.destinationName = "restated points"
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        results, done = algorithm("restate").run(
            {"OBSERVATIONS": str(QUARRY / "topo_points.gpkg"), "TIE": str(tmp_path / "tie.json"),
             "OUTPUT": definition}, context, Listener())
        assert done
        assert list(context.layersToLoadOnCompletion()) == [results["OUTPUT"]]
        layer = QgsProcessingUtils.mapLayerFromString(results["OUTPUT"], context)
        assert layer.featureCount() == 255


# -- from the command line -------------------------------------------------------------------------


def command(*arguments: object) -> subprocess.CompletedProcess:
    """QGIS's own command with Sitetie enabled, as the README has it."""
    return subprocess.run(
        ["bash", "-c", 'source "$0/tools/prepare.sh"; _quiet_qt; qgis_process "$@"', str(ROOT),
         "run", *map(str, arguments)],
        capture_output=True, text=True, timeout=120,
    )


def options(parameters: dict) -> List[str]:
    return [f"--{name}={value}" for name, value in parameters.items()]


def test_command_line_equals_the_core_on_the_sample(tmp_path: Path) -> None:
    done = command(
        "sitetie:solve", *options(as_parameters(quarry_settings())),
        f"--PAIRS={QUARRY / 'pairs_reviewed.csv'}", f"--TIE={tmp_path / 'tie.json'}",
        f"--RESIDUALS={tmp_path / 'residuals.gpkg'}")
    assert done.returncode == 0, done.stdout + done.stderr
    tie = solve(read_pairs(QUARRY / "pairs_reviewed.csv"), Settings(**quarry_settings()))
    assert Tie.load(tmp_path / "tie.json").id == tie.id

    done = command(
        "sitetie:restate", f"--OBSERVATIONS={QUARRY / 'topo_points.csv'}", "--ID=id",
        "--LATITUDE=latitude", "--LONGITUDE=longitude", "--HEIGHT=height", "--SIGMA_E=sigma_e",
        "--SIGMA_N=sigma_n", "--SIGMA_U=sigma_u", f"--TIE={tmp_path / 'tie.json'}",
        f"--OUTPUT={tmp_path / 'restated.gpkg'}")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "255 points restated" in done.stdout
    rows = rows_of(tmp_path / "restated.gpkg")
    given = {name: np.array([float(row[name]) for row in rows])
             for name in ("latitude", "longitude", "height", "sigma_e", "sigma_n", "sigma_u")}
    noise = observation_covariances(
        tie.settings, len(rows), given["sigma_e"], given["sigma_n"], given["sigma_u"])
    found = restate(tie, given["latitude"], given["longitude"], given["height"], noise)
    for name, values in zip(SITE, (
        found.easting, found.northing, found.elevation, found.sigma_easting, found.sigma_northing,
        found.sigma_elevation,
    )):
        assert [row[name] for row in rows] == values.tolist(), name
    assert [row["site_in"] for row in rows] == found.inside.astype(int).tolist()


def test_command_line_equals_the_core_on_made_up_pairs(tmp_path: Path) -> None:
    """US survey feet, checks, two sessions, a tilted plane; restated point by point."""
    write_pairs(tmp_path / "pairs.csv", made_up_pairs())
    done = command(
        "sitetie:solve", f"--PAIRS={tmp_path / 'pairs.csv'}", "--SITE_UNIT=us-ft",
        "--OBSERVATION_CRS=EPSG:6319", "--VERTICAL_MODEL=plane", "--CONFIDENCE=0.99",
        "--TOLERANCE_H=0.2", "--GNSS_SIGMA_V=0.02", f"--TIE={tmp_path / 'tie.json'}")
    assert done.returncode == 0, done.stdout + done.stderr
    tie = solve(read_pairs(tmp_path / "pairs.csv"), MADE_UP)
    assert Tie.load(tmp_path / "tie.json").id == tie.id

    random = np.random.default_rng(8)
    places = list(zip(
        (52.1 + random.uniform(-0.02, 0.02, 200)).tolist(),
        (-106.6 + random.uniform(-0.02, 0.02, 200)).tolist(),
        (480.0 + random.uniform(-20.0, 20.0, 200)).tolist()))
    (tmp_path / "points.csv").write_text(
        "name,lat,lon,h\n" + "".join(
            f"T{i},{lat!r},{lon!r},{h!r}\n" for i, (lat, lon, h) in enumerate(places)),
        encoding="utf-8")
    done = command(
        "sitetie:restate", f"--OBSERVATIONS={tmp_path / 'points.csv'}", "--ID=name",
        "--LATITUDE=lat", "--LONGITUDE=lon", "--HEIGHT=h", f"--TIE={tmp_path / 'tie.json'}",
        f"--OUTPUT={tmp_path / 'restated.gpkg'}")
    assert done.returncode == 0, done.stdout + done.stderr
    rows = rows_of(tmp_path / "restated.gpkg")
    assert len(rows) == len(places)
    for row, place in zip(rows, places):
        assert tuple(row[name] for name in SITE[:3]) == tie.to_site(*place)
        sigma = np.sqrt(np.diag(tie.covariance(*place, tie.default_observation_covariance())[0]))
        assert [row[name] for name in SITE[3:]] == sigma.tolist()


def test_command_line_says_what_is_wrong(tmp_path: Path) -> None:
    (tmp_path / "pairs.csv").write_text("control_id,easting\nA,1\n", encoding="utf-8")
    done = command("sitetie:solve", f"--PAIRS={tmp_path / 'pairs.csv'}",
                   f"--TIE={tmp_path / 'tie.json'}")
    assert done.returncode != 0
    said = done.stdout + done.stderr
    assert "pairs.csv, row 1: Columns northing, elevation" in said
    assert "Traceback" not in said
    assert [path.name for path in tmp_path.iterdir()] == ["pairs.csv"]


def test_command_line_help_tells_every_parameter() -> None:
    done = subprocess.run(
        ["bash", "-c", 'source "$0/tools/prepare.sh"; _quiet_qt; '
         "qgis_process --json help sitetie:solve", str(ROOT)],
        capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout[done.stdout.index("{"):])["parameters"]
    assert {"PAIRS", "SITE_UNIT", "TIE", "RESIDUALS", "REPORT", "REPORT_PDF"} <= set(told)


def test_memory_layers_hold_what_they_should() -> None:
    """The helper itself: a layer made by it has no CRS unless one is named."""
    assert not memory_layer("Point", "", []).crs().isValid()
