"""Delimited text to columns: every spelling of a table that is meant, and a line for everything that cannot be."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from asbuilt.columns import TABLES
from asbuilt.errors import UsageError
from asbuilt.intake import tables
from asbuilt.intake.sources import Source
from asbuilt.intake.tables import read_table
from asbuilt.settings import ColumnMapping

UTC = ZoneInfo("UTC")
ISO = "ISO 8601, such as 2026-03-01T14:30 or 2026-03-01T14:30:00+03:00"
PICKUPS = TABLES["pickups"]
HEADER = "point,pile_id,easting,northing,level,surveyed_at"
ROWS = (
    "1001,P1,500000.004,6000000.003,3.412,2026-03-02T14:30:00Z",
    "1002,P2,500000.748,5999999.998,3.405,2026-03-02T14:31:00Z",
    "CP1,,500100.000,6000000.000,4.000,2026-03-02T14:29:00Z",
)
GOOD = "\n".join([HEADER, *ROWS]) + "\n"


def read(content, *, table="pickups", path=None, mappings=None, zone=UTC, **source):
    data = content if isinstance(content, bytes) else content.encode()
    one = Source(path=path or f"{table}/a.csv", table=table, data=data, **source)
    return read_table(one, TABLES[table], mappings={} if mappings is None else mappings, zone=zone)


def lines(part):
    return [str(problem) for problem in part.problems]


def same(one, other):
    """Whether two parts hold the same rows, lines apart."""
    return all(
        np.array_equal(one.columns[name], other.columns[name], equal_nan=one.columns[name].dtype.kind in "fM")
        for name in one.columns
    )


# -------------------------------------------------------------------------------------------- what a table holds


def test_columns_of_a_good_file():
    part = read(GOOD)
    assert lines(part) == []
    assert part.unsound == frozenset()
    columns = part.columns
    assert set(columns) == {column.name for column in PICKUPS.columns}
    assert columns["point"].tolist() == ["1001", "1002", "CP1"]
    assert columns["pile_id"].tolist() == ["P1", "P2", None]
    assert columns["easting"].tolist() == [500000.004, 500000.748, 500100.0]
    assert columns["level"].dtype == np.float64
    assert columns["surveyed_at"].dtype == np.dtype("datetime64[ms]")
    assert columns["surveyed_at"][0] == np.datetime64("2026-03-02T14:30:00")
    assert part.lines.tolist() == [2, 3, 4]
    assert part.lines.dtype == np.int32
    assert part.names.tolist() == ["P1", "P2"]
    assert part.codes.tolist() == [0, 1, -1]


def test_defaults_of_columns_that_are_not_there():
    columns = read(GOOD).columns
    assert columns["shot"].tolist() == [0, 0, 0]
    assert columns["shot"].dtype == np.int8
    assert columns["object"].tolist() == [1, 1, 1]
    assert columns["attempt"].tolist() == [1, 1, 1]
    assert columns["attempt"].dtype == np.int64
    assert np.isnan(columns["sigma_mm"]).all()
    assert columns["surveyor"].tolist() == [None, None, None]
    assert columns["setup"].tolist() == ["pickups/a.csv"] * 3


def test_blank_cells_take_the_default():
    text = "point,pile_id,easting,northing,level,surveyed_at,shot,object,attempt,setup,sigma_mm\n"
    text += "1,P1,1,2,3,2026-03-02,,,,,\n2,P1,1,2,3,2026-03-02,edge,casing,2,S1,4\n"
    columns = read(text).columns
    assert columns["shot"].tolist() == [0, 1]
    assert columns["object"].tolist() == [1, 0]
    assert columns["attempt"].tolist() == [1, 2]
    assert columns["setup"].tolist() == ["pickups/a.csv", "S1"]
    assert columns["sigma_mm"][1] == 4.0


def test_choice_and_integer_without_default_are_blank():
    text = "pile_id,read_at,depth,tilt_a,tilt_b,unit,sense\nP1,2026-03-02,3,0,0,1:n,\nP1,2026-03-02,3,0,0,deg,top\n"
    columns = read(text, table="tilts").columns
    assert columns["sense"].tolist() == [-1, 1]
    assert columns["unit"].tolist() == [1, 3]
    design = "pile_id,wall,position,kind,easting,northing,diameter_mm,toe_level,status\nX1,A,,other,1,2,880,-9,added\n"
    position = read(design, table="design").columns["position"]
    assert position.dtype == np.float64
    assert np.isnan(position).all()


def test_plumb_is_nought_in_every_unit():
    text = "pile_id,read_at,depth,tilt_a,tilt_b,unit\n"
    text += "".join(f"P1,2026-03-02,3,0,0,{unit}\n" for unit in ("mm/m", "1:n", "%", "deg", "mm"))
    part = read(text, table="tilts")
    assert lines(part) == []
    assert part.columns["tilt_a"].tolist() == [0.0] * 5


def test_header_alone_is_an_empty_table():
    part = read(HEADER + "\n")
    assert lines(part) == []
    assert len(part) == 0
    assert part.columns["attempt"].dtype == np.int64
    assert part.columns["surveyed_at"].dtype == np.dtype("datetime64[ms]")
    assert same(part, read(HEADER))


# ------------------------------------------------------------------------------------------ spellings of one table


@pytest.mark.parametrize(
    ("what", "data"),
    [
        ("byte-order mark", b"\xef\xbb\xbf" + GOOD.encode()),
        ("semicolons", GOOD.replace(",", ";").encode()),
        ("tabs", GOOD.replace(",", "\t").encode()),
        ("decimal commas", GOOD.replace(",", ";").replace(".", ",").encode()),
        ("decimal commas and tabs", GOOD.replace(",", "\t").replace(".", ",").encode()),
        ("carriage returns and line feeds", GOOD.replace("\n", "\r\n").encode()),
        ("carriage returns", GOOD.replace("\n", "\r").encode()),
        ("no line end at the end", GOOD.rstrip("\n").encode()),
        ("quoted cells", "\n".join(",".join(f'"{c}"' for c in r.split(",")) for r in GOOD.split()).encode()),
        ("blanks around cells", GOOD.replace(",", " ,  ").encode()),
        ("numbers in other forms", GOOD.replace("3.412", "+3412e-3").replace("4.000", "4.").encode()),
    ],
)
def test_same_table_written_otherwise(what, data):
    part = read(data)
    assert lines(part) == [], what
    assert same(part, read(GOOD)), what
    assert part.lines.tolist() == [2, 3, 4], what


def test_columns_in_any_order():
    order = [5, 2, 0, 4, 3, 1]
    text = "\n".join(",".join(row.split(",")[place] for place in order) for row in GOOD.split())
    assert same(read(text), read(GOOD))


@pytest.mark.parametrize("quoted", [False, True])
def test_blank_lines_and_comments_are_skipped_and_lines_stay_right(quoted):
    rows = [row.replace(",P1,", ',"P1",') if quoted else row for row in ROWS]
    text = f"# a note\n\n  # another, with a comma\n{HEADER}\n{rows[0]}\n\n#{rows[1]}\n"
    text += f"   \t\n{rows[1]}\n,,,,,\n{rows[2]}\n\n#"
    part = read(text)
    assert lines(part) == []
    assert same(part, read(GOOD))
    assert part.lines.tolist() == [5, 9, 11]


def test_a_quoted_cell_may_run_over_lines():
    text = HEADER + ',note\n1001,P1,1,2,3,2026-03-02,"one\n# two, ""three"""\n1002,P2,1,2,3,2026-03-02,four\n'
    part = read(text)
    assert lines(part) == []
    assert part.columns["note"].tolist() == ['one\n# two, "three"', "four"]
    assert part.lines.tolist() == [2, 4]


