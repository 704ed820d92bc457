"""Text beside the things themselves: explanations, and what is wrong with an entry."""

from __future__ import annotations

import html
from typing import Optional

from qgis.PyQt.QtCore import QEvent, Qt
from qgis.PyQt.QtGui import QPalette
from qgis.PyQt.QtWidgets import QApplication, QLabel, QSizePolicy, QWidget

from .theme import colour, quieter


class HintLabel(QLabel):
    """A sentence in a quieter colour that follows the theme; an alarm has its own sign."""

    def __init__(self, words: str = "", parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.words, self._alarm = words, False
        self.setWordWrap(True)
        policy = QSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
        policy.setHeightForWidth(True)
        self.setSizePolicy(policy)
        self.setTextFormat(Qt.TextFormat.RichText)
        self._write()

    def say(self, words: str, alarm: bool = False) -> None:
        if (words, alarm) != (self.words, self._alarm):
            self.words, self._alarm = words, alarm
            self._write()

    def _write(self) -> None:
        if self._alarm:
            ink = colour("alarm", QApplication.palette()).name()
        else:
            ink = quieter(self.palette().color(QPalette.ColorRole.WindowText))
        sign = "⚠ " if self._alarm else ""
        text = f'<span style="color:{ink}">{sign}{html.escape(self.words)}</span>'
        self.setText(text if self.words else "")
        self.setAccessibleName(self.words)

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        # A theme's style sheet colours a label only when it is first shown.
        if event.type() in (QEvent.Type.PaletteChange, QEvent.Type.StyleChange):
            self._write()

    def showEvent(self, event: QEvent) -> None:
        super().showEvent(event)
        self._write()
