"""Every published figure, through the project's own public functions."""

from __future__ import annotations

import pytest

from sitetie.core.errors import FrameError
from sitetie.tests.core.published.catalogue import LISTS
from sitetie.tests.core.published.checks import outcome

CHECKS = [check for checks in LISTS for check in checks]


@pytest.mark.parametrize("check", CHECKS, ids=[check.name for check in CHECKS])
def test_published_figure(check):
    try:
        found = outcome(check)
    except FrameError as error:
        if "cannot be opened" not in error.what:
            raise
        pytest.skip(f"{error.what} PROJ's grids are not installed here.")
    assert found.met, (f"{found.got} instead of {check.expected}, off by {found.deviation:.2e} "
                       f"where {found.tolerance:.1e} is allowed. {check.reason}")


def test_every_check_names_its_source_and_has_a_tolerance():
    for check in CHECKS:
        assert check.source
        assert len(check.tolerance) == len(check.expected)
        assert all(tolerance >= 0.0 for tolerance in check.tolerance)
