"""What QGIS loads: wires Sitetie into the program, and takes all of it out again."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, List, Optional

from qgis.core import QgsApplication, QgsSettings
from qgis.gui import QgisInterface
from qgis.PyQt.QtCore import QTimer
from qgis.PyQt.QtWidgets import QAction

from .icons import icon
from .processing.provider import SitetieProvider
from .translation import tr

if TYPE_CHECKING:
    from .dock.workbench import Workbench

MENU = "Sitetie"
SHORTCUT = "Ctrl+Alt+S"


class SitetiePlugin:
    """The plugin.

    Parameters
    ----------
    iface : QgisInterface or None
        None where QGIS runs without a window, as in ``qgis_process``.
    """

    def __init__(self, iface: Optional[QgisInterface]) -> None:
        self.iface = iface
        self.provider: Optional[SitetieProvider] = None
        self.actions: List[QAction] = []
        self.dock_action: Optional[QAction] = None
        self.workbench: Optional[Workbench] = None
        self.reopening: Optional[QTimer] = None

    def initProcessing(self) -> None:
        """Offer the algorithms; all that QGIS asks for when it has no window."""
        if self.provider is not None:
            return
        provider = SitetieProvider()
        if not QgsApplication.processingRegistry().addProvider(provider):
            raise RuntimeError(tr("QGIS already has algorithms called sitetie. Restart QGIS."))
        self.provider = provider

    def initGui(self) -> None:
        """Offer the dock and the algorithms."""
        self.initProcessing()
        if self.iface is None or self.provider is None:
            return
        self._offer_dock(self.iface)
        for algorithm in self.provider.algorithms():
            action = QAction(icon(), f"{algorithm.displayName()}…", self.iface.mainWindow())
            action.setObjectName(algorithm.id())
            action.triggered.connect(partial(_open_algorithm, algorithm.id()))
            self.iface.addPluginToMenu(MENU, action)
            self.actions.append(action)

    def _offer_dock(self, iface: QgisInterface) -> None:
        action = QAction(icon(), tr("Sitetie: pairs and tie"), iface.mainWindow())
        action.setObjectName("sitetie_open_dock")
        action.setToolTip(tr("Sitetie: pair control with observations, judge and accept a tie"))
        action.setCheckable(True)
        action.triggered.connect(self.open_dock)
        iface.registerMainWindowAction(action, SHORTCUT)
        iface.addPluginToMenu(MENU, action)
        iface.addToolBarIcon(action)
        self.dock_action = action
        if QgsSettings().value("sitetie/dock_open", False, type=bool):
            # As it was left; but only once QGIS has started.
            self.reopening = QTimer()
            self.reopening.setSingleShot(True)
            self.reopening.timeout.connect(self.open_dock)
            self.reopening.start(0)

    def open_dock(self, *_: object) -> None:
        """Make the dock when it is first wanted; from then on the action shows and hides it."""
        if self.workbench is None:
            from .dock.workbench import Workbench

            self.workbench = Workbench(self.iface, self.dock_action)

    def unload(self) -> None:
        """Undo all that the methods above did."""
        if self.reopening is not None:
            self.reopening.stop()
            self.reopening = None
        if self.workbench is not None:
            self.workbench.unload()
            self.workbench = None
        if self.iface is not None and self.dock_action is not None:
            self.iface.unregisterMainWindowAction(self.dock_action)
            self.iface.removeToolBarIcon(self.dock_action)
            self.actions.append(self.dock_action)
            self.dock_action = None
        for action in self.actions:
            self.iface.removePluginMenu(MENU, action)  # type: ignore[union-attr]
            action.deleteLater()
        self.actions.clear()
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None


def _open_algorithm(algorithm_id: str, checked: bool = False) -> None:
    from processing import execAlgorithmDialog

    execAlgorithmDialog(algorithm_id)
