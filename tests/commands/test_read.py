"""``asbuilt read``: one reading at the rig goes into the folder with its ledger line, is checked, and is answered."""

from __future__ import annotations

import csv
import json
import shutil
import subprocess
import sys
import threading

import numpy as np
import pytest
import small_folder

from asbuilt.__main__ import main
from asbuilt.commands.reader import Said
from asbuilt.commands.steer_case import case_of
from asbuilt.commands.steer_words import answer_lines
from asbuilt.intake.ledger import verify_folder
from asbuilt.intake.ledger_lines import read_ledger
from asbuilt.intake.ledger_lock import locked
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

BY = ("--by", "A. Driller")
AT = "2025-03-06T10:00"
READING = ("--tilt-a", "1.5", "--tilt-b", "-1.2", "--unit", "mm/m")
SLOW = ("geopandas", "matplotlib", "pandas", "pyogrio", "pyproj", "rich", "scipy")


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """A folder with a ledger, as after its first load."""
    folder = small_folder.make(tmp_path_factory.mktemp("job") / "wall")
    assert main(["read", str(folder), "P8", *READING, "--depth", "3", "--at", "2025-03-06T09:00", *BY]) == 0
    return folder


@pytest.fixture
def folder(loaded, tmp_path):
    return shutil.copytree(loaded, tmp_path / "wall")


def read(folder, pile, *words):
    return main(["read", str(folder), pile, *words])


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def everything(folder):
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


# ---------------------------------------------------------------------------------------------- what is taken down


def test_the_reading_is_a_file_of_its_own_as_typed(folder):
    assert read(folder, "P7", *READING, "--depth", "4.0", "--at", AT, *BY) == 0
    assert rows(folder / "tilts/2025-03-06_P7.csv") == [
        {
            "pile_id": "P7",
            "read_at": AT,
            "depth": "4.0",
            "tilt_a": "1.5",
            "tilt_b": "-1.2",
            "unit": "mm/m",
            "bearing_a_deg": "",
            "bearing_b_deg": "",
            "sense": "",
            "attempt": "1",
            "reader": "A. Driller",
        }
    ]


def test_the_ledger_has_its_line_and_holds(folder):
    read(folder, "P7", *READING, "--depth", "4", "--at", AT, *BY)
    line = read_ledger(folder)[-1]
    assert (line.action, line.file, line.by) == ("load", "tilts/2025-03-06_P7.csv", "A. Driller")
    assert verify_folder(folder) == []


def test_the_next_reading_of_the_day_has_a_name_of_its_own(folder):
    read(folder, "P7", *READING, "--depth", "4", "--at", AT, *BY)
    read(folder, "P7", *READING, "--depth", "8", "--at", "2025-03-06T11:00", *BY)
    assert rows(folder / "tilts/2025-03-06_P7_2.csv")[0]["depth"] == "8"


def test_without_a_time_it_is_now_to_the_minute(folder):
    read(folder, "P7", *READING, "--depth", "4", *BY)
    (path,) = (path for path in (folder / "tilts").iterdir() if path.stem.endswith("_P7"))
    at = np.datetime64(rows(path)[0]["read_at"].removesuffix("+00:00"), "s")
    assert abs(np.datetime64("now", "s") - at) < np.timedelta64(120, "s")


def test_a_reading_typed_twice_is_taken_down_once(folder, capsys):
    words = ("P7", *READING, "--depth", "4", "--at", AT, *BY)
    read(folder, *words)
    first = capsys.readouterr().out
    before = everything(folder)
    assert read(folder, *words) == 0
    again = capsys.readouterr().out
    assert everything(folder) == before
    assert again.splitlines()[-1] == "taken down before, and not again: tilts/2025-03-06_P7.csv:2"
    assert again.splitlines()[:-1] == first.splitlines()[:-1]


def test_one_that_was_withdrawn_is_taken_down_again(folder):
    words = ("P7", *READING, "--depth", "4", "--at", AT, *BY)
    read(folder, *words)
    assert main(["withdraw", str(folder), "tilts/2025-03-06_P7.csv", "--reason", "wrong pile", *BY]) == 0
    assert read(folder, *words) == 0
    assert (folder / "tilts/2025-03-06_P7_2.csv").is_file()


def test_a_new_attempt_begins_with_its_first_reading(folder):
    assert read(folder, "P4", *READING, "--depth", "4", "--at", AT, "--attempt", "2", *BY) == 0
    assert rows(folder / "tilts/2025-03-06_P4.csv")[0]["attempt"] == "2"


def test_the_attempt_being_drilled_is_the_default(folder):
    read(folder, "P4", *READING, "--depth", "4", "--at", AT, "--attempt", "2", *BY)
    read(folder, "P4", *READING, "--depth", "8", "--at", "2025-03-06T11:00", *BY)
    assert rows(folder / "tilts/2025-03-06_P4_2.csv")[0]["attempt"] == "2"


# ------------------------------------------------------------------------------------------------------- the answer


