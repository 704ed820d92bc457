"""Residuals before and after, as pairs of bars: what a correction would bring."""

from __future__ import annotations

import math
from typing import List, NamedTuple, Optional, Tuple

from qgis.PyQt.QtCore import QRectF, QSize, Qt
from qgis.PyQt.QtGui import QColor, QFont, QFontMetrics, QPainter, QPaintEvent, QPalette, QPen
from qgis.PyQt.QtWidgets import QLabel, QSizePolicy, QWidget

from ...core.settings import Settings
from ...core.suspect_preview import Preview, PreviewRow
from ...core.units import LengthUnit
from ...core.wording import length_words
from .theme import as_number, colour

#: Rows at most: the pairs concerned, then those that change most.
MOST_ROWS = 4
BAR = 6
TITLES = ("Horizontal, now → then", "Height, now → then")


class Line(NamedTuple):
    """A row: name, and for each side the lengths now and then, in words and on the scale."""

    name: str
    strong: bool
    words: Tuple[str, str]
    shares: Tuple[Tuple[float, float], Tuple[float, float]]


class PreviewBars(QLabel):
    """Two bars for each pair and side: the hollow one as it is, the full one as it would be.

    A label, because the colour of text that a theme's style sheet gives reaches labels only.
    """

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_suspect_preview")
        self.setSizePolicy(QSizePolicy.Policy.Preferred, QSizePolicy.Policy.Fixed)
        self._lines: List[Line] = []

    def show_preview(self, preview: Preview, settings: Settings) -> None:
        """Show what would change; what is seen is also told to screen readers."""
        self._lines = lines_of(preview, settings)
        told = [f"{line.name}: " + "; ".join(
            f"{side} {words}" for side, words in zip(("horizontal", "height"), line.words) if words)
            for line in self._lines]
        self.setAccessibleName("Residuals now and then")
        self.setAccessibleDescription(". ".join(told))
        self.setToolTip("Length of the residual now (hollow) and with the cause put right (full).\n"
                        + "\n".join(told))
        self.updateGeometry()
        self.update()

    def sizeHint(self) -> QSize:
        row = self.fontMetrics().height() + 4
        return QSize(24 * row, (len(self._lines) + 1) * row if self._lines else 0)

    def minimumSizeHint(self) -> QSize:
        return QSize(self.sizeHint().width() // 2, self.sizeHint().height())

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        row = self.fontMetrics().height() + 4
        room = self.fontMetrics().horizontalAdvance
        strong = QFont(self.font())
        strong.setBold(True)
        wide = QFontMetrics(strong).horizontalAdvance
        name = min(max((wide(line.name) for line in self._lines), default=0) + 12,
                   self.width() // 3)
        words = max((room(text) for line in self._lines for text in line.words), default=0) + 10
        shown = [k for k in (0, 1) if any(line.words[k] for line in self._lines)]
        side = (self.width() - name) / max(len(shown), 1)
        quiet, ink = colour("quiet", self.palette()), self.palette().color(
            QPalette.ColorRole.WindowText)
        for place, k in enumerate(shown):
            _write(painter, QRectF(name + place * side, 0, side, row), TITLES[k], quiet)
        for k, line in enumerate(self._lines, start=1):
            _write(painter, QRectF(0, k * row, name - 6, row), line.name, ink, line.strong)
            for place, of in enumerate(shown):
                at = name + place * side
                _write(painter, QRectF(at, k * row, side - 4, row), line.words[of], ink)
                if side - words > 20:
                    self._bars(painter, QRectF(at + words, k * row + row / 2 - BAR,
                                               side - words - 8, 2 * BAR), line.shares[of])
        painter.end()

    def _bars(self, painter: QPainter, area: QRectF, shares: Tuple[float, float]) -> None:
        now, then = colour("alarm", self.palette()), colour("calm", self.palette())
        for place, (share, ink) in enumerate(zip(shares, (now, then))):
            if math.isnan(share):
                continue
            box = QRectF(area.left() + 0.5, area.top() + place * BAR + 0.5,
                         max(share * area.width(), 1.0), BAR - 2)
            painter.setPen(QPen(ink, 1))
            painter.setBrush(QColor(0, 0, 0, 0) if place == 0 else ink)
            painter.drawRect(box)


def _write(painter: QPainter, area: QRectF, text: str, ink: QColor, strong: bool = False) -> None:
    """Text in one line, shortened where it does not fit."""
    painter.save()
    font = painter.font()
    font.setBold(strong)
    painter.setFont(font)
    painter.setPen(ink)
    fitting = painter.fontMetrics().elidedText(
        text, Qt.TextElideMode.ElideRight, int(area.width()))
    painter.drawText(area, as_number(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter),
                     fitting)
    painter.restore()


def lines_of(preview: Preview, settings: Settings) -> List[Line]:
    """The pairs concerned, those that change most, and the root mean squares; a side that stays as
    it is is left out."""
    units = settings.site_length, settings.elevation_length
    rows = sorted(preview.rows, key=lambda row: (not row.concerned, -_change(row)))[:MOST_ROWS]
    values = [((row.horizontal, row.vertical), row) for row in rows]
    scales = [_scale([pair[place] for pair, _ in values]) for place in (0, 1)]
    told = [k for k in (0, 1) if _moves([pair[k] for pair, _ in values])] or [0, 1]
    lines = [
        Line(row.name, row.concerned,
             _both(_words(pair[k], units[k], row.idle[k]) if k in told else "" for k in (0, 1)),
             _both(_shares(pair[k], scales[k]) for k in (0, 1)))
        for pair, row in values
    ]
    overall = preview.horizontal, preview.vertical
    lines.append(Line("RMS of all", False,
                      _both(_words(overall[k], units[k]) if k in told else "" for k in (0, 1)),
                      _both(_shares(overall[k], scales[k]) for k in (0, 1))))
    return lines


def _moves(sizes) -> bool:
    """Whether any residual changes by a twentieth of the longest, or comes or goes."""
    least = 0.05 * _scale(sizes)
    return any((before is None) != (after is None) or (
        before is not None and after is not None and abs(before - after) > least)
        for before, after in sizes)


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
