"""How cells of the pair table are drawn and edited: residuals with a bar, verdicts by sides, roles
with a choice."""

from __future__ import annotations

import math
import re
from typing import List

from qgis.PyQt.QtCore import QEvent, QModelIndex, QPointF, QRectF, QSize, Qt
from qgis.PyQt.QtGui import QBrush, QColor, QFont, QPainter, QPalette, QPen
from qgis.PyQt.QtWidgets import (
    QApplication,
    QComboBox,
    QStyle,
    QStyledItemDelegate,
    QStyleOptionViewItem,
    QWidget,
)

from ...core.pairs import Role
from ...core.verdict_words import AGAINST
from ..translation import tr
from .pair_columns import SIDE_TITLES
from .pair_model import BAR_ROLE
from .theme import as_number, colour

BAR_HEIGHT = 6
MARGIN = 4
#: Size of the text where a cell may have two lines, as a share of the usual one.
SMALLER = 0.85


class ResidualDelegate(QStyledItemDelegate):
    """A number, and under it a bar that starts in the middle: right is positive, left negative.

    Full bars fit, hollow ones are checks, dotted ones idle; hatched ones speak against the pair.
    A bar that is longer than the scale ends in a gap.
    """

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        cell = QStyleOptionViewItem(option)
        self.initStyleOption(cell, index)
        text, cell.text = cell.text, ""
        style = cell.widget.style() if cell.widget else QApplication.style()
        style.drawControl(QStyle.ControlElement.CE_ItemViewItem, cell, painter, cell.widget)
        selected = bool(cell.state & QStyle.StateFlag.State_Selected)
        painter.save()
        ink = QPalette.ColorRole.HighlightedText if selected else QPalette.ColorRole.Text
        painter.setPen(cell.palette.color(ink))
        area = QRectF(cell.rect).adjusted(2, 2, -MARGIN, -BAR_HEIGHT - 3)
        wide = painter.fontMetrics().horizontalAdvance(text)
        if wide > area.width():
            font = QFont(cell.font)
            font.setStretch(max(50, int(100 * area.width() / wide)))
            painter.setFont(font)
        right = Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignVCenter
        painter.drawText(area, as_number(right), text)
        bar = index.data(BAR_ROLE)
        if bar is not None and not math.isnan(bar[0]):
            _draw_bar(painter, cell, bar, selected)
        painter.restore()

    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex) -> QSize:
        hint = super().sizeHint(option, index)
        return QSize(hint.width() + 2 * MARGIN, hint.height() + BAR_HEIGHT)


def _draw_bar(painter: QPainter, cell: QStyleOptionViewItem, bar: tuple, selected: bool) -> None:
    value, scale, verdict, role = bar
    rect = QRectF(cell.rect)
    middle = math.floor(rect.center().x()) + 0.5
    top = rect.bottom() - BAR_HEIGHT - 2
    half = rect.width() / 2.0 - MARGIN
    main = colour("alarm" if verdict in AGAINST else "calm", cell.palette)
    if role == Role.IDLE.value:
        main = colour("quiet", cell.palette)
    if selected:
        main = cell.palette.color(QPalette.ColorRole.HighlightedText)
    axis = QColor(main)
    axis.setAlpha(110)
    painter.setPen(QPen(axis, 1))
    painter.drawLine(QPointF(middle, top - 1), QPointF(middle, top + BAR_HEIGHT + 1))
    share = min(abs(value) / scale, 1.0)
    length = math.copysign(max(share * half, 1.0), value)
    box = QRectF(middle, top, length, BAR_HEIGHT).normalized()
    pen = QPen(main, 1)
    if role == Role.IDLE.value:
        pen.setStyle(Qt.PenStyle.DotLine)
    painter.setPen(pen)
    painter.setBrush(_filling(main, verdict, role))
    painter.drawRect(box)
    if abs(value) > scale * 1.0001:
        _cut(painter, cell, box, value, selected)


def _filling(main: QColor, verdict: str, role: str) -> QBrush:
    if verdict in AGAINST:
        return QBrush(main, Qt.BrushStyle.Dense4Pattern if role == Role.FIT.value
                      else Qt.BrushStyle.BDiagPattern)
    if role == Role.FIT.value:
        return QBrush(main)
    return QBrush(Qt.BrushStyle.NoBrush)


def _cut(painter, cell, box: QRectF, value: float, selected: bool) -> None:
    """A gap near the end: the bar goes on beyond the scale."""
    ground = cell.palette.color(
        QPalette.ColorRole.Highlight if selected else QPalette.ColorRole.Base)
    at = box.right() - 6 if value > 0 else box.left() + 6
    painter.setPen(QPen(ground, 3))
    painter.drawLine(QPointF(at - 2, box.bottom() + 2), QPointF(at + 2, box.top() - 2))