def test_texts_that_look_like_nothing_or_like_numbers_stay_texts():
    text = "point,pile_id,easting,northing,level,surveyed_at,surveyor,setup\n"
    text += "007,01,1,2,3,2026-03-02,NA,1.50\nnan,1e5,1,2,3,2026-03-02,None,True\n"
    columns = read(text).columns
    assert columns["point"].tolist() == ["007", "nan"]
    assert columns["pile_id"].tolist() == ["01", "1e5"]
    assert columns["surveyor"].tolist() == ["NA", "None"]
    assert columns["setup"].tolist() == ["1.50", "True"]


def test_letters_beyond_ascii_in_texts():
    part = read((HEADER + ",surveyor\n" + ROWS[0] + ",Åse Ödmann (invented)\u2028x\n").encode())
    assert lines(part) == []
    assert part.columns["surveyor"].tolist() == ["Åse Ödmann (invented)\u2028x"]
    assert part.lines.tolist() == [2]


def test_a_comma_in_a_text_does_not_make_decimal_commas():
    part = read((GOOD.replace("1002", "1002, again")).replace(",", ";").replace("1002; again", "1002, again"))
    assert lines(part) == []
    assert part.columns["point"][1] == "1002, again"
    assert part.columns["easting"][0] == 500000.004


def test_quick_and_careful_ways_agree(monkeypatch):
    quick = read(GOOD)
    monkeypatch.setattr(tables, "read_quickly", lambda *_args, **_more: None)
    careful = read(GOOD)
    assert same(quick, careful)
    assert quick.lines.tolist() == careful.lines.tolist()
    assert {n: v.dtype for n, v in quick.columns.items()} == {n: v.dtype for n, v in careful.columns.items()}


