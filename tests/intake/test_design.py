"""The design table against itself and the site file."""

from __future__ import annotations

import numpy as np
import pytest

CSV = "design/piles.csv"
NO_PILE = "no planned pile of this wall in the design table, expected at least one, or no such section"
HEAD = "pile_id,wall,position,kind,easting,northing,diameter_mm,cut_off_level,toe_level,status\n"


def ring(points, *, start=1):
    return HEAD + "".join(
        f"P{n},A,{n},other,{500000 + e:.3f},{6000000 + n_:.3f},880,3.2,-12,planned\n"
        for n, (e, n_) in enumerate(points, start)
    )


def close_wall(folder):
    folder.change("site.toml", 'closed = false\npit_side = "left"', "closed = true")
    for name in ("pickups/day1.csv", "tilts/day1.csv", "profiles/log1.csv", "records/day1.csv"):
        folder.remove(name)
    return folder


def test_the_folder_is_good_as_it_stands(folder):
    design = folder.survey().design
    assert design["pile_id"].tolist() == ["P1", "P2", "P3", "P4"]
    assert design.pile.tolist() == [0, 1, 2, 3]
    assert design["position"].tolist() == [1.0, 2.0, 3.0, 4.0]


def test_duplicate_pile(folder):
    folder.change(CSV, "P3,A", "P2,A")
    assert folder.problems() == [
        "design/piles.csv:4: pile_id: 'P2' is there already, at line 3, expected an id of its own",
    ]


def test_unknown_wall(folder):
    folder.change(CSV, "P3,A,3", "P3,AB,3").change(CSV, "P4,A,4", "P4,west,4")
    assert folder.problems() == [
        "design/piles.csv:4: wall: unknown wall 'AB', expected perhaps A",
        "design/piles.csv:5: wall: unknown wall 'west', expected one of the walls of the site file: A",
    ]


def test_duplicate_position(folder):
    folder.change(CSV, "P4,A,4", "P4,A,2")
    assert folder.problems() == [
        "design/piles.csv:5: position: 2 of wall A is taken, at line 3, expected a place of its own"
    ]


def test_same_position_in_another_wall_is_fine(folder):
    folder.add("site.toml", '[walls.B]\nclosed = false\npit_side = "left"\n').change(CSV, "P4,A,4", "P4,B,2")
    assert folder.survey().design["position"].tolist() == [1, 2, 3, 2]


@pytest.mark.parametrize("status", ["planned", "omitted"])
def test_blank_position(folder, status):
    folder.change(CSV, "P4,A,4", "P4,A,").change(CSV, "planned\n", f"{status}\n", count=4)
    wall = [] if status == "planned" else [f"site.toml:10: walls.A: {NO_PILE}"]
    assert folder.problems() == [
        f"design/piles.csv:5: position: blank, expected the place along the wall of this {status} pile",
        *wall,
    ]


def test_added_pile_has_no_position(folder):
    folder.add(CSV, "X1,A,5,other,500003,6000001,880,3.2,-12,added\nX2,A,,other,500004,6000001,880,3.2,-12,added\n")
    assert folder.problems() == ["design/piles.csv:6: position: 5 for an added pile, expected nothing"]


def test_column_of_positions_missing(folder):
    text = "pile_id,wall,kind,easting,northing,diameter_mm,toe_level\nP1,A,other,500000,6000000,880,-12\n"
    folder.write(CSV, text)
    found = folder.problems()
    assert found[0] == "design/piles.csv:1: position: missing column, expected a column called position"
    assert not [line for line in found[1:] if line.startswith("design")]


def test_cut_off_from_wall_and_site(folder):
    folder.change(CSV, "880,3.20,", "880,,", count=4)
    assert folder.survey().design["cut_off_level"].tolist() == [3.2] * 4
    folder.change("site.toml", 'pit_side = "left"', 'pit_side = "left"\ncut_off = 2.9')
    assert folder.survey().design["cut_off_level"].tolist() == [2.9] * 4


def test_cut_off_missing_everywhere(folder):
    folder.change("site.toml", "cut_off = 3.20\n", "").change(CSV, "6000000.000,880,3.20", "6000000.000,880,", count=4)
    assert folder.problems() == [
        (
            "design/piles.csv:2: cut_off_level: blank, as in 3 more rows, "
            "expected a level here, or cut_off in [levels] or [walls.A] of the site file"
        )
    ]


def test_toe_not_below_cut_off(folder):
    folder.change(CSV, "500000.750,6000000.000,880,3.20,-12.00", "500000.750,6000000.000,880,3.20,3.2")
    assert folder.problems() == ["design/piles.csv:3: toe_level: 3.2 is not below the cut-off 3.2, expected below 3.2"]


