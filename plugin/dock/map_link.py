"""What connects the dock's actions and selection with the map side."""

from __future__ import annotations

from qgis.gui import QgisInterface
from qgis.PyQt.QtCore import QObject

from ..job.job import Job
from ..map.controller import MapController
from ..map.suspect_moves import SuspectMoves
from .dock import SitetieDock

#: Topic of what the pairing tool says in the dock.
PAIRING = "pairing"


class MapLink(QObject):
    """Hands the dock's wishes to the map, and the map's answers to the dock."""

    def __init__(self, job: Job, dock: SitetieDock, iface: QgisInterface) -> None:
        super().__init__(dock)
        self._dock = dock
        self.map = MapController(job, iface.mapCanvas(), iface.mainWindow())
        actions = dock.actions_
        actions.pair_on_map.triggered.connect(self._pair)
        actions.type_position.triggered.connect(lambda: self.map.type_position())
        actions.pair_by_ids.triggered.connect(lambda: self.map.pair_by_ids())
        actions.pair_by_geometry.triggered.connect(lambda: self.map.pair_by_geometry())
        actions.pair_by_nearest.triggered.connect(lambda: self.map.pair_by_nearest())
        actions.confidence_surface.triggered.connect(lambda: self.map.make_confidence_surface())
        actions.show_on_map.triggered.connect(lambda: self.map.zoom_to(dock.selected_places()))
        actions.residuals_on_map.triggered.connect(self.map.show_results)
        actions.where_next.triggered.connect(self.map.show_where_next)
        dock.pairs_chosen.connect(self.map.select)
        self.moves = SuspectMoves(job, iface.mapCanvas())
        dock.pairs.card.previewed.connect(self.moves.show)
        self.map.pairing_changed.connect(actions.pair_on_map.setChecked)
        self.map.results_changed.connect(actions.residuals_on_map.setChecked)
        self.map.where_next_changed.connect(actions.where_next.setChecked)
        self.map.computing.connect(
            lambda task: dock.status.show_progress("Looking for the next marks…", task))
        self.map.picked.connect(self._picked)
        self.map.said.connect(dock.say)
        self.map.pairing_said.connect(lambda words: dock.say(words, topic=PAIRING))
        self.map.pairing_changed.connect(self._pairing_changed)

    def _pair(self, wanted: bool) -> None:
        if wanted:
            self._dock.show_pairs()
            self.map.start_pairing()
        else:
            self.map.stop_pairing()

    def _pairing_changed(self, pairing: bool) -> None:
        if not pairing:
            self._dock.status.end(PAIRING)

    def _picked(self, place: int) -> None:
        self._dock.show_pairs()
        self._dock.select_places((place,))

    def let_go(self) -> None:
        """Undo everything on the map."""
        self._dock.pairs.card.previewed.disconnect(self.moves.show)
        self.moves.show(())
        self.map.let_go()
