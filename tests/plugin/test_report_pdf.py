"""The report as PDF: pages, words, foot; also from a worker thread."""

from __future__ import annotations

import shutil
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from sitetie.core import Settings, read_pairs, solve
from sitetie.core.errors import OutputError
from sitetie.core.report import ReportDetails
from sitetie.plugin.report_pdf import write_report_pdf

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"


@pytest.fixture(scope="module")
def tie():
    return solve(read_pairs(SAMPLE / "pairs_reviewed.csv"),
                 Settings(observation_crs="EPSG:7931", vertical_model="plane"))


def words(path: Path) -> str:
    assert shutil.which("pdftotext"), "poppler-utils is installed by tools/prepare.sh"
    return subprocess.run(["pdftotext", "-layout", str(path), "-"], check=True,
                          capture_output=True, text=True).stdout


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_pages_have_text_and_feet(qgis_app, tie, tmp_path, paper):
    path = tmp_path / "report.pdf"
    write_report_pdf(tie, path, ReportDetails(job="Quarry, stage 2"), paper)
    pages = [page for page in words(path).split("\f") if page.strip()]
    assert len(pages) >= 3
    for number, page in enumerate(pages, start=1):
        assert f"page {number} of {len(pages)}" in page
        assert tie.short_id in page
    whole = " ".join(pages)
    assert tie.id in whole.replace("\n", "")
    for heading in ("What was solved", "Is it plausible?", "Parameters", "Before it is used"):
        assert heading in whole


def test_from_a_worker_thread(qgis_app, tie, tmp_path):
    path = tmp_path / "thread.pdf"
    with ThreadPoolExecutor(1) as pool:
        pool.submit(write_report_pdf, tie, path).result()
    assert "Tie report" in words(path)


def test_unwritable_place_is_said(qgis_app, tie, tmp_path):
    with pytest.raises(OutputError, match="cannot be written"):
        write_report_pdf(tie, tmp_path / "nowhere" / "report.pdf")
