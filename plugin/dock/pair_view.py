"""The pair table on the screen: selection, keys, menus, copying."""

from __future__ import annotations

import zlib
from typing import Iterable, List, Optional, Sequence, Tuple

from qgis.core import QgsSettings
from qgis.PyQt.QtCore import QEvent, QItemSelection, QItemSelectionModel, QPoint, Qt, pyqtSignal
from qgis.PyQt.QtGui import QFontMetrics, QKeyEvent, QKeySequence
from qgis.PyQt.QtWidgets import QAbstractItemView, QApplication, QMenu, QTableView, QWidget

from ...core.pairs import Role
from ...core.results import CANNOT_TEST, DOES_NOT_BELONG
from ..job.job import Job
from ..job.state import SIDES
from ..translation import tr
from .cell_delegates import (
    MARGIN,
    ResidualDelegate,
    RoleDelegate,
    VerdictDelegate,
    verdict_font,
)
from .pair_columns import COLUMNS, KEYS, SIDE_TITLES, Column
from .pair_model import PairFilter, PairModel

#: Under a name of its own for each set of columns: another set would be laid out wrongly.
HEADER_SETTING = f"sitetie/pair_table_header_{zlib.crc32(' '.join(KEYS).encode()):x}"
ROLE_KEYS = {
    Qt.Key.Key_F: Role.FIT, Qt.Key.Key_C: Role.CHECK, Qt.Key.Key_I: Role.IDLE,
}
#: What the widest usual cell of a column holds; ids are measured as they come.
SAMPLES = {
    "tolerance": tr("✗ out: horizontal, vertical"),
    "role_horizontal": "check", "role_vertical": "check",
    "test_horizontal": tr("888.8 of 8.8"), "test_vertical": tr("888.8 of 8.8"),
}
#: Ids wider than this are cut off at first, with the whole in the tip.
WIDEST_ID = "8" * 16
ROLE_WORDS = {
    Role.FIT: tr("Fit: drives the solution"),
    Role.CHECK: tr("Check: withheld and compared"),
    Role.IDLE: tr("Idle: takes no part"),
}


