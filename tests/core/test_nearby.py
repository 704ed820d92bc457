"""Partners by place on the site grid."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyproj
import pytest

from sitetie.core import Control, Observation, Pair, Settings, read_pairs, solve
from sitetie.core.errors import FrameError, InputError
from sitetie.core.nearby import (
    control_positions,
    nearest,
    pair_by_nearest,
    predicted_positions,
    search_radius,
)

QUARRY = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"
BLUNDER = "ST-K08"  # the sample's README: its typed latitude is 20 m off


@pytest.fixture(scope="module")
def rough():
    settings = json.loads((QUARRY / "settings.json").read_text(encoding="utf-8"))
    settings["vertical_model"] = "shift"
    return solve(read_pairs(QUARRY / "pairs_first_two.csv"), Settings(**settings))


@pytest.fixture(scope="module")
def marks():
    pairs = read_pairs(QUARRY / "pairs.csv")
    return pairs, list({pair.control.id: pair.control for pair in pairs}.values()), [
        pair.observation for pair in pairs]


def test_a_rough_tie_finds_every_partner_of_the_sample(rough, marks) -> None:
    pairs, control, observed = marks
    found = pair_by_nearest(rough, control, observed, search_radius(rough, observed))
    expected = {
        (pair.control.id, pair.observation.id) for pair in pairs
        if pair.control.has_position and pair.observation.id != BLUNDER
    }
    assert {(control[p.control].id, observed[p.observation].id) for p in found.pairs} == expected
    assert found.rivals == ()
    assert found.shots == ()


def test_distances_are_those_of_restated_points(rough, marks) -> None:
    _, control, observed = marks
    for pair in pair_by_nearest(rough, control, observed, 0.5).pairs:
        shot, mark = observed[pair.observation], control[pair.control]
        easting, northing, _ = rough.to_site(shot.latitude, shot.longitude)
        assert pair.distance == pytest.approx(
            np.hypot(easting - mark.easting, northing - mark.northing), abs=1e-9)


def test_repeated_shots_are_left_out_unless_they_are_wanted(rough, marks) -> None:
    _, control, observed = marks
    found = pair_by_nearest(rough, control, observed, 0.5, repeated_shots=False)
    left_out = {control[near[0].control].id: len(near) for near in found.shots}
    assert left_out == {"K01": 5, "K05": 3}
    used = [pair.control for pair in found.pairs]
    assert len(used) == len(set(used))


def test_an_observation_between_two_control_points_is_no_pair(rough, marks) -> None:
    _, control, observed = marks
    known = next(mark for mark in control if mark.id == "K03")
    rival = Control("K03A", known.easting + 0.3, known.northing)
    found = pair_by_nearest(rough, [*control, rival], observed, 0.5)
    (near,) = found.rivals
    assert observed[near[0].observation].id == "K03-1"
    assert near[0].distance <= near[1].distance
    assert "K03" not in {control[p.control].id for p in found.pairs if p.control < len(control)}


@pytest.mark.parametrize("limit", [0.0, -1.0, float("nan")])
def test_a_limit_must_be_positive(rough, limit) -> None:
    with pytest.raises(InputError, match="limit"):
        pair_by_nearest(rough, [], [], limit)


def test_nothing_to_pair(rough, marks) -> None:
    _, control, observed = marks
    assert pair_by_nearest(rough, [], observed, 1.0).pairs == ()
    assert pair_by_nearest(rough, control, [], 1.0).pairs == ()
    assert nearest((0.0, 0.0), control_positions([])) is None
    assert nearest((0.0, 0.0), control_positions([Control("K11", elevation=1.0)])) is None
    assert nearest((3.0, 0.0), np.array([[np.nan, np.nan], [0.0, 4.0]])) == (1, 5.0)


def test_mixed_frames_are_refused(rough) -> None:
    shots = [Observation("a", 48.79, 14.93), Observation("b", 48.79, 14.93, crs="EPSG:7931")]
    with pytest.raises(FrameError, match="mixed"):
        predicted_positions(shots, rough)


def test_the_search_radius_holds_the_partners_of_honest_pairs() -> None:
    """Two-pair ties of simulated sites: at least 99 of 100 marks elsewhere lie within the radius
    (a generous one must do better than its 95 %)."""
    draw = np.random.default_rng(11)
    settings = Settings(observation_crs="EPSG:7931", vertical_model=None)
    ground = pyproj.Proj("+proj=tmerc +lat_0=48 +lon_0=15 +ellps=GRS80")
    inside = total = 0
    for _ in range(60):
        turn = draw.uniform(0, 2 * np.pi)
        site = draw.uniform(0, 800, (6, 2)) + 1000.0
        plane = site @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        noise = draw.normal(0, 1, (2, 6, 2)) * np.array([[[0.005]], [[0.008]]])
        longitude, latitude = ground(*(plane + noise[1]).T, inverse=True)
        pairs = [
            Pair(Control(str(i), *(site[i] + noise[0, i])),
                 Observation(str(i), latitude[i], longitude[i]), "fit", "idle")
            for i in range(6)
        ]
        tie = solve(pairs[:2], settings.replace(scale=None))
        rest = pairs[2:]
        away = np.linalg.norm(
            predicted_positions([p.observation for p in rest], tie)
            - control_positions([p.control for p in rest]), axis=1)
        for pair, distance in zip(rest, away):
            inside += distance <= search_radius(tie, [pair.observation])
            total += 1
    assert inside / total >= 0.99
