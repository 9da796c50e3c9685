"""What a decision is bound to: a hash of the inputs of one item's checks.

It covers the rows that govern, the design rows, the settings that the checks use, and :data:`METHOD`; never a figure
that was worked out. So it stays the same on every machine, and changes when an input of this item changes, and not
when only another item's does. Where it cannot be told cheaply whether an input matters it is taken to.
"""

from __future__ import annotations

import hashlib
import json
import math
from functools import cache, cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from asbuilt.columns import KINDS, TABLES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from asbuilt.compute.records import GoverningRecords
    from asbuilt.model import Finding, Integers, Joints, Survey, Table

__all__ = ["METHOD", "Evidence"]

METHOD = 1
"""Version of the method. Raised only when the same inputs can give other figures: then every decision lapses."""

#: Columns of an input row that a check can depend on. Who measured, names of shots and notes are left out.
_USED = {
    "design": (
        "pile_id",
        "wall",
        "position",
        "kind",
        "easting",
        "northing",
        "diameter_mm",
        "cut_off_level",
        "toe_level",
        "status",
    ),
    "pickups": ("attempt", "easting", "northing", "level", "shot", "object", "surveyed_at", "sigma_mm"),
    "tilts": (
        "attempt",
        "read_at",
        "from_level",
        "depth",
        "tilt_a",
        "tilt_b",
        "unit",
        "bearing_a_deg",
        "bearing_b_deg",
        "sense",
    ),
    "profiles": ("attempt", "read_at", "from_level", "depth", "off_e_mm", "off_n_mm"),
}
_COLUMNS = {name: tuple(TABLES[name].column(one) for one in used) for name, used in _USED.items()}
#: Keys of ``[tolerance]`` and of ``[decide]`` that the checks of a joint, and those of a pile, use; ``verticality``
#: only of the kinds at hand.
_JOINT_KEYS = (("overlap_mm", "chord_mm", "toe_mm"), ("joint",))
_PILE_KEYS = (
    (
        "plan_mm",
        "plan_growth_mm_per_m",
        "encroach_mm",
        "encroach_growth_mm_per_m",
        "clear_mm",
        "overbreak_mm",
        "toe_mm",
    ),
    ("plan", "vertical", "toe", "encroach"),
)
#: Sections that a finding about a pile or a joint can come from, beside those of its checks.
_FINDING_SECTIONS = ("levels", "tolerance", "uncertainty", "sequence")
_LOADS = ("pickups", "tilts", "profiles", "records")
_ADDED = TABLES["design"].column("status").choices.index("added")


