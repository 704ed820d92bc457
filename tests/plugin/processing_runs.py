"""What the tests of the algorithms share: runs of them, made-up jobs, layers and features."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Dict, List, Optional, Sequence

import numpy as np
import processing
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsGeometry,
    QgsProcessingContext,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)

from sitetie.core import Control, Observation, Pair, Settings

QUARRY = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"


class Listener(QgsProcessingFeedback):
    """Keeps what an algorithm says; can ask it to stop at a share of the work."""

    def __init__(self, stop_at: Optional[float] = None) -> None:
        super().__init__(False)
        self.infos: List[str] = []
        self.warnings: List[str] = []
        self.stop_at = stop_at
        self.progressChanged.connect(self._look)

    def _look(self, progress: float) -> None:
        if self.stop_at is not None and progress >= self.stop_at:
            self.cancel()

    def pushInfo(self, info: str) -> None:
        self.infos.append(info)

    def pushWarning(self, warning: str) -> None:
        self.warnings.append(warning)


def run(algorithm: str, feedback: Optional[QgsProcessingFeedback] = None, **parameters: Any):
    """Run an algorithm of Sitetie; paths may be given as they are."""
    plain = {k: str(v) if isinstance(v, Path) else v for k, v in parameters.items()}
    context = QgsProcessingContext()
    context.setProject(QgsProject.instance())
    return processing.run(
        f"sitetie:{algorithm}", plain, feedback=feedback or Listener(), context=context
    )


def quarry_settings() -> Dict[str, Any]:
    return json.loads((QUARRY / "settings.json").read_text(encoding="utf-8"))


def as_parameters(settings: Dict[str, Any]) -> Dict[str, Any]:
    """Settings as parameters of sitetie:solve."""
    return {name.upper(): value for name, value in settings.items()}


def layer_of(path: Any, provider: str = "ogr") -> QgsVectorLayer:
    layer = QgsVectorLayer(str(path), "layer", provider)
    assert layer.isValid(), path
    return layer


def rows_of(layer: Any) -> List[Dict[str, Any]]:
    """Features as dictionaries."""
    if not isinstance(layer, QgsVectorLayer):
        layer = layer_of(layer)
    names = [field.name() for field in layer.fields()]
    return [dict(zip(names, feature.attributes())) for feature in layer.getFeatures()]


def memory_layer(
    kind: str, fields: str, rows: Sequence[Sequence[Any]], name: str = "made up"
) -> QgsVectorLayer:
    """A layer in memory: ``kind`` as ``PointZ?crs=EPSG:7931``, no CRS unless
    it is named; a row is WKT and attributes."""
    glue = "&" if "?" in kind else "?"
    layer = QgsVectorLayer(
        kind + glue + "&".join(f"field={field}" for field in fields.split(",") if field),
        name, "memory",
    )
    assert layer.isValid()
    if "crs=" not in kind:
        layer.setCrs(QgsCoordinateReferenceSystem())
    features = []
    for wkt, *attributes in rows:
        feature = QgsFeature(layer.fields())
        if wkt:
            feature.setGeometry(QgsGeometry.fromWkt(wkt))
        feature.setAttributes(list(attributes))
        features.append(feature)
    done, _ = layer.dataProvider().addFeatures(features)
    assert done
    layer.updateExtents()
    return layer


def made_up_pairs(seed: int = 5) -> List[Pair]:
    """Seven marks in Saskatchewan on a turned grid in US survey feet, two of them checks."""
    random = np.random.default_rng(seed)
    foot = 1200.0 / 3937.0
    turn, pairs = np.radians(31.7), []
    for i in range(7):
        north, east = random.uniform(-900.0, 900.0, 2)
        height = 480.0 + 0.01 * east + random.normal(0.0, 0.012)
        site = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ (
            (east + random.normal(0.0, 0.006), north + random.normal(0.0, 0.006)))
        easting, northing = site / foot * 1.00004 + (20000.0, 50000.0)
        role = "check" if i > 4 else "fit"
        pairs.append(Pair(
            Control(f"00{i + 1}", float(easting), float(northing),
                    (480.0 - 22.4 + 0.01 * east) / foot, 0.004),
            Observation(f"R{i + 1}", 52.1 + north / 111270.0, -106.6 + east / 68480.0, height,
                        *random.uniform(0.005, 0.012, 2), sigma_u=0.014, session=f"day {i % 2}"),
            role, role,
        ))
    return pairs


MADE_UP = Settings(
    site_unit="us-ft", observation_crs="EPSG:6319", horizontal_model="similarity",
    vertical_model="plane", confidence=0.99, tolerance_h=0.2, gnss_sigma_v=0.02,
)
