"""A page that scrolls up and down where there is no room for all of it."""

from __future__ import annotations

from qgis.PyQt.QtCore import QSize, Qt
from qgis.PyQt.QtWidgets import QFrame, QScrollArea, QWidget


class _Scrolling(QScrollArea):
    """Scrolls up and down only: it is never narrower than its page needs."""

    def minimumSizeHint(self) -> QSize:
        page, bar = self.widget(), self.verticalScrollBar()
        width = page.minimumSizeHint().width() + bar.sizeHint().width() + 2
        return QSize(width, super().minimumSizeHint().height())


def scrolling(page: QWidget) -> QScrollArea:
    """The page in a scroll area."""
    area = _Scrolling()
    area.setWidgetResizable(True)
    area.setFrameShape(QFrame.Shape.NoFrame)
    area.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
    area.setWidget(page)
    return area
