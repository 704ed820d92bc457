"""Signals that were connected, so that they can all be let go again."""

from __future__ import annotations

from typing import Callable, List, Tuple


class Connections:
    """Connects signals to slots and remembers them."""

    def __init__(self) -> None:
        self._made: List[Tuple[object, Callable]] = []

    def make(self, signal, slot: Callable) -> None:
        signal.connect(slot)
        self._made.append((signal, slot))

    def undo(self) -> None:
        """Disconnect everything; what is deleted already is gone by itself."""
        while self._made:
            signal, slot = self._made.pop()
            try:
                signal.disconnect(slot)  # type: ignore[attr-defined]
            except (TypeError, RuntimeError):
                pass
