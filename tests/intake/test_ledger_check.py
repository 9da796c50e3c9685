"""Verify: every changed byte is found and the file is named, or the line; and so is every other change to a ledger.

``ASBUILT_CHANGES=20`` tries 20 times as many random changes.
"""

from __future__ import annotations

import json
import os
import random
import shutil
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
import small_folder

from asbuilt.columns import ledger_line
from asbuilt.errors import UsageError
from asbuilt.intake.history import HEAD
from asbuilt.intake.ledger import Line, check_folder, line_sha256, read_ledger, taking_in, verify_folder

TIMES = int(os.environ.get("ASBUILT_CHANGES", "1"))
LEDGER = "ledger.csv"
RECORD = "out/run.json"
CONTROL = b"name,easting,northing\nCP1,90.000,190.000\nCP2,120.000,190.000\nCP3,90.000,230.000\n"
SHOTS = "point,pile_id,easting,northing,level,surveyed_at\nS{0},P{0},{1:.3f},200.001,3.30,2025-03-06T09:0{0}\n"


def shot(pile: int) -> bytes:
    return SHOTS.format(pile, 100 + 0.75 * pile).encode()


def build(folder: Path) -> Path:
    """Make a folder with loads, a revision, changed settings, control, a withdrawal, and the record of a run."""
    small_folder.make(folder)
    entered = 0

    def taken():
        nonlocal entered
        entered += 1
        return taking_in(folder, by="A. Süd", at=datetime(2025, 3, 5 + entered, 8, tzinfo=UTC), told=print)

    with taken() as entry:
        entry.add("pickups/2025-03-06_p6.csv", shot(6), action="load", options={"object": "head"}, note='"wet"')
    (folder / "control").mkdir()
    (folder / "control/points.csv").write_bytes(CONTROL)
    with taken() as entry:
        entry.add("pickups/2025-03-07_p7.csv", shot(7), action="load")
        entry.add("tilts/2025-03-07_p7.csv", b"pile_id,read_at,depth,tilt_a,tilt_b,unit\n", action="load")
    design = (folder / "design/piles.csv").read_bytes().replace(b"-12.00", b"-12.50")
    with taken() as entry:
        entry.replace("design/piles.csv", design, action="design", note="revision B")
    (folder / "site.toml").write_bytes((folder / "site.toml").read_bytes().replace(b"plan_mm = 25", b"plan_mm = 30"))
    with taken() as entry:
        entry.note("pickups/2025-03-07_p7.csv", action="withdraw", options={"pile": "P7"}, note="wrong pile")
    (folder / "out").mkdir()
    (folder / RECORD).write_text(json.dumps({"ledger_head": head_of(folder)}), encoding="utf-8")
    return folder


def head_of(folder: Path) -> str:
    return line_sha256(read_ledger(folder)[-1])


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    return build(tmp_path_factory.mktemp("built") / "wall")


@pytest.fixture
def folder(tmp_path, built):
    return Path(shutil.copytree(built, tmp_path / "wall"))


def covered(folder: Path) -> list[str]:
    """Return every file that the ledger covers: what it names, the copies of it, the noted head, and itself."""
    copies = [path.relative_to(folder).as_posix() for path in (folder / "history").iterdir()]
    return sorted({LEDGER, *copies, *(line.file for line in read_ledger(folder))})


def lines_of(folder: Path) -> list[bytes]:
    return (folder / LEDGER).read_bytes().splitlines(keepends=True)


def with_lines(folder: Path, lines: list[bytes]) -> list[str]:
    (folder / LEDGER).write_bytes(b"".join(lines))
    return verify_folder(folder)


def rechained(lines: list[Line]) -> list[bytes]:
    """Return a ledger that holds in itself: each line bound anew to the one before."""
    texts, previous = [b"at,by,action,file,sha256,options,note,previous_sha256\n"], ""
    for line in lines:
        bound = Line(**{**line.row(), "previous_sha256": previous})
        previous = line_sha256(bound)
        texts.append(f"{ledger_line(bound.row())}\n".encode())
    return texts


# --- as it should be --------------------------------------------------------------------------------


def test_a_folder_in_order_has_no_problems_and_no_notes(folder):
    found = check_folder(folder, head=head_of(folder))
    assert (found.problems, found.notes) == ((), ())
    assert (found.lines, found.files, found.head) == (len(lines_of(folder)) - 1, 8 + 1, head_of(folder))


