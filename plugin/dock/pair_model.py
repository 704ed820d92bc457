"""The pairs of a job as a Qt table."""

from __future__ import annotations

from typing import List, Optional, Tuple

from qgis.PyQt.QtCore import (
    QAbstractTableModel,
    QModelIndex,
    QObject,
    QSortFilterProxyModel,
    Qt,
    pyqtSignal,
)

from ...core.pairs import Pair, Role
from ...core.results import PairResidual
from ...core.verdict_words import URGENCY, explained
from ..job.job import Job
from ..translation import tr
from .dock_actions import theme_icon
from .pair_columns import COLUMNS, KEYS, Column
from .theme import as_number, verdict_icon

SORT_ROLE = Qt.ItemDataRole.UserRole
#: (value or None, full scale, verdict, role) of a residual, for the bar.
BAR_ROLE = Qt.ItemDataRole.UserRole + 1
NO_PARENT = QModelIndex()


class PairModel(QAbstractTableModel):
    """Rows are the pairs in the order of the job; `COLUMNS` are the columns.

    Signals
    -------
    refused
        A list of errors: what an edit could not do.
    """

    refused = pyqtSignal(list)

    def __init__(self, job: Job, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._pairs: Tuple[Pair, ...] = ()
        self._rows: List[Optional[PairResidual]] = []
        self._scales = {"horizontal": 0.0, "vertical": 0.0}
        job.changed.connect(self._refresh)
        self._refresh()

    def _refresh(self) -> None:
        """Take over what the job holds now; rows keep their place when the pairs are the same."""
        pairs, tie = self._job.state.pairs, self._job.tie
        same = _ids(pairs) == _ids(self._pairs)
        if not same:
            self.beginResetModel()
        self._pairs = pairs
        self._rows = [None] * len(pairs) if tie is None else list(tie.rows)
        self._scales = {side: self._full_scale(side) for side in ("horizontal", "vertical")}
        if not same:
            self.endResetModel()
        elif pairs:
            last = self.index(len(pairs) - 1, len(COLUMNS) - 1)
            self.dataChanged.emit(self.index(0, 0), last)
        self.headerDataChanged.emit(Qt.Orientation.Horizontal, 0, len(COLUMNS) - 1)

    def _full_scale(self, side: str) -> float:
        """Length at which a bar is full: one gross error must not make the others vanish."""
        settings = self._job.state.settings
        tolerance = settings.tolerance_h if side == "horizontal" else settings.tolerance_v
        sizes = sorted(
            getattr(row, side).size for row in self._rows
            if row is not None and getattr(row, side).size is not None
        )
        if not sizes:
            return tolerance or 1.0
        middle = sizes[len(sizes) // 2]
        return max(min(sizes[-1], max(4.0 * middle, tolerance or 0.0)), 1e-9)

    # -- what Qt asks -------------------------------------------------------------------------

    def rowCount(self, parent: QModelIndex = NO_PARENT) -> int:
        return 0 if parent.isValid() else len(self._pairs)

    def columnCount(self, parent: QModelIndex = NO_PARENT) -> int:
        return 0 if parent.isValid() else len(COLUMNS)

    def data(self, index: QModelIndex, role: int = Qt.ItemDataRole.DisplayRole):
        if not index.isValid():
            return None
        column, pair, row = self._at(index)
        settings = self._job.state.settings
        if role in (Qt.ItemDataRole.DisplayRole, Qt.ItemDataRole.EditRole):
            return column.text(pair, row, settings)
        if role == SORT_ROLE:
            return column.sort(pair, row, settings)
        if role == BAR_ROLE:
            return self._bar(column, row)
        if role == Qt.ItemDataRole.TextAlignmentRole:
            side = Qt.AlignmentFlag.AlignRight if column.number else Qt.AlignmentFlag.AlignLeft
            return as_number(side | Qt.AlignmentFlag.AlignVCenter)
        if role == Qt.ItemDataRole.DecorationRole and column.key == "control":
            return None if row is None else verdict_icon(_worst(row))
        if role == Qt.ItemDataRole.DecorationRole and column.key == "observation":
            # A pencil: other values are used than were given.
            return theme_icon("mActionToggleEditing") if pair.corrections else None
        if role in (Qt.ItemDataRole.ToolTipRole, Qt.ItemDataRole.AccessibleDescriptionRole):
            return self.explanation(index.row())
        if role == Qt.ItemDataRole.AccessibleTextRole:
            heading = column.heading(settings).replace("\n", " ")
            return f"{heading}: {column.text(pair, row, settings) or 'nothing'}"
        return None

    def headerData(
        self, section: int, orientation: Qt.Orientation,
        role: int = Qt.ItemDataRole.DisplayRole,
    ):
        if orientation != Qt.Orientation.Horizontal or not 0 <= section < len(COLUMNS):
            return None
        column = COLUMNS[section]
        if role == Qt.ItemDataRole.DisplayRole:
            return column.heading(self._job.state.settings)
        if role in (Qt.ItemDataRole.ToolTipRole, Qt.ItemDataRole.AccessibleDescriptionRole):
            return column.hint
        if role == Qt.ItemDataRole.TextAlignmentRole:
            return as_number(Qt.AlignmentFlag.AlignCenter)
        if role == Qt.ItemDataRole.InitialSortOrderRole and column.largest_first:
            return Qt.SortOrder.DescendingOrder
        return None

    def flags(self, index: QModelIndex):
        flags = super().flags(index)
        if index.isValid() and KEYS[index.column()].startswith("role_"):
            flags |= Qt.ItemFlag.ItemIsEditable
        return flags

    def setData(self, index: QModelIndex, value, role: int = Qt.ItemDataRole.EditRole) -> bool:
        """Change a role, as a step that can be undone."""
        if role != Qt.ItemDataRole.EditRole or not index.isValid():
            return False
        side = COLUMNS[index.column()].side
        errors = self._job.set_role((index.row(),), (side,), Role.parse(value))
        if errors:
            self.refused.emit(errors)
        return not errors

    # -- what the view asks -------------------------------------------------------------------

    def explanation(self, place: int) -> str:
        """Why a pair has its verdict, one paragraph a side."""
        pair, row = self._pairs[place], self._rows[place]
        if row is None:
            return tr("There is no solution yet.")
        return "\n".join(explained(pair, row, self._job.state.settings))

    def _at(self, index: QModelIndex) -> Tuple[Column, Pair, Optional[PairResidual]]:
        return COLUMNS[index.column()], self._pairs[index.row()], self._rows[index.row()]

    def _bar(self, column: Column, row: Optional[PairResidual]):
        if column.value is None or row is None:
            return None
        part = getattr(row, column.side)
        return column.value(row), self._scales[column.side], part.verdict, part.role


def _ids(pairs: Tuple[Pair, ...]) -> List[Tuple[str, str]]:
    return [(pair.control.id, pair.observation.id) for pair in pairs]


def _worst(row: PairResidual) -> str:
    return min((row.horizontal.verdict, row.vertical.verdict), key=URGENCY.index)


class PairFilter(QSortFilterProxyModel):
    """Sorts by each column's own key and keeps the rows that have the filter text in any cell."""

    def __init__(self, model: PairModel, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self.setSourceModel(model)
        self.setSortRole(SORT_ROLE)
        self.setFilterKeyColumn(-1)
        self.setFilterCaseSensitivity(Qt.CaseSensitivity.CaseInsensitive)
