"""The job as the interface sees it: a state, the tie that follows from it, undo and redo."""

from __future__ import annotations

from datetime import datetime, timezone
from typing import Iterable, List, Optional, Sequence

from qgis.PyQt.QtCore import QObject, pyqtSignal
from qgis.PyQt.QtWidgets import QUndoCommand, QUndoStack

from ...core.errors import SitetieError
from ...core.pairs import Pair, Role
from ...core.settings import Settings
from ...core.solve import solve
from ...core.tie import Tie
from ...core.tie_file import dumps
from ..translation import tr
from .state import AcceptedTie, JobState


class Job(QObject):
    """Holds one `JobState` at a time; every change is solved at once and can be undone.

    Signals
    -------
    changed
        The state, and with it `tie` and `problem`, has changed.
    """

    changed = pyqtSignal()

    def __init__(self, parent: Optional[QObject] = None) -> None:
        super().__init__(parent)
        self.undo_stack = QUndoStack(self)
        self._state = JobState()
        self._tie: Optional[Tie] = None
        self._problem: Optional[SitetieError] = None

    @property
    def state(self) -> JobState:
        return self._state

    @property
    def tie(self) -> Optional[Tie]:
        """The tie of the present state; None while it cannot be solved."""
        return self._tie

    @property
    def problem(self) -> Optional[SitetieError]:
        """Why there is no tie; None while there are no pairs, or when there is a tie."""
        return self._problem

    def change(self, words: str, state: JobState) -> None:
        """Move to a new state, as one step that can be undone.

        Parameters
        ----------
        words : str
            What was done, for the undo menu ("Set M7 to check").
        """
        if state == self._state:
            return
        frozen = _freeze_base(state)
        self.undo_stack.push(_Step(self, words, self._state, frozen))

    def open(self, state: JobState) -> None:
        """Start from a stored state; the history begins anew."""
        self.undo_stack.clear()
        self._show(state)

    def add_pairs(self, pairs: Iterable[Pair]) -> None:
        """Raises InputError when a pair is there already."""
        pairs = tuple(pairs)
        words = tr(
            "Pair {name}").format(
            name=pairs[0].name) if len(pairs) == 1 else tr(
            "Add {pairs} pairs").format(pairs=len(pairs))
        self.change(words, self._state.with_pairs(pairs))

    def remove_pairs(self, indices: Iterable[int]) -> None:
        indices = tuple(indices)
        names = ", ".join(self._state.pairs[i].name for i in indices[:3])
        more = "" if len(indices) <= 3 else tr(" and {what} more").format(what=len(indices) - 3)
        self.change(tr(
            "Take out {names}{more}").format(
            names=names, more=more), self._state.without_pairs(indices))

    def set_role(
        self, indices: Iterable[int], sides: Sequence[str], role: Role
    ) -> List[SitetieError]:
        """Set the role of pairs on one side or both, wherever it is possible.

        Returns
        -------
        list of SitetieError
            Why some pairs cannot have that role; they keep what they had.
        """
        indices = tuple(indices)
        state, refused = self._state.with_role(indices, sides, role)
        name = self._state.pairs[indices[0]].control.id if len(indices) == 1 else \
            tr("{indices} pairs").format(indices=len(indices))
        side = f" ({sides[0]})" if len(sides) == 1 else ""
        self.change(tr(
            "Set {name} to {value}{side}").format(name=name, value=role.value, side=side), state)
        return refused

    def set_settings(self, settings: Settings, words: str = tr("Change settings")) -> None:
        self.change(words, self._state.replace(settings=settings))

    def accept(self, surveyor: str, note: str) -> AcceptedTie:
        """Give the tie its number.

        What was accepted stays accepted: it is no step that can be undone, and undoing earlier
        steps does not touch it.
        """
        assert self._tie is not None
        item = AcceptedTie(
            self._state.next_number(), self._tie.id, dumps(self._tie), surveyor, note,
            datetime.now(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ"),
        )
        self._state = self._state.replace(accepted=(*self._state.accepted, item))
        self.changed.emit()
        return item

    def _show(self, state: JobState) -> None:
        self._state = state
        self._tie, self._problem = None, None
        if state.pairs:
            try:
                self._tie = solve(state.pairs, state.settings)
            except SitetieError as error:
                self._problem = error
        self.changed.emit()


def _freeze_base(state: JobState) -> JobState:
    """With the base projection written into the settings as soon as a tie can be solved, so that
    later changes of roles do not move it."""
    if state.settings.base_crs is not None or not state.pairs:
        return state
    try:
        tie = solve(state.pairs, state.settings)
    except SitetieError:
        return state
    return state.replace(settings=tie.settings)


class _Step(QUndoCommand):
    """One change: the state before and the state after."""

    def __init__(self, job: Job, words: str, before: JobState, after: JobState) -> None:
        super().__init__(words)
        self._job, self._before, self._after = job, before, after

    def redo(self) -> None:
        self._job._show(self._after.replace(accepted=self._job.state.accepted))

    def undo(self) -> None:
        self._job._show(self._before.replace(accepted=self._job.state.accepted))