def test_it_holds_what_the_ledger_can_cover(folder):
    actions = Counter(line.action for line in read_ledger(folder))
    assert actions == {"change": 7, "load": 3, "design": 1, "withdraw": 1}
    names = Counter(path.partition("/")[0] for path in covered(folder))
    # The settings and the design twice, control once, and the head.
    assert names["history"] == 6
    assert set(names) == {"site.toml", "design", "control", "pickups", "tilts", "records", "history", LEDGER}


def test_a_head_that_it_once_had_is_known(folder):
    for line in read_ledger(folder):
        assert verify_folder(folder, head=line_sha256(line)[:12]) == []


# --- a single byte ----------------------------------------------------------------------------------


def changed(data: bytes, rng: random.Random) -> tuple[bytes, str, int]:
    """Return data with one byte changed at random: flipped, deleted, inserted or appended; and what, and where."""
    how = rng.choice(["flip", "flip a bit", "delete", "insert", "append"] if data else ["append"])
    place = len(data) if how == "append" else rng.randrange(len(data))
    byte = rng.choice([rng.randrange(256), ord("\n"), ord("\r"), ord(" "), ord("0"), ord('"'), ord(",")])
    if how.startswith("flip"):
        new = data[place] ^ (rng.randrange(1, 256) if how == "flip" else 1 << rng.randrange(8))
        return data[:place] + bytes([new]) + data[place + 1 :], how, place
    if how == "delete":
        return data[:place] + data[place + 1 :], how, place
    return data[:place] + bytes([byte]) + data[place:], how, place


def is_named(problems: list[str], path: str, data: bytes, place: int) -> bool:
    """Tell whether a changed file is named; of the ledger the line, which has the byte in ``data``."""
    if path == HEAD:
        return any(HEAD in text for text in problems)
    if path != LEDGER:
        return any(text.startswith(f"{path}: changed") for text in problems)
    number = min(data.count(b"\n", 0, place) + 1, data.count(b"\n") + 1)
    # A line end put before another one, or behind it, is the same ledger.
    near = {number, number + 1} if data[place - 1 : place + 1].find(b"\n") >= 0 else {number}
    return any(text.startswith(f"{LEDGER}:{n}:") or f"line {n}:" in text for n in near for text in problems)


def test_every_single_byte_change_is_found_and_named(folder):
    rng = random.Random(20250306)  # noqa: S311 - changes, no secrets
    paths = covered(folder)
    tried: Counter[str] = Counter()
    missed = []
    for _ in range(400 * TIMES):
        path = LEDGER if rng.random() < 0.3 else rng.choice(paths)
        data = (folder / path).read_bytes()
        new, how, place = changed(data, rng)
        assert new != data
        (folder / path).write_bytes(new)
        problems = verify_folder(folder)
        if not is_named(problems, path, data, place):
            missed.append((path, how, place, problems))
        (folder / path).write_bytes(data)
        tried[path] += 1
    assert missed == []
    assert set(tried) == set(paths)
    assert verify_folder(folder) == []


def test_every_byte_of_the_last_line_is_covered_by_each_head_alone(folder):
    """No line follows the last: the heads that are known tell of it."""
    data, head = (folder / LEDGER).read_bytes(), head_of(folder)
    start = data[:-1].rindex(b"\n") + 1
    for known in (HEAD, RECORD, "--head"):
        shutil.rmtree(folder / "out")
        (folder / "out").mkdir()
        noted = (folder / HEAD).read_bytes()
        if known == RECORD:
            (folder / RECORD).write_text(json.dumps({"ledger_head": head}), encoding="utf-8")
        if known != HEAD:
            (folder / HEAD).unlink()
        for place in range(start, len(data), 7):
            (folder / LEDGER).write_bytes(data[:place] + bytes([data[place] ^ 1]) + data[place + 1 :])
            problems = verify_folder(folder, head=head if known == "--head" else None)
            assert any(text.startswith(f"{LEDGER}:13:") for text in problems), (known, place)
        (folder / LEDGER).write_bytes(data)
        (folder / HEAD).write_bytes(noted)


# --- lines ------------------------------------------------------------------------------------------

LAST = 13
MISSING = "lines before it are missing"


def test_the_first_line_deleted(folder):
    lines = lines_of(folder)
    assert f"{LEDGER}:2: follows a line that is not there: {MISSING}" in with_lines(folder, [lines[0], *lines[2:]])


