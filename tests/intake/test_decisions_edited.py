"""``decisions.csv`` that was edited: found against what the ledger last recorded, and never recorded itself."""

from __future__ import annotations

import hashlib

import pytest
from folder_maker import Folder

from asbuilt.errors import InputError
from asbuilt.intake.decisions import appended, broken_decisions, carries_on, lines_kept
from asbuilt.intake.decisions_edited import edited_in
from asbuilt.intake.ledger import read_ledger, taking_in, unrecorded, verify_folder
from asbuilt.intake.survey import read_survey

HEADER = "at,by,item,effect,down_to_level,until,reason,reference,evidence_sha256,figures,previous_sha256"
ROW = {"at": "2026-03-05T09:00:00.000Z", "by": "Ann", "effect": "hold", "evidence_sha256": "a" * 64}
WHOLE = appended(None, [{**ROW, "item": item, "reason": f"see {item}"} for item in ("P1", "P2", "P3")])
BY_HAND = b"2026-03-09,Cyd,P4,hold,,,seen,,,,\n"
LINES = WHOLE.decode().splitlines(keepends=True)
#: What may have been done to the file.
EDITS = {
    "changed": WHOLE.replace(b"see P1", b"see P9"),
    "last changed": WHOLE.replace(b"see P3", b"see P9"),
    "first removed": "".join([LINES[0], *LINES[2:]]).encode(),
    "last removed": "".join(LINES[:-1]).encode(),
    "all removed": LINES[0].encode(),
    "moved": "".join([LINES[0], LINES[2], LINES[1], LINES[3]]).encode(),
    "put between": "".join([*LINES[:2], BY_HAND.decode(), *LINES[2:]]).encode(),
    "last changed, and one added": WHOLE.replace(b"see P3", b"see P9") + BY_HAND,
    "emptied": b"",
    "no table": b"\xff\xfe",
}
UNREADABLE = ("emptied", "no table")


@pytest.fixture
def folder(tmp_path):
    """Return a folder whose ledger has recorded the decisions."""
    place = Folder(tmp_path / "yard").write("decisions.csv", WHOLE).path
    record(place)
    assert [line.file for line in read_ledger(place)].count("decisions.csv") == 1
    return place


def record(folder):
    with taking_in(folder, by="A", told=lambda _text: None):
        pass


def put(folder, data):
    (folder / "decisions.csv").write_bytes(data)
    return folder


@pytest.mark.parametrize("how", EDITS)
def test_an_edited_file_is_found_and_stays_so_however_often_something_is_taken_in(folder, how):
    put(folder, EDITS[how])
    before = read_ledger(folder)
    for _ in range(3):
        record(folder)
        assert unrecorded(folder, read_ledger(folder)) == []
        assert edited_in(folder, read_ledger(folder)).text.startswith("edited by hand: a line that was recorded on ")
    assert read_ledger(folder) == before
    assert len(list((folder / "history").glob("*_decisions.csv"))) == 1


def test_a_file_that_was_removed_is_found(folder):
    (folder / "decisions.csv").unlink()
    record(folder)
    assert edited_in(folder, read_ledger(folder)).text.startswith("removed by hand; it was recorded on ")
    assert read_survey(folder).changed == ("decisions.csv",)


@pytest.mark.parametrize("how", [how for how in EDITS if how not in UNREADABLE])
def test_it_marks_the_survey_and_verify_names_what_to_put_back(folder, how):
    put(folder, EDITS[how])
    survey = read_survey(folder)
    copy = next((folder / "history").glob("*_decisions.csv")).name
    assert survey.changed == ("decisions.csv",)
    assert survey.decisions_edited
    (note,) = [note for note in survey.notes if note.kind == "changed_file"]
    assert note.severity == "query"
    assert f"put back history/{copy}" in note.text
    assert f"put back history/{copy}" in verify_folder(folder)[0]


@pytest.mark.parametrize("how", UNREADABLE)
def test_what_cannot_be_read_is_refused_with_what_to_put_back(folder, how):
    with pytest.raises(InputError) as caught:
        read_survey(put(folder, EDITS[how]))
    assert "put back history/" in str(caught.value)


