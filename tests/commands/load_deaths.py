"""Kills ``asbuilt load`` at random moments, and has many load at once; prints what came of it as JSON.

``load_deaths.py kills FOLDER COUNT SEED``, ``crowd FOLDER PROCESSES [KILLED SEED]``, ``steps FOLDER EVERY``. FOLDER
is made: a wall of 24 piles. Each load is a pickup and a reading of all of them, in two files, taken in by a process of
its own.
"""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import small_folder

from asbuilt.intake.ledger import check_folder, read_ledger, recover
from asbuilt.intake.ledger_lock import LOCK

if TYPE_CHECKING:
    from collections.abc import Callable

ROOT = Path(__file__).resolve().parents[2]
PILES = 24
DIED = 77
TABLES = ("pickups", "tilts")


def make(folder: Path) -> Path:
    design = small_folder.DESIGN.splitlines()[0] + "\n"
    for k in range(1, PILES + 1):
        kind = "primary" if k % 2 else "secondary"
        design += f"P{k},A,{k},{kind},{100 + 0.75 * k:.2f},200.00,880,-12.00\n"
    return small_folder.make(folder, design_piles_csv=design)


def day(scratch: Path, name: str, number: int) -> list[str]:
    """Write a day's two files, unlike those of any other day, and return their paths."""
    rng = random.Random(number)  # noqa: S311 - readings, no secrets
    at = f"2025-03-{6 + number // 1440 % 20:02d}T{number // 60 % 24:02d}:{number % 60:02d}"
    shots, tilts = ["point,pile_id,easting,northing,level,surveyed_at"], ["pile_id,read_at,depth,tilt_a,tilt_b,unit"]
    for k in range(1, PILES + 1):
        east, north = 100 + 0.75 * k + rng.gauss(0, 0.002), 200 + rng.gauss(0, 0.002)
        shots.append(f"{name}_{k},P{k},{east:.4f},{north:.4f},3.30,{at}")
        tilts.append(f"P{k},{at},16.0,{rng.gauss(0, 1):.3f},{rng.gauss(0, 1):.3f},mm/m")
    paths = []
    for table, lines in zip(TABLES, (shots, tilts), strict=True):
        path = scratch / f"{name}_{table}.csv"
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        paths.append(str(path))
    return paths


def arguments(folder: Path, scratch: Path, name: str, number: int) -> list[str]:
    return ["load", str(folder), *day(scratch, name, number), "--by", "A. Surveyor", "--confirm", "seen"]


def started(*call: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "asbuilt", *call], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
    )


def ended(process: subprocess.Popen[str]) -> tuple[int, str]:
    _, said = process.communicate()
    return process.returncode, said


def names_in(folder: Path) -> dict[str, list[str]]:
    """Return the loads of the ledger by the name of their day, the names of their files in order."""
    found: dict[str, list[str]] = {}
    for line in read_ledger(folder):
        if line.action == "load":
            table, name = line.file.split("/")
            day_name = name.removesuffix(".csv").removesuffix(f"_{table}").partition("_")[2]
            found.setdefault(day_name, []).append(line.file)
    return found


def found(folder: Path, scratch: Path) -> dict[str, Any]:
    """Return the state of the folder, once ``asbuilt verify`` was there."""
    code, _ = ended(started("verify", str(folder)))
    checked, loads = check_folder(folder), names_in(folder)
    there = sorted(f"{table}/{path.name}" for table in TABLES for path in (folder / table).glob("*_k*.csv"))
    same = {path.read_bytes() for path in scratch.iterdir()} >= {(folder / path).read_bytes() for path in there}
    return {
        "verify": code,
        "problems": [*checked.problems, *checked.notes],
        "in": sorted(loads),
        "half": [name for name, files in loads.items() if len(files) != len(TABLES)],
        "files_are_those_of_the_ledger": same and there == sorted(path for files in loads.values() for path in files),
        "hidden": [path.relative_to(folder).as_posix() for path in folder.rglob(".asbuilt-*")],
    }


def is_writing(folder: Path) -> bool:
    """Tell whether a load is, or died, between taking the lock and giving it back."""
    return any((folder / LOCK).glob("*")) or any(folder.rglob(".asbuilt-new.*"))


