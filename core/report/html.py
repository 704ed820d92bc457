"""Reports as HTML pages."""

from __future__ import annotations

import os
import re
from typing import Any, Optional, Sequence

from ..tie import Tie
from ..whole_file import write_whole_file
from .blocks import Block
from .content import ReportDetails, report_blocks

#: Words longer than this may be broken inside a table.
LONG_WORD = 14


def write_report(tie: Tie, path, details: Optional[ReportDetails] = None) -> None:
    """Write the report as one HTML file, all or nothing.

    Raises
    ------
    OutputError
    """
    write_whole_file(path, report_html(tie, details).encode("utf-8"))


def report_html(tie: Tie, details: Optional[ReportDetails] = None) -> str:
    """The report as HTML text: self-contained, nothing is fetched and nothing runs."""
    details = details or ReportDetails()
    title = f"Tie report – {details.job}" if details.job else "Tie report"
    return page_html(title, f"tie {tie.short_id}", report_blocks(tie, details))


def page_html(title: str, foot: str, blocks: Sequence[Block]) -> str:
    """Blocks as one page of HTML; `foot` stands at the bottom of each printed page."""
    import jinja2
    from markupsafe import Markup

    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(os.path.dirname(os.path.abspath(__file__))),
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
    )
    environment.filters["breakable"] = _breakable
    environment.filters["svg"] = Markup
    return environment.get_template("report.html").render(title=title, foot=foot, blocks=blocks)


def _breakable(text: str) -> Any:
    """The text, escaped, with places to break inside long words; copying gives it unchanged."""
    from markupsafe import Markup, escape

    pieces = []
    for word in re.split(r"(\s+)", text):
        if len(word) <= LONG_WORD:
            pieces.append(escape(word))
            continue
        parts = re.findall(r"[^_\-./]{1,10}[_\-./]?|[_\-./]", word)
        pieces.append(Markup("<wbr>").join(parts))
    return Markup("").join(pieces)
