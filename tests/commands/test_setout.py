"""``asbuilt setout``: what is advised, what is approved, the two files, and what is refused."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import set_out_folders
import small_folder
import wall_folders
from golden_files import assert_golden
from told import told

from asbuilt.__main__ import main

HEADER = "point,easting,northing,level,code"


@pytest.fixture
def folder(tmp_path):
    return set_out_folders.make(tmp_path / "wall")


def found(capsys, *arguments):
    assert main(["setout", *map(str, arguments), "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def marks(folder, name="setout.csv"):
    return (folder / "out" / "setout" / name).read_text(encoding="utf-8").splitlines()


def refused(capsys, folder, *arguments):
    assert main(["setout", str(folder), *arguments]) == 2
    assert not (folder / "out").exists()
    return told(capsys)


# ---- what is advised


def test_the_instruments_file_holds_the_advised_centre(folder, capsys):
    found(capsys, folder)
    assert marks(folder) == [HEADER, set_out_folders.ADVISED]


def test_the_object_says_what_the_centre_comes_to(folder, capsys):
    (pile,) = found(capsys, folder)["piles"]
    assert (pile["pile_id"], pile["source"], pile["advised"], pile["approved"]) == ("P6", "advised", True, False)
    assert (pile["easting"], pile["northing"]) == pytest.approx((104.485, 200.0))
    assert (pile["move_e_mm"], pile["move_n_mm"]) == pytest.approx((-15, 0), abs=1e-6)
    assert (pile["along_wall_mm"], pile["towards_pit_mm"]) == pytest.approx((-15, 0), abs=1e-6)
    # 130 mm by design, of which 30 are gone and 15 won back
    assert (pile["design_least_overlap_mm"], pile["least_overlap_mm"]) == pytest.approx((100, 115))
    assert pile["required_overlap_mm"] == 50
    assert pile["gain_mm"] == pytest.approx(15)
    assert (pile["needed_diameter_mm"], pile["extra_pile"]) == (None, False)


def test_the_diameter_that_would_do_is_told(folder, capsys):
    """P5 stands 130 mm west: 115 of them are left after the play, 35 more than the joint has to spare."""
    pickups = folder / "pickups" / "2025-03-05.csv"
    pickups.write_text(pickups.read_text(encoding="utf-8").replace("103.720", "103.620"), encoding="utf-8")
    (pile,) = found(capsys, folder)["piles"]
    assert pile["needed_diameter_mm"] == pytest.approx(880 + 2 * 35)
    assert "no shift keeps the overlap asked for: a diameter of 950 mm would" in pile["reason"]


def test_the_object_holds_tapes_to_neighbours_that_stand(folder, capsys):
    first, second = found(capsys, folder)["piles"][0]["tapes"]
    # centres 765 mm apart, radii of 440
    assert (first["neighbour"], first["neighbour_is"]) == ("P5", "as built")
    assert (first["mark_to_face_mm"], first["over_casing_mm"]) == pytest.approx((325, 765))
    assert (second["neighbour"], second["neighbour_is"], second["mark_to_face_mm"]) == ("P7", "to drill", None)


def test_the_text_begins_with_the_warning_and_is_as_last_looked_at(folder, monkeypatch, capsys):
    monkeypatch.chdir(folder.parent)
    assert main(["setout", "wall"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("ADVICE until the responsible engineer confirms it")
    assert max(map(len, said.splitlines())) <= 80
    assert_golden("setout_small_wall.txt", said)


def test_piles_can_be_named_that_no_neighbour_is_built_of(folder, capsys):
    piles = found(capsys, folder, "P8", "P7")["piles"]
    assert [pile["pile_id"] for pile in piles] == ["P7", "P8"]
    assert {pile["source"] for pile in piles} == {"design"}
    assert {pile["sure"] for pile in piles} == {None}


def test_the_plain_design_takes_every_pile_to_drill_and_advises_nothing(folder, capsys):
    piles = found(capsys, folder, "--design")["piles"]
    assert marks(folder, "design.csv") == [
        HEADER,
        "P6,104.500,200.000,4.000,design",
        "P7,105.250,200.000,4.000,design",
        "P8,106.000,200.000,4.000,design",
    ]
    assert piles[0]["least_overlap_mm"] == pytest.approx(100)
    assert not any(pile["advised"] for pile in piles)


def test_a_ring_tells_how_it_closes(tmp_path, capsys):
    ring = wall_folders.make(tmp_path / "ring", "ring_60")
    (closure,) = found(capsys, ring)["closures"]
    assert closure["wall"] == "A"
    assert closure["text"][0] == "Gap A54 to A1: 6 piles to drill."
    assert (len(closure["running_mm"]), len(closure["forecast_mm"])) == (54, 7)
    assert closure["running_mm"][-1] == closure["forecast_mm"][0]
    # what is left for the last joint is the total less the forecast
    last = closure["total_mm"] - closure["forecast_mm"][-1]
    assert f"comes out {abs(last):.0f} mm {'longer' if last > 0 else 'shorter'} than designed" in closure["text"][3]


def test_a_ring_of_two_piles_has_a_forecast_but_no_band(tmp_path, capsys):
    ring = wall_folders.write(
        tmp_path / "ring", wall_folders.ring(12), closed=True, share=0.2, name="Invented", seed=2
    )
    (closure,) = found(capsys, ring)["closures"]
    assert closure["text"][3].endswith("; too few legs for a band.")
    assert set(closure["low_mm"]) == {None}
    assert None not in closure["forecast_mm"]


# ---- once the engineer agrees


def test_an_approved_centre_is_given_from_then_on(folder, capsys):
    found(capsys, folder)
    set_out_folders.approve(folder)
    (pile,) = found(capsys, folder)["piles"]
    assert (pile["source"], pile["advised"], pile["least_overlap_mm"]) == ("approved", False, pytest.approx(115))
    assert marks(folder) == [HEADER, "P6,104.485,200.000,4.000,approved"]


def test_it_is_told_who_approved_and_when(folder, capsys):
    set_out_folders.approve(folder)
    assert main(["setout", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "P6 E 104.485 N 200.000 approved by A. Engineer, 2025-03-06 08:00 UTC" in said
    assert "least overlap at the approved centre 115 mm" in said


def test_an_approved_centre_stays_although_another_is_better(folder, capsys):
    set_out_folders.approve(folder, set_out_folders.APPROVED.replace("104.485", "104.512"))
    (pile,) = found(capsys, folder)["piles"]
    assert (pile["source"], pile["easting"]) == ("approved", pytest.approx(104.512))
    assert "the approved centre holds until another is approved: ask the engineer" in pile["reason"]


def test_the_next_pile_is_worked_out_from_the_approved_centre(folder, capsys):
    set_out_folders.approve(folder)
    second = found(capsys, folder, "P7")["piles"][0]
    # 15 mm farther from P7 than designed
    assert second["least_overlap_mm"] == pytest.approx(115)


def test_the_plain_design_says_which_approved_centre_it_leaves_out(folder, capsys):
    set_out_folders.approve(folder)
    first = found(capsys, folder, "--design")["piles"][0]
    assert (first["source"], first["easting"]) == ("design", pytest.approx(104.5))
    assert first["reason"] == "a centre approved by A. Engineer is not used here"


def test_a_line_written_by_hand_is_put_into_the_ledger(folder, tmp_path, capsys):
    row = "S9,P1,100.752,200.001,3.30,2025-03-06T09:00\n"
    (tmp_path / "day.csv").write_text(small_folder.PICKUPS.splitlines(keepends=True)[0] + row, encoding="utf-8")
    assert main(["load", str(folder), str(tmp_path / "day.csv"), "--by", "A. Surveyor"]) == 0
    set_out_folders.approve(folder)
    assert main(["setout", str(folder)]) == 0
    assert "recorded in the ledger, as it was changed by hand: set_out/approved.csv" in told(capsys)
    assert "set_out/approved.csv" in (folder / "ledger.csv").read_text(encoding="utf-8")


CHECK = "check the line in set_out/approved.csv:2"
FAR = f"P6: approved centre lies 1000 mm from design, beyond the play of 15 mm: {CHECK}"


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        # a metre east: 1780 mm from P5, radii of 440
        (
            "105.500,200.000",
            [f"P6: approved centre would leave joint P5~P6 open at +3.20, overlap -900 mm: {CHECK}", FAR],
        ),
        # 164 mm towards the pit: the joints still bite
        ("104.500,200.164", [FAR.replace("1000", "164")]),
    ],
)
def test_a_mistyped_approved_centre_is_told_and_marked(folder, capsys, typed, expected):
    set_out_folders.approve(folder, set_out_folders.APPROVED.replace("104.485,200.000", typed))
    listed = found(capsys, folder)
    assert listed["checks"] == expected
    assert (listed["piles"][0]["source"], listed["piles"][0]["approved"]) == ("approved-check", True)
    assert marks(folder) == [HEADER, f"P6,{typed},4.000,approved-check"]


def test_the_text_begins_with_what_is_to_be_checked(folder, capsys):
    set_out_folders.approve(folder, set_out_folders.APPROVED.replace("104.485", "105.500"))
    assert main(["setout", str(folder)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert said.startswith("CHECK: P6: approved centre would leave joint P5~P6 open at +3.20")
    assert said.index("CHECK: P6: approved centre lies 1000 mm") < said.index("No other centre is advised here")


def test_the_approved_centre_of_a_neighbour_to_drill_is_looked_at_too(folder, capsys):
    set_out_folders.approve(folder, set_out_folders.APPROVED.replace("104.485", "103.500"))
    listed = found(capsys, folder, "P7")
    assert listed["checks"] == [
        f"P6: approved centre would leave joint P6~P7 open at +3.20, overlap -870 mm: {CHECK}",
        FAR,
    ]
    assert listed["piles"][0]["source"] == "design"


def test_an_approved_centre_at_the_play_in_whole_millimetres_is_no_mistake(folder, capsys):
    set_out_folders.approve(folder, set_out_folders.APPROVED.replace("104.485,200.000", "104.489,199.989"))
    assert found(capsys, folder)["checks"] == []


def test_the_plain_design_checks_no_approved_centre(folder, capsys):
    set_out_folders.approve(folder, set_out_folders.APPROVED.replace("104.485", "105.500"))
    assert found(capsys, folder, "--design")["checks"] == []


# ---- what is not in the list


def test_piles_to_drill_that_are_not_in_the_list_are_named_with_why(folder, capsys):
    assert found(capsys, folder)["left_out"] == [
        {"pile_id": "P7", "reason": "no neighbour is built yet"},
        {"pile_id": "P8", "reason": "no neighbour is built yet"},
    ]


def test_a_pile_beside_one_begun_and_not_surveyed_is_named_with_it(tmp_path, capsys):
    """P5 is drilled, P6 is beside it; P1 is to be set out beside P2."""
    pickups = "".join(line for line in set_out_folders.PICKUPS.splitlines(True) if ",P5," not in line)
    pickups = "".join(line for line in pickups.splitlines(True) if ",P1," not in line)
    records = "".join(line for line in set_out_folders.RECORDS.splitlines(True) if not line.startswith("P1"))
    tilts = "".join(line for line in small_folder.TILTS.splitlines(True) if not line.startswith(("P1", "P5")))
    changes = {"pickups_2025_03_05_csv": pickups, "records_rig_1_csv": records, "tilts_2025_03_03_csv": tilts}
    listed = found(capsys, set_out_folders.make(tmp_path / "wall", **changes))
    assert [pile["pile_id"] for pile in listed["piles"]] == ["P1"]
    assert listed["left_out"][0] == {
        "pile_id": "P6",
        "reason": "P5 is concreted and not surveyed; no centre is advised",
    }


def test_where_piles_are_named_the_others_are_not(folder, capsys):
    assert found(capsys, folder, "P6")["left_out"] == []


def test_where_nothing_is_advised_the_head_does_not_speak_of_advice(folder, capsys):
    assert found(capsys, folder, "P8")["advice"].startswith("No other centre is advised here")


# ---- the files


def test_columns_are_those_of_the_settings(tmp_path, capsys):
    chosen = '[set_out]\ncolumns = ["code", "point", "kind", "diameter_mm", "move_e_mm", "wall"]\n'
    folder = set_out_folders.make(tmp_path / "wall", settings=chosen)
    found(capsys, folder)
    assert marks(folder) == ["code,point,kind,diameter_mm,move_e_mm,wall", "advised,P6,secondary,880,-15.0,A"]


def test_a_column_that_there_is_not_is_named_with_its_line(tmp_path, capsys):
    folder = set_out_folders.make(tmp_path / "wall", settings='[set_out]\ncolumns = ["point", "height"]\n')
    said = refused(capsys, folder)
    line = 1 + (folder / "site.toml").read_text(encoding="utf-8").splitlines().index('columns = ["point", "height"]')
    assert f"site.toml:{line}: set_out.columns.2: 'height' is not known" in said


def test_control_points_come_on_request_without_a_level(folder, capsys):
    set_out_folders.control(folder)
    assert found(capsys, folder, "--control")["marks"] == 3
    assert marks(folder)[2:] == ["CP1,90.000,190.000,,control", "'=CP2,110.000,210.000,,control"]


def test_the_same_inputs_give_the_same_bytes(folder, capsys):
    files = [Path(name) for name in found(capsys, folder)["files"]]
    first = [file.read_bytes() for file in files]
    found(capsys, folder)
    assert [file.read_bytes() for file in files] == first


def test_both_files_or_none(folder, monkeypatch, capsys):
    found(capsys, folder)
    before = marks(folder)
    set_out_folders.approve(folder)

    def full(*_arguments, **_options):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("asbuilt.output.sheets.book.write_sheets", full)
    assert main(["setout", str(folder)]) == 2
    assert marks(folder) == before
    assert sorted(path.name for path in (folder / "out" / "setout").iterdir()) == ["setout.csv", "setout.pdf"]


def test_a_run_leaves_them_alone(folder, capsys):
    found(capsys, folder)
    before = marks(folder)
    assert main(["run", str(folder), "--only", "schedule"]) == 0
    assert marks(folder) == before


def test_out_names_another_folder(folder, tmp_path, capsys):
    files = found(capsys, folder, "--out", tmp_path / "tomorrow")["files"]
    assert files == [str(tmp_path / "tomorrow" / name) for name in ("setout.csv", "setout.pdf")]
    assert not (folder / "out").exists()


# ---- what is refused


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--control",), "command line: --control: there are no control points, expected "),
        (("--out", "wall/pickups"), "holds inputs"),
    ],
)
def test_bad_requests_say_what_to_do(folder, monkeypatch, capsys, arguments, said):
    monkeypatch.chdir(folder.parent)
    assert said in refused(capsys, folder, *arguments)


def test_every_pile_that_cannot_be_set_out_is_told_at_once(tmp_path, capsys):
    lines = [f"{line},{'omitted' if line.startswith('P8') else ''}" for line in small_folder.DESIGN.splitlines()]
    design = "\n".join([f"{small_folder.DESIGN.splitlines()[0]},status", *lines[1:]]) + "\n"
    # P6 is drilled here
    folder = set_out_folders.make(tmp_path / "wall", design_piles_csv=design, records_rig_1_csv=small_folder.RECORDS)
    said = refused(capsys, folder, "P66", "P8", "Q1", "P7", "P6", "P1", "P6", "--control")
    lines = [
        "--control: there are no control points, expected control/points.csv, or setout without --control",
        "P1: is surveyed already: too late to set it out, expected a pile still to drill",
        "P6: is drilled already: too late to set it out, expected a pile still to drill",
        "P66: no such pile, the nearest is P6, expected a pile of the design table",
        "P8: is omitted in the design: nothing to set out, expected a pile still to drill",
        "Q1: no such pile, the nearest is P1, expected a pile of the design table",
    ]
    told_all = " ".join(f"command line: {line}" for line in lines)
    assert said == f"{told_all} asbuilt: 6 problems in the input, nothing was written"


def test_where_nothing_can_be_advised_it_says_what_to_do(tmp_path, capsys):
    folder = small_folder.make(tmp_path / "wall")
    said = refused(capsys, folder)
    assert "no pile that is still to drill has a neighbour that is built and surveyed, with its lean known" in said
    assert "take the plain design set-out with --design" in said


def test_where_all_is_drilled_there_is_nothing_to_set_out(tmp_path, capsys):
    folder = wall_folders.write(
        tmp_path / "wall", wall_folders.straight(6), closed=False, share=1.0, name="Invented", seed=1
    )
    assert "no pile is still to drill: there is nothing to set out" in refused(capsys, folder, "--design")
