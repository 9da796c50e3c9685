"""Measure what steering and adjusted set-out are worth on simulated walls: the tables of docs/worth.md.

``python tests/benchmarks/worth_of_steering.py`` prints them; ``--write`` puts them into the page; ``--walls N`` sets
how many walls are drilled for each table, half of them rings, half straight.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS.parent), str(TESTS)]

from generated import put_between  # noqa: E402
from simulated_walls import ARMS, Draws, Outcome, World, drill, outcome  # noqa: E402

PAGE = TESTS.parent / "docs" / "worth.md"
BEGIN, END = "<!-- begin measured: worth -->\n", "<!-- end measured -->"
PILES = 32
RESAMPLED = 4000
#: Upper end of the 95 % interval for a chance that never came true in n trials: 1 − 0.025^(1/n).
_NEVER = 0.025
#: What each world is, beside the first one in one thing.
WORLDS = {
    "Spacing 750 mm": World(),
    "Spacing 720 mm": World(spacing=0.72),
    "750 mm, straying 1 mm/m per root of a metre, the site file says 0.3": World(wander=0.001),
    "750 mm, a careful crew: 1.5 mm/m at the start, 8 mm in plan": World(lean=0.0015, placing=(0.008, 0.008)),
    "750 mm, a casing that turns by no more than 0.3 mm/m per metre": World(turn=0.0003),
    "750 mm, the hole bends and stays where it was drilled": World(bends=True),
    "750 mm, pulled and drilled once more at *stop and ask*": World(redrill=True),
}
ARM_NAMES = {"neither": "neither", "steering": "steering", "set-out": "adjusted set-out", "both": "both"}


@dataclass(frozen=True, kw_only=True)
class Interval:
    """A share, or a difference of shares, with its 95 % interval."""

    value: float
    low: float
    high: float


def world_of(world: World, seed: int) -> World:
    """Return the world of one wall: rings and straight walls in turn, of as many joints."""
    return replace(world, layout="straight", piles=PILES + 1) if seed % 2 else replace(world, piles=PILES)


def drilled(task: tuple[World, int]) -> dict[str, Outcome]:
    """Return what one wall comes to in every arm, all with the same draws."""
    world = world_of(*task)
    draws = Draws.of(task[1], world.piles)
    return {
        arm: outcome(drill(world, draws, steered=steered, adjusted=adjusted))
        for arm, (steered, adjusted) in ARMS.items()
    }


def interval(counts: list[int], of: list[int], *, beside: list[int] | None = None) -> Interval:
    """Return a share over all walls, or what it differs by from another of the same walls.

    Parameters
    ----------
    counts, of : list of int
        What is counted in each wall, and out of how many.
    beside : list of int, optional
        The same counts in another arm, to be taken off.

    Notes
    -----
    Walls are drawn with replacement, each with all its joints and in both arms: joints of one wall are not
    independent. Where nothing was counted in any wall no draw can tell anything: the upper end is then that of as many
    independent trials.
    """
    less = np.zeros(len(counts)) if beside is None else np.array(beside, dtype=float)
    number, total = np.array(counts, dtype=float) - less, np.array(of, dtype=float)
    if beside is None and not number.any():
        return Interval(value=0.0, low=0.0, high=float(1.0 - _NEVER ** (1.0 / total.sum())))
    drawn = np.random.default_rng(1).integers(len(number), size=(RESAMPLED, len(number)))
    low, high = np.quantile(number[drawn].sum(axis=1) / total[drawn].sum(axis=1), [0.025, 0.975]).tolist()
    return Interval(value=float(number.sum() / total.sum()), low=low, high=high)


def _shown(one: Interval, *, factor: float = 100.0, digits: int = 1, sign: str = "", unit: str = " %") -> str:
    value, low, high = (f"{factor * x:{sign}.{digits}f}".replace("-", "−") for x in (one.value, one.low, one.high))
    return f"{value}{unit} ({low} to {high})"


def _row(arm: str, walls: list[dict[str, Outcome]]) -> str:
    """Return the row of one arm."""

    def of(name: str, which: str = arm) -> list[int]:
        return [getattr(wall[which], name) for wall in walls]

    def share(name: str) -> str:
        return _shown(interval(of(name), of("joints")))

    def change(name: str) -> str:
        if arm == "neither":
            return ""
        return _shown(interval(of(name), of("joints"), beside=of(name, "neither")), sign="+")

    cells = [ARM_NAMES[arm], share("lost"), change("lost"), share("open"), share("not_sure"), change("not_sure")]
    cells.append(share("missed"))
    if ARMS[arm][0]:
        cells.append(_shown(interval(of("corrections"), of("piles")), factor=1.0, digits=2, unit=""))
        cells.append(_shown(interval(of("stopped"), of("piles"))))
    else:
        cells += ["", ""]
    return "| " + " | ".join(cells) + " |"


HEADER = (
    *("drilled with", "joints lost", "against neither", "joints open", "not sure at formation", "against neither"),
    *("lost and judged sure", "corrections a pile", "piles with *stop and ask*"),
)


def _beside(walls: list[dict[str, Outcome]]) -> str:
    """Return what else was counted, in words."""

    def of(name: str, arm: str = "both") -> list[int]:
        return [getattr(wall[arm], name) for wall in walls]

    def further(name: str) -> str:
        return _shown(interval(of(name), of("joints"), beside=of(name, "steering")), sign="+")

    secondaries = sum(wall["both"].piles // 2 for wall in walls)
    stops, cannot_turn, again = sum(of("stops")), sum(of("cannot_turn")), sum(of("redrilled"))
    said = f"Both against steering alone: {further('lost')} lost, {further('not_sure')} not sure at formation. "
    said += f"With both, {sum(of('moved'))} of {secondaries} secondaries were set out off design; *stop and ask* was "
    said += f"the answer to {stops} readings, to {cannot_turn} of them because the correction is more than can still "
    said += "be turned, to the others because no lean is sure to keep every joint, or none would"
    return f"{said}; {again} of {sum(of('piles'))} piles were pulled and drilled again." if again else f"{said}."


def table(count: int, processes: int = 2) -> str:
    """Return all tables as Markdown."""
    tasks = [(world, seed) for world in WORLDS.values() for seed in range(count)]
    with ProcessPoolExecutor(processes) as pool:
        found = list(pool.map(drilled, tasks, chunksize=4))
    lines = []
    for place, name in enumerate(WORLDS):
        walls = found[place * count : (place + 1) * count]
        joints = sum(wall["neither"].joints for wall in walls)
        lines += [f"**{name}.** {count} walls, {joints} joints in each row.", ""]
        lines += ["| " + " | ".join(HEADER) + " |", "| " + " | ".join(["---"] * len(HEADER)) + " |"]
        lines += [*(_row(arm, walls) for arm in ARMS), "", _beside(walls), ""]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--walls", type=int, default=40)
    parser.add_argument("--write", action="store_true", help="put the tables into docs/worth.md")
    given = parser.parse_args()
    made = table(given.walls)
    print(made)
    if given.write:
        put_between(PAGE, BEGIN, END, made)


if __name__ == "__main__":
    main()
