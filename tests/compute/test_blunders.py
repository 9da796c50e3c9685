"""The search of a load: each faulty file of the demo survey, and what one cause must not raise beside itself."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import simulated_loads as days
from builders import to_survey
from demo_pages import readme_table

from asbuilt.columns import FINDINGS
from asbuilt.compute.blunders import LOADS, search_load
from asbuilt.intake.sources import Source
from asbuilt.intake.survey import read_survey
from asbuilt.model import Finding, Withdrawal

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "demo_survey"
READERS_OWN = {"missing_column", "bad_value", "unknown_pile"}
INCOMING = [row[:3] for row in readme_table(DEMO / "README.md", "Faulty files") if row[2] not in READERS_OWN]
NOW = np.datetime64("2024-10-15T08:00")
#: What the finding of each faulty file must name: pile, point or file, its line and its column.
PLACES = {
    "pickups_wrong_pile": ("A053", 4, "pile_id"),
    "pickups_exchanged_coordinates": ("pickups/pickups_exchanged_coordinates.csv", 2, "easting"),
    "pickups_wrong_unit": ("pickups/pickups_wrong_unit.csv", 2, "easting"),
    "pickups_shifted_load": ("pickups/pickups_shifted_load.csv", 2, "easting"),
    "pickups_turned_load": ("pickups/pickups_turned_load.csv", 2, "easting"),
    "pickups_scaled_load": ("pickups/pickups_scaled_load.csv", 2, "easting"),
    "pickups_far_from_design": ("A038", 6, "easting"),
    "pickups_repeated_pile": ("A034", 8, "easting"),
    "pickups_level_range": ("A037", 5, "level"),
    "pickups_edge_radius": ("A033", 2, "easting"),
    "pickups_edge_as_centre": ("A033", 2, "shot"),
    "pickups_too_few_shots": ("A033", 2, "shot"),
    "pickups_short_arc": ("A033", 2, "shot"),
    "pickups_future_date": ("A039", 7, "surveyed_at"),
    "pickups_check_shot": ("CP1", 2, "point"),
    "tilts_sign_flip": ("A066", 4, "tilt_a"),
    "tilts_copied_readings": ("A066", 2, "tilt_a"),
    "tilts_tilt_range": ("A066", 5, "tilt_a"),
    "tilts_time_order": ("A066", 5, "read_at"),
    "tilts_wrong_unit": ("tilts/tilts_wrong_unit.csv", 2, "unit"),
    "profiles_wrong_unit": ("A035", 2, "off_e_mm"),
    "profiles_sign_flip": ("A007", 17, "off_e_mm"),
    "records_repeated_pile": ("A057", 2, "toe_level"),
}


def search_file(path: Path, table: str) -> tuple[Finding, ...]:
    """Search a file as a load into the demo survey."""
    name = f"{table}/{path.name}"
    survey = read_survey(DEMO, extra=[Source(path=name, table=table, data=path.read_bytes())])
    place = [k for k, file in enumerate(survey.files) if file.path == name]
    fresh = {one: np.isin(getattr(survey, one).file, place) for one in LOADS}
    assert sum(int(mask.sum()) for mask in fresh.values()) > 0
    return search_load(survey, fresh, now=NOW)


@pytest.mark.parametrize(("path", "table", "kind"), INCOMING, ids=[Path(row[0]).stem for row in INCOMING])
def test_a_faulty_file_has_its_finding_and_no_other(path: str, table: str, kind: str) -> None:
    found = search_file(DEMO / path, table)
    assert [(one.kind, (one.item, one.line, one.column)) for one in found] == [(kind, PLACES[Path(path).stem])]
    assert found[0].severity == FINDINGS[kind].severity
    assert found[0].file == f"{table}/{Path(path).name}"


def test_every_faulty_file_for_a_detector_is_tried() -> None:
    assert {Path(row[0]).stem for row in INCOMING} == set(PLACES)


@pytest.mark.parametrize("load", sorted((DEMO / "pickups").glob("2024*.csv")), ids=lambda path: path.stem)
def test_a_sound_load_of_the_demo_is_not_shifted_turned_or_scaled(load: Path) -> None:
    survey = read_survey(DEMO)
    place = [k for k, file in enumerate(survey.files) if file.path == f"pickups/{load.name}"]
    fresh = {"pickups": np.isin(survey.pickups.file, place)}
    kinds = {one.kind for one in search_load(survey, fresh, now=NOW)}
    assert not kinds & {"shifted_load", "turned_load", "scaled_load", "wrong_pile", "edge_as_centre", "check_shot"}


def test_a_suggestion_comes_with_both_distances() -> None:
    found = search_file(DEMO / "incoming" / "pickups_wrong_pile.csv", "pickups")
    assert "named A053, lies 14 mm from A035's centre and 9.86 m from A053's" in found[0].text


# ---- nothing there, and little there


def test_a_load_without_rows_has_no_findings() -> None:
    day = days.a_day(1)
    survey = to_survey(replace(day.site, pickups=day.pickups, tilts=day.tilts))
    assert search_load(survey, {}, now=days.NOW) == ()


def test_tables_without_any_row_are_searched() -> None:
    survey = to_survey(days.site_of("pit"))
    fresh = {name: np.zeros(0, dtype=bool) for name in LOADS}
    assert search_load(survey, fresh, now=days.NOW) == ()


@pytest.mark.parametrize("piles", [1, 2, 3, 5])
def test_a_small_clean_load_has_no_findings(piles: int) -> None:
    day = days.a_day(5, piles=piles, checks=False)
    day.tilts = []
    assert day.search() == ()


def test_a_pile_alone_that_is_off_is_no_shifted_load() -> None:
    day = days.a_day(6, piles=1, checks=False)
    days.far(day, 0.3)
    day.tilts = []
    assert {one.kind for one in day.search()} <= set(days.FAR)


# ---- one cause is told once


@pytest.mark.parametrize("size", [0.1, 0.6, 3.0])
def test_a_shifted_load_is_told_once_and_not_pile_by_pile(size: float) -> None:
    day = days.a_day(11, checks=False)
    days.shift(day, size)
    assert [one.kind for one in day.search()] == ["shifted_load"]


def test_a_load_turned_about_its_station_is_told_once() -> None:
    day = days.a_day(12, checks=False)
    days.turn_at_end(day, 0.3)
    found = day.search()
    assert [one.kind for one in found] == ["turned_load"]
    e, n = day.design(0)
    pivot = found[0].text.split("as a turn about E ")[1].split(" gives")[0].split(", N ")
    assert [float(part) for part in pivot] == pytest.approx([e, n], abs=4.0)


def test_gross_rows_do_not_hide_a_shift_and_are_still_found() -> None:
    day = days.a_day(13, checks=False)
    days.shift(day, 0.04)
    rows = day.heads()
    rows[2]["northing"] += 0.9
    rows[9]["easting"] -= 7.0
    rows[15]["pile_id"], rows[16]["pile_id"] = rows[16]["pile_id"], rows[15]["pile_id"]
    found = day.search()
    load = [one for one in found if one.item == days.LOAD]
    assert [one.kind for one in load] == ["shifted_load"]
    assert {one.item for one in found} - {days.LOAD} == {rows[k]["pile_id"] for k in (2, 9, 15, 16)}


def test_gross_rows_make_no_shift() -> None:
    day = days.a_day(14, checks=False)
    for row in day.heads()[:7]:
        row["easting"] += 3.0
    assert {one.kind for one in day.search()} <= set(days.FAR)


def test_a_file_in_millimetres_has_one_finding_levels_and_check_shots_included() -> None:
    day = days.a_day(15)
    for row in day.pickups:
        for name in ("easting", "northing", "level"):
            row[name] *= 1000.0
    assert [(one.kind, one.item) for one in day.search()] == [("wrong_unit", days.LOAD)]


def test_at_the_grids_origin_a_unit_explains_nothing() -> None:
    day = days.a_day(18, piles=4, checks=False)
    e, n = day.design(day.chosen[1])
    design = [{**row, "easting": row["easting"] - e, "northing": row["northing"] - n} for row in day.site.design]
    day.site, day.tilts = replace(day.site, design=design), []
    for row in day.pickups:
        row["easting"], row["northing"] = row["easting"] - e, row["northing"] - n
    day.heads()[1]["easting"] += 5.0
    found = day.search()
    assert [one.item for one in found] == [day.heads()[1]["pile_id"]]
    assert found[0].kind in days.FAR


def test_a_level_in_another_unit_alone_is_a_finding() -> None:
    day = days.a_day(16)
    row = day.heads()[3]
    row["level"] *= 1000.0
    assert [(one.kind, one.item) for one in day.search()] == [("level_range", row["pile_id"])]


def test_a_real_movement_towards_the_pit_on_four_sides_is_no_scale() -> None:
    found = [days.a_day(seed, checks=False) for seed in range(20)]
    for day in found:
        days.inwards(day, 0.02)
    kinds = [one.kind for day in found for one in day.search()]
    assert kinds == []


def test_a_wall_whose_names_are_one_on_has_one_finding() -> None:
    day = days.a_day(17, shape="line", checks=False)
    names = [row["pile_id"] for row in day.site.design]
    for row in day.heads():
        row["pile_id"] = names[min(names.index(row["pile_id"]) + 1, len(names) - 1)]
    found = [one for one in day.search() if one.kind != "repeated_pile"]
    assert [(one.kind, one.item) for one in found if one.item == days.LOAD] == [("wrong_pile", days.LOAD)]
    assert "shifted along the wall" in found[0].text


# ---- what is looked at beside the load


def test_the_approved_centre_is_what_counts() -> None:
    day = days.a_day(21, checks=False)
    row = day.heads()[4]
    row["northing"] += 0.15
    assert [one.item for one in day.search()] == [row["pile_id"]]
    place = next(one for one in day.site.design if one["pile_id"] == row["pile_id"])
    moved = {
        "pile_id": row["pile_id"],
        "easting": place["easting"],
        "northing": place["northing"] + 0.15,
        "approved_by": "A. Invented",
        "at": "2026-03-01",
    }
    day.site = replace(day.site, set_out=[moved])
    assert day.search() == ()


def test_a_redrilled_attempt_is_no_repetition() -> None:
    day = days.a_day(22, checks=False)
    name = days.repeated_before(day, 0.3)
    assert [(one.kind, one.item) for one in day.search()] == [("repeated_pile", name)]
    next(row for row in day.heads() if row["pile_id"] == name)["attempt"] = 2
    assert day.search() == ()


def test_another_object_is_no_repetition() -> None:
    day = days.a_day(23, checks=False)
    days.repeated_before(day, 0.3)
    day.old[-1]["object"] = "casing"
    assert day.search() == ()


def test_what_was_withdrawn_does_not_count() -> None:
    day = days.a_day(24, checks=False)
    days.repeated_before(day, 0.3)
    survey = to_survey(replace(day.site, pickups=[*day.old, *day.pickups]))
    fresh = {"pickups": np.arange(len(survey.pickups)) >= len(day.old)}
    assert [one.kind for one in search_load(survey, fresh, now=days.NOW)] == ["repeated_pile"]
    taken_out = Withdrawal(file=int(survey.pickups.file[0]), pile=-1, at=np.datetime64("2026-03-02"), text="by hand")
    assert search_load(replace(survey, withdrawals=(taken_out,)), fresh, now=days.NOW) == ()


def test_check_shots_that_agree_say_that_the_piles_moved() -> None:
    day = days.a_day(25)
    for row in day.heads():
        row["easting"] += 0.05
    found = day.search()
    assert [one.kind for one in found] == ["shifted_load"]
    assert "a real movement or another set-out is likelier" in found[0].text


def test_check_shots_that_lie_off_too_say_that_the_survey_is_wrong() -> None:
    day = days.a_day(26)
    days.shift(day, 0.05)
    found = {one.kind: one for one in day.search()}
    assert set(found) == {"shifted_load", "check_shot"}
    assert "the survey is wrong" in found["shifted_load"].text


def test_only_one_of_two_set_ups_is_shifted() -> None:
    day = days.a_day(27, checks=False)
    for number, row in enumerate(day.heads()):
        row["setup"] = "S2" if number % 2 else "S1"
        row["easting"] += 0.06 if number % 2 else 0.0
    assert [(one.kind, one.item) for one in day.search()] == [("shifted_load", "S2")]


def test_a_set_up_name_used_on_another_day_is_a_query() -> None:
    day = days.a_day(28, earlier=1, checks=False)
    for row in day.pickups[:3]:
        row["setup"] = "S1"
    day.old[0]["setup"] = "S1"
    found = day.search()
    assert [(one.kind, one.item, one.severity) for one in found] == [("setup_reused", "S1", "query")]


@pytest.mark.parametrize("seed", range(5))
def test_the_order_of_rows_changes_nothing(seed: int) -> None:
    one, other = days.a_day(seed), days.a_day(seed)
    for day in (one, other):
        days.shift(day, 0.05)
        day.heads()[3]["northing"] += 1.0
    for number, row in enumerate(other.pickups):
        row["line"] = number + 2
    other.pickups.reverse()
    told = [{(f.kind, f.item) for f in day.search()} for day in (one, other)]
    assert told[0] == told[1]
    assert len(told[0]) >= 2


def test_findings_are_of_known_kinds_and_carry_their_severity() -> None:
    found = []
    for number, blunder in enumerate(days.BLUNDERS):
        day = days.a_day(number, shape=blunder.shape)
        blunder.spoil(day, blunder.size)
        found += day.search()
    found = [one for one in found if one.kind not in READERS_OWN]
    assert {one.kind for one in found} <= set(FINDINGS)
    assert [one for one in found if one.severity != FINDINGS[one.kind].severity] == []
    assert [one for one in found if not (one.file and one.line and one.column and one.text)] == []


def test_the_page_lists_every_kind_with_its_severity() -> None:
    page = (ROOT / "docs" / "blunders.md").read_text(encoding="utf-8").split("## Kinds")[1].split("## Limits")[0]
    rows = [[cell.strip(" `") for cell in line.split("|")[1:3]] for line in page.splitlines() if line.startswith("| `")]
    of_folders = {"setup_reused", "already_loaded", "withdrawn_before", "check_without_control"}
    of_files = {name.partition("_")[2] for name in PLACES}
    assert {kind for kind, _ in rows} == {*of_files, *READERS_OWN, *of_folders}
    assert [row for row in rows if row[0] in FINDINGS and FINDINGS[row[0]].severity != row[1]] == []
    assert {severity for kind, severity in rows if kind in READERS_OWN} == {"error"}
