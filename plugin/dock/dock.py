"""The dock itself: puts its parts together and lets them speak to one another."""

from __future__ import annotations

from typing import Iterable, List, Optional, Tuple

from qgis.gui import QgsDockWidget
from qgis.PyQt.QtCore import QEvent, QSize, Qt, pyqtSignal
from qgis.PyQt.QtGui import QKeyEvent, QKeySequence, QResizeEvent
from qgis.PyQt.QtWidgets import (
    QAction,
    QApplication,
    QSplitter,
    QTabWidget,
    QVBoxLayout,
    QWidget,
)

from ...core.errors import SitetieError
from ..icons import icon
from ..job.job import Job
from ..translation import tr
from .accepted_panel import AcceptedPanel
from .dock_actions import DockActions, tool_bar
from .headline import dock_headline
from .headline_bar import HeadlineBar
from .layers_panel import LayersPanel
from .pages import ACCEPTED, LAYERS, PAIRS, SETTINGS, SOLUTION
from .pairs_panel import PairsPanel
from .scrolling import scrolling
from .settings_panel import SettingsPanel
from .solution_panel import SolutionPanel
from .status_line import StatusLine

OBJECT_NAME = "sitetie_dock"
#: Sizes in text heights: from this width the pairs stand left of the other pages, from this
#: height above them.
LYING_WIDTH, UPRIGHT_HEIGHT = 60, 52
WANTED_WIDTH = 36


class SitetieDock(QgsDockWidget):
    """Shows a job and changes it.

    Signals
    -------
    pairs_chosen
        Places in ``job.state.pairs`` of the selected rows, as a tuple.

    Attributes
    ----------
    actions_ : DockActions
        What can be done; the map side connects to those that are its own.
    """

    pairs_chosen = pyqtSignal(tuple)

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__("Sitetie", parent)
        self._job = job
        self.setObjectName(OBJECT_NAME)
        self.setWindowIcon(icon())
        self.setAllowedAreas(Qt.DockWidgetArea.AllDockWidgetAreas)
        self.body = _Body(self)
        self.actions_ = DockActions(job, self.body)
        self.headline = HeadlineBar()
        self.status = StatusLine()
        self.pairs = PairsPanel(job)
        self.layers = LayersPanel(job)
        self.solution = SolutionPanel(job)
        self.settings = SettingsPanel(job)
        self.accepted = AcceptedPanel(job)
        self.tabs = QTabWidget()
        self.tabs.setObjectName("sitetie_tabs")
        self.tabs.setDocumentMode(True)
        for page, words in (
            (scrolling(self.layers), LAYERS), (self.solution, SOLUTION),
            (scrolling(self.settings), SETTINGS), (self.accepted, ACCEPTED),
        ):
            self.tabs.addTab(page, words)
        self.split = QSplitter(Qt.Orientation.Vertical)
        self.split.setObjectName("sitetie_split")
        self.split.setChildrenCollapsible(False)
        self.split.addWidget(self.tabs)
        self._shape: Optional[str] = None
        self._arrange("upright")
        layout = QVBoxLayout(self.body)
        layout.setContentsMargins(6, 2, 6, 6)
        layout.setSpacing(4)
        layout.addWidget(tool_bar(self.actions_, self.body))
        layout.addWidget(self.headline)
        layout.addWidget(self.split, 1)
        layout.addWidget(self.status)
        self.setWidget(self.body)
        self.headline.point_asked.connect(self.select_control)
        self.headline.page_asked.connect(self.show_page)
        self.pairs.way_asked.connect(self._go)
        self.pairs.view.chosen.connect(
            lambda: self.pairs_chosen.emit(self.pairs.view.selected_places()))
        self.pairs.view.refused.connect(self.say_refused)
        self.pairs.card.put_right.connect(self.say)
        self.pairs.view.show_asked.connect(self.actions_.show_on_map.trigger)
        self.layers.layers_changed.connect(self.actions_.enable)
        self.actions_.start_over.triggered.connect(self._start_over)
        # First: whoever hears of a change may then say something of it.
        job.changed.connect(self.status.job_changed)
        job.changed.connect(self._show)
        self._show()

    # -- for those who work with the dock -------------------------------------------------------

    def selected_places(self) -> Tuple[int, ...]:
        """Places in the job's pairs of the selected rows."""
        return self.pairs.view.selected_places()

    def select_places(self, places: Iterable[int]) -> None:
        """Select rows by their place in the job's pairs."""
        self.pairs.view.select_places(places)

    def show_pairs(self) -> None:
        """Bring the whole table to the front."""
        self.show_page(PAIRS)
        self.pairs.filter.clear()

    def select_control(self, control_id: str) -> None:
        """Select the pairs of a control point, the filter notwithstanding."""
        places = [place for place, pair in enumerate(self._job.state.pairs)
                  if pair.control.id == control_id]
        if places:
            self.show_pairs()
            self.select_places(places)
            self.pairs.view.setFocus(Qt.FocusReason.OtherFocusReason)

    def say(self, words: str, warning: bool = False, topic: str = "") -> None:
        """A message in the dock, in place of the one before; see `StatusLine.say`."""
        self.status.say(words, warning, topic)

    def say_error(self, error: SitetieError) -> None:
        self.say(str(error), warning=True)

    def say_refused(self, errors: List[SitetieError]) -> None:
        """What could not be done, the first in full."""
        more = tr(" ({what} more like it.)").format(what=len(errors) - 1) if len(errors) > 1 else ""
        self.say(f"{errors[0]}{more}", warning=True)

    def show_page(self, words: str) -> None:
        """Bring a tab to the front by its title."""
        for place in range(self.tabs.count()):
            if self.tabs.tabText(place) == words:
                self.tabs.setCurrentIndex(place)

    def let_go(self) -> None:
        """Stop listening to the project, and remember the table's layout."""
        self.layers.let_go()
        self.pairs.search.let_go()
        self.pairs.view.keep_header()

    # -- inside -------------------------------------------------------------------------------

    def _show(self) -> None:
        self.headline.show_line(
            dock_headline(self._job.state, self._job.tie, self._job.problem))

    def _go(self, way: str) -> None:
        """A link of the first page."""
        pages = {"layers": LAYERS, "settings": SETTINGS}
        if way in pages:
            self.show_page(pages[way])
        else:
            action = getattr(self.actions_, way)
            if action.isEnabled():
                action.trigger()
            else:  # the tip says why not
                self.say(action.toolTip())

    def _start_over(self) -> None:
        self._job.change(tr("Start over"), self._job.state.replace(pairs=()))

    def _arrange(self, shape: str) -> None:
        """Find a place for the pairs: ``small``, in a tab of their own; ``upright``, above the
        tabs; ``lying``, left of them."""
        if shape == self._shape:
            return
        self._shape = shape
        if shape == "small":
            self.tabs.insertTab(0, self.pairs, PAIRS)
            self.tabs.setCurrentIndex(0)
            return
        self.split.insertWidget(0, self.pairs)
        self.pairs.show()
        lying = shape == "lying"
        self.split.setOrientation(
            Qt.Orientation.Horizontal if lying else Qt.Orientation.Vertical)
        self.split.setSizes([600, 400])
        self.pairs.view.scrollTo(self.pairs.view.currentIndex())

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        text = self.fontMetrics().height()
        width, height = self.width(), self.height()
        if width > max(LYING_WIDTH * text, 1.3 * height):
            self._arrange("lying")
        else:
            self._arrange("upright" if height > UPRIGHT_HEIGHT * text else "small")


