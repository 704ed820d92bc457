"""Positions of the features of a layer as arrays, from their geometry or from fields."""

from __future__ import annotations

import math
from array import array
from dataclasses import dataclass
from typing import Callable, Dict, Iterator, List, NamedTuple, Optional, Tuple

import numpy as np
from qgis.core import (
    QgsFeature,
    QgsFeatureRequest,
    QgsProcessingFeatureSource,
    QgsWkbTypes,
)

from ..core.angles import parse_angle
from ..core.errors import InputError, SitetieError
from ..core.numerals import parse_number
from ..core.pair_table import cell_text
from .cells import cell

#: Told with the share done, 0 to 1; raises when the person asks to stop.
Progress = Callable[[float], None]
#: Features between two looks at the wish to stop.
EVERY = 5_000


class Columns(NamedTuple):
    """Positions and what goes with them; NaN where a value is missing.

    Attributes
    ----------
    x, y, z : (n,) arrays
        From the geometry, in the order of maps; or longitude, latitude, height from fields; or
        easting, northing, elevation.
    others : dict of str to (n,) array
        By the name asked for.
    ids : list of str, or None
    features : (n,) array
        Which feature, counted from 0, each position belongs to.
    """

    x: np.ndarray
    y: np.ndarray
    z: np.ndarray
    others: Dict[str, np.ndarray]
    ids: Optional[List[str]]
    features: np.ndarray


@dataclass(frozen=True)
class PositionSource:
    """Where in a layer positions are found.

    Attributes
    ----------
    source : QgsProcessingFeatureSource
    name : str
        What messages call the layer.
    x, y, z : str or None
        Fields; without those of x and y the geometry is read, and z from it when it has one.
    angles : bool
        Whether x and y are a longitude and a latitude, which text may give in degrees, minutes,
        seconds.
    others : dict of str to str
        Name → field of further numbers.
    id : str or None
        Field.
    vertices : bool
        Whether lines and polygons may be read, each vertex a position.
    """

    source: QgsProcessingFeatureSource
    name: str
    x: Optional[str] = None
    y: Optional[str] = None
    z: Optional[str] = None
    angles: bool = False
    others: Tuple[Tuple[str, str], ...] = ()
    id: Optional[str] = None
    vertices: bool = False

    @property
    def from_geometry(self) -> bool:
        return self.x is None

    def read(self, progress: Progress) -> Columns:
        """All positions, feature by feature.

        Raises
        ------
        InputError
            Naming layer, row (counted from 1) and point.
        """
        self._refuse_unusable()
        x, y, z, of_feature = array("d"), array("d"), array("d"), array("q")
        others: Dict[str, array] = {name: array("d") for name, _ in self.others}
        ids: List[str] = []
        for row, feature in enumerate(self._features(progress)):
            try:
                cells = _Cells(feature)
                places = list(self._places(feature, cells))
                numbers = [(name, cells.number(field)) for name, field in self.others]
            except SitetieError as error:
                name = cell_text(cell(feature[self.id])) if self.id else None
                raise error.at(file=self.name, row=row + 1, point=name) from None
            for place in places:
                x.append(place[0])
                y.append(place[1])
                z.append(place[2])
                of_feature.append(row)
                for name, number in numbers:
                    others[name].append(number)
                if self.id:
                    ids.append(cell_text(cell(feature[self.id])))
        return Columns(
            np.array(x), np.array(y), np.array(z),
            {name: np.array(values) for name, values in others.items()},
            ids if self.id else None, np.array(of_feature, dtype=int),
        )

    def _refuse_unusable(self) -> None:
        known = self.source.fields()
        for field in self._fields():
            if known.indexOf(field) < 0:
                raise InputError(
                    f"The layer has no field {field!r}.",
                    f"It has {', '.join(known.names()) or 'none'}.", file=self.name,
                )
        if (self.x is None) != (self.y is None):
            missing, given = ("x", self.y) if self.x is None else ("y", self.x)
            raise InputError(
                f"Of the two coordinates only {given} is named, the other one is not.",
                "Name the fields of both, or of neither to read the geometry.", file=self.name,
            )
        if not self.from_geometry:
            return
        kind = QgsWkbTypes.geometryType(self.source.wkbType())
        points = kind == QgsWkbTypes.GeometryType.PointGeometry
        shapes = (QgsWkbTypes.GeometryType.LineGeometry, QgsWkbTypes.GeometryType.PolygonGeometry)
        if not points and not (self.vertices and kind in shapes):
            raise InputError(
                f"The layer has no points ({QgsWkbTypes.geometryDisplayString(kind).lower()}).",
                "Choose a layer of points, or name the fields of the coordinates.", file=self.name,
            )

    def _fields(self) -> List[str]:
        named = [self.x, self.y, self.z, self.id, *(field for _, field in self.others)]
        return [field for field in named if field is not None]

    def _features(self, progress: Progress) -> Iterator[QgsFeature]:
        request = QgsFeatureRequest()
        request.setSubsetOfAttributes(self._fields(), self.source.fields())
        if not self.from_geometry:
            request.setFlags(QgsFeatureRequest.Flag.NoGeometry)
        count = max(self.source.featureCount(), 1)
        for done, feature in enumerate(self.source.getFeatures(request)):
            if done % EVERY == 0:
                progress(min(1.0, done / count))
            yield feature

    def _places(
        self, feature: QgsFeature, cells: "_Cells"
    ) -> Iterator[Tuple[float, float, float]]:
        if self.x is not None and self.y is not None:
            read = cells.angle if self.angles else cells.number
            x, y = read(self.x, "longitude"), read(self.y, "latitude")
            for field, value in ((self.x, x), (self.y, y)):
                if math.isnan(value):
                    raise InputError(f"{field} is blank.", "Give it, or take the row out.")
            yield x, y, cells.number(self.z) if self.z else math.nan
            return
        vertices = list(feature.geometry().vertices()) if feature.hasGeometry() else []
        if not vertices:
            raise InputError(
                "The feature has no geometry.", "Give it a position, or take it out."
            )
        if len(vertices) > 1 and not self.vertices:
            raise InputError(
                f"The feature has {len(vertices)} points.",
                "Split it into features of one point each.",
            )
        for vertex in vertices:
            yield vertex.x(), vertex.y(), cells.number(self.z) if self.z else vertex.z()


class _Cells:
    """The attributes of a feature as numbers; NaN where blank."""

    def __init__(self, feature: QgsFeature) -> None:
        self._feature = feature

    def number(self, field: str, _: str = "") -> float:
        value = self._feature[field]
        if type(value) is float and math.isfinite(value):
            return value
        value = cell(value)
        return math.nan if not cell_text(value) else parse_number(value, field)

    def angle(self, field: str, kind: str) -> float:
        value = cell(self._feature[field])
        return math.nan if not cell_text(value) else parse_angle(value, kind)
