"""The sample jobs: made anew they are the same bytes, and they hold what is said of them."""

from __future__ import annotations

import csv
import json
import math
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyproj
import pytest

from sitetie.core.settings import Settings

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"
JOBS = ("quarry", "lagoon")
PAIR_TABLES = (
    ("quarry", "pairs_first_two"),
    ("quarry", "pairs"),
    ("quarry", "pairs_reviewed"),
    ("lagoon", "pairs"),
)
#: Errors were drawn from the stated sigmas; beyond this many of them one is a blunder.
LARGEST_ERROR = 4.0
ASSUMED = {"sigma_e": 0.008, "sigma_n": 0.008, "sigma_u": 0.015}
PAIR_REQUIRED = [
    "control_id", "easting", "northing", "elevation", "observation_id", "latitude", "longitude",
    "height", "horizontal", "vertical",
]


def table(job, name):
    with open(SAMPLE / job / f"{name}.csv", encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


@pytest.fixture(scope="module")
def truth():
    return json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))


def site_metres(truth_of_job, rows):
    """Site positions in metres of latitude, longitude, height, by the published equation."""
    t = truth_of_job["truth"]
    base = pyproj.Proj(t["base"])
    e, n = base(column(rows, "longitude"), column(rows, "latitude"))
    turn = math.radians(t["rotation_degree"])
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    plane = np.array(t["shift_metre"]) + t["scale"] * np.stack([e, n], axis=-1) @ rotation.T
    up = column(rows, "height") - t["undulation_metre"]
    return np.column_stack([plane, up - t["slope_east"] * e - t["slope_north"] * n])


def column(rows, name, blank=math.nan):
    return np.array([float(row[name]) if row[name] else blank for row in rows])


def errors_in_sigmas(truth_of_job, rows, true_places):
    """(n, 2): horizontal and vertical error of every row over its stated sigma."""
    errors = site_metres(truth_of_job, rows) - np.array(true_places) * truth_of_job["truth"][
        "unit_metre"
    ]
    sigma_e, sigma_n, sigma_u = (column(rows, name, s) for name, s in ASSUMED.items())
    horizontal = np.hypot(errors[:, 0], errors[:, 1]) / np.maximum(sigma_e, sigma_n)
    return np.column_stack([horizontal, np.abs(errors[:, 2]) / sigma_u])


def pair_with(observation_id):
    return next(r for r in table("quarry", "pairs") if r["observation_id"] == observation_id)


def mark_of(observation_id):
    return observation_id.replace("ST-", "").split("-")[0]


def test_made_anew_it_is_the_same_bytes(tmp_path):
    subprocess.run(
        [sys.executable, str(SAMPLE / "make_sample.py"), str(tmp_path)], check=True, timeout=120
    )
    made = {path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()}
    kept = {
        path.relative_to(SAMPLE)
        for pattern in ("truth.json", "quarry/*.csv", "lagoon/*.csv", "*/settings.json")
        for path in SAMPLE.glob(pattern)
    }
    assert made == kept
    for path in made:
        assert (tmp_path / path).read_bytes() == (SAMPLE / path).read_bytes(), path


def test_the_sample_stays_small():
    files = [path for path in SAMPLE.rglob("*") if path.is_file() and "results" not in path.parts]
    assert sum(path.stat().st_size for path in files) < 2_000_000


@pytest.mark.parametrize("job", JOBS)
def test_settings_are_settings_of_the_core(job, truth):
    settings = Settings(**json.loads((SAMPLE / job / "settings.json").read_text("utf-8")))
    assert settings.observation_crs == truth[job]["truth"]["observation_crs"]
    assert settings.site_length.metres == pytest.approx(truth[job]["truth"]["unit_metre"], 1e-15)


def test_the_quarry_has_what_a_job_has():
    control = table("quarry", "control")
    observations = table("quarry", "observations")
    pairs = table("quarry", "pairs")
    paired = {row["control_id"] for row in pairs}
    assert len(control) == 14
    assert len(paired) == 11
    assert len(table("quarry", "pairs_first_two")) == 2
    assert [row["control_id"] for row in control if not row["easting"]] == ["K11"]
    assert [row["control_id"] for row in control if not row["elevation"]] == ["K04"]
    assert 240 <= len(table("quarry", "topo_points")) <= 260
    sessions = {row["session"] for row in pairs if row["control_id"] == "K01"}
    assert sessions == {"day 1", "day 3"}
    shots = [row for row in pairs if row["control_id"] == "K01" and row["session"] == "day 1"]
    assert len(shots) == 3
    assert [row["observation_id"] for row in observations if row["fix"] == "float"] == ["K07-0"]
    assert "K07-0" not in {row["observation_id"] for row in pairs}


@pytest.mark.parametrize("job", JOBS)
def test_marks_not_found_are_listed_and_never_observed(job, truth):
    listed = {row["control_id"] for row in table(job, "control")}
    observed = {mark_of(row["observation_id"]) for row in table(job, "observations")}
    assert set(truth[job]["not_found"]) == listed - observed


