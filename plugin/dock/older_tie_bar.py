"""What still stands on the site CRS of an older tie, in a sentence, with a way to move it."""

from __future__ import annotations

from typing import List, Optional, Sequence

from qgis.core import QgsMapLayer
from qgis.PyQt.QtWidgets import QFrame, QHBoxLayout, QPushButton, QVBoxLayout, QWidget

from ..site_crs import given_in_site, tie_in_words
from .hint_label import HintLabel


class OlderTieBar(QFrame):
    """Hidden while nothing is left behind."""

    def __init__(self, parent: Optional[QWidget] = None) -> None:
        super().__init__(parent)
        self.setObjectName("sitetie_older_tie")
        self.setFrameShape(QFrame.Shape.StyledPanel)
        self.label = HintLabel()
        self.move_on = QPushButton()
        self.move_on.setObjectName("sitetie_move_to_newer_tie")
        self.move_on.setAccessibleName("Move layers to the newer tie")
        layout = QVBoxLayout(self)
        layout.setContentsMargins(8, 4, 8, 4)
        layout.addWidget(self.label)
        row = QHBoxLayout()
        row.addWidget(self.move_on)
        row.addStretch(1)
        layout.addLayout(row)
        self.hide()

    def tell(self, number: int, layers: Sequence[QgsMapLayer], project: str) -> None:
        """Say what is behind tie `number`; `project` names the tie the project stands on, or is
        blank."""
        words = older_tie_words(layers, project)
        self.label.say(words)
        self.move_on.setText(f"Move to tie {number}")
        movable = bool(project) or any(given_in_site(layer) for layer in layers)
        self.move_on.setVisible(movable)
        self.setVisible(bool(words))


def older_tie_words(layers: Sequence[QgsMapLayer], project: str) -> str:
    """The sentence; blank when nothing is left behind.

    Parameters
    ----------
    project : str
        The older tie that the project stands on; blank for none.
    """
    given = [layer for layer in layers if given_in_site(layer)]
    made = [layer for layer in layers if not given_in_site(layer)]
    said = [f"the project ({project})"] if project else []
    said += _named(given)
    sentences = [f"Still on an older tie: {', '.join(said)}."] if said else []
    if made:
        sentences.append(
            f"{', '.join(_named(made))}: if brought onto the site through that tie, make "
            f"{'it' if len(made) == 1 else 'them'} anew; if given in site coordinates, set the CRS "
            "under Site CRS.")
    return " ".join(sentences)


def _named(layers: Sequence[QgsMapLayer]) -> List[str]:
    return [f"{layer.name()} ({tie_in_words(layer.crs())})" for layer in layers]
