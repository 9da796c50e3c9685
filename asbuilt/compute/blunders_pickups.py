"""What is said of misplaced, repeated and badly fixed pickups of a load."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import OBJECTS
from asbuilt.compute.blunders_groups import plan_limit
from asbuilt.compute.blunders_rows import CANDIDATES
from asbuilt.compute.blunders_told import most_of
from asbuilt.compute.centres import SHORT_ARC_DEG
from asbuilt.compute.wording import beyond, number
from asbuilt.model import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.compute.blunders_groups import Ground, Groups
    from asbuilt.compute.blunders_load import Scatter
    from asbuilt.compute.blunders_rows import Misplaced, Reach
    from asbuilt.model import Booleans, Floats, Integers, Survey

__all__ = ["edge_findings", "misplaced_findings", "repeat_findings", "row_findings", "spread_findings"]

_FACE = OBJECTS.index("face")
#: So many piles are named in a finding about many.
_NAMED = 4


def _distance(length: float) -> str:
    return f"{number(length * 1000)} mm" if length < 1.0 else f"{number(length, 2)} m"


def _finding(survey: Survey, ground: Ground, row: int, *, kind: str, column: str, text: str, item: str = "") -> Finding:
    t = survey.pickups
    return Finding(
        severity="note" if kind == "short_arc" else "query",
        kind=kind,
        item=item or str(ground.ids[t.pile[row]]),
        text=text,
        file=ground.files[int(t.file[row])],
        line=int(t.line[row]),
        column=column,
    )


def _list(names: list[str]) -> str:
    return ", ".join(names[:_NAMED]) + (f" and {len(names) - _NAMED} more" if len(names) > _NAMED else "")


def row_findings(survey: Survey, ground: Ground, found: Misplaced, *, fresh: Booleans) -> Iterator[Finding]:
    """Yield what single shots have: one finding for a pile, or one for a file where most of its piles have it alike."""
    t = survey.pickups
    file = t.file[found.index]
    causes = np.column_stack([file, found.candidate])
    for cause in np.unique(causes, axis=0).tolist():
        rows = np.flatnonzero((causes == cause).all(axis=1))
        rows = rows[np.unique(found.pile[rows], return_index=True)[1]]
        of_file = len(np.unique(t.pile[fresh & (t.file == cause[0]) & (t.pile >= 0)]))
        if most_of(len(rows), of_file):
            yield _of_a_file(survey, ground, found, rows, of_file)
        else:
            yield from (_of_a_pile(survey, ground, found, int(k)) for k in rows.tolist())


def _of_a_pile(survey: Survey, ground: Ground, found: Misplaced, k: int) -> Finding:
    name, row = ground.ids[found.pile[k]], int(found.index[k])
    if found.candidate[k] < 0:
        text = _wrong_pile(survey, ground, found, k, row)
        return _finding(survey, ground, row, kind="wrong_pile", column="pile_id", text=text)
    one = CANDIDATES[found.candidate[k]]
    text = (
        f"named {name}, lies {_distance(found.off[k])} from its centre; with this undone {_distance(found.after[k])}: "
        f"{one.says}"
    )
    return _finding(survey, ground, row, kind=one.kind, column=one.column, text=text)


def _of_a_file(survey: Survey, ground: Ground, found: Misplaced, rows: Integers, piles: int) -> Finding:
    row = int(found.index[rows].min())
    item = ground.files[int(survey.pickups.file[row])]
    who = f"{len(rows)} of {piles} piles"
    if found.candidate[rows[0]] < 0:
        pairs = [f"{ground.ids[found.pile[k]]} at {ground.ids[found.other[k]]}" for k in rows.tolist()]
        apart = float(np.median(found.off[rows]))
        text = (
            f"{who} lie at the centre of another one ({_list(pairs)}), {_distance(apart)} from their own: "
            "the names are off, or the load is shifted along the wall or turned so"
        )
        return _finding(survey, ground, row, kind="wrong_pile", column="pile_id", text=text, item=item)
    one = CANDIDATES[found.candidate[rows[0]]]
    far, near = float(np.median(found.off[rows])), float(np.median(found.after[rows]))
    text = f"{who} lie {_distance(far)} from their centres, with this undone {_distance(near)} (medians): {one.says}"
    return _finding(survey, ground, row, kind=one.kind, column=one.column, text=text, item=item)


def _wrong_pile(survey: Survey, ground: Ground, found: Misplaced, k: int, row: int) -> str:
    name, other = ground.ids[found.pile[k]], ground.ids[found.other[k]]
    t = survey.pickups
    again = bool(np.any((t.pile == found.other[k]) & (t["object"] == t["object"][row])))
    known = "picked up too" if again else "not picked up otherwise"
    return (
        f"named {name}, lies {_distance(found.other_off[k])} from {other}'s centre and {_distance(found.off[k])} from "
        f"{name}'s ({other} is {known}): another pile's name, unless it does stand there"
    )


def misplaced_findings(
    survey: Survey, ground: Ground, groups: Groups, found: Misplaced, reach: Reach
) -> Iterator[Finding]:
    """Yield what groups of shots have that lie out of reach of their pile; ``reach`` is that of all groups."""
    for k in range(len(found.index)):
        place = int(found.index[k])
        row = int(groups.row[place])
        tight, radius = float(reach.tight[place]), float(ground.radius[found.pile[k]])
        centre = "approved centre" if ground.approved[found.pile[k]] else "design centre"
        column = "easting"
        if found.kind[k] == "wrong_pile":
            text, column = _wrong_pile(survey, ground, found, k, row), "pile_id"
        elif found.kind[k] == "edge_as_centre":
            text = (
                f"{_distance(found.off[k])} from its {centre}, about its radius of {_distance(radius)}: "
                "a shot on the edge taken for a centre"
            )
            column = "shot"
        else:
            nearest = ground.ids[found.other[k]] if found.other[k] >= 0 else None
            near = "" if nearest is None else f"; {nearest}'s, the next, is {_distance(found.other_off[k])} off"
            text = (
                f"{_distance(found.off[k])} from its {centre} ({_distance(tight)} can be explained{near}): "
                "a mistyped digit, another object than the pile, or a pile that does stand there"
            )
        yield _finding(survey, ground, row, kind=str(found.kind[k]), column=column, text=text)


def spread_findings(survey: Survey, ground: Ground, groups: Groups, *, count: int) -> tuple[list[Finding], Booleans]:
    """Return a finding for each group whose centre shots differ, and which groups these are.

    One shot against the mean of the others: chi-square on two degrees of freedom, at 0.1 % for the load's ``count``
    piles together.
    """
    limit = plan_limit(count)
    bad = groups.spread > limit
    found = []
    t = survey.pickups
    for place in np.flatnonzero(bad).tolist():
        row = int(groups.spread_row[place])
        shots = int(groups.centres[place])
        text = (
            f"{shots} centre shots of one pile and set-up differ by more than their uncertainty explains: "
            f"{t['point'][row]} stands out most (statistic {beyond(groups.spread[place], limit, places=1)}, limit "
            f"{number(limit, 1)}): a bumped instrument, or one of them is on something else"
        )
        found.append(_finding(survey, ground, row, kind="repeated_pile", column="easting", text=text))
    return found, bad


def repeat_findings(
    survey: Survey,
    ground: Ground,
    scatter: Scatter,
    *,
    old: Groups,
    new: Groups,
    explained: tuple[Floats, Floats],
    left_out: Booleans,
) -> Iterator[Finding]:
    """Yield groups that contradict an earlier group of the same object of the same attempt of their pile.

    Parameters
    ----------
    old, new : Groups
        Of the folder, and of the load (k,).
    explained : (k,), (k,) arrays
        By how much the whole load's shift, turn and scale moved each of the load's groups [m].
    left_out : (k,) array of bool
        Groups of the load that have a finding of their own already.

    Notes
    -----
    Each is compared with the newest one before it: d² against limit·(σ₁² + σ₂² + 2σ_batch² + (σ_lean·Δz)²), without
    the third term within one set-up. Faces bend with the wall and are not compared.
    """
    t = survey.pickups
    sets = (old, new)
    fresh = np.r_[np.zeros(len(old), dtype=np.bool_), ~left_out]
    usable = np.r_[old.solved, new.solved & ~left_out]

    def both(name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        joined: Floats = np.concatenate([getattr(one, name) for one in sets])
        return joined

    e, n = both("e"), both("n")
    e[len(old) :] -= explained[0]
    n[len(old) :] -= explained[1]
    row = both("row")
    order = np.lexsort((t["surveyed_at"][row].astype(np.int64), fresh, both("object"), both("attempt"), both("pile")))
    order = order[usable[order] & (both("object")[order] != _FACE)]
    before, after = order[:-1], order[1:]
    same = fresh[after].copy()
    for name in ("pile", "attempt", "object"):
        same &= both(name)[before] == both(name)[after]
    before, after = before[same], after[same]
    pile = both("pile")[after]
    one_setup = (both("setup")[before] == both("setup")[after]) & (both("file")[before] == both("file")[after])
    height = np.abs(both("level")[before] - both("level")[after])
    variance = both("var")[before] + both("var")[after] + np.where(one_setup, 0.0, 2.0 * scatter.batch**2)
    variance = variance + (ground.lean_sigma[pile] * height) ** 2
    apart, limit = np.hypot(e[after] - e[before], n[after] - n[before]), plan_limit(len(after))
    for k in np.flatnonzero(apart**2 > limit * variance).tolist():
        at, like = int(row[after[k]]), int(row[before[k]])
        explains = float(np.sqrt(limit * variance[k]))
        what = OBJECTS[int(both("object")[after[k]])]
        text = (
            f"its {what} lies {_distance(float(apart[k]))} from where {ground.files[int(t.file[like])]}:{t.line[like]} "
            f"has it ({_distance(explains)} can be explained): one of the two is another pile or point, it was moved, "
            "or it was drilled anew (then it is another attempt)"
        )
        yield _finding(survey, ground, at, kind="repeated_pile", column="easting", text=text)


def edge_findings(survey: Survey, ground: Ground, groups: Groups) -> Iterator[Finding]:
    """Yield groups of edge shots that fix no centre, or whose circle is not the pile's."""
    allowed = survey.settings.tolerance.radius_check_mm / 1000.0
    off = np.abs(groups.radius - ground.radius[groups.pile])
    wide = groups.solved & (off > allowed)
    uneven = groups.solved & ~wide & (groups.misfit > 1.0)
    face = groups.object == _FACE
    for place in np.flatnonzero(groups.too_few).tolist():
        text = f"{groups.edges[place]} edge shots and no centre shot: no centre; three are needed"
        yield _finding(survey, ground, int(groups.row[place]), kind="too_few_shots", column="shot", text=text)
    for place in np.flatnonzero(wide).tolist():
        text = (
            f"the edge shots fit a radius of {number(groups.radius[place] * 1000)} mm, "
            f"{number(ground.radius[groups.pile[place]] * 1000)} mm expected (allowed difference "
            f"{number(allowed * 1000)} mm): inner and outer face mixed, the guide wall, or another casing"
        )
        yield _finding(survey, ground, int(groups.row[place]), kind="edge_radius", column="easting", text=text)
    for place in np.flatnonzero(uneven).tolist():
        text = (
            f"the {groups.edges[place]} edge shots do not lie on one circle: {number(groups.rms[place] * 1000)} mm "
            "off it (root mean square); one of them is on something else"
        )
        yield _finding(survey, ground, int(groups.row[place]), kind="edge_radius", column="easting", text=text)
    short = groups.ambiguous | (groups.solved & (groups.arc < SHORT_ARC_DEG))
    for place in np.flatnonzero(short & ~face).tolist():
        why = "two centres fit as well: no centre" if groups.ambiguous[place] else "the radius is unchecked"
        text = f"edge shots cover {number(groups.arc[place])} degrees: {why}"
        yield _finding(survey, ground, int(groups.row[place]), kind="short_arc", column="shot", text=text)