class VerdictDelegate(QStyledItemDelegate):
    """A verdict on both sides, in two lines where the sides differ, short of being cut off."""

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        cell = QStyleOptionViewItem(option)
        self.initStyleOption(cell, index)
        lines, cell.text = verdict_lines(cell.text), ""
        style = cell.widget.style() if cell.widget else QApplication.style()
        style.drawControl(QStyle.ControlElement.CE_ItemViewItem, cell, painter, cell.widget)
        selected = bool(cell.state & QStyle.StateFlag.State_Selected)
        painter.save()
        ink = QPalette.ColorRole.HighlightedText if selected else QPalette.ColorRole.Text
        painter.setPen(cell.palette.color(ink))
        painter.setFont(verdict_font(cell.font))
        height = (cell.rect.height() - 4) / len(lines)
        left = as_number(Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignVCenter)
        for place, words in enumerate(lines):
            area = QRectF(cell.rect.left() + MARGIN, cell.rect.top() + 2 + place * height,
                          cell.rect.width() - 2 * MARGIN, height)
            shown = painter.fontMetrics().elidedText(
                words, Qt.TextElideMode.ElideRight, int(area.width()))
            painter.drawText(area, left, shown)
        painter.restore()


def verdict_lines(text: str) -> List[str]:
    """A verdict as the lines of a narrow cell, the sides named as the headings name them."""
    only = re.fullmatch(r"(.*) \((horizontal|vertical) only\)", text)
    if only is not None:
        return [f"{SIDE_TITLES[only.group(2)]} {only.group(1)}"]
    lines = text.split("; ")
    if len(lines) > 1:
        for side, short in SIDE_TITLES.items():
            lines = [re.sub(f"^{side} ", f"{short} ", line) for line in lines]
    return lines


def verdict_font(font: QFont) -> QFont:
    """The font in which verdicts are drawn."""
    font = QFont(font)
    if font.pointSizeF() > 0.0:
        font.setPointSizeF(SMALLER * font.pointSizeF())
    else:  # a style sheet may give pixels
        font.setPixelSize(round(SMALLER * font.pixelSize()))
    return font


class RoleDelegate(QStyledItemDelegate):
    """A choice of fit, check, idle; an arrow shows that the cell can be changed."""

    def createEditor(
        self, parent: QWidget, option: QStyleOptionViewItem, index: QModelIndex
    ) -> QWidget:
        box = QComboBox(parent)
        box.setObjectName("sitetie_role_choice")
        box.setAccessibleName(tr("Role"))
        box.addItems([role.value for role in Role])
        box.activated.connect(lambda _: self._done(box))
        return box

    def setEditorData(self, editor: QWidget, index: QModelIndex) -> None:
        assert isinstance(editor, QComboBox)
        editor.setCurrentText(index.data(Qt.ItemDataRole.EditRole))

    def setModelData(self, editor: QWidget, model, index: QModelIndex) -> None:
        assert isinstance(editor, QComboBox)
        if editor.currentText() != index.data(Qt.ItemDataRole.EditRole):
            model.setData(index, editor.currentText(), Qt.ItemDataRole.EditRole)

    def paint(self, painter: QPainter, option: QStyleOptionViewItem, index: QModelIndex) -> None:
        super().paint(painter, option, index)
        selected = bool(option.state & QStyle.StateFlag.State_Selected)
        ink = option.palette.color(
            QPalette.ColorRole.HighlightedText if selected else QPalette.ColorRole.Text)
        ink.setAlpha(140)
        # In the corner, where it leaves the word its room.
        right, middle = option.rect.right() - 5.0, option.rect.bottom() - 5.0
        painter.save()
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.setPen(QPen(ink, 1.4))
        painter.drawPolyline(QPointF(right - 3, middle - 1), QPointF(right, middle + 2),
                             QPointF(right + 3, middle - 1))
        painter.restore()

    def sizeHint(self, option: QStyleOptionViewItem, index: QModelIndex) -> QSize:
        hint = super().sizeHint(option, index)
        return QSize(hint.width(), hint.height() + 4)

    def eventFilter(self, editor, event: QEvent) -> bool:
        if event.type() == QEvent.Type.Show and isinstance(editor, QComboBox):
            editor.showPopup()
        return super().eventFilter(editor, event)

    def _done(self, box: QComboBox) -> None:
        self.commitData.emit(box)
        self.closeEditor.emit(box)
