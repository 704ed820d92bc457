"""The confidence surface agrees with the tie's own figures, cell by cell."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from sitetie.core import Settings, read_pairs, solve
from sitetie.core.confidence_surface import confidence_surface, site_bounds
from sitetie.core.errors import Cancelled, InputError

QUARRY = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"


@pytest.fixture(scope="module")
def tie():
    settings = json.loads((QUARRY / "settings.json").read_text(encoding="utf-8"))
    return solve(read_pairs(QUARRY / "pairs_reviewed.csv"), Settings(**settings))


@pytest.mark.parametrize("of_restated_points", [True, False])
def test_every_cell_is_what_the_tie_says_of_its_middle(tie, of_restated_points) -> None:
    grid = confidence_surface(tie, (1000.0, 4000.0, 1700.0, 4500.0), 100.0, of_restated_points)
    assert grid.horizontal.shape == grid.vertical.shape == (5, 7)
    noise = tie.default_observation_covariance() if of_restated_points else None
    for row in range(5):
        for column in range(7):
            latitude, longitude, _ = tie.to_geodetic(1050.0 + 100.0 * column, 4450.0 - 100.0 * row)
            covariance = tie.covariance(latitude, longitude, None, noise)[0]
            axis = np.sqrt(np.linalg.eigvalsh(covariance[:2, :2])[1])
            assert grid.horizontal[row, column] == pytest.approx(axis * tie.region_factor(2))
            assert grid.vertical[row, column] == pytest.approx(
                np.sqrt(covariance[2, 2]) * tie.region_factor(1))


def test_it_grows_away_from_the_control(tie) -> None:
    west, south, east, north = site_bounds(tie)
    grid = confidence_surface(tie, (west - 2000, south - 2000, east + 2000, north + 2000))
    middle = grid.horizontal[100, 100]
    for corner in (grid.horizontal[0, 0], grid.horizontal[-1, 0], grid.horizontal[0, -1]):
        assert corner > 2.0 * middle
    assert grid.level == 0.95


def test_the_bounds_hold_all_pairs_with_room(tie) -> None:
    west, south, east, north = site_bounds(tie)
    for pair in tie.pairs:
        if pair.control.has_position:
            assert west + 200 < pair.control.easting < east - 200
            assert south + 200 < pair.control.northing < north - 200


def test_whole_cells_cover_the_bounds(tie) -> None:
    grid = confidence_surface(tie, (0.0, 0.0, 1000.0, 250.0), 100.0)
    assert grid.horizontal.shape == (3, 10)
    assert (grid.west, grid.north, grid.cell) == (0.0, 250.0, 100.0)


def test_a_horizontal_tie_has_no_vertical_surface() -> None:
    pairs = read_pairs(QUARRY / "pairs_reviewed.csv")
    flat = solve(pairs, Settings(observation_crs="EPSG:7931", vertical_model=None))
    assert confidence_surface(flat, (0.0, 0.0, 100.0, 100.0), 50.0).vertical is None


@pytest.mark.parametrize(
    ("bounds", "cell", "words"),
    [
        ((1.0, 0.0, 0.0, 1.0), None, "empty"),
        ((0.0, 0.0, 1.0, 1.0), 0.0, "cell size"),
        ((0.0, 0.0, 1e6, 1e6), 1.0, "1,000,000 by 1,000,000"),
    ],
)
def test_no_grid(tie, bounds, cell, words) -> None:
    with pytest.raises(InputError, match=words):
        confidence_surface(tie, bounds, cell)


def test_it_can_be_stopped(tie) -> None:
    with pytest.raises(Cancelled):
        confidence_surface(tie, progress=lambda share: share < 0.5)