def test_wall_without_planned_piles(folder):
    folder.add("site.toml", '[walls.B]\nclosed = false\npit_side = "left"\n')
    assert folder.problems() == [f"site.toml:21: walls.B: {NO_PILE}"]


def test_no_piles(folder):
    folder.write(CSV, HEAD)
    found = folder.problems()
    assert found[0] == "design/piles.csv: no piles, expected at least one"


@pytest.mark.parametrize(("count", "word"), [(1, "pile"), (2, "piles")])
def test_ring_of_too_few(folder, count, word):
    close_wall(folder).write(CSV, ring([(0, 0), (1, 0)][:count]))
    assert folder.problems() == [
        (
            f"site.toml:11: walls.A.closed: a closed wall of {count} planned {word}, "
            "expected three or more, or closed = false"
        )
    ]


def test_ring_that_crosses_itself(folder):
    close_wall(folder).write(CSV, ring([(0, 0), (2, 0), (2, 2), (0.1, -1), (0, 2)]))
    assert folder.problems() == [
        (
            "design/piles.csv:2: position: the ring of wall A, in the order of position, crosses itself near P1, "
            "expected positions and centres that make a ring"
        )
    ]


def test_ring_that_runs_back_on_itself(folder):
    close_wall(folder).write(CSV, ring([(0, 0), (1, 0), (2, 0)]))
    (line,) = folder.problems()
    assert "crosses itself near P" in line


def test_ring_leaves_omitted_and_added_piles_out(folder):
    text = ring([(0, 0), (2, 0), (2, 2), (0, 2)])
    text += "P5,A,5,other,500001,5999990,880,3.2,-12,omitted\nX,A,,other,500001,5999980,880,3.2,-12,added\n"
    close_wall(folder).write(CSV, text)
    assert len(folder.survey().design) == 6


def test_neighbours_at_one_place(folder):
    folder.change(CSV, "500000.750", "500000.000")
    assert folder.problems() == [
        "design/piles.csv:3: easting: P2 stands at the same place as P1, its neighbour, expected a centre of its own"
    ]


@pytest.mark.parametrize(
    ("pairs", "expected"),
    [
        ('[["P1", "P9"]]', "1: unknown pile 'P9', expected perhaps P1 or P2 or P3"),
        ('[["P1", "P1"]]', "1: 'P1' twice, expected two different piles"),
        ('[["P1", "P3"], ["P3", "P1"]]', "2: P3 and P1 are there already, expected each pair once"),
        ('[["P2", "P1"]]', "1: P2 and P1 are neighbours already, expected other pairs"),
    ],
)
def test_extra_joints(folder, pairs, expected):
    folder.change("site.toml", 'pit_side = "left"', f'pit_side = "left"\nextra_joints = {pairs}')
    assert folder.problems() == [f"site.toml:13: walls.A.extra_joints.{expected}"]


def test_an_extra_joint_to_an_omitted_pile_is_refused(folder):
    close_wall(folder).write(CSV, ring([(0, 0), (2, 0), (2, 2), (1, 2.1), (0, 2)]))
    lines = (folder.path / CSV).read_text(encoding="utf-8").splitlines()
    lines[2] = lines[2].replace("planned", "omitted")
    folder.write(CSV, "\n".join(lines) + "\n")
    folder.change("site.toml", "closed = true", 'closed = true\nextra_joints = [["P2", "P4"]]')
    assert folder.problems() == ["site.toml:12: walls.A.extra_joints.1: P2 is omitted, expected piles that are built"]


def test_ends_of_a_closed_wall_are_neighbours(folder):
    close_wall(folder).write(CSV, ring([(0, 0), (2, 0), (2, 2), (0, 2)]))
    folder.change("site.toml", "closed = true", 'closed = true\nextra_joints = [["P1", "P3"]]')
    assert len(folder.survey().design) == 4
    folder.change("site.toml", '"P3"', '"P4"')
    assert folder.problems() == [
        "site.toml:12: walls.A.extra_joints.1: P1 and P4 are neighbours already, expected other pairs"
    ]


def test_mapping_of_the_design_table(folder):
    folder.change(CSV, "pile_id,wall", "Pile,wall").add("site.toml", '[columns.design]\npile_id = "Pile"\n')
    assert folder.survey().design["pile_id"].tolist() == ["P1", "P2", "P3", "P4"]


def test_origin_is_whole_metres_near_the_mean(folder):
    origin = folder.survey().origin
    assert origin == (500001.0, 6000000.0)
    assert all(isinstance(value, float) for value in origin)


def test_level_outside_lowest_and_highest_is_no_error(folder):
    folder.change(CSV, "500000.000,6000000.000,880,3.20,-12.00", "500000.000,6000000.000,880,3.20,-55.00")
    assert np.min(folder.survey().design["toe_level"]) == -55.0
