"""The report says what the tie says, and nothing a point's name could do to it."""

from __future__ import annotations

import dataclasses
import html
import math
import re
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from pathlib import Path
from typing import Dict, List

import numpy as np
import pytest

from sitetie.core import (
    Control,
    HeldScale,
    Observation,
    Pair,
    Settings,
    Tie,
    find_suspects,
    read_pairs,
    solve,
)
from sitetie.core.corrections import signed
from sitetie.core.inverse_table import inverse_table
from sitetie.core.plausibility import plausibility
from sitetie.core.published import tie_from_parameters
from sitetie.core.report import (
    CAUTIONS,
    ReportDetails,
    report_blocks,
    report_html,
    write_report,
)
from sitetie.core.report.blocks import Banner, Drawing, Heading, Table, flat
from sitetie.core.report.correction_table import correction_table
from sitetie.core.report.drawing import geometry_drawing
from sitetie.core.report.labels import Box, placed, short_names
from sitetie.core.report.pair_tables import (
    check_words,
    control_table,
    observation_table,
    residual_table,
)
from sitetie.core.report.solution_tables import fit_sentences, fit_table, line_table
from sitetie.core.tie_check import check_against

SAMPLE = Path(__file__).resolve().parents[2] / "sample_project"
MADE = "2026-01-02 03:04 UTC"
SVG = "{http://www.w3.org/2000/svg}"


def quarry(name: str, **changes) -> Tie:
    settings = Settings(observation_crs="EPSG:7931", vertical_model="plane", tolerance_h=0.03,
                        tolerance_v=0.045)
    return solve(read_pairs(SAMPLE / "quarry" / f"{name}.csv"), settings.replace(**changes))


@pytest.fixture(scope="module")
def reviewed() -> Tie:
    return quarry("pairs_reviewed")


@pytest.fixture(scope="module")
def blunders() -> Tie:
    return quarry("pairs")


@pytest.fixture(scope="module")
def first_two() -> Tie:
    return quarry("pairs_first_two", vertical_model="shift")


@pytest.fixture(scope="module")
def feet() -> Tie:
    return solve(read_pairs(SAMPLE / "lagoon" / "pairs.csv"), Settings(
        observation_crs="EPSG:6319", site_unit="us-ft", tolerance_h=0.1))


@pytest.fixture(scope="module")
def typed() -> Tie:
    settings = Settings(base_crs="EPSG:25832", observation_crs="EPSG:4937")
    parameters = {"easting": (-400000.0, "m"), "northing": (-5000000.0, "m"), "scale": 1.00004,
                  "rotation": 2.5}
    return tie_from_parameters(settings, "EPSG:9621", parameters, vertical={"shift": -47.2},
                               accuracy_h=0.02, accuracy_v=0.03, source="Sheet <12>")


def text_of(page: str) -> str:
    """The words of a page, without mark-up, style and drawing."""
    body = re.sub(r"<(style|svg).*?</\1>", " ", page, flags=re.S).replace("<wbr>", "")
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", body)))


def number(cell: str) -> float:
    return float(cell.replace("−", "-").replace(",", "").replace("! ", "").rstrip("°*"))


def rows_by(table: Table, *keys: str) -> Dict[tuple, Dict[str, str]]:
    """Rows as dictionaries of column title and unit, found by the cells of the key columns."""
    names = [f"{column.title} {column.unit}".strip() for column in table.columns]
    found = {}
    for row in table.rows:
        if not row.group:
            cells = dict(zip(names, row.cells))
            found[tuple(cells[key] for key in keys)] = cells
    return found


# -- figures ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("which", ["reviewed", "blunders", "feet"])
def test_residuals_are_those_of_the_tie(which: str, request) -> None:
    tie = request.getfixturevalue(which)
    for side, axes in (("horizontal", ("east", "north")), ("vertical", ("up",))):
        unit = "mm" if tie.settings.site_unit == "m" else "0.001 ft"
        rows = rows_by(residual_table(tie, side), "control", "observation")
        expected = [row for row in tie.residuals if getattr(row, side).residual is not None]
        assert len(rows) == len(expected)
        for row in expected:
            part, cells = getattr(row, side), rows[row.control_id, row.observation_id]
            for value, axis in zip(part.residual, axes):
                off = abs(number(cells[f"{axis} {unit}"]) - 1000.0 * value)
                assert off <= (0.0501 if abs(value) < 0.1 else 0.501), (row.control_id, axis)
            if part.within_tolerance is not None:
                column = next(name for name in cells if name.startswith("tolerance"))
                assert cells[column] == ("met" if part.within_tolerance else "NOT met")


