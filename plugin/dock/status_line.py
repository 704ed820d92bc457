"""The last line of the dock: what was done, what could not be done and why, what is going on."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsTask
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtWidgets import (
    QFrame,
    QHBoxLayout,
    QLabel,
    QProgressBar,
    QPushButton,
    QToolButton,
    QWidget,
)

from ...core.results import AGREES, DISAGREES
from ..translation import tr
from ..worker_threads import BackgroundTask
from .hint_label import HintLabel
from .theme import verdict_icon

#: How long good news stays; what went wrong stays until it is closed or followed by other news.
SECONDS = 8


class StatusLine(QFrame):
    """One message at a time, as many lines as it needs."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_status")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.mark = QLabel()
        self.label = HintLabel()
        self.label.setObjectName("sitetie_message")
        self.label.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.bar = QProgressBar()
        self.bar.setObjectName("sitetie_progress")
        self.bar.setAccessibleName(tr("Progress"))
        self.bar.setMaximum(100)
        self.stop = QPushButton(tr("Stop"))
        self.stop.setObjectName("sitetie_stop")
        self.close_button = QToolButton()
        self.close_button.setObjectName("sitetie_close_message")
        self.close_button.setAccessibleName(tr("Close the message"))
        self.close_button.setToolTip(tr("Close the message"))
        self.close_button.setText("✕")
        self.close_button.setAutoRaise(True)
        self.close_button.clicked.connect(self.clear)
        layout = QHBoxLayout(self)
        layout.setContentsMargins(8, 4, 4, 4)
        layout.addWidget(self.mark, 0, Qt.AlignmentFlag.AlignTop)
        layout.addWidget(self.label, 1)
        for widget in (self.bar, self.stop, self.close_button):
            layout.addWidget(widget)
        self._task: Optional[QgsTask] = None
        self._topic, self._warning = "", False
        self._time = QTimer(self)
        self._time.setSingleShot(True)
        self._time.timeout.connect(self.clear)
        self.stop.clicked.connect(self._stop)
        self.clear()

    @property
    def words(self) -> str:
        """What it says; blank when it says nothing."""
        return "" if self.isHidden() else self.label.words

    def say(self, words: str, warning: bool = False, topic: str = "") -> None:
        """Say something, in place of what was said before.

        Parameters
        ----------
        topic : str
            What it speaks of: when that is over, `end` takes the message away.
        """
        self._show(words, DISAGREES if warning else AGREES)
        self._topic = topic
        if not warning:
            self._time.start(SECONDS * 1000)

    def end(self, topic: str) -> None:
        """Take away what was said on a topic."""
        if self._topic == topic:
            self.clear()

    def job_changed(self) -> None:
        """Things have moved on: what could not be done before is no news any more."""
        if self._warning and self._task is None:
            self.clear()

    def show_progress(self, words: str, task: QgsTask) -> None:
        """Say what a task does, with a bar and a button to stop it."""
        self._show(words, AGREES)
        self._task = task
        self.bar.setValue(0)
        task.progressChanged.connect(lambda share: self.bar.setValue(int(share)))
        self.bar.show()
        self.stop.show()
        self.close_button.hide()

    def clear(self) -> None:
        self._time.stop()
        self._task, self._topic, self._warning = None, "", False
        self.hide()

    def _show(self, words: str, mark: str) -> None:
        self._time.stop()
        self._task, self._topic, self._warning = None, "", mark == DISAGREES
        side = self.fontMetrics().height()
        self.mark.setPixmap(verdict_icon(mark).pixmap(side, side))
        self.label.say(words)
        self.bar.hide()
        self.stop.hide()
        self.close_button.show()
        self.show()

    def _stop(self) -> None:
        if self._task is not None:
            if isinstance(self._task, BackgroundTask):
                self._task.stop()
            else:
                self._task.cancel()
