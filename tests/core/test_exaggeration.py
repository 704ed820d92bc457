"""Round factors for arrows that can be seen."""

from __future__ import annotations

import math
import random

import pytest

from sitetie.core.exaggeration import exaggeration, round_down


@pytest.mark.parametrize(
    ("value", "rounded"),
    [(1.0, 1.0), (1.99, 1.0), (2.0, 2.0), (4.9, 2.0), (5.0, 5.0), (9.9, 5.0), (10.0, 10.0),
     (0.021, 0.02), (0.02, 0.02), (0.001, 0.001), (7e5, 5e5)],
)
def test_round_down(value, rounded) -> None:
    assert round_down(value) == pytest.approx(rounded, rel=1e-12)


def test_ordinary_arrows_are_seen_and_never_longer_than_they_should() -> None:
    draw = random.Random(3)
    for _ in range(300):
        scale, extent = 10 ** draw.uniform(-4, 1), 10 ** draw.uniform(1, 5)
        sizes = [scale * draw.uniform(0.5, 1.0) for _ in range(draw.randint(1, 30))]
        chosen = exaggeration(sizes, extent)
        # One, two or five times a power of ten: the next factor is at most 2.5 times as large.
        assert 0.12 / 2.5 * 0.999 <= max(sizes) * chosen.factor / extent <= 0.12 * 1.001
        assert chosen.reference <= max(sizes) * 1.001
        assert chosen.reference >= max(sizes) / 2.5 * 0.999
        for size in sizes:
            assert not chosen.drawn(size, 0.0)[2]


def test_a_blunder_is_cut_and_leaves_the_others_as_they_were() -> None:
    sizes = [0.010, 0.012, 0.009, 0.011]
    with_blunder = exaggeration([*sizes, 20.0], 1000.0)
    assert with_blunder.factor == exaggeration(sizes, 1000.0).factor
    east, north, cut = with_blunder.drawn(-12.0, 16.0)
    assert cut
    assert math.hypot(east, north) == pytest.approx(200.0)
    assert east / north == pytest.approx(-12.0 / 16.0)


def test_a_factor_in_use_stays_while_it_serves() -> None:
    assert exaggeration([0.010], 1000.0).factor == pytest.approx(10000.0)
    for size, factor in ((0.0165, 10000.0), (0.018, 5000.0), (0.0026, 10000.0), (0.0024, 5e4)):
        assert exaggeration([size], 1000.0, kept=10000.0).factor == pytest.approx(factor)


def test_nothing_to_exaggerate() -> None:
    for sizes in ([], [0.0], [math.nan, 0.0]):
        chosen = exaggeration(sizes, 0.0)
        assert chosen.factor > 0.0
        assert chosen.drawn(0.0, 0.0) == (0.0, 0.0, False)
