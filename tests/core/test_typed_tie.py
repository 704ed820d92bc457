"""A tie from typed parameters: stored, undone, tested against observations, refused when odd."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest

from sitetie.core import Control, Observation, Pair, Settings, Tie, solve
from sitetie.core.errors import SettingsError
from sitetie.core.published import tie_from_parameters
from sitetie.core.tie_check import check_against

SETTINGS = Settings(base_crs="EPSG:32633", observation_crs="EPSG:4326")
PLANT = {"easting": -480000.0, "northing": -5300000.0, "scale": 1.00021, "rotation": 12.5}


def typed(**more):
    return tie_from_parameters(SETTINGS, "EPSG:9621", PLANT, vertical={"shift": -44.0}, **more)


def observed_pairs(tie, offset=0.0):
    rng = np.random.default_rng(5)
    pairs = []
    for i in range(6):
        lat, lon = 48.0 + rng.uniform(0, 0.01), 15.0 + rng.uniform(0, 0.01)
        e, n, z = tie.to_site(lat, lon, 400.0)
        pairs.append(Pair(Control(f"P{i}", e + offset, n, z),
                          Observation(f"o{i}", lat, lon, 400.0)))
    return pairs


def test_stored_and_read_back(tmp_path):
    tie = typed(accuracy_h=0.01, accuracy_v=0.02, source="Plant manual, sheet 4")
    tie.save(tmp_path / "tie.json")
    again = Tie.load(tmp_path / "tie.json")
    assert again == tie
    assert again.id == tie.id
    assert pickle.loads(pickle.dumps(tie)) == tie


def test_there_and_back():
    tie = typed()
    e, n, z = tie.to_site(48.0, 15.0, 400.0)
    lat, lon, h = tie.to_geodetic(e, n, z)
    assert math.hypot(lat - 48.0, lon - 15.0) * 111_000 < 1e-5
    assert h == pytest.approx(400.0, abs=1e-9)


def test_uncertainty_is_unknown_until_stated():
    assert np.isnan(typed().covariance(48.0, 15.0)[0, 0, 0])
    stated = typed(accuracy_h=0.01, accuracy_v=0.02).covariance(48.0, 15.0)[0]
    assert np.allclose(np.diag(stated), [1e-4, 1e-4, 4e-4])


def test_solving_its_own_points_gives_the_typed_parameters():
    tie = typed()
    solved = solve(observed_pairs(tie), SETTINGS)
    assert solved.parameters["rotation"].value == pytest.approx(-12.5, abs=1e-7)
    assert solved.parameters["scale"].value == pytest.approx(1.00021, abs=1e-9)


def test_own_observations_agree_or_not():
    tie = typed(accuracy_h=0.01, accuracy_v=0.02)
    good = check_against(tie, observed_pairs(tie)).residuals
    assert {row.horizontal.verdict for row in good} == {"agrees"}
    assert np.abs(good.east).max() < 1e-6
    bad = check_against(tie, observed_pairs(tie, offset=0.2)).residuals
    assert {row.horizontal.verdict for row in bad} == {"does not agree"}
    assert bad.east == pytest.approx(np.full(6, -0.2), abs=1e-6)
    assert {row.vertical.verdict for row in bad} == {"agrees"}


def test_parameters_of_the_other_direction():
    forward = typed()
    matrix = np.array(forward.horizontal.matrix)
    offset = np.array(forward.horizontal.translation)
    back = np.linalg.inv(matrix)
    shift = -back @ offset
    scale = math.sqrt(np.linalg.det(back))
    rotation = math.degrees(math.atan2(back[0, 1], back[0, 0]))
    other = tie_from_parameters(SETTINGS, "EPSG:9621", {
        "easting": shift[0], "northing": shift[1], "scale": scale, "rotation": rotation},
        inverse=True)
    assert np.allclose(other.to_site(48.0, 15.0)[:2], forward.to_site(48.0, 15.0)[:2], atol=1e-6)


def test_feet_grid_over_a_feet_projection():
    settings = Settings(base_crs="EPSG:2229", observation_crs="EPSG:4269", site_unit="us-ft")
    tie = tie_from_parameters(settings, "EPSG:9656", {"easting": -6_000_000.0, "northing": 100.0})
    base = np.array(tie.base.to_base(34.0, -118.0)) / (1200 / 3937)
    assert np.allclose(tie.to_site(34.0, -118.0)[:2], base + [-6_000_000.0, 100.0], atol=1e-6)


@pytest.mark.parametrize(("method", "parameters", "words"), [
    ("EPSG:1", {}, "EPSG:9621"),
    ("EPSG:9621", {"easting": 1.0}, "rotation, scale"),
    ("EPSG:9656", {"easting": 1.0, "northing": float("nan")}, "not finite"),
    ("EPSG:9656", {"easting": 1.0, "northing": "x"}, "not a number"),
])
def test_odd_parameters_are_refused(method, parameters, words):
    with pytest.raises(SettingsError, match=words):
        tie_from_parameters(SETTINGS, method, parameters)


def test_a_projection_must_be_named():
    with pytest.raises(SettingsError, match="base_crs"):
        tie_from_parameters(Settings(), "EPSG:9656", {"easting": 0.0, "northing": 0.0})
