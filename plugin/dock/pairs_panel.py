"""The pairs: filter line, table, and what the chosen pair's figures say."""

from __future__ import annotations

import html
from typing import List, Optional, Tuple

from qgis.gui import QgsFilterLineEdit
from qgis.PyQt.QtCore import Qt, QUrl, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QHBoxLayout,
    QLabel,
    QSplitter,
    QStackedWidget,
    QTextBrowser,
    QVBoxLayout,
    QWidget,
)

from ...core.suspects import Suspect
from ..job.job import Job
from ..job.suspect_steps import without_the_correction
from ..translation import tr
from .correction_lines import correction_lines
from .pair_view import PairView
from .scrolling import scrolling
from .suspect_card import SuspectCard
from .suspect_search import SuspectSearch

EMPTY = (
    tr(
        "<p>A pair is a control point and the GNSS observation of the same mark.</p><ol "
        "style='margin-left:-12px'><li style='margin-bottom:6px'>Choose the layer with the "
        "control points and the layer with the observations under <a href='layers'>Layers</a>, "
        "and the unit of the site grid under <a href='settings'>Site settings</a>.</li><li "
        "style='margin-bottom:6px'>Then <a href='pair_on_map'>pair on the map</a>: point at a "
        "control point and at its observation. From two pairs on there is a solution, and it "
        "follows every change.</li><li>Set some pairs to <b>check</b>: they are withheld, and "
        "show what the tie is worth.</li></ol><p>Or pair <a href='pair_by_ids'>by ids</a>, or "
        "bring in pairs <a href='pair_from_table'>from a table</a>.</p>")
)


class PairsPanel(QWidget):
    """The pairs of a job, or how to begin while there are none.

    Signals
    -------
    way_asked
        A link of the first page: ``layers``, ``settings``, or the name of an action.
    """

    way_asked = pyqtSignal(str)

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self.setObjectName("sitetie_pairs_panel")
        self.view = PairView(job)
        self.filter = QgsFilterLineEdit()
        self.filter.setObjectName("sitetie_filter")
        self.filter.setAccessibleName(tr("Filter pairs"))
        self.filter.setPlaceholderText(tr("Filter: a name, a role, a verdict…"))
        self.filter.setShowSearchIcon(True)
        self.filter.textChanged.connect(self._filter_changed)
        self.count = QLabel()
        self.count.setObjectName("sitetie_pair_count")
        self.detail = QTextBrowser()
        self.detail.setObjectName("sitetie_pair_detail")
        self.detail.setAccessibleName(tr("The chosen pair in words"))
        self.detail.setOpenLinks(False)
        self.detail.anchorClicked.connect(self._take_back)
        self.detail.setMinimumHeight(self.fontMetrics().height() * 3)
        empty = QLabel(EMPTY)
        empty.setObjectName("sitetie_no_pairs")
        empty.setWordWrap(True)
        empty.setAlignment(Qt.AlignmentFlag.AlignTop)
        empty.setMargin(12)
        empty.linkActivated.connect(self.way_asked)

        self.split = QSplitter(Qt.Orientation.Vertical)
        self.split.setObjectName("sitetie_pairs_split")
        self.split.addWidget(self.view)
        self.card = SuspectCard(job)
        below = QWidget()
        below_layout = QVBoxLayout(below)
        below_layout.setContentsMargins(0, 0, 0, 0)
        below_layout.addWidget(self.card)
        below_layout.addWidget(self.detail, 1)
        self.split.addWidget(scrolling(below, sideways=True))
        self.split.setStretchFactor(0, 3)
        self.split.setStretchFactor(1, 2)
        self.split.setSizes([300, 200])
        line = QHBoxLayout()
        line.addWidget(self.filter, 1)
        line.addWidget(self.count)
        filled = QWidget()
        filled_layout = QVBoxLayout(filled)
        filled_layout.setContentsMargins(0, 0, 0, 0)
        filled_layout.addLayout(line)
        filled_layout.addWidget(self.split, 1)
        self.stack = QStackedWidget()
        self.stack.addWidget(empty)
        self.stack.addWidget(filled)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addWidget(self.stack)
        self.search = SuspectSearch(job, self)
        self.search.found.connect(self._show_detail)
        job.changed.connect(self._show)
        self.view.chosen.connect(self._show_detail)
        self._show()

    def _show(self) -> None:
        self.stack.setCurrentIndex(1 if self._job.state.pairs else 0)
        self._count()
        self._show_detail()

    def _filter_changed(self, text: str) -> None:
        self.view.filtered.setFilterFixedString(text)
        self._count()

    def _count(self) -> None:
        shown, there = self.view.filtered.rowCount(), len(self._job.state.pairs)
        self.count.setText(tr(
            "{shown} of {there}").format(shown=shown, there=there) if shown != there else "")

    def _show_detail(self) -> None:
        places = self.view.selected_places()
        self.card.show_suspects(self._concerned(places))
        if len(places) != 1:
            words = tr("{places} pairs are selected.").format(places=len(places)) if places else (
                tr("Select a pair to read what its figures say."))
            self.detail.setHtml(f"<p>{words}</p>")
            return
        pair = self._job.state.pairs[places[0]]
        said = [f"<b>{html.escape(pair.name)}</b>"]
        said += correction_lines(pair)
        said += [html.escape(part) for part in
                 self.view.pairs.explanation(places[0]).split("\n")]
        if pair.observation.note:
            said.append(tr("Note: {note}").format(note=html.escape(pair.observation.note)))
        self.detail.setHtml("".join(f"<p style='margin:0 0 4px 0'>{part}</p>" for part in said))

    def _concerned(self, places: Tuple[int, ...]) -> List[Suspect]:
        """Suspects of the pair that is selected, or of all when none is."""
        if len(places) != 1:
            return [] if places else list(self.search.suspects)
        return self.search.of_control(self._job.state.pairs[places[0]].control.id)

    def _take_back(self, link: QUrl) -> None:
        """A link beside a correction: take it back."""
        places = self.view.selected_places()
        if len(places) == 1:
            pair = self._job.state.pairs[places[0]]
            correction = pair.corrections[int(link.fragment())]
            self._job.change(tr("Take back the correction of {id}").format(id=pair.control.id),
                             without_the_correction(self._job.state, correction))

    def focus_filter(self) -> None:
        self.filter.setFocus(Qt.FocusReason.ShortcutFocusReason)
        self.filter.selectAll()
