"""What all of Sitetie's algorithms share: parameters with help, choices by code, plain errors."""

from __future__ import annotations

import math
from typing import Any, Dict, Iterable, Optional, Sequence, Tuple

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterField,
    QgsProcessingParameterFile,
    QgsProcessingParameterNumber,
    QgsProcessingParameterString,
)
from qgis.PyQt.QtGui import QIcon

from ..icons import icon
from ..translation import tr as tr  # the algorithms take it from here

#: Code as the core knows it, and what a person reads.
Choices = Sequence[Tuple[str, str]]
Values = Dict[str, Any]


class SitetieAlgorithm(QgsProcessingAlgorithm):
    """An algorithm whose `compute` may raise the core's errors; a person reads their sentence.

    Attributes
    ----------
    ID, TITLE, SUMMARY, HELP : str
        Its name in scripts, in the toolbox, in one sentence, and in full.
    """

    ID = TITLE = SUMMARY = HELP = ""

    def __init__(self) -> None:
        super().__init__()
        self._choices: Dict[str, Choices] = {}

    def createInstance(self) -> QgsProcessingAlgorithm:
        return type(self)()

    def name(self) -> str:
        return self.ID

    def displayName(self) -> str:
        return self.TITLE

    def shortDescription(self) -> str:
        return self.SUMMARY

    def shortHelpString(self) -> str:
        return self.HELP

    def icon(self) -> QIcon:
        return icon()

    def compute(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        """Do the work; the results by output name."""
        raise NotImplementedError

    def processAlgorithm(
        self, parameters: Values, context: QgsProcessingContext, feedback: QgsProcessingFeedback
    ) -> Values:
        from ...core.errors import SitetieError
        from ..worker_threads import keep_thread_state

        keep_thread_state()
        try:
            return self.compute(parameters, context, feedback)
        except SitetieError as error:
            raise QgsProcessingException(str(error)) from None

    # -- parameters --------------------------------------------------------------------------

    def add(
        self, parameter: QgsProcessingParameterDefinition, text: str, advanced: bool = False
    ) -> None:
        """Add a parameter with its help."""
        parameter.setHelp(text)
        if advanced:
            parameter.setFlags(
                parameter.flags() | QgsProcessingParameterDefinition.Flag.FlagAdvanced
            )
        self.addParameter(parameter)

    def add_tie(self) -> None:
        """Add the tie as an input."""
        parameter = QgsProcessingParameterFile(
            "TIE", tr("Tie"), fileFilter=tr("Sitetie tie (*.json)") + ";;" + tr("All files (*)")
        )
        self.add(parameter, tr("As solved by “Solve tie”."))

    def add_fields(self, layer: str, fields: Iterable[Tuple[str, str, str]]) -> None:
        """Add fields of a layer that may be left blank: name, description, help."""
        for name, description, text in fields:
            self.add(
                QgsProcessingParameterField(
                    name, description, parentLayerParameterName=layer, optional=True
                ),
                text,
            )

    def add_geoid(self, name: str, description: str, text: str) -> None:
        """Add a geoid grid that may be left blank."""
        kinds = tr("Geoid grids (*.gtx *.tif *.tiff)") + ";;" + tr("All files (*)")
        self.add(
            QgsProcessingParameterFile(name, description, optional=True, fileFilter=kinds), text,
            advanced=True,
        )

    def add_text(self, name: str, description: str, text: str) -> None:
        """Add a text that may be left blank."""
        self.add(QgsProcessingParameterString(name, description, optional=True), text,
                 advanced=True)

    def add_choice(
        self, name: str, description: str, choices: Choices, text: str, advanced: bool = False
    ) -> None:
        """Add a choice among codes; the first is the default. Scripts may give the code itself."""
        self._choices[name] = choices
        parameter = QgsProcessingParameterEnum(
            name, description, options=[label for _, label in choices], defaultValue=0
        )
        codes = ", ".join(code for code, _ in choices)
        self.add(parameter, f"{text} {tr('Scripts may write')} {codes}.", advanced)

    def add_number(
        self,
        name: str,
        description: str,
        default: Optional[float],
        text: str,
        advanced: bool = False,
    ) -> None:
        """Add a number that is not whole; without a default it may be left blank."""
        parameter = QgsProcessingParameterNumber(
            name,
            description,
            type=QgsProcessingParameterNumber.Type.Double,
            defaultValue=default,
            optional=default is None,
        )
        parameter.setMetadata({"widget_wrapper": {"decimals": 9}})
        self.add(parameter, text, advanced)

    def checkParameterValues(
        self, parameters: Values, context: QgsProcessingContext
    ) -> Tuple[bool, str]:
        checked = dict(parameters)
        for name, choices in self._choices.items():
            if isinstance(parameters.get(name), str):
                code = _code(parameters[name], choices)
                if code is None:
                    codes = ", ".join(code for code, _ in choices)
                    return False, tr("{name} is {value!r}. Allowed: {codes}.").format(
                        name=name, value=parameters[name], codes=codes
                    )
                checked[name] = [known for known, _ in choices].index(code)
        return super().checkParameterValues(checked, context)

    # -- values ------------------------------------------------------------------------------

    def choice(self, parameters: Values, name: str, context: QgsProcessingContext) -> str:
        """The code chosen."""
        value, choices = parameters.get(name), self._choices[name]
        if isinstance(value, str):
            return _code(value, choices) or choices[0][0]
        return choices[self.parameterAsEnum(parameters, name, context)][0]

    def number(
        self, parameters: Values, name: str, context: QgsProcessingContext
    ) -> Optional[float]:
        """A number; None when it was left blank."""
        default = self.parameterDefinition(name).defaultValue()
        value = parameters.get(name, default)
        if value is None or (isinstance(value, str) and not value.strip()):
            return None
        if isinstance(value, (int, float)):
            # QGIS's own reading turns NaN into the default.
            return float(value)
        number = self.parameterAsDouble(parameters, name, context)
        return None if math.isnan(number) else number

    def text(self, parameters: Values, name: str, context: QgsProcessingContext) -> str:
        """A text without blanks round it."""
        return (self.parameterAsString(parameters, name, context) or "").strip()

    def field(self, parameters: Values, name: str, context: QgsProcessingContext) -> Optional[str]:
        """The name of a field; None when it was left blank."""
        return self.text(parameters, name, context) or None


def _code(value: str, choices: Choices) -> Optional[str]:
    """The code that a text means: itself, the label, or the number of the option."""
    text = value.strip()
    for place, (code, label) in enumerate(choices):
        if text.lower() in (code.lower(), label.lower(), str(place)):
            return code
    return None


def stop_if_cancelled(feedback: QgsProcessingFeedback) -> None:
    """Raises Cancelled when the person asked to stop."""
    from ...core.errors import Cancelled

    if feedback.isCanceled():
        raise Cancelled()
