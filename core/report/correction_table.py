"""The corrections in a report: what is used otherwise than given, on what evidence, by whom."""

from __future__ import annotations

from typing import Optional

from ..corrections import correction_words, signature_words
from ..tie import Tie
from ..wording import counted, listed
from .blocks import Column, Table, rows_of


def correction_table(tie: Tie) -> Optional[Table]:
    """One row a correction; None where there are none."""
    rows = [(pair.name, correction_words(pair, item), item.evidence, signature_words(item))
            for pair in tie.pairs for item in pair.corrections]
    if not rows:
        return None
    return Table((
        Column("pair", strong=True, share=0.13), Column("used", share=0.32),
        Column("on what evidence", share=0.37), Column("by, on", share=0.18),
    ), rows_of(rows), dense=True)


def correction_sentence(tie: Tie) -> str:
    """For the first page; blank where nothing is corrected."""
    names = [pair.control.id for pair in tie.pairs if pair.corrections]
    if not names:
        return ""
    return (f"{counted(len(names), 'pair')} {'is' if len(names) == 1 else 'are'} solved with "
            f"corrected values ({listed(names)}); the values as given stand beside them under "
            "Corrections.")