@pytest.mark.parametrize("number", range(3, LAST))
def test_a_line_in_the_middle_deleted(folder, number):
    lines = lines_of(folder)
    del lines[number - 1]
    what = f"does not follow line {number - 1}: that one or this one was changed, or one between is missing"
    assert f"{LEDGER}:{number}: {what}" in with_lines(folder, lines)


@pytest.mark.parametrize("count", [1, 3, LAST - 1])
def test_lines_at_the_end_deleted(folder, count):
    head = head_of(folder)
    problems = with_lines(folder, lines_of(folder)[:-count])
    at = f"{LEDGER}:{LAST - count}" if count < LAST - 1 else LEDGER
    for where in (RECORD, HEAD):
        assert any(
            text.startswith(f"{at}: the ledger once ended with the line {head[:16]}… ({where}), which is not there")
            for text in problems
        )


def test_the_last_line_deleted_is_known_by_a_head_from_elsewhere_alone(folder):
    head = head_of(folder)
    (folder / RECORD).unlink()
    (folder / HEAD).unlink()
    assert with_lines(folder, lines_of(folder)[:-1]) == []
    (problem,) = verify_folder(folder, head=head[:12])
    assert problem.startswith(f"{LEDGER}:12: the ledger once ended with the line {head[:12]}… (--head), which is not")


def test_two_lines_swapped(folder):
    lines = lines_of(folder)
    lines[4], lines[5] = lines[5], lines[4]
    problems = with_lines(folder, lines)
    assert f"{LEDGER}:6: follows line 4, not line 5: lines were moved, or added between" in problems
    assert any(text.startswith(f"{LEDGER}:5: follows line 6") for text in problems)


def test_a_line_twice(folder):
    lines = lines_of(folder)
    assert f"{LEDGER}:6: the same as line 5: added" in with_lines(folder, [*lines[:5], lines[4], *lines[5:]])
    assert f"{LEDGER}:14: the same as line 5: added" in with_lines(folder, [*lines, lines[4]])


def test_a_line_added_by_hand(folder):
    lines = lines_of(folder)
    line = b'2025-03-06T09:00:00.000Z,B,withdraw,pickups/2025-03-06_p6.csv,,"",,' + b"0" * 64 + b"\n"
    problems = with_lines(folder, [*lines[:6], line, *lines[6:]])
    assert any(text.startswith(f"{LEDGER}:7:") for text in problems)
    assert f"{LEDGER}:8: follows line 6, not line 7: lines were moved, or added between" in problems


def test_a_line_added_that_follows_the_last_rightly_is_told_by_what_it_says(folder):
    """A chain that goes on is what a load writes too; the file that it names is then looked for."""
    line = Line(at="2025-03-20T08:00:00.000Z", by="B", action="load", file="pickups/x.csv", sha256="0" * 64)
    problems = with_lines(folder, rechained([*read_ledger(folder), line]))
    assert problems == ["pickups/x.csv: missing since it was taken in on 2025-03-20 08:00 UTC by B"]


def test_a_ledger_written_anew_with_a_chain_that_holds(folder):
    lines, head = list(read_ledger(folder)), head_of(folder)
    lines[0] = Line(**{**lines[0].row(), "by": "C. Other"})
    problems = with_lines(folder, rechained(lines))
    assert [text.partition(":")[0] for text in problems] == [LEDGER, LEDGER]
    assert [head[:16] in text for text in problems] == [True, True]
    shutil.rmtree(folder / "out")
    (folder / HEAD).unlink()
    assert verify_folder(folder) == []
    assert len(verify_folder(folder, head=head)) == 1


def test_a_ledger_that_is_gone(folder):
    (folder / LEDGER).unlink()
    found = check_folder(folder)
    assert found.problems == (f"{LEDGER}: missing, and there was one: see {RECORD}, {HEAD}",)
    (folder / HEAD).unlink()
    (folder / RECORD).unlink()
    assert check_folder(folder).problems == (f"{LEDGER}: missing, and there was one: see history/",)
    shutil.rmtree(folder / "history")
    (problem,) = check_folder(folder, head="0" * 12).problems
    assert problem == f"{LEDGER}: missing, and there was one: see --head"


@pytest.mark.parametrize("data", [b"", b"\n", b"date,what\n", b"\xff\xfe", b"\x00" * 100])
def test_something_else_in_place_of_the_ledger(folder, data):
    (folder / LEDGER).write_bytes(data)
    assert any(text.startswith(LEDGER) for text in verify_folder(folder))


