"""Pair tables: read whatever their dress, and written so that they read back the same."""

from __future__ import annotations

import csv
import dataclasses
import os
import pickle
import random

import pytest

from sitetie.core.errors import InputError, OutputError
from sitetie.core.pair_checks import refuse_contradictions
from sitetie.core.pair_columns import OPTIONAL, REQUIRED, likely_columns
from sitetie.core.pair_table import PairTable, pairs_from_rows, read_pairs, write_pairs
from sitetie.core.pairs import Control, Observation, Pair, Role
from sitetie.core.settings import Settings

HEADER = ",".join(REQUIRED)
ROWS = (
    "C1,1000.5,2000.5,50.25,G1,48.1001,11.5001,550.125,fit,fit",
    "C2,1100.5,2000.5,51.25,G2,48.1001,11.5011,551.125,fit,idle",
    "C3,1000.5,2100.5,,G3,48.1011,11.5001,,check,idle",
)


@pytest.fixture
def written(tmp_path):
    """A function that writes a table and reads it."""

    def read(text, saved_as="utf-8", **options):
        path = tmp_path / "pairs.csv"
        path.write_bytes(text.encode(saved_as))
        return read_pairs(path, **options)

    return read


def table(*rows, header=HEADER):
    return "\n".join((header,) + rows) + "\n"


def values(pairs):
    """Pairs without where they were read."""
    return [dataclasses.replace(pair, file=None, row=None) for pair in pairs]


def test_reads_every_required_field(written):
    pairs = written(table(*ROWS))
    assert isinstance(pairs, PairTable)
    assert len(pairs) == 3
    first = pairs[0]
    assert first.control == Control("C1", 1000.5, 2000.5, 50.25)
    assert first.observation == Observation("G1", 48.1001, 11.5001, 550.125)
    assert (first.horizontal, first.vertical) == (Role.FIT, Role.FIT)
    assert [pair.row for pair in pairs] == [2, 3, 4]
    assert first.file == pairs.path
    assert pairs.mapping == {name: name for name in REQUIRED}
    assert pairs.notes == ("Read as UTF-8, cells parted by commas.",)
    assert pairs[2].control.elevation is None
    assert pairs[2].observation.height is None


def test_reads_every_optional_field(written):
    cells = {
        "control_sigma_h": "0.004", "control_sigma_v": "0.006", "sigma_e": "0.007",
        "sigma_n": "0.009", "sigma_en": "-0.002", "sigma_u": "0.015",
        "height_kind": "Orthometric:egm96_15.gtx", "height_geoid": "", "pole": "2.000",
        "pole_kind": "Slant", "session": "am", "time": "2026-05-09T08:15:00Z", "fix": "fixed",
        "source": "rover.csv", "note": "by the gate, \u00f6stlich", "crs": "EPSG:4937",
        "epoch": "2026.35", "corrections": "",
    }
    row = ROWS[0] + "," + ",".join(f'"{cells[name]}"' for name in OPTIONAL)
    pair = written(table(row, header=",".join(REQUIRED + OPTIONAL)))[0]
    assert (pair.control.sigma_h, pair.control.sigma_v) == (0.004, 0.006)
    assert pair.observation == Observation(
        "G1", 48.1001, 11.5001, 550.125, 0.007, 0.009, -0.002, 0.015, "orthometric",
        "egm96_15.gtx", 2.0, "slant", "am", "2026-05-09T08:15:00Z", "fixed", "rover.csv",
        "by the gate, \u00f6stlich", "EPSG:4937", 2026.35,
    )


def test_blank_optional_cells_take_defaults(written):
    row = ROWS[0] + "," * len(OPTIONAL)
    pair = written(table(row, header=",".join(REQUIRED + OPTIONAL)))[0]
    assert pair.control == Control("C1", 1000.5, 2000.5, 50.25)
    assert pair.observation == Observation("G1", 48.1001, 11.5001, 550.125)


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-32"])
def test_every_delimiter_line_end_and_encoding_reads_the_same(
    written, delimiter, line_end, encoding
):
    plain = values(written(table(*ROWS)))
    text = table(*ROWS).replace(",", delimiter).replace("\n", line_end)
    assert values(written(text, encoding)) == plain


def test_runs_of_blanks_part_cells(written):
    rows = [ROWS[0].replace(",", "   "), ROWS[1].replace(",", " \t ") + "  "]
    pairs = written("\n".join(["  " + HEADER.replace(",", "  "), *rows]))
    assert values(pairs) == values(written(table(*ROWS[:2])))
    quoted = written(
        HEADER.replace(",", " ") + '\nC1 1 2 "" "G 1" "48 06 00.36 N" "11 30" "" fit idle\n'
    )
    assert quoted[0].control.elevation is None
    assert quoted[0].observation.id == "G 1"
    assert quoted[0].observation.latitude == pytest.approx(48.1001, abs=1e-12)
    assert "parted by blanks" in quoted.notes[0]


