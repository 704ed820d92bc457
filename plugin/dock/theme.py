"""Colours and small marks that work in light and dark themes and for every eye.

Blue and vermilion of Okabe and Ito's palette (M. Okabe, K. Ito, *Color Universal Design*, 2008),
which colour-blind eyes tell apart; a lighter pair on dark ground. No state is told by colour
alone: each has its own shape.
"""

from __future__ import annotations

from functools import lru_cache

from qgis.PyQt.QtCore import QPointF, QRectF, Qt
from qgis.PyQt.QtGui import QColor, QFont, QIcon, QPainter, QPalette, QPen, QPixmap, QPolygonF
from qgis.PyQt.QtWidgets import QApplication

from ...core.results import (
    AGREES,
    CANNOT_TELL,
    CANNOT_TEST,
    DISAGREES,
    DOES_NOT_BELONG,
    FITS,
    FITS_WITHOUT,
    IDLE,
)
from ...core.verdict_words import AGAINST

_LIGHT = {"calm": "#0072B2", "alarm": "#C04A00", "quiet": "#6f7880"}
_DARK = {"calm": "#56B4E9", "alarm": "#F0A030", "quiet": "#9aa4ad"}


def is_dark(palette: QPalette) -> bool:
    return palette.color(QPalette.ColorRole.Base).lightness() < 128


def colour(name: str, palette: QPalette) -> QColor:
    """``calm``, ``alarm`` or ``quiet``, readable on the base colour of the palette."""
    return QColor((_DARK if is_dark(palette) else _LIGHT)[name])


def as_number(flags: object) -> int:
    """Flags as the number that some calls want; Qt 6 no longer takes the one for the other."""
    return int(getattr(flags, "value", flags))  # type: ignore[call-overload]


def quieter(ink: QColor) -> str:
    """The colour of text, lightened towards whatever is behind it, as rich text names it."""
    ink = QColor(ink)
    ink.setAlpha(175)
    return ink.name(QColor.NameFormat.HexArgb)


def verdict_icon(verdict: str) -> QIcon:
    """The mark of a verdict: a shape of its own for each."""
    return _icon(verdict, is_dark(QApplication.palette()))


@lru_cache(maxsize=32)
def _icon(verdict: str, dark: bool) -> QIcon:
    size = 32
    pixmap = QPixmap(size, size)
    pixmap.fill(QColor(0, 0, 0, 0))
    painter = QPainter(pixmap)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    colours = _DARK if dark else _LIGHT
    _draw(painter, verdict, QColor(colours["alarm" if verdict in AGAINST else "calm"]),
          QColor(colours["quiet"]))
    painter.end()
    return QIcon(pixmap)


def _draw(painter: QPainter, verdict: str, main: QColor, quiet: QColor) -> None:
    disc = QRectF(9, 9, 14, 14)
    pen = QPen(main, 3)
    if verdict == FITS:
        painter.setPen(Qt.PenStyle.NoPen)
        painter.setBrush(main)
        painter.drawEllipse(disc)
    elif verdict == AGREES:
        painter.setPen(pen)
        painter.drawEllipse(disc)
    elif verdict == FITS_WITHOUT:
        painter.setPen(QPen(main, 3, Qt.PenStyle.DotLine))
        painter.drawEllipse(disc)
    elif verdict in (DOES_NOT_BELONG, DISAGREES):
        painter.setPen(pen)
        if verdict == DOES_NOT_BELONG:
            painter.setBrush(main)
        painter.drawPolygon(QPolygonF([QPointF(16, 4), QPointF(29, 27), QPointF(3, 27)]))
        _sign(painter, "!", QColor("white") if verdict == DOES_NOT_BELONG else main, 22)
    elif verdict == CANNOT_TELL:
        painter.setPen(pen)
        painter.drawPolygon(
            QPolygonF([QPointF(16, 2), QPointF(30, 16), QPointF(16, 30), QPointF(2, 16)]))
        _sign(painter, "?", main, 16)
    elif verdict == CANNOT_TEST:
        # Not a cross: beside a row that looks like a button to take it out.
        painter.setPen(QPen(quiet, 3))
        painter.drawRect(QRectF(10, 10, 12, 12))
    elif verdict == IDLE:
        painter.setPen(QPen(quiet, 3))
        painter.drawLine(QPointF(10, 16), QPointF(22, 16))


def _sign(painter: QPainter, text: str, ink: QColor, baseline_middle: float) -> None:
    font = QFont()
    font.setPixelSize(17)
    font.setBold(True)
    painter.setFont(font)
    painter.setPen(ink)
    painter.drawText(QRectF(0, baseline_middle - 12, 32, 24),
                     as_number(Qt.AlignmentFlag.AlignCenter), text)
