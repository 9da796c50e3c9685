"""``asbuilt sheets``: drawings on request, by kind, pile, joint and level, into a folder that a run leaves alone."""

from __future__ import annotations

import json

import pdf_pages
import pytest
import small_folder
from sheet_books import title
from told import told

from asbuilt.__main__ import main
from asbuilt.commands.sheets import KINDS, file_name
from asbuilt.output.sheets import book


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


def drawn(capsys, *arguments: str) -> dict:
    assert main(["sheets", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def titles(path: str) -> list[str]:
    return [title(page) for page in pdf_pages.read_pages(path)]


def refused(capsys, *arguments: str) -> str:
    assert main(["sheets", *arguments]) == 2
    return told(capsys)


def test_kinds_of_the_command_are_those_of_the_book():
    assert tuple(KINDS) == tuple(book.KINDS)


def test_without_options_it_draws_what_a_run_draws(folder, capsys):
    found = drawn(capsys, str(folder))
    assert found["file"] == str(folder / "out" / "drawings" / "sheets.pdf")
    assert main(["run", str(folder)]) == 0
    ours, theirs = (pdf_pages.read_pages(folder / "out" / name) for name in ("drawings/sheets.pdf", "sheets.pdf"))
    assert [title(page) for page in ours] == [title(page) for page in theirs]
    assert {"extract"} == {text.text for page in ours for text in page.texts if "extract" in text.text}


def test_a_run_leaves_drawings_alone(folder, capsys):
    path = drawn(capsys, str(folder), "--pile", "P3")["file"]
    assert main(["run", str(folder)]) == 0
    assert titles(path) == ["Pile P3: within"]


def test_a_named_joint_is_drawn_alone_and_the_page_told(folder, capsys):
    found = drawn(capsys, str(folder), "--joint", "P3~P4")
    assert found["file"].endswith("joint_P3~P4.pdf")
    assert found["page_of"] == {"P3~P4": 1}
    assert [name.split(":")[0] for name in titles(found["file"])] == ["Joint P3~P4"]


def test_a_joint_that_is_within_can_be_asked_for(folder, capsys):
    found = drawn(capsys, str(folder), "--joint", "P1~P2")
    assert titles(found["file"]) == ["Joint P1~P2: within"]


def test_levels_are_drawn_as_asked(folder, capsys):
    found = drawn(capsys, str(folder), "--level", "-2.5", "--level", "\u22126")
    assert found["file"].endswith("levels.pdf")
    names = titles(found["file"])
    assert [name.split(" m")[0] for name in names] == ["Plan at \u22122.50", "Plan at \u22126.00"]


def test_only_adds_whole_kinds_to_what_is_named(folder, capsys):
    found = drawn(capsys, str(folder), "--only", "scatter", "--pile", "P1")
    assert found["file"].endswith("scatter-pile_P1.pdf")
    names = titles(found["file"])
    assert sum(name.startswith("Pile P1") for name in names) == 1
    assert names[0].startswith("Pile P1")
    assert any(name.startswith("Scatter") for name in names)
    assert not any(name.startswith(("Deviation", "Joint", "Schedule", "Stage")) for name in names)


def test_paper_and_scale_are_taken(folder, capsys):
    found = drawn(capsys, str(folder), "--only", "plan", "--paper", "A1", "--scale", "1:100")
    page = pdf_pages.read_pages(found["file"])[0]
    assert (page.width, page.height) == pytest.approx((841.0, 594.0), abs=0.5)
    assert "1:100 at A1" in [text.text for text in page.texts]


def test_out_names_another_folder(folder, tmp_path, capsys):
    found = drawn(capsys, str(folder), "--only", "plan", "--out", str(tmp_path / "prints"))
    assert found["file"] == str(tmp_path / "prints" / "plan.pdf")
    assert not (folder / "out").exists()


def test_unknown_ids_are_all_named_with_the_nearest(folder, capsys):
    said = refused(capsys, str(folder), "--joint", "P4~P6", "--joint", "P8~P9")
    assert said == "asbuilt: no joint 'P4~P6', the nearest is P5~P6; no joint 'P8~P9', the nearest is P7~P8"
    assert not (folder / "out").exists()


def test_a_joint_may_be_named_from_either_pile(folder, capsys):
    found = drawn(capsys, str(folder), "--joint", "P4~P3", "--joint", "P3~P4")
    assert found["page_of"] == {"P3~P4": 1}


def test_a_level_that_the_site_cannot_have_is_refused(folder, capsys):
    said = refused(capsys, str(folder), "--level", "-60")
    assert "--level -60.00: outside the levels of this site, -40.00 to +10.00" in said
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--scale", "1:7"), "'1:7' is no scale for these sheets, expected 1:20 or smaller"),
        (("--level", "deep"), "'deep' is no level, expected metres such as -6.50"),
        (("--only", "pile"), "--only pile needs to know which: add --pile ID, which may be repeated"),
        (("--pile", "Q1"), "no pile 'Q1'"),
    ],
)
def test_bad_requests_say_what_is_expected(folder, capsys, arguments, said):
    assert said in refused(capsys, str(folder), *arguments)
    assert not (folder / "out").exists()


def test_outputs_do_not_go_where_inputs_are(folder, capsys):
    assert "holds inputs" in refused(capsys, str(folder), "--out", str(folder / "pickups"))


def test_what_is_told_carries_file_pages_and_cautions(folder, capsys):
    assert main(["sheets", str(folder), "--only", "plan"]) == 0
    said = capsys.readouterr().out
    where = str(folder / "out/drawings/plan.pdf")
    assert f"{where}: 1 page" in said.replace("\n", " ")
    assert "It is not a permit" in said.replace("\n", " ")
    assert max(len(line) for line in said.splitlines() if where not in line) <= 80


@pytest.mark.parametrize(
    ("only", "piles", "joints", "levels", "name"),
    [
        ((), (), (), (), "sheets.pdf"),
        (("elevation", "plan"), (), (), (), "plan-elevation.pdf"),
        (("joint",), (), ("A1~A2",), (), "joint_A1~A2.pdf"),
        ((), ("A1", "A2"), (), (-3.0,), "piles-level_-3.00.pdf"),
        ((), (), (), (-6.501,), "level_-6.501.pdf"),
    ],
)
def test_files_are_named_by_what_is_in_them(only, piles, joints, levels, name):
    assert file_name(only, piles=piles, joints=joints, levels=levels) == name
