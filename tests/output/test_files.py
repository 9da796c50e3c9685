"""Outputs whole or not at all, whatever ends the process that writes them."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from contextlib import ExitStack
from pathlib import Path

import pytest

from asbuilt.errors import TargetError
from asbuilt.output import _carry, _exchange, _lock
from asbuilt.output._files import output_file, output_set, recover

ROOT = Path(__file__).resolve().parents[2]
KILLER = Path(__file__).with_name("kill_at_every_step.py")
OWNED = ("one.txt", "two.txt")
FOREIGN = {"out/steer/P1/card.txt": "card", "out/note.txt": "note", "out/pointer": "note"}
OLD = {f"out/{name}": "old" for name in ("one.txt", "two.txt", "pages/1.txt", "pages/2.txt", "dropped.txt")}
OLD["out/kept.txt"] = "kept"

KILLED_IN_A_LOOP = """
import sys
from pathlib import Path
from asbuilt.output._files import output_set
for number in range(int(sys.argv[2]), 10**9):
    with output_set(Path(sys.argv[1]), owned=("one.txt", "two.txt")) as work:
        for name in ("one.txt", "two.txt"):
            (work / name).write_text(str(number))
    print(number, flush=True)
"""
HOLDS_THE_LOCK = """
import sys, time
from pathlib import Path
from asbuilt.output._files import output_set
with output_set(Path(sys.argv[1]), owned=("one.txt",)) as work:
    (work / "one.txt").write_text("half")
    print("writing", flush=True)
    time.sleep(60)
"""
FILLS_THE_DISK = """
import resource, sys
from pathlib import Path
from asbuilt.errors import TargetError
from asbuilt.output._files import output_set
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000))
try:
    with output_set(Path(sys.argv[1]), owned=("one.txt", "two.txt")) as work:
        (work / "one.txt").write_text("new")
        (work / "two.txt").write_text("x" * 200_000)
except TargetError as error:
    print(error)
