"""What a decision is bound to: which inputs change an item's hash, and which do not; figures then and now."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pytest
from builders import Site, random_site, site_file, straight_wall, to_survey

from asbuilt import provenance
from asbuilt.compute import evidence as module
from asbuilt.reconcile import reconcile

DAY = "2025-03-05T12:00"


def wall(**changes) -> Site:
    """Return a wall of seven piles, six of them surveyed; P4 has a profile, P5 readings that state their bearing."""
    design = straight_wall(7, e0=100.0, n0=200.0)
    pickups = [
        {
            "pile_id": row["pile_id"],
            "point": f"S{k}",
            "easting": row["easting"] + 0.002 * k,
            "northing": row["northing"] - 0.001 * k,
            "level": 3.3,
            "surveyed_at": DAY,
            "setup": "A" if k < 3 else "B",
        }
        for k, row in enumerate(design[:6])
    ]
    tilts = [
        {
            "pile_id": pile,
            "read_at": f"2025-03-03T{9 + k:02d}:00",
            "depth": 6.0 * (k + 1),
            "tilt_a": 0.5 + k,
            "tilt_b": -0.4,
            "unit": "mm/m",
            "bearing_a_deg": 10.0 if pile == "P5" else None,
        }
        for pile in ("P1", "P2", "P3", "P5", "P6")
        for k in range(2)
    ]
    profiles = [
        {"pile_id": "P4", "read_at": "2025-03-03T15:00", "depth": 4.0 * k, "off_e_mm": 1.0 * k, "off_n_mm": 0.5 * k}
        for k in range(4)
    ]
    records = [{"pile_id": f"P{k}", "drilled_at": "2025-03-02T09:00", "toe_level": -12.0} for k in range(1, 7)]
    settings = {"more_tolerance": "toe_mm = 100\nencroach_mm = 50\nclear_mm = 5", **changes}
    outline = [(99.0, 200.6), (106.0, 200.6), (106.0, 210.0), (99.0, 210.0)]
    return Site(
        toml=site_file(**settings),
        design=design,
        pickups=pickups,
        tilts=tilts,
        profiles=profiles,
        records=records,
        outline=outline,
    )


def hashes(site: Site) -> dict[str, str | None]:
    result = reconcile(to_survey(site))
    items = [*result.piles["pile_id"].tolist(), *result.joints["joint_id"].tolist()]
    return {item: result.evidence(item) for item in items}


def changed(before: Site, after: Site) -> set[str]:
    old, new = hashes(before), hashes(after)
    return {item for item in old.keys() & new.keys() if old[item] != new[item]}


def rows_of(site: Site, table: str, pile: str):
    return [row for row in getattr(site, table) if row["pile_id"] == pile]


def edited(table: str, pile: str, **cells) -> Site:
    """Return the wall with cells of the first row of a pile changed."""
    site = copy.deepcopy(wall())
    rows_of(site, table, pile)[0].update(cells)
    return site


OF_P3 = {"P3", "P2~P3", "P3~P4"}
EVERY_PILE = {f"P{k}" for k in range(1, 8)}
EVERY_JOINT = {f"P{k}~P{k + 1}" for k in range(1, 7)}
EVERY = EVERY_PILE | EVERY_JOINT


def test_every_pile_joint_and_finding_has_a_hash_of_its_own():
    result = reconcile(to_survey(random_site(3)))
    items = [
        *result.piles["pile_id"].tolist(),
        *result.joints["joint_id"].tolist(),
        *dict.fromkeys(finding.id for finding in result.findings),
    ]
    found = [result.evidence(item) for item in items]
    assert len(set(found)) == len(items) > 20
    assert {len(one) for one in found} == {64}


@pytest.mark.parametrize("item", ["P99", "P1~P3", "P2~P1", "drift:P1", ""])
def test_what_is_not_there_has_none(item):
    assert reconcile(to_survey(wall())).evidence(item) is None


# ------------------------------------------------------------------------------------- what changes a hash


@pytest.mark.parametrize(
    ("table", "pile", "cells", "lapses"),
    [
        ("pickups", "P3", {"easting": 101.6}, OF_P3),
        ("pickups", "P3", {"northing": 200.01}, OF_P3),
        ("pickups", "P3", {"level": 3.31}, OF_P3),
        ("pickups", "P3", {"sigma_mm": 4.0}, OF_P3),
        ("pickups", "P3", {"shot": "edge"}, OF_P3),
        ("pickups", "P3", {"object": "trimmed"}, OF_P3),
        ("pickups", "P3", {"attempt": 2}, OF_P3),
        ("tilts", "P3", {"tilt_a": 0.6}, OF_P3),
        ("tilts", "P3", {"tilt_b": -0.5}, OF_P3),
        ("tilts", "P3", {"depth": 6.5}, OF_P3),
        ("tilts", "P3", {"unit": "%"}, OF_P3),
        ("tilts", "P3", {"sense": "toe"}, OF_P3),
        ("tilts", "P3", {"from_level": 3.9}, OF_P3),
        ("tilts", "P3", {"bearing_a_deg": 0.0}, OF_P3),
        ("tilts", "P3", {"bearing_b_deg": 270.0}, OF_P3),
        ("tilts", "P3", {"attempt": 2}, OF_P3),
        ("profiles", "P4", {"off_e_mm": 0.1}, {"P4", "P3~P4", "P4~P5"}),
        ("profiles", "P4", {"off_n_mm": 0.1}, {"P4", "P3~P4", "P4~P5"}),
        ("profiles", "P4", {"depth": 0.5}, {"P4", "P3~P4", "P4~P5"}),
        ("profiles", "P4", {"from_level": 3.9}, {"P4", "P3~P4", "P4~P5"}),
        ("records", "P3", {"toe_level": -11.9}, OF_P3),
        ("records", "P3", {"casing_od_mm": 870.0}, OF_P3),
        ("records", "P3", {"attempt": 2}, OF_P3),
    ],
    ids=lambda value: "-".join(value) if isinstance(value, dict) else None,
)
def test_a_row_of_a_pile_changes_that_pile_and_its_joints_and_no_other(table, pile, cells, lapses):
    assert changed(wall(), edited(table, pile, **cells)) == lapses


@pytest.mark.parametrize(
    "cells",
    [
        {"easting": 101.51},
        {"diameter_mm": 900.0},
        {"toe_level": -11.5},
        {"cut_off_level": 3.1},
        {"kind": "other"},
        {"position": 3.0},
    ],
    ids=lambda cells: next(iter(cells)),
)
def test_a_design_row_changes_its_pile_and_joints_and_what_is_directed_by_it(cells):
    if "position" in cells:
        # The same number otherwise written is the same.
        assert changed(wall(), edited("design", "P3", **cells)) == set()
        return
    # Readings of P2 state no bearing: P3 helps to say where the pit is. P4 has none, only a profile.
    assert changed(wall(), edited("design", "P3", **cells)) == {*OF_P3, "P2", "P4", "P1~P2"}


def test_a_neighbour_moved_changes_no_joint_whose_readings_state_their_bearing():
    site = wall()
    for row in site.tilts:
        row["bearing_a_deg"] = 0.0
    after = copy.deepcopy(site)
    after.design[2]["easting"] += 0.01
    assert changed(site, after) == {*OF_P3, "P2", "P4"}


def test_the_piles_beside_an_added_pile_are_those_that_direct_it():
    walls = '[walls.A]\nclosed = false\npit_side = "left"\nextra_joints = [["X1", "P3"]]'
    site = wall(walls=walls)
    site.design.append(
        {"pile_id": "X1", "wall": "A", "kind": "other", "easting": 101.5, "northing": 199.4, "diameter_mm": 880.0}
        | {"toe_level": -12.0, "status": "added"}
    )
    reading = {"pile_id": "X1", "read_at": "2025-03-03T09:00", "depth": 9.0, "tilt_a": 1.0, "tilt_b": 0, "unit": "mm/m"}
    site.tilts.append(reading)
    after = copy.deepcopy(site)
    # X1 has the directions of P3, and they come from P2 and P4.
    after.design[3]["northing"] += 0.05
    assert {"X1", "X1~P3"} <= changed(site, after)


def test_centres_of_one_set_up_are_another_evidence_than_of_two():
    # P3 and P4 are shot from two set-ups, P2 and P3 from one.
    assert changed(wall(), edited("pickups", "P3", setup="B")) == {"P2~P3", "P3~P4"}


def test_what_a_set_up_is_called_does_not_matter():
    site = wall()
    for row in site.pickups:
        row["setup"] = {"A": "north", "B": "south"}[row["setup"]]
    assert changed(wall(), site) == set()


@pytest.mark.parametrize(
    ("settings", "lapses"),
    [
        ({"confidence": 0.9}, EVERY),
        ({"pickup_mm": 6}, EVERY),
        ({"setup_mm": 4}, EVERY),
        ({"radius_mm": 4}, EVERY),
        ({"tilt_mm_per_m": 1.5}, EVERY),
        ({"tilt_systematic_mm_per_m": 0.4}, EVERY),
        ({"wander_mm_per_m": 0.2}, EVERY),
        ({"profile_mm": 3}, EVERY),
        ({"profile_mm_per_m": 0.2}, EVERY),
        ({"axis": "stepped"}, EVERY),
        ({"sense": "top"}, EVERY),
        ({"level_length_mm": 1000}, EVERY),
        ({"verticality": '"1:150"'}, EVERY),
        ({"plan_growth": 13.3}, EVERY_PILE),
        ({"formation": -7.0}, EVERY_PILE),
        ({"plan": "guarded"}, EVERY_PILE),
        ({"vertical": "guarded"}, EVERY_PILE),
        ({"encroach": "simple"}, EVERY_PILE),
        ({"more_tolerance": "toe_mm = 100\nencroach_mm = 45\nclear_mm = 5"}, EVERY_PILE),
        ({"more_tolerance": "toe_mm = 100\nencroach_mm = 50\nclear_mm = 4"}, EVERY_PILE),
        ({"more_tolerance": "toe_mm = 100\nencroach_mm = 50\nclear_mm = 5\noverbreak_mm = 10"}, EVERY_PILE),
        (
            {"more_tolerance": "toe_mm = 100\nencroach_mm = 50\nclear_mm = 5\nencroach_growth_mm_per_m = 1"},
            EVERY_PILE,
        ),
        ({"more_tolerance": "toe_mm = 90\nencroach_mm = 50\nclear_mm = 5"}, EVERY),
        ({"overlap_mm": 60}, EVERY_JOINT),
        ({"more_tolerance": "toe_mm = 100\nencroach_mm = 50\nclear_mm = 5\nchord_mm = 300"}, EVERY_JOINT),
        ({"interlock_to": -9.0}, EVERY_JOINT),
        ({"joint": "simple"}, EVERY_JOINT),
        ({"cut_off": 3.1}, EVERY),
        # Depths count from it, and the plan tolerance grows below it.
        ({"commence": 4.1}, EVERY_PILE | EVERY_JOINT),
        ({"walls": '[walls.A]\nclosed = false\npit_side = "right"'}, EVERY),
        # Used by no check of a pile or joint.
        ({"more_tolerance": "toe_mm = 100\nencroach_mm = 50\nclear_mm = 5\nradius_check_mm = 20"}, set()),
        ({"walls": '[sequence]\ncut_after_h = 3\n\n[walls.A]\nclosed = false\npit_side = "left"'}, set()),
    ],
    ids=lambda value: f"{len(value)} items" if isinstance(value, set) else str(value),
)
def test_a_setting_changes_what_uses_it(settings, lapses):
    assert changed(wall(), wall(**settings)) == lapses


def test_the_limit_of_another_kind_of_pile_does_not_matter():
    site = wall(verticality='{ primary = "1:200", secondary = "1:200" }')
    other = wall(verticality='{ primary = "1:150", secondary = "1:200" }')
    assert changed(site, other) == EVERY - {"P2", "P4", "P6"}


def test_levels_that_only_bound_what_is_plausible_do_not_matter():
    site = wall()
    site.toml = site.toml.replace("commence = 4.0\n", "commence = 4.0\nlowest = -30.0\nhighest = 8.0\n")
    assert changed(wall(), site) == set()


def test_the_clear_outline_changes_every_pile_and_no_joint():
    site = wall()
    site.outline = [*site.outline[:2], (107.0, 210.0), site.outline[3]]
    assert changed(wall(), site) == EVERY_PILE


def test_a_new_version_of_the_method_changes_all(monkeypatch):
    before = hashes(wall())
    monkeypatch.setattr(module, "METHOD", 2)
    after = hashes(wall())
    assert {item for item in before if before[item] != after[item]} == EVERY


def test_there_is_one_version_of_the_method():
    assert module.METHOD == provenance.METHOD_VERSION


# -------------------------------------------------------------------------------------- what does not change it


def test_the_names_of_files_and_the_order_of_rows_do_not_matter():
    site = wall()
    for table in ("design", "pickups", "tilts", "profiles", "records"):
        getattr(site, table).reverse()
        for row in getattr(site, table):
            row["file"] = f"{table}/another.csv"
    assert changed(wall(), site) == set()


def test_a_file_without_set_ups_is_one_whatever_it_is_called():
    one, other = wall(), wall()
    for site, name in ((one, "pickups/a.csv"), (other, "pickups/b.csv")):
        for row in site.pickups:
            row.pop("setup")
            row["file"] = name
    assert changed(one, other) == set()


@pytest.mark.parametrize(
    ("table", "cells"),
    [
        ("pickups", {"note": "wet", "code": "CSG", "surveyor": "Ann", "point": "Z9"}),
        ("tilts", {"reader": "Ann"}),
        ("records", {"rig": "Rig 7", "note": "slow", "concrete_m3": 9.9, "concreted_at": "2025-03-02T12:00"}),
    ],
)
def test_columns_that_no_check_uses_do_not_matter(table, cells):
    assert changed(wall(), edited(table, "P3", **cells)) == set()


def test_numbers_are_what_they_are_however_written():
    site = edited("records", "P3", toe_level=-12)
    site.pickups[0]["level"] = np.float64(3.30)
    assert changed(wall(), site) == set()


def test_rows_that_do_not_govern_do_not_matter():
    site = wall()
    older = {**rows_of(site, "pickups", "P3")[0], "surveyed_at": "2025-03-04T12:00", "easting": 101.4, "setup": "C"}
    face = {**older, "object": "face", "level": -1.0, "surveyed_at": "2025-04-04T12:00", "setup": "D"}
    site.pickups += [older, face]
    assert changed(wall(), site) == set()


def test_rows_of_an_attempt_given_up_do_not_matter():
    first, second = wall(), wall()
    for site in (first, second):
        for table in ("pickups", "tilts", "records"):
            for row in rows_of(site, table, "P3"):
                row["attempt"] = 2
    old = {**rows_of(first, "tilts", "P3")[0], "attempt": 1, "tilt_a": 30.0}
    second.tilts.append(old)
    assert changed(first, second) == set()


def test_an_approved_centre_does_not_matter():
    """Tolerances are kept against the design, wherever a pile was set out."""
    site = wall()
    site.set_out = [{"pile_id": "P3", "easting": 101.5, "northing": 200.01, "approved_by": "Ann", "at": DAY}]
    assert changed(wall(), site) == set()


def test_figures_worked_out_are_no_part_of_it():
    """Were the last digits of every result others, as on another machine, the hashes would be the same."""
    before = hashes(wall())
    result = reconcile(to_survey(wall()))
    inputs = ("position", "cut_off_level", "diameter_mm", "toe_level")
    for columns in (result.piles.columns, result.joints.columns):
        for name, values in columns.items():
            if values.dtype.kind == "f" and name not in inputs:
                values[:] = values + 1e-9
    assert {item: result.evidence(item) for item in before} == before


# ---------------------------------------------------------------------------------------------- findings


def finding_of(site: Site, kind: str):
    result = reconcile(to_survey(site))
    found = [finding.id for finding in result.findings if finding.kind == kind]
    return result, found[0]


def test_a_finding_on_a_pile_changes_with_the_pile_and_with_the_files_on_it():
    site = edited("tilts", "P3", tilt_a=9.0)
    result, item = finding_of(site, "drift")
    assert item == "drift:P3"
    survey = to_survey(site)
    renewed = [replace(one, sha256="f" * 64) if one.table == "tilts" else one for one in survey.files]
    assert reconcile(replace(survey, files=tuple(renewed))).evidence(item) != result.evidence(item)
    other = copy.deepcopy(site)
    rows_of(other, "records", "P3")[0]["toe_level"] = -11.99
    assert reconcile(to_survey(other)).evidence(item) != result.evidence(item)


def test_a_finding_on_the_whole_changes_with_any_setting():
    site = wall(pickup_mm=40)
    result, item = finding_of(site, "survey_too_poor")
    other = wall(pickup_mm=40)
    other.toml += "\n[set_out]\nplay_mm = 20\n"
    assert reconcile(to_survey(other)).evidence(item) not in (None, result.evidence(item))