class PairView(QTableView):
    """The table.

    Signals
    -------
    chosen
        Other pairs are selected.
    show_asked
        The selected pairs are to be shown on the map.
    refused
        A list of errors: what could not be done.
    """

    chosen = pyqtSignal()
    show_asked = pyqtSignal()
    refused = pyqtSignal(list)

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._kept: List[Tuple[str, str]] = []
        self._widths_kept = False
        self.pairs = PairModel(job, self)
        self.filtered = PairFilter(self.pairs, self)
        self.setModel(self.filtered)
        self.setObjectName("sitetie_pairs")
        self.setAccessibleName(tr("Pairs"))
        self.setAccessibleDescription(
            tr(
                "One row a pair. F, C and I set the role of the selected pairs, Delete takes "
                "them out."))
        self._dress()
        for place, column in enumerate(COLUMNS):
            if column.value is not None:
                self.setItemDelegateForColumn(place, ResidualDelegate(self))
            elif column.key.startswith("role_"):
                self.setItemDelegateForColumn(place, RoleDelegate(self))
            elif column.key == "verdict":
                self.setItemDelegateForColumn(place, VerdictDelegate(self))
        self.pairs.modelAboutToBeReset.connect(self._keep_selection)
        self.pairs.modelReset.connect(self._restore_selection)
        self.pairs.refused.connect(self.refused)
        self.selectionModel().selectionChanged.connect(lambda *_: self.chosen.emit())
        self.doubleClicked.connect(self._double_clicked)

    def _dress(self) -> None:
        self.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.setSelectionMode(QAbstractItemView.SelectionMode.ExtendedSelection)
        self.setEditTriggers(QAbstractItemView.EditTrigger.SelectedClicked
                             | QAbstractItemView.EditTrigger.DoubleClicked
                             | QAbstractItemView.EditTrigger.EditKeyPressed)
        self.setAlternatingRowColors(True)
        self.setShowGrid(False)
        self.setWordWrap(False)
        self.setTabKeyNavigation(False)
        self.setHorizontalScrollMode(QAbstractItemView.ScrollMode.ScrollPerPixel)
        self.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        self.customContextMenuRequested.connect(self._open_menu)
        self.verticalHeader().hide()
        header = self.horizontalHeader()
        header.setSectionsMovable(True)
        header.setHighlightSections(False)
        header.setStretchLastSection(False)
        header.setContextMenuPolicy(Qt.ContextMenuPolicy.CustomContextMenu)
        header.customContextMenuRequested.connect(self._open_header_menu)
        kept = QgsSettings().value(HEADER_SETTING)
        self._widths_kept = kept is not None and header.restoreState(kept)
        # Each session begins in the order of pairing.
        header.setSortIndicator(-1, Qt.SortOrder.AscendingOrder)
        self.setSortingEnabled(True)
        self._set_sizes()

    def _set_sizes(self) -> None:
        """Room for what each cell usually holds, in the present font."""
        metrics = self.fontMetrics()
        self.verticalHeader().setDefaultSectionSize(metrics.height() + 14)
        if self._widths_kept:
            return
        for place, column in enumerate(COLUMNS):
            self.setColumnWidth(place, self._usual_width(place, column))

    def _usual_width(self, place: int, column: Column) -> int:
        metrics = self.fontMetrics()
        titles = column.title.replace("{h}", "mm").replace("{v}", "mm").split("\n")
        room = max(metrics.horizontalAdvance(words) for words in titles) + 8
        if column.key == "verdict":
            lines = [f"{SIDE_TITLES['horizontal']} {verdict}"
                     for verdict in (DOES_NOT_BELONG, CANNOT_TEST)]
            font = QFontMetrics(verdict_font(self.font()))
            return max(room, *(font.horizontalAdvance(line) + 2 * MARGIN + 1 for line in lines))
        if column.key in ("control", "observation"):
            widest = metrics.horizontalAdvance(WIDEST_ID)
            ids = (self.pairs.index(row, place).data() for row in range(self.pairs.rowCount()))
            known = max((metrics.horizontalAdvance(name) for name in ids), default=0)
            mark = metrics.height() + 6 if column.key == "control" else 0
            return max(room, min(known, widest) + 8 + mark)
        cell = metrics.horizontalAdvance(SAMPLES.get(column.key, "+8,888"))
        return max(room, cell + (8 if column.value is None else 2 + MARGIN))

    def changeEvent(self, event: QEvent) -> None:
        super().changeEvent(event)
        if event.type() in (QEvent.Type.FontChange, QEvent.Type.StyleChange):
            self._set_sizes()

    def keep_header(self) -> None:
        """Remember widths, order and what is hidden for the next time."""
        QgsSettings().setValue(HEADER_SETTING, self.horizontalHeader().saveState())

    # -- selection ----------------------------------------------------------------------------

    def selected_places(self) -> Tuple[int, ...]:
        """Places in the job's pairs of the selected rows, in the job's order."""
        rows = self.selectionModel().selectedRows()
        return tuple(sorted(self.filtered.mapToSource(index).row() for index in rows))

    def select_places(self, places: Iterable[int]) -> None:
        """Select rows and bring the first of them into view; filtered-out rows stay out."""
        selection = QItemSelection()
        first = None
        for place in places:
            index = self.filtered.mapFromSource(self.pairs.index(place, 0))
            if not index.isValid():
                continue
            selection.select(index, index.siblingAtColumn(len(COLUMNS) - 1))
            first = index if first is None else first
        model = self.selectionModel()
        if first is not None:
            model.setCurrentIndex(first, QItemSelectionModel.SelectionFlag.NoUpdate)
            self.scrollTo(first)
        model.select(selection, QItemSelectionModel.SelectionFlag.ClearAndSelect)

    def _keep_selection(self) -> None:
        places = self.selected_places()
        ids = [(self.pairs.index(place, 0).data(), self.pairs.index(place, 1).data())
               for place in places]
        self._kept = ids

    def _restore_selection(self) -> None:
        wanted = set(self._kept)
        self.select_places(
            place for place, pair in enumerate(self._job.state.pairs)
            if (pair.control.id, pair.observation.id) in wanted
        )
        if not self._widths_kept:
            for place in (KEYS.index("control"), KEYS.index("observation")):
                self.setColumnWidth(place, max(
                    self.columnWidth(place), self._usual_width(place, COLUMNS[place])))
        self.chosen.emit()

    # -- what can be done -----------------------------------------------------------------------

    def set_role(self, role: Role, sides: Sequence[str] = SIDES) -> None:
        """Set the role of the selected pairs."""
        places = self.selected_places()
        if places:
            errors = self._job.set_role(places, sides, role)
            if errors:
                self.refused.emit(errors)

    def take_out(self) -> None:
        """Remove the selected pairs."""
        places = self.selected_places()
        if places:
            self._job.remove_pairs(places)

    def copy(self) -> None:
        """Selected rows as a table with a header, ready for a spreadsheet; all if none are."""
        rows = sorted({index.row() for index in self.selectionModel().selectedRows()})
        rows = rows or list(range(self.filtered.rowCount()))
        header = self.horizontalHeader()
        columns = [header.logicalIndex(place) for place in range(header.count())]
        columns = [column for column in columns if not self.isColumnHidden(column)]
        settings = self._job.state.settings
        lines = [[COLUMNS[column].heading(settings).replace("\n", " ") for column in columns]]
        lines += [[_plain(self.filtered.index(row, column).data()) for column in columns]
                  for row in rows]
        QApplication.clipboard().setText("\n".join("\t".join(line) for line in lines) + "\n")

    # -- keys and menus -------------------------------------------------------------------------

    def event(self, event: QEvent) -> bool:
        # Keys that QGIS's own window also listens to belong to the table while it has the focus.
        if event.type() == QEvent.Type.ShortcutOverride and self._knows(event):
            event.accept()
            return True
        return super().event(event)

    def _knows(self, event: QKeyEvent) -> bool:
        plain = event.modifiers() in (Qt.KeyboardModifier.NoModifier,
                                      Qt.KeyboardModifier.KeypadModifier)
        return event.matches(QKeySequence.StandardKey.Copy) or (
            plain and (event.key() in ROLE_KEYS or event.key() in (
                Qt.Key.Key_Delete, Qt.Key.Key_Return, Qt.Key.Key_Enter))
        )

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = event.key()
        if not self._knows(event):
            super().keyPressEvent(event)
        elif event.matches(QKeySequence.StandardKey.Copy):
            self.copy()
        elif key in ROLE_KEYS:
            self.set_role(ROLE_KEYS[key], self._sides_under_cursor())
        elif key == Qt.Key.Key_Delete:
            self.take_out()
        else:
            self.show_asked.emit()

    def _sides_under_cursor(self) -> Sequence[str]:
        """One side when the current cell is a role of that side, else both."""
        current = self.currentIndex()
        if current.isValid() and KEYS[current.column()].startswith("role_"):
            return (COLUMNS[current.column()].side,)
        return SIDES

    def _double_clicked(self, index) -> None:
        if not KEYS[index.column()].startswith("role_"):
            self.show_asked.emit()

    def menu(self) -> QMenu:
        """What can be done with the selected pairs."""
        menu = QMenu(self)
        menu.setObjectName("sitetie_pair_menu")
        some = bool(self.selected_places())
        for title, sides in ((tr("Role, &both"), SIDES), (tr("Role, &horizontal"), ("horizontal",)),
                             (tr("Role, &vertical"), ("vertical",))):
            roles = menu.addMenu(title)
            roles.setEnabled(some)
            for role, words in ROLE_WORDS.items():
                action = roles.addAction(words)
                action.setObjectName(f"sitetie_{role.value}_{'_'.join(sides)}")
                action.triggered.connect(
                    lambda checked=False, r=role, s=sides: self.set_role(r, s))
        menu.addSeparator()
        for words, key, call, wanted in (
            (tr("&Show on the map"), "Return", self.show_asked.emit, some),
            (tr("&Copy as a table"), "Ctrl+C", self.copy, True),
            (tr("Select &all"), "Ctrl+A", self.selectAll, True),
            (tr("&Take out"), "Del", self.take_out, some),
        ):
            action = menu.addAction(f"{words}\t{key}")
            action.setEnabled(wanted)
            action.triggered.connect(lambda checked=False, c=call: c())
        return menu

    def _open_menu(self, at: QPoint) -> None:
        menu = self.menu()
        menu.exec(self.viewport().mapToGlobal(at))
        menu.deleteLater()

    def _open_header_menu(self, at: QPoint) -> None:
        header = self.horizontalHeader()
        menu = QMenu(self)
        menu.addAction(tr("In the order of pairing")).triggered.connect(
            lambda: header.setSortIndicator(-1, Qt.SortOrder.AscendingOrder))
        menu.addSeparator()
        settings = self._job.state.settings
        for place, column in enumerate(COLUMNS):
            action = menu.addAction(column.heading(settings).replace("\n", " "))
            action.setCheckable(True)
            action.setChecked(not self.isColumnHidden(place))
            action.setEnabled(place > 1)
            action.toggled.connect(lambda shown, p=place: self.setColumnHidden(p, not shown))
        menu.exec(header.mapToGlobal(at))
        menu.deleteLater()


def _plain(text: Optional[str]) -> str:
    """A cell for a spreadsheet: a hyphen for the minus, no thousands separators in numbers."""
    text = (text or "").replace("\t", " ").replace("\n", " ")
    number = text.replace("−", "-").replace(",", "")
    try:
        float(number)
    except ValueError:
        return text
    return number.lstrip("+")
