"""Where to go next, in words: the ranking with what each mark would bring, and the walk."""

from __future__ import annotations

from typing import Callable, List, Optional

from qgis.core import QgsProject, QgsVectorLayer, QgsWkbTypes
from qgis.PyQt.QtCore import pyqtSignal
from qgis.PyQt.QtWidgets import (
    QAbstractItemView,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFileDialog,
    QFormLayout,
    QHeaderView,
    QTableWidget,
    QTableWidgetItem,
    QVBoxLayout,
    QWidget,
)

from ...core.errors import SitetieError
from ...core.reliability import marks_words
from ...core.seek_files import seek_csv, seek_gpx
from ...core.units import METRE
from ...core.whole_file import write_whole_file
from ...core.wording import length_words
from ..dock.hint_label import HintLabel
from .connections import Connections
from .memory_layer import ROLE_PROPERTY
from .where_next import BEST_KNOWN, LAST_PAIR, WhereNext
from .where_next_rows import WhereNextFound

COLUMNS = ("Next", "Mark", "Look within", "Walk", "Position", "Elevation", "Could hide")
TIPS = (
    "Rank by what it would bring", "Control point not observed yet",
    "Radius in which GNSS will see it", "Place in the walk",
    "Worst uncertainty of a position over the work area afterwards",
    "Worst uncertainty of an elevation over the work area afterwards",
    "Where a blunder could still stay hidden afterwards",
)
NOTHING = "There is no solution yet, so nothing can be predicted."
COMPUTING = "Computing…"
_AREAS = (QgsWkbTypes.GeometryType.LineGeometry, QgsWkbTypes.GeometryType.PolygonGeometry)


