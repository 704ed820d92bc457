"""Parameters of the algorithms that carry whole layers: frames, and what heights mean."""

from __future__ import annotations

from .algorithm import Choices, SitetieAlgorithm, tr
from .settings_parameters import UNITS


def add_frames(algorithm: SitetieAlgorithm, of_what: str, units: Choices = UNITS) -> None:
    """HEIGHT_UNIT, HEIGHT_GEOID, DATUM_OPERATION and OBSERVATION_EPOCH."""
    algorithm.add_choice(
        "HEIGHT_UNIT", tr("Unit of heights"), units, of_what, advanced=True,
    )
    algorithm.add_geoid(
        "HEIGHT_GEOID", tr("Geoid grid by which heights were reduced"),
        tr("For orthometric heights: the undulation of this grid makes them ellipsoidal. "
           "Blank: heights are ellipsoidal."),
    )
    algorithm.add_text(
        "DATUM_OPERATION", tr("Datum operation to the frame of the tie"),
        tr("Where the layer stands on another datum than the tie: a part of the name of the "
           "operation, or a PROJ pipeline. “identical” says that both are one frame. Blank: "
           "the most accurate one PROJ knows; a null or ballpark one is refused."),
    )
    algorithm.add_number(
        "OBSERVATION_EPOCH", tr("Epoch of the layer (decimal year)"), None,
        tr("Where the change of frame depends on time. Blank: the epoch of the tie."),
        advanced=True,
    )
