"""The gravest joints and piles as a table of text: what a person must look at first.

Every figure comes with its level or its limit; letters carry the verdicts.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click
import numpy as np

from asbuilt.columns import VERDICT_LOOKS, VERDICTS
from asbuilt.commands._shared import WIDTH, painted, wrapped
from asbuilt.compute.wording import beyond, metres, number

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from asbuilt.model import Codes, Floats, Joints, Piles

__all__ = ["GRAVEST_FIRST", "codes_of", "names_lines", "worst_joints", "worst_piles"]

GRAVEST_FIRST = tuple(reversed(VERDICTS[1:]))
_MOST_JOINTS = {"outside": 8, "unresolved": 4}
_MOST_PILES = {"outside": 8, "unresolved": 4}
#: Columns for a name, two blanks on either side included; a longer one has a line of its own.
_NAME = 25
_NONE = "-"


def codes_of(values: Any) -> Codes:
    """Return a column of choices as codes."""
    codes: Codes = np.asarray(values).astype(np.int8)
    return codes


def worst_joints(joints: Joints) -> Iterator[str]:
    """Yield the joints that are not within: least overlap, its level, and where each is lost, open, not sure."""
    left_over = np.asarray(joints["least_overlap_mm"], dtype=np.float64) - joints.required * 1000.0
    yield from _worst(
        [
            f"{'Joints, the gravest first':<{_NAME}}{'least overlap':>20}{'from this level down':>32}",
            f"{'':<{_NAME}}{'mm':>5}{'of':>6}{'at':>9}{'lost':>12}{'open':>10}{'not sure':>10}",
        ],
        codes_of(joints["verdict"]),
        joints["joint_id"],
        left_over,
        most=_MOST_JOINTS,
        cells=lambda row: _joint_cells(joints, row),
        file="joints.csv",
    )


def _joint_cells(joints: Joints, row: int) -> tuple[str, str]:
    """Return a joint's figures, and what they leave unsaid; "" and the reasons where they do not reach down."""
    names = ("least_overlap_mm", "least_level", "lost_level", "open_level", "sure_level")
    least, at, lost, gap, sure = (float(joints[name][row]) for name in names)
    if not bool(joints["levels_known"][row]) or math.isnan(least):
        return "", str(joints["reasons"][row] or "")
    required = float(joints.required[row]) * 1000.0
    figures = f"{beyond(least, required):>5}" + "".join(
        f"  {text:>{wide - 2}}"
        for text, wide in (
            (f"{required:g}", 6),
            (metres(at), 9),
            (_level(lost), 12),
            (_level(gap), 10),
            (_level(sure), 10),
        )
    )
    toe = float(joints.toe_level[row])
    return figures, "" if math.isnan(toe) else f"a toe as built ends at {metres(toe)}: open below it"


def worst_piles(piles: Piles, *, clear_mm: float) -> Iterator[str]:
    """Yield the piles that are not within: the letter and figure of each check. ``clear_mm`` as in the settings."""
    names = ("plan_of_allowed_percent", "vertical_of_allowed_percent", "encroach_of_allowed_percent")
    used = np.stack([np.asarray(piles[name], dtype=np.float64) for name in names])
    yield from _worst(
        [
            "Piles, the gravest first",
            f"{'':<{_NAME}}{'plan, mm':<14}{'lean, mm/m':<15}{'to the pit, mm':<18}toe",
        ],
        np.where(piles.expected, codes_of(piles["verdict"]), -1),
        piles["pile_id"],
        -np.fmax.reduce(used, axis=0),
        most=_MOST_PILES,
        cells=lambda row: (_pile_cells(piles, row, clear_mm=clear_mm), ""),
        file="schedule.csv",
    )


def _pile_cells(piles: Piles, row: int, *, clear_mm: float) -> str:
    def value(name: str) -> float:
        return float(piles[name][row])

    def letter(check: str) -> str:
        code = int(piles[f"{check}_verdict"][row])
        return VERDICT_LOOKS[VERDICTS[code]].letter if code >= 0 else _NONE

    def of(name: str, limit: str, places: int) -> str:
        shown = beyond(value(name), value(limit), places=places) if not math.isnan(value(name)) else ""
        return f"{shown} of {number(value(limit), places)}" if shown and not math.isnan(value(limit)) else shown

    inside, moved = value("face_inside_mm"), value("worst_towards_pit_mm")
    if inside > clear_mm:
        pit = f"{beyond(inside, clear_mm)} in outline"
    else:
        pit = "" if math.isnan(moved) else f"{number(moved)} at {metres(value('worst_towards_pit_level'))}"
    return (
        f"{letter('plan')} {of('offset_mm', 'allowed_mm', 0):<10}  "
        f"{letter('vertical')} {of('incline_mm_per_m', 'allowed_mm_per_m', 1):<11}  "
        f"{letter('encroach')} {pit:<14}  "
        f"{letter('toe')} {_level(value('toe_level'))}"
    )


def _worst(
    title: Sequence[str],
    codes: Codes,
    names: Any,
    rank: Floats,
    *,
    most: Mapping[str, int],
    cells: Callable[[int], tuple[str, str]],
    file: str,
) -> Iterator[str]:
    """Yield what is not within: outside, not surveyed (by name alone), unresolved; each in the order of ``rank``."""
    if not np.any(codes > VERDICTS.index("within")):
        return
    yield ""
    yield from title
    for verdict in GRAVEST_FIRST:
        rows = np.flatnonzero(codes == VERDICTS.index(verdict))
        if not len(rows):
            continue
        head = painted(f"  {VERDICT_LOOKS[verdict].letter} {verdict} ({len(rows)})", verdict)
        if verdict == "not surveyed":
            yield from names_lines(head, names[rows].tolist(), file=file)
            continue
        yield head
        rows = rows[np.argsort(rank[rows], kind="stable")]
        for row in rows[: most[verdict]].tolist():
            yield from _entry(str(names[row]), *cells(row))
        if len(rows) > most[verdict]:
            yield f"    … and {len(rows) - most[verdict]} more, see {file}"


def _entry(name: str, figures: str, words: str) -> Iterator[str]:
    head = f"    {name:<{_NAME - 4}}"
    if len(name) > _NAME - 6:
        yield head.rstrip()
        head = " " * _NAME
    if figures:
        yield f"{head}{figures}".rstrip()
        head = " " * _NAME
    if words:
        yield from wrapped(words, first=head)


def names_lines(head: str, names: Sequence[str], *, file: str = "", most: int = 3) -> Iterator[str]:
    """Yield names after a head, on its line or in at most ``most`` lines of their own; what is left is counted."""
    lines = wrapped(" ".join(names), first=" " * 6)
    if len(lines) == 1 and len(click.unstyle(head)) + len(lines[0]) - 4 <= WIDTH:
        yield f"{head}  {lines[0].strip()}"
        return
    yield head
    yield from lines[:most]
    left = sum(len(line.split()) for line in lines[most:])
    if left:
        yield f"      … and {left} more" + (f", see {file}" if file else "")


def _level(value: float) -> str:
    return _NONE if math.isnan(value) else metres(value)