def test_unknown_columns_are_noted():
    part = read(GOOD.replace("surveyed_at", "surveyed_at,quality,").replace("Z\n", "Z,good,\n"))
    assert lines(part) == []
    finding = part.finding()
    assert (finding.severity, finding.kind, finding.item) == ("note", "unknown_column", "pickups/a.csv")
    assert (finding.file, finding.line, finding.column) == ("pickups/a.csv", 1, "quality, ")
    assert finding.text == "unknown columns 'quality', one without a name: kept on disk, not read"
    assert read(GOOD).finding() is None


# ----------------------------------------------------------------------------------------------- what is wrong


def changed(old, new, *, text=GOOD):
    assert text.count(old) == 1, old
    return text.replace(old, new)


SAVE = "expected a table as UTF-8 text: save it anew as CSV UTF-8"

WRONG = {
    "nan": (
        changed("3.412", "nan"),
        "2: level: 'nan' is not a finite number, expected a number, or nothing where none was measured",
    ),
    "inf": (
        changed("3.412", "-inf"),
        "2: level: '-inf' is not a finite number, expected a number, or nothing where none was measured",
    ),
    "1e400": (changed("3.412", "1e400"), "2: level: '1e400' is not a finite number, expected a number"),
    "not a number": (changed("3.412", "3.4l2"), "2: level: '3.4l2' is not a number, expected a number"),
    "hexadecimal": (changed("3.412", "0x1A"), "2: level: '0x1A' is not a number, expected a number"),
    "underscore": (changed("3.412", "3_412"), "2: level: '3_412' is not a number, expected a number"),
    "true": (changed("3.412", "True"), "2: level: 'True' is not a number, expected a number"),
    "far out": (changed("3.412", "1e12"), "2: level: '1e12' is out of range, expected -1000000000 to 1000000000 m"),
    "decimal comma beside commas": (changed("3.412", "3,412"), "2: 7 cells, expected 6, as in the header row"),
    "quoted decimal comma beside commas": (
        changed("3.412", '"3,412"'),
        "2: level: '3,412' is not a number, expected a number with a decimal point",
    ),
    "quoted thousands": (
        changed("500000.004", '"500,000.004"'),
        "2: easting: '500,000.004' is not a number, expected a number without thousands separators",
    ),
    "blank thousands": (
        changed("500000.004", "500 000.004"),
        "2: easting: '500 000.004' is not a number, expected a number without thousands separators",
    ),
    "apostrophe thousands": (
        changed("500000.004", "500'000.004"),
        '2: easting: "500\'000.004" is not a number, expected a number without thousands separators',
    ),
    "extra cell": (changed("14:31:00Z", "14:31:00Z,"), "3: 7 cells, expected 6, as in the header row"),
    "missing cell": (changed(",2026-03-02T14:31:00Z", ""), "3: 5 cells, expected 6, as in the header row"),
    "one cell": (changed(ROWS[1], "1002"), "3: 1 cell, expected 6, as in the header row"),
    "bad id": (
        changed(",P2,", ",P 2,"),
        "3: pile_id: 'P 2' is not a pile id, expected 1 to 24 letters A to Z, digits, '.', '_' or '-'",
    ),
    "long id": (
        changed(",P2,", "," + "P" * 25 + ","),
        f"3: pile_id: '{'P' * 25}' is not a pile id, expected 1 to 24 letters A to Z, digits, '.', '_' or '-'",
    ),
    "id over two lines": (
        changed(",P2,", ',"P1\nP2",'),
        "3: pile_id: 'P1\\nP2' is not a pile id, expected 1 to 24 letters A to Z, digits, '.', '_' or '-'",
    ),
    "blank needed number": (changed("3.412", ""), "2: level: blank, expected a number"),
    "blank needed text": (changed("1001,P1", ",P1"), "2: point: blank, expected some text"),
    "blank needed time": (
        changed("2026-03-02T14:31:00Z", ""),
        f"3: surveyed_at: blank, expected {ISO}",
    ),
    "bad time": (
        changed("2026-03-02T14:31:00Z", "02/03/2026 14:31"),
        f"3: surveyed_at: '02/03/2026 14:31' is not a date and time, expected {ISO}",
    ),
    "no such day": (
        changed("2026-03-02T14:31:00Z", "2026-02-30T14:31:00Z"),
        (
            "3: surveyed_at: '2026-02-30T14:31:00Z' is no day and time of the calendar, "
            "expected a real one from 1900 to 2199"
        ),
    ),
    "open quote": (
        changed("1002", '"1002'),
        "3: a quote is opened and not closed, expected quotes around whole cells, in pairs",
    ),
    "text after a quote": (
        changed("1002", '"10"02'),
        "3: text after a closing quote, expected quotes around whole cells, in pairs",
    ),
    "missing column": (
        changed("easting", "Easting"),
        "1: easting: missing column, expected a column called easting, perhaps 'Easting'",
    ),
    "missing column, none like it": (
        changed("easting", "q"),
        "1: easting: missing column, expected a column called easting",
    ),
    "column of ids missing": (changed("pile_id", "q"), "1: pile_id: missing column, expected a column called pile_id"),
    "NUL": (changed("1002", "10\x0002"), "3: a NUL byte, expected a table as UTF-8 text"),
    "NULs": (changed("1002", "1\x00\x0002"), "3: 2 NUL bytes, the first here, expected a table as UTF-8 text"),
    "Latin-1": (changed("1002", "10é2").encode("latin-1"), f"3: byte 0xe9 is not UTF-8, {SAVE}"),
    "UTF-16 with mark": (GOOD.encode("utf-16"), f" UTF-16 or UTF-32 text, {SAVE}"),
    "UTF-16 without mark": (
        GOOD.encode("utf-16-le"),
        f" UTF-16 text without a byte-order mark, {SAVE}",
    ),
    "UTF-16 big end first": (
        GOOD.encode("utf-16-be"),
        f" UTF-16 text without a byte-order mark, {SAVE}",
    ),
    "UTF-32": (GOOD.encode("utf-32"), f" UTF-16 or UTF-32 text, {SAVE}"),
    "binary": (bytes(range(256)) * 4, f" a binary file, {SAVE}"),
    "empty": (b"", " empty, expected a table with a header row"),
    "mark alone": (b"\xef\xbb\xbf", " no header row, expected a table with a header row"),
    "comments alone": ("# nothing\n\n", " no header row, expected a table with a header row"),
    "header with open quote": (
        '"point,pile_id\n',
        "1: a quote is opened and not closed, expected quotes around whole cells, in pairs",
    ),
}


