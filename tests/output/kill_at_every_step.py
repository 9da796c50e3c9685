"""Run by test_files.py as a process of its own: a set of outputs is written and killed before every step.

For each step a child process is forked that ends itself with SIGKILL before that call to the system. What is
on disk then, what is there after ``recover``, and after one more run, is printed as JSON.
"""

from __future__ import annotations

import errno
import json
import os
import signal
import sys
from pathlib import Path

from asbuilt.output import _exchange
from asbuilt.output._files import output_set, recover

OWNED = ("one.txt", "two.txt", "pages", "kept.txt", "dropped.txt")
STEPS = ("chmod", "fsync", "ftruncate", "link", "mkdir", "open", "rename", "rmdir", "symlink", "unlink")


def write_set(target: Path, word: str) -> None:
    with output_set(target, owned=OWNED, keep=("kept.txt",), folders=("pages",)) as work:
        (work / "one.txt").write_text(word, encoding="utf-8")
        (work / "two.txt").write_text(word, encoding="utf-8")
        (work / "pages").mkdir()
        (work / "pages" / "1.txt").write_text(word, encoding="utf-8")


def former_state(target: Path) -> None:
    (target / "pages").mkdir(parents=True)
    for name in ("one.txt", "two.txt", "pages/1.txt", "pages/2.txt", "dropped.txt"):
        (target / name).write_text("old", encoding="utf-8")
    (target / "kept.txt").write_text("kept", encoding="utf-8")
    (target / "steer" / "P1").mkdir(parents=True)
    (target / "steer" / "P1" / "card.txt").write_text("card", encoding="utf-8")
    (target / "steer" / "empty").mkdir()
    (target / "note.txt").write_text("note", encoding="utf-8")
    (target / "pointer").symlink_to("note.txt")


def snapshot(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): path.read_text(encoding="utf-8")
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def without_links(*_: object, **__: object) -> None:
    raise OSError(errno.EPERM, os.strerror(errno.EPERM))


def be_killed_before(step: int) -> None:
    left = step

    def counted(function):
        def call(*arguments, **more):
            nonlocal left
            left -= 1
            if left < 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return function(*arguments, **more)

        return call

    for name in STEPS:
        setattr(os, name, counted(getattr(os, name)))
    _exchange.exchange = counted(_exchange.exchange)


def main(base: Path, *flags: str) -> None:
    if "no-exchange" in flags:
        _exchange.exchange = lambda _one, _other: False
    if "no-links" in flags:
        os.link = without_links
    # What a killed process has handed to the system is there without it, and hundreds of them take long.
    os.fsync = lambda _descriptor: None
    kills = []
    for step in range(1000):
        site = base / f"{step:03d}"
        site.mkdir(parents=True)
        if "first" not in flags:
            former_state(site / "out")
        child = os.fork()
        if child == 0:
            be_killed_before(step)
            write_set(site / "out", "new")
            os._exit(0)
        status = os.waitpid(child, 0)[1]
        if not os.WIFSIGNALED(status):
            break
        kill = {"step": step, "signal": os.WTERMSIG(status), "killed": snapshot(site)}
        recover(site / "out")
        kill["recovered"] = snapshot(site)
        write_set(site / "out", "next")
        kill["next"] = snapshot(site)
        kills.append(kill)
    print(json.dumps({"exit": os.waitstatus_to_exitcode(status), "kills": kills}))


if __name__ == "__main__":
    main(Path(sys.argv[1]), *sys.argv[2:])
