"""One at a time: who is waited for, whose lock is broken, and that a lock that was lost lets nothing through.

Other computers are made up; time passes only when the lock sleeps.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import shutil
import subprocess
import sys
import time
from functools import partial
from pathlib import Path

import pytest
import small_folder

from asbuilt.__main__ import main
from asbuilt.errors import TargetError
from asbuilt.intake import ledger_files, ledger_lock
from asbuilt.intake.ledger import read_ledger, recover, taking_in, verify_folder
from asbuilt.intake.ledger_lock import LOCK, TAKE, Held, Patience, is_held, locked

TOKEN = "0" * 31 + "a"
P6 = b"point,pile_id,easting,northing,level,surveyed_at\nS6,P6,104.503,200.001,3.30,2025-03-06T09:00\n"


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


@pytest.fixture
def told():
    return []


class Clock:
    """A clock that stands still until somebody sleeps: a second each time. ``each`` is called then."""

    def __init__(self) -> None:
        self.now = 1000.0
        self.each = lambda: None

    def monotonic(self) -> float:
        return self.now

    def time(self) -> float:
        return time.time()

    def sleep(self, _seconds: float) -> None:
        self.now += 1.0
        self.each()

    @property
    def passed(self) -> float:
        return self.now - 1000.0


@pytest.fixture
def clock(monkeypatch):
    clock = Clock()
    monkeypatch.setattr(ledger_lock, "time", clock)
    return clock


def lock_of(folder: Path, *, age: float = 0.0, text: str | None = None, **changes: object) -> Path:
    """Lay down a lock as this process would, but for ``changes``; its last sign of life ``age`` seconds ago."""
    (folder / LOCK).mkdir(exist_ok=True)
    file = folder / LOCK / TOKEN
    file.write_text(json.dumps({**ledger_lock._here(), **changes}) if text is None else text, encoding="utf-8")
    return aged(file, age)


def aged(file: Path, age: float) -> Path:
    os.utime(file, (time.time() - age, time.time() - age))
    return file


def elsewhere(folder: Path, **more: object) -> Path:
    return lock_of(folder, host="other-computer", pid=4711, **more)


def a_dead_pid() -> int:
    with subprocess.Popen([sys.executable, "-c", ""]) as process:
        pass
    return process.pid


def hidden(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.glob(".asbuilt-*"))


def contents(folder: Path) -> dict[str, bytes]:
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


# --- taken and given back ---------------------------------------------------------------------------


def test_a_lock_names_its_holder_and_leaves_nothing_behind(folder, told):
    with locked(folder, told=told.append) as held:
        assert hidden(folder) == [LOCK]
        holder = json.loads(held.file.read_text(encoding="utf-8"))
        assert (holder["pid"], holder["host"]) == (os.getpid(), ledger_lock._here()["host"])
        assert is_held(folder)
    assert (hidden(folder), is_held(folder), told) == ([], False, [])


def test_a_lock_is_given_back_when_the_block_raises(folder, told):
    with contextlib.suppress(KeyError), locked(folder, told=told.append):
        raise KeyError
    assert hidden(folder) == []


def test_a_holder_gives_signs_of_life(folder, told):
    with locked(folder, told=told.append, patience=Patience(beat=0.01)) as held:
        aged(held.file, 1000.0)
        until = time.monotonic() + 10.0
        while held.file.stat().st_mtime < time.time() - 500.0:
            assert time.monotonic() < until
            time.sleep(0.005)


def test_a_folder_that_is_not_there_cannot_be_locked(tmp_path, told):
    with pytest.raises(TargetError, match="cannot be locked"), locked(tmp_path / "none", told=told.append):
        pass


def test_an_empty_lock_is_nobodys(folder, clock, told):
    (folder / LOCK).mkdir()
    assert not is_held(folder)
    with locked(folder, told=told.append):
        assert is_held(folder)
    assert (hidden(folder), clock.passed, told) == ([], 0.0, [])


@pytest.mark.parametrize("number", [errno.EEXIST, errno.ENOTEMPTY, errno.EACCES])
def test_a_drive_that_renames_onto_no_folder_at_all(folder, clock, told, monkeypatch, number):
    rename = os.rename

    def picky(source: Path, target: Path) -> None:
        if Path(target).exists():
            raise OSError(number, os.strerror(number))
        rename(source, target)

    monkeypatch.setattr(os, "rename", picky)
    (folder / LOCK).mkdir()
    with locked(folder, told=told.append) as held:
        assert held.file.exists()
    assert (hidden(folder), clock.passed) == ([], 0.0)


def test_a_lock_that_is_given_back_while_it_is_looked_at_is_taken(folder, told, monkeypatch):
    rename, left = os.rename, [errno.ENOTEMPTY]

    def held_a_moment_ago(one: Path, other: Path) -> None:
        if left:
            raise OSError(left.pop(), "Directory not empty")
        rename(one, other)

    monkeypatch.setattr(os, "rename", held_a_moment_ago)
    assert not (folder / LOCK).exists()
    with locked(folder, told=told.append):
        assert is_held(folder)
    assert told == []


def test_an_empty_lock_that_cannot_be_removed_is_said(folder, clock, told, monkeypatch):
    def refused(*_paths: Path) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(os, "rename", refused)
    monkeypatch.setattr(Path, "rmdir", refused)
    (folder / LOCK).mkdir()
    with pytest.raises(TargetError, match="empty, and cannot be removed"), locked(folder, told=told.append):
        pass
    assert 180.0 < clock.passed < 183.0


# --- a live one is waited for -----------------------------------------------------------------------


def test_a_live_lock_is_waited_for_and_that_is_said_once(folder, clock, told):
    first = Held(lock_of(folder))
    clock.each = lambda: first.give_back() if clock.passed == 10.0 else None
    with locked(folder, told=told.append):
        pass
    assert clock.passed == 10.0
    (text,) = told
    assert text.startswith(f"waiting: another is taking something in (process {os.getpid()} on ")


def test_a_short_wait_is_not_spoken_of(folder, clock, told):
    first = Held(lock_of(folder))
    clock.each = lambda: first.give_back() if clock.passed == 2.0 else None
    with locked(folder, told=told.append):
        pass
    assert told == []


def test_patience_ends_with_who_holds_it_and_what_to_do(folder, clock, told):
    file = elsewhere(folder)
    clock.each = lambda: aged(file, -clock.passed)
    with pytest.raises(TargetError) as raised, locked(folder, told=told.append):
        pass
    assert 180.0 < clock.passed < 183.0
    assert "another is taking something in: process 4711 on other-computer, since " in str(raised.value)
    assert "wait until it has ended, or end it, and do it again. Nothing was taken in" in str(raised.value)
    assert hidden(folder) == [LOCK]


def test_the_command_says_so_with_exit_code_2(folder, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(ledger_lock, "Patience", partial(Patience, limit=0.05))
    (tmp_path / "day.csv").write_bytes(P6)
    before = contents(folder)
    lock_of(folder)
    assert main(["load", str(folder), str(tmp_path / "day.csv"), "--by", "A", "--confirm", "seen"]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert f"another is taking something in: process {os.getpid()} on " in said
    assert "wait until it has ended, or end it, and do it again. Nothing was taken in" in said
    shutil.rmtree(folder / LOCK)
    assert contents(folder) == before


# --- a dead one is broken ---------------------------------------------------------------------------

BOOT = "11111111-2222-3333-4444-555555555555"


def test_a_dead_process_on_this_computer_is_passed_over_silently(folder, clock, told):
    lock_of(folder, pid=a_dead_pid())
    assert not is_held(folder)
    with locked(folder, told=told.append):
        pass
    assert (told, clock.passed, hidden(folder)) == ([], 0.0, [])


def test_a_number_that_another_process_has_now_is_no_sign_of_life(folder, clock, told):
    lock_of(folder, started="17")
    with locked(folder, told=told.append):
        pass
    assert (told, clock.passed) == ([], 0.0)


@pytest.mark.skipif(sys.platform == "win32", reason="there are none")
def test_a_dead_process_that_is_still_listed_is_dead(folder, clock, told):
    with subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE) as process:
        lock_of(folder, pid=process.pid, started=ledger_lock._started(process.pid))
        assert is_held(folder)
        process.stdin.close()
        os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOWAIT)
        with locked(folder, told=told.append):
            pass
        assert (told, clock.passed) == ([], 0.0)


def test_a_lock_from_before_the_computer_was_started_again_is_dead(folder, clock, told, monkeypatch):
    monkeypatch.setitem(ledger_lock._computer(), "machine", "m1")
    lock_of(folder, boot=BOOT)
    with locked(folder, told=told.append):
        pass
    assert (told, clock.passed) == ([], 0.0)


@pytest.mark.parametrize(
    "changes",
    [
        {"host": "other-computer"},
        {"boot": BOOT, "machine": "another of this name"},
        {"space": "pid:[1]"},
        {"pid": None},
        {"pid": "12"},
    ],
)
def test_without_a_sign_of_life_another_is_given_up_after_a_minute_with_a_message(folder, clock, told, changes):
    lock_of(folder, **{"pid": a_dead_pid(), **changes})
    with locked(folder, told=told.append):
        pass
    assert 60.0 < clock.passed < 63.0
    assert len(told) == 2
    assert told[0].startswith("waiting: another is taking something in (process ")
    assert told[1].endswith("held the ledger and gave no sign of life: its lock was broken")
    assert f" on {changes.get('host', ledger_lock._here()['host'])}, since " in told[1]
    assert hidden(folder) == []


@pytest.mark.parametrize("text", ["", "{", "[1]", "null", '"x"'])
def test_a_lock_that_says_nothing_is_given_up_after_a_minute(folder, clock, told, text):
    lock_of(folder, text=text)
    with locked(folder, told=told.append):
        pass
    assert 60.0 < clock.passed < 63.0
    assert "an unknown computer" in told[-1]


def test_a_lock_whose_last_sign_of_life_is_long_past_is_watched_a_moment(folder, clock, told):
    elsewhere(folder, age=3600.0)
    with locked(folder, told=told.append):
        pass
    assert 12.0 < clock.passed < 15.0


def test_each_sign_of_life_begins_the_minute_anew(folder, clock, told):
    file = elsewhere(folder)
    clock.each = lambda: aged(file, -1.0) if clock.passed == 50.0 else None
    with locked(folder, told=told.append):
        pass
    assert 110.0 < clock.passed < 113.0


@pytest.mark.parametrize("jump", [-86400.0, -3600.0, 3600.0, 86400.0])
def test_a_clock_that_jumps_breaks_no_live_lock(folder, clock, told, jump):
    """The holder's drive and this computer differ by ``jump`` from the 20th second on."""
    file = elsewhere(folder)

    def each() -> None:
        if clock.passed % 5.0 == 0.0:
            aged(file, -clock.passed + (jump if clock.passed >= 20.0 else 0.0))

    clock.each = each
    with pytest.raises(TargetError, match="another is taking something in"), locked(folder, told=told.append):
        pass
    assert file.exists()


