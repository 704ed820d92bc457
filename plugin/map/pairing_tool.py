"""The map tool that makes pairs: point at a control point and an observation, in either order."""

from __future__ import annotations

import enum
from typing import List, Optional

from qgis.core import QgsPointXY, QgsWkbTypes
from qgis.gui import QgsMapCanvas, QgsMapMouseEvent, QgsMapTool, QgsRubberBand
from qgis.PyQt.QtCore import QPoint, Qt, pyqtSignal
from qgis.PyQt.QtGui import QColor, QKeyEvent

from ...core.errors import SitetieError
from ..job.job import Job
from ..translation import tr
from . import pairing_words as words
from .floating_label import FloatingLabel
from .map_distance import MapDistance
from .map_marks import Kind, MapMark, MapMarks, Partner
from .map_ring import MapRing
from .new_pairs import add_pairs, new_pair

#: How near the cursor must be, pixels.
REACH = 12.0
#: Differences of distance that do not count, as a share of the reach: repeated shots come by id.
SAME_PLACE = 0.25
LINE, RIM = QColor("#1b2a33"), QColor(255, 255, 255, 200)


class Step(enum.Enum):
    """Where the tool stands."""

    OFF = "off"
    FIRST = tr("nothing is chosen")
    SECOND = tr("one mark is chosen, its partner is wanted")


