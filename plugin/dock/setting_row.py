"""One setting on the screen: label, entry, explanation, and what is wrong with the entry."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsCoordinateReferenceSystem
from qgis.gui import QgsProjectionSelectionDialog
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QFileDialog,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QToolButton,
    QWidget,
)

from ...core.errors import SitetieError
from ...core.settings import Settings
from ..job.job import Job
from ..job.layer_source import crs_text
from ..translation import tr
from .hint_label import HintLabel
from .quiet_combo_box import QuietComboBox
from .setting_fields import SettingField


class SettingRow(QWidget):
    """A field bound to the settings of a job."""

    def __init__(self, job: Job, field: SettingField, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job, self.field = job, field
        self._shown: Optional[str] = None
        self.setObjectName(f"sitetie_setting_{field.name}")
        self.unit = QLabel()
        self.problem = HintLabel()
        self.problem.setObjectName(f"sitetie_problem_{field.name}")
        self.problem.hide()
        self.editor = self._choice() if field.choices else self._entry()
        self.editor.setObjectName(f"sitetie_{field.name}")
        self.editor.setAccessibleName(field.label)
        self.editor.setAccessibleDescription(field.hint)
        label = QLabel(f"&{field.label}")
        label.setBuddy(self.editor)
        line = QHBoxLayout()
        line.setContentsMargins(0, 0, 0, 0)
        line.addWidget(self.editor, 1)
        line.addWidget(self.unit)
        if field.tool:
            line.addWidget(self._tool())
        layout = QGridLayout(self)
        layout.setContentsMargins(0, 2, 0, 6)
        layout.setVerticalSpacing(2)
        layout.setColumnStretch(0, 2)
        layout.setColumnStretch(1, 3)
        layout.addWidget(label, 0, 0)
        layout.addLayout(line, 0, 1)
        layout.addWidget(self.problem, 1, 0, 1, 2)
        layout.addWidget(HintLabel(field.hint), 2, 0, 1, 2)
        self.show_settings(job.state.settings)

    def _choice(self) -> QComboBox:
        box = QuietComboBox()
        for words, value in self.field.choices:
            box.addItem(words, value)
        box.setSizeAdjustPolicy(QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        box.setMinimumContentsLength(8)
        box.activated.connect(lambda _: self.enter(box.currentData()))
        return box

    def _entry(self) -> QLineEdit:
        entry = QLineEdit()
        entry.setPlaceholderText(self.field.placeholder)
        entry.editingFinished.connect(lambda: self.enter(entry.text()))
        return entry

    def _tool(self) -> QToolButton:
        button = QToolButton()
        button.setText("…")
        button.setObjectName(f"sitetie_{self.field.name}_tool")
        button.setAccessibleName(tr("Choose: {label}").format(label=self.field.label))
        button.setToolTip(tr("Choose: {label}").format(label=self.field.label))
        button.clicked.connect(self._choose_crs if self.field.tool == "crs" else self._choose_file)
        return button

    def enter(self, text: str) -> None:
        """Take what was chosen or typed; what cannot be used stays, with the reason beside it."""
        if isinstance(self.editor, QLineEdit):
            self.editor.setModified(False)
        settings = self._job.state.settings
        if text == self.read(settings):
            self._complain("")
            return
        try:
            changed = settings.replace(**self.field.write(text, settings))
        except SitetieError as error:
            self._complain(f"{error.what} {error.remedy}".strip())
            return
        self._complain("")
        self.commit(text, changed)

    def read(self, settings: Settings) -> str:
        """The text of the entry, or the value of the choice."""
        return self.field.read(settings)

    def commit(self, text: str, settings: Settings) -> None:
        """Hand the changed settings to the job."""
        self._job.set_settings(settings, tr("Set {lower}").format(lower=self.field.label.lower()))

    def show_settings(self, settings: Settings) -> None:
        """Show the value of the settings; what is being typed, or could not be used, is left."""
        if self.field.unit is not None:
            self.unit.setText(self.field.unit(settings))
        text = self.read(settings)
        if text == self._shown and not self.problem.isHidden():
            return
        if isinstance(self.editor, QLineEdit) and self.editor.isModified():
            return
        self._shown = text
        self._complain("")
        if isinstance(self.editor, QComboBox):
            self.editor.setCurrentIndex(self.editor.findData(text))
        elif self.editor.text() != text:
            self.editor.setText(text)
            self.editor.setCursorPosition(0)

    def _complain(self, words: str) -> None:
        self.problem.say(words, alarm=True)
        self.problem.setHidden(not words)

    def _choose_crs(self) -> None:
        dialog = QgsProjectionSelectionDialog(self)
        dialog.setCrs(QgsCoordinateReferenceSystem(self.field.read(self._job.state.settings)))
        if dialog.exec() and dialog.crs().isValid():
            self.enter(crs_text(dialog.crs()))
        dialog.deleteLater()

    def _choose_file(self) -> None:
        path, _ = QFileDialog.getOpenFileName(
            self, self.field.label, "", tr("Grids (*.tif *.tiff *.gtx *.gtg);;All files (*)"))
        if path:
            self.enter(path)