@pytest.mark.parametrize("age", [-86400.0, -3600.0])
def test_a_sign_of_life_in_the_future_is_no_eternal_life(folder, clock, told, age):
    elsewhere(folder, age=age)
    with locked(folder, told=told.append):
        pass
    assert 60.0 < clock.passed < 63.0


def test_who_judged_a_lock_dead_and_comes_late_breaks_no_other(folder, clock, told):
    lock_of(folder, pid=a_dead_pid())
    judged = ledger_lock._seen(folder)
    with locked(folder, told=told.append) as held:
        assert ledger_lock._break(judged) is False
        held.check()
    assert clock.passed == 0.0


# --- a lock that was lost ---------------------------------------------------------------------------


def another_takes_in(folder: Path) -> None:
    """Break the lock as another does that gave its holder up, and take something in."""
    ledger_lock._break(ledger_lock._seen(folder))
    with taking_in(folder, by="B", told=lambda _text: None) as entry:
        entry.add("pickups/other.csv", P6 + b"\n", action="load")


def assert_only_the_other_is_in(folder: Path) -> None:
    assert [line.file for line in read_ledger(folder) if line.action == "load"] == ["pickups/other.csv"]
    assert not (folder / "pickups/day.csv").exists()
    assert (verify_folder(folder), hidden(folder)) == ([], [])
    assert not list(folder.rglob(".asbuilt-new.*"))


