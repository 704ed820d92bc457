"""sitetie:vector: layers of points, lines, polygons and curves onto the site grid, and back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Callable

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsProcessing,
    QgsProcessingContext,
    QgsProcessingFeatureSource,
    QgsProcessingFeedback,
    QgsProcessingParameterCrs,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFeatureSource,
    QgsWkbTypes,
)

from .algorithm import SitetieAlgorithm, Values, stop_if_cancelled, tr
from .layer_frames import add_frames
from .progress import part
from .settings_parameters import crs_of

if TYPE_CHECKING:
    from ...core.layer_way import LayerWay
    from ...core.tie import Tie
    from ..vector_layer import Carried, Carrier

INPUT, TIE, OUTPUT = "INPUT", "TIE", "OUTPUT"
DIRECTIONS = (
    ("to_site", tr("onto the site grid")),
    ("to_map", tr("from the site grid to a map CRS")),
)
HEIGHTS = (
    ("keep", tr("leave Z as it is")),
    ("change", tr("heights to site elevations, or back, by the vertical part of the tie")),
)


class VectorAlgorithm(SitetieAlgorithm):
    """Vector layers through a tie, either way."""

    ID = "vector"
    TITLE = tr("Vector layer onto the site grid or back")
    SUMMARY = tr("Carries points, lines, polygons and curves through a tie, either way.")
    HELP = tr(
        "Carries a layer of points, lines, polygons or curves onto the site grid of a tie, or from "
        "the site grid to a map CRS. Fields, ids and M stay as they are, features without a "
        "geometry too. To look at a layer beside site data this is not needed: with the project "
        "on the CRS of the site (sitetie:sitecrs) QGIS shows every layer in its place.\n\n"
        "Z is changed only when you say that it is a height (onto the site: ellipsoidal, or "
        "reduced by a geoid that you name) or a site elevation (from the site). Otherwise it stays "
        "as it is. There and back gives the same coordinates to 0.01 mm.\n\n"
        "Every vertex is carried exactly. A straight segment stays straight between its carried "
        "ends, though its true image bends a little: over 1 km by up to about half a millimetre "
        "from UTM, by centimetres from degrees, with the square of the length. A largest "
        "deviation puts further points on such segments. Arcs stay arcs through their three "
        "carried points; a tie of the models translation, rigid and similarity keeps "
        "circles round to the same measure, an affine one turns them into ellipses.\n\n"
        "What is set out by one tie stays in the ground when the tie changes: keep the tie."
    )

    def initAlgorithm(self, configuration: Any = None) -> None:
        self.add(
            QgsProcessingParameterFeatureSource(
                INPUT, tr("Layer"), [QgsProcessing.SourceType.TypeVectorAnyGeometry]
            ),
            tr("Points, lines, polygons, also with curves, Z and M."),
        )
        self.add_tie()
        self.add_choice(
            "DIRECTION", tr("Direction"), DIRECTIONS,
            tr("From the site grid, the layer's own coordinates are taken as site coordinates."),
        )
        self.add_choice("HEIGHTS", tr("Z"), HEIGHTS, tr("What Z means is never guessed."))
        self.add(
            QgsProcessingParameterCrs("TARGET_CRS", tr("Map CRS"), optional=True),
            tr("From the site grid only. Blank: the observation CRS of the tie."),
        )
        self.add_number(
            "DEVIATION", tr("Largest deviation of straight segments (site units)"), None,
            tr("Points are put on segments that would stray by more. Blank: none are."),
            advanced=True,
        )
        add_frames(self, tr("Of Z in the map CRS, where it is a height."))
        self.add_number(
            "HEIGHT", tr("Height of points without one (m)"), None,
            tr("Ellipsoidal, in the frame of the tie. It matters only where a change of frame "
               "depends on heights. Blank: the middle of the heights of the tie's pairs."),
            advanced=True,
        )
        self.add(QgsProcessingParameterFeatureSink(OUTPUT, tr("Carried")), tr("The same features."))

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.tie import Tie
        from ..outputs import Outputs
        from ..vector_layer import carry_layer

        tie = Tie.load(self.parameterAsFile(parameters, TIE, context))
        source = self.parameterAsSource(parameters, INPUT, context)
        to_site = self.choice(parameters, "DIRECTION", context) == "to_site"
        goal = self._goal(parameters, context, tie, to_site)
        carrier = self._carrier(parameters, context, source, tie, to_site, goal,
                                feedback.pushWarning)
        with Outputs() as outputs:
            layer = outputs.layer(
                self, parameters, OUTPUT, context, source.fields(), source.wkbType(), goal)
            assert layer is not None  # OUTPUT is not optional
            carried = carry_layer(source, layer, carrier, part(feedback, 0, 100))
            stop_if_cancelled(feedback)
            outputs.commit()
        if to_site and layer.place.lower().endswith(".shp"):
            feedback.pushWarning(tr(
                "A shapefile cannot hold the CRS of the site grid, cuts field names to ten letters "
                "and draws curves as lines: set the CRS again where it is opened, or write a "
                "GeoPackage."))
        feedback.pushInfo(_summary(carried, carrier, tie))
        return {OUTPUT: layer.place}

    def _goal(
        self, parameters: Values, context: QgsProcessingContext, tie: "Tie", to_site: bool
    ) -> QgsCoordinateReferenceSystem:
        """The CRS of the result."""
        if to_site:
            return QgsCoordinateReferenceSystem.fromWkt(tie.crs_wkt())
        if crs_of(self, parameters, "TARGET_CRS", context) is not None:
            return self.parameterAsCrs(parameters, "TARGET_CRS", context)
        crs = QgsCoordinateReferenceSystem()
        crs.createFromUserInput(tie.settings.observation_crs)
        return crs

    def _carrier(
        self, parameters: Values, context: QgsProcessingContext,
        source: QgsProcessingFeatureSource, tie: "Tie", to_site: bool,
        goal: QgsCoordinateReferenceSystem, say: Callable[[str], None],
    ) -> "Carrier":
        from ...core.errors import InputError, SitetieError
        from ..layer_crs import map_crs, site_layer_crs
        from ..vector_layer import Carrier, first_vertex

        name = source.sourceName()
        change = self.choice(parameters, "HEIGHTS", context) == "change"
        if change and not QgsWkbTypes.hasZ(source.wkbType()):
            raise InputError("The layer has no Z.", "Leave Z as it is.", file=name)
        deviation = self.number(parameters, "DEVIATION", context)
        if deviation is not None and not deviation > 0.0:
            raise InputError(f"The largest deviation is {deviation:g}.",
                             "Give one greater than zero, or leave it blank.")
        if to_site:
            crs = map_crs(source.sourceCrs(), tie.short_id, name)
        else:
            site_layer_crs(source.sourceCrs(), tie.short_id, name)
            crs = map_crs(goal, tie.short_id, name)
        try:
            way = self._way(parameters, context, tie, crs, first_vertex(source), to_site, say)
        except SitetieError as error:
            raise error.at(file=name) from None
        return Carrier(way, to_site, deviation, not to_site and goal.isGeographic())

    def _way(
        self, parameters: Values, context: QgsProcessingContext, tie: "Tie", crs: str, first,
        to_site: bool, say: Callable[[str], None],
    ) -> "LayerWay":
        from ...core.layer_way import layer_way

        change = self.choice(parameters, "HEIGHTS", context) == "change"
        return layer_way(
            tie, crs, first, on_site=not to_site,
            height=self.number(parameters, "HEIGHT", context),
            height_unit=self.choice(parameters, "HEIGHT_UNIT", context) if change else None,
            height_geoid=self.text(parameters, "HEIGHT_GEOID", context) or None,
            datum_operation=self.text(parameters, "DATUM_OPERATION", context) or None,
            epoch=self.number(parameters, "OBSERVATION_EPOCH", context), say=say,
        )


def _summary(carried: "Carried", carrier: "Carrier", tie: "Tie") -> str:
    where = "onto" if carrier.to_site else "from"
    said = [f"{carried.features} features with {carried.points} vertices carried {where} the site "
            f"grid of tie {tie.short_id}"]
    if carried.added:
        said.append(f"{carried.added} of the vertices were put on straight segments")
    if carried.without_geometry:
        said.append(f"{carried.without_geometry} features have no geometry")
    if carrier.way.metres is None:
        said.append("Z, where there is one, stayed as it is")
    else:
        said.append(f"Z was changed at {carried.heights} vertices")
        left = carried.points - carried.heights
        if left:
            said.append(f"{left} vertices have no Z")
    return "; ".join(said) + "."