@pytest.mark.parametrize("which", ["reviewed", "blunders", "feet"])
def test_marks_carry_their_test_and_leave_one_out_once(which: str, request) -> None:
    tie = request.getfixturevalue(which)
    unit = "mm" if tie.settings.site_unit == "m" else "0.001 ft"
    rows = rows_by(residual_table(tie, "vertical"), "control", "observation")
    seen = set()
    for row in tie.residuals:
        part = row.vertical
        if part.residual is None:
            continue
        cells = rows[row.control_id, row.observation_id]
        test = cells["test limit 3.3"]
        if (row.control_id, part.role) in seen:
            assert test == ""
            continue
        seen.add((row.control_id, part.role))
        if part.test is None:
            assert test == ""
            continue
        assert number(test) == pytest.approx(part.test, abs=0.051)
        assert test.startswith("! ") == (part.test > part.critical)
        if part.deleted is not None:
            off = abs(number(cells[f"left out: up {unit}"]) - 1000.0 * part.deleted[0])
            assert off <= (0.0501 if abs(part.deleted[0]) < 0.1 else 0.501)


def test_check_pairs_stand_apart(reviewed: Tie) -> None:
    roles = {row.control_id: row.horizontal.role for row in reviewed.residuals}
    group = None
    for row in residual_table(reviewed, "horizontal").rows:
        if row.group:
            group = row.cells[0].split(":")[0].lower()
        else:
            assert roles[row.cells[0]] == group
    words = check_words(reviewed)
    worst = max(row.horizontal.size for row in reviewed.residuals if row.horizontal.role == "check")
    assert f"at most {1000 * worst:.1f} mm" in words
    assert "K06 and K10" in words


def test_statistics_in_numbers_and_words(reviewed: Tie) -> None:
    rows = rows_by(fit_table(reviewed), "")
    for side in ("horizontal", "vertical"):
        part = getattr(reviewed.statistics, side)
        unit_rows = {key[0]: cells[side] for key, cells in rows.items()}
        assert unit_rows["Redundancy"] == str(part.redundancy)
        assert unit_rows["RMS of the fit pairs"] == (
            f"{part.rms * 1000:.1f} mm (divided by {part.fit_pairs})")
        assert unit_rows["RMS of the check pairs"] == (
            f"{part.check_rms * 1000:.1f} mm (divided by {part.check_pairs})")
        assert unit_rows["Variance factor"].startswith(f"{part.variance_factor:.2f}")
        assert unit_rows["Test of the whole (χ²)"] == f"passed (p {part.p_value:.3f})"
    assert "as large as the sigmas lead one to expect" in fit_sentences(reviewed)


def test_rms_is_the_root_of_the_mean_squared_residual(reviewed: Tie) -> None:
    """The number that the report says it is divided by gives the RMS from the printed residuals."""
    rows = rows_by(residual_table(reviewed, "horizontal"), "control", "observation")
    roles = {(r.control_id, r.observation_id): r.horizontal.role for r in reviewed.residuals}
    lengths = [number(cells["length mm"]) for key, cells in rows.items() if roles[key] == "fit"]
    printed = rows_by(fit_table(reviewed), "")[("RMS of the fit pairs",)]["horizontal"]
    rms, divisor = re.match(r"([\d.]+) mm \(divided by (\d+)\)", printed).groups()
    assert float(rms) == pytest.approx(
        math.sqrt(sum(value ** 2 for value in lengths) / int(divisor)), abs=0.06)


def test_parameters_are_those_of_the_tie(reviewed: Tie) -> None:
    tables = [block for block in flat(report_blocks(reviewed, ReportDetails()))
              if isinstance(block, Table) and block.columns[0].title == "parameter"]
    shown = {key[0]: cells for table in tables
             for key, cells in rows_by(table, "parameter").items()}
    for parameter in reviewed.parameters:
        cells = shown[parameter.name.replace("_", " ")]
        scale = max(1.0, abs(parameter.value))
        assert number(cells["value"]) == pytest.approx(parameter.value, abs=6e-5 * scale)
        if parameter.sigma:
            assert number(cells["sigma"]) == pytest.approx(parameter.sigma, rel=0.06)
    assert number(shown["scale"]["value"]) == pytest.approx(
        reviewed.parameters["scale"].value, abs=5.1e-11)


