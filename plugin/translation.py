"""Texts in the language of QGIS."""

from __future__ import annotations

from typing import Optional

from qgis.PyQt.QtCore import QCoreApplication

#: Where pylupdate files what is handed to a plain `tr`.
CONTEXT = "@default"


def tr(text: str, comment: Optional[str] = None, count: int = -1) -> str:
    """The text in the language of QGIS.

    Parameters
    ----------
    text : str
        A literal, so that pylupdate finds it: a whole sentence, with places in braces for
        `str.format` to fill, or ``%n`` for `count`.
    comment : str, optional
        For whoever translates, and to tell equal texts apart.
    count : int
        Chooses between singular and plural.
    """
    return QCoreApplication.translate(CONTEXT, text, comment, count)
