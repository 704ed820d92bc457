"""A suspect with its evidence, what the residuals would be, and one click that puts it right."""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

from qgis.core import QgsApplication
from qgis.PyQt.QtCore import Qt, pyqtSignal
from qgis.PyQt.QtGui import QResizeEvent
from qgis.PyQt.QtWidgets import (
    QComboBox,
    QFrame,
    QHBoxLayout,
    QLabel,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ...core.corrections import fields_words
from ...core.suspect_preview import preview
from ...core.suspects import Suspect
from ...core.units import UNITS
from ...core.wording import counted, listed
from ..job.job import Job
from ..job.suspect_steps import with_suspect_put_right
from .preview_bars import PreviewBars

#: Causes that name nobody: there is nothing to put right.
NOTHING_TO_DO = ("unexplained",)


class SuspectCard(QFrame):
    """Shows one suspect at a time out of those it is given.

    Signals
    -------
    put_right
        A sentence on what was done.
    previewed : tuple of Move
        Positions that the suspect shown would correct; none while no suspect is shown.
    """

    put_right = pyqtSignal(str)
    previewed = pyqtSignal(tuple)

    def __init__(self, job: Job, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self._job = job
        self._suspects: Tuple[Suspect, ...] = ()
        self.setObjectName("sitetie_suspect_card")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.choice = QComboBox()
        self.choice.setObjectName("sitetie_suspect_choice")
        self.choice.setAccessibleName("Probable causes, the likeliest first")
        self.choice.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.choice.setMinimumContentsLength(12)
        self.choice.currentIndexChanged.connect(self._show_chosen)
        self.evidence = QLabel()
        self.evidence.setObjectName("sitetie_suspect_evidence")
        self.evidence.setWordWrap(True)
        self.evidence.setTextFormat(Qt.TextFormat.PlainText)
        self.evidence.setTextInteractionFlags(Qt.TextInteractionFlag.TextSelectableByMouse)
        self.bars = PreviewBars()
        self.apply = QPushButton("Correct the pair")
        self.apply.setObjectName("sitetie_suspect_apply")
        self.apply.clicked.connect(lambda: self._apply())
        self.other_unit = QPushButton("US survey feet")
        self.other_unit.setObjectName("sitetie_suspect_other_unit")
        self.other_unit.clicked.connect(lambda: self._apply("us-ft"))
        line = QHBoxLayout()
        line.addWidget(QLabel("Probable cause:"))
        line.addWidget(self.choice, 1)
        # Below the evidence, so that a narrow dock shows them whole.
        buttons = QHBoxLayout()
        buttons.addWidget(self.apply)
        buttons.addWidget(self.other_unit)
        buttons.addStretch(1)
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 4, 8, 4)
        layout.setSpacing(4)
        layout.addLayout(line)
        layout.addWidget(self.evidence)
        layout.addLayout(buttons)
        layout.addWidget(self.bars)
        self.hide()

    def show_suspects(self, suspects: Sequence[Suspect]) -> None:
        """Offer these, the first of them in full; hide when there are none."""
        suspects = tuple(suspects)
        if suspects != self._suspects:
            self._suspects = suspects
            self.choice.blockSignals(True)
            self.choice.clear()
            self.choice.addItems([_title(suspect) for suspect in suspects])
            self.choice.blockSignals(False)
            self._show_chosen()
        self.setVisible(bool(suspects))
        if not suspects:
            self.previewed.emit(())

    @property
    def chosen(self) -> Optional[Suspect]:
        place = self.choice.currentIndex()
        return self._suspects[place] if 0 <= place < len(self._suspects) else None

    def _show_chosen(self, *_: object) -> None:
        suspect = self.chosen
        if suspect is None:
            return
        state = self._job.state
        found = preview(state.pairs, state.settings, suspect, self._job.tie)
        self.evidence.setText(suspect.evidence + (
            f" Then: {found.problem}" if found.problem else ""))
        self._make_room()
        possible = suspect.cause not in NOTHING_TO_DO and _changes(suspect, state)
        self.bars.setVisible(possible)
        self.bars.show_preview(found, state.settings)
        self.previewed.emit(found.moves)
        self.apply.setVisible(possible)
        self.apply.setText(_button(suspect, state))
        self.apply.setToolTip(_tip(suspect, state))
        self.other_unit.setVisible(possible and _in_feet(suspect))
        if _in_feet(suspect):
            self.apply.setText("International feet")
            self.other_unit.setToolTip(self.apply.toolTip())

    def resizeEvent(self, event: QResizeEvent) -> None:
        super().resizeEvent(event)
        self._make_room()

    def _make_room(self) -> None:
        """The evidence in full: a splitter does not ask how high wrapped text is."""
        self.evidence.setMinimumHeight(self.evidence.heightForWidth(self.evidence.width()))

    def _apply(self, unit: Optional[str] = None) -> None:
        suspect = self.chosen
        if suspect is None:
            return
        words = _done(suspect, self._job.state)
        state = with_suspect_put_right(
            self._job.state, suspect, QgsApplication.userFullName().strip(), unit)
        self._job.change(words, state)
        self.put_right.emit(f"{words}. Undo takes it back.")


def _title(suspect: Suspect) -> str:
    names = listed(suspect.control_ids, most=3)
    lead = "or: " if suspect.alternative else ""
    return f"{lead}{names}: {suspect.words}"


def _changes(suspect: Suspect, state) -> bool:
    return suspect.settings is not None or suspect.pairs != state.pairs


def _in_feet(suspect: Suspect) -> bool:
    """Whether a person has to say which foot it is: the two are never guessed."""
    return (suspect.cause == "control_unit_all" and suspect.settings is not None
            and suspect.settings.site_unit == "ft")


def _corrected(suspect: Suspect, state) -> List:
    return [after for before, after in zip(state.pairs, suspect.pairs)
            if after.corrections != before.corrections]


def _button(suspect: Suspect, state) -> str:
    if suspect.settings is not None:
        return "Change the settings"
    corrected = _corrected(suspect, state)
    if not corrected:
        return "Leave it out" if len(suspect.control_ids) == 1 else "Leave them out"
    return "Correct the pair" if len(corrected) == 1 else f"Correct {len(corrected)} pairs"


def _tip(suspect: Suspect, state) -> str:
    if suspect.settings is not None:
        return "Solves the pairs as given with other settings. Undo takes it back."
    if not _corrected(suspect, state):
        return "Sets what does not belong to idle; its values stay as they are."
    return ("Solves with the corrected value. The value as given stays on the pair, with the "
            "evidence, your name and the time; the correction can be taken back at any time.")


def _done(suspect: Suspect, state) -> str:
    """What the step is called in the list of steps."""
    names = listed(suspect.control_ids, most=3)
    if suspect.settings is not None:
        if suspect.settings.site_unit != state.settings.site_unit:
            unit = UNITS[suspect.settings.site_unit]
            return f"Read the control in {'feet' if unit.code != 'm' else unit.plural}"
        return f"Change settings: {suspect.words}"
    corrected = _corrected(suspect, state)
    if not corrected:
        return f"Set {names} to idle"
    if len(corrected) > 2:
        return f"Correct {counted(len(corrected), 'pair')}: {suspect.words}"
    new = [item for pair in corrected for item in pair.corrections[-1:]]
    return f"Correct {names}: {fields_words(new)}"