@pytest.mark.parametrize("what", WRONG)
def test_one_thing_wrong_is_one_line(what):
    content, expected = WRONG[what]
    assert lines(read(content)) == [f"pickups/a.csv:{expected}"]


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ("P1,2026-03-02,0,0,0,deg,", "depth: '0' is out of range, expected more than 0, 200 or less m"),
        ("P1,2026-03-02,201,0,0,deg,", "depth: '201' is out of range, expected more than 0, 200 or less m"),
        ("P1,2026-03-02,3,0,0,rad,", "unit: unknown value 'rad', expected one of mm/m, 1:n, %, deg, mm"),
        ("P1,2026-03-02,3,0,0,,", "unit: blank, expected one of mm/m, 1:n, %, deg, mm"),
        ("P1,2026-03-02,3,0,0,Deg,", "unit: unknown value 'Deg', expected one of mm/m, 1:n, %, deg, mm"),
        ("P1,2026-03-02,3,,0,deg,", "tilt_a: blank, expected a number"),
        ("P1,2026-03-02,3,0,0,deg,361", "bearing_a_deg: '361' is out of range, expected -360 to 360 deg"),
        (",2026-03-02,3,0,0,deg,", "pile_id: blank, expected 1 to 24 letters A to Z, digits, '.', '_' or '-'"),
    ],
)
def test_rules_of_a_column(row, expected):
    part = read(f"pile_id,read_at,depth,tilt_a,tilt_b,unit,bearing_a_deg\n{row}\n", table="tilts")
    assert lines(part) == [f"tilts/a.csv:2: {expected}"]


