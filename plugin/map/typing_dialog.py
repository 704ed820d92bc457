"""A form for a position from a list: read back and shown on the map while it is typed."""

from __future__ import annotations

from typing import Dict, List, Optional, Sequence, Tuple

from qgis.core import QgsCoordinateReferenceSystem, QgsRectangle
from qgis.gui import QgsMapCanvas, QgsProjectionSelectionWidget
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtGui import QCloseEvent
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QComboBox,
    QDialog,
    QDialogButtonBox,
    QFormLayout,
    QFrame,
    QGridLayout,
    QHBoxLayout,
    QLabel,
    QLineEdit,
    QPushButton,
    QScrollArea,
    QStyle,
    QVBoxLayout,
    QWidget,
)

from ...core.errors import SitetieError
from ...core.misreadings import Place, PositionCheck, Reading, check_position
from ...core.nearby import geodetic_positions, search_radius
from ...core.numerals import parse_number
from ...core.pairs import Control, Observation
from ...core.positions import GeodeticCoordinates, format_angle
from ...core.typed_position import TypedPosition, Way
from ..dock.hint_label import HintLabel
from ..job.job import Job
from ..job.layer_source import crs_text
from ..translation import tr
from .canvas_places import on_canvas
from .connections import Connections
from .map_marks import Kind, MapMarks
from .map_ring import MapRing
from .new_pairs import add_pairs, new_pair

#: Observations of the layer that show where the site is while there are no pairs.
SOME = 200
#: Of the height of the screen, at most, for the entries.
ENTRIES_SHARE = 0.6
PLACEHOLDERS = {
    "Latitude": tr("48 47 10.388 N, 48.786219 or 48°47′10.388″"),
    "Longitude": tr("14 55 57.146 E, 14.932541 or −14.932541"),
    "X": "metres", "Y": "metres", "Z": "metres",
    "Easting": tr("in the unit of the CRS"), "Northing": tr("in the unit of the CRS"),
    "Height": tr("blank: none"),
}
LABELS = {
    "Latitude": "&Latitude", "Longitude": "L&ongitude", "X": "&X", "Y": "&Y", "Z": "&Z",
    "Easting": "&Easting", "Northing": "&Northing", "Height": tr("&Height, metres"),
}