@pytest.mark.parametrize("cut", [64, 63, 1, 0])
def test_a_noted_head_that_is_none(folder, cut):
    head = head_of(folder)
    (folder / HEAD).write_text(head[:cut], encoding="utf-8")
    assert verify_folder(folder) == [f"{HEAD}: changed: that is no head of a ledger"]


def test_a_noted_head_that_is_missing_is_a_note(folder):
    (folder / HEAD).unlink()
    assert (check_folder(folder).problems, check_folder(folder).notes) == (
        (),
        (f"{HEAD}: missing; the next load notes it anew",),
    )


def test_a_record_that_cannot_be_read_is_a_note(folder):
    (folder / RECORD).write_text("{", encoding="utf-8")
    assert check_folder(folder).notes == (f"{RECORD}: cannot be read, so the head that it carries was not compared",)


# --- files ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("place", range(9))
def test_a_file_that_is_missing(folder, place):
    path = sorted({line.file for line in read_ledger(folder)})[place]
    (folder / path).unlink()
    problems = [text for text in verify_folder(folder) if text.startswith(f"{path}: missing since it was ")]
    assert len(problems) == 1


def test_a_copy_that_is_missing(folder):
    for copy in sorted((folder / "history").glob("2*")):
        data, name = copy.read_bytes(), copy.relative_to(folder).as_posix()
        copy.unlink()
        (problem,) = verify_folder(folder)
        assert problem.startswith(f"{name}: missing, the content that ")
        copy.write_bytes(data)
    assert verify_folder(folder) == []


ADDED = ["pickups/x.csv", "tilts/x.txt", "profiles/x.csv", "set_out/approved.csv", "decisions.csv"]


@pytest.mark.parametrize("path", ADDED)
def test_a_file_added_by_hand(folder, path):
    (folder / path).parent.mkdir(exist_ok=True)
    (folder / path).write_bytes(b"")
    what = "added by hand, not in the ledger; the next load or run records it as that"
    assert verify_folder(folder) == [f"{path}: {what}"]


def test_a_file_that_no_line_names_in_history_is_a_note(folder):
    (folder / "history/x.csv").write_bytes(b"")
    found = check_folder(folder)
    assert (found.problems, found.notes) == ((), ("history/x.csv: no line of the ledger names it",))


def test_a_folder_in_the_place_of_a_file(folder):
    (folder / "pickups/2025-03-06_p6.csv").unlink()
    (folder / "pickups/2025-03-06_p6.csv").mkdir()
    (problem,) = verify_folder(folder)
    assert problem.startswith("pickups/2025-03-06_p6.csv: cannot be read (")


def test_one_who_takes_in_meanwhile_makes_no_mismatch(folder, monkeypatch):
    """The ledger was read, then another took a file in, then the files were listed."""
    from asbuilt.intake import ledger_check

    real, times = ledger_check.recover, []

    def meanwhile(place: Path) -> None:
        real(place)
        times.append(1)
        if len(times) == 1:
            with taking_in(folder, by="B", told=print) as entry:
                entry.add("pickups/new.csv", shot(8), action="load")

    monkeypatch.setattr(ledger_check, "recover", meanwhile)
    assert verify_folder(folder) == []
    assert len(times) == 2


# --- nothing to check -------------------------------------------------------------------------------


def test_a_survey_folder_without_a_ledger_is_noted(tmp_path):
    found = check_folder(small_folder.make(tmp_path / "wall"))
    (note,) = found.notes
    assert (found.problems, found.lines, found.head) == ((), 0, None)
    assert note.startswith("there is no ledger.csv: the files were put into the folder by hand")


@pytest.mark.parametrize("killed", [(), ("history/.asbuilt-new.0123.x",)])
def test_what_a_first_load_leaves_that_was_killed_is_no_ledger(tmp_path, killed):
    folder = small_folder.make(tmp_path / "wall")
    (folder / "history").mkdir()
    for path in killed:
        (folder / path).write_bytes(b"")
    assert check_folder(folder).problems == ()


def test_what_is_no_survey_folder_cannot_be_checked(tmp_path):
    with pytest.raises(UsageError, match="no survey folder, it has neither site"):
        check_folder(tmp_path)
    with pytest.raises(UsageError, match="no such folder"):
        check_folder(tmp_path / "none")


@pytest.mark.parametrize("head", ["", "0123456789a", "0123456789ag", "A" * 12, "0" * 65])
def test_a_head_that_is_no_hash(folder, head):
    with pytest.raises(UsageError, match="expected the 64 letters and digits of a SHA-256"):
        check_folder(folder, head=head)
