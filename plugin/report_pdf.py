"""The report of a tie as a PDF, painted page by page with Qt; no browser is needed.

It shows the same blocks as the HTML page. Works without a window and in a worker thread, as
Processing runs it; only an application object must exist (QGuiApplication or one above it).
"""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

from qgis.PyQt.QtCore import QBuffer, QByteArray, QIODevice, QMarginsF, QPointF
from qgis.PyQt.QtGui import QColor, QPageLayout, QPageSize, QPainter, QPdfWriter, QPen

from ..core.errors import OutputError
from ..core.report import ReportDetails, report_blocks
from ..core.tie import Tie
from ..core.whole_file import write_whole_file
from .report_pieces import LINE, QUIET, SMALL, Piece, Pieces

PAPERS = {"A4": QPageSize.PageSizeId.A4, "Letter": QPageSize.PageSizeId.Letter}
#: Device units per inch: fine enough that type is not rounded to whole pixels.
RESOLUTION = 1200
MARGINS = QMarginsF(16.0, 15.0, 16.0, 12.0)  # millimetres: left, top, right, bottom
#: Height kept free for the foot of a page, points.
FOOT = 26.0

#: A page: pieces with their distance from its top.
Page = List[Tuple[Piece, float]]


def write_report_pdf(
    tie: Tie, path, details: Optional[ReportDetails] = None, paper: str = "A4"
) -> None:
    """Write the report as PDF, all or nothing.

    Parameters
    ----------
    paper : {"A4", "Letter"}

    Raises
    ------
    OutputError
    """
    details = details or ReportDetails()
    data = QByteArray()
    buffer = QBuffer(data)
    buffer.open(QIODevice.OpenModeFlag.WriteOnly)
    writer = QPdfWriter(buffer)
    writer.setTitle(f"Tie report {details.job}".strip())
    writer.setCreator("Sitetie")
    writer.setResolution(RESOLUTION)
    layout = QPageLayout(QPageSize(PAPERS[paper]), QPageLayout.Orientation.Portrait, MARGINS,
                         QPageLayout.Unit.Millimeter)
    painter = QPainter()
    if not (writer.setPageLayout(layout) and painter.begin(writer)):
        raise OutputError("The PDF could not be made.", "Use the HTML report.", file=str(path))
    try:
        _paint(tie, details, writer, painter)
    finally:
        painter.end()
        buffer.close()
    write_whole_file(path, bytes(data))


def _paint(tie: Tie, details: ReportDetails, writer: QPdfWriter, painter: QPainter) -> None:
    pieces = Pieces(writer)
    pages = broken(pieces.of(report_blocks(tie, details)), writer.height() - FOOT * pieces.point)
    words = " · ".join(text for text in (details.job, f"tie {tie.short_id}") if text)
    for number, page in enumerate(pages, start=1):
        if number > 1:
            writer.newPage()
        for piece, y in page:
            painter.save()
            piece.paint(painter, 0.0, y)
            painter.restore()
        _paint_foot(painter, pieces, words, f"page {number} of {len(pages)}", writer.height())


def broken(pieces: Sequence[Piece], height: float) -> List[Page]:
    """Pieces set on pages of a height; those that keep together break before the first of them.

    What is higher than a page gets one of its own and is cut off by nothing but the paper.
    """
    pages: List[Page] = [[]]
    y = 0.0
    for run in _runs(pieces):
        run = _fitted(run, height - y)
        if pages[-1] and _height(run) > height - y:
            pages.append([])
            y = 0.0
        for piece in run:
            if pages[-1] and y + piece.space + piece.height > height:
                pages.append([])
                y = 0.0
            if not pages[-1] and piece.head is not None:
                pages[-1].append((piece.head, 0.0))
                y = piece.head.height
            y += piece.space if pages[-1] else 0.0
            pages[-1].append((piece, y))
            y += piece.height
    return pages


def _height(run: Sequence[Piece]) -> float:
    return sum(piece.space + piece.height for piece in run)


def _fitted(run: List[Piece], room: float) -> List[Piece]:
    """The run with its drawing, if it has one, in the size that lets it fit into the room."""
    over = _height(run) - room
    return [
        piece.smaller(piece.height - over)
        if piece.smaller is not None and 0.0 < over <= piece.height - piece.least else piece
        for piece in run
    ]


def _runs(pieces: Sequence[Piece]) -> List[List[Piece]]:
    """The pieces in runs that are to stay on one page."""
    runs: List[List[Piece]] = [[]]
    for piece in pieces:
        runs[-1].append(piece)
        if not piece.keep:
            runs.append([])
    return [run for run in runs if run]


def _paint_foot(
    painter: QPainter, pieces: Pieces, left: str, right: str, height: float
) -> None:
    p, font = pieces.point, pieces.font(SMALL)
    top = height - (FOOT - 10.0) * p
    painter.setPen(QPen(QColor(LINE), 0.6 * p))
    painter.drawLine(QPointF(0.0, top), QPointF(pieces.width, top))
    words = pieces.elided(left, font, pieces.width - 90.0 * p)
    for text, at_right in ((words, False), (right, True)):
        piece = pieces.text(text, font, pieces.width, QUIET, right=at_right)
        piece.paint(painter, 0.0, top + 3.0 * p)
