"""The report of a tie as a PDF, painted page by page with Qt; no browser is needed.

The text is the same HTML, laid out by Qt for the paper; the drawing is set in as a picture of
print resolution, and every page gets a foot with job, tie and page number.
"""

from __future__ import annotations

import os
import re
import tempfile
from typing import Optional

from qgis.PyQt.QtCore import QByteArray, QMarginsF, QRectF, QSizeF, Qt, QUrl
from qgis.PyQt.QtGui import (
    QAbstractTextDocumentLayout,
    QColor,
    QFont,
    QImage,
    QPageLayout,
    QPageSize,
    QPainter,
    QPdfWriter,
    QTextDocument,
)
from qgis.PyQt.QtSvg import QSvgRenderer

from ..core.errors import OutputError
from ..core.report import ReportDetails, report_html
from ..core.report.drawing import geometry_svg
from ..core.tie import Tie
from ..core.whole_file import write_whole_file

#: Dots per inch of the drawing and of the page the text is laid out for.
PICTURE_DPI, PAGE_DPI = 300, 96
PAPERS = {"A4": QPageSize.PageSizeId.A4, "Letter": QPageSize.PageSizeId.Letter}
FOOT = 26  # height of the foot in layout units
PICTURE = "sitetie:drawing"
BREAK = ' style="page-break-before: always"'


def write_report_pdf(tie: Tie, path, details: Optional[ReportDetails] = None,
                     paper: str = "A4") -> None:
    """Write the report as PDF, all or nothing.

    Raises
    ------
    OutputError
    """
    handle, temporary = tempfile.mkstemp(suffix=".pdf")
    os.close(handle)
    try:
        _paint(tie, temporary, details or ReportDetails(), paper)
        with open(temporary, "rb") as stream:
            data = stream.read()
    finally:
        os.unlink(temporary)
    if not data.startswith(b"%PDF"):
        raise OutputError("The PDF could not be made.", "Use the HTML report.", file=str(path))
    write_whole_file(path, data)


def _paint(tie: Tie, path: str, details: ReportDetails, paper: str) -> None:
    writer = QPdfWriter(path)
    writer.setTitle(f"Tie report {details.job}".strip())
    writer.setCreator("Sitetie")
    writer.setResolution(PAGE_DPI)
    writer.setPageLayout(QPageLayout(
        QPageSize(PAPERS[paper]), QPageLayout.Orientation.Portrait, QMarginsF(14, 14, 14, 12),
        QPageLayout.Unit.Millimeter,
    ))
    width, height = writer.width(), writer.height()
    document = _document(tie, details, writer)
    pages = document.pageCount()
    painter = QPainter(writer)
    try:
        for page in range(pages):
            if page:
                writer.newPage()
            _paint_page(painter, document, page, width, height - FOOT)
            _paint_foot(painter, tie, details, page + 1, pages, width, height)
    finally:
        painter.end()


def _document(tie: Tie, details: ReportDetails, writer: QPdfWriter) -> QTextDocument:
    """The report laid out for the paper, no heading left alone at the foot of a page."""
    page_height = writer.height() - FOOT
    svg = geometry_svg(tie)
    html = report_html(tie, details, picture=PICTURE if svg else "")
    # Qt enlarges headings whatever the style sheet says, but heeds a span inside.
    html = re.sub(r"<h2>(.*?)</h2>", r'<h2><span style="font-size: 11pt">\1</span></h2>', html)
    html = re.sub(r"<h3>(.*?)</h3>", r'<h3><span style="font-size: 8.5pt">\1</span></h3>', html)
    document = QTextDocument()
    document.setDocumentMargin(0)
    if svg:
        document.addResource(QTextDocument.ResourceType.ImageResource, QUrl(PICTURE), _picture(svg))
    document.documentLayout().setPaintDevice(writer)
    while True:
        document.setHtml(html)
        document.setPageSize(QSizeF(writer.width(), page_height))
        lone = _lone_heading(document, page_height)
        if lone is None:
            return document
        broken = _break_before(html, lone)
        if broken == html:
            return document
        html = broken


def _break_before(html: str, heading: int) -> str:
    """The HTML with a page break before its nth heading."""
    place = list(re.finditer(r"<h[1-3](?=[ >])", html))[heading].end()
    if html[place:].startswith(BREAK):
        return html
    return html[:place] + BREAK + html[place:]


def _lone_heading(document: QTextDocument, page_height: int) -> Optional[int]:
    """Which heading stands alone at the foot of a page, counted from 0; None if none does."""
    layout = document.documentLayout()

    def page_of(block) -> int:
        return int(layout.blockBoundingRect(block).bottom() // page_height)

    count, block = -1, document.begin()
    while block.isValid():
        if block.blockFormat().headingLevel():
            count += 1
            following = block.next()
            while following.isValid() and following.blockFormat().headingLevel():
                following = following.next()
            if following.isValid() and page_of(following) > page_of(block):
                return count
        block = block.next()
    return None


def _picture(svg: str) -> QImage:
    renderer = QSvgRenderer(QByteArray(svg.encode("utf-8")))
    size = renderer.defaultSize() * (PICTURE_DPI / PAGE_DPI)
    image = QImage(size, QImage.Format.Format_ARGB32)
    image.fill(QColor(Qt.GlobalColor.white))
    painter = QPainter(image)
    painter.setRenderHint(QPainter.RenderHint.Antialiasing)
    renderer.render(painter, QRectF(image.rect()))
    painter.end()
    return image


def _paint_page(painter: QPainter, document: QTextDocument, page: int, width: int,
                height: int) -> None:
    painter.save()
    painter.translate(0, -page * height)
    context = QAbstractTextDocumentLayout.PaintContext()
    context.clip = QRectF(0, page * height, width, height)
    painter.setClipRect(context.clip)
    document.documentLayout().draw(painter, context)
    painter.restore()


def _paint_foot(painter: QPainter, tie: Tie, details: ReportDetails, page: int, pages: int,
                width: int, height: int) -> None:
    font = QFont("DejaVu Sans")
    font.setPointSizeF(7.0)
    painter.setFont(font)
    painter.setPen(QColor("#52606d"))
    line = height - FOOT + 8
    painter.drawLine(0, line, width, line)
    foot = QRectF(0, line + 3, width, FOOT - 11)
    left = " · ".join(text for text in (details.job, f"tie {tie.short_id}") if text)
    painter.drawText(foot, Qt.AlignmentFlag.AlignLeft | Qt.AlignmentFlag.AlignTop, left)
    painter.drawText(foot, Qt.AlignmentFlag.AlignRight | Qt.AlignmentFlag.AlignTop,
                     f"page {page} of {pages}")