@pytest.mark.parametrize(("a", "b"), [("1.5", "-1.2"), ("0.2", "4.9"), ("9", "-8"), ("30", "2")])
@pytest.mark.parametrize("pile", ["P6", "P7"])
def test_the_answer_is_that_of_steer(folder, capsys, pile, a, b):
    words = ("--tilt-a", a, "--tilt-b", b, "--unit", "mm/m", "--depth", "5")
    said = Said(tilt_a=a, tilt_b=b, unit="mm/m", depth="5")
    case = case_of(reconcile(read_survey(folder)), pile, said)
    expected = list(answer_lines(case.advice, case.given, case.reader))
    assert read(folder, pile, *words, "--at", AT, *BY) == 0
    assert capsys.readouterr().out.splitlines()[: len(expected)] == expected


def test_steer_prints_the_same_answer(folder, capsys):
    words = (*READING, "--depth", "5")
    assert main(["steer", str(folder), "P7", *words]) == 0
    steered = capsys.readouterr().out.splitlines()
    assert read(folder, "P7", *words, "--at", AT, *BY) == 0
    answered = capsys.readouterr().out.splitlines()
    # below the answer stand the files that each has written
    end = len(answered) - 1 - answered[::-1].index("")
    assert end > 10
    assert answered[:end] == steered[:end]


def test_the_answer_fits_a_telephone(folder, capsys):
    read(folder, "P7", *READING, "--depth", "4", "--at", AT, *BY)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] in {"go on", "stop and ask"} or lines[0].startswith("correct")
    assert max(map(len, lines)) <= 60


def test_the_object_says_answer_and_file(folder, capsys):
    read(folder, "P7", *READING, "--depth", "4", "--at", AT, "--json", *BY)
    told = json.loads(capsys.readouterr().out)
    assert (told["pile_id"], told["taken"], told["file"]) == ("P7", True, "tilts/2025-03-06_P7.csv")
    assert told["reading"]["n_mm_per_m"] == pytest.approx(1.5)
    assert told["findings"] == []


# ---------------------------------------------------------------------------------------------------- what is refused


@pytest.mark.parametrize(
    ("pile", "words", "told"),
    [
        ("P77", (*READING, "--depth", "4"), "no pile 'P77', expected a pile of the design table, the nearest is P7"),
        ("P1", (*READING, "--depth", "4"), "P1 is concreted already"),
        ("P7", READING, "--depth: not given"),
        ("P7", ("--tilt-a", "1", "--tilt-b", "2", "--depth", "4"), "--unit: not given"),
        ("P7", ("--tilt-a", "1", "--unit", "%", "--depth", "4"), "--tilt-b: not given"),
        ("P7", (*READING, "--depth", "4,0"), "'4,0' is no number"),
        ("P7", (*READING, "--depth", "16.5"), "below the toe of P7, at 16.00 m"),
        ("P7", ("--tilt-a", "60", "--tilt-b", "0", "--unit", "mm/m", "--depth", "4"), "more than 1:20"),
        ("P7", (*READING, "--depth", "4", "--sense", "up"), "--sense: 'up' is none"),
        ("P7", (*READING, "--depth", "4", "--bearing-b", "90"), "--bearing-a: not given beside --bearing-b"),
        ("P7", (*READING, "--depth", "4", "--at", "2025-02-30"), "--at: '2025-02-30'"),
        ("P7", (*READING, "--depth", "4", "--attempt", "3"), "attempt 3 of P7, whose attempt 1 is the last"),
        ("P7", (*READING, "--depth", "4", "--confirm", "seen"), "--confirm needs --by"),
    ],
)
def test_bad_input_is_refused_with_what_to_do(folder, capsys, pile, words, told):
    before = everything(folder)
    by = () if "--confirm" in words else BY
    assert read(folder, pile, *words, *by) == 2
    assert told in " ".join(capsys.readouterr().err.split())
    assert everything(folder) == before


def test_all_problems_are_told_at_once(folder, capsys):
    assert read(folder, "P1", "--tilt-a", "x", "--depth", "99", "--at", "yesterday", *BY) == 2
    err = capsys.readouterr().err
    options = ("PILE:", "--at:", "--tilt-a:", "--tilt-b:", "--unit:", "--depth:")
    assert [option for option in options if f"command line: {option}" in err] == list(options)


def test_without_a_sense_anywhere_it_is_asked_for(folder, capsys):
    site = folder / "site.toml"
    text = site.read_text(encoding="utf-8").replace('[readings]\nsense = "toe"\n', "")
    site.write_text(text, encoding="utf-8")
    for path in (folder / "tilts").iterdir():
        path.unlink()
    (folder / "ledger.csv").unlink()
    assert read(folder, "P7", *READING, "--depth", "4", *BY) == 2
    assert "--sense: not given" in capsys.readouterr().err


