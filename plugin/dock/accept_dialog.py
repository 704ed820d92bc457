"""Accepting a tie: what is weak, the cautions, and who says so."""

from __future__ import annotations

import html
from typing import List, Optional

from qgis.core import QgsSettings
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QLineEdit,
    QPlainTextEdit,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from ...core.findings import ALARM, CAUTION, NOTE
from ...core.headline import headline
from ...core.plausibility import plausibility
from ...core.report import CAUTIONS
from ...core.tie import Tie
from ..translation import tr
from .hint_label import HintLabel

SURVEYOR_SETTING = "sitetie/surveyor"


class AcceptDialog(QDialog):
    """Shows what speaks against the tie before it takes a name under it."""

    def __init__(self, tie: Tie, number: int, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_accept")
        self.setWindowTitle(tr("Accept tie {number}").format(number=number))
        self.weak = [item.sentence for item in plausibility(tie)
                     if item.level in (ALARM, CAUTION)]
        self.page = QTextBrowser()
        self.page.setObjectName("sitetie_accept_page")
        self.page.setAccessibleName(tr("What to know before accepting"))
        self.page.setOpenLinks(False)
        self.page.setHtml(_page(tie, self.weak))
        self.looked = QCheckBox(tr("I have looked at what is weak, and accept it"))
        self.looked.setObjectName("sitetie_looked")
        self.looked.setVisible(bool(self.weak))
        self.surveyor = QLineEdit(QgsSettings().value(SURVEYOR_SETTING, "", type=str))
        self.surveyor.setObjectName("sitetie_surveyor")
        self.surveyor.setAccessibleName(tr("Surveyor"))
        self.surveyor.setPlaceholderText(tr("who accepts it"))
        self.note = QPlainTextEdit()
        self.note.setObjectName("sitetie_note")
        self.note.setAccessibleName(tr("Note"))
        self.note.setPlaceholderText(tr("what it is for, what was checked"))
        self.note.setTabChangesFocus(True)
        self.note.setFixedHeight(self.fontMetrics().height() * 4)
        self.missing = HintLabel()
        self.missing.setObjectName("sitetie_accept_missing")
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.go = self.buttons.addButton(tr("Accept"), QDialogButtonBox.ButtonRole.AcceptRole)
        self.go.setObjectName("sitetie_accept_button")
        self.buttons.accepted.connect(self.accept)
        self.buttons.rejected.connect(self.reject)
        form = QFormLayout()
        form.addRow(tr("&Surveyor"), self.surveyor)
        form.addRow(tr("&Note"), self.note)
        layout = QVBoxLayout(self)
        layout.addWidget(self.page, 1)
        layout.addWidget(self.looked)
        layout.addLayout(form)
        layout.addWidget(self.missing)
        layout.addWidget(self.buttons)
        height = self.fontMetrics().height()
        self.resize(32 * height, 32 * height)
        self.surveyor.textChanged.connect(self._check)
        self.looked.toggled.connect(self._check)
        self._check()
        self.surveyor.setFocus(Qt.FocusReason.OtherFocusReason)

    def _check(self, *_: object) -> None:
        wanted = []
        if self.weak and not self.looked.isChecked():
            wanted.append(tr("tick that you have looked at what is weak"))
        if not self.surveyor.text().strip():
            wanted.append(tr("give the surveyor's name"))
        words = " and ".join(wanted)
        self.missing.say(tr(
            "{upper}{words} to accept.").format(
            upper=words[0].upper(), words=words[1:]) if words else "")
        self.go.setEnabled(not wanted)

    def accept(self) -> None:
        QgsSettings().setValue(SURVEYOR_SETTING, self.surveyor.text().strip())
        super().accept()


def _page(tie: Tie, serious: List[str]) -> str:
    parts = [f"<p><b>{html.escape(headline(tie.pairs, tie).standing)}</b></p>",
             f"<p>{html.escape(_units(tie))}</p>"]
    notes = [item.sentence for item in plausibility(tie) if item.level == NOTE]
    notes += tie.cautions
    if serious:
        parts.append(tr("<p><b>What is weak</b></p>") + _list(serious))
    else:
        parts.append(tr("<p>Nothing speaks against it.</p>"))
    if notes:
        parts.append(tr("<p><b>Worth knowing</b></p>") + _list(notes))
    parts.append(tr("<p><b>Before it is relied on</b></p>") + _list(CAUTIONS))
    return "".join(parts)


def _units(tie: Tie) -> str:
    """The units in words: they were chosen long before, or left as they were."""
    site, elevation = tie.settings.site_length.plural, tie.settings.elevation_length.plural
    return tr(
        "The site grid is in {site}, elevations are in {elevation}.").format(
        site=site, elevation=elevation)


def _list(sentences) -> str:
    return "<ul style='margin:0 0 0 -20px'>" + "".join(
        f"<li style='margin-bottom:4px'>{html.escape(words)}</li>" for words in sentences) + "</ul>"