class PairingTool(QgsMapTool):
    """Chooses a mark, then its partner, and adds the pair to the job.

    Signals
    -------
    said : str
        What the label on the map says to a click.
    picked : int
        Place of a pair in the job whose observation was clicked.
    """

    said = pyqtSignal(str)
    picked = pyqtSignal(int)

    def __init__(self, job: Job, canvas: QgsMapCanvas, marks: MapMarks) -> None:
        super().__init__(canvas)
        self._job, self._canvas, self._marks = job, canvas, marks
        self._distance = MapDistance(job, canvas, marks)
        self.step = Step.OFF
        self._first: Optional[MapMark] = None
        self._partner: Optional[Partner] = None
        self._choices: List[MapMark] = []
        self._place = 0
        self._cursor = QPoint()
        self._line = self._band(Qt.PenStyle.SolidLine)
        self._proposal_line = self._band(Qt.PenStyle.DashLine)
        self._hover_ring = MapRing(canvas)
        self._first_ring = MapRing(canvas, radius=11.0)
        self._proposal_ring = MapRing(canvas, radius=14.0, dashed=True)
        self.label = FloatingLabel(canvas)
        self.setCursor(Qt.CursorShape.CrossCursor)
        marks.changed.connect(self._marks_changed)
        job.changed.connect(self._job_changed)

    def _band(self, style: Qt.PenStyle) -> QgsRubberBand:
        band = QgsRubberBand(self._canvas, QgsWkbTypes.GeometryType.LineGeometry)
        band.setColor(LINE)
        band.setSecondaryStrokeColor(RIM)
        band.setWidth(2)
        band.setLineStyle(style)
        return band

    def let_go(self) -> None:
        """Leave the canvas for good."""
        self._marks.changed.disconnect(self._marks_changed)
        self._job.changed.disconnect(self._job_changed)
        self._canvas.unsetMapTool(self)
        for ring in (self._hover_ring, self._first_ring, self._proposal_ring):
            ring.remove()
        for band in (self._line, self._proposal_line):
            self._canvas.scene().removeItem(band)
        self.label.setParent(None)
        self.label.deleteLater()

    # -- transitions: one method each ---------------------------------------------------------

    def activate(self) -> None:
        super().activate()
        self._begin()
        self.said.emit(words.START)

    def deactivate(self) -> None:
        """Off: nothing of the tool stays on the map."""
        self._begin()
        self.step = Step.OFF
        self.label.say("", self._cursor)
        super().deactivate()

    def _begin(self) -> None:
        """To the first step, nothing chosen."""
        self.step = Step.FIRST
        self._first, self._partner = None, None
        self._choices, self._place = [], 0
        self._draw()

    def _choose(self, mark: MapMark) -> None:
        """From the first step to the second."""
        self.step = Step.SECOND
        self._first = mark
        self._choices, self._place = [], 0
        self._propose()
        self._draw()
        self.label.say(self._standing_words(), self._cursor)
        # The dock's message stays as it is while the cursor moves on: no distance in it.
        unit = self._job.state.settings.site_length
        self.said.emit(words.chosen(mark, self._partner, "", unit))

    def _pair(self, second: MapMark) -> None:
        """From the second step to a pair, and back to the first."""
        assert self._first is not None
        control, observation = words.in_order(self._first, second)
        pair = new_pair(control.value, observation.value)  # type: ignore[arg-type]
        away = "" if self._job.tie is None else self._distance.between(control, observation)
        try:
            add_pairs(self._job, [pair])
        except SitetieError as error:
            self._say(str(error))
            return
        self._begin()
        self._say(words.paired(pair, away))

    def _step_back(self) -> None:
        """Esc: from the second step to the first, from the first out of the tool."""
        if self.step is Step.SECOND:
            self._begin()
            self._say(words.START)
        else:
            self._canvas.unsetMapTool(self)

    # -- what the person does -----------------------------------------------------------------

    def canvasMoveEvent(self, event: QgsMapMouseEvent) -> None:
        self._look(event.pos())
        self._draw()
        self.label.say(self._hover_words(), self._cursor)

    def canvasReleaseEvent(self, event: QgsMapMouseEvent) -> None:
        if self.step is Step.OFF:
            return
        if event.button() == Qt.MouseButton.RightButton:
            self._step_back()
        elif event.button() == Qt.MouseButton.LeftButton:
            self._look(event.pos())
            self._click()

    def keyPressEvent(self, event: QKeyEvent) -> None:
        key = event.key()
        if key == Qt.Key.Key_Escape:
            self._step_back()
        elif key in (Qt.Key.Key_Return, Qt.Key.Key_Enter) and self._first and self._partner:
            self._pair(self._partner.mark)
        elif key == Qt.Key.Key_N and len(self._choices) > 1:
            self._place = (self._place + 1) % len(self._choices)
            self._propose()
            self._draw()
            self.label.say(self._hover_words(), self._cursor)
        else:
            event.ignore()
            return
        event.accept()

    def _click(self) -> None:
        problem = self._problem()
        mark = self._hovered()
        if problem:
            self._say(problem)
        elif mark is None:
            self._click_beside()
        elif mark.value is None:
            self._say(str(self._marks.fault(mark)))
        elif self._is_taken(mark):
            self._say(words.observation_taken(mark, self._job.state.pairs))
            self._show_row(mark)
        elif self.step is Step.FIRST:
            self._choose(mark)
        else:
            self._pair(mark)

    def _click_beside(self) -> None:
        """A click that met nothing that was wanted."""
        if self._first is None:
            self._say(words.nothing_here(None))
            return
        same = self._marks.near(self._first.kind, self._map_point(), self._tolerance())
        again = any(mark.feature_id == self._first.feature_id for mark in same)
        if again and self._partner is not None:
            self._pair(self._partner.mark)
        elif same:
            self._say(words.same_kind(self._first, self._first if again else same[0]))
        else:
            self._say(words.nothing_here(self._first.kind.other))

    def _show_row(self, mark: MapMark) -> None:
        for place, pair in enumerate(self._job.state.pairs):
            if pair.observation.id == mark.id:
                self.picked.emit(place)
                return

    # -- what is under the cursor -------------------------------------------------------------

    def _look(self, position: QPoint) -> None:
        """Find the marks under the cursor: what can be paired before what is, then the nearest."""
        self._cursor = QPoint(position)
        kinds = [Kind.CONTROL, Kind.OBSERVATION]
        if self._first is not None:
            kinds = [self._first.kind.other]
        point, tolerance = self._map_point(), self._tolerance()
        found = [mark for kind in kinds for mark in self._marks.near(kind, point, tolerance)]
        pairs = self._job.state.pairs

        def rank(mark: MapMark):
            assert mark.point is not None  # `near` finds by point
            away = round(mark.point.distance(point) / (SAME_PLACE * tolerance))
            return bool(words.pairs_of(mark, pairs)), away, mark.id

        found.sort(key=rank)
        if [_same(mark) for mark in found] != [_same(mark) for mark in self._choices]:
            self._place = 0
        self._choices = found
        self._propose()

    def _propose(self) -> None:
        """Whom the tie expects beside the chosen mark, else beside the one under the cursor."""
        mark = self._first or self._hovered()
        if mark is None or self._is_taken(mark):
            self._partner = None
        else:
            self._partner = self._marks.partner(mark)

    def _is_taken(self, mark: MapMark) -> bool:
        """Whether a mark can be in no further pair: control can, an observation cannot."""
        pairs = self._job.state.pairs
        return mark.kind is Kind.OBSERVATION and bool(words.pairs_of(mark, pairs))

    def _hovered(self) -> Optional[MapMark]:
        return self._choices[self._place] if self._choices else None

    def _map_point(self) -> QgsPointXY:
        return self.toMapCoordinates(self._cursor)

    def _tolerance(self) -> float:
        return REACH * self._canvas.mapUnitsPerPixel()

    def _problem(self) -> str:
        """Why there is nothing to point at; blank when there is."""
        wanted = [Kind.CONTROL, Kind.OBSERVATION]
        if self._first is not None:
            wanted = [self._first.kind.other]
        for kind in wanted:
            problem = self._marks.problem(kind)
            if problem:
                return problem
        return ""

    # -- what is shown ------------------------------------------------------------------------

    def _hover_words(self) -> str:
        mark = self._hovered()
        unit = self._job.state.settings.site_length
        pairs = self._job.state.pairs
        if mark is None:
            return self._standing_words()
        if mark.value is None:
            return str(self._marks.fault(mark))
        if self._first is None or self._is_taken(mark):
            partner = None if self._is_taken(mark) else self._partner
            return words.hovered(mark, partner, pairs, unit, len(self._choices), self._place)
        return words.offered(self._first, mark, self._distance.between(self._first, mark),
                             len(self._choices), self._place)

    def _standing_words(self) -> str:
        if self._first is None:
            return ""
        away = self._distance.to_cursor(self._first, self._map_point())
        return words.chosen(self._first, self._partner, away,
                            self._job.state.settings.site_length)

    def _say(self, sentence: str) -> None:
        self.label.say(sentence, self._cursor)
        self.said.emit(sentence)

    def _draw(self) -> None:
        """Rings and lines as the state has them."""
        first, hovered = self._first, self._hovered()
        self._show_ring(self._first_ring, first)
        self._show_ring(self._hover_ring, hovered)
        target = None
        if first is not None and first.point is not None:
            target = self._map_point() if hovered is None else hovered.point
        self._show_line(self._line, None if first is None else first.point, target)
        start = first or hovered
        proposed = None if self._partner is None else self._partner.mark
        self._show_ring(self._proposal_ring, proposed)
        self._show_line(self._proposal_line, None if start is None else start.point,
                        None if proposed is None else proposed.point)

    @staticmethod
    def _show_ring(ring: MapRing, mark: Optional[MapMark]) -> None:
        ring.show_at(Kind.CONTROL if mark is None else mark.kind,
                     None if mark is None else mark.point)

    @staticmethod
    def _show_line(
        band: QgsRubberBand, start: Optional[QgsPointXY], end: Optional[QgsPointXY]
    ) -> None:
        band.reset(QgsWkbTypes.GeometryType.LineGeometry)
        if start is not None and end is not None:
            band.addPoint(start, False)
            band.addPoint(end, True)
            band.show()

    # -- what others do meanwhile -------------------------------------------------------------

    def _marks_changed(self) -> None:
        """A layer was removed or edited: what was chosen may be gone."""
        if self.step is Step.OFF:
            return
        chosen = self._first is not None
        self._begin()
        self.label.say("", self._cursor)
        if chosen:
            self._say(tr("The layer has changed; choose the mark again."))

    def _job_changed(self) -> None:
        if self.step is Step.OFF:
            return
        self._propose()
        self._draw()


def _same(mark: MapMark):
    return mark.kind, mark.feature_id
