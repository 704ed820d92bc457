"""The fields that restating fills, and their values."""

from __future__ import annotations

from typing import Iterator, List, Optional, Sequence

import numpy as np
from qgis.core import QgsField

from ..core.restate import Restated
from ..core.tie import Tie
from .fields import number_field, text_field, whole_field
from .residual_layer import TIE_DIGITS


def site_fields() -> List[QgsField]:
    """site_e, site_n, site_z, their standard deviations, site_in, site_tie."""
    return [
        *(number_field(name) for name in (
            "site_e", "site_n", "site_z", "site_se", "site_sn", "site_sz")),
        whole_field("site_in"), text_field("site_tie", TIE_DIGITS),
    ]


def site_values(restated: Restated, tie: Tie, start: int, stop: int) -> Iterator[Sequence[object]]:
    """Values of those fields for the points from `start` to before `stop`; None where unknown."""
    piece = slice(start, stop)
    inside: Optional[np.ndarray] = restated.inside
    return zip(
        *(known(values[piece]) for values in (
            restated.easting, restated.northing, restated.elevation, restated.sigma_easting,
            restated.sigma_northing, restated.sigma_elevation)),
        [None] * len(restated.easting[piece]) if inside is None
        else inside[piece].astype(int).tolist(),
        [tie.id[:TIE_DIGITS]] * len(restated.easting[piece]),
    )


def known(values: np.ndarray) -> List[Optional[float]]:
    """Plain numbers, None for NaN: QGIS takes no numpy."""
    return [value if value == value else None for value in values.tolist()]