@pytest.mark.parametrize(
    ("attempt", "expected"),
    [
        ("1.5", "'1.5' is not a whole number, expected a whole number"),
        ("0", "'0' is out of range, expected 1 or more"),
        ("two", "'two' is not a number, expected a whole number"),
        ("1e300", "'1e300' is out of range, expected 1 or more"),
    ],
)
def test_whole_numbers(attempt, expected):
    part = read(f"pile_id,attempt\nP1,{attempt}\n", table="records")
    assert lines(part) == [f"records/a.csv:2: attempt: {expected}"]
    assert part.columns["attempt"].dtype == np.int64


def test_whole_number_with_a_point_is_one():
    assert read("pile_id,attempt\nP1,2.0\n", table="records").columns["attempt"].tolist() == [2]


def test_duplicate_column():
    text = "point,pile_id,easting,easting,northing,level,surveyed_at\n1,P1,1,1,2,3,2026-03-02\n"
    assert lines(read(text)) == ["pickups/a.csv:1: easting: duplicate column, 2 times, expected one"]


def test_everything_wrong_in_one_file_is_told_at_once():
    text = "point,pile_id,easting,Northing,level,surveyed_at\n1,P 1,x,2,,2026-03-02\n2,P2,1,2,3\n,P3,1,2,3,yesterday\n"
    assert lines(read(text)) == [
        "pickups/a.csv:1: northing: missing column, expected a column called northing, perhaps 'Northing'",
        "pickups/a.csv:3: 5 cells, expected 6, as in the header row",
        "pickups/a.csv:4: point: blank, expected some text",
        "pickups/a.csv:2: pile_id: 'P 1' is not a pile id, expected 1 to 24 letters A to Z, digits, '.', '_' or '-'",
        "pickups/a.csv:2: easting: 'x' is not a number, expected a number",
        "pickups/a.csv:2: level: blank, expected a number",
        f"pickups/a.csv:4: surveyed_at: 'yesterday' is not a date and time, expected {ISO}",
    ]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "3,412",
            "3.412",
            "2: level: '3.412' has a decimal point, others a decimal comma, expected one of them in the whole file",
        ),
        ("3,412", "3.000,5", "2: level: '3.000,5' is not a number, expected a number without thousands separators"),
    ],
)
def test_decimal_commas_and_points_do_not_mix(old, new, expected):
    text = GOOD.replace(",", ";").replace(".", ",")
    assert lines(read(changed(old, new, text=text))) == [f"pickups/a.csv:{expected}"]


def test_a_stray_quote_costs_its_own_line_only():
    text = HEADER + ",note\n" + ROWS[0] + ',"12 inch\n' + ROWS[1] + ",fine\n" + ROWS[2] + ",\n"
    part = read(text)
    assert lines(part) == [
        "pickups/a.csv:2: a quote is opened and not closed, expected quotes around whole cells, in pairs"
    ]
    assert part.columns["point"].tolist() == ["1002", "CP1"]
    assert not part.sound("point")


def test_a_quote_inside_a_cell_is_a_letter():
    part = read(HEADER + ",note\n" + ROWS[0] + ',12" casing\n')
    assert lines(part) == []
    assert part.columns["note"].tolist() == ['12" casing']


def test_lines_are_right_after_other_line_ends_and_comments():
    for end in ("\n", "\r\n", "\r"):
        text = end.join(["# x", HEADER, ROWS[0], "", "# y", ROWS[1].replace("3.405", "high"), ""])
        assert lines(read(text)) == ["pickups/a.csv:6: level: 'high' is not a number, expected a number"]