class Evidence:
    """Hash of the inputs of any pile, joint or finding.

    Parameters
    ----------
    survey
        The survey as read.
    rows
        Gives the tables ``pickups``, ``tilts``, ``profiles``: rows that govern, and no others. Asked when needed.
    record, attempt
        Governing records, and attempts (n,).
    joints
        All joints: who is tied to whom.
    findings
        All findings of the run.
    """

    def __init__(
        self,
        *,
        survey: Survey,
        rows: Callable[[], Mapping[str, Table]],
        record: GoverningRecords,
        attempt: Integers,
        joints: Joints,
        findings: Sequence[Finding],
    ) -> None:
        self._survey, self._give, self._record, self._attempt = survey, rows, record, attempt
        self._joints, self._findings = joints, findings
        # Each pile is asked for by its joints too.
        self._pile, self._design = cache(self._hash_of_pile), cache(self._design_text)
        self._settings = cache(self._hash_of_settings)

    # Most runs ask for no item's evidence: nothing is sorted before one does.

    @cached_property
    def _rows(self) -> Mapping[str, Table]:
        return self._give()

    @cached_property
    def _place(self) -> dict[str, int]:
        return {name: k for k, name in enumerate(self._survey.design["pile_id"].tolist())}

    @cached_property
    def _joint(self) -> dict[str, int]:
        return {name: k for k, name in enumerate(self._joints["joint_id"].tolist())}

    @cached_property
    def _ids(self) -> frozenset[str]:
        return frozenset(finding.id for finding in self._findings)

    @cached_property
    def _of_pile(self) -> dict[str, Callable[[int], Integers]]:
        return {name: _by_pile(table, len(self._survey.design)) for name, table in self._rows.items()}

    @cached_property
    def _neighbours(self) -> list[list[int]]:
        return _tied(len(self._survey.design), self._joints.a, self._joints.b)

    @cached_property
    def _outline(self) -> str | None:
        """The clear outline as it was read; a file may hold more than it."""
        outline = self._survey.clear_outline
        if outline is None:
            return None
        return hashlib.sha256(shapely.to_wkb(outline, byte_order=1, output_dimension=2)).hexdigest()

    def of(self, item: str) -> str | None:
        """Return the hash of an item's inputs: SHA-256 in hexadecimal; None where there is no such item."""
        if item in self._place:
            found = self._of_one_pile(self._place[item])
        elif item in self._joint:
            found = self._of_one_joint(self._joint[item])
        elif item in self._ids:
            found = self._of_finding(item)
        else:
            return None
        return _hash({"method": METHOD, **found})

    def _of_one_pile(self, pile: int) -> dict[str, Any]:
        return {
            "piles": [self._pile(pile)],
            "beside": self._beside([pile]),
            "outline": self._outline,
            # Below the commencing surface the plan tolerance grows.
            "commence": self._survey.settings.levels.commence,
            "settings": self._settings(_PILE_KEYS, "formation", *self._walls_and_kinds([pile])),
        }

    def _of_one_joint(self, joint: int) -> dict[str, Any]:
        pair = self._pair(joint)
        return {
            "piles": [self._pile(pile) for pile in pair],
            # A reading without a bearing is turned by the direction of the wall, that is by the neighbours' design.
            "beside": self._beside([pile for pile in pair if self._turned_by_wall(pile)]),
            "shared_setup": self._shared_setup(pair),
            "settings": self._settings(_JOINT_KEYS, "interlock_to", *self._walls_and_kinds(pair)),
        }

    def _of_finding(self, item: str) -> dict[str, Any]:
        """Bind a finding to its item and to the files that it can have come from, whole."""
        mine = [finding for finding in self._findings if finding.id == item]
        files = {file.path: file.sha256 for file in self._survey.files}
        named = {files[finding.file] for finding in mine if finding.file in files}
        about = mine[0].item
        s = self._survey.settings
        if about not in self._place and about not in self._joint:
            named |= {file.sha256 for file in self._survey.files if file.table in ("design", "control")}
            settings: Any = list(map(list, s.rows()))
        else:
            piles = [self._place[about]] if about in self._place else self._pair(self._joint[about])
            # The sequence of a pile is that of its neighbours too.
            near = {*piles, *(k for pile in piles for k in self._neighbours[pile])}
            named |= self._files_on(near)
            settings = {section: getattr(s, section).model_dump() for section in _FINDING_SECTIONS}
        return {
            "finding": [mine[0].kind, about],
            "item": self.of(about) if about in self._place or about in self._joint else None,
            "files": sorted(named),
            "settings": settings,
        }

    def _files_on(self, piles: Iterable[int]) -> set[str]:
        """Return the hashes of the loads that have rows on the piles."""
        places: set[int] = set()
        for name in _LOADS:
            table: Table = getattr(self._survey, name)
            places.update(table.file[np.isin(table.pile, list(piles))].tolist())
        return {self._survey.files[place].sha256 for place in places}

    def _pair(self, joint: int) -> list[int]:
        return [int(self._joints.a[joint]), int(self._joints.b[joint])]

    def _beside(self, piles: Iterable[int]) -> list[tuple[str, ...]]:
        """Return the design rows that give the piles their directions along the wall and towards the pit.

        An added pile has those of the pile that it is tied to, which has them from its own neighbours.
        """
        status = self._survey.design["status"]
        found: set[int] = set()
        todo, done = list(piles), set()
        while todo:
            pile = todo.pop()
            done.add(pile)
            found.update(self._neighbours[pile])
            if status[pile] == _ADDED:
                todo += [k for k in self._neighbours[pile] if k not in done]
        return sorted(self._design(k) for k in found)

    def _hash_of_pile(self, pile: int) -> str:
        toe, casing = self._record.toe_level[pile], self._record.casing_od_mm[pile]
        return _hash(
            {
                "design": self._design(pile),
                "attempt": int(self._attempt[pile]),
                "toe_level": _number(float(toe)),
                "casing_od_mm": _number(float(casing)),
                **{
                    name: sorted(_cells_of(table, name, self._of_pile[name](pile)))
                    for name, table in self._rows.items()
                },
            }
        )

    def _design_text(self, pile: int) -> tuple[str, ...]:
        return _cells_of(self._survey.design, "design", np.array([pile]))[0]

    def _shared_setup(self, pair: list[int]) -> bool:
        """Tell whether both centres were shot from one set-up, whatever it is called: then its error cancels."""
        setup = self._rows["pickups"]["setup"]
        one, other = (set(setup[self._of_pile["pickups"](pile)].tolist()) for pile in pair)
        return not one.isdisjoint(other)

    def _turned_by_wall(self, pile: int) -> bool:
        rows = self._of_pile["tilts"](pile)
        return bool(np.isnan(self._rows["tilts"]["bearing_a_deg"][rows]).any())

    def _walls_and_kinds(self, piles: list[int]) -> tuple[tuple[str, ...], tuple[int, ...]]:
        design = self._survey.design
        walls, kinds = ({design[name][pile] for pile in piles} for name in ("wall", "kind"))
        return tuple(sorted(walls)), tuple(sorted(int(kind) for kind in kinds))

    def _hash_of_settings(
        self,
        keys: tuple[tuple[str, ...], tuple[str, ...]],
        level: str,
        walls: tuple[str, ...],
        kinds: tuple[int, ...],
    ) -> str:
        s = self._survey.settings
        named = [KINDS[kind] for kind in kinds]
        return _hash(
            {
                "confidence": s.site.confidence,
                "tolerance": {key: getattr(s.tolerance, key) for key in keys[0]},
                "verticality": {kind: s.tolerance.verticality.get(kind) for kind in named},
                "decide": {key: getattr(s.decide, key) for key in keys[1]},
                "uncertainty": s.uncertainty.model_dump(),
                "readings": s.readings.model_dump(),
                "walls": {
                    wall: [s.walls[wall].closed, s.walls[wall].pit_side, s.wall_level(wall, level)]  # type: ignore[arg-type]
                    for wall in walls
                    if wall in s.walls
                },
            }
        )


