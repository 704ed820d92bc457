"""Pairing by geometry alone: what stands out, or the rivals to choose from."""

from __future__ import annotations

import math
from typing import Callable, List, Optional, Sequence, Tuple

from qgis.core import QgsApplication
from qgis.PyQt.QtGui import QShowEvent
from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFormLayout,
    QHBoxLayout,
    QLineEdit,
    QProgressBar,
    QPushButton,
    QVBoxLayout,
    QWidget,
)

from ...core.errors import SitetieError
from ...core.numerals import parse_number
from ...core.pairing import Answer, percent
from ...core.pairing_marks import MarkPair, MarkPairing
from ...core.pairs import Control, Observation
from ...core.units import METRE
from ...core.wording import counted, length_words, listed, signed
from ..dock.hint_label import HintLabel
from ..job.job import Job
from .geometry_task import GeometryTask
from .preview_dialog import PreviewDialog, Proposal, as_recorded

#: What shows pairs on the map; nothing to show takes them off it.
ShowPairs = Callable[[Sequence[Tuple[Control, Observation]]], None]


class GeometryDialog(PreviewDialog):
    """Begins to look when it is opened, and again when an entry changes."""

    def __init__(
        self, job: Job, control: Sequence[Control], observations: Sequence[Observation],
        show_on_map: ShowPairs, parent: Optional[QWidget] = None,
    ) -> None:
        super().__init__(job, "Pair by geometry", "sitetie_geometry", parent)
        self._control, self._observed = list(control), list(observations)
        self._show_on_map = show_on_map
        self._task: Optional[GeometryTask] = None
        self._pairing: Optional[MarkPairing] = None
        self._make_entries()
        self.finished.connect(self._closed)
        self._look()

    def _make_entries(self) -> None:
        self.names = QCheckBox("&Ids decide between pairings that fit equally well")
        self.names.setObjectName("sitetie_geometry_names")
        self.names.setChecked(True)
        self.free_scale = QCheckBox("An&y scale: the unit of the control is not certain")
        self.free_scale.setObjectName("sitetie_geometry_free_scale")
        self.noise = QLineEdit()
        self.noise.setObjectName("sitetie_geometry_noise")
        self.noise.setPlaceholderText("1 mm to 2 m")
        self.answer = QComboBox()
        self.answer.setObjectName("sitetie_geometry_answer")
        self.answer.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.answer.setMinimumContentsLength(40)
        self.progress = QProgressBar()
        self.progress.setAccessibleName("Share of the search that is done")
        self.stop = QPushButton("&Stop")
        self.stop.setObjectName("sitetie_geometry_stop")
        self.stop.setAutoDefault(False)
        self.found = HintLabel()
        self.found.setObjectName("sitetie_geometry_found")
        form = QFormLayout()
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.ExpandingFieldsGrow)
        form.addRow("&Noise to be expected (m)", self.noise)
        form.addRow("", self.names)
        form.addRow("", self.free_scale)
        form.addRow("&Which pairing", self.answer)
        self._answer_label = form.labelForField(self.answer)
        row = QHBoxLayout()
        row.addWidget(self.progress, 1)
        row.addWidget(self.stop)
        layout = QVBoxLayout(self.entries)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(form)
        layout.addLayout(row)
        layout.addWidget(self.found)
        self.noise.editingFinished.connect(self._noise_edited)
        self.names.clicked.connect(self._look)
        self.free_scale.clicked.connect(self._look)
        self.answer.activated.connect(self._answer_chosen)
        self.stop.clicked.connect(self._stop)
        self._last_noise = ""

    def showEvent(self, event: QShowEvent) -> None:
        """It opens at the right edge of the window, so that the map stays in sight."""
        super().showEvent(event)
        window = self.parentWidget()
        if window is not None and not event.spontaneous():
            corner = window.mapToGlobal(window.rect().topRight())
            room = max(0, window.height() - self.height())
            self.move(max(0, corner.x() - self.frameGeometry().width()), corner.y() + room // 3)

    # -- looking ------------------------------------------------------------------------------

    @property
    def searching(self) -> bool:
        return self._task is not None

    def _noise_edited(self) -> None:
        if self.noise.text() != self._last_noise:
            self._look()

    def _look(self, *_: object) -> None:
        """Begin to look anew."""
        self._drop_task()
        self._pairing = None
        self._last_noise = self.noise.text()
        self._offer_answers(())
        try:
            noise = (parse_number(self.noise.text(), "The noise")
                     if self.noise.text().strip() else None)
        except SitetieError as error:
            self._say_nothing(str(error), alarm=True)
            return
        state = self._job.state
        places = {item.id: i for i, item in enumerate(self._observed)}
        points = {item.id: i for i, item in enumerate(self._control)}
        known = [(points[pair.control.id], places[pair.observation.id]) for pair in state.pairs
                 if pair.control.id in points and pair.observation.id in places]
        self._say_nothing("Looking for pairings…")
        self._task = GeometryTask(self._control, self._observed, state.settings, known,
                                  self.names.isChecked(), self.free_scale.isChecked(), noise)
        self._task.done.connect(self._done)
        self._task.progressChanged.connect(self._told)
        self._show_progress(True)
        QgsApplication.taskManager().addTask(self._task)

    def _told(self, percent: float) -> None:
        self.progress.setValue(round(percent))

    def _stop(self) -> None:
        self._drop_task()
        self._say_nothing("Stopped. Change an entry to look again.")

    def _drop_task(self) -> None:
        if self._task is not None:
            self._task.done.disconnect(self._done)
            self._task.progressChanged.disconnect(self._told)
            self._task.stop()
            self._task = None
        self._show_progress(False)

    def _show_progress(self, shown: bool) -> None:
        self.progress.setValue(0)
        self.progress.setVisible(shown)
        self.stop.setVisible(shown)

    def _closed(self, *_: object) -> None:
        self._drop_task()
        self._show_on_map(())

    # -- what was found -----------------------------------------------------------------------

    def _done(self) -> None:
        task, self._task = self._task, None
        self._show_progress(False)
        if task is None:
            return
        if task.pairing is None:
            self._say_nothing(task.problem or "Stopped. Change an entry to look again.",
                              alarm=bool(task.problem))
            return
        self._pairing = task.pairing
        found = task.pairing.found
        alarm = found.ambiguous or found.mirrored or not task.pairing.pairs
        self._offer_answers(found.rivals if found.ambiguous else ())
        self._say_nothing(found.words, alarm)
        if found.ambiguous:
            return
        if not task.pairing.pairs:
            self.summary.say(self._advice())
            return
        self._propose(task.pairing.pairs, self._left_open(task.pairing))

    def _advice(self) -> str:
        unit = self._job.state.settings.site_length.plural
        if self.free_scale.isChecked():
            return "Are these the layers of one site?"
        return (f"The control was taken in {unit}. Where that is not certain, tick any scale; "
                "where the noise is known, give it.")

    def _left_open(self, pairing: MarkPairing) -> str:
        """What is to be said beside the pairs."""
        said = []
        transform = pairing.found.transform
        if transform is not None and abs(transform.scale - 1.0) > 0.01:
            said.append(f"The scale is {transform.scale:.5f}: look at the unit of the control.")
        if pairing.doubtful:
            names = listed((f"{self._control[pair.control].id} with "
                            f"{self._observed[pair.observation].id}" for pair in pairing.doubtful),
                           most=4)
            said.append(f"Left out, since it may be chance: {names}.")
        used = {pair.control for pair in pairing.pairs + pairing.doubtful}
        alone = [item.id for i, item in enumerate(self._control)
                 if i not in used and item.has_position]
        if alone:
            verb = "has" if len(alone) == 1 else "have"
            said.append(f"{listed(alone, most=5)} {verb} no partner.")
        if pairing.left_out:
            verb = "has" if len(pairing.left_out) == 1 else "have"
            said.append(f"{listed(pairing.left_out, most=5)} {verb} no position.")
        return " ".join(said)

    def _offer_answers(self, answers: Sequence[Answer]) -> None:
        self.answer.clear()
        if answers:
            self.answer.addItem(f"choose one of {counted(len(answers), 'pairing')}…")
        for number, answer in enumerate(answers, 1):
            mirrored = ", mirrored" if answer.transform.mirrored else ""
            turned = signed(answer.transform.rotation, 1)
            self.answer.addItem(
                f"{number}: {100.0 * answer.probability:.1f} % probable, "
                f"{counted(answer.count, 'mark')}, misfit {length_words(answer.rms, METRE)}, "
                f"turned {turned}°{mirrored}")
        self.answer.setVisible(bool(answers))
        self._answer_label.setVisible(bool(answers))

    def _answer_chosen(self, place: int) -> None:
        if self._pairing is None:
            return
        if place == 0:
            self._say_nothing(self._pairing.found.words, alarm=True)
            return
        self._propose(self._pairing.rivals[place - 1],
                      "Geometry does not single this pairing out: you do.", alarm=True)

    def _propose(self, pairs: Sequence[MarkPair], summary: str, alarm: bool = False) -> None:
        """Show pairs in the table and on the map; those made already are left out of the table."""
        taken = {pair.observation.id for pair in self._job.state.pairs}
        both = [(self._control[pair.control], self._observed[pair.observation]) for pair in pairs]
        proposals: List[Proposal] = []
        for pair, (control, shot) in zip(pairs, both):
            if shot.id in taken:
                continue
            sure = "" if math.isnan(pair.confidence) else percent(pair.confidence)
            proposals.append(Proposal(control, shot, "; ".join(part for part in (
                f"{length_words(pair.distance, METRE)} away", sure and f"no chance meeting: {sure}",
                as_recorded(shot)) if part)))
        if len(proposals) < len(both):
            summary = f"{summary} {counted(len(both) - len(proposals), 'pair')} made already."
        self.show_proposals(proposals, summary.strip(), alarm)
        self._show_on_map(both)

    def _say_nothing(self, words: str, alarm: bool = False) -> None:
        """Say something, and propose nothing."""
        self.found.say(words, alarm)
        self.show_proposals((), "", False)
        self._show_on_map(())
