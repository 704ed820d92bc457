"""A sentence beside the cursor."""

from __future__ import annotations

from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import QEvent, QObject, QPoint, Qt
from qgis.PyQt.QtGui import QColor, QPainter, QPaintEvent, QPalette
from qgis.PyQt.QtWidgets import QFrame, QLabel, QToolTip

#: Pixels between cursor and label, and from the edges of the map.
AWAY, EDGE = 18, 4
WIDEST_IN_LETTERS = 46


class FloatingLabel(QLabel):
    """Lies on the canvas in the colours of a tooltip, out of the cursor's way."""

    def __init__(self, canvas: QgsMapCanvas) -> None:
        super().__init__(canvas)
        self.setObjectName("sitetie_map_label")
        self.setAttribute(Qt.WidgetAttribute.WA_TransparentForMouseEvents)
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.setTextFormat(Qt.TextFormat.PlainText)
        self.setWordWrap(True)
        self.setMargin(6)
        self.setAutoFillBackground(True)
        palette = QPalette(QToolTip.palette())
        palette.setColor(QPalette.ColorRole.Window, palette.color(QPalette.ColorRole.ToolTipBase))
        palette.setColor(
            QPalette.ColorRole.WindowText, palette.color(QPalette.ColorRole.ToolTipText))
        self.setPalette(palette)
        self.hide()
        canvas.installEventFilter(self)

    def eventFilter(self, watched: QObject, event: QEvent) -> bool:
        """Goes when the cursor leaves the map."""
        if event.type() == QEvent.Type.Leave:
            self.hide()
        return super().eventFilter(watched, event)

    def paintEvent(self, event: QPaintEvent) -> None:
        # A theme's style sheet colours the letters and takes the ground away: it is painted here.
        light = self.palette().color(QPalette.ColorRole.WindowText).lightness() > 128
        ground = QColor("#2b2b2b") if light else QColor("#ffffe6")
        painter = QPainter(self)
        painter.fillRect(self.rect(), ground)
        painter.end()
        super().paintEvent(event)

    def say(self, words: str, place: QPoint) -> None:
        """Show a sentence near a place on the canvas (pixels); a blank one hides the label."""
        if not words:
            self.hide()
            return
        self.setText(words)
        self.setAccessibleName(words)
        self._fit()
        self._move_near(place)
        self.show()
        self.raise_()

    def _fit(self) -> None:
        metrics = self.fontMetrics()
        frame = 2 * (self.margin() + self.frameWidth()) + 4
        needed = max(metrics.horizontalAdvance(line) for line in self.text().split("\n")) + frame
        widest = WIDEST_IN_LETTERS * metrics.averageCharWidth() + frame
        width = min(needed, widest, max(self.parentWidget().width() - 2 * EDGE, 80))
        self.resize(width, self.heightForWidth(width))

    def _move_near(self, place: QPoint) -> None:
        room = self.parentWidget().rect()
        x, y = place.x() + AWAY, place.y() + AWAY
        if x + self.width() > room.right() - EDGE:
            x = place.x() - AWAY - self.width()
        if y + self.height() > room.bottom() - EDGE:
            y = place.y() - AWAY - self.height()
        self.move(max(x, EDGE), max(y, EDGE))
