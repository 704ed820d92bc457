"""The project's own icons, drawn for it."""

from __future__ import annotations

from pathlib import Path

from qgis.PyQt.QtGui import QIcon


def icon(name: str = "sitetie") -> QIcon:
    """The icon of that name in this folder."""
    return QIcon(str(Path(__file__).with_name(f"{name}.svg")))
