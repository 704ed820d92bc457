"""An attribute of a feature as the core reads it."""

from __future__ import annotations

from typing import Union

from qgis.core import NULL
from qgis.PyQt.QtCore import QDate, QDateTime, Qt, QTime


def cell(value: object) -> Union[None, str, int, float]:
    """Text, number or None of an attribute; dates and times in ISO 8601."""
    if isinstance(value, (str, int, float)):
        return value
    if value is None or value == NULL:
        return None
    if isinstance(value, (QDate, QTime, QDateTime)):
        return value.toString(Qt.DateFormat.ISODateWithMs).replace(".000", "", 1)
    return str(value)
