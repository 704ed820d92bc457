"""Which layers are restated through an accepted tie, and where the results go."""

from __future__ import annotations

from typing import List, Optional

from qgis.core import QgsProject, QgsSettings, QgsVectorLayer
from qgis.gui import QgsFileWidget
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QDialog,
    QDialogButtonBox,
    QListWidget,
    QListWidgetItem,
    QRadioButton,
    QVBoxLayout,
    QWidget,
)

from ..job.layer_source import describe_mapping, guess_observations, has_points
from ..job.state import AcceptedTie
from ..map.memory_layer import result_layers
from ..site_crs import tie_of
from ..translation import tr
from .hint_label import HintLabel

WORDS = (
    tr(
        "Geometry, CRS and fields stay as they are; site coordinates and their uncertainty "
        "come in fields of their own, in a new layer.")
)


class RestateDialog(QDialog):
    """Asks for layers and a place."""

    def __init__(self, item: AcceptedTie, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_restate_dialog")
        self.setWindowTitle(tr("Restate layers through tie {number}").format(number=item.number))
        self.list = QListWidget()
        self.list.setObjectName("sitetie_restate_layers")
        self.list.setAccessibleName(tr("Layers to restate"))
        for layer in restatable_layers():
            entry = QListWidgetItem(layer.name())
            entry.setData(Qt.ItemDataRole.UserRole, layer.id())
            entry.setToolTip(describe_mapping(guess_observations(layer)))
            entry.setFlags(entry.flags() | Qt.ItemFlag.ItemIsUserCheckable)
            entry.setCheckState(Qt.CheckState.Unchecked)
            self.list.addItem(entry)
        self.horizontal_only = QCheckBox(tr("&Horizontally only (the points have no heights)"))
        self.horizontal_only.setObjectName("sitetie_horizontal_only")
        self.temporary = QRadioButton(tr("As &temporary layers"))
        self.temporary.setObjectName("sitetie_restate_temporary")
        self.temporary.setChecked(True)
        self.in_folder = QRadioButton(tr("As GeoPackage &files in this folder"))
        self.in_folder.setObjectName("sitetie_restate_in_folder")
        self.folder = QgsFileWidget()
        self.folder.setObjectName("sitetie_restate_folder")
        self.folder.setStorageMode(QgsFileWidget.StorageMode.GetDirectory)
        self.folder.lineEdit().setAccessibleName(tr("Folder for restated layers"))
        self.folder.setDefaultRoot(
            QgsSettings().value("sitetie/folder", "", type=str) or QgsProject.instance().homePath())
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.go = self.buttons.addButton(tr("Restate"), QDialogButtonBox.ButtonRole.AcceptRole)
        self.go.setObjectName("sitetie_restate_button")
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(HintLabel(WORDS))
        layout.addWidget(self.list, 1)
        for widget in (self.horizontal_only, self.temporary, self.in_folder, self.folder):
            layout.addWidget(widget)
        layout.addWidget(self.buttons)
        self.resize(30 * self.fontMetrics().height(), 24 * self.fontMetrics().height())
        self.list.itemChanged.connect(self._check)
        self.in_folder.toggled.connect(self._check)
        self.folder.fileChanged.connect(self._check)
        self._check()

    def layers(self) -> List[QgsVectorLayer]:
        """The layers that are ticked."""
        entries = [self.list.item(row) for row in range(self.list.count())]
        found = [QgsProject.instance().mapLayer(entry.data(Qt.ItemDataRole.UserRole))
                 for entry in entries if entry.checkState() == Qt.CheckState.Checked]
        return [layer for layer in found if isinstance(layer, QgsVectorLayer)]

    def place(self) -> str:
        """The folder chosen; blank for temporary layers."""
        return self.folder.filePath() if self.in_folder.isChecked() else ""

    def _check(self, *_: object) -> None:
        self.folder.setEnabled(self.in_folder.isChecked())
        self.go.setEnabled(bool(self.layers()) and (self.temporary.isChecked() or
                                                    bool(self.place())))


def restatable_layers() -> List[QgsVectorLayer]:
    """Layers of the project that can hold observations: points with a place on the earth, or
    tables with latitudes and longitudes."""
    found = []
    own = result_layers()
    for layer in QgsProject.instance().mapLayers().values():
        if not isinstance(layer, QgsVectorLayer) or not layer.isValid() or layer in own:
            continue
        source = guess_observations(layer)
        if source.field_of("latitude") is not None or (
            has_points(layer) and layer.crs().isValid() and tie_of(layer.crs()) is None
        ):
            found.append(layer)
    return sorted(found, key=lambda layer: layer.name().lower())
