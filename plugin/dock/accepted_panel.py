"""Ties that were accepted, and what can be handed over from each."""

from __future__ import annotations

from typing import Optional, Tuple

from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtWidgets import (
    QAbstractItemView,
    QGridLayout,
    QPushButton,
    QTreeWidget,
    QTreeWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ..job.job import Job
from ..job.state import AcceptedTie
from ..translation import tr
from .hint_label import HintLabel

NONE_YET = (
    tr(
        "No tie is accepted yet. Accepting gives the present solution a number; then layers "
        "can be restated through it.")
)


class AcceptedPanel(QWidget):
    """A list, the newest first, with buttons for the chosen one.

    Signals
    -------
    restate_asked, report_asked, save_report_asked, save_asked
        With the accepted tie.
    """

    restate_asked = pyqtSignal(object)
    report_asked = pyqtSignal(object)
    save_report_asked = pyqtSignal(object)
    save_asked = pyqtSignal(object)

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._shown: tuple = ()
        self.setObjectName("sitetie_accepted_panel")
        self.none = HintLabel(NONE_YET)
        self.list = QTreeWidget()
        self.list.setObjectName("sitetie_accepted")
        self.list.setAccessibleName(tr("Accepted ties"))
        self.list.setHeaderLabels([tr("Tie"), tr("When (UTC)"), tr("Surveyor"), tr("Note")])
        self.list.setRootIsDecorated(False)
        self.list.setAllColumnsShowFocus(True)
        self.list.setSelectionMode(QAbstractItemView.SelectionMode.SingleSelection)
        self.restate = self._button("restate", tr("Restate layers…"), self.restate_asked,
                                    tr("Derive site coordinates of layers through this tie."))
        self.report = self._button("report", tr("Report"), self.report_asked,
                                   tr("Open the report of this tie in the browser."))
        self.save_report = self._button(
            "save_report", tr("Save report…"), self.save_report_asked,
            tr("Write the report of this tie as PDF, to print and sign, or as HTML."))
        self.save = self._button("save_tie", tr("Save tie…"), self.save_asked,
                                 tr("Write this tie to a file of its own."))
        self.site_crs = QPushButton(tr("Site CRS"))
        self.site_crs.setObjectName("sitetie_site_crs")
        self.site_crs.setToolTip(tr(
            "Put project and layers on the site grid of this tie, or hand it over to other "
            "programs."))
        buttons = QGridLayout()
        for place, button in enumerate(self._buttons()):
            buttons.addWidget(button, place // 2, place % 2)
        buttons.setColumnStretch(2, 1)
        layout = QVBoxLayout(self)
        layout.addWidget(self.none)
        # Above the list: at its foot they would move whenever a message comes or goes below.
        layout.addLayout(buttons)
        layout.addWidget(self.list, 1)
        layout.addStretch(0)
        job.changed.connect(self.show_state)
        self.list.currentItemChanged.connect(lambda *_: self._enable())
        self.show_state()

    def _button(self, name: str, words: str, signal, tip: str) -> QPushButton:
        button = QPushButton(words)
        button.setObjectName(f"sitetie_{name}")
        button.setToolTip(tip)
        button.clicked.connect(lambda: signal.emit(self.chosen()))
        return button

    def put_below_buttons(self, widget: QWidget) -> None:
        """Give what belongs to the accepted ties a place above the list."""
        self.layout().insertWidget(self.layout().indexOf(self.list), widget)

    def chosen(self) -> Optional[AcceptedTie]:
        item = self.list.currentItem()
        return None if item is None else item.data(0, Qt.ItemDataRole.UserRole)

    def show_state(self) -> None:
        accepted = self._job.state.accepted
        if accepted == self._shown and self.list.topLevelItemCount() == len(accepted):
            self._enable()
            return
        self._shown = accepted
        self.list.clear()
        for tie in reversed(accepted):
            when = tie.time.replace("T", " ").replace("Z", "")[:16]
            item = QTreeWidgetItem([str(tie.number), when, tie.surveyor, tie.note])
            item.setData(0, Qt.ItemDataRole.UserRole, tie)
            item.setToolTip(0, tr("Content {tie_id}").format(tie_id=tie.tie_id[:8]))
            item.setToolTip(3, tie.note)
            self.list.addTopLevelItem(item)
        if accepted:
            self.list.setCurrentItem(self.list.topLevelItem(0))
            for column in range(3):
                self.list.resizeColumnToContents(column)
        self._enable()

    def _enable(self) -> None:
        self.none.setHidden(bool(self._shown))
        self.list.setHidden(not self._shown)
        for button in self._buttons():
            button.setEnabled(self.chosen() is not None)

    def _buttons(self) -> Tuple[QPushButton, ...]:
        return self.restate, self.save, self.report, self.save_report, self.site_crs
