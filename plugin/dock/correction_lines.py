"""The corrections of a pair as lines of rich text, each with a link that takes it back."""

from __future__ import annotations

import html
from typing import List

from ...core.causes import CAUSES
from ...core.corrections import correction_words, signature_words
from ...core.pairs import Pair


def correction_lines(pair: Pair) -> List[str]:
    """One line a correction; the link's fragment is its place on the pair."""
    said = []
    for place, item in enumerate(pair.corrections):
        who = signature_words(item)
        known = CAUSES.get(item.cause)
        cause = html.escape(item.evidence if known is None else known.words)
        said.append(
            f"<b>Corrected:</b> {html.escape(correction_words(pair, item))}: {cause}"
            f"{html.escape(f' ({who})' if who else '')}. <a href='#{place}'>Take it back</a>")
    return said
