"""The report as PDF: the words of the page, whole rows, feet; also from a worker thread."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from html import unescape
from pathlib import Path
from typing import Dict, List, Tuple

import pytest

from sitetie.core import Control, Observation, Pair, Settings, Tie, read_pairs, solve
from sitetie.core.errors import OutputError
from sitetie.core.report import ReportDetails, report_blocks
from sitetie.core.report.blocks import Heading, Table, flat
from sitetie.plugin.report_pdf import broken, write_report_pdf
from sitetie.plugin.report_pieces import Piece

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project" / "quarry"
MADE = "2026-01-02"
#: Width and height in points (ISO 216, ANSI/ASME Y14.1) and margins: 16 mm beside, 15 mm above.
PAPERS = {"A4": (595.28, 841.89), "Letter": (612.0, 792.0)}
BESIDE, ABOVE, BELOW = 45.4, 42.5, 30.0


@pytest.fixture(scope="module")
def tie() -> Tie:
    return solve(read_pairs(SAMPLE / "pairs.csv"), Settings(
        observation_crs="EPSG:7931", vertical_model="plane", tolerance_h=0.03, tolerance_v=0.045))


@pytest.fixture(scope="module")
def many() -> Tie:
    """Sixty pairs with long ids, on a base-grid of their own, displaced by up to 12 mm."""
    settings = Settings(base_crs="EPSG:25832", observation_crs="EPSG:4937")
    unknown = solve([Pair(Control(f"C{i}", 300.0 * i, 50.0 * i * i, 10.0),
                          Observation(f"o{i}", 48.0, 9.2 + 0.004 * i, 500.0)) for i in range(2)],
                    settings)
    pairs = []
    for i in range(60):
        latitude, longitude = 48.0 + 0.0031 * (i // 8), 9.2 + 0.004 * (i % 8)
        e, n, z = unknown.to_site(latitude, longitude, 500.0 + i)
        name = f"MARK_{i:02d}_IN_THE_NORTH_EASTERN_FIELD"
        control = Control(name, e + 0.003 * (i % 5), n - 0.002 * (i % 7), z + 0.004 * (i % 3))
        pairs.append(Pair(control, Observation(f"obs-{i:02d}", latitude, longitude, 500.0 + i)))
    return solve(pairs, settings)


DETAILS = ReportDetails(job="Quarry, stage 2", surveyor="I. Oke", licence="77-X", note="A note.",
                        made=MADE)


@pytest.fixture(scope="module")
def printed(qgis_app, tie: Tie, many: Tie, tmp_path_factory) -> Dict[Tuple[str, str], Path]:
    """The reports of both ties on both papers."""
    folder = tmp_path_factory.mktemp("reports")
    found = {}
    for name, solved in (("tie", tie), ("many", many)):
        for paper in PAPERS:
            path = found[name, paper] = folder / f"{name}-{paper}.pdf"
            write_report_pdf(solved, path, DETAILS, paper)
    return found


def pages_of(path: Path) -> List[str]:
    assert shutil.which("pdftotext"), "poppler-utils is installed by tools/prepare.sh"
    text = subprocess.run(["pdftotext", "-layout", str(path), "-"], check=True,
                          capture_output=True, text=True).stdout
    return [page for page in text.split("\f") if page.strip()]


def boxes_of(path: Path) -> List[List[tuple]]:
    """(left, top, right, bottom, word) of the words of each page, in points."""
    page = subprocess.run(["pdftotext", "-bbox", str(path), "-"], check=True,
                          capture_output=True, text=True).stdout
    found = []
    for part in re.split(r"<page ", page)[1:]:
        words = re.findall(r'<word xMin="([\d.-]+)" yMin="([\d.-]+)" xMax="([\d.-]+)" '
                           r'yMax="([\d.-]+)">(.*?)</word>', part)
        found.append([(*map(float, word[:4]), unescape(word[4])) for word in words])
    return found


def squeezed(text: str) -> str:
    return re.sub(r"\s", "", text)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_pages_have_the_size_and_feet(printed, tie: Tie, paper: str) -> None:
    path = printed["tie", paper]
    told = subprocess.run(["pdfinfo", str(path)], check=True, capture_output=True, text=True).stdout
    size = re.search(r"Page size: +([\d.]+) x ([\d.]+)", told).groups()
    assert tuple(map(float, size)) == pytest.approx(PAPERS[paper], abs=1.0)
    pages = pages_of(path)
    assert 4 <= len(pages) <= 8
    for number, page in enumerate(pages, start=1):
        foot = page.rstrip().splitlines()[-1]
        assert f"page {number} of {len(pages)}" in foot
        assert f"Quarry, stage 2 · tie {tie.short_id}" in foot
        assert len(page.strip().splitlines()) > 3, "a page with hardly anything on it"


@pytest.mark.parametrize("which", ["tie", "many"])
def test_every_word_is_printed(printed, which: str, request) -> None:
    tie = request.getfixturevalue(which)
    words = "".join(word for page in boxes_of(printed[which, "A4"]) for *_, word in page)
    for block in flat(report_blocks(tie, DETAILS)):
        if isinstance(block, Table):
            texts = [word for row in block.rows for cell in row.cells for word in cell.split()
                     if len(word) <= 14]
        elif block.kind in ("drawing", "signature"):
            continue
        else:
            values = [value for value in vars(block).values() if isinstance(value, (str, tuple))]
            texts = " ".join(
                " ".join(value) if isinstance(value, tuple) else value for value in values).split()
        for text in texts:
            assert squeezed(text) in words, text
    for text in (tie.id, "77-X", "I.Oke"):
        assert text in words


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize("which", ["tie", "many"])
def test_nothing_leaves_the_page_or_covers_the_foot(printed, which: str, paper: str) -> None:
    _inside(printed[which, paper], paper)


def test_a_name_of_any_length_stays_inside(qgis_app, tie: Tie, tmp_path: Path) -> None:
    path = tmp_path / "report.pdf"
    write_report_pdf(tie, path, ReportDetails(job="j" * 300, surveyor="s" * 90, licence="l" * 90))
    _inside(path, "A4")


def _inside(path: Path, paper: str) -> None:
    width, height = PAPERS[paper]
    for page in boxes_of(path):
        foot = max(top for _, top, _, _, _ in page)
        for left, top, right, bottom, word in page:
            assert BESIDE - 1.0 <= left <= right <= width - BESIDE + 1.0, word
            assert ABOVE - 3.0 <= top <= bottom <= height - BELOW, word
            assert bottom < foot or top > foot - 3.0, word


def test_words_do_not_run_into_one_another(printed) -> None:
    for page in boxes_of(printed["many", "A4"])[2:]:
        for i, (left, top, right, bottom, word) in enumerate(page):
            for other_left, other_top, other_right, other_bottom, other in page[i + 1:]:
                across = min(right, other_right) - max(left, other_left)
                down = min(bottom, other_bottom) - max(top, other_top)
                assert across < 0.5 or down < 0.35 * (bottom - top), (word, other)


def test_heads_are_repeated_where_a_table_goes_on(printed) -> None:
    going_on = 0
    for page in pages_of(printed["many", "A4"]):
        if "MARK_" in page and "fits" in page:
            going_on += 1
            assert "verdict" in page
    assert going_on >= 3


def test_headings_stand_on_the_page_of_what_follows(printed, tie: Tie, many: Tie) -> None:
    solved = {"tie": tie, "many": many}
    for (which, _), path in printed.items():
        headings = {squeezed(block.text) for block in flat(report_blocks(solved[which], DETAILS))
                    if isinstance(block, Heading)}
        # The words of the drawing are outlines, so its heading is the last that can be read.
        headings.remove("Control,residualsanderrorellipses")
        for page in pages_of(path):
            lines = [squeezed(line) for line in page.splitlines() if line.strip()]
            assert lines[-2] not in headings


def test_the_drawing_is_not_a_picture_of_dots(printed) -> None:
    listed = subprocess.run(["pdfimages", "-list", str(printed["tie", "A4"])], check=True,
                            capture_output=True, text=True).stdout
    assert len(listed.splitlines()) == 2  # the head of the list alone


def test_fonts_travel_with_the_file(printed) -> None:
    listed = subprocess.run(["pdffonts", str(printed["tie", "A4"])], check=True,
                            capture_output=True, text=True).stdout.splitlines()[2:]
    assert listed
    for line in listed:
        assert re.search(r" yes +(yes|no) +yes ", line), line  # embedded, and readable as text


def test_from_worker_threads(printed, tie: Tie, tmp_path: Path) -> None:
    paths = [tmp_path / "one.pdf", tmp_path / "other.pdf"]
    with ThreadPoolExecutor(2) as pool:
        list(pool.map(lambda path: write_report_pdf(tie, path, DETAILS), paths))
    for path in paths:
        assert pages_of(path) == pages_of(printed["tie", "A4"])


def test_without_a_window_system(tie: Tie, tmp_path: Path) -> None:
    """A process with QGuiApplication alone, as a script or a server has it."""
    tie.save(tmp_path / "tie.json")
    script = (
        "import sys\n"
        "from qgis.PyQt.QtGui import QGuiApplication\n"
        "application = QGuiApplication(sys.argv)\n"
        "from sitetie.core import Tie\n"
        "from sitetie.plugin.report_pdf import write_report_pdf\n"
        "write_report_pdf(Tie.load(sys.argv[1]), sys.argv[2])\n"
    )
    environment = {name: value for name, value in os.environ.items()
                   if name not in ("DISPLAY", "WAYLAND_DISPLAY")}
    environment["QT_QPA_PLATFORM"] = "offscreen"
    environment["PYTHONPATH"] = os.pathsep.join(path for path in sys.path if path)
    done = subprocess.run(
        [sys.executable, "-c", script, str(tmp_path / "tie.json"), str(tmp_path / "r.pdf")],
        env=environment, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert tie.id in squeezed("".join(pages_of(tmp_path / "r.pdf")))


def test_unwritable_place_is_said_and_leaves_the_old_file(
    qgis_app, tie: Tie, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_report_pdf(tie, tmp_path / "nowhere" / "report.pdf")
    path = tmp_path / "report.pdf"
    path.write_bytes(b"the last good one")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(OutputError, match="No space left"):
        write_report_pdf(tie, path)
    assert path.read_bytes() == b"the last good one"
    assert list(tmp_path.iterdir()) == [path]


# -- pages ---------------------------------------------------------------------------------------


def piece(height: float, **rest) -> Piece:
    return Piece(height, lambda painter, x, y: None, **rest)


def heights(pages) -> List[List[float]]:
    return [[part.height for part, _ in page] for page in pages]


def test_pieces_fill_a_page_and_go_on() -> None:
    assert heights(broken([piece(40.0), piece(50.0), piece(20.0)], 100.0)) == [[40.0, 50.0], [20.0]]


def test_a_heading_goes_along() -> None:
    pages = broken([piece(70.0), piece(10.0, keep=True), piece(30.0)], 100.0)
    assert heights(pages) == [[70.0], [10.0, 30.0]]


def test_space_is_left_out_at_the_top_of_a_page() -> None:
    pages = broken([piece(90.0), piece(20.0, space=15.0), piece(10.0, space=5.0)], 100.0)
    assert [[y for _, y in page] for page in pages] == [[0.0], [0.0, 25.0]]


def test_a_head_is_repeated_above_a_row_that_opens_a_page() -> None:
    head = piece(7.0, keep=True)
    rows = [piece(30.0, head=head) for _ in range(5)]
    assert heights(broken([head, *rows], 100.0)) == [
        [7.0, 30.0, 30.0, 30.0], [7.0, 30.0, 30.0]]


def test_a_drawing_shrinks_to_fit_but_not_too_far() -> None:
    drawing = piece(60.0, smaller=piece, least=40.0)
    assert heights(broken([piece(50.0), drawing], 100.0)) == [[50.0, 50.0]]
    assert heights(broken([piece(70.0), drawing], 100.0)) == [[70.0], [60.0]]


def test_what_is_kept_together_but_longer_than_a_page_is_broken() -> None:
    parts = [piece(30.0, keep=True) for _ in range(4)]
    assert heights(broken(parts, 100.0)) == [[30.0, 30.0, 30.0], [30.0]]