class WhereNextDialog(QDialog):
    """Stays open beside the map and follows the job."""

    said = pyqtSignal(str)

    def __init__(self, where: WhereNext, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._where = where
        self.setObjectName("sitetie_where_next")
        self.setWindowTitle("Where next")
        self.now = HintLabel()
        self.now.setObjectName("sitetie_where_next_now")
        self.detail = HintLabel()
        self.detail.setObjectName("sitetie_where_next_detail")
        self.walk = HintLabel()
        self.walk.setObjectName("sitetie_where_next_walk")
        self._build_choices()
        self._build_table()
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        self.save_gpx = self._button("Save as &GPX…", "sitetie_save_gpx", self._save_gpx)
        self.save_csv = self._button("Save as CS&V…", "sitetie_save_csv", self._save_csv)
        self.buttons.rejected.connect(self.reject)
        form = QFormLayout()
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.ExpandingFieldsGrow)
        form.addRow("Work &area", self.area)
        form.addRow("&Walk from", self.begin)
        layout = QVBoxLayout(self)
        layout.addLayout(form)
        layout.addWidget(self.now)
        layout.addWidget(self.table, 1)
        layout.addWidget(self.detail)
        layout.addWidget(self.walk)
        layout.addWidget(self.buttons)
        text = self.fontMetrics().averageCharWidth()
        self.resize(90 * text, 70 * text)
        self._signals = Connections()
        self._signals.make(where, "found_changed", self._show)
        self._signals.make(QgsProject.instance(), "layersAdded", self._offer_areas)
        self._signals.make(QgsProject.instance(), "layersRemoved", self._offer_areas)
        self._offer_areas()
        self._show()

    def let_go(self) -> None:
        self._signals.undo()
        self.deleteLater()

    # -- the form -----------------------------------------------------------------------------

    def _build_choices(self) -> None:
        self.area = QComboBox()
        self.area.setObjectName("sitetie_where_next_area")
        self.area.setToolTip("What the ranking is about: the whole site, or the polygons or lines "
                             "of a layer, such as a haul road.")
        self.begin = QComboBox()
        self.begin.setObjectName("sitetie_where_next_begin")
        self.begin.addItem("the mark paired last", LAST_PAIR)
        self.begin.addItem("the mark that is known best", BEST_KNOWN)
        self.area.activated.connect(self._chosen)
        self.begin.activated.connect(self._chosen)

    def _build_table(self) -> None:
        self.table = QTableWidget(0, len(COLUMNS))
        self.table.setObjectName("sitetie_where_next_table")
        self.table.setHorizontalHeaderLabels(COLUMNS)
        self.table.verticalHeader().hide()
        self.table.verticalHeader().setDefaultSectionSize(int(1.5 * self.fontMetrics().height()))
        self.table.setWordWrap(False)
        self.table.setEditTriggers(QAbstractItemView.EditTrigger.NoEditTriggers)
        self.table.setSelectionBehavior(QAbstractItemView.SelectionBehavior.SelectRows)
        self.table.horizontalHeader().setSectionResizeMode(
            QHeaderView.ResizeMode.ResizeToContents)
        for column, tip in enumerate(TIPS):
            self.table.horizontalHeaderItem(column).setToolTip(tip)
        self.table.itemSelectionChanged.connect(self._selected)

    def _button(self, words: str, name: str, slot: Callable[[], None]):
        button = self.buttons.addButton(words, QDialogButtonBox.ButtonRole.ActionRole)
        button.setObjectName(name)
        button.clicked.connect(lambda *_: slot())
        return button

    def _offer_areas(self, *_: object) -> None:
        """The whole site, and every layer of lines or polygons."""
        self.area.clear()
        self.area.addItem("the whole site", "")
        for layer in QgsProject.instance().mapLayers().values():
            if isinstance(layer, QgsVectorLayer) and layer.isValid() and layer.isSpatial() and (
                not layer.customProperty(ROLE_PROPERTY)
            ) and QgsWkbTypes.geometryType(layer.wkbType()) in _AREAS:
                self.area.addItem(layer.name(), layer.id())
        self.area.setCurrentIndex(max(0, self.area.findData(self._where.area_layer)))
        self.begin.setCurrentIndex(max(0, self.begin.findData(self._where.walk_from)))

    def _chosen(self, *_: object) -> None:
        self._where.choose(self.begin.currentData(), self.area.currentData())
        if self._where.busy:
            self.now.say(COMPUTING)

    # -- what was found -----------------------------------------------------------------------

    def _show(self) -> None:
        found = self._where.found
        self.save_gpx.setEnabled(found is not None and bool(found.seek.points))
        self.save_csv.setEnabled(self.save_gpx.isEnabled())
        if found is None:
            self.now.say(COMPUTING if self._where.busy else NOTHING)
            self.walk.say("")
            self.detail.say("")
            self.table.setRowCount(0)
            return
        self.now.say(f"Now: {found.ranked.now_words()}")
        self.walk.say(found.seek.words())
        self._fill(found)

    def _fill(self, found: WhereNextFound) -> None:
        points = {point.control.id: point for point in found.seek.points}
        self.table.setRowCount(len(found.ranked.marks))
        for row, mark in enumerate(found.ranked.marks):
            point = points[mark.control.id]
            worst = [
                length_words(mark.uncertainty[side].worst, found.ranked.units[side])
                if side in mark.uncertainty else "–" for side in ("horizontal", "vertical")]
            cells: List[str] = [
                str(mark.rank), mark.control.id, length_words(point.radius, METRE),
                f"no. {point.order}", *worst, marks_words(mark.hidden) or "none",
            ]
            for column, words in enumerate(cells):
                item = QTableWidgetItem(words)
                item.setToolTip(found.ranked.words(mark))
                self.table.setItem(row, column, item)
        self._say_of(0)

    def _say_of(self, row: int) -> None:
        """What the mark of a row would bring, and where to look for it."""
        found = self._where.found
        if found is None or not 0 <= row < len(found.ranked.marks):
            self.detail.say("")
            return
        mark = found.ranked.marks[row]
        point = next(p for p in found.seek.points if p.control.id == mark.control.id)
        self.detail.say(f"{found.ranked.words(mark)} {point.words(found.seek.level)}")

    def _selected(self) -> None:
        rows = sorted({index.row() for index in self.table.selectedIndexes()})
        self._where.select([self.table.item(row, 1).text() for row in rows])
        self._say_of(rows[0] if rows else 0)

    # -- files --------------------------------------------------------------------------------

    def _save_gpx(self) -> None:
        self._save("GPX (*.gpx)", ".gpx", lambda found: seek_gpx(found.seek, found.tie))

    def _save_csv(self) -> None:
        self._save("CSV (*.csv)", ".csv", lambda found: seek_csv(found.seek))

    def _save(self, kind: str, ending: str, content: Callable[[WhereNextFound], bytes]) -> None:
        found = self._where.found
        if found is None:
            return
        path, _ = QFileDialog.getSaveFileName(self, "Save the seek list", "", kind)
        if not path:
            return
        path = path if path.lower().endswith(ending) else path + ending
        try:
            write_whole_file(path, content(found))
        except SitetieError as error:
            self.walk.say(str(error), alarm=True)
            return
        self.walk.say(f"{found.seek.words()} Saved as {path}.")

