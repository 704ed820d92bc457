"""sitetie:pair on the sample, on made-up squares, and with what it must refuse."""

from __future__ import annotations

from pathlib import Path
from typing import List, Tuple

import numpy as np
import pytest
from qgis.core import QgsProcessingException, QgsVectorLayer

from sitetie.core import Tie, read_pairs
from sitetie.tests.plugin.processing_runs import (
    QUARRY,
    Listener,
    as_parameters,
    layer_of,
    memory_layer,
    quarry_settings,
    run,
)

pytestmark = pytest.mark.usefixtures("algorithms")
SQUARE = np.array([[0.0, 0.0], [120.0, 0.0], [120.0, 120.0], [0.0, 120.0]])


def made_up(
    site: np.ndarray, shots: np.ndarray, names: str = "ABCDEFGH"
) -> Tuple[QgsVectorLayer, QgsVectorLayer]:
    """Control as a table; shots, given in metres east and north, near 47° north 9° east."""
    control = memory_layer(
        "NoGeometry", "control_id:string,easting:double,northing:double,elevation:double",
        [("", f"M{i}", float(e), float(n), 400.0) for i, (e, n) in enumerate(site)], "control")
    turn = np.radians(25.0)
    east = np.cos(turn) * shots[:, 0] - np.sin(turn) * shots[:, 1]
    north = np.sin(turn) * shots[:, 0] + np.cos(turn) * shots[:, 1]
    observed = memory_layer(
        "PointZ?crs=EPSG:4258", "name:string",
        [(f"POINT Z ({9.0 + e / 76130.0:.10f} {47.0 + n / 111170.0:.10f} 450)", names[i])
         for i, (e, n) in enumerate(zip(east, north))], "shots")
    return control, observed


def paired(path: Path) -> List[str]:
    return sorted(f"{pair.control.id}={pair.observation.id}" for pair in read_pairs(path))


def test_the_quarry_is_paired_without_its_ids(tmp_path: Path) -> None:
    """Every pair is one that the surveyor made, or the float shot that he left out of K07; the ids
    are not used."""
    said = Listener()
    settings = as_parameters(quarry_settings())
    result = run(
        "pair", said, CONTROL=layer_of(QUARRY / "control.csv"),
        OBSERVATIONS=layer_of(QUARRY / "observations.csv"), SITE_UNIT=settings["SITE_UNIT"],
        OBSERVATION_CRS=settings["OBSERVATION_CRS"], IDS_AS_HINTS=False,
        OUTPUT=tmp_path / "pairs.csv")
    pairs = read_pairs(result["OUTPUT"])
    assert len(pairs) == result["PAIRS"] > 15
    known = {(pair.control.id, pair.observation.id) for pair in read_pairs(QUARRY / "pairs.csv")}
    assert {(pair.control.id, pair.observation.id) for pair in pairs} <= known | {("K07", "K07-0")}
    assert result["CONFIDENCE"] > 0.9
    assert not result["MIRRORED"]
    assert any("right with a probability" in line for line in said.infos)
    run("solve", PAIRS=str(result["OUTPUT"]), TIE=tmp_path / "tie.json",
        RESIDUALS="TEMPORARY_OUTPUT", **settings)
    tie = Tie.load(tmp_path / "tie.json")
    assert len(tie.pairs) == len(pairs)


def test_a_square_is_ambiguous_and_one_answer_can_be_taken(tmp_path: Path) -> None:
    control, shots = made_up(SQUARE + (2000.0, 7000.0), SQUARE)
    wanted = {"CONTROL": control, "OBSERVATIONS": shots, "OBSERVATION_CRS": "EPSG:4258",
              "OUTPUT": tmp_path / "pairs.csv"}
    said = Listener()
    with pytest.raises(QgsProcessingException, match="Ambiguous: 4 pairings"):
        run("pair", said, **wanted)
    assert not (tmp_path / "pairs.csv").exists()
    assert [line[:2] for line in said.infos if line[1:2] == ":"] == ["1:", "2:", "3:", "4:"]
    answers = set()
    for number in (1, 2, 3, 4):
        warned = Listener()
        run("pair", warned, ANSWER=number, **wanted)
        assert any("chosen by hand" in line for line in warned.warnings)
        answers.add(tuple(paired(tmp_path / "pairs.csv")))
    assert len(answers) == 4
    with pytest.raises(QgsProcessingException, match="There is no pairing 5"):
        run("pair", ANSWER=5, **wanted)


def test_ids_decide_between_the_four(tmp_path: Path) -> None:
    control, shots = made_up(SQUARE, SQUARE[[1, 2, 3, 0]], names=("M1", "M2", "M3", "M0"))
    wanted = {"CONTROL": control, "OBSERVATIONS": shots, "OBSERVATION_CRS": "EPSG:4258",
              "OUTPUT": tmp_path / "pairs.csv"}
    run("pair", OBSERVATION_ID="name", **wanted)
    assert paired(tmp_path / "pairs.csv") == ["M0=M0", "M1=M1", "M2=M2", "M3=M3"]
    with pytest.raises(QgsProcessingException, match="Ambiguous"):
        run("pair", OBSERVATION_ID="name", IDS_AS_HINTS=False, **wanted)


def test_a_mirrored_site_is_written_with_a_warning(tmp_path: Path) -> None:
    marks = np.array([[0.0, 0.0], [310.0, 40.0], [120.0, 260.0], [55.0, 170.0], [290.0, 330.0]])
    control, shots = made_up(marks[:, ::-1], marks)
    said = Listener()
    result = run("pair", said, CONTROL=control, OBSERVATIONS=shots, OBSERVATION_ID="name",
                 OBSERVATION_CRS="EPSG:4258", OUTPUT=tmp_path / "pairs.csv")
    assert result["MIRRORED"]
    assert any("mirrored" in line for line in said.warnings)
    assert paired(tmp_path / "pairs.csv") == ["M0=A", "M1=B", "M2=C", "M3=D", "M4=E"]


def test_points_without_relation_give_nothing(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    control, shots = made_up(rng.uniform(0.0, 500.0, (6, 2)), rng.uniform(0.0, 500.0, (6, 2)))
    with pytest.raises(QgsProcessingException, match="No pairing stands out from chance"):
        run("pair", CONTROL=control, OBSERVATIONS=shots, OBSERVATION_CRS="EPSG:4258",
            OUTPUT=tmp_path / "pairs.csv")
    assert list(tmp_path.iterdir()) == []


def test_repeated_shots_are_all_paired(tmp_path: Path) -> None:
    marks = np.array([[0.0, 0.0], [310.0, 40.0], [120.0, 260.0], [55.0, 170.0]])
    shots = np.vstack([marks, marks[:2] + (0.02, -0.01)])
    control, observed = made_up(marks, shots)
    run("pair", CONTROL=control, OBSERVATIONS=observed, OBSERVATION_ID="name",
        OBSERVATION_CRS="EPSG:4258", OUTPUT=tmp_path / "pairs.csv")
    assert paired(tmp_path / "pairs.csv") == ["M0=A", "M0=E", "M1=B", "M1=F", "M2=C", "M3=D"]


def test_it_can_be_stopped(tmp_path: Path) -> None:
    control, shots = made_up(SQUARE, SQUARE)
    with pytest.raises(QgsProcessingException):
        run("pair", Listener(stop_at=10), CONTROL=control, OBSERVATIONS=shots,
            OBSERVATION_CRS="EPSG:4258", OUTPUT=tmp_path / "pairs.csv")
    assert list(tmp_path.iterdir()) == []