def test_a_held_scale_is_said_to_be_held() -> None:
    tie = quarry("pairs_reviewed", scale=HeldScale(1.0000858, 0.0, "ground"))
    words = text_of(report_html(tie))
    assert "scale held at 1.000085800 exactly (ground)" in words
    assert re.search(r"scale 1\.0000858000 held 1", words)


def test_inverse_table_is_complete(reviewed: Tie) -> None:
    lines = inverse_table(reviewed)
    rows = rows_by(line_table(reviewed, lines), "line")
    assert len(rows) == len(lines)
    for line in lines:
        cells = rows[(f"{line.from_id} – {line.to_id}",)]
        assert number(cells["record m"]) == pytest.approx(line.record_distance, abs=5.1e-4)
        assert number(cells["measured − record mm"]) == pytest.approx(
            1000.0 * line.difference, abs=0.051)


def test_lines_of_a_wrong_mark_are_marked(blunders: Tie) -> None:
    rows = rows_by(line_table(blunders, inverse_table(blunders)), "line")
    marked = {key[0] for key, cells in rows.items()
              if cells["measured − record mm"].startswith("!")}
    assert len(marked) >= 6
    assert all("K08" in name for name in marked)


def test_everything_is_on_the_page(reviewed: Tie) -> None:
    details = ReportDetails(job="Quarry", surveyor="I. Oke", licence="77", note="n", made=MADE)
    words = text_of(report_html(reviewed, details))
    for block in flat(report_blocks(reviewed, details)):
        if isinstance(block, Table):
            texts = [cell for row in block.rows for cell in row.cells]
            texts += [c.title for c in block.columns] + [c.unit for c in block.columns]
        else:
            texts = [value for value in vars(block).values() if isinstance(value, str)
                     and not isinstance(block, Drawing)]
        for text in texts:
            assert re.sub(r"\s+", " ", text).strip() in words, text
    for finding in plausibility(reviewed):
        assert finding.sentence in words
    for text in (*CAUTIONS, reviewed.id, reviewed.provenance.proj, "Responsible surveyor",
                 "Licence number", "Signature", "Date", MADE, "Basis of bearings"):
        assert text in words


def test_pairs_can_be_solved_again_from_the_page(reviewed: Tie) -> None:
    """Coordinates as given: control to 0.1 mm, positions to 0.3 mm."""
    tables = {block.columns[0].title: block for block in
              flat(report_blocks(reviewed, ReportDetails())) if isinstance(block, Table)}
    controls = rows_by(tables["control"], "control")
    observations = rows_by(tables["observation"], "observation")
    for pair in reviewed.pairs:
        cells = controls[(pair.control.id,)]
        if pair.control.has_position:
            assert number(cells["easting m"]) == pytest.approx(pair.control.easting, abs=5.1e-5)
        cells = observations[(pair.observation.id,)]
        degrees, minutes, seconds = map(float, re.match(
            r"(\d+)°(\d+)′([\d.]+)″ N", cells["latitude"]).groups())
        assert degrees + minutes / 60 + seconds / 3600 == pytest.approx(
            pair.observation.latitude, abs=1.5e-9)


# -- words -----------------------------------------------------------------------------------------


def test_blunders_are_named(blunders: Tie) -> None:
    words = text_of(report_html(blunders))
    assert "two neighbouring digits are exchanged" in words
    assert "the pole had another height" in words
    banner = next(b for b in report_blocks(blunders, ReportDetails()) if isinstance(b, Banner))
    assert banner.sign == "■"
    assert "K08" in banner.advice


def test_a_sound_tie_has_a_tick(reviewed: Tie) -> None:
    banner = next(b for b in report_blocks(reviewed, ReportDetails()) if isinstance(b, Banner))
    assert (banner.sign, banner.advice) == ("✓", "Nothing speaks against it.")