def test_where_the_wall_turns_the_bearing_is_asked_for(folder, capsys):
    design = folder / "design/piles.csv"
    old, new = "P8,A,8,secondary,106.00,200.00", "P8,A,8,secondary,105.25,200.75"
    design.write_text(design.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    assert read(folder, "P7", *READING, "--depth", "4", "--at", AT, *BY) == 2
    assert "--bearing-a: not given, and at P7 it is needed" in capsys.readouterr().err
    assert read(folder, "P7", *READING, "--depth", "4", "--at", AT, "--bearing-a", "20", *BY) == 0


def test_what_is_odd_refuses_it_until_somebody_says_why(folder, capsys):
    read(folder, "P7", *READING, "--depth", "4", "--at", AT, *BY)
    before = everything(folder)
    words = ("--tilt-a", "1.0", "--tilt-b", "-1.2", "--unit", "mm/m", "--depth", "8", "--at", "2025-03-06T08:00", *BY)
    assert read(folder, "P7", *words) == 2
    assert "- time_order: " in capsys.readouterr().out
    assert everything(folder) == before
    assert read(folder, "P7", *words, "--confirm", "the clock was wrong") == 0
    assert read_ledger(folder)[-1].note == "the clock was wrong; confirmed: time_order P7"


def test_a_refusal_as_object_names_the_finding(folder, capsys):
    assert read(folder, "P7", *READING, "--depth", "4", "--at", "2125-03-06", "--json", *BY) == 2
    told = json.loads(capsys.readouterr().out)
    assert (told["taken"], told["file"]) == (False, None)
    assert [one["kind"] for one in told["findings"]] == ["future_date"]
    assert "answer" not in told


def test_a_lean_beyond_belief_is_taken_when_somebody_says_why(folder):
    words = ("--tilt-a", "60", "--tilt-b", "0", "--unit", "mm/m", "--depth", "4", "--at", AT, *BY)
    assert read(folder, "P7", *words, "--confirm", "the casing was struck") == 0
    assert read_ledger(folder)[-1].note == "the casing was struck; confirmed: tilt_range P7"


def test_a_folder_that_cannot_be_read_is_told_and_left(folder, capsys):
    (folder / "records/rig_1.csv").write_text("pile_id,drilled_at\nP99,2025-03-03\n", encoding="utf-8")
    before = everything(folder)
    assert read(folder, "P7", *READING, "--depth", "4", *BY) == 2
    assert "records/rig_1.csv:2: pile_id: unknown pile 'P99'" in capsys.readouterr().err
    assert everything(folder) == before


def test_what_is_wrong_with_the_reading_is_told_beside_what_is_wrong_with_files(folder, capsys):
    (folder / "site.toml").write_text("crs = 1")
    assert main(["read", str(folder), "P8", "--tilt-a", "x", "--unit", "feet", "--json"]) == 2
    found = json.loads(capsys.readouterr().out)["errors"]
    assert {"--tilt-a", "--tilt-b", "--unit", "--depth"} <= {one["column"] for one in found}
    assert "site.toml" in {one["file"] for one in found}


def test_a_broken_outline_put_in_by_hand_is_not_recorded(folder, capsys):
    (folder / "design/clear_outline.geojson").write_text("{}", encoding="utf-8")
    before = everything(folder)
    assert read(folder, "P7", *READING, "--depth", "4", *BY) == 2
    assert "clear_outline" in capsys.readouterr().err
    assert everything(folder) == before


# ------------------------------------------------------------------------------------------------------- at the rig


def test_another_who_holds_the_folder_is_waited_for(folder, capsys):
    held, done = threading.Event(), threading.Event()

    def hold():
        with locked(folder, told=lambda _text: None):
            held.set()
            done.wait(20.0)

    other = threading.Thread(target=hold)
    other.start()
    held.wait(5.0)
    threading.Timer(3.0, done.set).start()
    assert read(folder, "P7", *READING, "--depth", "4", "--at", AT, *BY) == 0
    other.join()
    assert "waiting: another is taking something in" in capsys.readouterr().err


def test_two_at_once_are_both_taken_down(folder):
    words = [sys.executable, "-m", "asbuilt", "read", str(folder), "P7", *READING, "--at", AT, *BY]
    both = [subprocess.Popen([*words, "--depth", depth], stdout=subprocess.DEVNULL) for depth in ("4", "6")]
    assert [one.wait(60) for one in both] == [0, 0]
    depths = {rows(path)[0]["depth"] for path in (folder / "tilts").glob("2025-03-06_P7*.csv")}
    assert depths == {"4", "6"}
    assert verify_folder(folder) == []


def test_nothing_large_is_loaded_for_it(folder):
    script = (
        "import sys; from asbuilt.__main__ import main; code = main(sys.argv[1:]); "
        f"print([name for name in {SLOW!r} if name in sys.modules]); sys.exit(code)"
    )
    words = ["read", str(folder), "P7", *READING, "--depth", "4", "--at", AT, *BY]
    done = subprocess.run([sys.executable, "-c", script, *words], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "[]"), done.stderr
