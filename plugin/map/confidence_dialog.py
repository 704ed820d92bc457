"""What a confidence surface is to show, and where it is kept."""

from __future__ import annotations

from typing import Optional

from qgis.gui import QgsFileWidget
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QLineEdit,
    QVBoxLayout,
    QWidget,
)

from ...core.confidence_surface import site_bounds
from ...core.errors import SitetieError
from ...core.exaggeration import round_down
from ...core.numerals import parse_number
from ...core.tie import Tie
from ..dock.hint_label import HintLabel
from ..translation import tr

HINT = (
    tr(
        "Half axis of the {level} region of a position and half interval of an elevation, as "
        "the tie predicts them over the site. Blank file: a temporary one, gone when QGIS is "
        "closed.")
)


class ConfidenceDialog(QDialog):
    """Three entries, each with a default that serves."""

    def __init__(self, tie: Tie, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_confidence")
        self.setWindowTitle(tr("Confidence surface"))
        unit = tie.settings.site_length
        west, south, east, north = site_bounds(tie)
        self.what = QComboBox()
        self.what.setObjectName("sitetie_confidence_what")
        self.what.addItem(tr("a point restated there, with its GNSS observation"), True)
        self.what.addItem(tr("the tie alone"), False)
        self.cell = QLineEdit(f"{round_down(max(east - west, north - south) / 150.0):g}")
        self.cell.setObjectName("sitetie_confidence_cell")
        self.file = QgsFileWidget()
        self.file.setObjectName("sitetie_confidence_file")
        self.file.setStorageMode(QgsFileWidget.StorageMode.SaveFile)
        self.file.setFilter(tr("GeoTIFF (*.tif)"))
        self.file.setDialogTitle(tr("Keep the confidence surface as"))
        self.hint = HintLabel(HINT.format(level=f"{tie.settings.confidence * 100:.4g} %"))
        form = QFormLayout()
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.ExpandingFieldsGrow)
        form.addRow(tr("&Uncertainty of"), self.what)
        form.addRow(tr("&Cell size ({plural})").format(plural=unit.plural), self.cell)
        form.addRow(tr("&File"), self.file)
        self.buttons = QDialogButtonBox(
            QDialogButtonBox.StandardButton.Ok | QDialogButtonBox.StandardButton.Cancel)
        self.buttons.button(QDialogButtonBox.StandardButton.Ok).setText(tr("Make the surface"))
        self.buttons.accepted.connect(self._accept)
        self.buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addWidget(self.hint)
        layout.addWidget(self.buttons)
        self.setMinimumWidth(60 * self.fontMetrics().averageCharWidth())

    def path(self) -> str:
        """Blank for a temporary file."""
        text = self.file.filePath().strip()
        return text if not text or text.lower().endswith((".tif", ".tiff")) else f"{text}.tif"

    def cell_size(self) -> float:
        """Raises InputError."""
        return parse_number(self.cell.text(), tr("The cell size"))

    def _accept(self) -> None:
        try:
            self.cell_size()
        except SitetieError as error:
            self.hint.say(str(error), alarm=True)
            return
        self.accept()