def test_unchecked_is_written_and_no_rms_of_zero(first_two: Tie) -> None:
    rows = rows_by(fit_table(first_two), "")
    for name in ("RMS of the fit pairs", "Largest residual of a fit pair", "Variance factor",
                 "Test of the whole (χ²)"):
        assert rows[(name,)]["horizontal"] == "unchecked", name
    assert rows[("Redundancy",)]["horizontal"] == "0: unchecked"
    assert rows[("Tolerance",)]["horizontal"] == "30 mm: unchecked"
    assert rows[("RMS of the fit pairs",)]["vertical"] == "1.0 mm (divided by 2)"
    for cells in rows_by(residual_table(first_two, "horizontal"), "control").values():
        assert cells["tolerance 30 mm"] == "unchecked"
        assert cells["test and limit"] == "unchecked"
    words = text_of(report_html(first_two))
    assert "Horizontal unchecked" in words
    assert not re.search(r"RMS[^.]{0,30} 0(\.0)? mm", words)
    assert "No pair was withheld as a check" in words


def test_feet_stay_feet(feet: Tie) -> None:
    tables = [residual_table(feet, side) for side in ("horizontal", "vertical")]
    tables.append(line_table(feet, inverse_table(feet)))
    units = {column.unit for table in tables for column in table.columns}
    assert not any("mm" in unit for unit in units)
    assert "0.001 ft" in units
    words = text_of(report_html(feet))
    assert "US survey foot" in words
    assert "9,349.9780" in words


def test_typed_parameters(typed: Tie) -> None:
    page = report_html(typed)
    words = text_of(page)
    assert "Typed parameters, unchecked" in words
    assert "Sheet <12>" in words
    assert "<12>" not in page
    assert "<svg" not in page
    for wrong in ("RMS", "fit marks", "solved −"):
        assert wrong not in words, wrong


def test_typed_parameters_against_observations(typed: Tie) -> None:
    pairs = []
    for i, (latitude, longitude) in enumerate(((48.0, 9.2), (48.01, 9.21), (48.0, 9.22))):
        e, n, z = typed.to_site(latitude, longitude, 500.0)
        pairs.append(Pair(Control(f"C{i}", e + 0.012, n, z - 0.020),
                          Observation(f"o{i}", latitude, longitude, 500.0)))
    words = text_of(report_html(check_against(typed, pairs).tie))
    assert "compared with 3 check pairs" in words
    assert "their mean −12.0 east and 0.0 north (mm)" in words
    assert "their mean +20.0 up (mm)" in words


def test_restated_points_outside_the_control_are_said(reviewed: Tie) -> None:
    latitude, longitude, height = reviewed.to_geodetic(
        np.array([2200.0, 4000.0]), np.array([4900.0, 4900.0]), np.array([500.0, 500.0]))
    inside = text_of(report_html(reviewed))
    outside = text_of(report_html(reviewed, ReportDetails(restated=(latitude, longitude, height))))
    assert "1 of 2 points" in outside
    assert "of 2 points" not in inside


# -- mark-up ---------------------------------------------------------------------------------------