def _hash(found: Mapping[str, Any]) -> str:
    text = json.dumps(found, ensure_ascii=False, separators=(",", ":"), sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()


def _by_pile(table: Table, count: int) -> Callable[[int], Integers]:
    """Return what gives the rows of a pile."""
    order = np.argsort(table.pile, kind="stable")
    start = np.searchsorted(table.pile[order], np.arange(count + 1))
    return lambda pile: order[start[pile] : start[pile + 1]].astype(np.int64)


def _tied(count: int, a: Integers, b: Integers) -> list[list[int]]:
    neighbours: list[list[int]] = [[] for _ in range(count)]
    for one, other in zip(a.tolist(), b.tolist(), strict=True):
        neighbours[one].append(other)
        neighbours[other].append(one)
    return neighbours


def _cells_of(table: Table, name: str, rows: Integers) -> list[tuple[str, ...]]:
    """Return rows as text, cell by cell."""
    if not len(rows):
        return []
    columns = []
    for column in _COLUMNS[name]:
        values = table[column.name][rows]
        if column.kind == "choice":
            columns.append([column.choices[code] if code >= 0 else "" for code in values.tolist()])
        elif column.kind == "time":
            columns.append([str(value) for value in values.astype("datetime64[ms]")])
        elif column.kind in ("text", "id"):
            columns.append([value or "" for value in values.tolist()])
        else:
            columns.append([_number(value) for value in values.astype(np.float64).tolist()])
    return list(zip(*columns, strict=True))


def _number(value: float) -> str:
    """Return a number as text, "" for none; 2 and 2.0 are one number, and so are 0.0 and -0.0."""
    return "" if math.isnan(value) else repr(value + 0.0)
