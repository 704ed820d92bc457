"""sitetie:pointcloud: a LAS or LAZ point cloud onto the site grid of a tie."""

from __future__ import annotations

from typing import Any

from qgis.core import (
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFile,
    QgsProcessingParameterFileDestination,
)

from .algorithm import SitetieAlgorithm, Values, tr
from .layer_frames import add_frames
from .progress import part
from .settings_parameters import UNITS, crs_of

CLOUD, TIE, OUTPUT = "CLOUD", "TIE", "OUTPUT"
HEIGHTS = (
    ("ellipsoidal", tr("ellipsoidal heights, which become site elevations")),
    ("keep", tr("leave Z as it is")),
)
HEIGHT_UNITS = (("crs", tr("the unit that the CRS states; metres where it is in metres")), *UNITS)
_KINDS = tr("Point clouds (*.las *.laz)")


class PointCloudAlgorithm(SitetieAlgorithm):
    """A point cloud through a tie."""

    ID = "pointcloud"
    TITLE = tr("Point cloud onto the site grid")
    SUMMARY = tr("Writes a LAS or LAZ point cloud with its coordinates on the site grid of a tie.")
    HELP = tr(
        "Brings a point cloud (LAS or LAZ 1.2 to 1.4) onto the site grid of a tie. X and Y are "
        "those that PROJ computes point by point, rounded to the scale of the file; Z becomes a "
        "site elevation by the vertical part of the tie, shift or tilted plane and geoid, or stays "
        "as it is. All other dimensions, extra bytes and records stay byte for byte.\n\n"
        "The CRS of the cloud is replaced by that of the site, in WKT. Only LAS 1.4 can name it: "
        "LAS 1.2 and 1.3 become 1.4, with the point format they had. Programs on PROJ can read it; "
        "others may show the cloud without a CRS. Scale and offset are chosen anew: as fine as "
        "they were, in the site unit. Indexes of the points by their place (COPC) are left out.\n\n"
        "Clouds with waveforms are refused, because the directions of the pulses would have to be "
        "turned too. LAZ needs a Python package that QGIS does not always have: "
        'python3 -m pip install "laspy[lazrs]". LAS needs nothing.'
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFile(
                CLOUD, tr("Point cloud"), fileFilter=_KINDS + ";;" + tr("All files (*)")
            ),
            tr("LAS or LAZ."),
        )
        self.add_tie()
        self.add_choice(
            "HEIGHTS", tr("Z"), HEIGHTS,
            tr("Heights over a geoid are made ellipsoidal first, by the geoid grid named below."),
        )
        self.add(
            QgsProcessingParameterCrs("CRS", tr("CRS of the point cloud"), optional=True),
            tr("Blank: that which the file states."), advanced=True,
        )
        add_frames(self, tr("Of Z. A CRS in feet that says nothing of heights leaves it open, and "
                            "it has to be named."), HEIGHT_UNITS)
        self.add(
            QgsProcessingParameterFileDestination(
                OUTPUT, tr("On the site grid"),
                fileFilter=tr("LAZ, compressed (*.laz)") + ";;" + tr("LAS (*.las)"),
            ),
            tr("The ending says whether it is compressed: .laz or .las."),
        )

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.point_cloud import CloudChoices, restate_cloud
        from ...core.tie import Tie

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        target = self.parameterAsFileOutput(parameters, OUTPUT, context)
        unit = self.choice(parameters, "HEIGHT_UNIT", context)
        choices = CloudChoices(
            crs=crs_of(self, parameters, "CRS", context),
            heights=self.choice(parameters, "HEIGHTS", context),
            height_unit=None if unit == "crs" else unit,
            height_geoid=self.text(parameters, "HEIGHT_GEOID", context) or None,
            datum_operation=self.text(parameters, "DATUM_OPERATION", context) or None,
            epoch=self.number(parameters, "OBSERVATION_EPOCH", context),
        )
        told = part(feedback, 0, 100)

        def progress(share: float) -> bool:
            told(share)
            return True

        count = restate_cloud(
            self.parameterAsFile(parameters, CLOUD, context), target, tie, choices,
            progress=progress, say=feedback.pushWarning,
        )
        feedback.pushInfo(f"{count} points restated through tie {tie.short_id}.")
        return {OUTPUT: target}
