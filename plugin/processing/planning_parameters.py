"""Parameters that the algorithms on where to go next share."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, List, Optional

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterString,
)

from .algorithm import SitetieAlgorithm, Values, tr

if TYPE_CHECKING:
    import numpy as np

    from ...core.tie import Tie
    from ...core.work_area import WorkArea
    from ..control_source import ControlLayer

CONTROL, SEEN, AREA = "CONTROL", "SEEN", "AREA"
#: Parameter and what the core calls its value.
_CONTROL_FIELDS = (
    ("ID", "control_id", tr("Field with the control point's id"),
     tr("Blank: found by its name, else the number of the feature.")),
    ("EASTING", "easting", tr("Field with the easting"),
     tr("Blank: found by its name, else from the geometry.")),
    ("NORTHING", "northing", tr("Field with the northing"), tr("As the easting.")),
    ("ELEVATION", "elevation", tr("Field with the elevation"),
     tr("Blank: found by its name, else Z of the geometry, where there is one.")),
    ("SIGMA_H", "control_sigma_h", tr("Field with the horizontal standard deviation (m)"),
     tr("Of the control coordinates, each axis, one sigma. Blank, or in blank cells: the default, "
        "assumed.")),
    ("SIGMA_V", "control_sigma_v", tr("Field with the vertical standard deviation (m)"),
     tr("As the horizontal one.")),
)


def add_control(algorithm: SitetieAlgorithm, description: str, text: str) -> None:
    """Add a layer of control points and its fields."""
    algorithm.add(
        QgsProcessingParameterFeatureSource(
            CONTROL, description, [QgsProcessing.SourceType.TypeVector]), text)
    algorithm.add_fields(
        CONTROL, [(name, title, words) for name, _, title, words in _CONTROL_FIELDS])


def read_control_layer(
    algorithm: SitetieAlgorithm, parameters: Values, context: QgsProcessingContext
) -> "ControlLayer":
    from ..control_source import control_of

    source = algorithm.parameterAsSource(parameters, CONTROL, context)
    return control_of(source, source.sourceName(), {
        key: algorithm.field(parameters, name, context) for name, key, _, _ in _CONTROL_FIELDS})


def add_observed_already(algorithm: SitetieAlgorithm) -> None:
    """Add a layer of what has been observed besides the tie's own pairs."""
    algorithm.add(
        QgsProcessingParameterFeatureSource(
            SEEN, tr("Observed already"), [QgsProcessing.SourceType.TypeVector], optional=True),
        tr("Control points with the id of a feature in here are left out, as are those of the "
           "tie's own pairs."),
    )
    algorithm.add_fields(SEEN, (
        ("SEEN_ID", tr("Field with the control point's id in there"), tr("Needed with the layer.")),
    ))


def observed_already(
    algorithm: SitetieAlgorithm, parameters: Values, context: QgsProcessingContext
) -> List[str]:
    from ..control_source import ids_of

    source = algorithm.parameterAsSource(parameters, SEEN, context)
    if source is None:
        return []
    return ids_of(source, source.sourceName(), algorithm.field(parameters, "SEEN_ID", context))


def add_shot_sigmas(algorithm: SitetieAlgorithm, text: str) -> None:
    """Add the standard deviations of the observation to come."""
    for name, description in (
        ("SHOT_SIGMA_H", tr("Standard deviation of the shot, each horizontal axis (m)")),
        ("SHOT_SIGMA_V", tr("Standard deviation of the shot's height (m)")),
    ):
        algorithm.add_number(name, description, None, text, advanced=True)


def shot_covariance(
    algorithm: SitetieAlgorithm, parameters: Values, context: QgsProcessingContext, tie: "Tie"
) -> np.ndarray:
    """(3, 3) covariance of the shot to come.

    Raises
    ------
    InputError
        When a standard deviation is not greater than zero.
    """
    from ...core.errors import InputError

    covariance = tie.default_observation_covariance()
    for name, places in (("SHOT_SIGMA_H", (0, 1)), ("SHOT_SIGMA_V", (2,))):
        sigma = algorithm.number(parameters, name, context)
        if sigma is None:
            continue
        if not (sigma > 0.0 and math.isfinite(sigma)):
            raise InputError(f"{name} is {sigma}; a standard deviation must be greater than zero.",
                             "Give it in metres, or leave it blank for the default of the tie.")
        for place in places:
            covariance[place, place] = sigma**2
    return covariance


def add_work_area(algorithm: SitetieAlgorithm, otherwise: str) -> None:
    """Add the area the work is about; `otherwise` says what counts without it."""
    algorithm.add(
        QgsProcessingParameterFeatureSource(
            AREA, tr("Work area"), [QgsProcessing.SourceType.TypeVectorAnyGeometry],
            optional=True),
        tr("Polygons, lines or points over which uncertainty counts. {} Without a CRS, in that of "
           "the control points, or on a site grid: site coordinates as they are."
           ).format(otherwise),
    )
    algorithm.add(
        QgsProcessingParameterString("AREA_NAME", tr("What to call the work area"), optional=True),
        tr("In sentences, such as “the haul road”. Blank: the name of the layer."), advanced=True,
    )


def add_restated_points(algorithm: SitetieAlgorithm) -> None:
    """Add whether uncertainty is that of a point restated there."""
    algorithm.add(
        QgsProcessingParameterBoolean("TIE_ALONE", tr("Uncertainty of the tie alone"), False),
        tr("Else that of a point restated there, with a GNSS observation of default standard "
           "deviation, as in the confidence surface."), advanced=True,
    )


def read_work_area(
    algorithm: SitetieAlgorithm, parameters: Values, context: QgsProcessingContext,
    feedback: QgsProcessingFeedback, tie: Optional["Tie"],
) -> Optional["WorkArea"]:
    """The work area; None where none was given. `tie` carries one on the earth to the site."""
    from ..work_area_source import work_area_of

    source = algorithm.parameterAsSource(parameters, AREA, context)
    if source is None:
        return None
    control = algorithm.parameterAsSource(parameters, CONTROL, context)
    site_crs = control.sourceCrs() if control is not None else QgsCoordinateReferenceSystem()
    return work_area_of(
        source, source.sourceName(), algorithm.text(parameters, "AREA_NAME", context), tie,
        site_crs, context.transformContext(), feedback.pushInfo)
