"""The design table against itself and against the walls of the site file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from asbuilt.columns import TABLES
from asbuilt.errors import Problem
from asbuilt.intake.nearest import NearestIds
from asbuilt.intake.values import distinct, nearest, short

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from asbuilt.intake.tables import Part
    from asbuilt.model import InputFile
    from asbuilt.settings import Draft, Settings

__all__ = ["BEARINGS", "CORNER_DEG", "DesignCheck", "check_design", "check_outline", "cut_off_levels", "pile_places"]

ROUNDING_DEG = 1e-9
CORNER_DEG = 30.0
"""Where a wall turns by more than this, *towards the pit* is two directions."""
FARTHEST_OUTLINE_M = 1000.0
"""A clear outline farther than this from every design centre is not in the site grid."""
BEARINGS = (
    "",
    "the wall turns by more than 30 degrees here",
    "a wall of one pile has no direction",
    "an added pile",
)
"""Why a reading of a pile must say its bearing; :attr:`DesignCheck.why_bearing` gives places in this."""

_STATUSES = TABLES["design"].column("status").choices
PLANNED, OMITTED, ADDED = (_STATUSES.index(name) for name in ("planned", "omitted", "added"))

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True)
class _Line:
    """The planned piles of one wall in the order of position: rows (k,), reduced centres (k, 2)."""

    name: str
    closed: bool
    rows: Ints
    centres: Floats


@dataclass(frozen=True, kw_only=True)
class DesignCheck:
    """What was found: problems, pile id to place, and why a reading of each pile (n,) must say its bearing.

    ``why_bearing`` is a place in :data:`BEARINGS`, 0 for a reading that need not; all 0 where the walls are not known.
    """

    problems: tuple[Problem, ...]
    places: Mapping[str, int]
    why_bearing: npt.NDArray[np.int8]


def pile_places(design: Part) -> dict[str, int]:
    """Return pile id to its first row."""
    first = np.full(len(design.names) + 1, -1, dtype=np.int64)
    first[design.codes[::-1]] = np.arange(len(design))[::-1]
    return dict(zip(design.names.tolist(), first[:-1].tolist(), strict=True))


def cut_off_levels(design: Part, settings: Settings) -> Floats:
    """Return the cut-off level of each pile (n,) [m]: its own, else its wall's, else the site's; else NaN."""
    levels: Floats = design.columns["cut_off_level"].copy()
    blank = np.isnan(levels)
    if blank.any():
        for wall in settings.walls:
            default = settings.wall_level(wall, "cut_off")
            levels[blank & (design.columns["wall"] == wall)] = np.nan if default is None else default
    return levels


def check_design(design: Part, draft: Draft) -> DesignCheck:
    """Return what contradicts itself in the design table, and what in it contradicts the site file.

    Parameters
    ----------
    design
        The design table's rows.
    draft
        The site file; without settings only the table itself is checked.

    Notes
    -----
    A reading must say its bearing where the directions from the previous and to the next design centre differ by more
    than 30 degrees, and where a pile has no such directions.
    """
    places = pile_places(design)
    misplaced = list(_positions(design))
    problems = [*_repeated_ids(design, places), *misplaced]
    if not len(design) and design.sound() and not design.problems:
        problems.append(Problem(file=design.path, text="no piles", expected="at least one"))
    why = np.zeros(len(design), dtype=np.int8)
    settings = draft.settings
    if settings is not None:
        problems.extend(_unknown_walls(design, settings))
        problems.extend(_levels(design, settings))
        problems.extend(_walls_without_piles(design, draft, settings))
        lines: list[_Line] = []
        if design.sound("wall", "position", "status", "easting", "northing") and not misplaced:
            lines = list(_lines(design, settings))
            why[design.columns["status"] == ADDED] = 3
        for line in lines:
            problems.extend(_check_line(design, draft, line))
            _mark_corners(line, why)
        if design.sound("pile_id"):
            problems.extend(_extra_joints(design, draft, settings, lines, places))
    return DesignCheck(problems=tuple(problems), places=places, why_bearing=why)


def _mark_corners(line: _Line, why: npt.NDArray[np.int8]) -> None:
    if len(line.rows) < 2:
        why[line.rows] = 2
        return
    step = np.roll(line.centres, -1, axis=0) - line.centres
    before = np.roll(step, 1, axis=0)
    cross = before[:, 0] * step[:, 1] - before[:, 1] * step[:, 0]
    turn = np.degrees(np.abs(np.arctan2(cross, (before * step).sum(axis=1))))
    if not line.closed:
        turn[[0, -1]] = 0.0
    why[line.rows[turn > CORNER_DEG + ROUNDING_DEG]] = 1


def _repeated_ids(design: Part, places: Mapping[str, int]) -> Iterator[Problem]:
    first = np.array([*places.values(), -1], dtype=np.int64)[design.codes]
    for row in np.flatnonzero((first != np.arange(len(design))) & (first >= 0)).tolist():
        what = f"{short(design.columns['pile_id'][row])} is there already, at {_at(design, int(first[row]))}"
        yield design.problem(row, "pile_id", what, "an id of its own")


def _positions(design: Part) -> Iterator[Problem]:
    position, status, wall = (design.columns[name] for name in ("position", "status", "wall"))
    good = design.good("position", "status")
    in_line = status != ADDED
    for row in np.flatnonzero(good & in_line & np.isnan(position)).tolist():
        yield design.problem(
            row, "position", "blank", f"the place along the wall of this {_STATUSES[status[row]]} pile"
        )
    for row in np.flatnonzero(good & ~in_line & ~np.isnan(position)).tolist():
        yield design.problem(row, "position", f"{position[row]:.0f} for an added pile", "nothing")
    rows = np.flatnonzero(good & in_line & ~np.isnan(position) & (wall != None))  # noqa: E711
    if not rows.size:
        return
    code = distinct(wall[rows])[0]
    order = np.lexsort((rows, position[rows], code))
    same = (np.diff(code[order]) == 0) & (np.diff(position[rows][order]) == 0)
    for place in np.flatnonzero(same).tolist():
        row, before = int(rows[order[place + 1]]), int(rows[order[place]])
        what = f"{position[row]:.0f} of wall {wall[row]} is taken, at {_at(design, before)}"
        yield design.problem(row, "position", what, "a place of its own")


def _unknown_walls(design: Part, settings: Settings) -> Iterator[Problem]:
    codes, names = distinct(design.columns["wall"])
    unknown = {place for place, name in enumerate(names.tolist()) if name not in settings.walls}
    if not unknown:
        return
    for row in np.flatnonzero(np.isin(codes, list(unknown))).tolist():
        name = design.columns["wall"][row]
        expected = nearest(name, settings.walls, what="one of the walls of the site file:")
        yield design.problem(row, "wall", f"unknown wall {short(name)}", expected)


def _levels(design: Part, settings: Settings) -> Iterator[Problem]:
    cut_off, toe, wall = cut_off_levels(design, settings), design.columns["toe_level"], design.columns["wall"]
    known_wall = np.isin(wall.astype(str), list(settings.walls)) if len(design) else np.zeros(0, dtype=np.bool_)
    missing = np.isnan(cut_off) & known_wall & design.good("cut_off_level")
    for name in dict.fromkeys(wall[missing].tolist()):
        rows = np.flatnonzero(missing & (wall == name))
        expected = f"a level here, or cut_off in [levels] or [walls.{name}] of the site file"
        yield design.problem(int(rows[0]), "cut_off_level", f"blank{_more(rows.size)}", expected)
    for row in np.flatnonzero(toe >= cut_off).tolist():
        what = f"{_m(toe[row])} is not below the cut-off {_m(cut_off[row])}"
        yield design.problem(row, "toe_level", what, f"below {_m(cut_off[row])}")


def _walls_without_piles(design: Part, draft: Draft, settings: Settings) -> Iterator[Problem]:
    if not design.sound("wall", "status"):
        return
    there = set(design.columns["wall"][design.columns["status"] == PLANNED].tolist())
    for wall in settings.walls:
        if wall not in there:
            what = "no planned pile of this wall in the design table"
            yield draft.problem(("walls", wall), what, "at least one, or no such section")


def _lines(design: Part, settings: Settings) -> Iterator[_Line]:
    columns = design.columns
    for name, wall in settings.walls.items():
        rows = np.flatnonzero((columns["wall"] == name) & (columns["status"] == PLANNED))
        rows = rows[np.argsort(columns["position"][rows], kind="stable")]
        centres = np.column_stack([columns["easting"][rows], columns["northing"][rows]])
        yield _Line(name=name, closed=wall.closed, rows=rows, centres=centres - centres[:1])


def _check_line(design: Part, draft: Draft, line: _Line) -> Iterator[Problem]:
    if line.closed and 0 < len(line.rows) < 3:
        what = f"a closed wall of {len(line.rows)} planned pile{'s' if len(line.rows) > 1 else ''}"
        yield draft.problem(("walls", line.name, "closed"), what, "three or more, or closed = false")
        return
    ids = design.columns["pile_id"]
    step = np.roll(line.centres, -1, axis=0) - line.centres
    still = (step == 0.0).all(axis=1)
    if not line.closed:
        still[-1:] = False
    for place in np.flatnonzero(still).tolist():
        row, before = int(line.rows[(place + 1) % len(line.rows)]), int(line.rows[place])
        what = f"{ids[row]} stands at the same place as {ids[before]}, its neighbour"
        yield design.problem(row, "easting", what, "a centre of its own")
    if line.closed and len(line.rows) and not still.any():
        yield from _check_ring(design, line)


def _check_ring(design: Part, line: _Line) -> Iterator[Problem]:
    from shapely import LinearRing, Polygon, is_valid_reason

    ring = LinearRing(line.centres)
    if ring.is_simple:
        return
    numbers = [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?(?:e[+-]?\d+)?", is_valid_reason(Polygon(ring)))]
    near = np.array(numbers[-2:]) if len(numbers) >= 2 else line.centres[0]
    row = int(line.rows[np.argmin(((line.centres - near) ** 2).sum(axis=1))])
    what = (
        f"the ring of wall {line.name}, in the order of position, crosses itself near {design.columns['pile_id'][row]}"
    )
    yield design.problem(row, "position", what, "positions and centres that make a ring")


def _extra_joints(
    design: Part, draft: Draft, settings: Settings, lines: list[_Line], known: Mapping[str, int]
) -> Iterator[Problem]:
    pairs = [(wall, place, pair) for wall, own in settings.walls.items() for place, pair in enumerate(own.extra_joints)]
    if not pairs:
        return
    suggest = NearestIds(list(known))
    neighbours = _neighbours(design, lines)
    seen: set[frozenset[str]] = set()
    rows = np.flatnonzero(design.columns["status"] == _STATUSES.index("omitted"))
    omitted = set(design.columns["pile_id"][rows].tolist())
    for wall, place, pair in pairs:
        path = ("walls", wall, "extra_joints", place)
        unknown = [name for name in dict.fromkeys(pair) if name not in known]
        for name in unknown:
            yield draft.problem(path, f"unknown pile {short(name)}", suggest.expected(name))
        both = frozenset(pair)
        if len(both) == 1:
            yield draft.problem(path, f"{short(pair[0])} twice", "two different piles")
        elif any(name in omitted for name in pair):
            gone = ", ".join(name for name in pair if name in omitted)
            yield draft.problem(path, f"{gone} is omitted", "piles that are built")
        elif both in seen:
            yield draft.problem(path, f"{pair[0]} and {pair[1]} are there already", "each pair once")
        elif both in neighbours:
            yield draft.problem(path, f"{pair[0]} and {pair[1]} are neighbours already", "other pairs")
        seen.add(both)


def _neighbours(design: Part, lines: list[_Line]) -> set[frozenset[str]]:
    found: set[frozenset[str]] = set()
    for line in lines:
        ids = design.columns["pile_id"][line.rows].tolist()
        after = ids[1:] + (ids[:1] if line.closed else [])
        found.update(frozenset(pair) for pair in zip(ids, after, strict=False))
    return found


def _at(design: Part, row: int) -> str:
    return f"{'feature' if design.feature else 'line'} {design.lines[row]}"


def _m(level: float) -> str:
    return f"{level:.10g}"


def _more(count: int) -> str:
    return "" if count == 1 else f", as in {count - 1} more row{'s' if count > 2 else ''}"


def check_outline(outline: Any, design: Part, files: Sequence[InputFile]) -> Iterator[Problem]:
    """Yield a clear outline that lies nowhere near the piles: it is in other coordinates."""
    if outline is None or not len(design) or not design.sound("easting", "northing"):
        return
    from shapely import box

    e, n = design.columns["easting"], design.columns["northing"]
    apart = float(outline.distance(box(e.min(), n.min(), e.max(), n.max())))
    if apart > FARTHEST_OUTLINE_M:
        path = next(file.path for file in files if file.table == "clear_outline")
        what = f"lies {apart:.0f} m from the design piles"
        yield Problem(file=path, text=what, expected="site-grid coordinates, as theirs")
