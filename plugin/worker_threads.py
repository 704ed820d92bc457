"""Python in QGIS's worker threads."""

from __future__ import annotations

import ctypes
import threading

_kept = threading.local()


def keep_thread_state() -> None:
    """Keep Python's state of this worker thread from one task to the next.

    QGIS lends its pooled threads to Python for one task at a time, and Python forgets all it knew
    of the thread in between. pyproj 3.7 then meets a PROJ context of that thread which is gone,
    and the program crashes at the second task. Held once, the state lasts as long as the thread.
    Call it first in everything that runs in the background and may use the core.
    """
    if threading.current_thread() is threading.main_thread() or getattr(_kept, "held", False):
        return
    ctypes.pythonapi.PyGILState_Ensure()
    _kept.held = True
