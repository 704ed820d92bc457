"""The settings of a solution as parameters, one by one, and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Optional, Sequence

from qgis.core import (
    QgsProcessingContext,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFile,
)

from .algorithm import SitetieAlgorithm, Values, tr

if TYPE_CHECKING:
    from ...core.pairs import Pair
    from ...core.settings import Settings

#: Codes as the core knows them. The core itself is imported only when an algorithm runs.
UNITS = (
    ("m", tr("metre (m)")),
    ("ft", tr("international foot, 0.3048 m exactly (ft)")),
    ("us-ft", tr("US survey foot, 1200/3937 m exactly (us-ft)")),
)
SAME_UNIT = (("same", tr("the unit of the site")),)
HORIZONTAL_MODELS = (
    ("similarity", tr("similarity: shift, rotation and scale")),
    ("rigid", tr("rigid: shift and rotation, scale held")),
    ("translation", tr("translation: shift alone")),
    ("affine", tr("affine: six parameters; deforms")),
)
VERTICAL_MODELS = (
    ("shift", tr("shift: one number")),
    ("plane", tr("plane: shift and tilt")),
    ("none", tr("none: horizontal tie only")),
)
SCALES = (
    ("model", tr("as the model has it: solved by a similarity, else 1")),
    ("unity", tr("held at 1")),
    ("ground", tr("held: lengths on the ground")),
    ("grid", tr("held: lengths of a named grid")),
    ("typed", tr("held at a typed value")),
)
SIGMA_BASES = (
    ("stated", tr("stated: the standard deviations are believed")),
    ("estimated", tr("estimated: only their ratios are believed")),
)


def add_settings(algorithm: SitetieAlgorithm) -> None:
    """Add the parameters that every solution needs, then those for the expert."""
    algorithm.add_choice(
        "SITE_UNIT", tr("Unit of site eastings and northings"), UNITS,
        tr("The two feet differ by 2 parts in a million; the unit is never guessed."),
    )
    algorithm.add_choice(
        "ELEVATION_UNIT", tr("Unit of site elevations"), SAME_UNIT + UNITS,
        tr("Elevations may be in another unit than the plane."),
    )
    algorithm.add(
        QgsProcessingParameterCrs(
            # QGIS 3.22 does not take the default of a CRS for granted unless it is optional.
            "OBSERVATION_CRS", tr("CRS of the observations"), "EPSG:4326", optional=True
        ),
        tr("Geographic CRS of the latitudes and longitudes: the frame of the GNSS base or network, "
           "such as EPSG:6319 or EPSG:7931. WGS 84 is a family of frames that agree to about 2 m."),
    )
    algorithm.add_choice(
        "HORIZONTAL_MODEL", tr("Horizontal model"), HORIZONTAL_MODELS,
        tr("A translation needs one pair, rigid and similarity two, an affine three; one more of "
           "each lets the solution be checked. An affine lets lengths and right angles change."),
    )
    algorithm.add_choice(
        "VERTICAL_MODEL", tr("Vertical model"), VERTICAL_MODELS,
        tr("A shift needs one pair with elevation and height, a plane three that are not in line."),
    )
    algorithm.add_number(
        "TOLERANCE_H", tr("Tolerance of horizontal residuals (site unit)"), None,
        tr("Pairs whose horizontal residual is longer fail in table and report. Blank: no "
           "tolerance."),
    )
    algorithm.add_number(
        "TOLERANCE_V", tr("Tolerance of vertical residuals (elevation unit)"), None,
        tr("Pairs whose vertical residual is larger fail in table and report. Blank: no "
           "tolerance."),
    )
    _add_base(algorithm)
    _add_scale(algorithm)
    _add_sigmas(algorithm)


def _add_base(algorithm: SitetieAlgorithm) -> None:
    algorithm.add(
        QgsProcessingParameterFile(
            "EARLIER_TIE", tr("Earlier tie of the job, whose base projection is kept"),
            fileFilter=tr("Sitetie tie (*.json)") + ";;" + tr("All files (*)"), optional=True,
        ),
        tr("Later ties of a job should stand on the base projection of its first: a new one would "
           "move restated points by millimetres. Takes the place of the base projection below."),
        advanced=True,
    )
    algorithm.add(
        QgsProcessingParameterCrs("BASE_CRS", tr("Base projection"), optional=True),
        tr("Projected CRS between latitude, longitude and the site grid. Blank: a Transverse "
           "Mercator of scale 1 in the middle of the fit pairs."),
        advanced=True,
    )
    algorithm.add_number(
        "OBSERVATION_EPOCH", tr("Epoch of the observations (decimal year)"), None,
        tr("Such as 2026.35; needed where the change of frame to the base depends on time."),
        advanced=True,
    )
    algorithm.add_text(
        "DATUM_OPERATION", tr("Datum operation to the base"),
        tr("A part of the name of the operation, or a PROJ pipeline from longitude, latitude, "
           "height to the base. “identical” says that both frames are one. Blank: the most "
           "accurate one PROJ knows; a null or ballpark one is refused."),
    )
    algorithm.add_geoid(
        "GEOID", tr("Geoid grid"),
        tr("A grid PROJ reads, as a file or by its name in PROJ's data folder. Its undulation is "
           "taken off the heights before the vertical model. Blank: heights over the ellipsoid."),
    )


def _add_scale(algorithm: SitetieAlgorithm) -> None:
    algorithm.add_choice(
        "SCALE", tr("Scale"), SCALES,
        tr("Site length divided by base-grid length. Held scales say what they are: ground lengths "
           "in the middle of the fit pairs, at their height; or the lengths of a projected CRS."),
        advanced=True,
    )
    algorithm.add_number(
        "SCALE_VALUE", tr("Typed scale"), None,
        tr("For a typed scale: site length divided by base-grid length."), advanced=True,
    )
    algorithm.add_number(
        "SCALE_SIGMA", tr("Standard deviation of a held scale"), None,
        tr("0 holds the scale exactly. Blank: 0 for 1 and typed scales, and what the site allows "
           "for ground and grid lengths (spread over the control, level of the site)."),
        advanced=True,
    )
    algorithm.add(
        QgsProcessingParameterCrs("SCALE_CRS", tr("Grid whose lengths are held"), optional=True),
        tr("Projected CRS, for lengths of a named grid."),
        advanced=True,
    )


def _add_sigmas(algorithm: SitetieAlgorithm) -> None:
    assumed = tr("Metres, one sigma; used where the pairs state none, and then called assumed. "
                 "The value offered is common practice.")
    for name, description, default in (
        ("GNSS_SIGMA_H", tr("Standard deviation of observations, each horizontal axis (m)"), 0.008),
        ("GNSS_SIGMA_V", tr("Standard deviation of observed heights (m)"), 0.015),
        ("CONTROL_SIGMA_H", tr("Standard deviation of control, each horizontal axis (m)"), 0.005),
        ("CONTROL_SIGMA_V", tr("Standard deviation of control elevations (m)"), 0.005),
    ):
        algorithm.add_number(name, description, default, assumed, advanced=True)
    algorithm.add_number(
        "SESSION_CORRELATION", tr("Correlation of shots of one session at one mark"), 0.7,
        tr("0 to below 1. Ten shots from one set-up are not ten independent ones."), advanced=True,
    )
    algorithm.add_choice(
        "SIGMA_BASIS", tr("Standard deviations are"), SIGMA_BASES,
        tr("Estimated takes their size from the residuals; with few pairs this says little."),
        advanced=True,
    )
    for name, description, default, text in (
        ("CONFIDENCE", tr("Confidence"), 0.95,
         tr("Level of error ellipses and intervals, such as 0.95.")),
        ("TEST_LEVEL", tr("Level of the test of each pair"), 0.001,
         tr("Probability that a good pair is accused, such as 0.001.")),
        ("POWER", tr("Power of the test"), 0.80,
         tr("Probability that a blunder of the size of the minimal detectable bias is found.")),
    ):
        algorithm.add_number(name, description, default, text, advanced=True)


def read_settings(
    algorithm: SitetieAlgorithm, parameters: Values, context: QgsProcessingContext
) -> "Settings":
    """The settings chosen, all but a held scale, which depends on the pairs.

    Raises
    ------
    SettingsError, TieFileError
    """
    from ...core.errors import SettingsError
    from ...core.settings import Settings
    from ...core.tie import Tie

    def chosen(name: str) -> str:
        return algorithm.choice(parameters, name, context)

    def numbers(*names: str) -> dict:
        return {name.lower(): algorithm.number(parameters, name, context) for name in names}

    elevation_unit, vertical_model = chosen("ELEVATION_UNIT"), chosen("VERTICAL_MODEL")
    settings = Settings(
        site_unit=chosen("SITE_UNIT"),
        elevation_unit=None if elevation_unit == "same" else elevation_unit,
        base_crs=crs_of(algorithm, parameters, "BASE_CRS", context),
        observation_crs=crs_of(algorithm, parameters, "OBSERVATION_CRS", context) or "",
        datum_operation=algorithm.text(parameters, "DATUM_OPERATION", context) or None,
        horizontal_model=chosen("HORIZONTAL_MODEL"),
        vertical_model=None if vertical_model == "none" else vertical_model,
        geoid=algorithm.text(parameters, "GEOID", context) or None,
        sigma_basis=chosen("SIGMA_BASIS"),
        **numbers(
            "OBSERVATION_EPOCH", "TOLERANCE_H", "TOLERANCE_V", "GNSS_SIGMA_H", "GNSS_SIGMA_V",
            "CONTROL_SIGMA_H", "CONTROL_SIGMA_V", "SESSION_CORRELATION", "CONFIDENCE",
            "TEST_LEVEL", "POWER",
        ),
    )
    earlier_file = algorithm.parameterAsFile(parameters, "EARLIER_TIE", context)
    if not earlier_file:
        return settings
    earlier = Tie.load(earlier_file).settings
    if earlier.observation_crs != settings.observation_crs:
        raise SettingsError(
            f"The earlier tie takes observations in {earlier.observation_crs}, now they are in "
            f"{settings.observation_crs}.",
            "Name the same CRS, or leave the earlier tie out for a base projection of its own.",
            file=earlier_file,
        )
    return settings.replace(
        base_crs=earlier.base_crs, datum_operation=earlier.datum_operation,
        observation_epoch=settings.observation_epoch or earlier.observation_epoch,
    )


def with_held_scale(
    algorithm: SitetieAlgorithm,
    parameters: Values,
    context: QgsProcessingContext,
    settings: "Settings",
    pairs: Sequence["Pair"],
) -> "Settings":
    """The settings with the scale that was chosen to be held, if one was.

    Raises
    ------
    SettingsError, InputError, FrameError
    """
    from ...core.errors import SettingsError
    from ...core.settings import HeldScale
    from ...core.site_scale import site_scale

    basis = algorithm.choice(parameters, "SCALE", context)
    if basis == "model":
        return settings
    sigma = algorithm.number(parameters, "SCALE_SIGMA", context)
    if basis == "typed":
        value = algorithm.number(parameters, "SCALE_VALUE", context)
        if value is None:
            raise SettingsError(
                "A typed scale is to be held, but SCALE_VALUE is blank.",
                "Give site length divided by base-grid length, such as 0.99987.",
            )
        return settings.replace(scale=HeldScale(value, sigma or 0.0, basis))
    grid = crs_of(algorithm, parameters, "SCALE_CRS", context)
    scale = site_scale(pairs, settings, basis, grid=grid)
    if sigma is not None:
        scale = HeldScale(scale.value, sigma, basis)
    return settings.replace(scale=scale)


def crs_of(
    algorithm: SitetieAlgorithm, parameters: Values, name: str, context: QgsProcessingContext
) -> Optional[str]:
    """A CRS as the core reads it; None when it was left blank.

    Raises
    ------
    FrameError
        When something was given that QGIS does not know.
    """
    from ...core.errors import FrameError
    from ..job.layer_source import crs_text

    crs = algorithm.parameterAsCrs(parameters, name, context)
    if crs.isValid():
        return crs_text(crs)
    given = parameters.get(name)
    if given and isinstance(given, str):
        raise FrameError(
            f"{name} is {given!r}, which is no CRS that QGIS knows.",
            "Give an authority code such as EPSG:25832, or WKT.",
        )
    return None