class _Body(QWidget):
    """The inside of the dock: keys that QGIS's window also listens to belong to the dock while
    something in it has the focus."""

    def __init__(self, dock: SitetieDock) -> None:
        super().__init__(dock)
        self._dock = dock
        self.setObjectName("sitetie_dock_body")

    def sizeHint(self) -> QSize:
        """Room for a table at first, but no more than its share of the screen."""
        text, hint = self.fontMetrics().height(), super().sizeHint()
        screen = QApplication.primaryScreen().availableSize().width()
        return QSize(min(WANTED_WIDTH * text, int(0.44 * screen)), hint.height())

    def event(self, event: QEvent) -> bool:
        if event.type() == QEvent.Type.ShortcutOverride and self._meant(event) is not None:
            event.accept()
            return True
        return super().event(event)

    def keyPressEvent(self, event: QKeyEvent) -> None:
        meant = self._meant(event)
        if meant is None:
            super().keyPressEvent(event)
        elif isinstance(meant, QAction):
            meant.trigger()
        else:
            meant()

    def _meant(self, event: QKeyEvent):
        if event.matches(QKeySequence.StandardKey.Find):
            return self._dock.pairs.focus_filter
        if event.key() in (Qt.Key.Key_Control, Qt.Key.Key_Shift, Qt.Key.Key_Alt):
            return None
        actions = self._dock.actions_
        if event.matches(QKeySequence.StandardKey.Undo):
            return actions.undo
        if event.matches(QKeySequence.StandardKey.Redo):
            return actions.redo
        if event.modifiers() == Qt.KeyboardModifier.ControlModifier:
            return {Qt.Key.Key_M: actions.pair_on_map, Qt.Key.Key_Return: actions.accept,
                    Qt.Key.Key_Y: actions.redo}.get(event.key())
        return None
