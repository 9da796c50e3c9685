"""Which table a file is, told from its columns, a mapping, an order, or what was said."""

from __future__ import annotations

import pytest

from asbuilt.errors import InputError, UsageError
from asbuilt.intake.kinds import date_of_name, kind_of
from asbuilt.intake.options import LoadOptions, fill_of, options_of
from asbuilt.settings import ColumnMapping

HEADERS = {
    "pickups": "point,pile_id,easting,northing,level,surveyed_at",
    "tilts": "pile_id,read_at,depth,tilt_a,tilt_b,unit",
    "profiles": "pile_id,read_at,depth,off_e_mm,off_n_mm",
    "records": "pile_id,drilled_at,toe_level",
}
DESIGN = "pile_id,wall,position,kind,easting,northing,diameter_mm,toe_level"
TOTAL = ColumnMapping(
    names={"point": "PtNo", "pile_id": "Pile", "easting": "E", "northing": "N", "level": "H"}, date_from_name="%Y%m%d"
)
BARE = ColumnMapping(order=["point", "easting", "northing", "level", "pile_id", "surveyed_at"])
ROW = "1001,500000.004,6000000.003,3.412,P1,2026-03-02\n"


def table(text: str, file: str = "day.csv", **more) -> str:
    more.setdefault("mappings", {})
    return kind_of(file, text.encode(), **more).table


def refused(text: str, **more) -> str:
    with pytest.raises(UsageError) as refusal:
        table(text, **more)
    return str(refusal.value)


@pytest.mark.parametrize("name", HEADERS)
def test_each_table_is_told_from_the_columns_it_needs(name):
    assert table(HEADERS[name] + "\n") == name


@pytest.mark.parametrize("name", HEADERS)
def test_other_separators_and_orders_make_no_difference(name):
    header = ";".join(reversed(HEADERS[name].split(",")))
    assert table(f"# made by an instrument\n\n{header}\n") == name


def test_a_mapping_of_one_table_tells_it():
    mappings = {"pickups": {"total": TOTAL}, "tilts": {"": ColumnMapping(names={"tilt_a": "A"})}}
    kind = kind_of("day_20260302.csv", b"PtNo;E;N;H;Pile\n", mappings=mappings)
    assert (kind.table, kind.fit.mapping) == ("pickups", TOTAL)


def test_a_file_without_a_header_is_told_by_the_order_it_fits():
    mappings = {"pickups": {"": BARE}, "tilts": {"": ColumnMapping(order=["pile_id", "depth", "tilt_a"])}}
    assert table(ROW, mappings=mappings) == "pickups"


def test_two_orders_of_one_width_are_told_apart_by_where_figures_stand():
    other = ColumnMapping(order=["tilt_a", "pile_id", "unit", "depth", "tilt_b", "read_at"])
    assert table(ROW, mappings={"pickups": {"": BARE}, "tilts": {"": other}}) == "pickups"


def test_two_orders_that_both_fit_are_asked_about():
    other = ColumnMapping(order=["pile_id", "tilt_a", "tilt_b", "depth", "unit", "read_at"])
    mappings = {"pickups": {"": BARE}, "tilts": {"": other}}
    assert refused(ROW, mappings=mappings) == "day.csv: its columns fit pickups and tilts; say which with --as"
    assert table(ROW, mappings=mappings, table="tilts") == "tilts"


def test_columns_of_two_tables_are_asked_about():
    assert "fit pickups and records" in refused(HEADERS["pickups"] + ",drilled_at,rig\n")


def test_a_file_that_lacks_a_column_is_still_what_it_was_meant_to_be():
    assert table("point,pile_id,easting,northing,object,surveyed_at\n") == "pickups"
    assert table("Pile,drilled_at,concreted_at\n") == "records"


def test_what_was_said_need_not_stand_in_the_file():
    text = "point,pile_id,easting,northing,level\n"
    found = kind_of("day.csv", text.encode(), mappings={}, options=LoadOptions(surveyed_at="2026-03-02"))
    assert (found.table, found.fit.missing) == ("pickups", {})


def test_unknown_columns_say_what_was_seen_and_what_can_be_said():
    said = refused("Nr;Y;X\n")
    assert said.startswith("day.csv: cannot tell which table it is; its first row has 'Nr', 'Y', 'X'. Say it with --as")
    assert "pickups, tilts, profiles, records or design" in said


def test_a_pile_id_alone_tells_nothing():
    assert "cannot tell" in refused("pile_id,note,attempt\n")


def test_a_schedule_is_not_taken_for_a_load():
    assert refused(DESIGN + "\n").endswith("take a revision in with --as design")
    assert table(DESIGN + "\n", table="design") == "design"


def test_control_points_are_kept_by_hand():
    assert "control/points.csv" in refused("point,easting,northing,map_e,map_n,sigma_mm\n")


def test_a_format_narrows_the_choice():
    mappings = {"pickups": {"total": TOTAL}, "tilts": {"rig": ColumnMapping(names={"tilt_a": "A"})}}
    options = LoadOptions(format="total")
    assert table("PtNo,Pile,E,N,H\n", file="20260302.csv", mappings=mappings, options=options) == "pickups"
    unknown = refused("PtNo,Pile,E,N,H\n", mappings=mappings, options=LoadOptions(format="gps"))
    assert unknown == "no column mapping 'gps'; site.toml has: total (pickups), rig (tilts)"
    elsewhere = refused("x\n", mappings=mappings, options=options, table="tilts")
    assert elsewhere == "no column mapping 'total'; site.toml has: rig (tilts)"


def test_what_is_no_text_is_a_problem_of_the_file():
    with pytest.raises(InputError, match=r"day\.csv: empty"):
        table("")


@pytest.mark.parametrize(
    ("file", "header", "date"),
    [
        ("C:\\survey\\job_20260302.csv", "PtNo,Pile,E,N,H", "2026-03-02"),
        ("20260302/job.csv", "PtNo,Pile,E,N,H", None),
        ("job_20260302.csv", "PtNo,Pile,E,N,H,surveyed_at", None),
    ],
)
def test_the_date_in_the_name_counts_where_no_column_gives_it(file, header, date):
    kind = kind_of(file, f"{header}\n".encode(), mappings={"pickups": {"": TOTAL}}, table="pickups")
    assert date_of_name(file, kind) == date


def test_options_go_to_the_columns_of_their_table():
    options = LoadOptions(surveyed_at="2026-03-02", surveyor="A. Person", setup="3", object="casing", format="total")
    assert fill_of(options, "pickups") == {
        "surveyed_at": "2026-03-02",
        "surveyor": "A. Person",
        "setup": "3",
        "object": "casing",
    }
    assert fill_of(options, "tilts") == {"read_at": "2026-03-02", "reader": "A. Person"}
    assert fill_of(options, "records") == {}
    assert options.of_table("records").given() == {"format": "total"}


@pytest.mark.parametrize("text", ["{", "[]", '{"object": 3}', '{"colour": "red"}'])
def test_options_of_a_ledger_line_that_cannot_be_meant(text):
    assert options_of(text) is None


def test_options_of_a_ledger_line():
    assert options_of("") == LoadOptions()
    assert options_of('{"format": "total", "setup": "3"}') == LoadOptions(format="total", setup="3")