"""


def write(target: Path, word: str, *names: str, **more: object) -> None:
    with output_set(target, owned=OWNED, **more) as work:
        for name in names or OWNED:
            (work / name).write_text(word, encoding="utf-8")


def contents(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): path.read_text(encoding="utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def half_written(path: Path) -> None:
    path.write_text("half", encoding="utf-8")
    raise ZeroDivisionError


def python(script: str, *arguments: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, arguments)], cwd=ROOT, stdout=subprocess.PIPE, text=True
    )


def whole(word: str, *, first: bool = False) -> dict[str, str]:
    """Return what the folder holds after a run that wrote ``word``."""
    own = {f"out/{name}": word for name in ("one.txt", "two.txt", "pages/1.txt")}
    return own if first else {**own, "out/kept.txt": "kept", **FOREIGN}


def beside(found: dict[str, str]) -> dict[str, str]:
    """Leave out what a finished set does not have: leftovers beside it and the list in it."""
    return {path: text for path, text in found.items() if ".asbuilt-" not in path}


@pytest.fixture(scope="module", params=["", "no-links", "no-exchange", "no-exchange no-links", "first"])
def killed(request, tmp_path_factory):
    flags = request.param.split()
    ended = subprocess.run(
        [sys.executable, str(KILLER), str(tmp_path_factory.mktemp("kills")), *flags],
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdout=subprocess.PIPE,
        check=True,
    )
    found = json.loads(ended.stdout)
    assert found["exit"] == 0, "the last child ran through, so every step was tried"
    assert {kill["signal"] for kill in found["kills"]} == {signal.SIGKILL}
    return flags, found["kills"]


def test_killed_at_any_step_leaves_one_whole_set(killed):
    flags, kills = killed
    first = "first" in flags
    sets = [{} if first else {**OLD, **FOREIGN}, whole("new", first=first)]
    for kill in kills:
        found = beside(kill["killed"])
        if "no-exchange" in flags and not found:
            # Between the two renames: not there, but both whole beside it.
            former = {k.replace(".asbuilt-out.former/", "out/"): v for k, v in kill["killed"].items()}
            assert former.items() >= OLD.items(), kill["step"]
        elif "no-links" in flags:
            # Without links what is foreign follows a moment later.
            assert any(FOREIGN.items() | found.items() == one.items() for one in sets), kill["step"]
        else:
            assert found in sets, kill["step"]


def test_killed_at_any_step_loses_nothing_foreign(killed):
    flags, kills = killed
    for kill in kills:
        if "first" not in flags:
            texts = [text for path, text in kill["killed"].items() if "one.txt" not in path]
            assert {"card", "note"} <= set(texts), kill["step"]


def test_what_a_kill_left_is_settled_by_recover(killed):
    flags, kills = killed
    first = "first" in flags
    for kill in kills:
        former, new = {} if first else {**OLD, **FOREIGN}, whole("new", first=first)
        assert kill["recovered"] in (former, new), kill["step"]


def test_the_run_after_a_kill_is_as_any_other(killed):
    flags, kills = killed
    for kill in kills:
        assert kill["next"] == whole("next", first="first" in flags), kill["step"]


def test_every_step_was_killed_at(killed):
    # Steps of one run: making, linking, bringing to disk, exchanging, tidying.
    flags, kills = killed
    assert len(kills) >= (20 if "first" in flags else 45)


def test_killed_at_random_a_running_writer_leaves_whole_sets(tmp_path):
    chance, number, target = random.Random(7), 0, tmp_path / "out"  # noqa: S311 - not for secrets
    write(target, "0")
    (target / "note.txt").write_text("note", encoding="utf-8")
    for _ in range(20):
        process = python(KILLED_IN_A_LOOP, target, number + 1)
        process.stdout.readline()
        time.sleep(chance.uniform(0.0, 0.03))
        process.kill()
        said = process.communicate()[0].split()
        done = int(said[-1]) if said else number + 1
        found = contents(target)
        assert found.pop("note.txt") == "note"
        found.pop(".asbuilt-set.json", None)
        assert found in ({name: str(n) for name in OWNED} for n in (done, done + 1))
        number = done + 1
    recover(target)
    assert {path.name for path in tmp_path.iterdir()} == {"out"}


def test_readers_never_see_a_mixture(tmp_path):
    target = tmp_path / "out"
    write(target, "0")
    process = python(KILLED_IN_A_LOOP, target, 1)
    process.stdout.readline()
    seen = set()
    while len(seen) < 60:
        folder = os.open(target, os.O_RDONLY)
        try:
            texts = {Path(f"/proc/self/fd/{folder}/{name}").read_text(encoding="utf-8") for name in OWNED}
        except FileNotFoundError:
            continue  # a former set that is being removed
        finally:
            os.close(folder)
        assert len(texts) == 1
        seen |= texts
    process.kill()
    process.communicate()


def test_two_at_once_do_not_mix(tmp_path):
    process = python(HOLDS_THE_LOCK, tmp_path / "out")
    process.stdout.readline()
    with pytest.raises(TargetError) as told:
        write(tmp_path / "out", "second")
    process.kill()
    process.communicate()
    text = str(told.value)
    assert f"another run is writing {tmp_path / 'out'}: process {process.pid} on " in text
    assert "started at 20" in text
    assert "wait until it has ended" in text


def test_a_dead_process_holds_no_lock(tmp_path):
    process = python(HOLDS_THE_LOCK, tmp_path / "out")
    process.stdout.readline()
    process.kill()
    process.communicate()
    assert (tmp_path / ".asbuilt-out.lock").exists()
    write(tmp_path / "out", "second")
    assert contents(tmp_path) == {"out/one.txt": "second", "out/two.txt": "second"}


def test_recover_leaves_a_live_writer_alone(tmp_path):
    with output_set(tmp_path / "out", owned=OWNED) as work:
        (work / "one.txt").write_text("new", encoding="utf-8")
        assert recover(tmp_path / "out") is False
    assert contents(tmp_path) == {"out/one.txt": "new"}


def test_recover_writes_nothing_where_there_is_nothing_to_do(tmp_path):
    write(tmp_path / "out", "old")
    before = tmp_path.stat().st_mtime_ns
    assert recover(tmp_path / "out") is False
    assert tmp_path.stat().st_mtime_ns == before


def test_an_exception_changes_nothing(tmp_path):
    write(tmp_path / "out", "old")
    before = (tmp_path / "out").stat().st_ino
    with pytest.raises(ZeroDivisionError), output_set(tmp_path / "out", owned=OWNED) as work:
        half_written(work / "one.txt")
    assert contents(tmp_path) == {"out/one.txt": "old", "out/two.txt": "old"}
    assert (tmp_path / "out").stat().st_ino == before
    assert {path.name for path in tmp_path.iterdir()} == {"out"}


def test_an_exception_at_the_first_run_leaves_no_folder(tmp_path):
    with pytest.raises(KeyboardInterrupt), output_set(tmp_path / "a" / "b" / "out", owned=OWNED):
        raise KeyboardInterrupt
    assert list(tmp_path.iterdir()) == []


def test_what_is_not_built_again_is_gone(tmp_path):
    write(tmp_path / "out", "old")
    write(tmp_path / "out", "new", "one.txt")
    assert contents(tmp_path) == {"out/one.txt": "new"}


def test_what_is_kept_comes_from_the_former_set(tmp_path):
    write(tmp_path / "out", "old")
    write(tmp_path / "out", "new", "one.txt", keep=("two.txt",))
    assert contents(tmp_path) == {"out/one.txt": "new", "out/two.txt": "old"}


@pytest.mark.parametrize("name", ["", "..", "a/b", ".asbuilt-set.json"])
def test_only_plain_names_can_be_owned(tmp_path, name):
    with pytest.raises(ValueError, match="is not the name of"), output_set(tmp_path / "out", owned=[name]):
        pass


def test_only_owned_names_can_be_kept(tmp_path):
    with pytest.raises(ValueError, match="kept but not owned"):
        write(tmp_path / "out", "new", keep=("three.txt",))


def test_building_something_else_is_a_defect(tmp_path):
    with pytest.raises(ValueError, match="built but not owned"):
        write(tmp_path / "out", "new", "three.txt")
    assert list(tmp_path.iterdir()) == []


def test_a_foreign_file_stays_the_same_file(tmp_path):
    # A program that has it open goes on writing into what is seen in the folder.
    write(tmp_path / "out", "old")
    note = tmp_path / "out" / "note.txt"
    with note.open("w", encoding="utf-8") as stream:
        write(tmp_path / "out", "new")
        stream.write("written later")
    assert note.read_text(encoding="utf-8") == "written later"


def test_foreign_folders_keep_their_mode_and_time(tmp_path):
    folder = tmp_path / "out" / "steer"
    folder.mkdir(parents=True)
    (folder / "card.txt").write_text("card", encoding="utf-8")
    folder.chmod(0o750)
    os.utime(folder, (1_000_000_000, 1_000_000_000))
    write(tmp_path / "out", "new")
    assert (folder.stat().st_mode & 0o777, folder.stat().st_mtime) == (0o750, 1_000_000_000)


def test_a_foreign_file_added_at_the_last_moment_comes_along(tmp_path, monkeypatch):
    target, exchange = tmp_path / "out", _exchange.exchange
    write(target, "old")
    (target / "steer").mkdir()

    def added_just_before(work, into):
        (target / "steer" / "late.txt").write_text("late", encoding="utf-8")
        return exchange(work, into)

    monkeypatch.setattr(_exchange, "exchange", added_just_before)
    write(target, "new")
    assert contents(tmp_path) == {"out/one.txt": "new", "out/steer/late.txt": "late", "out/two.txt": "new"}


def test_a_foreign_file_saved_anew_at_the_last_moment_is_the_later_one(tmp_path, monkeypatch):
    target, exchange = tmp_path / "out", _exchange.exchange
    write(target, "old")
    (target / "note.txt").write_text("earlier", encoding="utf-8")
    os.utime(target / "note.txt", (1, 1))

    def saved_just_before(work, into):
        (target / "note.new").write_text("later", encoding="utf-8")
        (target / "note.new").rename(target / "note.txt")
        return exchange(work, into)

    monkeypatch.setattr(_exchange, "exchange", saved_just_before)
    write(target, "new")
    assert (target / "note.txt").read_text(encoding="utf-8") == "later"


def test_a_folder_made_while_the_target_was_away_is_merged(tmp_path):
    # Killed between the two renames; then somebody makes the folder by hand.
    write(tmp_path / "out", "old")
    (tmp_path / "out").rename(tmp_path / ".asbuilt-out.former")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "note.txt").write_text("note", encoding="utf-8")
    assert recover(tmp_path / "out") is True
    assert contents(tmp_path) == {"out/note.txt": "note", "out/one.txt": "old", "out/two.txt": "old"}


def test_a_link_to_a_folder_is_followed(tmp_path):
    (tmp_path / "disk").mkdir()
    (tmp_path / "disk" / "outputs").mkdir()
    (tmp_path / "out").symlink_to(tmp_path / "disk" / "outputs")
    write(tmp_path / "out", "new")
    assert (tmp_path / "out").is_symlink()
    assert contents(tmp_path / "disk") == {"outputs/one.txt": "new", "outputs/two.txt": "new"}


def test_a_file_in_place_of_the_folder_is_told(tmp_path):
    (tmp_path / "out").write_text("mine", encoding="utf-8")
    with pytest.raises(TargetError, match=r"out: a file is in the way of the folder; move it"):
        write(tmp_path / "out", "new")
    assert contents(tmp_path) == {"out": "mine"}


@pytest.mark.parametrize("keep", [(), ("two.txt",)])
def test_a_folder_in_place_of_an_owned_file_is_told_and_left_alone(tmp_path, keep):
    folder = tmp_path / "out" / "two.txt"
    folder.mkdir(parents=True)
    (folder / "note.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(TargetError, match=r"out/two\.txt: a folder is in the way of the file of this name; move it"):
        write(tmp_path / "out", "new", "one.txt", keep=keep)
    assert contents(tmp_path) == {"out/two.txt/note.txt": "mine"}


def test_a_file_in_place_of_an_owned_folder_is_told_and_left_alone(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "pages").write_text("mine", encoding="utf-8")
    stack = ExitStack()
    with pytest.raises(TargetError, match=r"out/pages: a file is in the way of the folder of this name; move it"):
        stack.enter_context(output_set(tmp_path / "out", owned=("pages",), folders=("pages",)))
    assert contents(tmp_path) == {"out/pages": "mine"}


def test_a_folder_put_in_place_of_an_owned_file_while_it_is_built_stops_the_run(tmp_path):
    write(tmp_path / "out", "old")
    with (  # noqa: PT012  # what happens while the set is built is the case
        pytest.raises(TargetError, match=r"two\.txt: a folder is in the way"),
        output_set(tmp_path / "out", owned=OWNED) as work,
    ):
        (work / "one.txt").write_text("new", encoding="utf-8")
        (tmp_path / "out" / "two.txt").unlink()
        (tmp_path / "out" / "two.txt").mkdir()
        (tmp_path / "out" / "two.txt" / "note.txt").write_text("mine", encoding="utf-8")
    assert contents(tmp_path) == {"out/one.txt": "old", "out/two.txt/note.txt": "mine"}


@pytest.mark.parametrize("built", [OWNED, ("one.txt",)])
def test_a_folder_put_in_place_of_an_owned_file_at_the_last_moment_is_kept(tmp_path, monkeypatch, built):
    target, exchange = tmp_path / "out", _exchange.exchange
    write(target, "old", "one.txt")

    def put_just_before(work, into):
        (target / "two.txt").mkdir()
        (target / "two.txt" / "note.txt").write_text("mine", encoding="utf-8")
        return exchange(work, into)

    monkeypatch.setattr(_exchange, "exchange", put_just_before)
    write(target, "new", *built)
    kept = "out/two.txt (2)/note.txt" if "two.txt" in built else "out/two.txt/note.txt"
    assert contents(tmp_path) == {**{f"out/{name}": "new" for name in built}, kept: "mine"}


def test_only_owned_names_can_be_folders(tmp_path):
    with pytest.raises(ValueError, match="folders but not owned"):
        write(tmp_path / "out", "new", folders=("pages",))


def test_a_file_above_the_folder_is_told(tmp_path):
    (tmp_path / "site").write_text("mine", encoding="utf-8")
    with pytest.raises(TargetError, match=r"site.*name another folder"):
        write(tmp_path / "site" / "out", "new")
    assert contents(tmp_path) == {"site": "mine"}


@pytest.mark.parametrize("refused", ["out", "above"])
def test_a_folder_without_the_right_to_write_is_told(tmp_path, monkeypatch, refused):
    write(tmp_path / "out", "old")
    if refused == "out":
        monkeypatch.setattr(os, "access", lambda path, _mode: Path(path).name != "out")
    else:
        monkeypatch.setattr(_lock, "try_lock", lambda _target: open_refused(tmp_path))
    with pytest.raises(TargetError, match=r"Permission denied.*name another folder"):
        write(tmp_path / "out", "new")
    assert contents(tmp_path) == {"out/one.txt": "old", "out/two.txt": "old"}


def open_refused(path: Path) -> int:
    raise PermissionError(13, "Permission denied", str(path))


def test_a_full_disk_is_told_and_changes_nothing(tmp_path):
    write(tmp_path / "out", "old")
    said = python(FILLS_THE_DISK, tmp_path / "out").communicate()[0]
    assert said.startswith(f"{tmp_path / 'out'}: the disk is full")
    assert "The outputs are as they were" in said
    assert contents(tmp_path) == {"out/one.txt": "old", "out/two.txt": "old"}


def test_an_error_of_the_block_that_is_none_of_the_disk_passes(tmp_path):
    with pytest.raises(FileNotFoundError), output_set(tmp_path / "out", owned=OWNED):
        (tmp_path / "no such input").read_text(encoding="utf-8")


def test_a_foreign_folder_that_cannot_be_carried_stops_the_run(tmp_path, monkeypatch):
    target = tmp_path / "out"
    write(target, "old")
    (target / "theirs").mkdir()
    (target / "theirs" / "x.txt").write_text("x", encoding="utf-8")
    monkeypatch.setattr(os, "link", lambda *_, **__: open_refused(target / "theirs" / "x.txt"))
    monkeypatch.setattr(os, "access", lambda path, _mode: Path(path).name != "theirs")
    with pytest.raises(TargetError, match=r"no right to write \(.*x\.txt"):
        write(target, "new")
    assert contents(tmp_path) == {"out/one.txt": "old", "out/theirs/x.txt": "x", "out/two.txt": "old"}


def test_a_file_open_in_another_program_is_named(tmp_path, monkeypatch):
    # As on a system that refuses to rename a folder while a file in it is open.
    target = tmp_path / "out"
    write(target, "old")
    rename = Path.rename

    def refusing(path, new):
        if path in {target, target / "two.txt"}:
            raise PermissionError(13, "Permission denied", str(path))
        return rename(path, new)

    monkeypatch.setattr(_exchange, "exchange", lambda _one, _other: False)
    monkeypatch.setattr(Path, "rename", refusing)
    with pytest.raises(TargetError, match=r"out/two\.txt is open in another program: close it there"):
        write(target, "new")
    monkeypatch.undo()
    assert contents(tmp_path) == {"out/one.txt": "old", "out/two.txt": "old"}


def test_when_the_second_rename_fails_the_first_is_undone(tmp_path, monkeypatch):
    target = tmp_path / "out"
    write(target, "old")
    rename = Path.rename

    def failing(path, new):
        if path.name == ".asbuilt-out.work" and Path(new) == target:
            raise OSError(5, "Input/output error", str(path))
        return rename(path, new)

    monkeypatch.setattr(_exchange, "exchange", lambda _one, _other: False)
    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(TargetError, match=r"out: cannot be written \(Input/output error\)"):
        write(target, "new")
    monkeypatch.undo()
    assert contents(tmp_path) == {"out/one.txt": "old", "out/two.txt": "old"}


def test_a_trash_that_cannot_be_removed_does_not_stop_the_next_run(tmp_path, monkeypatch):
    write(tmp_path / "out", "old")
    monkeypatch.setattr(_carry, "remove_tree", lambda _path: open_refused(tmp_path))
    write(tmp_path / "out", "new")
    write(tmp_path / "out", "newer")
    monkeypatch.undo()
    write(tmp_path / "out", "newest")
    assert contents(tmp_path) == {"out/one.txt": "newest", "out/two.txt": "newest"}
    assert {path.name for path in tmp_path.iterdir()} == {"out"}


def test_one_file_is_put_in_place_whole(tmp_path):
    path = tmp_path / "out" / "steer" / "P1.txt"
    with output_file(path, within=tmp_path / "out") as part:
        part.write_text("card", encoding="utf-8")
        assert part.suffix == ".txt"
        assert not path.exists()
    assert contents(tmp_path) == {"out/steer/P1.txt": "card"}


def test_one_file_that_fails_leaves_the_former(tmp_path):
    path = tmp_path / "P1.txt"
    path.write_text("old", encoding="utf-8")
    with pytest.raises(ZeroDivisionError), output_file(path) as part:
        half_written(part)
    assert contents(tmp_path) == {"P1.txt": "old"}


def test_one_file_waits_for_no_run_but_tells(tmp_path):
    with ExitStack() as stack:
        stack.enter_context(output_set(tmp_path / "out", owned=OWNED))
        with pytest.raises(TargetError, match=f"process {os.getpid()} on"):
            stack.enter_context(output_file(tmp_path / "out" / "steer" / "P1.txt", within=tmp_path / "out"))


def test_a_folder_in_place_of_one_file_is_told(tmp_path):
    (tmp_path / "P1.txt").mkdir()
    path = tmp_path / "P1.txt"
    with pytest.raises(TargetError, match=r"P1\.txt: a folder is in the way"), output_file(path):
        pass


def test_folders_are_exchanged_in_one_step_or_not_at_all(tmp_path):
    one, other = tmp_path / "one", tmp_path / "other"
    one.mkdir()
    other.mkdir()
    (one / "x").touch()
    done = _exchange.exchange(one, other)
    assert (one / "x").exists() is not done
    assert (other / "x").exists() is done


def test_exchanging_with_nothing_is_an_error(tmp_path):
    if not can_exchange(tmp_path):
        pytest.skip("this disk cannot exchange folders")
    (tmp_path / "one").mkdir()
    with pytest.raises(FileNotFoundError):
        _exchange.exchange(tmp_path / "one", tmp_path / "none")


def can_exchange(folder: Path) -> bool:
    (folder / "a").mkdir()
    (folder / "b").mkdir()
    return _exchange.exchange(folder / "a", folder / "b")


def test_a_set_below_another_waits_for_it_and_makes_its_folders(tmp_path):
    """What is asked for apart is not written while a run exchanges the folder above it."""
    out = tmp_path / "out"
    with output_set(out / "setout", owned=("one.txt",), within=out) as work:
        (work / "one.txt").write_text("new")
        with pytest.raises(TargetError, match="another run is writing"), output_set(out, owned=("two.txt",)):
            pass
    assert (out / "setout" / "one.txt").read_text() == "new"
    with (
        output_set(out, owned=("two.txt",)) as work,
        pytest.raises(TargetError, match="another run is writing"),
        output_set(out / "setout", owned=("one.txt",), within=out),
    ):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
