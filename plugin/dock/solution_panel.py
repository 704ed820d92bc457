"""What the solution says: what to look at, rotation, scale, shift, tilt, coverage, χ² in words."""

from __future__ import annotations

import html
from typing import Optional

from qgis.PyQt.QtCore import QEvent
from qgis.PyQt.QtGui import QColor, QPalette
from qgis.PyQt.QtWidgets import QApplication, QTextBrowser, QVBoxLayout, QWidget

from ...core.findings import ALARM, CAUTION, GOOD, NOTE, Finding
from ...core.plausibility import plausibility
from ...core.report import LEVEL_WORDS
from ...core.solution_words import Fact, sections
from ...core.tie import Tie
from ..job.job import Job
from ..translation import tr
from .theme import colour, quieter


class SolutionPanel(QWidget):
    """A page of facts, written anew with every change while it can be seen."""

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._stale = True
        self.setObjectName("sitetie_solution_panel")
        self.page = QTextBrowser()
        self.page.setObjectName("sitetie_solution")
        self.page.setAccessibleName(tr("What the solution says"))
        self.page.setOpenLinks(False)
        self.page.setFrameShape(QTextBrowser.Shape.NoFrame)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.page)
        job.changed.connect(self._changed)

    def _changed(self) -> None:
        self._stale = True
        if self.isVisible():
            self.show_state()

    def showEvent(self, event: QEvent) -> None:
        super().showEvent(event)
        if self._stale:
            self.show_state()

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() == QEvent.Type.PaletteChange and not self._stale:
            self.show_state()

    def show_state(self) -> None:
        self._stale = False
        tie = self._job.tie
        place = self.page.verticalScrollBar().value()
        ink = self.page.palette().color(QPalette.ColorRole.Text)
        self.page.setHtml(solution_html(tie, ink) if tie is not None else
                          tr("<p>There is no solution yet.</p>"))
        self.page.verticalScrollBar().setValue(place)


def solution_html(tie: Tie, ink: QColor) -> str:
    """What speaks for and against a tie, then its facts, as a page."""
    quiet, alarm = quieter(ink), colour("alarm", QApplication.palette()).name()
    found = plausibility(tie)
    parts = [_title(tr("What to look at")), "<table width='100%' cellspacing='0' cellpadding='2'>"]
    parts += [_finding(item, alarm, quiet) for item in found if item.level != GOOD]
    parts += [_caution(words, quiet) for words in tie.cautions]
    if len(parts) == 2:
        parts.append(tr("<tr><td>Nothing speaks against it.</td></tr>"))
    parts.append("</table>")
    for title, facts in sections(tie):
        parts.append(_title(title))
        parts.append("<table width='100%' cellspacing='0' cellpadding='2'>")
        parts += [_row(fact, quiet) for fact in facts]
        parts.append("</table>")
    good = [item for item in found if item.level == GOOD]
    if good:
        parts += [_title(tr("In order")), "<table width='100%' cellspacing='0' cellpadding='2'>"]
        parts += [_finding(item, alarm, quiet) for item in good]
        parts.append("</table>")
    parts.append(tr(
        "<p style='margin-top:8px;color:{quiet}'>Base projection: {name}. Content "
        "{short_id}.</p>").format(
        quiet=quiet, name=html.escape(tie.base.name), short_id=tie.short_id))
    return "".join(parts)


def _title(words: str) -> str:
    return f"<p style='margin:8px 0 2px 0'><b>{html.escape(words)}</b></p>"


def _finding(item: Finding, alarm: str, quiet: str) -> str:
    """A sentence behind the sign of its level."""
    sign, ink = LEVEL_WORDS[item.level][0], alarm if item.level in (ALARM, CAUTION) else quiet
    words = html.escape(item.sentence)
    return (f"<tr><td width='18' style='color:{ink}'>{sign}</td>"
            f"<td>{f'<b>{words}</b>' if item.level == ALARM else words}</td></tr>")


def _caution(words: str, quiet: str) -> str:
    return (f"<tr><td width='18' style='color:{quiet}'>{LEVEL_WORDS[NOTE][0]}</td>"
            f"<td>{html.escape(words)}</td></tr>")


def _row(fact: Fact, quiet: str) -> str:
    remark = ""
    if fact.remark:
        remark = f"<br><span style='color:{quiet}'>{html.escape(fact.remark)}</span>"
    return (f"<tr><td width='26%' style='color:{quiet};padding-right:8px'>"
            f"{html.escape(fact.name)}</td><td>{html.escape(fact.value)}{remark}</td></tr>")
