"""Pairs that are proposed, in a table, before any of them is made."""

from __future__ import annotations

import re
from collections import Counter
from typing import List, NamedTuple, Optional, Sequence, Set, Tuple

from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtGui import QShowEvent
from qgis.PyQt.QtWidgets import (
    QAbstractItemView,
    QDialog,
    QDialogButtonBox,
    QHeaderView,
    QLabel,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ...core.candidates import NOT_FIXED
from ...core.errors import SitetieError
from ...core.pairs import Control, Observation, Pair
from ...core.wording import counted, listed
from ..dock.hint_label import HintLabel
from ..job.job import Job
from ..translation import tr
from .new_pairs import add_pairs, new_pair


class Proposal(NamedTuple):
    """A pair that may be made, and what is to be said of it."""

    control: Control
    observation: Observation
    remark: str = ""


class PreviewDialog(QDialog):
    """Entries of a subclass above, the proposed pairs below; ticked ones are made.

    A subclass fills `entries` and calls `show_proposals` whenever they change.
    """

    COLUMNS = (tr("Control point"), tr("Observation"), tr("Remarks"))

    def __init__(
        self, job: Job, title: str, name: str, parent: Optional[QWidget] = None
    ) -> None:
        super().__init__(parent)
        self._job = job
        self._proposals: Sequence[Proposal] = ()
        self.setObjectName(name)
        self.setWindowTitle(title)
        self.entries = QWidget()
        self.table = QTableWidget(0, len(self.COLUMNS))
        self.table.setObjectName(f"{name}_preview")
        self.table.setAccessibleName(tr("Pairs that would be made"))
        self.table.setHorizontalHeaderLabels(self.COLUMNS)
        self.table.verticalHeader().hide()
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.setAlternatingRowColors(True)
        header = self.table.horizontalHeader()
        header.setSectionResizeMode(QHeaderView.ResizeMode.ResizeToContents)
        header.setStretchLastSection(True)
        self.table.itemChanged.connect(self._count)
        self.summary = HintLabel()
        self.summary.setObjectName(f"{name}_summary")
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Cancel)
        self.pair_button = self.buttons.addButton(
            tr("Pair"), QDialogButtonBox.ButtonRole.AcceptRole)
        self.pair_button.setObjectName(f"{name}_pair")
        self.buttons.accepted.connect(self._make)
        self.buttons.rejected.connect(self.reject)
        layout = QVBoxLayout(self)
        layout.addWidget(self.entries)
        preview = QLabel(tr("&Preview"))
        preview.setBuddy(self.table)
        layout.addWidget(preview)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.summary)
        layout.addWidget(self.buttons)
        letter = self.fontMetrics().averageCharWidth()
        self.resize(76 * letter, 34 * self.fontMetrics().height())
        self._count()

    def show_proposals(self, proposals: Sequence[Proposal], summary: str, alarm: bool) -> None:
        """Fill the table; all are ticked but shots that are worse than others of the mark."""
        self._proposals = proposals
        spare = spare_shots(proposals, self._job.state.pairs)
        paired: Sequence[Pair] = self._job.state.pairs
        shots = Counter([item.control.id for item in proposals]
                        + [pair.control.id for pair in paired])
        if spare:
            names = listed(proposals[place].observation.id for place in sorted(spare))
            summary = tr(
                "{summary} Not ticked: {names}.").format(summary=summary, names=names).strip()
        self.summary.say(summary, alarm)
        self.table.blockSignals(True)
        self.table.setRowCount(len(proposals))
        for place, proposal in enumerate(proposals):
            name = proposal.control.id
            first = QTableWidgetItem(name)
            first.setFlags(Qt.ItemFlag.ItemIsEnabled | Qt.ItemFlag.ItemIsUserCheckable
                           | Qt.ItemFlag.ItemIsSelectable)
            first.setCheckState(
                Qt.CheckState.Unchecked if place in spare else Qt.CheckState.Checked)
            self.table.setItem(place, 0, first)
            self.table.setItem(place, 1, QTableWidgetItem(proposal.observation.id))
            remarks = [proposal.remark] if proposal.remark else []
            if shots[name] > 1:
                remarks.append(tr("{shots} shots at {name}").format(shots=shots[name], name=name))
            if place in spare:
                remarks.insert(0, tr("not ticked, since {name} has a fixed shot").format(name=name))
            remark = QTableWidgetItem("; ".join(remarks))
            remark.setToolTip("; ".join(remarks))
            self.table.setItem(place, 2, remark)
        self.table.blockSignals(False)
        self._count()

    def ticked(self) -> List[Pair]:
        """The pairs that would be made."""
        return [
            new_pair(proposal.control, proposal.observation)
            for place, proposal in enumerate(self._proposals)
            if self.table.item(place, 0).checkState() == Qt.CheckState.Checked
        ]

    def _count(self, *_: object) -> None:
        number = len(self.ticked())
        self.pair_button.setText(tr("Make {number}").format(number=counted(number, 'pair')))
        self.pair_button.setEnabled(number > 0)

    def _make(self) -> None:
        try:
            add_pairs(self._job, self.ticked())
        except SitetieError as error:
            self.summary.say(str(error), alarm=True)
            return
        self.accept()

    def showEvent(self, event: QShowEvent) -> None:
        super().showEvent(event)
        self.pair_button.setDefault(True)


def open_marks(
    job: Job, control: Sequence[Control], observations: Sequence[Observation]
) -> Tuple[List[Control], List[Observation]]:
    """All control points, and the observations that are in no pair yet."""
    taken = {pair.observation.id for pair in job.state.pairs}
    return list(control), [item for item in observations if item.id not in taken]


def spare_shots(proposals: Sequence[Proposal], pairs: Sequence[Pair]) -> Set[int]:
    """Places of the proposals that are not fixed though another shot of the mark is, be it
    proposed as well or paired already."""
    fixed = {item.control.id for item in proposals if _is_fixed(item.observation)}
    fixed |= {pair.control.id for pair in pairs if _is_fixed(pair.observation)}
    return {place for place, item in enumerate(proposals)
            if item.control.id in fixed and _is_not_fixed(item.observation)}


def _is_not_fixed(observation: Observation) -> bool:
    return any(word in observation.fix.lower() for word, _ in NOT_FIXED)


def _is_fixed(observation: Observation) -> bool:
    return bool(re.search(r"\bfix", observation.fix.lower())) and not (
        _is_not_fixed(observation) or re.search(r"\bnot?\b", observation.fix.lower()))


def as_recorded(observation: Observation) -> str:
    """What was recorded of a shot, for a remark."""
    return ", ".join(part for part in (observation.fix, observation.session, observation.note)
                     if part)