def test_other_encodings_are_read_when_named(written):
    pairs = written(table(ROWS[0].replace("C1", "M\u00fchle")), "cp1252", encoding="cp1252")
    assert pairs[0].control.id == "M\u00fchle"
    assert "CP1252" in pairs.notes[0]


def test_decimal_commas_are_read_where_the_file_uses_them_throughout(written):
    text = table(*ROWS).replace(",", ";").replace(".", ",")
    # 550,125 alone could be thousands; the other cells say that it is not.
    pairs = written(text)
    assert values(pairs) == values(written(table(*ROWS)))
    assert "The comma is read as the decimal mark." in pairs.notes


def test_decimal_commas_are_read_where_they_are_asked_for(written):
    text = HEADER.replace(",", ";") + "\nC1;1,000;2,000;3,000;G1;48,100;11,500;4,000;fit;fit\n"
    with pytest.raises(InputError, match="can be read as 1000 or as 1.000"):
        written(text)
    assert written(text, decimal=",")[0].control == Control("C1", 1.0, 2.0, 3.0)


def test_quoted_cells_and_blank_lines_keep_the_row_count(written):
    note = '"two\nlines, ""quoted"""'
    text = table(ROWS[0] + "," + note, "", ROWS[1] + ",", header=HEADER + ",note")
    pairs = written(text)
    assert pairs[0].observation.note == 'two\nlines, "quoted"'
    assert [pair.row for pair in pairs] == [2, 4]


def test_blanks_after_delimiters_and_delimiters_after_the_last_cell_do_not_matter(written):
    pairs = written(table(*(row.replace(",", ", ") + ",," for row in ROWS), header=HEADER + ",,"))
    assert values(pairs) == values(written(table(*ROWS)))


def test_the_separator_line_of_spreadsheets_is_obeyed(written):
    pairs = written("sep=;\n" + table(*ROWS).replace(",", ";"))
    assert values(pairs) == values(written(table(*ROWS)))
    assert pairs[0].row == 3


def test_column_order_is_free(written):
    order = list(range(10))
    random.Random(3).shuffle(order)
    shuffled = [
        ",".join(line.split(",")[place] for place in order) for line in (HEADER, *ROWS)
    ]
    assert values(written("\n".join(shuffled))) == values(written(table(*ROWS)))


def test_synonyms_are_read_and_reported(written):
    header = "Ctrl,E,N,Elev,Obs ID,LAT,Long,Ellipsoidal Height,Role-H,role_v"
    pairs = written(table(*ROWS, header=header))
    assert values(pairs) == values(written(table(*ROWS)))
    assert pairs.mapping == dict(zip(REQUIRED, header.split(",")))
    assert "Column 'Obs ID' is read as observation_id." in pairs.notes
    assert "Column 'Long' is read as longitude." in pairs.notes


def test_a_fields_own_name_wins_over_a_synonym(written):
    rows = [row + ",1.0" for row in ROWS]
    pairs = written(table(*rows, header=HEADER + ",lat"))
    assert pairs[0].observation.latitude == 48.1001
    assert pairs.mapping["latitude"] == "latitude"
    assert "Column 'lat' is not used." in pairs.notes


def test_a_point_column_is_the_id_that_is_missing(written):
    pairs = written(table(*ROWS, header=HEADER.replace("observation_id", "Point ID")))
    assert pairs.mapping["observation_id"] == "Point ID"
    assert "Column 'Point ID' is read as observation_id." in pairs.notes
    both = HEADER.replace("observation_id", "point").replace("control_id", "name")
    with pytest.raises(InputError, match="Columns control_id, observation_id are missing"):
        written(table(*ROWS, header=both))


def test_columns_can_be_named(written):
    header = HEADER.replace("easting,northing", "x,y")
    columns = {"easting": "y", "northing": "x"}
    pairs = written(table(*ROWS, header=header), columns=columns)
    assert pairs[1].control.easting == 2000.5
    assert pairs[1].control.northing == 1100.5


def test_an_unknown_column_is_reported_with_what_it_may_mean(written):
    pairs = written(table(*(row + ",0.01,x" for row in ROWS), header=HEADER + ",sigm_u,colour"))
    assert "Column 'sigm_u' is not used. Was sigma_u meant?" in pairs.notes
    assert "Column 'colour' is not used." in pairs.notes


def test_units_in_the_header_are_held_against_the_settings(written):
    header = HEADER.replace("easting", "Easting (ft)").replace("height", "height_m")
    text = table(*ROWS, header=header)
    assert len(written(text, settings=Settings(site_unit="us-ft"))) == 3
    assert len(written(text, settings=Settings(site_unit="ft"))) == 3
    assert any("names its unit" in note for note in written(text).notes)
    with pytest.raises(InputError, match="settings say m"):
        written(text, settings=Settings(site_unit="m"))


