"""Bad pair tables: each is refused, naming the file, the row, the point and the remedy.

A row of the table below is one kind of bad input: what it is, the file's content, the options to
read it with, the row and the point the message must name (None where there is none), and words
that must stand in it, the remedy's among them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Dict, Optional, Tuple, Union

import pytest

from sitetie.core.errors import InputError
from sitetie.core.pair_table import pairs_from_rows, read_pairs
from sitetie.core.settings import Settings

HEADER = (
    "control_id,easting,northing,elevation,observation_id,latitude,longitude,height,"
    "horizontal,vertical"
)
FIRST = "C1,1000.5,2000.5,50.5,G1,48.1001,11.5001,550.5,fit,fit"
SECOND = "C2,1100.5,2000.5,51.5,G2,48.1001,11.5011,551.5,fit,fit"
THIRD = "C3,1000.5,2100.5,52.5,G3,48.1011,11.5001,552.5,check,idle"
Content = Union[str, bytes]


def table(*rows: str, header: str = HEADER) -> str:
    return "\n".join((header,) + rows) + "\n"


def second(**cells: str) -> str:
    """A sound table whose row 3 has these cells instead."""
    values = dict(zip(HEADER.split(","), SECOND.split(",")))
    extra = [name for name in cells if name not in values]
    values.update(cells)
    return table(
        FIRST + "," * len(extra), ",".join(values.values()), THIRD + "," * len(extra),
        header=",".join([HEADER] + extra),
    )


def renamed(old: str, new: str) -> str:
    return table(FIRST, SECOND, header=HEADER.replace(old, new))


def parted(delimiter: str, *rows: str) -> str:
    return table(*rows).replace(",", delimiter)


@dataclass(frozen=True)
class Bad:
    name: str
    content: Optional[Content]
    row: Optional[int]
    point: Optional[str]
    words: Tuple[str, ...]
    options: Dict[str, Any] = field(default_factory=dict)


GERMAN = (FIRST + "\n" + SECOND).replace(".", "#").replace(",", ";").replace("#", ",").split("\n")

BAD = [
    # The file
    Bad("no such file", None, None, None, ("does not exist", "Check the path")),
    Bad("empty file", "", None, None, ("empty", "a header and rows")),
    Bad("only blank lines", "\n  \n\n", None, None, ("empty", "a header and rows")),
    Bad("only a byte order mark", b"\xef\xbb\xbf", None, None, ("empty",)),
    Bad("header and no rows", table(), None, None, ("header and no rows", "at least one pair")),
    Bad("spreadsheet file", b"PK\x03\x04\x14\x00\x06\x00", None, None,
        ("a spreadsheet (.xlsx, .ods)", "Export the table as CSV")),
    Bad("old spreadsheet file", b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", None, None,
        ("old spreadsheet (.xls)", "CSV")),
    Bad("database file", b"SQLite format 3\x00\x10\x00", None, None,
        ("a GeoPackage", "add it to QGIS as a layer")),
    Bad("binary file", table(FIRST).encode() + b"\x00\x01\x02", 3, None,
        ("zero bytes", "not text", "UTF-8")),
    # Encoding
    Bad("cp1252 read as UTF-8", second(note="Stra\u00dfe").encode("cp1252"), 3, None,
        ("not UTF-8", "0xdf", "cp1252")),
    Bad("UTF-8 read as cp1252", second(latitude="48\u00b06'0.36\"").encode(), 3, "C2",
        ("garbled", "wrong encoding", "name its encoding"), {"encoding": "cp1252"}),
    Bad("UTF-16 without its mark", table(FIRST).encode("utf-16-le"), None, None,
        ("UTF-16 without its mark", "utf-16-le")),
    Bad("damaged UTF-16", b"\xff\xfe" + table(FIRST).encode("utf-16-le") + b"\x00", None, None,
        ("not UTF-16", "Save the file as UTF-8")),
    Bad("encoding nobody knows", table(FIRST), None, None, ("'latin-99'", "utf-8"),
        {"encoding": "latin-99"}),
    # Delimiters, quotes, ragged rows
    Bad("mixed delimiters in the header", renamed("northing,elevation", "northing;elevation"), 1,
        None, ("both commas and semicolons", "one delimiter")),
    Bad("row with another delimiter", table(FIRST, SECOND.replace(",", ";")), 3, None,
        ("semicolons where the header has commas", "one delimiter")),
    Bad("row partly with another delimiter", table(FIRST, SECOND.replace("G2,", "G2\t")), 3, None,
        ("tabs where the header has commas", "one delimiter")),
    Bad("row too short", table(FIRST, SECOND[:-4]), 3, None,
        ("'C2' has 9 cells, the header 10", "a blank cell needs its delimiter")),
    Bad("row too long", parted(";", FIRST, SECOND + ",9"), 3, None,
        ("'C2' has 11 cells, the header 10", "Take the extra cells out")),
    Bad("decimal commas between commas", table(FIRST.replace(".", ",")), 2, None,
        ("'C1' has 16 cells, the header 10", "decimal commas", "semicolons")),
    Bad("blanks in an unquoted cell", parted(" ", FIRST, SECOND).replace("G2", "G 2"), 3, None,
        ("11 cells", 'Put " around cells that have blanks')),
    Bad("quote never closed", table(FIRST, SECOND.replace("C2", '"C2'), THIRD), 3, None,
        ("quotes", 'Put " around the whole cell')),
    Bad("quote closed too early", table(FIRST, SECOND.replace("C2", '"C"2')), 3, None,
        ("quotes", "twice")),
    Bad("delimiter of two characters", table(FIRST), None, None, ("'::'", "one character"),
        {"delimiter": "::"}),
    Bad("quote as delimiter", table(FIRST), None, None, ("cannot part cells", "Give a comma"),
        {"delimiter": '"'}),
    Bad("wrong delimiter given", table(FIRST), 1, None,
        ("none of the column names", "'control_id,easting,"), {"delimiter": ";"}),
    # Columns
    Bad("column missing", table("C1,1,2", header="control_id,easting,northing"), 1, None,
        ("Columns elevation, observation_id", "are missing", "Add them")),
    Bad("column misspelt", renamed("longitude", "longitide"), 1, None,
        ("Column longitude is missing", "'longitide' may be meant for longitude",
         "rename the column")),
    Bad("no header at all", FIRST + "\n" + SECOND + "\n", 1, None,
        ("none of the column names", "'C1', '1000.5'", "Begin with a row of column names")),
    Bad("x and y", renamed("easting,northing", "x,y"), 1, None,
        ("x and y can be easting and northing, or northing and easting", "Rename them")),
    Bad("two columns for one field", renamed("latitude,longitude", "lat,gnss_lat"), 1, None,
        ("'lat' and 'gnss_lat' both give latitude", "Keep one")),
    Bad("column twice", renamed("elevation", "Easting"), 1, None,
        ("'easting' and 'Easting' both give easting", "Keep one")),
    Bad("mapping to no field", table(FIRST), 1, None, ("'lattitude' is not a field", "latitude"),
        {"columns": {"lattitude": "latitude"}}),
    Bad("mapping to no column", table(FIRST), 1, None, ("no column 'PHI'", "The table has"),
        {"columns": {"latitude": "PHI"}}),
    Bad("mapping one column to two fields", table(FIRST), 1, None,
        ("'height' is named for two fields", "once"),
        {"columns": {"height": "height", "elevation": "height"}}),
    Bad("unit against the settings", renamed("easting", "easting (ft)"), 1, None,
        ("'easting (ft)' is in ft or us-ft", "the settings say m", "Convert"),
        {"settings": Settings(site_unit="m")}),
    Bad("wrong foot", renamed("elevation", "elevation (us-ft)"), 1, None,
        ("us-ft", "the settings say ft", "Convert"), {"settings": Settings(site_unit="ft")}),
    Bad("height in feet", renamed("height", "height (ft)"), 1, None,
        ("'height (ft)' is in ft or us-ft", "height is to be in m", "Convert")),
    # Numbers
    Bad("text for a number", second(easting="unknown"), 3, "C2",
        ("easting 'unknown' is not a number", "1234.567")),
    Bad("letter O for a zero", second(northing="2O00.5"), 3, "C2",
        ("northing '2O00.5' is not a number", "digits")),
    Bad("thousands separators", second(easting='"1,100.5"'), 3, "C2",
        ("easting '1,100.5' has thousands separators", "Write 1100.5")),
    Bad("thousands blanks", second(easting="1 100.5"), 3, "C2",
        ("thousands separators", "Write 1100.5")),
    Bad("thousands or decimals", second(easting='"1,100"'), 3, "C2",
        ("can be read as 1100 or as 1.100", "Write the one that is meant")),
    Bad("decimal comma among points", second(height='"551,5"'), 3, "C2",
        ("height '551,5' here and easting '1000.5' in row 2 use different decimal marks",
         "one decimal mark")),
    Bad("decimal point among commas", "\n".join([HEADER.replace(",", ";"), GERMAN[0],
        GERMAN[1].replace("551,5", "551.5")]), 3, "C2",
        ("'551.5'", "'1000,5'", "different decimal marks")),
    Bad("decimal mark against the one given", table(FIRST), 2, "C1",
        ("easting '1000.5' has a decimal point where decimal commas are in use",),
        {"decimal": ","}),
    Bad("unit in a cell", second(height="551.5 m"), 3, "C2",
        ("height '551.5 m' carries a unit", "the number alone")),
    Bad("NaN", second(height="NaN"), 3, "C2", ("height 'NaN' is not a finite number", "finite")),
    Bad("infinity", second(elevation="-inf"), 3, "C2",
        ("elevation '-inf' is not a finite number", "finite")),
    Bad("overflow", second(elevation="1e400"), 3, "C2", ("not a finite number", "finite")),
    Bad("spreadsheet error", second(easting="#REF!"), 3, "C2",
        ("easting '#REF!' is a spreadsheet error", "Correct the formula")),
    Bad("formula", second(easting="=B2+100"), 3, "C2", ("'=B2+100' is a formula", "Put its value")),
    # Latitudes and longitudes
    Bad("latitude out of range", second(latitude="98.1"), 3, "C2",
        ("latitude '98.1' is outside -90 to 90", "exchanged")),
    Bad("longitude out of range", second(longitude="411.5"), 3, "C2",
        ("longitude '411.5' is outside -360 to 360", "Correct")),
    Bad("latitude and longitude exchanged", second(latitude="11.5011", longitude="48.1001"), 3,
        "C2", ("look exchanged", "Exchange the two cells")),
    Bad("whole columns exchanged",
        table("C1,1,2,3,G1,144.4,-37.9,5,fit,fit", "C2,2,2,3,G2,144.5,-37.9,5,fit,fit"), 2, "C1",
        ("latitude '144.4' is outside", "latitude and longitude are not exchanged")),
    Bad("letter against sign", second(latitude="-48.1 S"), 3, "C2",
        ("both a sign and the letter S", "the letter without a sign")),
    Bad("letter of the other kind", second(latitude="48.1 E"), 3, "C2",
        ("the letter E, which belongs to a longitude", "not exchanged")),
    Bad("letter O", second(longitude="11.5 O"), 3, "C2",
        ("the letter O", "Write E or W")),
    Bad("two hemisphere letters", second(latitude="N 48.1 N"), 3, "C2",
        ("2 hemisphere letters", "Write one")),
    Bad("minutes of 60", second(latitude="48 60 00"), 3, "C2",
        ("has 60 minutes", "below 60")),
    Bad("seconds of 75", second(latitude="48 06 75.3"), 3, "C2",
        ("has 75.3 seconds", "below 60")),
    Bad("decimal degrees with minutes", second(latitude="48.1 06"), 3, "C2",
        ("decimals in its degrees", "whole degrees")),
    Bad("packed minutes of 61", second(latitude="48.6100"), 3, "C2",
        ("has 61 minutes", "below 60"), {"packed_dms": True}),
    Bad("packed with unit marks", second(latitude="48\u00b006'"), 3, "C2",
        ("not in packed degrees", "switch packed off"), {"packed_dms": True}),
    Bad("angle that is none", second(latitude="48 north"), 3, "C2",
        ("latitude '48 north' cannot be read", "Write it like")),
    Bad("blank latitude", second(latitude=""), 3, "C2",
        ("Observation G2 has no latitude", "Give its position")),
    # Pairs
    Bad("control without id", second(control_id=""), 3, "G2",
        ("control_id is blank: G2 has no counterpart", "Give both ids")),
    Bad("observation without id", second(observation_id=""), 3, "C2",
        ("observation_id is blank: C2 has no counterpart", "Give both ids")),
    Bad("unknown role", second(horizontal="yes"), 3, "C2",
        ("horizontal: 'yes' is not a role", "fit", "check", "idle")),
    Bad("blank role", second(vertical=""), 3, "C2",
        ("vertical is blank", "fit, check or idle")),
    Bad("fit without a position", second(easting="", northing=""), 3, "C2",
        ("no easting and northing", "idle")),
    Bad("easting without northing", second(northing=""), 3, "C2",
        ("both be given or both be blank", "Complete the position")),
    Bad("fit without an elevation", second(elevation=""), 3, "C2",
        ("no elevation", "idle")),
    Bad("fit without a height", second(height=""), 3, "C2",
        ("G2 has no height", "idle")),
    Bad("same pair twice", table(FIRST, SECOND, SECOND), 4, "C2",
        ("C2 and observation G2 are paired in row 3 already", "Take one")),
    Bad("control id with other coordinates",
        table(FIRST, SECOND.replace("C2", "C1")), 3, "C1",
        ("Control point C1 has easting 1100.5 here and 1000.5 in row 2", "different ids")),
    Bad("control id with a blank coordinate",
        table(FIRST, FIRST.replace("50.5,G1", ",G4").replace("fit,fit", "fit,idle")), 3, "C1",
        ("elevation blank here and 50.5 in row 2", "the same values")),
    Bad("observation id with other values",
        table(FIRST, SECOND.replace("G2", "G1")), 3, "C2",
        ("Observation G1 has longitude 11.5011 here and 11.5001 in row 2", "different ids")),
    Bad("observation of two marks",
        table(FIRST, FIRST.replace("C1", "C9")), 3, "C9",
        ("G1 is paired with C9 here and with C1 in row 2, both with a horizontal role",
         "own mark")),
    # Optional cells
    Bad("sigma of zero", second(sigma_e="0", sigma_n="0.01"), 3, "G2",
        ("sigma_e is 0.0", "greater than zero")),
    Bad("sigma of one axis only", second(sigma_e="0.01"), 3, "G2",
        ("sigma_e and sigma_n must both", "or neither")),
    Bad("covariance too large", second(sigma_e="0.01", sigma_n="0.01", sigma_en="0.01"), 3, "G2",
        ("correlation would reach 1", "square root")),
    Bad("unknown kind of height", second(height_kind="geoidal"), 3, "G2",
        ("'geoidal' is unknown", "ellipsoidal, or orthometric")),
    Bad("orthometric without its geoid", second(height_kind="orthometric"), 3, "G2",
        ("without the geoid", "Name the geoid")),
    Bad("two geoids", second(height_kind="orthometric:one.gtx", height_geoid="two.gtx"), 3, "C2",
        ("one.gtx", "two.gtx", "Name one geoid")),
    Bad("unknown kind of pole", second(pole="2.0", pole_kind="tilted"), 3, "G2",
        ("'tilted' is unknown", "vertical or slant")),
    Bad("epoch that is a date", second(epoch="2026-05-09"), 3, "C2",
        ("epoch '2026-05-09' is not a number", "digits")),
]


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad.name)
def test_bad_pair_table_is_refused(bad, tmp_path):
    path = tmp_path / "pairs.csv"
    if bad.content is not None:
        path.write_bytes(
            bad.content if isinstance(bad.content, bytes) else bad.content.encode("utf-8")
        )
    before = {item: item.read_bytes() for item in tmp_path.iterdir()}

    with pytest.raises(InputError) as caught:
        read_pairs(path, **bad.options)

    error, message = caught.value, str(caught.value)
    assert error.file == str(path)
    assert message.startswith(str(path))
    assert error.row == bad.row
    assert error.point == bad.point
    for words in bad.words:
        assert words in message
    assert error.remedy.endswith(".")
    assert {item: item.read_bytes() for item in tmp_path.iterdir()} == before


def test_no_two_kinds_share_a_name_and_the_sound_tables_are_sound(tmp_path):
    names = [bad.name for bad in BAD]
    assert len(names) == len(set(names))
    path = tmp_path / "pairs.csv"
    for rows in ((FIRST, SECOND, THIRD), (FIRST,)):
        path.write_text(table(*rows))
        assert len(read_pairs(path)) == len(rows)
    path.write_text(second())
    assert len(read_pairs(path)) == 3


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(InputError, match=r"This is a folder. Give the file in it\."):
        read_pairs(tmp_path)


ROW = {
    "control_id": "C1", "easting": 1.0, "northing": 2.0, "elevation": 3.0, "observation_id": 7,
    "latitude": 48.0, "longitude": 11.0, "height": 4.0, "horizontal": "fit", "vertical": "fit",
}


@pytest.mark.parametrize(
    ("change", "row", "point", "words"),
    [
        ({"height": float("nan")}, 12, "C1", "height nan is not a finite number"),
        ({"easting": True}, 12, "C1", "easting is True, not a number"),
        ({"easting": [1.0]}, 12, "C1", "easting is '[1.0]', not a number"),
        ({"latitude": None}, 12, "C1", "Observation 7 has no latitude"),
        ({"latitude": 95.0}, 12, "C1", "latitude '95.0' is outside"),
        ({"control_id": None}, 12, "7", "7 has no counterpart"),
        ({"horizontal": 1}, 12, "C1", "'1' is not a role"),
    ],
)
def test_bad_row_of_a_layer_is_refused(change, row, point, words):
    with pytest.raises(InputError) as caught:
        pairs_from_rows([(row, {**ROW, **change})], "Pairs of the day")
    assert str(caught.value).startswith(f"Pairs of the day, row {row}, point {point}: ")
    assert words in str(caught.value)
    assert caught.value.remedy.endswith(".")


def test_a_layer_without_rows_is_refused():
    with pytest.raises(InputError, match="Pairs of the day: The table has no rows"):
        pairs_from_rows([], "Pairs of the day")
