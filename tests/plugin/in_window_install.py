"""Runs inside a QGIS window (see test_zip_install.py): installs the zip and writes what happens."""

from __future__ import annotations

import json
import os
import sys
import traceback
from pathlib import Path

import pyplugin_installer
import qgis.utils
from qgis.core import Qgis, QgsApplication
from qgis.PyQt.QtCore import QTimer
from qgis.PyQt.QtWidgets import QAction, QDockWidget, QToolBar


def state() -> dict:
    """Whether the plugin is loaded, and everything of it that the window shows."""
    QgsApplication.processEvents()
    QgsApplication.sendPostedEvents(None, 52)  # QEvent::DeferredDelete
    window = qgis.utils.iface.mainWindow()
    things = [
        thing for kind in (QAction, QDockWidget, QToolBar) for thing in window.findChildren(kind)
    ]
    return {
        "loaded": qgis.utils.isPluginLoaded("sitetie"),
        "provider": QgsApplication.processingRegistry().providerById("sitetie") is not None,
        "traces": sorted(
            f"{type(thing).__name__} {thing.objectName()}"
            for thing in things
            if "sitetie" in thing.objectName().lower()
        ),
    }


def look(report: dict) -> None:
    report["before"] = state()
    pyplugin_installer.instance().installFromZipFile(os.environ["SITETIE_ZIP"])
    report["installed"] = state()
    report["imported_from"] = sys.modules["sitetie"].__file__
    report["version"] = qgis.utils.pluginMetadata("sitetie", "version")
    assert qgis.utils.reloadPlugin("sitetie")
    report["reloaded"] = state()
    assert qgis.utils.unloadPlugin("sitetie")
    report["unloaded"] = state()
    assert qgis.utils.loadPlugin("sitetie")
    assert qgis.utils.startPlugin("sitetie")
    report["loaded again"] = state()
    assert qgis.utils.unloadPlugin("sitetie")


def run() -> None:
    report: dict = {"error": None, "messages": []}

    def keep(message: str, tag: str, level: int) -> None:
        if level in (Qgis.MessageLevel.Warning, Qgis.MessageLevel.Critical) and (
            "sitetie" in message.lower()
        ):
            report["messages"].append(f"{tag}: {message}")

    QgsApplication.messageLog().messageReceived[str, str, Qgis.MessageLevel].connect(keep)
    try:
        look(report)
    except BaseException:  # whatever it was, the test must hear of it
        report["error"] = traceback.format_exc()
    Path(os.environ["SITETIE_SEEN"]).write_text(json.dumps(report, indent=1), encoding="utf-8")
    QgsApplication.processEvents()
    os._exit(0)  # a question about saving or a first-run page must not hold the window open


QTimer.singleShot(0, run)
