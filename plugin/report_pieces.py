"""The blocks of a report measured and painted with Qt, piece by piece.

A piece is what a page break never cuts: a paragraph, a row of a table, a drawing. Lengths are in
device units of the page; sizes of type in points.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Callable, Dict, List, Optional, Sequence, Tuple

from qgis.PyQt.QtCore import QByteArray, QPointF, QRectF, Qt
from qgis.PyQt.QtGui import (
    QColor,
    QFont,
    QFontMetricsF,
    QPainter,
    QPdfWriter,
    QPen,
    QTextLayout,
    QTextOption,
)
from qgis.PyQt.QtSvg import QSvgRenderer

from ..core.report.blocks import (
    Banner,
    Block,
    Bullets,
    Drawing,
    Heading,
    Paragraph,
    Row,
    Signature,
    Table,
    Title,
    Together,
)

FAMILIES = "Segoe UI, Helvetica Neue, Liberation Sans, DejaVu Sans"
INK, QUIET, ACCENT, LINE, GROUND = "#1b2530", "#52606d", "#123f3a", "#d4dbd9", "#eef3f1"
#: Sizes of type, points.
BODY, DENSE, SMALL, JOB, CHAPTER, SECTION, STANDING = 8.2, 7.0, 7.0, 17.0, 11.0, 8.6, 9.2
#: Device units between letters.
LETTER_SPACING = 0.05
#: A drawing may be shrunk to this share of its size to fill a page.
LEAST_DRAWING = 0.68
#: Tables and lists of no more rows stay on one page.
FEW = 9
#: A word of more letters than this may be broken in a table.
LONG_WORD = 14

Paint = Callable[[QPainter, float, float], None]


@dataclass(frozen=True)
class Piece:
    """Something with a height that is painted in one go.

    Attributes
    ----------
    height : float
    paint : function of (painter, x, y)
    keep : bool
        Whether the next piece must stand on the same page.
    space : float
        Above it, left out at the top of a page.
    head : Piece or None
        What is repeated above it at the top of a page.
    smaller : function of a height, or None
        Gives the piece in a smaller size, for the rest of a page; not below `least`.
    """

    height: float
    paint: Paint
    keep: bool = False
    space: float = 0.0
    head: Optional["Piece"] = None
    smaller: Optional[Callable[[float], "Piece"]] = None
    least: float = 0.0


class Pieces:
    """Makes pieces for pages of one width.

    Parameters
    ----------
    writer : QPdfWriter
        The device the text is measured for.
    """

    def __init__(self, writer: QPdfWriter) -> None:
        self._writer = writer
        self.point = writer.logicalDpiX() / 72.0
        self.width = float(writer.width())

    def of(self, blocks: Sequence[Block]) -> List[Piece]:
        """The pieces of some blocks, in their order."""
        make: Dict[str, Callable[..., List[Piece]]] = {
            "title": self._title, "banner": self._banner, "heading": self._heading,
            "paragraph": self._paragraph, "bullets": self._bullets, "table": self._table,
            "drawing": self._drawing, "signature": self._signature, "together": self._together,
        }
        pieces: List[Piece] = []
        for block in blocks:
            if isinstance(block, Paragraph) and block.quiet and pieces:
                pieces[-1] = replace(pieces[-1], keep=True)  # it explains what stands above it
            pieces += make[block.kind](block)
        return pieces

    # -- text ----------------------------------------------------------------------------------

    def font(self, size: float, bold: bool = False) -> QFont:
        font = QFont(FAMILIES)
        font.setPointSizeF(size)
        font.setBold(bold)
        # Too little to be seen, but it keeps Qt from joining letters: "ff" in the hash of a tie
        # would leave the file as one sign.
        font.setLetterSpacing(QFont.SpacingType.AbsoluteSpacing, LETTER_SPACING)
        return font

    def text(
        self, text: str, font: QFont, width: float, ink: str = INK, right: bool = False,
        leading: float = 1.0,
    ) -> Piece:
        """Text wrapped to a width; a word that is too long is broken."""
        layout = QTextLayout(text, font, self._writer)
        option = QTextOption(
            Qt.AlignmentFlag.AlignRight if right else Qt.AlignmentFlag.AlignLeft)
        option.setWrapMode(QTextOption.WrapMode.WrapAtWordBoundaryOrAnywhere)
        layout.setTextOption(option)
        layout.beginLayout()
        height = 0.0
        while True:
            line = layout.createLine()
            if not line.isValid():
                break
            line.setLineWidth(width)
            line.setPosition(QPointF(0.0, height))
            height += line.height() * leading
        layout.endLayout()

        def paint(painter: QPainter, x: float, y: float) -> None:
            painter.setPen(QColor(ink))
            layout.draw(painter, QPointF(x, y))

        return Piece(height, paint)

    def _advance(self, text: str, font: QFont) -> float:
        return QFontMetricsF(font, self._writer).horizontalAdvance(text)

    def elided(self, text: str, font: QFont, width: float) -> str:
        """The text, cut in its middle where it is too long for one line."""
        return QFontMetricsF(font, self._writer).elidedText(
            text, Qt.TextElideMode.ElideMiddle, width)

    def _stacked(
        self, parts: Sequence[Tuple[Piece, float, float]], height: float,
        behind: Optional[Paint] = None, **rest,
    ) -> Piece:
        """One piece of several, each at its (x, y)."""

        def paint(painter: QPainter, x: float, y: float) -> None:
            if behind is not None:
                behind(painter, x, y)
            for part, dx, dy in parts:
                part.paint(painter, x + dx, y + dy)

        return Piece(height, paint, **rest)

    def _filled(self, width: float, height: float, colour: str) -> Paint:
        def paint(painter: QPainter, x: float, y: float) -> None:
            painter.fillRect(QRectF(x, y, width, height), QColor(colour))

        return paint

    def _ruled(self, y: float, width: float, colour: str, thick: float) -> Paint:
        def paint(painter: QPainter, x: float, top: float) -> None:
            painter.setPen(QPen(QColor(colour), thick * self.point))
            painter.drawLine(QPointF(x, top + y), QPointF(x + width, top + y))

        return paint

    # -- blocks of words -----------------------------------------------------------------------

    def _title(self, block: Title) -> List[Piece]:
        name = self.text(block.text, self.font(JOB, True), self.width, ACCENT)
        lines = [self.text(line, self.font(BODY), self.width, QUIET) for line in block.lines]
        parts, y = [(name, 0.0, 0.0)], name.height + 2 * self.point
        for line in lines:
            parts.append((line, 0.0, y))
            y += line.height
        return [self._stacked(parts, y + 5 * self.point)]

    def _banner(self, block: Banner) -> List[Piece]:
        p = self.point
        sign = self.text(block.sign, self.font(STANDING + 2.0, True), 16 * p, ACCENT)
        room = self.width - 36 * p
        standing = self.text(block.standing, self.font(STANDING, True), room, leading=1.1)
        advice = self.text(block.advice, self.font(STANDING), room, leading=1.1)
        height = standing.height + (advice.height + 2 * p if block.advice else 0.0) + 12 * p

        def behind(painter: QPainter, x: float, y: float) -> None:
            self._filled(self.width, height, GROUND)(painter, x, y)
            self._filled(3 * p, height, ACCENT)(painter, x, y)

        parts = [(sign, 11 * p, 5 * p), (standing, 28 * p, 6 * p)]
        if block.advice:
            parts.append((advice, 28 * p, 8 * p + standing.height))
        return [self._stacked(parts, height, behind, space=3 * p)]

    def _heading(self, block: Heading) -> List[Piece]:
        p = self.point
        if block.level > 2:
            text = self.text(block.text, self.font(SECTION, True), self.width)
            return [self._stacked([(text, 0.0, 0.0)], text.height + 2 * p, keep=True, space=8 * p)]
        text = self.text(block.text, self.font(CHAPTER, True), self.width, ACCENT)
        return [self._stacked(
            [(text, 0.0, 5 * p)], text.height + 8 * p, self._ruled(0.0, self.width, ACCENT, 1.0),
            keep=True, space=14 * p)]

    def _paragraph(self, block: Paragraph) -> List[Piece]:
        size, ink = (SMALL, QUIET) if block.quiet else (BODY, INK)
        text = self.text(block.text, self.font(size), self.width, ink, leading=1.12)
        return [Piece(text.height + 2 * self.point, text.paint, space=4 * self.point)]

    def _bullets(self, block: Bullets) -> List[Piece]:
        p = self.point
        pieces = []
        for i, item in enumerate(block.items):
            dot = self.text("•", self.font(BODY), 10 * p, ACCENT)
            text = self.text(item, self.font(BODY), self.width - 11 * p, leading=1.08)
            pieces.append(self._stacked([(dot, 0.0, 0.0), (text, 11 * p, 0.0)],
                                        text.height + 2 * p, keep=_kept(i, len(block.items)),
                                        space=3 * p if i == 0 else 0.0))
        return pieces

    def _drawing(self, block: Drawing) -> List[Piece]:
        renderer = QSvgRenderer(QByteArray(block.svg.encode("utf-8")))

        def of_height(height: float) -> Piece:
            width = height * block.width / block.height
            beside = (self.width - width) / 2.0

            def paint(painter: QPainter, x: float, y: float) -> None:
                renderer.render(painter, QRectF(x + beside, y, width, height))

            return Piece(height, paint, space=3 * self.point)

        whole = self.width * block.height / block.width
        return [replace(of_height(whole), smaller=of_height, least=LEAST_DRAWING * whole)]

    def _signature(self, block: Signature) -> List[Piece]:
        p, gap = self.point, 12 * self.point
        room = self.width - gap * (len(block.entries) - 1)
        whole = sum(share for _, _, share in block.entries)
        parts, x, lines = [], 0.0, []
        known = [self.text(text, self.font(BODY + 1.0), room * share / whole)
                 for _, text, share in block.entries]
        foot = max(text.height for text in known) + 20 * p
        for (label, _, share), text in zip(block.entries, known):
            width = room * share / whole
            parts.append((text, x, foot - text.height - 1 * p))
            parts.append((self.text(label, self.font(SMALL), width, QUIET), x, foot + 2 * p))
            lines.append((x, width))
            x += width + gap

        def behind(painter: QPainter, left: float, top: float) -> None:
            for start, width in lines:
                self._ruled(foot, width, INK, 0.8)(painter, left + start, top)

        return [self._stacked(parts, foot + 22 * p, behind)]

    def _together(self, block: Together) -> List[Piece]:
        pieces = self.of(block.blocks)
        return [replace(piece, keep=True) for piece in pieces[:-1]] + pieces[-1:]

    # -- tables --------------------------------------------------------------------------------

    def _table(self, table: Table) -> List[Piece]:
        p = self.point
        size = DENSE if table.dense else BODY
        fonts = (self.font(size), self.font(size, True))
        across = 3.6 * p if table.dense else 4 * p
        widths = self._widths(table, fonts, across)
        rows = [self._row(table, row, widths, fonts, across) for row in table.rows]
        head = self._head(table, widths, size, across) if table.has_head else None
        pieces = [] if head is None else [
            Piece(head.height, head.paint, keep=True, space=3 * p)]
        groups = [row.group for row in table.rows] + [True]
        start = 0
        for i, row in enumerate(rows):
            if groups[i]:
                start = i + 1
            end = groups.index(True, start)
            keep = groups[i] or _kept(i - start, end - start) or (
                len(rows) <= FEW and i < len(rows) - 1)
            pieces.append(Piece(row.height, row.paint, keep, 0.0, head))
        return pieces

    def _row(
        self, table: Table, row: Row, widths: Sequence[float], fonts: Tuple[QFont, QFont],
        across: float,
    ) -> Piece:
        p, down = self.point, 1.6 * self.point
        if row.group:
            text = self.text(row.cells[0], fonts[1], self.width - 2 * across, ACCENT)
            height = text.height + 5.6 * p
            return self._stacked([(text, across, 4 * p)], height,
                                 self._ruled(height, self.width, LINE, 0.6))
        parts, x = [], 0.0
        for column, cell, width in zip(table.columns, row.cells, widths):
            text = self.text(cell, fonts[column.strong], width - 2 * across, right=column.right)
            parts.append((text, x + across, down))
            x += width
        height = max(text.height for text, _, _ in parts) + 2 * down
        return self._stacked(parts, height, self._ruled(height, self.width, LINE, 0.6))

    def _head(self, table: Table, widths: Sequence[float], size: float, across: float) -> Piece:
        p = self.point
        cells = []
        for column, width in zip(table.columns, widths):
            room = width - 2 * across
            cells.append((
                self.text(column.title, self.font(size, True), room, right=column.right),
                self.text(column.unit, self.font(size), room, QUIET, right=column.right)
                if column.unit else None))
        height = max(t.height + (u.height if u else 0.0) for t, u in cells) + 5 * p
        parts, x = [], across
        for (title, unit), width in zip(cells, widths):
            y = height - 2.5 * p - title.height - (unit.height if unit else 0.0)
            parts.append((title, x, y))
            if unit:
                parts.append((unit, x, y + title.height))
            x += width
        return self._stacked(parts, height, self._filled(self.width, height, GROUND))

    def _widths(
        self, table: Table, fonts: Tuple[QFont, QFont], across: float
    ) -> List[float]:
        """Width of each column: shares where they are given, else what the cells need."""
        if any(column.share for column in table.columns):
            return [column.share * self.width for column in table.columns]
        least, best = [], []
        for i, column in enumerate(table.columns):
            cells = [row.cells[i] for row in table.rows if not row.group]
            font = fonts[column.strong]
            head = [self._advance(column.title, fonts[1]), self._advance(column.unit, fonts[0])]
            whole = [self._advance(cell, font) for cell in cells] or [0.0]
            words = [self._advance(word[:LONG_WORD], font) for cell in cells
                     for word in cell.split()] or [0.0]
            best.append(max(whole + head) + 2 * across)
            least.append((max(whole + head) if column.right else max(words + head)) + 2 * across)
        return _shared(least, best, self.width)


def _kept(i: int, count: int) -> bool:
    """Whether row `i` of some must stand with the next: neither the first nor the last alone."""
    return i < count - 1 and (count <= FEW or i in (0, count - 2))


def _shared(least: Sequence[float], best: Sequence[float], width: float) -> List[float]:
    """Column widths that add up to `width`, between what is needed at least and at best."""
    if sum(best) <= width:
        rest = (width - sum(best)) / len(best)
        return [value + rest for value in best]
    if sum(least) >= width:
        return [value * width / sum(least) for value in least]
    wish = [b - a for a, b in zip(least, best)]
    rest = width - sum(least)
    return [a + rest * w / sum(wish) for a, w in zip(least, wish)]
