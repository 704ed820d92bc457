"""A page that scrolls up and down where there is no room for all of it."""

from __future__ import annotations

from qgis.PyQt.QtCore import QEvent, QObject, QSize, Qt
from qgis.PyQt.QtGui import QResizeEvent
from qgis.PyQt.QtWidgets import QFrame, QScrollArea, QWidget


class _Scrolling(QScrollArea):
    """Scrolls up and down, and is never narrower than its page needs; or sideways too."""

    def __init__(self, page: QWidget, sideways: bool) -> None:
        super().__init__()
        self._sideways = sideways
        self.setWidgetResizable(True)
        self.setFrameShape(QFrame.Shape.NoFrame)
        if not sideways:
            self.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.setWidget(page)

    def keep_height_of_text(self) -> None:
        """A layout does not tell by itself how high wrapped text will be at the present width."""
        layout = self.widget().layout()
        if layout is not None and layout.hasHeightForWidth():
            self.widget().setMinimumHeight(layout.minimumHeightForWidth(self.viewport().width()))

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        done = super().eventFilter(watched, event)
        if watched is self.widget() and event.type() == QEvent.Type.LayoutRequest:
            self.keep_height_of_text()
        return done

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self.keep_height_of_text()

    def minimumSizeHint(self) -> QSize:
        if self._sideways:
            return super().minimumSizeHint()
        page, bar = self.widget(), self.verticalScrollBar()
        width = page.minimumSizeHint().width() + bar.sizeHint().width() + 2
        return QSize(width, super().minimumSizeHint().height())


def scrolling(page: QWidget, sideways: bool = False) -> QScrollArea:
    """The page in a scroll area."""
    return _Scrolling(page, sideways)