class TypingDialog(QDialog):
    """Stays open for the next mark of a list.

    Signals
    -------
    said : str
    """

    said = pyqtSignal(str)

    def __init__(
        self, job: Job, canvas: QgsMapCanvas, marks: MapMarks, parent: Optional[QWidget] = None
    ) -> None:
        super().__init__(parent)
        self._job, self._canvas, self._marks = job, canvas, marks
        self._better: Optional[Reading] = None
        self.setObjectName("sitetie_typing")
        self.setWindowTitle(tr("Type a position"))
        self._ring = MapRing(canvas, radius=10.0)
        self._expected_ring = MapRing(canvas, radius=12.0, dashed=True)
        self.fields: Dict[str, Tuple[QLineEdit, HintLabel]] = {}
        self._build()
        self._signals = Connections()
        self._signals.make(job, "changed", self._job_changed)
        self._signals.make(marks, "changed", self._job_changed)
        self._fill_control()
        self._way_chosen()

    def let_go(self) -> None:
        """Leave map and job for good."""
        self._signals.undo()
        for ring in (self._ring, self._expected_ring):
            ring.remove()
        self.deleteLater()

    # -- the form -----------------------------------------------------------------------------

    def _build(self) -> None:
        self.control = _combo("sitetie_typing_control")
        self.control.setToolTip(tr("The control point that the position belongs to."))
        self.way = _combo("sitetie_typing_way")
        for way in Way:
            self.way.addItem(way.value[0].upper() + way.value[1:], way)
        self.crs = QgsProjectionSelectionWidget()
        self.crs.setObjectName("sitetie_typing_crs")
        self.crs.setAccessibleName(tr("CRS of the position"))
        self.packed = QCheckBox(tr("Packed degrees, minutes, seconds (DDD.MMSSsss)"))
        self.packed.setObjectName("sitetie_typing_packed")
        self.orthometric = QCheckBox(tr(
            "The height stands on the job's geoid, not on the ellipsoid"))
        self.orthometric.setObjectName("sitetie_typing_orthometric")
        self.name, self.note = QLineEdit(), QLineEdit()
        self.sigma_h, self.sigma_v = QLineEdit(), QLineEdit()
        for line, name, spoken in (
            (self.name, "name", tr("Id of the observation")), (self.note, "note", tr("Note")),
            (self.sigma_h, "sigma_h", tr("Sigma per horizontal axis, metres")),
            (self.sigma_v, "sigma_v", tr("Sigma of the height, metres")),
        ):
            line.setObjectName(f"sitetie_typing_{name}")
            line.setAccessibleName(spoken)
        for line in (self.sigma_h, self.sigma_v):
            line.setPlaceholderText(tr("blank: the default of the settings, called assumed"))
        self.note.setPlaceholderText(tr("where it comes from, such as: list of 2019"))
        top, bottom = _form(), _form()
        top.addRow(tr("&Control point"), self.control)
        top.addRow(tr("&Given as"), self.way)
        top.addRow(tr("C&RS"), self.crs)
        self.pages = {way: _FieldPage(way.names) for way in Way}
        self.pages[Way.ANGLES].add(self.packed)
        self.height_page = _FieldPage((tr("Height"),))
        self.height_page.add(self.orthometric)
        for page in (*self.pages.values(), self.height_page):
            self.fields.update(page.fields)
        for line, _ in self.fields.values():
            line.textChanged.connect(self._read)
        bottom.addRow(tr("&Id of the observation"), self.name)
        bottom.addRow(tr("Sigma hori&zontal, metres"), self.sigma_h)
        bottom.addRow(tr("Sigma &vertical, metres"), self.sigma_v)
        bottom.addRow(tr("&Note"), self.note)
        labels = [
            form.labelForField(form.itemAt(row, QFormLayout.ItemRole.FieldRole).widget())
            for form in (top, bottom) for row in range(form.rowCount())
        ]
        for page in (*self.pages.values(), self.height_page):
            labels += page.labels
        for label in labels:
            label.setMinimumWidth(max(other.sizeHint().width() for other in labels))
        self.verdict = HintLabel()
        self.verdict.setObjectName("sitetie_typing_verdict")
        self.take_reading = QPushButton()
        self.take_reading.setObjectName("sitetie_typing_take_reading")
        self.show_point = QPushButton(tr("&Show on the map"))
        for button in (self.take_reading, self.show_point):
            button.setAutoDefault(False)
        self.show_point.setObjectName("sitetie_typing_show")
        self.buttons = QDialogButtonBox(QDialogButtonBox.StandardButton.Close)
        self.pair = self.buttons.addButton(tr("&Pair"), QDialogButtonBox.ButtonRole.ApplyRole)
        self.pair.setObjectName("sitetie_typing_pair")
        hints = QHBoxLayout()
        hints.addWidget(self.take_reading)
        hints.addStretch(1)
        hints.addWidget(self.show_point)
        self.content = QWidget()
        inside = QVBoxLayout(self.content)
        inside.setContentsMargins(0, 0, 0, 0)
        inside.addLayout(top)
        for page in (*self.pages.values(), self.height_page):
            inside.addWidget(page)
        inside.addLayout(bottom)
        inside.addStretch(1)
        # On a small screen with large letters the entries are scrolled; verdict and buttons stay.
        self.scroll = QScrollArea()
        self.scroll.setWidgetResizable(True)
        self.scroll.setFrameShape(QFrame.Shape.NoFrame)
        self.scroll.setHorizontalScrollBarPolicy(Qt.ScrollBarPolicy.ScrollBarAlwaysOff)
        self.scroll.setWidget(self.content)
        layout = QVBoxLayout(self)
        layout.addWidget(self.scroll, 1)
        layout.addWidget(self.verdict)
        layout.addLayout(hints)
        layout.addWidget(self.buttons)
        self.setMinimumWidth(64 * self.fontMetrics().averageCharWidth())
        self.pair.setDefault(True)
        self._connect()

    def _connect(self) -> None:
        self.control.currentIndexChanged.connect(self._control_chosen)
        self.way.currentIndexChanged.connect(self._way_chosen)
        self.crs.crsChanged.connect(self._read)
        for box in (self.packed, self.orthometric):
            box.toggled.connect(self._read)
        for line in (self.sigma_h, self.sigma_v, self.name):
            line.textChanged.connect(self._read)
        self.take_reading.clicked.connect(self._take_reading)
        self.show_point.clicked.connect(self._show_on_map)
        self.pair.clicked.connect(self._make)
        self.buttons.rejected.connect(self.close)

    def _fill_control(self) -> None:
        """The control points that are in no pair come first; the chosen one stays chosen."""
        paired = {pair.control.id: pair.control for pair in self._job.state.pairs}
        known: Dict[str, Control] = {}
        if self._marks.layer(Kind.CONTROL) is not None:
            try:
                known = {mark.id: mark.value  # type: ignore[misc]
                         for mark in self._marks.readable(Kind.CONTROL)}
            except SitetieError as error:
                self.said.emit(str(error))
        known.update(paired)
        chosen = self.chosen_control()
        self.control.blockSignals(True)
        self.control.clear()
        for name, control in sorted(known.items(), key=lambda item: item[0] in paired):
            words = tr("{name} (in a pair)").format(name=name) if name in paired else name
            self.control.addItem(words, control)
            if chosen is not None and chosen.id == name:
                self.control.setCurrentIndex(self.control.count() - 1)
        self.control.blockSignals(False)

    # -- what stands in it --------------------------------------------------------------------

    def chosen_control(self) -> Optional[Control]:
        return self.control.currentData()

    def typed(self) -> TypedPosition:
        """What is typed, read or not."""
        way = self.way.currentData()
        crs = self.crs.crs()
        return TypedPosition(
            way, tuple(self.fields[name][0].text() for name in way.names),
            crs_text(crs) if crs.isValid() else "", self.packed.isChecked(),
            self.fields["Height"][0].text())

    def observation(self) -> Observation:
        """Raises SitetieError."""
        settings = self._job.state.settings
        return self.typed().observation(
            self.name.text(), settings, _sigma(self.sigma_h, tr("The horizontal sigma")),
            _sigma(self.sigma_v, tr("The vertical sigma")), self.note.text(),
            settings.geoid if self.orthometric.isChecked() else None)

    def _way_chosen(self, *_: object) -> None:
        chosen = self.way.currentData()
        for way, page in self.pages.items():
            page.setVisible(way is chosen)
        self.height_page.setVisible(chosen is not Way.GEOCENTRIC)
        self.orthometric.setVisible(bool(self._job.state.settings.geoid))
        if chosen is not Way.MAP:
            self.crs.setCrs(QgsCoordinateReferenceSystem(self._job.state.settings.observation_crs))
        elif not self.crs.crs().isValid() or self.crs.crs().isGeographic():
            self.crs.setCrs(QgsCoordinateReferenceSystem())
        self._control_chosen()

    def _control_chosen(self, *_: object) -> None:
        control = self.chosen_control()
        if control is not None:
            self.name.setText(self._free_name(tr("{id} typed").format(id=control.id)))
        self._read()

    def _free_name(self, wanted: str) -> str:
        taken = {pair.observation.id for pair in self._job.state.pairs}
        name, number = wanted, 2
        while name in taken:
            name, number = f"{wanted} {number}", number + 1
        return name

    # -- reading back -------------------------------------------------------------------------

    def _read(self, *_: object) -> None:
        """Echo every value, show the point, compare it with where it is expected."""
        typed = self.typed()
        names = list(typed.way.names)
        names += [] if typed.way is Way.GEOCENTRIC else [tr("Height")]
        for name, echo in zip(names, typed.echoes()):
            self.fields[name][1].say(echo.words, echo.wrong)
        position, problem = self._position(typed)
        check = self._check(typed, position) if typed.complete else PositionCheck()
        self._better = check.better
        self._show_verdict(typed, position, check, problem)
        self._show_rings(position)
        self.pair.setEnabled(position is not None and self.chosen_control() is not None)
        self._grow()

    def _grow(self) -> None:
        """Room for what is said: a dialog does not grow with its sentences by itself."""
        for page in (*self.pages.values(), self.height_page):
            page.layout().activate()
        inside = self.content.layout()
        inside.activate()
        bar = self.style().pixelMetric(QStyle.PixelMetric.PM_ScrollBarExtent)
        self.scroll.setMinimumWidth(self.content.minimumSizeHint().width() + bar)
        width = self.scroll.viewport().width()
        most = round(ENTRIES_SHARE * self.screen().availableGeometry().height())
        self.scroll.setMinimumHeight(min(inside.totalHeightForWidth(width), most))
        layout = self.layout()
        layout.activate()
        needed = layout.totalHeightForWidth(self.width())
        if needed > self.height():
            self.resize(self.width(), needed)

    def _position(self, typed: TypedPosition) -> Tuple[Optional[GeodeticCoordinates], str]:
        """The position, or why there is none; blank while it is still being typed or where a
        field says it already."""
        if not typed.complete:
            return None, ""
        if not typed.crs:
            return None, tr("Choose the CRS that the position is in.")
        if any(echo.wrong for echo in typed.echoes()):
            return None, ""
        try:
            self.observation()
            return typed.geodetic(), ""
        except SitetieError as error:
            return None, str(error)

    def _check(
        self, typed: TypedPosition, position: Optional[GeodeticCoordinates]
    ) -> PositionCheck:
        try:
            expected, tolerance = self._expected(position)
            readings = typed.readings() if typed.crs else []
        except SitetieError as error:
            return PositionCheck(str(error), far=True)
        others, name = self._others()
        here = None if position is None else (float(position.latitude), float(position.longitude))
        return check_position(here, readings, others, expected, tolerance, name)

    def _expected(
        self, position: Optional[GeodeticCoordinates]
    ) -> Tuple[Optional[Place], float]:
        """Where the tie expects the chosen control point, and how far off is ordinary, metres."""
        tie, control = self._job.tie, self.chosen_control()
        if tie is None or control is None or not control.has_position:
            return None, 0.0
        latitude, longitude, _ = tie.to_geodetic(control.easting, control.northing)
        shot = Observation(control.id, float(latitude), float(longitude))
        radius = search_radius(tie, [shot]) * tie.settings.site_length.metres
        if position is not None:
            # In the frame of the typed position the same place has other numbers.
            mine = Observation(control.id, float(position.latitude), float(position.longitude),
                               crs=position.crs)
            there, beside, _ = geodetic_positions([mine], tie)
            latitude += float(position.latitude) - float(there[0])
            longitude += float(position.longitude) - float(beside[0])
        return Place(control.id, float(latitude), float(longitude)), radius

    def _others(self) -> Tuple[List[Place], str]:
        """What shows where the site is: the pairs, else the observations of the layer."""
        pairs = self._job.state.pairs
        if pairs:
            return [Place(pair.control.id, pair.observation.latitude, pair.observation.longitude)
                    for pair in pairs], tr("the other pairs")
        if self._marks.layer(Kind.OBSERVATION) is None:
            return [], ""
        shots = [mark.value for mark in list(self._marks.named(Kind.OBSERVATION).values())[:SOME]]
        return [Place(shot.id, shot.latitude, shot.longitude)
                for shot in shots if isinstance(shot, Observation)], tr(
                    "the observations of the layer")

    def _show_verdict(
        self, typed: TypedPosition, position: Optional[GeodeticCoordinates],
        check: PositionCheck, problem: str,
    ) -> None:
        said = [problem] if problem else []
        if position is not None and typed.way is not Way.ANGLES:
            said.append(tr("This is {in_words}.").format(in_words=_in_words(position)))
        if check.sentence:
            said.append(check.sentence)
        if self.chosen_control() is None:
            said.append(tr(
                "There is no control point to pair it with: choose a control layer first."))
        self.verdict.say(" ".join(said), bool(problem) or check.far)
        self.take_reading.setVisible(check.better is not None)
        if check.better is not None:
            words = check.better.words
            words = words if words.startswith("read") else tr("take {words}").format(words=words)
            self.take_reading.setText(f"{words[0].upper()}{words[1:]}")
        self.show_point.setEnabled(position is not None)

    # -- the map ------------------------------------------------------------------------------

    def _show_rings(self, position: Optional[GeodeticCoordinates]) -> None:
        point = None
        if position is not None and self.isVisible():
            point = on_canvas(self._canvas, float(position.latitude), float(position.longitude),
                              position.crs)
        self._ring.show_at(Kind.OBSERVATION, point)
        place = None
        tie, control = self._job.tie, self.chosen_control()
        if tie is not None and control is not None and control.has_position and self.isVisible():
            latitude, longitude, _ = tie.to_geodetic(control.easting, control.northing)
            place = on_canvas(self._canvas, latitude, longitude, tie.settings.observation_crs)
        self._expected_ring.show_at(Kind.CONTROL, place)

    def _show_on_map(self) -> None:
        points = [ring.point for ring in (self._ring, self._expected_ring)
                  if ring.point is not None]
        if not points:
            return
        extent = QgsRectangle(points[0], points[-1])
        side = max(extent.width(), extent.height())
        if side > 0.0 and not all(self._canvas.extent().contains(point) for point in points):
            self._canvas.setExtent(extent.buffered(0.4 * side))
        else:
            self._canvas.setCenter(points[0])
        self._canvas.refresh()

    def showEvent(self, event) -> None:
        super().showEvent(event)
        self._fill_control()
        self._read()

    def closeEvent(self, event: QCloseEvent) -> None:
        super().closeEvent(event)
        self._hide_rings()

    def reject(self) -> None:
        super().reject()
        self._hide_rings()

    def _hide_rings(self) -> None:
        for ring in (self._ring, self._expected_ring):
            ring.show_at(Kind.CONTROL, None)

    # -- what the buttons do ------------------------------------------------------------------

    def _take_reading(self) -> None:
        if self._better is None:
            return
        typed = self.typed().read_as(self._better)
        self.packed.setChecked(typed.packed)
        for name, text in zip(typed.way.names, typed.values):
            self.fields[name][0].setText(text)

    def _make(self) -> None:
        control = self.chosen_control()
        if control is None:
            return
        try:
            pair = new_pair(control, self.observation())
            add_pairs(self._job, [pair])
        except SitetieError as error:
            self.verdict.say(str(error), alarm=True)
            return
        for line, _ in self.fields.values():
            line.clear()
        self._fill_control()
        self._next_control()
        self.verdict.say(tr(
            "Paired {name}. The form is ready for the next one.").format(name=pair.name))
        self.said.emit(tr("Paired {name}.").format(name=pair.name))
        self.fields[self.way.currentData().names[0]][0].setFocus(Qt.FocusReason.OtherFocusReason)

    def _next_control(self) -> None:
        """To the first control point that is in no pair."""
        paired = {pair.control.id for pair in self._job.state.pairs}
        for place in range(self.control.count()):
            if self.control.itemData(place).id not in paired:
                self.control.setCurrentIndex(place)
                return

    def _job_changed(self) -> None:
        if self.isVisible():
            self._fill_control()
            self._read()