def test_angles_are_read_in_every_form(written):
    row = "C1,1,2,3,G1,\"48\u00b006'00.36\"\" N\",11:30:00.36E,4,fit,fit"
    observation = written(table(row))[0].observation
    assert observation.latitude == pytest.approx(48.1001, abs=1e-12)
    assert observation.longitude == pytest.approx(11.5001, abs=1e-12)


def test_packed_angles_are_read_only_when_said(written):
    row = "C1,1,2,3,G1,-37.482667598,144.2529524,4,fit,fit"
    plain = written(table(row))
    assert plain[0].observation.latitude == -37.482667598
    packed = written(table(row), packed_dms=True)
    assert packed[0].observation.latitude == pytest.approx(-37.8074099944, abs=1e-10)
    assert any("packed degrees" in note for note in packed.notes)


def test_repeated_observations_of_one_control_point_are_legal(written):
    pairs = written(table(*ROWS, "C1,1000.5,2000.5,50.25,G9,48.1001,11.5001,550.130,fit,fit"))
    assert [pair.observation.id for pair in pairs if pair.control.id == "C1"] == ["G1", "G9"]


def test_one_observation_may_serve_a_position_and_an_elevation_with_two_ids(written):
    pairs = written(
        table(
            "C1,1000.5,2000.5,,G1,48.1,11.5,550,fit,idle",
            "BM7,,,50.25,G1,48.1,11.5,550,idle,fit",
        )
    )
    assert len(pairs) == 2


def test_pairs_made_in_code_are_held_against_one_another_too():
    control = Control("C1", 1.0, 2.0, 3.0)
    pairs = [Pair(control, Observation(name, 48.0, 11.0, 4.0)) for name in ("G1", "G2", "G1")]
    refuse_contradictions(pairs[:2])
    with pytest.raises(InputError, match="paired in an earlier pair already"):
        refuse_contradictions(pairs)


def test_exchanged_positions_are_not_claimed_without_evidence(written):
    # Two pairs: no telling which. A site at 45 N 45 E: exchanging moves little.
    assert written(table("C1,1,2,3,G1,48.1,11.5,4,fit,fit", "C2,2,2,3,G2,11.5,48.1,4,fit,fit"))
    rows = [f"C{i},{i},2,3,G{i},45.{i},44.{i},4,fit,fit" for i in range(1, 5)]
    assert written(table(*rows, "C9,9,2,3,G9,44.2,45.2,4,fit,fit"))


def test_rows_of_a_layer_read_as_the_file_does(written):
    plain = written(table(*ROWS))
    rows = []
    for pair in plain:
        cells = (
            pair.control.id, pair.control.easting, pair.control.northing, pair.control.elevation,
            pair.observation.id, pair.observation.latitude, pair.observation.longitude,
            pair.observation.height, pair.horizontal.value, pair.vertical.value,
        )
        rows.append((pair.row, dict(zip(REQUIRED, cells))))
    found = pairs_from_rows(rows, "Pairs")
    assert values(found) == values(plain)
    assert found.path == "Pairs"
    assert [pair.row for pair in found] == [2, 3, 4]


def test_numbers_serve_as_ids_and_packed_angles_in_a_layer():
    row = dict(zip(REQUIRED, (101, 1.0, 2.0, 3.0, 7.0, 48.06, 271.053, 4, "fit", "Check ")))
    pair = pairs_from_rows([(1, row)], "Pairs", packed_dms=True)[0]
    assert (pair.control.id, pair.observation.id) == ("101", "7")
    assert pair.observation.latitude == pytest.approx(48.1, abs=1e-12)
    assert pair.observation.longitude == pytest.approx(271 + 5.5 / 60, abs=1e-12)
    assert pair.vertical is Role.CHECK


def test_a_pair_table_is_a_plain_sequence_that_pickles(written):
    pairs = written(table(*ROWS))
    assert pickle.loads(pickle.dumps(pairs)) == pairs
    assert pairs[1] in pairs
    assert list(reversed(pairs))[0] == pairs[-1]
    assert pairs[:2] == tuple(pairs)[:2]


def test_reading_leaves_the_file_alone(tmp_path):
    path = tmp_path / "pairs.csv"
    path.write_text(table(*ROWS))
    before = (path.read_bytes(), path.stat().st_mtime_ns, sorted(os.listdir(tmp_path)))
    read_pairs(path)
    assert (path.read_bytes(), path.stat().st_mtime_ns, sorted(os.listdir(tmp_path))) == before