def _killed(process: subprocess.Popen[str], folder: Path, rng: random.Random, *, life: float, writing: bool) -> None:
    """Kill a load at a random moment of its life, or as soon as it is writing and a random moment of that later."""
    if writing:
        while process.poll() is None and not (folder / LOCK).exists():
            time.sleep(0.0002)
        time.sleep(rng.uniform(0.0, 0.02))
    else:
        time.sleep(rng.uniform(0.0, 1.1 * life))
    process.send_signal(signal.SIGKILL)


def kills(folder: Path, count: int, seed: int) -> dict[str, Any]:
    """Kill ``count`` loads, each second one while it writes; after each the next load must go through."""
    rng = random.Random(seed)  # noqa: S311 - moments, no secrets
    scratch = folder.with_name("incoming")
    scratch.mkdir()
    make(folder)
    began = time.monotonic()
    said, wrong = ["k_first"], []
    code, text = ended(started(*arguments(folder, scratch, "k_first", 0)))
    life = time.monotonic() - began
    died = writing = at_once = 0
    waits = []
    if code:
        wrong.append(text)
    for number in range(1, count + 1):
        process = started(*arguments(folder, scratch, f"k{number}", 2 * number))
        _killed(process, folder, rng, life=life, writing=number % 2 == 0)
        code, text = ended(process)
        died += code == -signal.SIGKILL
        writing += code == -signal.SIGKILL and is_writing(folder)
        if code == 0:
            said.append(f"k{number}")
        began = time.monotonic()
        code, text = ended(started(*arguments(folder, scratch, f"k{number}n", 2 * number + 1)))
        waits.append(time.monotonic() - began)
        said.append(f"k{number}n")
        at_once += code == 0 and not text
        if code or text:
            wrong.append(f"{code} {text}")
    state = found(folder, scratch)
    lost = sorted(set(said) - set(state["in"]))
    more = {"died": died, "died_writing": writing, "wrong": wrong, "lost": lost, "at_once": at_once}
    return {**state, **more, "said": len(said), "first_s": life, "longest_s": max(waits)}


def crowd(folder: Path, processes: int, killed: int = 0, seed: int = 0) -> dict[str, Any]:
    """Have many load at once, and kill the last few of them at random moments."""
    rng = random.Random(seed)  # noqa: S311 - moments, no secrets
    scratch = folder.with_name("incoming")
    scratch.mkdir()
    make(folder)
    running = [started(*arguments(folder, scratch, f"k{number}", number)) for number in range(processes)]
    for process in running[processes - killed :]:
        _killed(process, folder, rng, life=1.0, writing=True)
    ends = [ended(process) for process in running]
    return {"codes": [code for code, _ in ends], "texts": [text for _, text in ends], **found(folder, scratch)}


def steps(folder: Path, every: int) -> dict[str, Any]:
    """Have the command die after ``every``-th step on the disk in turn, until it goes through."""
    import asbuilt.intake.ledger_files as files
    from asbuilt.__main__ import main

    scratch = folder.with_name("incoming")
    scratch.mkdir()
    make(folder)
    output = os.dup(1)
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    # One that goes through: what the others import is there then.
    assert main(arguments(folder, scratch, "k0", 0)) == 0
    results = []
    for step in range(1, 200, every):
        call, left = arguments(folder, scratch, f"k{step}", step), [step]
        pid = os.fork()
        if not pid:

            def dying(done: Callable[..., object], left: list[int] = left) -> Callable[..., object]:
                def after(*some: object, **more: object) -> object:
                    result = done(*some, **more)
                    left[0] -= 1
                    if not left[0]:
                        os._exit(DIED)
                    return result

                return after

            files._write, files._sync_folder = dying(files._write), dying(files._sync_folder)
            os.rename, Path.replace, Path.unlink = dying(os.rename), dying(Path.replace), dying(Path.unlink)
            os._exit(main(call))
        code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
        recover(folder)
        loads, checked = names_in(folder), check_folder(folder)
        results.append(
            {
                "code": code,
                "files": len(loads.get(f"k{step}", [])),
                "problems": [*checked.problems, *checked.notes],
                "hidden": [path.relative_to(folder).as_posix() for path in folder.rglob(".asbuilt-*")],
            }
        )
        if code != DIED:
            break
    sys.stdout.flush()
    os.dup2(output, 1)
    return {"steps": results}


if __name__ == "__main__":
    what, where, *numbers = sys.argv[1:]
    print(json.dumps({"kills": kills, "crowd": crowd, "steps": steps}[what](Path(where), *map(int, numbers))))
