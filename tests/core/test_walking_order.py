"""The walk visits everything once and is short."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from sitetie.core.errors import Cancelled
from sitetie.core.walking_order import walking_order


def length(places, start, order) -> float:
    way = np.vstack([start, places[np.asarray(order, dtype=int)]])
    return float(np.hypot(*np.diff(way, axis=0).T).sum())


def test_near_the_shortest_of_all() -> None:
    """Against every order of six places: 1 % longer on the average, a fifth at worst."""
    random = np.random.default_rng(1)
    ratios = []
    for _ in range(20):
        places, start = random.random((6, 2)), random.random(2)
        best = min(length(places, start, order) for order in itertools.permutations(range(6)))
        ratios.append(length(places, start, walking_order(places, start)) / best)
    assert min(ratios) >= 1.0 - 1e-9
    assert np.mean(ratios) < 1.04
    assert max(ratios) < 1.34


@pytest.mark.parametrize("count", [0, 1, 2, 3, 60])
def test_each_place_once(count) -> None:
    places = np.random.default_rng(count).random((count, 2))
    assert sorted(walking_order(places, (0.0, 0.0))) == list(range(count))


def test_marks_in_a_row_are_walked_along_it() -> None:
    along = np.array([5.0, 1.0, 4.0, 2.0, 3.0])
    places = np.stack([along, np.zeros(5)], axis=1)
    assert list(along[walking_order(places, (0.0, 0.0))]) == [1.0, 2.0, 3.0, 4.0, 5.0]


def test_no_part_turned_round_would_be_shorter() -> None:
    random = np.random.default_rng(6)
    places, start = random.random((40, 2)), random.random(2)
    order = list(walking_order(places, start))
    whole = length(places, start, order)
    for i in range(40):
        for j in range(i + 1, 40):
            turned = order[:i] + order[i : j + 1][::-1] + order[j + 1 :]
            assert length(places, start, turned) >= whole - 1e-9


def test_two_marks_at_one_place() -> None:
    places = np.array([[1.0, 1.0], [1.0, 1.0], [0.0, 0.5]])
    assert sorted(walking_order(places, (0.0, 0.0))) == [0, 1, 2]


def test_it_can_be_stopped() -> None:
    places = np.random.default_rng(2).random((200, 2))
    with pytest.raises(Cancelled):
        walking_order(places, (0.0, 0.0), lambda share: share < 0.0)
