"""Pairing by ids: a rule, and the pairs it gives."""

from __future__ import annotations

from typing import List, Optional, Sequence, Tuple

from qgis.PyQt.QtWidgets import (
    QCheckBox,
    QComboBox,
    QFormLayout,
    QLineEdit,
    QSpinBox,
    QStackedWidget,
    QVBoxLayout,
    QWidget,
)

from ...core.errors import InputError, SitetieError
from ...core.pair_rules import (
    EQUAL,
    OFFSET,
    PATTERN,
    PREFIX,
    SUFFIX,
    IdMatches,
    IdRule,
    match_ids,
    suggest_rules,
)
from ...core.pairs import Control, Observation
from ...core.wording import counted, listed
from ..dock.hint_label import HintLabel
from ..job.job import Job
from ..translation import tr
from .preview_dialog import PreviewDialog, Proposal, as_recorded, open_marks

KINDS = (
    (EQUAL, tr("the ids are equal")),
    (PREFIX, tr("something before the control id")),
    (SUFFIX, tr("something after the control id")),
    (OFFSET, tr("a larger or smaller number")),
    (PATTERN, tr("a pattern")),
)
HINTS = {
    EQUAL: tr("Observation and control point have the same id."),
    PREFIX: tr("What stands before the control id. * is any text, # a digit."),
    SUFFIX: tr("What stands after the control id, such as -1. * is any text, # a digit."),
    OFFSET: tr("How much larger the number in the observation's id is."),
    PATTERN: tr("The observation's id with {id} for the control id. * is any text, # a digit."),
}
OWN_RULE = tr("a rule of your own")


