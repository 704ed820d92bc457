"""Residuals before and after, as pairs of bars: what a correction would bring."""

from __future__ import annotations

import math
from typing import List, NamedTuple, Optional, Tuple

from qgis.PyQt.QtCore import QRectF, QSize, Qt
from qgis.PyQt.QtGui import QColor, QPainter, QPaintEvent, QPalette, QPen
from qgis.PyQt.QtWidgets import QWidget

from ...core.settings import Settings
from ...core.suspect_preview import Preview, PreviewRow
from ...core.units import LengthUnit
from ...core.wording import length_words
from .theme import as_number, colour

#: Rows at most: the pairs concerned, then those that change most.
MOST_ROWS = 5
BAR, GAP = 5, 2


class Line(NamedTuple):
    """A row: name, and for each side the lengths now and then, in words and on the scale."""

    name: str
    strong: bool
    words: Tuple[str, str]
    shares: Tuple[Tuple[float, float], Tuple[float, float]]


class PreviewBars(QWidget):
    """Two bars for each pair and side: the hollow one as it is, the full one as it would be."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_suspect_preview")
        self._lines: List[Line] = []

    def show_preview(self, preview: Preview, settings: Settings) -> None:
        """Show what would change; what is seen is also told to screen readers."""
        self._lines = lines_of(preview, settings)
        told = [f"{line.name}: horizontal {line.words[0] or 'none'}; "
                f"height {line.words[1] or 'none'}" for line in self._lines]
        self.setAccessibleName("Residuals now and then")
        self.setAccessibleDescription(". ".join(told))
        self.setToolTip("Length of the residual now (hollow) and with the cause put right (full).\n"
                        + "\n".join(told))
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:
        return QSize(20 * self.fontMetrics().height(),
                     (len(self._lines) + 1) * self._row() if self._lines else 0)

    def minimumSizeHint(self) -> QSize:
        return QSize(10 * self.fontMetrics().height(), self.sizeHint().height())

    def _row(self) -> int:
        return self.fontMetrics().height() + 2 * BAR + GAP + 5

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        text, row = self.fontMetrics().height(), self._row()
        first = self.width() * 0.2
        side = (self.width() - first) / 2.0
        ink = self.palette().color(QPalette.ColorRole.WindowText)
        left = as_number(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        painter.setPen(colour("quiet", self.palette()))
        for place, words in enumerate(("Horizontal, now → then", "Height, now → then")):
            painter.drawText(QRectF(first + place * side, 0, side - 6, text), left, words)
        for k, line in enumerate(self._lines):
            top = (k + 1) * row - 2 * BAR
            font = self.font()
            font.setBold(line.strong)
            painter.setFont(font)
            painter.setPen(ink)
            name = self.fontMetrics().elidedText(
                line.name, Qt.TextElideMode.ElideRight, int(first - 6))
            painter.drawText(QRectF(0, top, first - 4, text), left, name)
            painter.setFont(self.font())
            for place, (words, shares) in enumerate(zip(line.words, line.shares)):
                if words:
                    at = first + place * side
                    painter.setPen(ink)
                    painter.drawText(QRectF(at, top, side - 6, text), left, words)
                    self._bars(painter, QRectF(at, top + text + 1, side - 10, 2 * BAR + GAP),
                               shares)
        painter.end()

    def _bars(self, painter: QPainter, area: QRectF, shares: Tuple[float, float]) -> None:
        now, then = colour("alarm", self.palette()), colour("calm", self.palette())
        for place, (share, ink) in enumerate(zip(shares, (now, then))):
            if math.isnan(share):
                continue
            box = QRectF(area.left() + 0.5, area.top() + place * (BAR + GAP) + 0.5,
                         max(share * area.width(), 1.0), BAR - 1)
            painter.setPen(QPen(ink, 1))
            painter.setBrush(QColor(0, 0, 0, 0) if place == 0 else ink)
            painter.drawRect(box)


def lines_of(preview: Preview, settings: Settings) -> List[Line]:
    """The pairs concerned, those that change most, and the root mean squares."""
    units = settings.site_length, settings.elevation_length
    rows = sorted(preview.rows, key=lambda row: (not row.concerned, -_change(row)))[:MOST_ROWS]
    values = [((row.horizontal, row.vertical), row) for row in rows]
    scales = [_scale([pair[place] for pair, _ in values]) for place in (0, 1)]
    lines = [
        Line(row.name, row.concerned,
             _both(_words(pair[k], units[k], row.idle[k]) for k in (0, 1)),
             _both(_shares(pair[k], scales[k]) for k in (0, 1)))
        for pair, row in values
    ]
    overall = preview.horizontal, preview.vertical
    lines.append(Line("RMS of all", False, _both(_words(overall[k], units[k]) for k in (0, 1)),
                      _both(_shares(overall[k], scales[k]) for k in (0, 1))))
    return lines


def _both(values) -> tuple:
    return tuple(values)


def _change(row: PreviewRow) -> float:
    return max((abs(before - after) for before, after in (row.horizontal, row.vertical)
                if before is not None and after is not None), default=0.0)


def _scale(values) -> float:
    """Length of a full bar: the longest residual shown."""
    return max((size for pair in values for size in pair if size is not None), default=1.0) or 1.0


def _shares(pair, scale: float) -> Tuple[float, float]:
    return _both(math.nan if size is None else min(size / scale, 1.0) for size in pair)


def _words(pair, unit: LengthUnit, idle: bool = False) -> str:
    before, after = pair
    if before is None and after is None:
        return ""
    then = "left out" if idle else "none" if after is None else length_words(after, unit)
    return f"{'none' if before is None else length_words(before, unit)} → {then}"
