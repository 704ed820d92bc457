"""Signals that were connected, so that they can all be let go again."""

from __future__ import annotations

from typing import Callable, List, Tuple

from qgis.PyQt import sip
from qgis.PyQt.QtCore import QObject


class Connections:
    """Connects signals to slots and remembers them."""

    def __init__(self) -> None:
        self._made: List[Tuple[QObject, str, Callable]] = []

    def make(self, sender: QObject, signal: str, slot: Callable) -> None:
        """Connect the signal of that name."""
        getattr(sender, signal).connect(slot)
        self._made.append((sender, signal, slot))

    def undo(self) -> None:
        """Disconnect everything. What Qt has deleted meanwhile is gone by itself, and touching
        its signals would crash."""
        while self._made:
            sender, signal, slot = self._made.pop()
            if not sip.isdeleted(sender):
                getattr(sender, signal).disconnect(slot)
