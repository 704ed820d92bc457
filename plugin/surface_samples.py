"""Values of a surface raster at points, interpolated between the four cells round each."""

from __future__ import annotations

import math
from typing import List, Optional, Sequence, Tuple

from qgis.core import QgsPointXY, QgsRasterLayer


def surface_samples(
    layer: QgsRasterLayer, places: Sequence[Tuple[float, float]], band: int = 1
) -> List[Optional[float]]:
    """Bilinear values at places in the raster's own CRS.

    None where one of the four cells is missing or says nothing.
    """
    provider, extent = layer.dataProvider(), layer.extent()
    width = extent.width() / provider.xSize()
    height = extent.height() / provider.ySize()

    def cell(column: int, row: int) -> Optional[float]:
        if not (0 <= column < provider.xSize() and 0 <= row < provider.ySize()):
            return None
        centre = QgsPointXY(extent.xMinimum() + (column + 0.5) * width,
                            extent.yMaximum() - (row + 0.5) * height)
        value, found = provider.sample(centre, band)
        return value if found and math.isfinite(value) else None

    def at(x: float, y: float) -> Optional[float]:
        column, row = (x - extent.xMinimum()) / width - 0.5, (extent.yMaximum() - y) / height - 0.5
        # A place on the line of the centres needs only the cells on it.
        left, top = math.floor(column), math.floor(row)
        total = 0.0
        for across, share in ((left, 1.0 - (column - left)), (left + 1, column - left)):
            for down, part in ((top, 1.0 - (row - top)), (top + 1, row - top)):
                if share * part == 0.0:
                    continue
                value = cell(across, down)
                if value is None:
                    return None
                total += share * part * value
        return total

    return [at(x, y) for x, y in places]
