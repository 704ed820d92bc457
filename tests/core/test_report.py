"""The report says what the tie says, and nothing a point's name could do to it."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from sitetie.core import Control, Observation, Pair, Settings, read_pairs, solve
from sitetie.core.exaggeration import exaggeration
from sitetie.core.report import ReportDetails, report_html, write_report
from sitetie.core.report.drawing import geometry_svg

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"


@pytest.fixture(scope="module")
def reviewed():
    return solve(read_pairs(SAMPLE / "pairs_reviewed.csv"), Settings(
        observation_crs="EPSG:7931", vertical_model="plane", tolerance_h=0.03, tolerance_v=0.045))


def text_of(html: str) -> str:
    """The words of a page, without mark-up and style."""
    body = re.sub(r"<(style|svg).*?</\1>", " ", html, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", body))


def test_report_states_residuals_and_identity(reviewed):
    words = text_of(report_html(reviewed, ReportDetails(job="Quarry", made="2026-01-02")))
    row = reviewed.residuals["K02"]
    assert f"{abs(row.east) * 1000:.1f}" in words
    assert f"{abs(row.north) * 1000:.1f}" in words
    assert f"{abs(row.up) * 1000:.1f}" in words
    assert reviewed.id in words
    assert reviewed.provenance.proj in words
    assert "Responsible surveyor" in words
    assert "not a boundary opinion" in words
    assert "solved − given" in words


def test_report_shows_parameters_as_the_tie_has_them(reviewed):
    words = text_of(report_html(reviewed))
    assert f"{reviewed.parameters['scale'].value:.10f}" in words
    assert f"{reviewed.parameters['easting_at_origin'].value:,.4f}" in words


def test_blunders_are_named_in_the_report():
    tie = solve(read_pairs(SAMPLE / "pairs.csv"), Settings(
        observation_crs="EPSG:7931", vertical_model="plane"))
    words = text_of(report_html(tie))
    assert "two neighbouring digits are exchanged" in words
    assert "the pole had another height" in words


def test_point_names_cannot_become_markup(reviewed):
    name = '<script>alert("x")</script>'
    pairs = [dataclasses.replace(p, control=dataclasses.replace(
        p.control, id=p.control.id.replace("K02", name))) for p in reviewed.pairs]
    html = report_html(solve(pairs, reviewed.settings), ReportDetails(job=name, note=name))
    assert "<script" not in html
    assert "&lt;script&gt;" in html


def two_pairs():
    return [Pair(Control(f"M{i}", 100.0 + 300 * i, 200.0, 50.0),
                 Observation(f"o{i}", 48.0, 11.0 + 0.004 * i, 95.0)) for i in range(2)]


def test_unchecked_solution_says_so_and_prints_no_rms():
    words = text_of(report_html(solve(two_pairs(), Settings(scale=None))))
    assert "unchecked" in words or "Unchecked" in words
    horizontal = words[words.index("Horizontal"):words.index("Vertical:")]
    assert "RMS, fit" not in horizontal


def test_reference_arrow_is_as_long_as_it_says(reviewed):
    svg = geometry_svg(reviewed)
    drawn = float(re.search(r'([0-9,]+) times as large', svg).group(1).replace(",", ""))
    bar = re.search(r'M290 [0-9.]+ h([0-9.]+) .*?>([0-9,]+) m on the ground', svg, flags=re.S)
    per_metre = float(bar.group(1)) / float(bar.group(2).replace(",", ""))
    arrow = re.search(r'M10\.0 [0-9.]+ L', svg)
    assert arrow
    reference = re.search(r'<text x="([0-9.]+)"[^>]*>([0-9]+) mm of', svg)
    length = float(reference.group(1)) - 18.0
    assert length == pytest.approx(float(reference.group(2)) / 1000 * drawn * per_metre, abs=0.1)
    sizes = [p.size for r in reviewed.residuals for p in (r.horizontal, r.vertical)
             if p.size is not None and p.role != "idle"]
    points = np.array([(p.control.easting, p.control.northing) for p in reviewed.pairs
                       if p.control.has_position])
    assert drawn == exaggeration(sizes, float(np.ptp(points, axis=0).max())).factor


def test_written_whole_and_self_contained(reviewed, tmp_path):
    path = tmp_path / "report.html"
    write_report(reviewed, path)
    html = path.read_text(encoding="utf-8")
    assert not re.search(r'(src|href)="(http|file|//)', html)
    assert "<svg" in html
    assert list(tmp_path.iterdir()) == [path]
