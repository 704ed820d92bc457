"""A choice on a page that scrolls."""

from __future__ import annotations

from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtGui import QWheelEvent
from qgis.PyQt.QtWidgets import QComboBox


class QuietComboBox(QComboBox):
    """Leaves the wheel to the page: whoever scrolls past must not change a setting."""

    def __init__(self) -> None:
        super().__init__()
        self.setFocusPolicy(Qt.FocusPolicy.StrongFocus)  # the wheel gives no focus

    def wheelEvent(self, event: QWheelEvent) -> None:
        event.ignore()
