"""Pairing by place: what lies where the tie expects it, within a distance."""

from __future__ import annotations

from typing import Optional, Sequence, Tuple

from qgis.PyQt.QtWidgets import QCheckBox, QFormLayout, QLineEdit, QVBoxLayout, QWidget

from ...core.errors import SitetieError
from ...core.nearby import NearPairs, pair_by_nearest, search_radius
from ...core.numerals import parse_number
from ...core.pairs import Control, Observation
from ...core.tie import Tie
from ...core.wording import counted, length_words, listed
from ..dock.hint_label import HintLabel
from ..job.job import Job
from ..translation import tr
from .preview_dialog import PreviewDialog, Proposal, as_recorded, open_marks


class NearestDialog(PreviewDialog):
    """The distance limit above, the pairs below."""

    def __init__(
        self, job: Job, tie: Tie, control: Sequence[Control],
        observations: Sequence[Observation], parent: Optional[QWidget] = None,
    ) -> None:
        super().__init__(job, tr("Pair by nearest"), "sitetie_nearest", parent)
        self._tie = tie
        self._control, self._observed = open_marks(job, control, observations)
        self._unit = tie.settings.site_length
        self.limit = QLineEdit()
        self.limit.setObjectName("sitetie_nearest_limit")
        self.repeats = QCheckBox(tr(
            "Take all observations near a control point, as repeated shots"))
        self.repeats.setObjectName("sitetie_nearest_repeats")
        self.repeats.setChecked(True)
        self.hint = HintLabel()
        self.hint.setObjectName("sitetie_nearest_hint")
        form = QFormLayout()
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.ExpandingFieldsGrow)
        form.addRow(tr(
            "&Farthest distance ({plural})").format(plural=self._unit.plural), self.limit)
        form.addRow("", self.repeats)
        layout = QVBoxLayout(self.entries)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(form)
        layout.addWidget(self.hint)
        self._suggested = self._suggestion()
        self.limit.setText(f"{self._suggested:.2g}" if self._suggested else "")
        self.limit.textEdited.connect(self._show)
        self.repeats.clicked.connect(self._show)
        self._show()

    def _suggestion(self) -> Optional[float]:
        """Twice what the tie's own uncertainty explains, where the marks are."""
        try:
            near = pair_by_nearest(
                self._tie, self._control, self._observed,
                search_radius(self._tie, self._observed))
            shots = [self._observed[pair.observation] for pair in near.pairs]
            return search_radius(self._tie, shots or self._observed)
        except SitetieError:
            return None

    def _show(self, *_: object) -> None:
        try:
            limit = parse_number(self.limit.text(), tr("The distance"))
            near = pair_by_nearest(
                self._tie, self._control, self._observed, limit, self.repeats.isChecked())
        except SitetieError as error:
            self.hint.say(str(error), alarm=True)
            self.show_proposals((), "", False)
            return
        said = tr("Measured on the site grid, from where the tie puts an observation.")
        if self._suggested:
            said += (tr(
                " Good pairs should lie within {suggested}.").format(
                suggested=length_words(self._suggested, self._unit)))
        self.hint.say(said)
        proposals = [
            Proposal(self._control[pair.control], self._observed[pair.observation], "; ".join(
                part for part in (tr(
                    "{distance} away").format(distance=length_words(pair.distance, self._unit)),
                                  as_recorded(self._observed[pair.observation])) if part))
            for pair in near.pairs
        ]
        self.show_proposals(proposals, *self._said(near))

    def _said(self, near: NearPairs) -> Tuple[str, bool]:
        said = []
        for rivals in near.rivals[:3]:
            names = listed(
                f"{self._control[pair.control].id} ({length_words(pair.distance, self._unit)})"
                for pair in rivals)
            said.append(tr(
                "{id} lies near {names}: left out.").format(
                id=self._observed[rivals[0].observation].id, names=names))
        for shots in near.shots[:3]:
            names = listed(self._observed[pair.observation].id for pair in shots)
            said.append(tr(
                "{id} has {names} near it: left out.").format(
                id=self._control[shots[0].control].id, names=names))
        more = max(len(near.rivals) - 3, 0) + max(len(near.shots) - 3, 0)
        if more:
            said.append(tr(
                "{more} left out.").format(
                more=counted(more, 'more unclear one', 'more unclear ones')))
        used = {pair.control for pair in near.pairs}
        paired = {pair.control.id for pair in self._job.state.pairs}
        alone = [item.id for i, item in enumerate(self._control)
                 if i not in used and item.has_position and item.id not in paired]
        if alone:
            verb = "has" if len(alone) == 1 else "have"
            said.append(tr(
                "{alone} {verb} nothing within that distance.").format(
                alone=listed(alone, most=5), verb=verb))
        return " ".join(said), bool(near.rivals or near.shots)