def test_many_wrong_cells_each_have_their_line():
    text = HEADER + "\n" + "".join(f"{n},P{n},1,2,{'x' if n % 2 else 3},2026-03-02\n" for n in range(1000))
    found = [problem.line for problem in read(text).problems]
    assert found == [n + 2 for n in range(1000) if n % 2]


# ------------------------------------------------------------------------------------------------- mappings


THEIRS = "PtNo;Pile;Y;X;H;When\n1001;P1;500000,004;6000000,003;3,412;2026-03-02T14:30:00Z\n"
NAMES = {"point": "PtNo", "pile_id": "Pile", "easting": "Y", "northing": "X", "level": "H", "surveyed_at": "When"}


def test_unnamed_mapping():
    part = read(THEIRS, mappings={"": ColumnMapping(names=NAMES)})
    assert lines(part) == []
    assert part.finding() is None
    assert part.columns["easting"].tolist() == [500000.004]
    assert part.columns["northing"].tolist() == [6000000.003]


def test_own_names_serve_beside_a_mapping():
    assert same(read(GOOD, mappings={"": ColumnMapping(names=NAMES)}), read(GOOD))


def test_a_name_given_to_another_column_does_not_serve_for_its_own():
    swapped = {"": ColumnMapping(names={"easting": "northing", "northing": "easting"})}
    columns = read(GOOD, mappings=swapped).columns
    assert columns["northing"][0] == 500000.004
    one_way = {"": ColumnMapping(names={"easting": "northing"})}
    assert lines(read(GOOD.replace("easting", "q", 1), mappings=one_way)) == [
        "pickups/a.csv:1: northing: missing column, expected a column called northing"
    ]


def test_both_names_in_one_file_are_too_many():
    mapping = {"": ColumnMapping(names={"level": "H"})}
    text = "point,pile_id,easting,northing,level,H,surveyed_at\n1,P1,1,2,3,3,2026-03-02\n"
    assert lines(read(text, mappings=mapping)) == ["pickups/a.csv:1: level: duplicate column, 2 times, expected one"]


def test_the_named_mapping_that_fits_is_used():
    mappings = {"station": ColumnMapping(names={"point": "Nr"}), "total": ColumnMapping(names=NAMES)}
    assert read(THEIRS, mappings=mappings).columns["level"].tolist() == [3.412]
    assert lines(read(THEIRS, mappings=mappings, format="total")) == []
    (problem,) = read(THEIRS, mappings=mappings, format="station").problems
    assert problem.text.startswith(
        "missing columns point (as 'Nr'), pile_id, easting, northing, level, surveyed_at; found 'PtNo', "
    )


def test_columns_missing_together_are_each_unsound():
    part = read(GOOD.replace("pile_id", "Pile").replace("level", "H"))
    assert len(part.problems) == 1
    assert part.unsound == {"pile_id", "level"}
    assert not part.good("level").any()
    assert part.good("easting").all()


def test_the_mapping_that_lacks_least_is_reported():
    mappings = {"total": ColumnMapping(names=NAMES)}
    assert lines(read(THEIRS.replace("H;", "Z;"), mappings=mappings)) == [
        "pickups/a.csv:1: level: missing column, expected a column called H"
    ]


def test_unknown_mapping_asked_for():
    with pytest.raises(UsageError, match="no column mapping 'gps' for pickups; the site file has: total"):
        read(THEIRS, mappings={"total": ColumnMapping(names=NAMES)}, format="gps")


ORDER = ["point", "easting", "northing", "level", "", "pile_id"]
BARE = "1001,500000.004,6000000.003,3.412,x,P1\n1002,500000.748,5999999.998,3.405,y,P2\n"


def test_file_without_a_header():
    mapping = {"": ColumnMapping(order=ORDER, date_from_name="%Y%m%d")}
    part = read("# made by an instrument\n" + BARE, path="pickups/site_20260302_am.csv", mappings=mapping)
    assert lines(part) == []
    assert part.lines.tolist() == [2, 3]
    assert part.columns["easting"].tolist() == [500000.004, 500000.748]
    assert part.columns["pile_id"].tolist() == ["P1", "P2"]
    assert part.columns["surveyed_at"].tolist() == [np.datetime64("2026-03-02T23:59:59", "ms").tolist()] * 2


