"""Which table pairs are brought in from: a layer of the project, or a text file."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsMapLayerProxyModel, QgsProject, QgsSettings, QgsVectorLayer
from qgis.gui import QgsFileWidget, QgsMapLayerComboBox
from qgis.PyQt.QtWidgets import (
    QButtonGroup,
    QDialog,
    QDialogButtonBox,
    QGridLayout,
    QRadioButton,
    QVBoxLayout,
    QWidget,
)

from ...core.pair_columns import REQUIRED, likely_columns
from ..map.memory_layer import result_layers
from ..translation import tr
from .hint_label import HintLabel

WORDS = (
    tr(
        "A row for each pair, with these columns or usual other names for them: {join}. Pairs "
        "that are there already are left as they are.").format(join=', '.join(REQUIRED))
)


class PairTableDialog(QDialog):
    """Asks for the table; a layer that looks like a pair table is offered first."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_pair_table")
        self.setWindowTitle(tr("Pairs from a table"))
        self.from_layer = QRadioButton(tr("&Layer"))
        self.from_file = QRadioButton(tr("&File"))
        self._sources = QButtonGroup(self)
        self._sources.addButton(self.from_layer)
        self._sources.addButton(self.from_file)
        self.layers = QgsMapLayerComboBox()
        self.layers.setObjectName("sitetie_pair_layer")
        self.layers.setAccessibleName(tr("Layer with pairs"))
        self.layers.setFilters(QgsMapLayerProxyModel.Filter.VectorLayer)
        self.layers.setExceptedLayerList(result_layers())
        self.file = QgsFileWidget()
        self.file.setObjectName("sitetie_pair_file")
        self.file.setFilter(tr("Text tables (*.csv *.tsv *.txt);;All files (*)"))
        self.file.setDefaultRoot(QgsSettings().value("sitetie/folder", "", type=str) or
                                 QgsProject.instance().homePath())
        self.file.lineEdit().setAccessibleName(tr("File with pairs"))
        self.buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        grid = QGridLayout()
        grid.setColumnStretch(1, 1)
        for row, (button, widget) in enumerate(
            ((self.from_layer, self.layers), (self.from_file, self.file))
        ):
            grid.addWidget(button, row, 0)
            grid.addWidget(widget, row, 1)
        layout = QVBoxLayout(self)
        layout.addLayout(grid)
        layout.addWidget(HintLabel(WORDS))
        layout.addStretch(1)
        layout.addWidget(self.buttons)
        self.resize(34 * self.fontMetrics().height(), 14 * self.fontMetrics().height())
        likely = likely_pair_layer()
        self.layers.setLayer(likely or self.layers.currentLayer())
        (self.from_layer if likely is not None else self.from_file).setChecked(True)
        self.from_layer.toggled.connect(self._check)
        self.layers.layerChanged.connect(self._check)
        self.file.fileChanged.connect(lambda _: self._file_chosen())
        self._check()

    def layer(self) -> Optional[QgsVectorLayer]:
        """The layer chosen; None when a file is."""
        layer = self.layers.currentLayer()
        wanted = self.from_layer.isChecked() and isinstance(layer, QgsVectorLayer)
        return layer if wanted else None

    def path(self) -> str:
        return self.file.filePath()

    def _file_chosen(self) -> None:
        self.from_file.setChecked(True)
        self._check()

    def _check(self, *_: object) -> None:
        ready = self.layer() is not None or (self.from_file.isChecked() and bool(self.path()))
        self.buttons.button(QDialogButtonBox.StandardButton.Ok).setEnabled(ready)


def likely_pair_layer() -> Optional[QgsVectorLayer]:
    """The first layer of the project that has the columns of a pair table."""
    for layer in QgsProject.instance().mapLayers().values():
        if isinstance(layer, QgsVectorLayer) and layer.isValid():
            columns = likely_columns([field.name() for field in layer.fields()], REQUIRED)
            if len(columns) == len(REQUIRED):
                return layer
    return None
