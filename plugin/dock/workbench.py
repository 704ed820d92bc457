"""Everything that stands behind the dock, made when it is first opened."""

from __future__ import annotations

from qgis.core import QgsSettings
from qgis.gui import QgisInterface
from qgis.PyQt.QtCore import QObject, Qt, QTimer
from qgis.PyQt.QtWidgets import QAction, QMenu

from ..job.job import Job
from ..job.job_store import JobStore
from .dock import SitetieDock
from .file_work import FileWork
from .map_link import MapLink
from .restate_work import RestateWork
from .site_crs_work import SiteCrsWork

OPEN_SETTING = "sitetie/dock_open"


class Workbench(QObject):
    """Job, store and dock, and what connects them with QGIS.

    Parameters
    ----------
    toggle : QAction
        Opens and closes the dock from now on.
    """

    def __init__(self, iface: QgisInterface, toggle: QAction) -> None:
        super().__init__()
        self._iface = iface
        self.job = Job(self)
        self.store = JobStore(self.job, parent=self)
        self.dock = SitetieDock(self.job, iface.mainWindow())
        self.files = FileWork(self.job, self.dock)
        self.restating = RestateWork(self.dock)
        self.site_crs = SiteCrsWork(self.job, self.dock)
        self.map_link = MapLink(self.job, self.dock, iface)
        self.store.refused.connect(self.dock.say_error)
        known_place = self._place()
        self.dock.setToggleVisibilityAction(toggle)
        self.store.read()
        self.dock.setUserVisible(True)
        self.dock.visibilityChanged.connect(self._remember)
        self._remember()
        if not known_place:
            # Only after the window has laid itself out does it heed a wish.
            QTimer.singleShot(0, self._give_room)

    def _place(self) -> bool:
        """Put the dock where it was last; whether that place was known."""
        window = self._iface.mainWindow()
        if not window.restoreDockWidget(self.dock):
            self._iface.addDockWidget(Qt.DockWidgetArea.RightDockWidgetArea, self.dock)
            return False
        # Adding it as QGIS does would move it; what is left of that is its entry among the panels.
        panels = window.findChild(QMenu, "mPanelMenu")
        if panels is not None:
            panels.addAction(self.dock.toggleViewAction())
        return True

    def _give_room(self) -> None:
        """The first time: the width the dock wants."""
        self._iface.mainWindow().resizeDocks(
            [self.dock], [self.dock.sizeHint().width()], Qt.Orientation.Horizontal)

    def _remember(self, *_: object) -> None:
        # Hidden behind another tab is not closed.
        QgsSettings().setValue(OPEN_SETTING, not self.dock.isHidden())

    def unload(self) -> None:
        """Undo all of it; the job stays with the project."""
        self.dock.visibilityChanged.disconnect(self._remember)
        self.map_link.let_go()
        self.restating.let_go()
        self.site_crs.let_go()
        self.store.write()
        self.store.let_go()
        self.dock.let_go()
        self._iface.removeDockWidget(self.dock)
        self.dock.deleteLater()
        self.deleteLater()
