"""The tables of what must be looked at first: order, figures, what is left out, width."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import click
import numpy as np
import pytest

from asbuilt.columns import VERDICTS
from asbuilt.commands.worst import names_lines, worst_joints, worst_piles
from asbuilt.model import Joints, Piles

if TYPE_CHECKING:
    from collections.abc import Iterable

NAN = float("nan")
W, U, N, X = (VERDICTS.index(word) for word in ("within", "unresolved", "not surveyed", "outside"))


def plain(lines: Iterable[str]) -> list[str]:
    """Return the lines without their colours."""
    return [click.unstyle(line) for line in lines]


def joints(*rows: dict) -> Joints:
    """Joints with the columns that the table needs; what a row leaves out is not measured."""
    figures = ("least_overlap_mm", "least_level", "lost_level", "open_level", "sure_level")
    columns = {name: np.array([row.get(name, NAN) for row in rows]) for name in figures}
    columns["joint_id"] = np.array([row.get("joint_id", f"P{k}~P{k + 1}") for k, row in enumerate(rows)], dtype=object)
    columns["verdict"] = np.array([row["verdict"] for row in rows], dtype=np.int8)
    columns["levels_known"] = np.array([row.get("levels_known", True) for row in rows])
    columns["reasons"] = np.array([row.get("reasons", "") for row in rows], dtype=object)
    place = np.arange(len(rows))
    toe = np.array([row.get("toe_level", NAN) for row in rows])
    return Joints(columns=columns, a=place, b=place + 1, required=np.full(len(rows), 0.05), toe_level=toe)


def measured(verdict: int, least: float, **more: object) -> dict:
    return {"verdict": verdict, "least_overlap_mm": least, "least_level": -9.5, **more}


def test_the_gravest_come_first_and_within_never():
    rows = [measured(W, 120), measured(U, 60), measured(X, 20), {"verdict": N, "levels_known": False}, measured(X, -30)]
    lines = plain(worst_joints(joints(*rows)))
    assert [line.split()[0] for line in lines[3:]] == ["X", "P4~P5", "P2~P3", "N", "U", "P1~P2"]
    assert lines[3] == "  X outside (2)"
    assert lines[6] == "  N not surveyed (1)  P3~P4"


def test_figures_stand_under_their_heads():
    row = measured(X, -30, lost_level=-1.0, open_level=-6.52, sure_level=-0.5)
    lines = plain(worst_joints(joints(row)))
    assert lines[2].split() == ["mm", "of", "at", "lost", "open", "not", "sure"]
    assert lines[4].split() == ["P0~P1", "-30", "50", "-9.50", "-1.00", "-6.52", "-0.50"]
    ends = [lines[2].index(word) + len(word) for word in ("mm", "of", "at", "lost", "open", "not sure")]
    assert all(lines[4][end - 1].isdigit() and lines[4][end : end + 1] in ("", " ") for end in ends)


def test_no_rounding_hides_that_an_overlap_falls_short():
    lines = plain(worst_joints(joints(measured(X, 49.97, lost_level=-9.5))))
    assert lines[4].split()[1:3] == ["49.97", "50"]


def test_a_joint_that_is_outside_by_its_toe_says_so():
    lines = plain(worst_joints(joints(measured(X, 160, toe_level=-8.8, sure_level=-8.8))))
    assert lines[5].strip() == "a toe as built ends at -8.80: open below it"


def test_what_was_not_measured_downwards_is_told_in_words():
    row = {"verdict": X, "levels_known": False, "reasons": "gap 6.9 mm at +3.20, P1: no lean reading"}
    lines = plain(worst_joints(joints(row)))
    assert lines[4].split(maxsplit=1) == ["P0~P1", "gap 6.9 mm at +3.20, P1: no lean reading"]


def test_more_than_eight_are_counted():
    lines = plain(worst_joints(joints(*(measured(X, -k) for k in range(11)))))
    assert lines[4].split()[:2] == ["P10~P11", "-10"]
    assert lines[-1] == "    … and 3 more, see joints.csv"
    assert len(lines) == 4 + 8 + 1


def test_a_wall_without_trouble_has_no_table():
    assert plain(worst_joints(joints(measured(W, 120)))) == []


def test_the_longest_ids_keep_to_eighty_columns():
    name = "~".join(["W" * 24] * 2)
    rows = [
        measured(X, -1234.5, joint_id=name, lost_level=-10.0, open_level=-20.0, sure_level=-9.0, toe_level=-30.0),
        {"verdict": N, "joint_id": name, "levels_known": False},
    ]
    lines = plain(worst_joints(joints(*rows)))
    assert max(map(len, lines)) <= 80
    assert lines[4] == "    " + name


def piles(*rows: dict) -> Piles:
    """Piles with the columns that the table needs."""
    figures = (
        *("offset_mm", "allowed_mm", "plan_of_allowed_percent"),
        *("incline_mm_per_m", "allowed_mm_per_m", "vertical_of_allowed_percent"),
        *(
            "worst_towards_pit_mm",
            "worst_towards_pit_level",
            "face_inside_mm",
            "encroach_of_allowed_percent",
            "toe_level",
        ),
    )
    columns = {name: np.array([row.get(name, NAN) for row in rows]) for name in figures}
    for name in ("verdict", "plan_verdict", "vertical_verdict", "encroach_verdict", "toe_verdict"):
        columns[name] = np.array([row.get(name, -1) for row in rows], dtype=np.int8)
    columns["pile_id"] = np.array([f"P{k}" for k in range(len(rows))], dtype=object)
    none = np.full(len(rows), NAN)
    return Piles(
        columns=columns,
        centre_e=none,
        centre_n=none,
        design_e=none,
        design_n=none,
        radius=none,
        along_e=none,
        along_n=none,
        pit_e=none,
        pit_n=none,
        set_out_e=none,
        set_out_n=none,
        cov=np.full((len(rows), 3), NAN),
        expected=np.array([row.get("expected", True) for row in rows]),
        side=np.zeros(len(rows), dtype=np.int64),
    )


PLAN = {"verdict": X, "plan_verdict": X, "offset_mm": 31.0, "allowed_mm": 25.0, "plan_of_allowed_percent": 124.0}


def test_each_check_has_its_letter_and_its_figure():
    row = {
        **PLAN,
        "vertical_verdict": W,
        "incline_mm_per_m": 2.04,
        "allowed_mm_per_m": 5.0,
        "encroach_verdict": U,
        "worst_towards_pit_mm": 48.2,
        "worst_towards_pit_level": -8.0,
        "toe_verdict": N,
    }
    lines = plain(worst_piles(piles(row), clear_mm=0.0))
    assert lines[4].split() == [
        "P0",
        "X",
        "31",
        "of",
        "25",
        "W",
        "2.0",
        "of",
        "5.0",
        "U",
        "48",
        "at",
        "-8.00",
        "N",
        "-",
    ]


def test_large_figures_keep_two_blanks_between_cells():
    row = {
        **PLAN,
        "offset_mm": 7919604.0,
        "vertical_verdict": W,
        "incline_mm_per_m": 1234567.8,
        "allowed_mm_per_m": 5.0,
        "encroach_verdict": U,
        "worst_towards_pit_mm": 79196048.0,
        "worst_towards_pit_level": -8.0,
    }
    line = plain(worst_piles(piles(row), clear_mm=0.0))[4]
    assert "  X 7919604 of 25  W 1234567.8 of 5.0  U 79196048 at -8.00  -" in line
    lines = plain(worst_joints(joints(measured(X, -123456789.0, least_level=-123456789.0, lost_level=-123456789.0))))
    assert re.split(" {2,}", lines[4].strip()) == ["P0~P1", "-123456789", "50", *["-123456789.00"] * 2, "-", "-"]


def test_the_longest_name_on_its_line_keeps_two_blanks():
    lines = plain(worst_joints(joints(measured(X, -1234, joint_id="A" * 19))))
    assert lines[4].startswith("    " + "A" * 19 + "  -1234  ")
    lines = plain(worst_joints(joints(measured(X, -1234, joint_id="A" * 20))))
    assert lines[4] == "    " + "A" * 20


def test_a_check_that_is_not_made_has_no_letter():
    lines = plain(worst_piles(piles(PLAN), clear_mm=0.0))
    assert lines[4].split() == ["P0", "X", "31", "of", "25", "-", "-", "-", "-"]


def test_a_face_inside_the_clear_outline_goes_before_the_movement():
    row = {"verdict": X, "encroach_verdict": X, "face_inside_mm": 43.0, "worst_towards_pit_mm": 10.0}
    assert "X 43 in outline" in plain(worst_piles(piles(row), clear_mm=0.0))[4]
    assert "X 10 at" in plain(worst_piles(piles({**row, "worst_towards_pit_level": 1.0}), clear_mm=50.0))[4]


def test_the_most_used_tolerance_comes_first_and_omitted_piles_never():
    rows = [
        {**PLAN, "plan_of_allowed_percent": 110.0},
        {"verdict": X, "vertical_verdict": X, "vertical_of_allowed_percent": 300.0},
        {"verdict": X, "toe_verdict": X},
        {**PLAN, "plan_of_allowed_percent": 900.0, "expected": False},
    ]
    lines = plain(worst_piles(piles(*rows), clear_mm=0.0))
    assert [line.split()[0] for line in lines[3:]] == ["X", "P1", "P0", "P2"]
    assert lines[3] == "  X outside (3)"


@pytest.mark.parametrize(("count", "tail"), [(3, "A A A"), (300, "… and 189 more, see joints.csv")])
def test_many_names_are_cut_and_counted(count, tail):
    lines = list(names_lines("  N not surveyed", ["A"] * count, file="joints.csv"))
    assert lines[-1].strip().endswith(tail)
    assert max(map(len, lines)) <= 80
