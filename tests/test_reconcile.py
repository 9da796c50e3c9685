"""From a survey to what was found: which rows count at a date, moved piles, checks not asked for, odd walls."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from steps import logged, plumb_wall, record, shot, tilt, word

from asbuilt.columns import LAYERS, METHODS, PROGRESS, VERDICTS
from asbuilt.reconcile import newest_time, reconcile

FEW = {"pickup_mm": 1, "setup_mm": 0}


def at(moment):
    return np.datetime64(moment, "ms")


def reconciled(site, as_of=None):
    return reconcile(to_survey(site), as_of=None if as_of is None else at(as_of))


def pile(site, name, k=0, as_of=None):
    return reconciled(site, as_of).piles[name][k]


# ------------------------------------------------------------------------------------------ as of a date

EARLY, LATE = "2025-03-03T08:00", "2025-03-20T08:00"


def with_later(**tables):
    """A wall built as designed by 5 March, and rows of 20 March."""
    site = plumb_wall(**FEW)
    for name, rows in tables.items():
        getattr(site, name).extend(rows)
    return site


@pytest.mark.parametrize(
    ("as_of", "offset"), [(None, 20.0), ("2025-03-19T00:00", 0.0), (LATE, 20.0), ("2025-03-20T07:59:59.999", 0.0)]
)
def test_later_pickups_do_not_count(as_of, offset):
    site = with_later(pickups=[shot("P1", 0.02, 0.0, surveyed_at=LATE, setup="S2")])
    assert pile(site, "offset_mm", as_of=as_of) == pytest.approx(offset, abs=1e-6)


@pytest.mark.parametrize(("as_of", "lean"), [(None, 4.0), ("2025-03-19T00:00", 0.0)])
def test_later_readings_do_not_count(as_of, lean):
    site = with_later(tilts=[tilt("P1", 14.0, 4.0, read_at=LATE)])
    assert pile(site, "incline_mm_per_m", as_of=as_of) == pytest.approx(lean)


@pytest.mark.parametrize(("as_of", "lean"), [(None, 3.0), ("2025-03-19T00:00", 0.0)])
def test_later_profiles_do_not_count(as_of, lean):
    site = with_later(profiles=logged("P1", (0.0, 0.0, 0.0), (14.0, 42.0, 0.0), read_at=LATE))
    assert pile(site, "incline_mm_per_m", as_of=as_of) == pytest.approx(lean)


@pytest.mark.parametrize(("as_of", "verdict"), [(None, "outside"), ("2025-03-19T00:00", "not surveyed")])
def test_later_records_do_not_count(as_of, verdict):
    site = with_later(records=[record("P1", toe_level=-5.0, drilled_at=LATE, concreted_at=LATE)])
    assert word(pile(site, "toe_verdict", as_of=as_of)) == verdict


@pytest.mark.parametrize(("as_of", "progress"), [(None, "concreted"), ("2025-03-19T00:00", "drilled")])
def test_a_records_later_event_is_not_known_yet(as_of, progress):
    site = with_later(records=[record("P1", drilled_at=EARLY, concreted_at=LATE)])
    site.pickups = []
    assert PROGRESS[pile(site, "progress", as_of=as_of)] == progress


def test_a_records_earlier_event_keeps_its_toe():
    site = with_later(records=[record("P1", toe_level=-12.0, drilled_at=EARLY, concreted_at=LATE)])
    assert word(pile(site, "toe_verdict", as_of="2025-03-19T00:00")) == "within"


@pytest.mark.parametrize(("as_of", "count"), [(None, 1), ("2025-03-19T00:00", 0)])
def test_later_approvals_do_not_count(as_of, count):
    site = with_later(set_out=[{"pile_id": "P1", "easting": 0.01, "northing": 0.0, "approved_by": "N. N.", "at": LATE}])
    assert np.isfinite(reconciled(site, as_of).piles["offset_from_set_out_mm"]).sum() == count


@pytest.mark.parametrize(("as_of", "verdict"), [(None, "not surveyed"), ("2025-03-19T00:00", "within")])
def test_a_later_attempt_does_not_govern_yet(as_of, verdict):
    site = with_later(tilts=[tilt("P1", 3.0, read_at=LATE, attempt=2)])
    assert word(pile(site, "plan_verdict", as_of=as_of)) == verdict


@pytest.mark.parametrize(
    ("table", "rows"),
    [
        ("pickups", [shot("P1", 0, 0, surveyed_at=LATE)]),
        ("tilts", [tilt("P1", 3.0, read_at=LATE)]),
        ("profiles", logged("P1", (0, 0, 0), (1, 0, 0), read_at=LATE)),
        ("records", [record("P1", concreted_at=LATE)]),
        ("set_out", [{"pile_id": "P1", "easting": 0, "northing": 0, "approved_by": "N. N.", "at": LATE}]),
    ],
)
def test_by_default_it_is_as_of_the_newest_time_of_any_table(table, rows):
    assert reconciled(with_later(**{table: rows})).as_of == at(LATE)


def test_the_stated_date_is_kept():
    assert reconciled(plumb_wall(), EARLY).as_of == at(EARLY)


def test_without_any_time_there_is_no_newest():
    assert np.isnat(newest_time(to_survey(Site(toml=site_file(), design=straight_wall(2)))))


# ------------------------------------------------------------------------------------------ moved with approval


def moved(*approved, out=(0.030, 0.0)):
    """P2 built ``out`` of design; approved centres as (E of design, approved by, when)."""
    site = plumb_wall(more_tolerance="", **FEW)
    site.pickups[1] = shot("P2", 0.75 + out[0], out[1])
    site.set_out = [
        {"pile_id": "P2", "easting": 0.75 + e, "northing": 0.0, "approved_by": by, "at": when}
        for e, by, when in approved
    ]
    return reconciled(site).piles


ONE = (0.028, "N. N.", EARLY)


def test_offset_from_set_out_is_from_the_approved_centre():
    assert moved(ONE)["offset_from_set_out_mm"][1] == pytest.approx(2.0)


def test_offset_from_set_out_is_only_where_there_is_one():
    assert np.isnan(moved(ONE)["offset_from_set_out_mm"][0])


def test_a_moved_pile_keeps_its_tolerance_against_design():
    assert word(moved(ONE)["plan_verdict"][1]) == "outside"


def test_reasons_name_the_move():
    assert moved(ONE)["reasons"][1].endswith("; set out 28 mm from design, approved by N. N.")


def test_reasons_name_the_move_of_a_pile_within():
    assert moved((0.010, "N. N.", EARLY), out=(0.010, 0.0))["reasons"][1] == (
        "set out 10 mm from design, approved by N. N."
    )


def test_the_newest_approval_counts():
    piles = moved((0.030, "A. A.", "2025-03-04T08:00"), (0.010, "B. B.", EARLY))
    assert piles["offset_from_set_out_mm"][1] == pytest.approx(0.0, abs=1e-6)


# ------------------------------------------------------------------------------------------ checks not asked for


@pytest.mark.parametrize(
    ("check", "changes"),
    [
        ("toe_verdict", {"more_tolerance": "encroach_mm = 50"}),
        ("encroach_verdict", {"more_tolerance": "toe_mm = 100"}),
        ("vertical_verdict", {"verticality": '{ secondary = "1:200" }'}),
    ],
)
def test_a_check_without_its_tolerance_has_no_verdict(check, changes):
    assert pile(plumb_wall(**changes), check) == -1


def test_a_check_that_is_not_made_does_not_count_in_the_overall_verdict():
    assert word(pile(plumb_wall(more_tolerance="", **FEW), "verdict")) == "within"


def test_the_overall_verdict_is_the_worst_check():
    site = plumb_wall(**FEW)
    site.pickups[0] = shot("P1", 0.04, 0.0)
    assert word(pile(site, "verdict")) == "outside"


# ------------------------------------------------------------------------------------------ columns


def leaning(slope):
    site = plumb_wall(**FEW)
    site.tilts[0] = tilt("P1", 12.0, slope)
    return site


@pytest.mark.parametrize(("slope", "said"), [(5.0, "1 in 200"), (0.25, "1 in 4000"), (0.19, "plumb"), (0.0, "plumb")])
def test_inclination_in_words(slope, said):
    assert pile(leaning(slope), "one_in") == said


def test_inclination_in_words_of_a_pile_that_was_not_read():
    site = plumb_wall()
    del site.tilts[0]
    assert pile(site, "one_in") is None


@pytest.mark.parametrize(("e", "n", "bearing"), [(0.01, 0.01, 45.0), (-0.01, 0.0, 270.0), (0.0, -0.02, 180.0)])
def test_bearing_of_the_offset(e, n, bearing):
    site = plumb_wall(**FEW)
    site.pickups[0] = shot("P1", e, n)
    assert pile(site, "offset_bearing_deg") == pytest.approx(bearing)


@pytest.mark.parametrize(
    ("name", "value"),
    [("plan_of_allowed_percent", 40.0), ("vertical_of_allowed_percent", 60.0), ("encroach_of_allowed_percent", 87.2)],
)
def test_percent_of_allowed(name, value):
    # 10 mm of 25, 3 mm/m of 5, 10 + 11.2 · 3 mm of 50
    site = plumb_wall(**FEW)
    site.pickups[0], site.tilts[0] = shot("P1", 0.0, 0.01), tilt("P1", 12.0, 0.0, 3.0)
    assert pile(site, name) == pytest.approx(value)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("design_overlap_mm", 130.0),
        ("required_overlap_mm", 50.0),
        ("range_top", 3.2),
        ("range_bottom", -9.5),
        ("least_overlap_mm", -30.8),
        ("worst_opening_mm", 30.8),
        ("worst_opening_level", -9.5),
        ("opening_formation_mm", 11.8),
        ("overlap_formation_mm", -11.8),
        ("predicted_below", -4.0),
    ],
)
def test_columns_of_a_joint(name, value):
    # P2 moves away 12.66 mm/m from 3.2 down; read 8 and 12 m down
    site = plumb_wall(**FEW)
    slope = 160.8 / 12.7
    site.tilts = [tilt("P1", 8.0), tilt("P2", 12.0, slope)]
    assert reconciled(site).joints[name][0] == pytest.approx(value, abs=0.05)


def test_without_a_gap_no_opening_has_a_level():
    assert np.isnan(reconciled(plumb_wall()).joints["worst_opening_level"][0])


# ------------------------------------------------------------------------------------------ odd walls


def test_walls_have_their_own_levels():
    design = [*straight_wall(2), *straight_wall(2, n0=9.0)]
    for k, row in enumerate(design[2:]):
        row.update(pile_id=f"B{k}", wall="B", cut_off_level=2.0)
    walls = '[walls.A]\nclosed = false\npit_side = "left"\n[walls.B]\nclosed = false\npit_side = "right"'
    walls += "\ninterlock_to = -5.0"
    found = reconciled(plumb_wall(design=design, walls=walls))
    assert (found.joints["wall"].tolist(), found.joints["range_bottom"].tolist()) == (["A", "B"], [-9.5, -5.0])


def test_a_wall_of_two_piles_has_one_joint():
    assert reconciled(plumb_wall(2, more_tolerance="", **FEW)).joints["joint_id"].tolist() == ["P1~P2"]


def test_a_wall_of_one_pile_has_no_joint():
    assert len(reconciled(plumb_wall(1)).joints) == 0


def test_a_wall_of_one_pile_is_judged():
    assert word(pile(plumb_wall(1, more_tolerance="", **FEW), "verdict")) == "within"


def test_a_wall_of_one_pile_has_no_components():
    assert np.isnan(pile(plumb_wall(1), "towards_pit_mm"))


def bare(**tables):
    return Site(toml=site_file(), design=straight_wall(3), **tables)


def test_nothing_surveyed_leaves_every_pile_not_surveyed():
    assert [word(v) for v in reconciled(bare()).piles["verdict"]] == ["not surveyed"] * 3


def test_nothing_surveyed_leaves_every_joint_not_surveyed():
    assert [word(v) for v in reconciled(bare()).joints["verdict"]] == ["not surveyed"] * 2


def test_nothing_surveyed_leaves_every_pile_to_drill():
    assert [PROGRESS[p] for p in reconciled(bare()).piles["progress"]] == ["to drill"] * 3


@pytest.mark.parametrize("name", ["offset_mm", "incline_mm_per_m", "p_plan", "surveyed_level", "toe_level", "n_shots"])
def test_nothing_surveyed_is_null_and_never_0(name):
    assert np.isnan(reconciled(bare()).piles[name]).all()


@pytest.mark.parametrize(
    "name", ["overlap_cut_off_mm", "least_overlap_mm", "p_interlock", "worst_opening_mm", "sure_level"]
)
def test_no_joint_surveyed_is_null_and_never_0(name):
    assert np.isnan(reconciled(bare()).joints[name]).all()


@pytest.mark.parametrize("table", ["pickups", "tilts", "records", "none"])
def test_layers_can_be_made_whatever_table_is_empty(table):
    full = plumb_wall(3)
    full.records = [record("P1", toe_level=-12.0)]
    if table == "none":
        full = bare()
    else:
        setattr(full, table, [])
    assert [layer.name for layer in reconciled(full)] == list(LAYERS)


def test_without_tilts_the_plan_position_is_judged():
    site = plumb_wall(**FEW)
    site.tilts = []
    assert [word(v) for v in reconciled(site).piles["plan_verdict"]] == ["within"] * 2


def test_omitted_piles_have_no_verdict():
    design = straight_wall(3)
    design[1]["status"] = "omitted"
    assert word(pile(plumb_wall(design=design), "verdict", 1)) is None


def test_the_readings_own_notes_are_kept():
    from dataclasses import replace

    from asbuilt.model import Finding

    note = Finding(severity="note", kind="unknown_column", item="pickups/p1.csv", text="colour")
    found = reconcile(replace(to_survey(plumb_wall()), notes=(note,)))
    assert found.findings[0] == note


def test_an_outline_at_map_size_coordinates_is_reduced_with_the_piles():
    design = straight_wall(2, e0=500_000.0, n0=6_000_000.0)
    site = plumb_wall(design=design)
    site.outline = [(499_990, 6_000_000.5), (500_010, 6_000_000.5), (500_010, 6_000_004), (499_990, 6_000_004)]
    assert pile(site, "face_inside_mm") == pytest.approx(-60.0, abs=1e-5)


def test_extreme_depths_of_a_reading_keep_the_axis_finite():
    site = plumb_wall(**FEW)
    site.tilts[0] = tilt("P1", 200.0, 1.0)
    assert math.isfinite(reconciled(site).joints["least_overlap_mm"][0])


def test_a_joint_open_below_a_built_toe_is_not_sound_in_any_figure():
    site = plumb_wall()
    result = reconcile(to_survey(site.with_rows(records=[record("P2", toe_level=-5.0)])))
    joint = {name: values[0] for name, values in result.joints.columns.items()}
    assert joint["verdict"] == VERDICTS.index("outside")
    assert joint["lost_level"] == joint["open_level"] == joint["sure_level"] == -5.0
    assert np.isnan([joint["worst_opening_mm"], joint["overlap_formation_mm"], joint["chord_formation_mm"]]).all()
    assert result.statistics.chance_lost[0] == result.statistics.chance_open[0] == 1.0


def test_the_gap_of_an_omitted_pile_does_not_count_in_the_chances_of_the_wall():
    site = plumb_wall(count=5)
    design = [{**row, "status": "omitted"} if row["pile_id"] == "P3" else row for row in site.design]
    result = reconcile(to_survey(site.with_rows(design=design)))
    assert result.joints["design_overlap_mm"].min() < 0
    assert result.statistics.chance_open[1] < 0.5


def test_map_coordinates_of_the_south_do_not_turn_a_joint_at_its_limit():
    # one step of a double is 1.9 nm there
    design = straight_wall(200, spacing=0.826, n0=9.3e6)
    result = reconcile(to_survey(plumb_wall(design=design, overlap_mm=54, joint="simple", plan="simple")))
    assert not result.joints["verdict"].any()


def test_rows_of_a_profile_that_carry_their_own_times_are_one_log():
    rows = logged("P1", *((d, 3.0 * d, 0.0) for d in (1.0, 5.0, 9.0, 13.0)))
    rows = [{**row, "read_at": f"2025-03-02T10:{int(row['depth']):02d}"} for row in rows]
    assert METHODS[reconcile(to_survey(plumb_wall().with_rows(profiles=rows))).axes.method[0]] == "profile"


def test_a_newer_single_row_does_not_take_the_place_of_a_profile():
    rows = logged("P1", *((d, 3.0 * d, 0.0) for d in (1.0, 5.0, 9.0, 13.0)))
    rows += logged("P1", (2.0, 0.0, 0.0), read_at="2025-03-09T10:00")
    assert METHODS[reconcile(to_survey(plumb_wall().with_rows(profiles=rows))).axes.method[0]] == "profile"
