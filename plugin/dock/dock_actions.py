"""What can be done from the dock, as actions for its toolbar and menus."""

from __future__ import annotations

from typing import Optional

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import QObject, QSize, Qt
from qgis.PyQt.QtGui import QKeySequence
from qgis.PyQt.QtWidgets import QAction, QMenu, QSizePolicy, QToolBar, QToolButton, QWidget

from ...core.pairs import Role
from ...core.tie import Tie
from ..job.job import Job
from ..translation import tr
from .headline import UNITS_FIRST, accepted_as, more_marks
from .layers_panel import ready_to_pair

NEARNESS = tr("Nearness needs a rough solution.")


class DockActions(QObject):
    """The actions; whoever does the work connects their ``triggered``.

    `pair_on_map`, `type_position`, `pair_by_ids`, `pair_by_geometry`, `pair_by_nearest`,
    `show_on_map`, `residuals_on_map`, `where_next` and `confidence_surface` belong to the map side.
    """

    def __init__(self, job: Job, parent: QWidget) -> None:
        super().__init__(parent)
        self._job = job
        self.pair_on_map = self._action(
            "pair_on_map", tr("Pair on the map"),
            tr("Point at a control point and at its observation, in either order."),
            "mActionCapturePoint", "Ctrl+M")
        self.pair_on_map.setCheckable(True)
        self.pair_on_map.setIconText(tr("Pair"))
        self.type_position = self._action(
            "type_position", tr("Type a position…"),
            tr(
                "Pair a control point with a latitude and longitude from "
                "a list."), "mActionEditTable")
        self.pair_by_ids = self._action(
            "pair_by_ids", tr("By ids…"), tr("Pair what has equal ids, or ids that follow a rule."),
            "mActionLabeling")
        self.pair_by_nearest = self._action(
            "pair_by_nearest", tr("By nearest…"),
            tr(
                "Once there is a rough solution, pair each control point with the observation "
                "next to it."), "mActionMeasure")
        self.pair_by_geometry = self._action(
            "pair_by_geometry", tr("By geometry…"),
            tr("Pair what fits by its geometry alone, without ids."), "mActionNodeTool")
        self.pair_from_table = self._action(
            "pair_from_table", tr("From a table…"),
            tr("Bring in pairs from a text file or a table layer."), "mActionOpenTable")
        self.show_on_map = self._action(
            "show_on_map", tr("Show on the map"), tr("Show the selected pairs on the map."),
            "mActionZoomToSelected")
        self.residuals_on_map = self._action(
            "residuals_on_map", tr("Residuals on the map"),
            tr("Draw residuals, error ellipses and the control hull as layers."),
            "mActionShowAllLayers")
        self.residuals_on_map.setCheckable(True)
        self.confidence_surface = self._action(
            "confidence_surface", tr("Confidence surface…"),
            tr("Predicted 95 % uncertainty over the site, as a raster."), "mIconRaster")
        self.where_next = self._action(
            "where_next", tr("Where next"),
            tr(
                "Marks not observed yet on the map: where to look for them, and what each "
                "would bring."),
            "mActionAtlasNext")
        self.where_next.setCheckable(True)
        self.accept = self._action(
            "accept", tr("Accept…"), tr("Look at what is weak, and give the tie its number."),
            "mIconSuccess", "Ctrl+Return")
        self.open_tie = self._action(
            "open_tie", tr("Open a tie…"), tr("Take pairs and settings from a tie file."),
            "mActionFileOpen")
        self.draft_report = self._action(
            "draft_report", tr("Report of the present solution"),
            tr("Open a report of the solution as it stands, accepted or not."), "mActionOpenTable")
        self.save_pairs = self._action(
            "save_pairs", tr("Save the pairs…"), tr("Write the pairs as a table."),
            "mActionFileSave")
        self.start_over = self._action(
            "start_over", tr("Start over"), tr("Take out all pairs; can be undone."),
            "mActionDeleteSelected")
        stack = job.undo_stack
        self.undo = stack.createUndoAction(self, "Undo")
        self.undo.setObjectName("sitetie_undo")
        self.undo.setIcon(theme_icon("mActionUndo"))
        self.undo.setShortcut(QKeySequence(QKeySequence.StandardKey.Undo))
        self.redo = stack.createRedoAction(self, "Redo")
        self.redo.setObjectName("sitetie_redo")
        self.redo.setIcon(theme_icon("mActionRedo"))
        self.redo.setShortcut(QKeySequence(QKeySequence.StandardKey.Redo))
        for action in (self.undo, self.redo):
            action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        job.changed.connect(self.enable)
        self.enable()

    def _action(
        self, name: str, words: str, tip: str, icon: str, key: Optional[str] = None
    ) -> QAction:
        action = QAction(theme_icon(icon), words, self)
        action.setObjectName(f"sitetie_{name}")
        action.setProperty("tip", tip)
        action.setToolTip(f"{tip} ({key})" if key else tip)
        action.setStatusTip(tip)
        if key:
            action.setShortcut(QKeySequence(key))
            action.setShortcutContext(Qt.ShortcutContext.WidgetWithChildrenShortcut)
        return action

    def enable(self) -> None:
        """Offer what is possible now, and say why the rest is not."""
        state, tie = self._job.state, self._job.tie
        layers = ready_to_pair(state)
        fit = sum(pair.horizontal is Role.FIT for pair in state.pairs)
        choose = tr("Choose the two layers under Layers first.")
        self._offer(self.pair_on_map, layers, choose)
        self._offer(self.pair_by_ids, layers, choose)
        self._offer(self.pair_by_geometry, layers, choose)
        self._offer(self.pair_by_nearest, layers and tie is not None,
                    f"{NEARNESS} {more_marks(state)}".strip() if layers else choose)
        self._offer(self.type_position, True, "")
        for action in (self.show_on_map, self.save_pairs, self.start_over):
            self._offer(action, bool(state.pairs), tr("There are no pairs yet."))
        none = tr("There is no solution yet.") if fit < 2 else tr("There is no solution.")
        for action in (self.draft_report, self.confidence_surface, self.residuals_on_map):
            self._offer(action, tie is not None, none)
        self._offer(self.where_next, tie is not None and state.control is not None,
                    none if tie is None else
                    tr("Choose the layer with the control points under Layers first."))
        refusal = none if tie is None else self._not_acceptable(tie)
        self._offer(self.accept, not refusal, refusal)

    def _not_acceptable(self, tie: Tie) -> str:
        """Why a solution cannot be accepted; blank when it can."""
        if not self._job.state.units_chosen:
            return f"{UNITS_FIRST}."
        same = accepted_as(self._job.state, tie)
        return "" if same is None else (
            tr(
                "This solution is accepted already, as tie {number}; nothing has "
                "changed since.").format(number=same.number))

    def _offer(self, action: QAction, possible: bool, otherwise: str) -> None:
        action.setEnabled(possible)
        tip = action.property("tip") if possible else otherwise
        key = action.shortcut().toString(QKeySequence.SequenceFormat.NativeText)
        action.setToolTip(f"{tip} ({key})" if key else tip)

    def keys(self):
        """The actions that a key in the dock starts."""
        return (self.pair_on_map, self.accept, self.undo, self.redo)


