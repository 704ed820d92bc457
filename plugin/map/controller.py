"""What the dock may ask of the map, and what the map tells the dock."""

from __future__ import annotations

from typing import Iterable, List, Optional, Sequence, Tuple

from qgis.core import QgsTask
from qgis.gui import QgsMapCanvas, QgsMapTool
from qgis.PyQt.QtCore import QObject, pyqtSignal
from qgis.PyQt.QtWidgets import QDialog, QWidget

from ...core.errors import SitetieError
from ...core.pairs import Control, Observation
from ..job.job import Job
from ..translation import tr
from .confidence_dialog import ConfidenceDialog
from .confidence_layers import ConfidenceLayers
from .connections import Connections
from .geometry_dialog import GeometryDialog
from .id_rule_dialog import IdRuleDialog
from .map_marks import Kind, MapMarks
from .nearest_dialog import NearestDialog
from .pair_finder import PairFinder
from .pairing_sketch import PairingSketch, sketched
from .pairing_tool import PairingTool
from .rendering import end_rendering
from .result_layers import ResultLayers
from .typing_dialog import TypingDialog
from .where_next import WhereNext
from .where_next_dialog import WhereNextDialog


class MapController(QObject):
    """The map side as one thing.

    The dock calls the methods and listens to the signals; everything else goes through the job.

    Signals
    -------
    pairing_changed : bool
        Whether the pairing tool is the one in use: for a button that shows it.
    said : str
        A sentence for the person.
    pairing_said : str
        What the pairing tool says, also shown on the map; it is over when pairing is.
    picked : int
        Place in the job of the pair that the person chose on the map: select its row.
    results_changed : bool
        Whether the results are on the map: for a button that shows it.
    where_next_changed : bool
        Whether the marks to look for are on the map: for a button that shows it.
    computing : QgsTask
        A task that takes a while.
    """

    pairing_changed = pyqtSignal(bool)
    said = pyqtSignal(str)
    pairing_said = pyqtSignal(str)
    picked = pyqtSignal(int)
    results_changed = pyqtSignal(bool)
    where_next_changed = pyqtSignal(bool)
    computing = pyqtSignal(QgsTask)

    def __init__(self, job: Job, canvas: QgsMapCanvas, window: Optional[QWidget] = None) -> None:
        super().__init__()
        self._job, self._canvas, self._window = job, canvas, window
        self.marks = MapMarks(job, canvas, self)
        self.tool = PairingTool(job, canvas, self.marks)
        self.results = ResultLayers(job, self)
        self.finder = PairFinder(job, canvas, self.marks, self.results, self)
        self.surfaces = ConfidenceLayers(job, self)
        self.where_next = WhereNext(job, self.marks, self.results, self)
        self._typing: Optional[TypingDialog] = None
        self._where_dialog: Optional[WhereNextDialog] = None
        self._signals = Connections()
        self._signals.make(canvas, "mapToolSet", self._tool_set)
        self._signals.make(self.tool, "said", self.pairing_said)
        self._signals.make(self.tool, "picked", self.picked)
        self._signals.make(self.surfaces, "said", self.said)
        self._signals.make(self.finder, "picked", self.picked)
        self._signals.make(self.results, "shown_changed", self.results_changed)
        self._signals.make(self.where_next, "said", self.said)
        self._signals.make(self.where_next, "computing", self.computing)
        self._signals.make(self.where_next, "shown_changed", self._where_next_shown)

    # -- pairing ------------------------------------------------------------------------------

    def start_pairing(self) -> None:
        """Take up the pairing tool; says why where nothing can be pointed at."""
        for kind in Kind:
            problem = self.marks.problem(kind)
            if problem:
                self.said.emit(problem)
                self.pairing_changed.emit(False)
                return
        self._canvas.setMapTool(self.tool)

    def stop_pairing(self) -> None:
        """Lay the pairing tool down."""
        self._canvas.unsetMapTool(self.tool)

    def type_position(self) -> None:
        """Open the form for a position from a list; it stays open beside the map."""
        if self._typing is None:
            self._typing = TypingDialog(self._job, self._canvas, self.marks, self._window)
            self._typing.said.connect(self.said)
        self._typing.show()
        self._typing.raise_()
        self._typing.activateWindow()

    def pair_by_ids(self) -> None:
        """Offer the pairs that a rule for the ids gives."""
        read = self._read_both()
        if read is not None:
            self._open(IdRuleDialog(self._job, *read, self._faults(), self._window))

    def pair_by_nearest(self) -> None:
        """Offer the pairs that lie where the tie expects them."""
        read = self._read_both()
        tie = self._job.tie
        if tie is None:
            self.said.emit(tr("Nearness needs a rough solution, and there is none yet."))
        elif read is not None:
            self._open(NearestDialog(self._job, tie, *read, self._window))

    def pair_by_geometry(self) -> None:
        """Offer the pairs that the geometry of the two layers gives, without ids."""
        read = self._read_both()
        if read is None:
            return
        sketch = PairingSketch(self._canvas)

        def show(pairs: Sequence[Tuple[Control, Observation]]) -> None:
            sketch.show_pairs(sketched(pairs, self.marks.named(Kind.CONTROL),
                                       self.marks.named(Kind.OBSERVATION)))

        self._open(GeometryDialog(self._job, *read, show, self._window))
        sketch.remove()

    def _read_both(self) -> Optional[Tuple[List[Control], List[Observation]]]:
        """All control points and observations; says why where they cannot be read."""
        try:
            return tuple(  # type: ignore[return-value]
                [mark.value for mark in self.marks.readable(kind)] for kind in Kind)
        except SitetieError as error:
            self.said.emit(str(error))
            return None

    def _faults(self) -> List[SitetieError]:
        return [fault for kind in Kind for fault in self.marks.faults(kind)]

    def _open(self, dialog: QDialog) -> bool:
        chosen = bool(dialog.exec())
        dialog.deleteLater()
        return chosen

    def _tool_set(self, new: Optional[QgsMapTool], _: Optional[QgsMapTool] = None) -> None:
        self.pairing_changed.emit(new is self.tool)

    # -- results ------------------------------------------------------------------------------

    def show_results(self, shown: bool) -> None:
        """Put the residuals on the map, or take them off it."""
        self.results.show(shown)

    def make_confidence_surface(self) -> None:
        """Ask what it is to show, and put it on the map when it is computed."""
        tie = self._job.tie
        if tie is None:
            self.said.emit(tr("There is no solution yet, so nothing can be predicted."))
            return
        try:
            dialog = ConfidenceDialog(tie, self._window)
        except SitetieError as error:
            self.said.emit(str(error))
            return
        if self._open(dialog):
            self.surfaces.make(tie, dialog.path(), dialog.cell_size(), dialog.what.currentData())

    def show_where_next(self, shown: bool) -> None:
        """Put the marks to look for on the map and say what each would bring, or take them off."""
        self.where_next.show(shown)
        if not shown:
            return
        if self._where_dialog is None:
            self._where_dialog = WhereNextDialog(self.where_next, self._window)
        self._where_dialog.show()
        self._where_dialog.raise_()

    def _where_next_shown(self, shown: bool) -> None:
        if not shown and self._where_dialog is not None:
            self._where_dialog.hide()
        self.where_next_changed.emit(shown)

    def select(self, places: Iterable[int]) -> None:
        """Show which pairs are selected."""
        self.finder.select(list(places))

    def zoom_to(self, places: Iterable[int]) -> None:
        """Zoom to pairs."""
        self.finder.zoom_to(list(places))

    def let_go(self) -> None:
        """Undo everything: tool, rings, layers, signals."""
        self._signals.undo()
        end_rendering(self._canvas)
        if self._typing is not None:
            self._typing.let_go()
            self._typing = None
        if self._where_dialog is not None:
            self._where_dialog.let_go()
            self._where_dialog = None
        self.where_next.let_go()
        self.surfaces.let_go()
        self.finder.let_go()
        self.tool.let_go()
        self.results.let_go()
        self.marks.let_go()
        self.deleteLater()
