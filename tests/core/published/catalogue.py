"""All checks against published figures: one list for the tests and for the printed table."""

from __future__ import annotations

from . import as_crs, geocentric, local_grids, methods, projections, regression, statistics

LISTS = (methods.CHECKS, local_grids.CHECKS, as_crs.CHECKS, projections.CHECKS, geocentric.CHECKS,
         statistics.CHECKS, regression.CHECKS)