def test_nothing_is_written_with_a_lock_that_another_took(folder):
    def late() -> None:
        with taking_in(folder, by="A", told=lambda _text: None) as entry:
            entry.add("pickups/day.csv", P6, action="load")
            another_takes_in(folder)

    with pytest.raises(TargetError, match="another took its lock for dead; nothing was taken in, do it again"):
        late()
    assert_only_the_other_is_in(folder)


@pytest.mark.parametrize("moment", [1, 2])
def test_a_lock_lost_after_the_last_look_at_it_lets_nothing_through(folder, monkeypatch, moment):
    """The computer stands still between the look at the lock and the step that decides."""
    check, looks = Held.check, []

    def still(held: Held) -> None:
        check(held)
        looks.append(1)
        if len(looks) == moment:
            monkeypatch.setattr(Held, "check", check)
            another_takes_in(folder)

    def late() -> None:
        with taking_in(folder, by="A", told=lambda _text: None) as entry:
            entry.add("pickups/day.csv", P6, action="load")

    monkeypatch.setattr(Held, "check", still)
    with pytest.raises(TargetError, match="nothing was taken in"):
        late()
    assert_only_the_other_is_in(folder)


def test_a_lock_lost_before_the_new_ledger_was_laid_into_it(folder, monkeypatch):
    write = ledger_files._write

    def still(path: Path, data: bytes) -> None:
        if path.name.endswith(".ready"):
            monkeypatch.setattr(ledger_files, "_write", write)
            another_takes_in(folder)
        write(path, data)

    def late() -> None:
        with taking_in(folder, by="A", told=lambda _text: None) as entry:
            entry.add("pickups/day.csv", P6, action="load")

    monkeypatch.setattr(ledger_files, "_write", still)
    with pytest.raises(TargetError, match="nothing was taken in"):
        late()
    assert_only_the_other_is_in(folder)