@pytest.mark.parametrize(("job", "name"), PAIR_TABLES)
def test_pairs_say_what_the_lists_say(job, name):
    control = {row["control_id"]: row for row in table(job, "control")}
    observations = {row["observation_id"]: row for row in table(job, "observations")}
    pairs = table(job, name)
    assert list(pairs[0])[: len(PAIR_REQUIRED)] == PAIR_REQUIRED
    assert len({row["observation_id"] for row in pairs}) == len(pairs)
    for row in pairs:
        assert mark_of(row["observation_id"]) == row["control_id"]
        for listed in (control[row["control_id"]], observations[row["observation_id"]]):
            shared = (set(row) & set(listed)) - {"note"}
            assert {key: row[key] for key in shared} == {key: listed[key] for key in shared}


@pytest.mark.parametrize(("job", "name"), PAIR_TABLES[1:])
def test_only_the_named_checks_are_withheld(job, name, truth):
    for part in ("horizontal", "vertical"):
        checks = {row["control_id"] for row in table(job, name) if row[part] == "check"}
        assert checks == set(truth[job]["checks"])


@pytest.mark.parametrize(("job", "name"), PAIR_TABLES)
def test_a_part_that_a_mark_lacks_is_idle(job, name):
    for row in table(job, name):
        assert row["easting"] or row["horizontal"] == "idle"
        assert row["elevation"] or row["vertical"] == "idle"


def test_review_turns_idle_what_is_wrong_and_nothing_else():
    started = {row["observation_id"]: row for row in table("quarry", "pairs")}
    turned = set()
    for row in table("quarry", "pairs_reviewed"):
        for part in ("horizontal", "vertical"):
            if row[part] != started[row["observation_id"]][part]:
                assert row[part] == "idle"
                turned.add((row["control_id"], part))
    assert turned == {("K09", "vertical"), ("K08", "horizontal"), ("K08", "vertical")}


def test_the_pole_blunder_is_where_it_is_said_to_be(truth):
    pole, _ = truth["quarry"]["blunders"]
    row = pair_with(pole["observation_id"])
    assert row[pole["column"]] == pole["written"]
    assert float(pole["written"]) - float(pole["right"]) == pytest.approx(0.2, abs=1e-9)
    others = {r["pole"] for r in table("quarry", "observations") if r["source"] == "rover"}
    assert row["pole"] == "1.800"
    assert others == {"1.800", "2.000"}


def test_the_typed_latitude_has_two_neighbouring_digits_exchanged(truth):
    _, typed = truth["quarry"]["blunders"]
    row = pair_with(typed["observation_id"])
    assert row["source"] == "typed from list"
    assert row["latitude"] == typed["written"]
    right, written = typed["right"], typed["written"]
    differ = [i for i, (a, b) in enumerate(zip(right, written)) if a != b]
    assert len(right) == len(written)
    assert differ == [differ[0], differ[0] + 1]
    assert written[differ[0]] == right[differ[1]]
    assert written[differ[1]] == right[differ[0]]
    # A degree of latitude is 111 km within 1 % everywhere.
    assert 5.0 < abs(float(right) - float(written)) * 111_000.0 < 60.0


@pytest.mark.parametrize("job", JOBS)
def test_only_the_blunders_lie_beyond_their_sigmas(job, truth):
    rows = table(job, "observations")
    places = [truth[job]["control"][mark_of(row["observation_id"])] for row in rows]
    beyond = errors_in_sigmas(truth[job], rows, places) > LARGEST_ERROR
    found = {
        (row["observation_id"], part)
        for row, flags in zip(rows, beyond)
        for part, flag in zip(("latitude", "height"), flags)
        if flag
    }
    assert found == {(b["observation_id"], b["column"]) for b in truth[job]["blunders"]}


@pytest.mark.parametrize("job", JOBS)
def test_with_the_right_values_nothing_lies_beyond_its_sigmas(job, truth):
    rows = {row["observation_id"]: row for row in table(job, "observations")}
    for blunder in truth[job]["blunders"]:
        rows[blunder["observation_id"]][blunder["column"]] = blunder["right"]
    places = [truth[job]["control"][mark_of(key)] for key in rows]
    errors = errors_in_sigmas(truth[job], list(rows.values()), places)
    assert errors.max() < LARGEST_ERROR


@pytest.mark.parametrize("job", JOBS)
def test_topo_points_lie_where_the_truth_says(job, truth):
    rows = table(job, "topo_points")
    true = truth[job]["topo_points"]
    assert [row["id"] for row in rows] == list(true)
    errors = errors_in_sigmas(truth[job], rows, list(true.values()))
    assert errors.max() < LARGEST_ERROR
    # Not all too good either: the median of a standard normal's size is 0.67.
    assert 0.4 < np.median(errors[:, 1]) < 1.0


@pytest.mark.parametrize("job", JOBS)
def test_control_lies_where_the_truth_says(job, truth):
    unit = truth[job]["truth"]["unit_metre"]
    for row in table(job, "control"):
        place = truth[job]["control"][row["control_id"]]
        for name, true in zip(("easting", "northing", "elevation"), place):
            if row[name]:
                sigma = float(row["control_sigma_v" if name == "elevation" else "control_sigma_h"])
                assert abs(float(row[name]) - true) * unit < LARGEST_ERROR * sigma
