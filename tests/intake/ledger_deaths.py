"""Kills processes while they take something in, and has many take in at once; prints what came of it as JSON.

``ledger_deaths.py kills FOLDER COUNT SEED``, ``elsewhere FOLDER COUNT SEED``, ``steps FOLDER``, ``crowd FOLDER
PROCESSES EACH``. The folder is changed.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import asbuilt.intake.ledger_files as files
from asbuilt.intake import ledger_lock
from asbuilt.intake.ledger import read_ledger, recover, taking_in, verify_folder
from asbuilt.intake.ledger_lock import Patience, is_held

if TYPE_CHECKING:
    from collections.abc import Callable

DIED = 77


def say(_text: str) -> None:
    pass


def take(folder: Path, name: str, told: Callable[[str], None] = say, patience: Patience | None = None) -> None:
    with taking_in(folder, by=name, told=told, patience=patience) as entry:
        for table in ("pickups", "records"):
            entry.add(f"{table}/{name}.csv", f"{table} {name}\n".encode() * 500, action="load")


def forked(work: Callable[[], None]) -> int:
    pid = os.fork()
    if pid:
        return pid
    try:
        work()
    finally:
        os._exit(0 if sys.exc_info()[0] is None else 1)
    return 0


def found(folder: Path) -> dict[str, object]:
    """Return the state of the folder, and whether loads are whole, once a last process has been there."""
    recover(folder)
    loads = [line.file for line in read_ledger(folder) if line.action == "load"]
    names = [path.partition("/")[2].removesuffix(".csv") for path in loads]
    hidden = [path.relative_to(folder).as_posix() for path in folder.rglob(".asbuilt-*")]
    tables = ("pickups", "records")
    there = sorted(f"{table}/{path.name}" for table in tables for path in (folder / table).glob("k*.csv"))
    return {
        "problems": verify_folder(folder),
        "whole": all(names.count(name) == 2 for name in names),
        "names": sorted(set(names)),
        "files_are_those_of_the_ledger": there == sorted(loads),
        "hidden": hidden,
    }


def kills(folder: Path, count: int, seed: int) -> dict[str, object]:
    rng = random.Random(seed)  # noqa: S311 - moments, no secrets
    said: list[str] = []
    began = time.monotonic()
    for number in range(5):
        take(folder, f"k_first{number}")
    life = (time.monotonic() - began) / 5
    for number in range(count):
        reading, writing = os.pipe()

        def work(number: int = number, writing: int = writing) -> None:
            for turn in range(1000):
                take(folder, f"k{number}_{turn}")
                os.write(writing, f"k{number}_{turn}\n".encode())

        pid = forked(work)
        os.close(writing)
        time.sleep(rng.uniform(0.0, 5.0 * life))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        with os.fdopen(reading) as stream:
            said += stream.read().split()
    began = time.monotonic()
    take(folder, "k_last")
    longest = time.monotonic() - began
    state = found(folder)
    lost = sorted({*said, "k_last"} - set(state["names"]))
    return {**state, "said": len(said), "lost": lost, "wait_s": longest}


def elsewhere(folder: Path, count: int, seed: int) -> dict[str, object]:
    """Kill processes on another computer while they take something in; patience is a hundredth of what it is."""
    rng = random.Random(seed)  # noqa: S311 - moments, no secrets
    patience = Patience(beat=0.05, dead=0.6, sure=0.12, tell=0.02, limit=60.0)
    broken, told, waits = 0, [], []
    for number in range(count):

        def work(number: int = number) -> None:
            ledger_lock._computer()["host"] = "other-computer"
            for turn in range(1000):
                take(folder, f"k{number}_{turn}")

        pid = forked(work)
        while not is_held(folder):
            time.sleep(0.0005)
        time.sleep(rng.uniform(0.0, 0.01))
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        broken += is_held(folder)
        began = time.monotonic()
        take(folder, f"k{number}_next", told.append, patience)
        waits.append(time.monotonic() - began)
    said = [text for text in told if text.endswith("held the ledger and gave no sign of life: its lock was broken")]
    told_of = all(" on other-computer, since " in text for text in said)
    return {**found(folder), "broken": broken, "said": len(said), "told_of": told_of, "wait_s": max(waits)}


def steps(folder: Path) -> dict[str, object]:
    """Die at each step of one load in turn, until one goes through."""
    results = []
    for step in range(1, 200):

        def work(step: int = step) -> None:
            left = [step]

            def dying(done: Callable[..., object]) -> Callable[..., object]:
                def after(*arguments: object) -> object:
                    result = done(*arguments)
                    left[0] -= 1
                    if not left[0]:
                        os._exit(DIED)
                    return result

                return after

            files._write, files._sync_folder = dying(files._write), dying(files._sync_folder)
            Path.replace, Path.unlink = dying(Path.replace), dying(Path.unlink)
            take(folder, f"k{step}")

        pid = forked(work)
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        state = found(folder)
        results.append({**state, "in": f"k{step}" in state["names"], "code": code})
        if code == 0:
            break
    return {"steps": results}


def crowd(folder: Path, processes: int, each: int) -> dict[str, object]:
    """Have many take in at once, on two computers."""

    def work(number: int) -> None:
        if number % 2:
            ledger_lock._computer()["host"] = "other-computer"
        for turn in range(each):
            take(folder, f"k{number}_{turn}")

    pids = [forked(lambda number=number: work(number)) for number in range(processes)]
    codes = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]
    return {**found(folder), "codes": codes}


if __name__ == "__main__":
    what, folder, *numbers = sys.argv[1:]
    done = {"kills": kills, "elsewhere": elsewhere, "steps": steps, "crowd": crowd}[what](
        Path(folder), *map(int, numbers)
    )
    print(json.dumps(done))
