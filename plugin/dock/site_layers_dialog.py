"""Which layers are given in site coordinates, and so get the site CRS."""

from __future__ import annotations

from typing import List, Optional

from qgis.core import QgsMapLayer, QgsProject, QgsVectorLayer
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import (
    QDialog,
    QDialogButtonBox,
    QListWidget,
    QListWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ..job.state import AcceptedTie
from ..map.memory_layer import result_layers
from ..site_crs import given_in_site, tie_in_words, tie_of
from .hint_label import HintLabel

WORDS = (
    "For layers whose coordinates are site coordinates, such as control and design. The "
    "coordinates stay as they are. A layer in GNSS or map coordinates does not belong here: QGIS "
    "brings it onto the site by itself."
)


class SiteLayersDialog(QDialog):
    """Asks for layers; those without a CRS and those that move on to a newer tie are ticked."""

    def __init__(self, item: AcceptedTie, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_site_layers_dialog")
        self.setWindowTitle(f"Layers on the site grid of tie {item.number}")
        self.list = QListWidget()
        self.list.setObjectName("sitetie_site_layers")
        self.list.setAccessibleName("Layers given in site coordinates")
        for layer in layers_with_a_place():
            entry = QListWidgetItem(f"{layer.name()}: {_stands_on(layer)}")
            entry.setData(Qt.ItemDataRole.UserRole, layer.id())
            entry.setFlags(entry.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            ticked = not layer.crs().isValid() or (
                tie_of(layer.crs()) not in (None, item.tie_id[:8]) and given_in_site(layer))
            entry.setCheckState(Qt.CheckState.Checked if ticked else Qt.CheckState.Unchecked)
            self.list.addItem(entry)
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.go = self.buttons.addButton("Set the CRS", QDialogButtonBox.ButtonRole.AcceptRole)
        self.go.setObjectName("sitetie_site_layers_button")
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(HintLabel(WORDS))
        layout.addWidget(self.list, 1)
        layout.addWidget(self.buttons)
        self.resize(30 * self.fontMetrics().height(), 20 * self.fontMetrics().height())
        self.list.itemChanged.connect(self._check)
        self._check()

    def layers(self) -> List[QgsMapLayer]:
        """The layers that are ticked."""
        entries = [self.list.item(row) for row in range(self.list.count())]
        found = [QgsProject.instance().mapLayer(entry.data(Qt.ItemDataRole.UserRole))
                 for entry in entries if entry.checkState() == Qt.CheckState.Checked]
        return [layer for layer in found if layer is not None]

    def _check(self, *_: object) -> None:
        self.go.setEnabled(bool(self.layers()))


def layers_with_a_place() -> List[QgsMapLayer]:
    """Layers of the project that have coordinates, less Sitetie's own results."""
    own = result_layers()
    found = [
        layer for layer in QgsProject.instance().mapLayers().values()
        if layer.isValid() and layer not in own
        and not (isinstance(layer, QgsVectorLayer) and not layer.isSpatial())
    ]
    return sorted(found, key=lambda layer: layer.name().lower())


def _stands_on(layer: QgsMapLayer) -> str:
    crs = layer.crs()
    if not crs.isValid():
        return "no CRS"
    return tie_in_words(crs) if tie_of(crs) else crs.authid() or crs.description()
