"""What the dock may ask of the map, and what the map tells the dock."""

from __future__ import annotations

from typing import Iterable, Optional

from qgis.gui import QgsMapCanvas, QgsMapTool
from qgis.PyQt.QtCore import QObject, pyqtSignal
from qgis.PyQt.QtWidgets import QWidget

from ..job.job import Job
from .connections import Connections
from .map_marks import Kind, MapMarks
from .pair_finder import PairFinder
from .pairing_tool import PairingTool
from .result_layers import ResultLayers


class MapController(QObject):
    """The map side as one thing.

    The dock calls the methods and listens to the signals; everything else goes through the job.

    Signals
    -------
    pairing_changed : bool
        Whether the pairing tool is the one in use: for a button that shows it.
    said : str
        A sentence for the person, also shown on the map.
    picked : int
        Place in the job of the pair that the person chose on the map: select its row.
    results_changed : bool
        Whether the results are on the map: for a button that shows it.
    """

    pairing_changed = pyqtSignal(bool)
    said = pyqtSignal(str)
    picked = pyqtSignal(int)
    results_changed = pyqtSignal(bool)

    def __init__(self, job: Job, canvas: QgsMapCanvas, window: Optional[QWidget] = None) -> None:
        super().__init__()
        self._job, self._canvas, self._window = job, canvas, window
        self.marks = MapMarks(job, canvas, self)
        self.tool = PairingTool(job, canvas, self.marks)
        self.results = ResultLayers(job, self)
        self.finder = PairFinder(job, canvas, self.marks, self.results, self)
        self._earlier_tool: Optional[QgsMapTool] = None
        self._signals = Connections()
        self._signals.make(canvas.mapToolSet, self._tool_set)
        self._signals.make(self.tool.said, self.said)
        self._signals.make(self.tool.picked, self.picked)
        self._signals.make(self.finder.picked, self.picked)
        self._signals.make(self.results.shown_changed, self.results_changed)

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

    def _tool_set(self, new: Optional[QgsMapTool], _: Optional[QgsMapTool] = None) -> None:
        self.pairing_changed.emit(new is self.tool)

    # -- results ------------------------------------------------------------------------------

    def show_results(self, shown: bool) -> None:
        """Put the residuals on the map, or take them off it."""
        self.results.show(shown)

    def select(self, places: Iterable[int]) -> None:
        """Show which pairs are selected."""
        self.finder.select(list(places))

    def zoom_to(self, places: Iterable[int]) -> None:
        """Zoom to pairs."""
        self.finder.zoom_to(list(places))

    def let_go(self) -> None:
        """Undo everything: tool, rings, layers, signals."""
        self._signals.undo()
        self.finder.let_go()
        self.tool.let_go()
        self.results.let_go()
        self.marks.let_go()
        self.deleteLater()