def test_file_with_a_header_is_seen_under_an_order():
    mapping = {"": ColumnMapping(order=ORDER, date_from_name="%Y%m%d")}
    assert same(read(GOOD, mappings=mapping), read(GOOD))


def test_a_header_that_fits_no_mapping_is_one_line():
    bare = ColumnMapping(order=ORDER, date_from_name="%Y%m%d")
    text = "Nr;Y;X;H;Bem;Pfahl\n" + BARE.replace(",", ";")
    for mappings in ({"": bare}, {"": ColumnMapping(names=NAMES), "bare": bare}):
        problems = lines(read(text, path="pickups/20260302.csv", mappings=mappings))
        assert len(problems) == 1
        assert re.match(r"pickups/20260302.csv:1: missing columns point.*; found 'Nr', 'Y', 'X', 'H', ", problems[0])
        assert problems[0].endswith("a header with these names, or a mapping in [columns.pickups] of site.toml")


def test_a_bad_figure_in_the_first_row_makes_it_no_header():
    mapping = {"": ColumnMapping(order=ORDER, date_from_name="%Y%m%d")}
    text = BARE.replace("500000.004", "wide")
    assert lines(read(text, path="pickups/20260302.csv", mappings=mapping)) == [
        "pickups/20260302.csv:1: easting: 'wide' is not a number, expected a number"
    ]


def test_long_headers_are_not_listed_whole():
    (line,) = lines(read(",".join(f"c{number}" for number in range(25)) + "\n"))
    assert "'c18', 'c19', and 5 more, expected" in line


@pytest.mark.parametrize(
    ("header", "rows", "names"), [(";", ",", "',', the header by ';'"), ("\t", ";", "';', the header by tab")]
)
def test_rows_parted_otherwise_than_the_header_are_one_line(header, rows, names):
    text = "\n".join([HEADER.replace(",", header), *(row.replace(",", rows) for row in ROWS)]) + "\n"
    assert lines(read(text)) == [f"pickups/a.csv:2: 3 rows parted by {names}, expected one separator in the whole file"]


def test_one_row_parted_otherwise_beside_one_that_is_short():
    text = "\n".join([HEADER, ROWS[0], ROWS[1].replace(",", ";"), "1,2,3"]) + "\n"
    assert sorted(lines(read(text))) == [
        "pickups/a.csv:3: a row parted by ';', the header by ',', expected one separator in the whole file",
        "pickups/a.csv:4: 3 cells, expected 6, as in the header row",
    ]


def test_without_a_header_every_row_has_as_many_cells_as_the_order():
    mapping = {"": ColumnMapping(order=ORDER, date_from_name="%Y%m%d")}
    path = "pickups/20260302.csv"
    assert lines(read(BARE.replace(",x", ""), path=path, mappings=mapping)) == [
        "pickups/20260302.csv:1: 5 cells, expected 6, as in the order of the site file"
    ]
    assert lines(read(BARE.replace(",y", ""), path=path, mappings=mapping)) == [
        "pickups/20260302.csv:2: 5 cells, expected 6, as in the order of the site file"
    ]


def test_order_that_lacks_a_column():
    mapping = {"": ColumnMapping(order=["point", "easting", "northing", "", "", "pile_id"], date_from_name="%Y%m%d")}
    assert lines(read(BARE, path="pickups/20260302.csv", mappings=mapping)) == [
        "pickups/20260302.csv:1: level: missing column, expected a column called level"
    ]


@pytest.mark.parametrize(
    ("pattern", "name", "expected"),
    [
        ("%Y%m%d", "a_20260302_b.csv", "2026-03-02T23:59:59"),
        ("%d.%m.%y", "02.03.26.csv", "2026-03-02T23:59:59"),
        ("%Y-%j", "2026-061.csv", "2026-03-02T23:59:59"),
        ("%Y%m%d_%H%M", "20260302_1430.csv", "2026-03-02T14:30:00"),
    ],
)
def test_date_from_the_files_name(pattern, name, expected):
    text = "point,pile_id,easting,northing,level\n1,P1,1,2,3\n"
    part = read(text, path=f"pickups/{name}", mappings={"": ColumnMapping(date_from_name=pattern)})
    assert lines(part) == []
    assert part.columns["surveyed_at"] == np.datetime64(expected)


