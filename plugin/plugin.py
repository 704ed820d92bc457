"""What QGIS loads: wires Sitetie into the program, and takes all of it out again."""

from __future__ import annotations

from functools import partial
from typing import List, Optional

from qgis.core import QgsApplication
from qgis.gui import QgisInterface
from qgis.PyQt.QtWidgets import QAction

from .icons import icon
from .processing.provider import SitetieProvider

MENU = "Sitetie"


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

    def initProcessing(self) -> None:
        """Offer the algorithms; all that QGIS asks for when it has no window."""
        if self.provider is not None:
            return
        provider = SitetieProvider()
        if not QgsApplication.processingRegistry().addProvider(provider):
            raise RuntimeError("QGIS already has algorithms called sitetie. Restart QGIS.")
        self.provider = provider

    def initGui(self) -> None:
        """Offer the algorithms, and a menu that opens them."""
        self.initProcessing()
        if self.iface is None or self.provider is None:
            return
        for algorithm in self.provider.algorithms():
            action = QAction(icon(), f"{algorithm.displayName()}…", self.iface.mainWindow())
            action.setObjectName(algorithm.id())
            action.triggered.connect(partial(_open_algorithm, algorithm.id()))
            self.iface.addPluginToMenu(MENU, action)
            self.actions.append(action)

    def unload(self) -> None:
        """Undo all that the two methods above did."""
        for action in self.actions:
            self.iface.removePluginMenu(MENU, action)
            action.deleteLater()
        self.actions.clear()
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None


def _open_algorithm(algorithm_id: str, checked: bool = False) -> None:
    from processing import execAlgorithmDialog

    execAlgorithmDialog(algorithm_id)
