"""Python in QGIS's worker threads."""

from __future__ import annotations

import ctypes
import threading

from qgis.core import QgsTask

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


class BackgroundTask(QgsTask):
    """A task that can be stopped at any moment. Its `run` begins with ``if not self.wanted()``.

    QGIS deletes a task at once that is cancelled while it waits for a thread, also when a thread
    has taken it that very moment; the program then crashes, and did so on a busy machine. So a
    task that waits is only told, and ends by itself when its turn comes.
    """

    _given_up = False

    def stop(self) -> None:
        """End it as soon as may be; to be called on the main thread."""
        self._given_up = True
        if self.status() == QgsTask.TaskStatus.Running:
            self.cancel()

    def wanted(self) -> bool:
        """Whether it has not been stopped before it began. Readies the thread for Python."""
        keep_thread_state()
        return not self._given_up

    def stopped(self) -> bool:
        """Whether it should end."""
        return self._given_up or self.isCanceled()
