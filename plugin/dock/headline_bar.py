"""The first line of the dock as a widget."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QEvent, Qt, pyqtSignal
from qgis.PyQt.QtGui import QPalette
from qgis.PyQt.QtWidgets import QFrame, QHBoxLayout, QLabel, QWidget

from ...core.headline import GOOD, LOOK, STOP, Headline
from ...core.results import CANNOT_TELL, DOES_NOT_BELONG, FITS
from ..translation import tr
from .headline import headline_html
from .pages import PAGE_LINK
from .theme import verdict_icon

#: Shapes, not only colours: a disc, a question in a diamond, a triangle.
_ICONS = {GOOD: FITS, LOOK: CANNOT_TELL, STOP: DOES_NOT_BELONG}
_WORDS = {GOOD: tr("In order"), LOOK: tr("Wants a look"), STOP: tr("No solution")}


class HeadlineBar(QFrame):
    """Says where the work stands.

    Signals
    -------
    point_asked
        A control point was clicked.
    page_asked
        The title of a page was clicked.
    """

    point_asked = pyqtSignal(str)
    page_asked = pyqtSignal(str)

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_headline_bar")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.setAutoFillBackground(True)
        self.setBackgroundRole(QPalette.ColorRole.Base)
        self._tone = LOOK
        self.mark = QLabel()
        self.mark.setObjectName("sitetie_headline_mark")
        self.label = QLabel()
        self.label.setObjectName("sitetie_headline")
        self.label.setAccessibleName(tr("Where the work stands"))
        self.label.setWordWrap(True)
        self.label.setAlignment(Qt.AlignmentFlag.AlignTop)
        self.label.setTextFormat(Qt.TextFormat.RichText)
        self.label.setTextInteractionFlags(
            Qt.TextInteractionFlag.LinksAccessibleByMouse
            | Qt.TextInteractionFlag.LinksAccessibleByKeyboard
            | Qt.TextInteractionFlag.TextSelectableByMouse)
        self.label.linkActivated.connect(self._follow)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 6, 8, 6)
        layout.addWidget(self.mark, 0, Qt.AlignmentFlag.AlignTop)
        layout.addWidget(self.label, 1)
        self._keep_two_lines()

    def _keep_two_lines(self) -> None:
        """What stands below must not jump whenever the words fit on one line."""
        self.label.setMinimumHeight(2 * self.label.fontMetrics().lineSpacing())

    def show_line(self, line: Headline) -> None:
        self._tone = line.tone
        self.label.setText(headline_html(line))
        self.label.setAccessibleDescription(line.text)
        self.mark.setToolTip(_WORDS[line.tone])
        self.mark.setAccessibleName(_WORDS[line.tone])
        self._draw_mark()

    def _follow(self, link: str) -> None:
        if link.startswith(PAGE_LINK):
            self.page_asked.emit(link[len(PAGE_LINK):])
        else:
            self.point_asked.emit(link)

    def _draw_mark(self) -> None:
        side = QgsApplication.scaleIconSize(18)
        self.mark.setPixmap(verdict_icon(_ICONS[self._tone]).pixmap(side, side))

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and hasattr(self, "mark"):
            self._draw_mark()
        if event.type() in (QEvent.Type.FontChange, QEvent.Type.StyleChange) and (
            hasattr(self, "label")
        ):
            self._keep_two_lines()