def theme_icon(name: str):
    """An icon of QGIS's own theme."""
    return QgsApplication.getThemeIcon(f"/{name}.svg")


def tool_bar(actions: DockActions, parent: QWidget) -> QToolBar:
    """The dock's toolbar: pairing and its ways, undo, redo, map, accept, more."""
    bar = QToolBar(parent)
    bar.setObjectName("sitetie_dock_toolbar")
    bar.setMovable(False)
    side = QgsApplication.scaleIconSize(16)
    bar.setIconSize(QSize(side, side))
    pair = QToolButton()
    pair.setObjectName("sitetie_pair_button")
    pair.setDefaultAction(actions.pair_on_map)
    pair.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
    pair.setPopupMode(QToolButton.ToolButtonPopupMode.MenuButtonPopup)
    pair.setMenu(_menu(pair, "sitetie_pair_ways", (
        actions.pair_on_map, actions.type_position, None, actions.pair_by_ids,
        actions.pair_by_geometry, actions.pair_by_nearest, None, actions.pair_from_table)))
    bar.addWidget(pair)
    bar.addSeparator()
    bar.addAction(actions.undo)
    bar.addAction(actions.redo)
    bar.addSeparator()
    bar.addAction(actions.show_on_map)
    bar.addAction(actions.residuals_on_map)
    bar.addAction(actions.where_next)
    spacer = QWidget()
    spacer.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Preferred)
    bar.addWidget(spacer)
    accept = QToolButton()
    accept.setObjectName("sitetie_accept_tool")
    accept.setDefaultAction(actions.accept)
    accept.setToolButtonStyle(Qt.ToolButtonStyle.ToolButtonTextBesideIcon)
    bar.addWidget(accept)
    more = QToolButton()
    more.setObjectName("sitetie_more")
    more.setText(tr("More  "))
    more.setAccessibleName(tr("More"))
    more.setPopupMode(QToolButton.ToolButtonPopupMode.InstantPopup)
    more.setMenu(_menu(more, "sitetie_more_menu", (
        actions.residuals_on_map, actions.where_next, actions.confidence_surface,
        actions.draft_report, None,
        actions.open_tie, actions.save_pairs, None, actions.start_over)))
    bar.addWidget(more)
    for button in bar.findChildren(QToolButton):
        # A press then also ends what is being typed elsewhere, and Tab reaches the buttons.
        button.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
    return bar


def _menu(parent: QWidget, name: str, entries) -> QMenu:
    menu = QMenu(parent)
    menu.setObjectName(name)
    menu.setToolTipsVisible(True)
    for entry in entries:
        if entry is None:
            menu.addSeparator()
        else:
            menu.addAction(entry)
    return menu