@pytest.mark.parametrize("name", ["monday.csv", "20261340.csv"])
def test_no_date_in_the_files_name(name):
    text = "point,pile_id,easting,northing,level\n1,P1,1,2,3\n"
    part = read(text, path=f"pickups/{name}", mappings={"": ColumnMapping(date_from_name="%Y%m%d")})
    assert lines(part) == [
        f"pickups/{name}:1: surveyed_at: no such column, and no date in the file's name as %Y%m%d, expected one of them"
    ]


def test_date_in_the_table_comes_before_the_files_name():
    part = read(GOOD, path="pickups/20200101.csv", mappings={"": ColumnMapping(date_from_name="%Y%m%d")})
    assert part.columns["surveyed_at"][0] == np.datetime64("2026-03-02T14:30:00")


def test_pile_id_from_the_points_name():
    text = "point,easting,northing,level,surveyed_at\nA-P12-3,1,2,3,2026-03-02\nCP7,1,2,3,2026-03-02\n"
    part = read(text, mappings={"": ColumnMapping(pile_id_from=r"-(P\d+)-")})
    assert lines(part) == []
    assert part.columns["pile_id"].tolist() == ["P12", None]
    assert part.codes.tolist() == [0, -1]


def test_object_from_the_code():
    text = "point,pile_id,easting,northing,level,surveyed_at,code,object\n"
    text += "1,P1,1,2,3,2026-03-02,CSG,\n2,P1,1,2,3,2026-03-02,CSG,face\n3,P1,1,2,3,2026-03-02,,\n"
    mapping = {"": ColumnMapping(object_from={"CSG": "casing", "HD": "head"})}
    assert read(text, mappings=mapping).columns["object"].tolist() == [0, 3, 1]
    without = text.replace(",object", "").replace(",\n", "\n").replace(",face", "")
    assert read(without, mappings=mapping).columns["object"].tolist() == [0, 0, 1]
    assert lines(read(text.replace("CSG,\n", "CSX,\n"), mappings=mapping)) == [
        "pickups/a.csv:2: object: unknown code 'CSX', expected one of CSG, HD"
    ]


def test_shot_from_the_code():
    text = "point,pile_id,easting,northing,level,surveyed_at,code,shot\n"
    text += "1,P1,1,2,3,2026-03-02,RIM,\n2,P1,1,2,3,2026-03-02,RIM,centre\n3,P1,1,2,3,2026-03-02,,\n"
    mapping = {"": ColumnMapping(shot_from={"RIM": "edge", "CEN": "centre"})}
    assert read(text, mappings=mapping).columns["shot"].tolist() == [1, 0, 0]
    without = text.replace(",shot", "").replace(",\n", "\n").replace(",centre", "")
    assert read(without, mappings=mapping).columns["shot"].tolist() == [1, 1, 0]
    assert lines(read(text.replace("RIM,\n", "RIX,\n"), mappings=mapping)) == [
        "pickups/a.csv:2: shot: unknown code 'RIX', expected one of RIM, CEN"
    ]


def test_object_and_shot_from_one_code():
    text = "point,pile_id,easting,northing,level,surveyed_at,code\n1,P1,1,2,3,2026-03-02,RIM\n2,P1,1,2,3,2026-03-02,X\n"
    mapping = {"": ColumnMapping(object_from={"RIM": "casing"}, shot_from={"RIM": "edge"})}
    part = read(text, mappings=mapping)
    assert (part.columns["object"][0], part.columns["shot"][0]) == (0, 1)
    assert [problem.column for problem in part.problems] == ["shot", "object"]
    assert part.unsound == {"object", "shot"}


def test_fill_stands_in_for_columns_and_blank_cells():
    text = "point,pile_id,easting,northing,level,surveyor\n1,P1,1,2,3,\n2,P1,1,2,3,Surveyor 2\n"
    part = read(text, fill={"surveyed_at": "2026-03-02T14:30:00Z", "surveyor": "Surveyor 1", "object": "casing"})
    assert lines(part) == []
    assert part.columns["surveyed_at"].tolist() == [np.datetime64("2026-03-02T14:30", "ms").tolist()] * 2
    assert part.columns["surveyor"].tolist() == ["Surveyor 1", "Surveyor 2"]
    assert part.columns["object"].tolist() == [0, 0]
