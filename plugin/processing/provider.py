"""Sitetie in the Processing toolbox."""

from __future__ import annotations

from typing import Tuple, Type

from qgis.core import QgsProcessingAlgorithm, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from ..icons import icon


class SitetieProvider(QgsProcessingProvider):
    """Offers the algorithms under the id ``sitetie``."""

    def id(self) -> str:
        return "sitetie"

    def name(self) -> str:
        return "Sitetie"

    def longName(self) -> str:
        return "Sitetie: GNSS positions tied to a site grid"

    def icon(self) -> QIcon:
        return icon()

    def loadAlgorithms(self) -> None:
        for algorithm in algorithm_classes():
            self.addAlgorithm(algorithm())


def algorithm_classes() -> Tuple[Type[QgsProcessingAlgorithm], ...]:
    """What the toolbox shows. Their modules import the core only when an algorithm runs, so that
    QGIS starts without numpy, pyproj and scipy."""
    from .accuracy import AccuracyAlgorithm
    from .design_check import DesignCheckAlgorithm
    from .geodetic import GeodeticAlgorithm
    from .next_control import NextControlAlgorithm
    from .pair import PairAlgorithm
    from .plain_crs import PlainCrsAlgorithm
    from .point_cloud import PointCloudAlgorithm
    from .raster import RasterAlgorithm
    from .read_points import ReadPointsAlgorithm
    from .restate import RestateAlgorithm
    from .seek import SeekAlgorithm
    from .site_crs import SiteCrsAlgorithm
    from .solve import SolveAlgorithm
    from .vector import VectorAlgorithm
    from .verify_book import VerifyAlgorithm
    from .write_landxml import WriteLandXmlAlgorithm

    return (
        PairAlgorithm,
        SolveAlgorithm,
        RestateAlgorithm,
        GeodeticAlgorithm,
        SiteCrsAlgorithm,
        RasterAlgorithm,
        VectorAlgorithm,
        PointCloudAlgorithm,
        PlainCrsAlgorithm,
        AccuracyAlgorithm,
        VerifyAlgorithm,
        ReadPointsAlgorithm,
        WriteLandXmlAlgorithm,
        SeekAlgorithm,
        NextControlAlgorithm,
        DesignCheckAlgorithm,
    )
