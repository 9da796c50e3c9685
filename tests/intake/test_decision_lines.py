"""``decisions.csv``: lines at its end, written as the file is, and the chain that binds each to the one before."""

from __future__ import annotations

import hashlib

import pytest
from folder_maker import Folder

from asbuilt.errors import InputError
from asbuilt.intake.decisions import appended, broken_decisions

HEADER = "at,by,item,effect,down_to_level,until,reason,reference,evidence_sha256,figures,previous_sha256"
FIRST = {
    "at": "2026-03-05T09:00:00.000Z",
    "by": "Ann",
    "item": "P1~P2",
    "effect": "accept",
    "down_to_level": "-3.0",
    "reason": 'grouted, "behind"; tested',
    "evidence_sha256": "a" * 64,
    "figures": "verdict=outside; least_overlap_mm=-7.7",
}
SECOND = {"at": "2026-03-06T09:00:00.000Z", "by": "#2 Bob", "item": "P3", "effect": "hold", "reason": "leaks"}
SECOND |= {"until": "dry", "reference": "NCR 7", "evidence_sha256": "b" * 64}
#: How a file can have been written by hand, with the header and one row.
BY_HAND = {
    "ours": f"{HEADER}\n2026-03-04,Cyd,P2,hold,,,seen,,,,\n",
    "no end": f"{HEADER}\n2026-03-04,Cyd,P2,hold,,,seen,,,,",
    "crlf": f"{HEADER}\r\n2026-03-04,Cyd,P2,hold,,,seen,,,,\r\n",
    "mark": f"\ufeff{HEADER}\n2026-03-04,Cyd,P2,hold,,,seen,,,,\n",
    "semicolons": f"{HEADER};note\n2026-03-04;Cyd;P2;accept;-2,5;;seen;;;;;wet\n".replace(",", ";", 10),
    "tabs": f"{HEADER}\n2026-03-04,Cyd,P2,hold,,,seen,,,,\n".replace(",", "\t"),
    "order": "by,reason,item,at,effect,previous_sha256,figures,evidence_sha256,reference,until,down_to_level\n"
    "Cyd,seen,P2,2026-03-04,hold,,,,,,\n",
    "comments": f"# decisions of the job\n\n{HEADER}\n# the first\n2026-03-04,Cyd,P2,hold,,,seen,,,,\n\n",
}


def sha256(line: str) -> str:
    return hashlib.sha256(line.encode()).hexdigest()


@pytest.mark.parametrize("data", [None, b"", b"\xef\xbb\xbf", b"\n  \n", f"{HEADER}\n".encode()])
def test_the_first_line_stands_under_the_header_and_has_none_before_it(data):
    header, line, end = appended(data, [FIRST]).decode().split("\n")
    assert (header, end) == (HEADER, "")
    assert line == (
        '2026-03-05T09:00:00.000Z,Ann,P1~P2,accept,-3.0,,"grouted, ""behind""; tested",,'
        f"{'a' * 64},verdict=outside; least_overlap_mm=-7.7,"
    )


def test_each_line_carries_the_hash_of_the_line_before_it():
    one = appended(None, [FIRST])
    _, first, second, third, _ = appended(one, [SECOND, FIRST]).decode().split("\n")
    assert second.rsplit(",", 1)[1] == sha256(first)
    assert third.rsplit(",", 1)[1] == sha256(second)


def test_one_by_one_or_at_once_is_the_same():
    assert appended(appended(None, [FIRST]), [SECOND]) == appended(None, [FIRST, SECOND])


@pytest.mark.parametrize("how", BY_HAND)
def test_a_file_written_by_hand_stays_as_it_is_and_is_read_with_what_was_added(tmp_path, how):
    before = BY_HAND[how].encode()
    folder = Folder(tmp_path / "yard")
    after = appended(before, [FIRST, SECOND])
    assert after.startswith(before)
    read = folder.write("decisions.csv", after).survey().decisions
    assert read["item"].tolist() == ["P2", "P1~P2", "P3"]
    assert read["by"].tolist() == ["Cyd", "Ann", "#2 Bob"]
    assert read["reason"].tolist() == ["seen", FIRST["reason"], "leaks"]
    assert read["until"].tolist() == [None, None, "dry"]
    assert read["down_to_level"].tolist()[1] == -3.0
    assert read["figures"].tolist()[1] == FIRST["figures"]
    assert broken_decisions(after) == []


def test_a_file_without_a_column_that_is_kept_is_refused_with_what_to_do():
    with pytest.raises(InputError) as caught:
        appended(b"# ours\nat,by,item,effect,reason\n2026-03-04,Cyd,P2,hold,seen\n", [FIRST])
    assert str(caught.value) == (
        "decisions.csv:2: no columns down_to_level, until, reference, evidence_sha256, figures, previous_sha256, "
        "expected all columns of a decision: add these at the end of the header row, and a blank cell for each below"
    )


def test_what_is_no_table_is_refused():
    with pytest.raises(InputError, match="UTF-16"):
        appended(HEADER.encode("utf-16"), [FIRST])
    assert "UTF-16" in broken_decisions(HEADER.encode("utf-16"))[0]


# --------------------------------------------------------------------------------------------------- chain

WHOLE = appended(appended(BY_HAND["ours"].encode(), [FIRST]), [SECOND, FIRST])


def lines() -> list[str]:
    return WHOLE.decode().rstrip("\n").split("\n")


def broken(changed: list[str]) -> list[str]:
    return broken_decisions("".join(f"{line}\n" for line in changed).encode())


def test_a_whole_chain_is_in_order():
    assert broken(lines()) == []
    assert broken(lines()[:1]) == []


def test_other_line_ends_break_nothing():
    assert broken_decisions(WHOLE.replace(b"\n", b"\r\n")) == []


@pytest.mark.parametrize("place", [1, 2, 3])
def test_a_line_that_was_changed_is_found_by_the_line_after_it(place):
    changed = lines()
    changed[place] = changed[place].replace("2026", "2025", 1)
    wrong = "previous_sha256: not that of the line before: one was changed, removed or put between"
    assert broken(changed) == [f"decisions.csv:{place + 2}: {wrong}"]


@pytest.mark.parametrize("place", [2, 3])
def test_a_line_that_was_removed_is_found(place):
    changed = lines()
    del changed[place]
    assert [one.split(":")[1] for one in broken(changed)] == [str(place + 1)]


def test_first_lines_that_were_removed_are_found():
    (wrong,) = broken([lines()[0], *lines()[2:]])
    assert wrong == "decisions.csv:2: previous_sha256: it names a line before it, and there is none: that was removed"


def test_a_line_put_between_is_found():
    changed = lines()
    changed.insert(2, "2026-03-04,Cyd,P2,withdraw,,,no,,,,")
    assert [one.split(":")[1] for one in broken(changed)] == ["4"]


def test_lines_exchanged_are_found():
    changed = lines()
    changed[2], changed[3] = changed[3], changed[2]
    assert [one.split(":")[1] for one in broken(changed)] == ["3", "4", "5"]


def test_a_hash_that_was_taken_out_is_found():
    changed = lines()
    changed[2] = changed[2].rsplit(",", 1)[0] + ","
    assert broken(changed)[0] == (
        "decisions.csv:3: previous_sha256: blank, though the line names its evidence: it was changed"
    )


def test_a_line_written_by_hand_at_the_end_breaks_nothing():
    assert broken([*lines(), "2026-03-09,Cyd,P2,hold,,,seen,,,,"]) == []
