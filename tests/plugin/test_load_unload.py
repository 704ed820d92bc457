"""The plugin comes and goes without a trace."""

from __future__ import annotations

import subprocess
import sys
from typing import Iterator, List

import pytest
from qgis.core import QgsApplication, QgsProcessingAlgorithm
from qgis.gui import QgsMapCanvas
from qgis.PyQt.QtCore import Qt
from qgis.PyQt.QtWidgets import QAction, QDockWidget, QMainWindow

from sitetie import classFactory
from sitetie.plugin.processing import provider as provider_module


class Window:
    """As much of QGIS's interface as the plugin uses; anything else it called would fail here."""

    def __init__(self) -> None:
        self.window = QMainWindow()
        self.canvas = QgsMapCanvas(self.window)
        self.window.setCentralWidget(self.canvas)
        self.menu: List[QAction] = []
        self.toolbar: List[QAction] = []
        self.shortcuts: List[QAction] = []

    def mainWindow(self) -> QMainWindow:
        return self.window

    def mapCanvas(self) -> QgsMapCanvas:
        return self.canvas

    def addPluginToMenu(self, name: str, action: QAction) -> None:
        assert name == "Sitetie"
        self.menu.append(action)

    def registerMainWindowAction(self, action: QAction, shortcut: str) -> bool:
        self.shortcuts.append(action)
        return True

    def unregisterMainWindowAction(self, action: QAction) -> bool:
        self.shortcuts.remove(action)
        return True

    def addToolBarIcon(self, action: QAction) -> int:
        self.toolbar.append(action)
        return 0

    def removeToolBarIcon(self, action: QAction) -> None:
        self.toolbar.remove(action)

    def addDockWidget(self, area: Qt.DockWidgetArea, dock: QDockWidget) -> None:
        self.window.addDockWidget(area, dock)

    def removeDockWidget(self, dock: QDockWidget) -> None:
        self.window.removeDockWidget(dock)

    def removePluginMenu(self, name: str, action: QAction) -> None:
        assert name == "Sitetie"
        self.menu.remove(action)


class Example(QgsProcessingAlgorithm):
    """The least that is an algorithm."""

    def createInstance(self) -> QgsProcessingAlgorithm:
        return Example()

    def name(self) -> str:
        return "example"

    def displayName(self) -> str:
        return "Example"

    def initAlgorithm(self, configuration: object = None) -> None:
        pass


@pytest.fixture(autouse=True)
def _no_provider_is_left() -> Iterator[None]:
    assert provider() is None
    yield
    assert provider() is None


@pytest.fixture
def one_algorithm(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(provider_module, "algorithm_classes", lambda: (Example,))


def provider() -> object:
    return QgsApplication.processingRegistry().providerById("sitetie")


@pytest.mark.usefixtures("one_algorithm")
def test_loads_and_unloads_again_and_again() -> None:
    iface = Window()
    for _ in range(3):
        plugin = classFactory(iface)
        plugin.initGui()
        assert provider() is not None
        assert [action.text() for action in iface.menu] == ["Sitetie: pairs and tie", "Example…"]
        assert not any(action.icon().isNull() for action in iface.menu)
        assert iface.toolbar == iface.shortcuts == iface.menu[:1]
        plugin.unload()
        assert iface.menu == iface.toolbar == iface.shortcuts == []
        assert provider() is None


@pytest.mark.usefixtures("one_algorithm")
def test_without_a_window_it_offers_the_algorithms_alone() -> None:
    plugin = classFactory(None)
    plugin.initProcessing()
    plugin.initGui()
    assert [found.id() for found in provider().algorithms()] == ["sitetie:example"]
    assert plugin.actions == []
    plugin.unload()


def test_unload_before_anything_was_begun() -> None:
    classFactory(None).unload()


def test_loading_imports_no_heavy_package() -> None:
    """QGIS's start must not wait for the core: that comes in when an algorithm runs or the dock
    is opened."""
    script = (
        "import sys\n"
        "from unittest.mock import MagicMock\n"
        "from qgis.core import QgsApplication\n"
        "from qgis.gui import QgisInterface\n"
        "from qgis.PyQt.QtWidgets import QMainWindow\n"
        "app = QgsApplication([], True); app.initQgis()\n"
        "iface = MagicMock(); iface.mainWindow.return_value = QMainWindow()\n"
        "before = set(sys.modules)\n"
        "import sitetie\n"
        "plugin = sitetie.classFactory(iface); plugin.initGui()\n"
        "new = set(sys.modules) - before\n"
        "heavy = {'numpy', 'scipy', 'pyproj', 'jinja2'} & new\n"
        "print(sorted(heavy | {name for name in new if '.core' in name or '.dock' in name}))\n"
        "plugin.unload(); app.exitQgis()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_second_one_is_refused_and_leaves_the_first() -> None:
    first, second = classFactory(None), classFactory(None)
    first.initProcessing()
    with pytest.raises(RuntimeError, match="already"):
        second.initProcessing()
    second.unload()
    assert provider() is not None
    first.unload()
