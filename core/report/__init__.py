"""The report of a tie: one self-contained HTML file, and the text the PDF is painted from."""

from .html import ReportDetails, report_html, write_report

__all__ = ["ReportDetails", "report_html", "write_report"]