def test_putting_the_recorded_content_back_ends_it(folder):
    put(folder, EDITS["changed"])
    copy = next((folder / "history").glob("*_decisions.csv"))
    put(folder, copy.read_bytes())
    assert edited_in(folder, read_ledger(folder)) is None
    assert (read_survey(folder).changed, verify_folder(folder)) == ((), [])


@pytest.mark.parametrize("added", [BY_HAND, b"# a note\n", b"\n", BY_HAND.rstrip()])
def test_lines_put_at_the_end_by_hand_are_recorded(folder, added):
    put(folder, WHOLE + added)
    assert edited_in(folder, read_ledger(folder)) is None
    record(folder)
    assert read_ledger(folder)[-1].sha256 == hashlib.sha256(WHOLE + added).hexdigest()
    assert verify_folder(folder) == []


def test_what_is_put_behind_the_last_line_without_an_end_must_begin_a_line():
    bare = f"{HEADER}\n2026-03-09,Cyd,P4,hold,,,seen,,,,".encode()
    assert carries_on(bare, bare + b"\n" + BY_HAND)
    assert not carries_on(bare, bare + b"x\n")


def test_columns_that_were_lacking_may_be_added(tmp_path):
    """``decide`` asks for that."""
    few, row = "at,by,item,effect,reason", "2026-03-04,Cyd,P2,hold,seen"
    folder = Folder(tmp_path / "yard").write("decisions.csv", f"{few}\n{row}\n".encode()).path
    record(folder)
    header = f"{few},{','.join(name for name in HEADER.split(',') if name not in few.split(','))}"
    put(folder, f"{header}\n{row},,,,,,\n".encode())
    assert edited_in(folder, read_ledger(folder)) is None
    put(folder, f"{header}\n{row},,dry,,,,\n".encode())
    assert edited_in(folder, read_ledger(folder)) is not None


def test_the_recorded_lines_are_read_from_history_with_what_else_stands_there(folder):
    survey = read_survey(put(folder, EDITS["last changed, and one added"]))
    paths = [survey.files[place].path for place in survey.decisions.file.tolist()]
    assert survey.decisions["reason"].tolist() == ["see P1", "see P2", "see P3", "see P9", "seen"]
    assert [path.startswith("history/") for path in paths] == [True, True, True, False, False]
    assert survey.decisions.line.tolist() == [2, 3, 4, 4, 5]


def test_lines_under_another_header_are_all_others():
    assert lines_kept(WHOLE, WHOLE) == {2, 3, 4}
    assert lines_kept(WHOLE, WHOLE.replace(b"until,reason", b"reason,until", 1)) == set()


def test_a_lost_copy_is_told(folder):
    next((folder / "history").glob("*_decisions.csv")).unlink()
    assert edited_in(folder, read_ledger(folder)) is None
    put(folder, WHOLE + BY_HAND)
    assert edited_in(folder, read_ledger(folder)).text.endswith("the copy of that, is missing or changed")


BROKEN = WHOLE.replace(b"see P1", b"see P9")


def test_a_broken_chain_that_was_never_recorded_marks_the_survey_and_is_not_recorded(tmp_path):
    folder = Folder(tmp_path / "yard").write("decisions.csv", BROKEN)
    assert len(broken_decisions(BROKEN)) == 1
    survey = folder.survey()
    assert survey.changed == ("decisions.csv",)
    assert survey.notes[0].text.startswith("edited by hand: line 3: previous_sha256: not that of the line before")
    assert verify_folder(folder.path)[0].startswith("decisions.csv:3: previous_sha256")
    record(folder.path)
    assert "decisions.csv" not in [line.file for line in read_ledger(folder.path)]
    assert read_survey(folder.path).changed == ("decisions.csv",)


def test_lines_put_at_the_end_that_break_the_chain_are_found(folder):
    bad = f"2026-03-09,Cyd,P4,hold,,,seen,,,,{'b' * 64}\n".encode()
    put(folder, WHOLE + bad)
    record(folder)
    assert edited_in(folder, read_ledger(folder)).text.startswith("edited by hand: line 5: previous_sha256")
    assert len(read_survey(folder).decisions) == 4