class IdRuleDialog(PreviewDialog):
    """The rule above, its pairs below; it begins with the rule that the ids suggest."""

    def __init__(
        self, job: Job, control: Sequence[Control], observations: Sequence[Observation],
        faults: Sequence[SitetieError], parent: Optional[QWidget] = None,
    ) -> None:
        super().__init__(job, tr("Pair by ids"), "sitetie_id_rule", parent)
        self._control, self._observed = open_marks(job, control, observations)
        self._taken = len(observations) - len(self._observed)
        self._faults = faults
        self._suggested = suggest_rules(
            [item.id for item in self._control], [item.id for item in self._observed])
        self._build()
        if self._suggested:
            self.suggestion.setCurrentIndex(1)
            self._take_suggestion(1)
        self._show()

    def _build(self) -> None:
        self.suggestion = QComboBox()
        self.suggestion.setObjectName("sitetie_id_suggestion")
        self.suggestion.addItem(OWN_RULE)
        for rule, matches in self._suggested:
            self.suggestion.addItem(f"{counted(len(matches.pairs), 'pair')}: {rule.sentence}")
        self.suggestion.setSizeAdjustPolicy(
            QComboBox.SizeAdjustPolicy.AdjustToMinimumContentsLengthWithIcon)
        self.suggestion.setMinimumContentsLength(30)
        self.kind = QComboBox()
        self.kind.setObjectName("sitetie_id_kind")
        for kind, words in KINDS:
            self.kind.addItem(words, kind)
        self.text = QLineEdit()
        self.text.setObjectName("sitetie_id_text")
        self.text.setAccessibleName(tr("Text of the rule"))
        self.offset = QSpinBox()
        self.offset.setObjectName("sitetie_id_offset")
        self.offset.setAccessibleName(tr("Offset of the number"))
        self.offset.setRange(-999_999_999, 999_999_999)
        self.entry = QStackedWidget()
        self.entry.addWidget(self.text)
        self.entry.addWidget(self.offset)
        self.hint = HintLabel()
        self.loose = QCheckBox(tr("Capitals, blanks and leading zeros make no difference"))
        self.loose.setObjectName("sitetie_id_loose")
        self.sentence = HintLabel()
        self.sentence.setObjectName("sitetie_id_sentence")
        form = QFormLayout()
        form.setFieldGrowthPolicy(QFormLayout.FieldGrowthPolicy.AllNonFixedFieldsGrow)
        form.addRow(tr("Su&ggested by the ids"), self.suggestion)
        form.addRow(tr("&How the ids differ"), self.kind)
        form.addRow(tr("&By what"), self.entry)
        form.addRow("", self.loose)
        layout = QVBoxLayout(self.entries)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.addLayout(form)
        layout.addWidget(self.hint)
        layout.addWidget(self.sentence)
        form.labelForField(self.entry).setBuddy(self.text)
        self.suggestion.activated.connect(self._suggestion_chosen)
        self.kind.activated.connect(self._edited)
        self.text.textEdited.connect(self._edited)
        self.offset.valueChanged.connect(self._edited)
        self.loose.clicked.connect(self._edited)

    def rule(self) -> IdRule:
        """Raises InputError when the entries make none."""
        kind = self.kind.currentData()
        return IdRule(kind, self.text.text() if kind in (PREFIX, SUFFIX, PATTERN) else "",
                      self.offset.value() if kind == OFFSET else 0, self.loose.isChecked())

    def _suggestion_chosen(self, place: int) -> None:
        self._take_suggestion(place)
        self._show()

    def _take_suggestion(self, place: int) -> None:
        if place == 0:
            return
        rule = self._suggested[place - 1][0]
        self.kind.setCurrentIndex([kind for kind, _ in KINDS].index(rule.kind))
        self.text.setText(rule.text)
        self.offset.blockSignals(True)
        self.offset.setValue(rule.offset)
        self.offset.blockSignals(False)
        self.loose.setChecked(rule.loose)

    def _edited(self, *_: object) -> None:
        self.suggestion.setCurrentIndex(0)
        self._show()

    def _show(self) -> None:
        kind = self.kind.currentData()
        self.entry.setCurrentWidget(self.offset if kind == OFFSET else self.text)
        self.entry.setEnabled(kind != EQUAL)
        self.hint.say(HINTS[kind])
        try:
            rule = self.rule()
        except InputError as error:
            self.sentence.say(str(error), alarm=True)
            self.show_proposals((), "", False)
            return
        self.sentence.say(rule.sentence)
        matches = match_ids(
            rule, [item.id for item in self._control], [item.id for item in self._observed])
        self.show_proposals(self._proposed(matches), *self._said(matches))

    def _proposed(self, matches: IdMatches) -> List[Proposal]:
        return [
            Proposal(self._control[control], self._observed[observation],
                     as_recorded(self._observed[observation]))
            for control, observation in sorted(matches.pairs)
        ]

    def _said(self, matches: IdMatches) -> Tuple[str, bool]:
        """What the rule leaves out, and whether that is alarming."""
        said = []
        used = {observation for _, observation in matches.pairs}
        unclear = {observation for observation, _ in matches.ambiguous}
        for observation, rivals in matches.ambiguous[:3]:
            names = listed((self._control[i].id for i in rivals), "and", most=4)
            said.append(tr(
                "{id} would fit {names}: left out.").format(
                id=self._observed[observation].id, names=names))
        if len(matches.ambiguous) > 3:
            said.append(tr(
                "{what} more would fit several: left out.").format(what=len(matches.ambiguous) - 3))
        alone = [item.id for i, item in enumerate(self._observed)
                 if i not in used and i not in unclear]
        if alone:
            verb = "has" if len(alone) == 1 else "have"
            said.append(tr(
                "{alone} {verb} no partner by this rule.").format(
                alone=listed(alone, most=5), verb=verb))
        if self._taken:
            said.append(tr(
                "{taken} paired already.").format(taken=counted(self._taken, 'observation')))
        if self._faults:
            said.append(tr(
                "{counted} cannot be read, the first: {faults}").format(
                counted=counted(len(self._faults), 'feature'), faults=self._faults[0]))
        return " ".join(said), bool(matches.ambiguous or self._faults)
