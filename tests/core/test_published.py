"""Every published figure, through the project's own public functions."""

from __future__ import annotations

import pytest

from sitetie.tests.core.published_cases import CASES, run


@pytest.mark.parametrize("entry", CASES, ids=[entry.name for entry in CASES])
def test_published_figure(entry):
    got = run(entry)
    assert len(got) == len(entry.expected)
    for value, expected, tolerance in zip(got, entry.expected, entry.tolerance):
        assert abs(value - expected) <= tolerance, (value, expected, entry.reason)