class Elements(HTMLParser):
    """Names of elements and attributes of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.names: List[str] = []
        self.attributes: Dict[str, set] = {}
        self.feed(page)

    def handle_starttag(self, tag, attrs) -> None:
        self.names.append(tag)
        for name, value in attrs:
            self.attributes.setdefault(name, set()).add(value)


HOSTILE = ('<script>alert("x")</script>', "<img src=x onerror=alert(1)>", "</style><script>1",
           '" onload="x', "{{ 7 * 7 }}", "a\nb\tc", "</svg><script>", "&lt;b&gt;")


@pytest.mark.parametrize("name", HOSTILE)
def test_no_text_of_a_user_becomes_markup(reviewed: Tie, name: str) -> None:
    pairs = []
    for i, pair in enumerate(reviewed.pairs):
        if pair.control.id == "K02":
            pair = dataclasses.replace(
                pair, file=f"/x/{name}", control=dataclasses.replace(pair.control, id=name),
                observation=dataclasses.replace(
                    pair.observation, id=f"{name}{i}", session=name, fix=name, source=name))
        pairs.append(pair)
    tie = solve(pairs, reviewed.settings)
    plain = Elements(report_html(reviewed, ReportDetails(job="j", note="n", made=MADE)))
    page = report_html(tie, ReportDetails(job=name, surveyor=name, licence=name, note=name,
                                          accepted=name, number=1, made=name))
    hostile = Elements(page)
    assert set(hostile.names) == set(plain.names)
    assert set(hostile.attributes) == set(plain.attributes)
    assert re.sub(r"\s+", " ", name) in text_of(page)
    ElementTree.fromstring(geometry_drawing(tie).svg)


def test_self_contained_and_well_formed(reviewed: Tie, tmp_path: Path) -> None:
    path = tmp_path / "report.html"
    write_report(reviewed, path)
    assert list(tmp_path.iterdir()) == [path]
    page = path.read_text(encoding="utf-8")
    elements = Elements(page)
    assert not {"src", "href", "action", "data"} & set(elements.attributes)
    assert not {"script", "link", "iframe", "img", "object"} & set(elements.names)
    assert "url(" not in page
    assert "@import" not in page
    ElementTree.fromstring(re.search(r"<svg.*</svg>", page, re.S).group(0))


def test_the_same_tie_gives_the_same_page(reviewed: Tie, tmp_path: Path) -> None:
    details = ReportDetails(job="Quarry", made=MADE)
    reviewed.save(tmp_path / "tie.json")
    again = Tie.load(tmp_path / "tie.json")
    assert report_html(again, details) == report_html(reviewed, details)


def test_tables_are_rectangular(reviewed: Tie, blunders: Tie, feet: Tie, typed: Tie) -> None:
    for tie in (reviewed, blunders, feet, typed):
        for block in flat(report_blocks(tie, ReportDetails())):
            if isinstance(block, Table):
                for row in block.rows:
                    assert len(row.cells) == (1 if row.group else len(block.columns))


def test_every_heading_has_something_under_it(reviewed: Tie, typed: Tie) -> None:
    for tie in (reviewed, typed):
        blocks = list(flat(report_blocks(tie, ReportDetails())))
        for block, following in zip(blocks, blocks[1:]):
            if isinstance(block, Heading) and isinstance(following, Heading):
                assert following.level > block.level
        assert not isinstance(blocks[-1], Heading)


# -- the drawing -----------------------------------------------------------------------------------


class Drawn:
    """The parts of a drawing, read back from its SVG."""

    def __init__(self, tie: Tie) -> None:
        drawing = geometry_drawing(tie)
        self.root = ElementTree.fromstring(drawing.svg)
        self.texts = list(self.root.iter(f"{SVG}text"))
        self.words = " | ".join(element.text for element in self.texts)
        self.map_height = float(self.root.find(f"{SVG}rect").get("height"))
        self.height, self.width = drawing.height, drawing.width

    def arrows(self) -> List[tuple]:
        """((x, y) of the foot, (x, y) of the tip, cut) of each arrow."""
        paths = list(self.root.iter(f"{SVG}path"))
        found = []
        for shaft, head in zip(paths, paths[1:]):
            if shaft.get("stroke") == "#a63d17" and head.get("fill") == "#a63d17":
                foot = re.match(r"M([\d.-]+) ([\d.-]+)", shaft.get("d"))
                tip = re.match(r"M([\d.-]+) ([\d.-]+)", head.get("d"))
                found.append((tuple(map(float, foot.groups())), tuple(map(float, tip.groups())),
                              shaft.get("stroke-dasharray") is not None))
        return found

    def dots(self) -> np.ndarray:
        """Places of the fit marks in the map."""
        return np.array([(float(c.get("cx")), float(c.get("cy")))
                         for c in self.root.iter(f"{SVG}circle")
                         if float(c.get("cy")) < self.map_height])

    def scale(self, tie: Tie) -> float:
        """Drawing units in a site unit, from the places of the fit marks."""
        marks = np.array([(p.control.easting, p.control.northing) for p in tie.pairs
                          if p.horizontal.value == "fit"])
        return float(np.ptp(self.dots()[:, 0]) / np.ptp(marks[:, 0]))


@pytest.mark.parametrize("which", ["reviewed", "feet", "blunders"])
def test_arrows_are_residuals_times_the_factor_that_is_said(which: str, request) -> None:
    tie = request.getfixturevalue(which)
    drawn = Drawn(tie)
    scale = drawn.scale(tie)
    factor = float(re.search(r"horizontal residual, solved − given, drawn ([\d,.]+) times",
                             drawn.words).group(1).replace(",", ""))
    arrows = [arrow for arrow in drawn.arrows() if arrow[0][1] < drawn.map_height]
    wanted = {}
    for row in tie.residuals:
        if row.horizontal.role != "idle" and row.horizontal.residual is not None:
            wanted[row.observation_id] = np.array([row.east, -row.north]) * factor * scale
    shown = [name for name, vector in wanted.items() if np.hypot(*vector) >= 0.5]
    assert len(arrows) == len(shown)
    for (foot, tip, cut), name in zip(arrows, shown):
        vector = np.subtract(tip, foot)
        along = wanted[name] / np.hypot(*wanted[name])
        assert vector[0] * along[1] - vector[1] * along[0] == pytest.approx(0.0, abs=0.2)
        assert np.dot(vector, wanted[name]) > 0.0
        if not cut:
            assert vector == pytest.approx(wanted[name], abs=0.15)
        else:
            assert np.hypot(*vector) < np.hypot(*wanted[name])


@pytest.mark.parametrize("which", ["reviewed", "feet", "blunders"])
def test_reference_arrow_and_scale_bar_are_as_long_as_they_say(which: str, request) -> None:
    tie = request.getfixturevalue(which)
    drawn = Drawn(tie)
    scale = drawn.scale(tie)
    reference = [arrow for arrow in drawn.arrows() if arrow[0][1] > drawn.map_height]
    assert len(reference) == 1
    size, unit, factor = re.search(
        r"([\d.,]+) (mm|m|ft) horizontal residual, solved − given, drawn ([\d,.]+) times",
        drawn.words).groups()
    true = float(size.replace(",", "")) * {"mm": 1e-3, "m": 1.0, "ft": 1.0}[unit]
    (foot, tip, cut) = reference[0]
    assert not cut
    assert tip[0] - foot[0] == pytest.approx(
        true * float(factor.replace(",", "")) * scale, rel=0.003, abs=0.1)
    bar = next(re.search(r" h([\d.]+) m0 -4", p.get("d")) for p in drawn.root.iter(f"{SVG}path")
               if " m0 -4 v8" in p.get("d"))
    said = next(re.fullmatch(r"([\d.,e+]+) (?:m|ft)", t.text) for t in drawn.texts
                if re.fullmatch(r"([\d.,e+]+) (?:m|ft)", t.text or ""))
    assert float(bar.group(1)) == pytest.approx(
        float(said.group(1).replace(",", "")) * scale, rel=0.003, abs=0.1)


def test_vertical_residuals_have_a_shape_and_a_scale_of_their_own(reviewed: Tie) -> None:
    drawn = Drawn(reviewed)
    scale = drawn.scale(reviewed)
    size, factor = re.search(r"([\d.]+) mm vertical residual, drawn ([\d,]+) times",
                             drawn.words).groups()
    factor = float(factor.replace(",", ""))
    bars = [re.match(r"M([\d.-]+) ([\d.-]+) V([\d.-]+)", p.get("d"))
            for p in drawn.root.iter(f"{SVG}path") if p.get("stroke-width") == "3"]
    rises = [float(bar.group(2)) - float(bar.group(3)) for bar in bars]
    wanted = [row.up * factor * scale for row, pair in zip(reviewed.residuals, reviewed.pairs)
              if row.vertical.role != "idle" and row.vertical.residual is not None
              and pair.control.has_position]
    assert rises[:-1] == pytest.approx([rise for rise in wanted if abs(rise) >= 0.5], abs=0.15)
    assert rises[-1] == pytest.approx(float(size) / 1000.0 * factor * scale, abs=0.1)


def test_ellipses_are_the_regions_of_the_marks(reviewed: Tie) -> None:
    drawn = Drawn(reviewed)
    factor = float(re.search(r"region of the mark as restated, drawn ([\d,]+) times",
                             drawn.words).group(1).replace(",", ""))
    ellipses = [e for e in drawn.root.iter(f"{SVG}ellipse")
                if float(e.get("cy")) < drawn.map_height]
    # 95 % of a bivariate normal distribution lies within 2.4477 sigma (root of chi-square 5.9915).
    sigma = 2.4477 * factor * drawn.scale(reviewed)
    covariances = []
    for ellipse in ellipses:
        degrees = re.match(r"rotate\(([\d.-]+)", ellipse.get("transform")).group(1)
        turn = math.radians(float(degrees))
        axis = np.array([math.cos(turn), -math.sin(turn)])  # the page counts downwards
        across = np.array([-axis[1], axis[0]])
        large, small = float(ellipse.get("rx")) / sigma, float(ellipse.get("ry")) / sigma
        covariances.append(
            large**2 * np.outer(axis, axis) + small**2 * np.outer(across, across))
    for name in ("K02", "K03", "K06"):  # these are not round
        wanted = np.array(reviewed.residuals[name].covariance)[:2, :2]
        off = min(np.abs(found - wanted).max() for found in covariances)
        assert off < 0.02 * wanted.max(), name
    marks = {row.control_id for row in reviewed.residuals if row.horizontal.role != "idle"
             and row.horizontal.residual is not None}
    assert len(ellipses) == len(marks)


def test_an_unchecked_tie_shows_regions_and_no_arrows(first_two: Tie) -> None:
    drawn = Drawn(first_two)
    assert drawn.arrows() == []
    assert len(list(drawn.root.iter(f"{SVG}ellipse"))) == 3  # two marks and the legend
    assert "95 % region" in drawn.words


def test_cut_arrows_are_dashed_and_said() -> None:
    tie = quarry("pairs", tolerance_h=None, tolerance_v=None)
    assert "dashes" in Drawn(tie).words
    assert "dashes" not in Drawn(quarry("pairs_reviewed")).words


def test_all_is_drawn_inside(reviewed: Tie, blunders: Tie, feet: Tie) -> None:
    for tie in (reviewed, blunders, feet):
        drawn = Drawn(tie)
        for foot, tip, _ in drawn.arrows():
            for x, y in (foot, tip):
                assert 0.0 < x < drawn.width
                assert 0.0 < y < drawn.height
        for text in drawn.texts:
            assert 0.0 <= float(text.get("x")) <= drawn.width
            assert 0.0 < float(text.get("y")) <= drawn.height


def test_one_mark_alone_can_be_drawn() -> None:
    pair = Pair(Control("M1", 100.0, 200.0, 50.0), Observation("o", 48.0, 11.0, 95.0))
    tie = solve([pair], Settings(horizontal_model="translation"))
    assert "M1" in Drawn(tie).words
    assert "unchecked" in text_of(report_html(tie))


def test_marks_with_elevation_only_give_no_place() -> None:
    tie = quarry("pairs_reviewed")
    assert "K11" not in Drawn(tie).words


# -- names in the drawing --------------------------------------------------------------------------


@pytest.mark.parametrize(("names", "shown"), [
    (["A", "B2"], ["A", "B2"]),
    (["CONTROL_POINT_001_BRASS", "CONTROL_POINT_002_BRASS"], ["…1…", "…2…"]),
    (["a" * 40], ["a" * 15 + "…"]),
    (["K1", "a very long name of a mark"], ["K1", "a very long nam…"]),
    (["tab\there"], ["tab here"]),
])
def test_long_names_keep_what_tells_them_apart(names, shown) -> None:
    assert list(short_names(names).values()) == shown


def test_names_avoid_one_another_and_the_frame() -> None:
    marks = [(20.0, 20.0, "north-west"), (30.0, 22.0, "next"), (290.0, 290.0, "corner")]
    frame = Box(0.0, 0.0, 300.0, 300.0)
    boxes = placed(marks, [], frame, 11.0)
    for i, box in enumerate(boxes):
        assert 0.0 <= box.left < box.right <= 300.0
        assert 0.0 <= box.top < box.bottom <= 300.0
        for other in boxes[:i]:
            assert (box.right <= other.left or other.right <= box.left
                    or box.bottom <= other.top or other.bottom <= box.top)


# -- corrections ---------------------------------------------------------------------------------


def test_corrections_stand_beside_the_values_as_given(blunders):
    """The exchanged digits of the sample: corrected as the suspect says, and shown both ways."""
    suspect = next(s for s in find_suspects(blunders.pairs, blunders.settings)
                   if s.cause == "digits_exchanged")
    pairs = [signed(pair, "A. Surveyor", "2026-01-02T03:04:05Z") for pair in suspect.pairs]
    tie = solve(pairs, blunders.settings)
    page = report_html(tie, ReportDetails(made=MADE))
    assert html.escape(suspect.evidence) in page
    assert "A. Surveyor, 2026-01-02 03:04:05 UTC" in page
    assert "1 pair is solved with corrected values" in page
    names = [block.text for block in flat(report_blocks(tie, ReportDetails()))
             if isinstance(block, Heading)]
    assert names.index("Corrections") < names.index("Control as given")
    assert correction_table(blunders) is None
    given = (control_table(blunders), observation_table(blunders))
    assert (control_table(tie), observation_table(tie)) == given