class _FieldPage(QWidget):
    """Entries of one kind, each with its echo below."""

    def __init__(self, names: Sequence[str]) -> None:
        super().__init__()
        self.fields: Dict[str, Tuple[QLineEdit, HintLabel]] = {}
        self.labels: List[QLabel] = []
        # A form layout would cut off what an echo says on its third line.
        self._grid = QGridLayout(self)
        self._grid.setContentsMargins(0, 0, 0, 0)
        self._grid.setColumnStretch(1, 1)
        for name in names:
            self._add_field(name)

    def add(self, widget: QWidget) -> None:
        self._grid.addWidget(widget, self._grid.rowCount(), 1)

    def _add_field(self, name: str) -> None:
        line, echo = QLineEdit(), HintLabel()
        line.setObjectName(f"sitetie_typing_{name.lower()}")
        line.setAccessibleName(name)
        line.setPlaceholderText(PLACEHOLDERS.get(name, ""))
        echo.setObjectName(f"sitetie_typing_{name.lower()}_echo")
        label = QLabel(LABELS.get(name, name))
        label.setBuddy(line)
        self.labels.append(label)
        self.fields[name] = (line, echo)
        row = self._grid.rowCount()
        self._grid.addWidget(label, row, 0)
        self._grid.addWidget(line, row, 1)
        self._grid.addWidget(echo, row + 1, 1)


def _form() -> QFormLayout:
    form = QFormLayout()
    form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
    return form


def _combo(name: str) -> QComboBox:
    box = QComboBox()
    box.setObjectName(name)
    return box


def _sigma(line: QLineEdit, name: str) -> Optional[float]:
    return parse_number(line.text(), name) if line.text().strip() else None


def _in_words(position: GeodeticCoordinates) -> str:
    latitude, longitude = float(position.latitude), float(position.longitude)
    words = f"{format_angle(latitude, 'latitude')}, {format_angle(longitude, 'longitude')}"
    return words if position.height is None else tr(
        "{words}, height {float:.4f} m").format(words=words, float=float(position.height))
