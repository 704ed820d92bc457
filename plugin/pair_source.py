"""A pair table given to Processing: a text file is read as it stands, a layer row by row.

A text file goes through the core's own reader rather than through a layer, which may have turned
``007`` into 7 and no longer knows its rows.
"""

from __future__ import annotations

import os
from typing import Dict, Iterator, Mapping, Optional, Tuple
from urllib.parse import unquote, urlsplit

from qgis.core import QgsProcessingFeatureSource, QgsVectorLayer

from ..core.errors import InputError
from ..core.pair_table import PairTable, pairs_from_rows, read_pairs
from ..core.settings import Settings
from .cells import cell

_TEXT_FILES = (".csv", ".tsv", ".txt", ".tab", ".psv", ".asc", ".dat")


def text_file(value: object) -> Optional[str]:
    """The text file that a parameter's value or a layer stands for, if it does.

    Parameters
    ----------
    value : str or QgsVectorLayer
        A path, or a layer; a layer with a filter or with edits is a layer.
    """
    if isinstance(value, QgsVectorLayer):
        if value.subsetString() or value.isEditable():
            return None
        if value.providerType() == "delimitedtext":
            path = unquote(urlsplit(value.source()).path)
            return path if os.path.isfile(path) else None
        if value.providerType() != "ogr":
            return None
        value = value.source().split("|", 1)[0]
    if not isinstance(value, str) or not value.lower().endswith(_TEXT_FILES):
        return None
    return value


def pairs_from_layer(
    source: QgsProcessingFeatureSource,
    name: str,
    *,
    packed_dms: bool = False,
    columns: Optional[Mapping[str, str]] = None,
    settings: Optional[Settings] = None,
) -> PairTable:
    """Read pairs from the features of a layer or table; rows count from 1.

    Raises
    ------
    InputError
        Naming layer, row, point and remedy.
    """
    names = [field.name() for field in source.fields()]

    def rows() -> Iterator[Tuple[int, Dict[str, object]]]:
        for row, feature in enumerate(source.getFeatures(), 1):
            yield row, dict(zip(names, map(cell, feature.attributes())))

    return pairs_from_rows(
        rows(), name, packed_dms=packed_dms, columns=columns, settings=settings
    )


def pairs_from_file(
    path: str,
    *,
    packed_dms: bool = False,
    columns: Optional[Mapping[str, str]] = None,
    settings: Optional[Settings] = None,
) -> PairTable:
    """Read pairs from a text file; see `read_pairs`."""
    return read_pairs(path, packed_dms=packed_dms, columns=columns, settings=settings)


def parse_columns(text: str) -> Dict[str, str]:
    """Fields and the columns that hold them, as typed: ``easting=E grid; northing=N grid``.

    Raises
    ------
    InputError
        When a part has no equals sign.
    """
    columns = {}
    for part in filter(None, (part.strip() for part in text.split(";"))):
        field, equals, column = (piece.strip() for piece in part.partition("="))
        if not (field and equals and column):
            raise InputError(
                f"COLUMNS has {part!r}, which names no column for a field.",
                "Write field=column, parted by semicolons: easting=E grid; northing=N grid.",
            )
        columns[field] = column
    return columns