def test_a_new_ledger_that_its_holder_laid_into_the_lock_is_removed_with_it(folder, clock, told):
    file = lock_of(folder, pid=a_dead_pid())
    ready = file.with_name(f"{TOKEN}.ready")
    ready.write_bytes(b"a ledger")
    with locked(folder, told=told.append):
        assert not ready.exists()
    assert (hidden(folder), clock.passed) == ([], 0.0)


def test_a_new_ledger_alone_in_a_lock_is_given_up_after_a_minute(folder, clock, told):
    (folder / LOCK).mkdir()
    (folder / LOCK / f"{TOKEN}.ready").write_bytes(b"a ledger")
    with locked(folder, told=told.append):
        pass
    assert 60.0 < clock.passed < 63.0
    assert hidden(folder) == []


# --- what the dead leave ----------------------------------------------------------------------------


def left(folder: Path, text: str | None = None, **changes: object) -> Path:
    """Lay down what a process leaves that died while it tried to take the lock; ``text`` None: as it is written."""
    take = folder / f"{TAKE}{TOKEN}"
    take.mkdir()
    holder = json.dumps({**ledger_lock._here(), **changes})
    (take / TOKEN).write_text(holder if text is None else text, encoding="utf-8")
    return take


def leave_nothing_written(folder: Path) -> None:
    (folder / f"{TAKE}{TOKEN}").mkdir()


def leave_half_written(folder: Path) -> None:
    left(folder, '{"pid": 12')


def leave_written(folder: Path) -> None:
    left(folder, pid=a_dead_pid())


def leave_a_probe(folder: Path) -> None:
    (folder / f"{TAKE}{TOKEN}").touch()


def leave_a_lock(folder: Path) -> None:
    lock_of(folder, pid=a_dead_pid())


def leave_an_empty_lock(folder: Path) -> None:
    (folder / LOCK).mkdir()


def lock_once(folder: Path) -> None:
    with locked(folder, told=print):
        pass


LEFT = [
    leave_nothing_written,
    leave_half_written,
    leave_written,
    leave_a_probe,
    leave_a_lock,
    leave_an_empty_lock,
]


@pytest.mark.parametrize("leave", LEFT)
@pytest.mark.parametrize("comes", [recover, lock_once])
def test_what_the_dead_leave_is_gone_when_the_next_was_there(folder, clock, leave, comes):
    leave(folder)
    comes(folder)
    assert (hidden(folder), clock.passed) == ([], 0.0)


def test_who_lives_and_tries_to_take_the_lock_is_left_alone(folder, told):
    take = left(folder)
    recover(folder)
    with locked(folder, told=told.append):
        pass
    assert hidden(folder) == [take.name]


def test_what_another_computer_left_a_day_ago_is_gone_too(folder, told):
    take = left(folder, host="other-computer")
    with locked(folder, told=told.append):
        assert take.exists()
    aged(take, 90000.0)
    with locked(folder, told=told.append):
        assert not take.exists()


def test_recovering_waits_for_nobody_when_only_such_things_are_left(folder, clock):
    leave_nothing_written(folder)
    elsewhere(folder)
    recover(folder)
    assert clock.passed <= 1.0
    assert (folder / LOCK / TOKEN).exists()


@pytest.mark.parametrize("what", ["folder", "file"])
def test_who_is_swept_away_while_it_tries_gets_in_all_the_same(folder, clock, told, what):
    first = Held(lock_of(folder))

    def each() -> None:
        for take in folder.glob(f"{TAKE}*"):
            shutil.rmtree(take) if what == "folder" else (take / take.name.removeprefix(TAKE)).unlink()
        if clock.passed == 3.0:
            first.give_back()

    clock.each = each
    with locked(folder, told=told.append) as held:
        held.check()
        assert json.loads(held.file.read_text(encoding="utf-8"))["pid"] == os.getpid()
    assert hidden(folder) == []
