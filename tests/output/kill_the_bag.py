"""Run by test_bag.py as a process of its own: a bag is written and killed before every step.

For each step a child process is forked that ends itself with SIGKILL before that call. What is at the target then, and
after one more run, is printed as JSON.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import sys
import zipfile
from pathlib import Path

import numpy as np

from asbuilt.output.bag import verify_bag, write_bag

STEPS = ((os, "chmod"), (os, "fsync"), (os, "mkdir"), (os, "open"), (os, "rename"), (os, "replace"), (os, "unlink"))
STEPS += ((Path, "replace"), (Path, "unlink"), (Path, "write_bytes"), (Path, "write_text"))
STEPS += ((shutil, "copyfileobj"), (zipfile.ZipFile, "open"), (zipfile.ZipFile, "close"))


def write(target: Path) -> None:
    payload = {"inputs/site.toml": b"[site]\n" * 40, "outputs/a.csv": b"x" * 5000, "READ ME FIRST.txt": b"read me\n"}
    write_bag(target, payload, name="Yard", info={}, as_of=np.datetime64("2025-05-16"))


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

    for place, name in STEPS:
        setattr(place, name, counted(getattr(place, name)))


def state(target: Path) -> str:
    if not target.exists():
        return "missing"
    return "; ".join(verify_bag(target)) or "whole"


def main(base: Path) -> None:
    # What a killed process has handed to the system is there without it.
    os.fsync = lambda _descriptor: None
    kills = []
    for step in range(10_000):
        target = base / str(step) / "a.zip"
        target.parent.mkdir()
        child = os.fork()
        if child == 0:
            be_killed_before(step)
            write(target)
            os._exit(0)
        ended = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        before = state(target)
        if before == "missing":
            write(target)
        left = sorted(path.name for path in target.parent.iterdir())
        kills.append({"killed": ended == -signal.SIGKILL, "before": before, "after": state(target), "left": left})
        if ended == 0:
            break
    print(json.dumps(kills))


if __name__ == "__main__":
    main(Path(sys.argv[1]))
