"""The report as one HTML page."""

from __future__ import annotations

import os
import re
from typing import Any, Optional

from ..tie import Tie
from ..whole_file import write_whole_file
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
    import jinja2
    from markupsafe import Markup

    details = details or ReportDetails()
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(os.path.dirname(os.path.abspath(__file__))),
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
    )
    environment.filters["breakable"] = _breakable
    environment.filters["svg"] = Markup
    return environment.get_template("report.html").render(
        tie=tie, details=details, blocks=report_blocks(tie, details))


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
