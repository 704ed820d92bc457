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
from qgis.PyQt.QtWidgets import QAction, QApplication, QDockWidget, QLabel, QToolBar


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


def finish(report: dict) -> None:
    """Write the report and end QGIS at once: no question about saving may hold it open."""
    Path(os.environ["SITETIE_SEEN"]).write_text(json.dumps(report, indent=1), encoding="utf-8")
    os._exit(0)


def run() -> None:
    report: dict = {"error": None, "messages": []}

    def keep(message: str, tag: str, level: int) -> None:
        if level in (Qgis.MessageLevel.Warning, Qgis.MessageLevel.Critical) and (
            "sitetie" in message.lower()
        ):
            report["messages"].append(f"{tag}: {message}")

    def stuck() -> None:
        dialog = QApplication.activeModalWidget()
        words = [label.text() for label in dialog.findChildren(QLabel)] if dialog else []
        report["error"] = f"QGIS waits for an answer: {words}; {report['messages']}"
        finish(report)

    QgsApplication.messageLog().messageReceived[str, str, Qgis.MessageLevel].connect(keep)
    QTimer.singleShot(60_000, stuck)
    try:
        look(report)
    except BaseException:  # whatever it was, the test must hear of it
        report["error"] = traceback.format_exc()
    finish(report)


QTimer.singleShot(0, run)
