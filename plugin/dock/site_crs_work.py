"""Puts project and layers on the site grid of an accepted tie, and says what was left behind."""

from __future__ import annotations

import os
import tempfile
from typing import Optional, Sequence

from qgis.core import QgsCoordinateReferenceSystem, QgsMapLayer, QgsProject, QgsSettings
from qgis.PyQt.QtCore import QObject, QUrl
from qgis.PyQt.QtGui import QDesktopServices
from qgis.PyQt.QtWidgets import QAction, QFileDialog, QMenu

from ...core.errors import SitetieError
from ...core.hand_over import write_hand_over
from ...core.report.hand_over_part import hand_over_blocks
from ...core.report.html import page_html
from ...core.tie import Tie
from ...core.tie_file import loads
from ...core.whole_file import write_whole_file
from ...core.wording import counted
from ..job.job import Job
from ..job.state import AcceptedTie
from ..map.connections import Connections
from ..site_crs import (
    crs_before,
    given_in_site,
    layers_on_other_ties,
    put_project_on,
    register,
    set_on_layers,
    site_name,
    take_project_back,
    tie_in_words,
    tie_of,
)
from .dock import SitetieDock
from .older_tie_bar import OlderTieBar
from .site_layers_dialog import SiteLayersDialog


class SiteCrsWork(QObject):
    """The menu "Site CRS" beside the accepted ties, and the line on older ties below it.

    The project's CRS and the layers' are the project's own: they are no steps of the job, and
    neither undo nor redo touches them.
    """

    def __init__(self, job: Job, dock: SitetieDock) -> None:
        super().__init__(dock)
        self._job, self._dock = job, dock
        self._project = QgsProject.instance()
        self.bar = OlderTieBar()
        self.bar.move_on.clicked.connect(lambda: self.move_on())
        dock.accepted.put_below_buttons(self.bar)
        self.menu = QMenu(dock.accepted)
        self.menu.setObjectName("sitetie_site_crs_menu")
        self.menu.setToolTipsVisible(True)
        self.put_on = self._action("put_project_on_site", "Project onto the site grid",
                                   "Show everything in site coordinates.", self.put_project)
        self.back = self._action("take_project_back", "Project back",
                                 "Give the project the CRS it had before.", self.take_back)
        self.menu.addSeparator()
        self.set_layers = self._action(
            "set_site_crs_on_layers", "Set on layers…",
            "For layers whose coordinates are site coordinates.", self.ask_layers)
        self.menu.addSeparator()
        self.save = self._action(
            "save_hand_over", "Save the hand-over…",
            "Write CRS, pipelines and instructions for other programs into a folder.",
            self.ask_folder)
        self.show_use = self._action(
            "show_hand_over", "How other programs take it",
            "GDAL, PROJ, PostGIS, PDAL, DuckDB: opens in the browser.", self.show_page)
        dock.accepted.site_crs.setMenu(self.menu)
        self.menu.aboutToShow.connect(self.enable)
        self._connections = Connections()
        self._connections.make(job, "changed", self.look)
        for signal in ("crsChanged", "layersAdded", "layersRemoved", "readProject", "cleared"):
            self._connections.make(self._project, signal, self.look)
        self.look()

    def _action(self, name: str, words: str, tip: str, slot) -> QAction:
        action = QAction(words, self)
        action.setObjectName(f"sitetie_{name}")
        action.setToolTip(tip)
        action.triggered.connect(lambda: slot())
        self.menu.addAction(action)
        return action

    def let_go(self) -> None:
        """Stop listening to the project."""
        self._connections.undo()

    # -- what is offered and said -----------------------------------------------------------------

    def enable(self) -> None:
        """Offer what is possible for the chosen tie."""
        self.look()
        item, there = self._dock.accepted.chosen(), tie_of(self._project.crs())
        if item is not None:
            self.put_on.setText(f"Project onto the site grid of tie {item.number}")
            self.put_on.setEnabled(there != item.tie_id[:8])
        self.back.setEnabled(there is not None)
        before = crs_before(self._project)
        self.back.setText(f"Project back to {before.userFriendlyIdentifier()}" if before.isValid()
                          else "Project back to no CRS")

    def look(self, *_: object) -> None:
        """Say what stands on an older tie than the newest."""
        newest = self._newest()
        if newest is None:
            self.bar.hide()
            return
        there = tie_of(self._project.crs())
        project = "" if there in (None, newest.tie_id[:8]) else tie_in_words(self._project.crs())
        layers = layers_on_other_ties(self._project, newest.tie_id[:8])
        self.bar.tell(newest.number, layers, project)

    def _newest(self) -> Optional[AcceptedTie]:
        accepted = self._job.state.accepted
        return accepted[-1] if accepted else None

    # -- what is done -----------------------------------------------------------------------------

    def put_project(self) -> None:
        """Put the project on the site grid of the chosen tie."""
        item = self._chosen()
        crs = self._crs(item)
        if crs is not None:
            put_project_on(self._project, crs)
            self._dock.say(f"The project stands on the site grid of tie {item.number}.")

    def take_back(self) -> None:
        """Give the project the CRS it had before."""
        take_project_back(self._project)
        crs = self._project.crs()
        self._dock.say("The project is back on " + (
            f"{crs.userFriendlyIdentifier()}." if crs.isValid() else "no CRS."))

    def ask_layers(self) -> None:
        """Ask which layers are given in site coordinates."""
        item = self._chosen()
        dialog = SiteLayersDialog(item, self._dock)
        if dialog.exec():
            self.set_on(item, dialog.layers())
        dialog.deleteLater()

    def set_on(self, item: AcceptedTie, layers: Sequence[QgsMapLayer]) -> None:
        """Give layers the CRS of a tie."""
        crs = self._crs(item)
        if crs is not None:
            set_on_layers(layers, crs)
            self.look()
            verb = "stands" if len(layers) == 1 else "stand"
            self._dock.say(f"{counted(len(layers), 'layer')} {verb} on the site grid of tie "
                           f"{item.number}.")

    def move_on(self) -> None:
        """Bring what is given in site coordinates, and the project, to the newest tie."""
        item = self._newest()
        assert item is not None  # the button is there with a newer tie alone
        crs = self._crs(item)
        if crs is None:
            return
        layers = [layer for layer in layers_on_other_ties(self._project, item.tie_id[:8])
                  if given_in_site(layer)]
        set_on_layers(layers, crs)
        if tie_of(self._project.crs()) is not None:
            put_project_on(self._project, crs)
        self.look()
        self._dock.say(f"Moved to tie {item.number}.")

    def ask_folder(self) -> None:
        """Ask for a folder, and write the hand-over of the chosen tie into it."""
        start = QgsSettings().value("sitetie/folder", "", type=str) or self._project.homePath()
        folder = QFileDialog.getExistingDirectory(self._dock, "Folder for the hand-over", start)
        if folder:
            self.write(self._chosen(), folder)

    def write(self, item: AcceptedTie, folder: str) -> None:
        """Write the hand-over of a tie."""
        try:
            crs = self._register(item)
            write_hand_over(_tie(item), folder, crs.description())
        except SitetieError as error:
            self._dock.say_error(error)
        else:
            self._dock.say(f"Saved the hand-over of tie {item.number} in {folder}.")

    def show_page(self) -> None:
        """Open the hand-over part of the report in the browser."""
        item = self._chosen()
        try:
            page = page_html(f"Hand-over of tie {item.number}", f"tie {item.tie_id[:8]}",
                             hand_over_blocks(_tie(item)))
            path = os.path.join(tempfile.gettempdir(), f"sitetie_hand_over_{item.tie_id[:8]}.html")
            write_whole_file(path, page.encode("utf-8"))
        except SitetieError as error:
            self._dock.say_error(error)
            return
        QDesktopServices.openUrl(QUrl.fromLocalFile(path))

    def _chosen(self) -> AcceptedTie:
        item = self._dock.accepted.chosen()
        assert item is not None  # the menu is there with a chosen tie alone
        return item

    def _crs(self, item: AcceptedTie) -> Optional[QgsCoordinateReferenceSystem]:
        """The CRS of a tie; None, and said why, when there is none."""
        try:
            return self._register(item)
        except SitetieError as error:
            self._dock.say_error(error)
            return None

    def _register(self, item: AcceptedTie) -> QgsCoordinateReferenceSystem:
        return register(_tie(item), item.number, site_name(self._project))


def _tie(item: AcceptedTie) -> Tie:
    return loads(item.text.encode("utf-8"))
