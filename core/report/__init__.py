"""The report of a tie: its content, and the page that shows it. The plugin prints the same."""

from .content import CAUTIONS, LEVEL_WORDS, ReportDetails, report_blocks
from .html import report_html, write_report

__all__ = [
    "CAUTIONS", "LEVEL_WORDS", "ReportDetails", "report_blocks", "report_html", "write_report",
]