TEXTS = (
    "", "plain", "=SUM(A1:A9)", "+1", "-1", "-CP 3", "@home", "'", "''", "'=x", "''=x", "'quoted'",
    "5'", "a;b,c|d\te", 'say "so"', "two\nlines", "two\r\nlines", "M\u00fchle \u00f6stl.", "\u6e56",
    "1,234", "NaN", "0012", "1e5", "sep=;", "#1",
)


def invented_pairs(seed):
    draw = random.Random(seed)

    def maybe(value):
        return value if draw.random() < 0.7 else None

    for place in range(60):
        text = TEXTS[place % len(TEXTS)]
        sigmas = maybe((draw.uniform(0.002, 0.02), draw.uniform(0.002, 0.02)))
        kind, geoid = draw.choice(
            [("ellipsoidal", None), ("ellipsoidal", "a.gtx"), ("orthometric", "a.gtx")]
        )
        observation = Observation(
            f"{text} {place}".strip(),
            draw.choice([draw.uniform(-0.5, 0.5), 1e-5, -1e-7, 0.0, -0.1 / 3]),
            draw.uniform(0.0, 0.5),
            draw.uniform(-50, 900),
            *(sigmas or (None, None)),
            maybe(draw.uniform(-0.001, 0.001)) if sigmas else None,
            maybe(draw.uniform(0.005, 0.05)),
            kind,
            geoid,
            maybe(draw.choice([2.0, 1.8, 0.0])),
            maybe(draw.choice(["vertical", "slant"])),
            *(draw.choice(TEXTS) for _ in range(5)),
            maybe(draw.choice(["EPSG:4326", 'GEOGCRS["a, b"]'])),
            maybe(draw.uniform(2020, 2030)),
        )
        control = Control(
            f"{draw.choice(TEXTS)}{place}", draw.uniform(-1e6, 1e6), draw.uniform(0, 1e22),
            maybe(1 / 3), maybe(0.004), maybe(0.1 + 0.2),
        )
        vertical = draw.choice(list(Role)) if control.has_elevation else Role.IDLE
        yield Pair(control, observation, draw.choice(list(Role)), vertical)


@pytest.mark.parametrize("seed", range(5))
def test_written_pairs_read_back_to_the_same_values(tmp_path, seed):
    pairs = list(invented_pairs(seed))
    path = tmp_path / "pairs.csv"
    write_pairs(path, pairs)
    assert values(read_pairs(path)) == pairs
    again = tmp_path / "again.csv"
    write_pairs(again, read_pairs(path))
    assert again.read_bytes() == path.read_bytes()


def test_no_written_cell_is_a_formula(tmp_path):
    path = tmp_path / "pairs.csv"
    write_pairs(path, invented_pairs(1))
    with open(path, encoding="utf-8-sig", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    risky = [cell for cell in cells if cell[:1] and cell[0] in "=+-@\t\r"]
    assert any(cell.startswith("'=SUM") for cell in cells)
    for cell in risky:
        float(cell)  # a negative number is no formula


def test_pairs_that_use_no_optional_field_are_written_without_one(tmp_path):
    path = tmp_path / "pairs.csv"
    write_pairs(path, [Pair(Control("C1", 1.0, 2.0, 3.0), Observation("G1", 48.0, 11.0, 4.0))])
    assert path.read_text() == HEADER + "\nC1,1.0,2.0,3.0,G1,48.0,11.0,4.0,fit,fit\n"


def test_a_crash_while_writing_leaves_the_last_good_file(tmp_path, monkeypatch):
    path = tmp_path / "pairs.csv"
    path.write_text("good")

    def fail(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", fail)
    with pytest.raises(OutputError, match="No space left on device"):
        write_pairs(path, invented_pairs(1))
    assert path.read_text() == "good"
    assert os.listdir(tmp_path) == ["pairs.csv"]


@pytest.mark.parametrize("place", ["nowhere/pairs.csv", "."])
def test_a_place_that_cannot_be_written_is_refused(tmp_path, place):
    with pytest.raises(OutputError) as caught:
        write_pairs(tmp_path / place, invented_pairs(1))
    assert str(tmp_path) in str(caught.value)
    assert "Choose a folder" in caught.value.remedy
    assert os.listdir(tmp_path) == []


def test_a_guess_of_columns_takes_the_likeliest_and_leaves_the_rest() -> None:
    header = ["fid", "Name", "Lat (deg)", "lon", "z", "Comment"]
    wanted = ("observation_id", "latitude", "longitude", "height", "note")
    assert likely_columns(header, wanted) == {
        "observation_id": "Name", "latitude": "Lat (deg)", "longitude": "lon", "note": "Comment",
    }
    assert likely_columns(["name", "control_id", "x", "y"], ("control_id", "easting")) == {
        "control_id": "control_id",
    }
