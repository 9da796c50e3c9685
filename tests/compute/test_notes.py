"""Findings that a run makes: readings that changed, axes that disagree, old pickups, shortened ranges."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from builders import straight_wall, to_survey
from steps import logged, plumb_wall, shot, steps, tilt

from asbuilt.compute.notes import axes_disagree_findings, drift_findings, old_pickup_findings, range_shortened_findings
from asbuilt.model import Withdrawal
from asbuilt.reconcile import reconcile


def site(*tilts, pickups=None, profiles=(), **changes):
    found = plumb_wall(**changes)
    if tilts:
        found.tilts = list(tilts)
    if pickups is not None:
        found.pickups = list(pickups)
    return found.with_rows(profiles=list(profiles))


# ------------------------------------------------------------------------------------------ drift


def drift(*tilts, **changes):
    w = steps(site(*tilts, **changes))
    return drift_findings(w.readings, w.survey.design["pile_id"])


# two readings of 1 mm/m: d²/2 against 9.21, 4.292 mm/m
@pytest.mark.parametrize(("change", "count"), [(4.28, 0), (4.30, 1)])
def test_a_lean_that_changed_is_found(change, count):
    assert len(drift(tilt("P1", 3.0), tilt("P1", 6.0, change))) == count


def test_drift_names_the_pile():
    assert [f.id for f in drift(tilt("P1", 6.0), tilt("P2", 3.0), tilt("P2", 6.0, 9.0))] == ["drift:P2"]


def test_drift_gives_the_first_and_the_last_lean_with_their_levels():
    (finding,) = drift(tilt("P1", 3.0, 1.0, -2.0), tilt("P1", 5.0, 4.0), tilt("P1", 8.0, 9.0, 0.5))
    assert "(+1.0, -2.0) mm/m east, north at +1.00, (+9.0, +0.5) at -4.00" in finding.text


def test_drift_is_less_where_readings_are_less_certain():
    assert drift(tilt("P1", 3.0), tilt("P1", 6.0, 5.0), tilt_mm_per_m=2) == []


# ------------------------------------------------------------------------------------------ old pickups


def old(*, shot_at, read_at, deeper=True):
    rows = [tilt("P1", 3.0, read_at="2025-03-01T09:00"), tilt("P1", 6.0 if deeper else 2.0, read_at=read_at)]
    w = steps(site(*rows, pickups=[shot("P1", 0, 0, surveyed_at=shot_at, line=7)]))
    ids, files = w.survey.design["pile_id"], [f.path for f in w.survey.files]
    return old_pickup_findings(w.centres, w.newest, w.survey.settings, pile_ids=ids, files=files)


def test_a_pickup_older_than_the_deepest_reading_is_found():
    assert [f.id for f in old(shot_at="2025-03-02T09:00", read_at="2025-03-02T09:01")] == ["old_pickup:P1"]


def test_a_pickup_of_the_same_time_is_not_old():
    assert old(shot_at="2025-03-02T09:00", read_at="2025-03-02T09:00") == []


def test_a_pickup_older_than_a_shallower_reading_is_not_old():
    assert old(shot_at="2025-03-02T09:00", read_at="2025-03-03T09:00", deeper=False) == []


def test_an_old_pickup_is_named_by_file_and_line():
    (finding,) = old(shot_at="2025-03-02T09:00", read_at="2025-03-03T09:00")
    assert (finding.file, finding.line) == ("pickups/p1.csv", 7)


# ------------------------------------------------------------------------------------------ axes that disagree


def disagreeing(*tilts, **more):
    w = steps(site(*tilts, **more))
    return axes_disagree_findings(
        w.axes,
        w.centres,
        w.readings,
        w.survey.settings,
        pile_ids=w.survey.design["pile_id"],
        files=[f.path for f in w.survey.files],
    )


OLD, NEW = "2025-03-01T09:00", "2025-03-08T09:00"


def superseded(apart, *, level=3.2, setups=("S1", "S1"), **row):
    """A new head at the design centre and another shot, so far apart [mm]."""
    pickups = [
        shot("P1", 0, 0, surveyed_at=NEW, setup=setups[0]),
        shot("P1", apart / 1000, 0, level, **{"surveyed_at": OLD, "setup": setups[1], "object": "casing", **row}),
    ]
    return disagreeing(pickups=pickups)


# 5 mm each, and in different set-ups 3 mm each on top: 11.8 times 50 or 68 mm²
@pytest.mark.parametrize(
    ("setups", "apart", "count"),
    [(("S1", "S1"), 24.2, 0), (("S1", "S1"), 24.4, 1), (("S1", "S2"), 28.2, 0), (("S1", "S2"), 28.5, 1)],
)
def test_a_superseded_pickup_is_compared_with_the_axis(setups, apart, count):
    assert len(superseded(apart, setups=setups)) == count


# 6.8 m below: 1.0 each reading, 0.5 systematic and 0.3 on the root of 4 m that were not read, times 6.8
@pytest.mark.parametrize(("apart", "count"), [(37.8, 0), (38.8, 1)])
def test_a_face_shot_is_compared_with_the_axis_at_its_level(apart, count):
    assert (apart > np.sqrt(11.8 * (50 + 6.8**2 * (1.0 + 0.25 + 0.36)))) == bool(count)
    assert len(superseded(apart, level=-3.6, object="face")) == count


def test_a_leaning_pile_meets_its_face_shot():
    pickups = [shot("P1", 0, 0), shot("P1", 0.068, 0, -3.6, object="face")]
    assert disagreeing(tilt("P1", 12.0, 10.0), pickups=pickups) == []


def test_what_disagrees_is_named():
    (finding,) = superseded(60.0, level=-3.6, object="face")
    assert finding.id == "axes_disagree:P1"
    assert "shot on the face at -3.60 lies 60 mm from the axis there" in finding.text


def test_groups_of_a_pile_without_an_axis_that_reaches_there_are_not_compared():
    pickups = [shot("P1", 0, 0), shot("P1", 0.5, 0, -3.6, object="face")]
    assert disagreeing(tilt("P2", 12.0), pickups=pickups) == []


def beside_profile(lean, depth=12.0):
    """A profile that leans by 2 mm/m over 14 m, and a reading [mm/m] beside it."""
    log = logged("P1", (0.0, 0.0, 0.0), (14.0, 28.0, 0.0))
    return disagreeing(tilt("P1", depth, lean), profiles=log, pickups=[shot("P1", 0, 0)])


def profile_limit():
    """What the reading at level -8 may differ by: 1.0 and 0.5 its own, 2·2² and (0.25·11.2)² of the profile."""
    return np.sqrt(11.8 * (1.25 + (8 + 2.8**2) / 11.2**2))


@pytest.mark.parametrize(("beyond", "count"), [(-0.05, 0), (0.05, 1)])
def test_tilts_are_compared_with_the_profile_that_governs(beyond, count):
    assert len(beside_profile(2.0 + profile_limit() + beyond)) == count


def test_tilts_beside_a_profile_are_named_with_level_and_difference():
    (finding,) = beside_profile(12.0)
    assert "the lean reading at -8.00 differs by 10.0 mm/m from the profile" in finding.text


# ------------------------------------------------------------------------------------------ shortened ranges


def shortened(toe, *, walls=None, **more):
    design = straight_wall(3)
    design[2]["toe_level"] = toe
    if walls:
        design[2]["wall"] = "B"
        more["walls"] = walls
    found = reconcile(to_survey(plumb_wall(design=design, **more)))
    bound = np.full(len(found.joints), -9.5)
    return range_shortened_findings(found.joints, bound)


def test_a_design_toe_that_ends_a_range_is_found():
    assert [f.id for f in shortened(-8.25)] == ["range_shortened:P2~P3"]


def test_a_design_toe_at_interlock_to_ends_no_range():
    assert shortened(-9.5) == []


def test_a_shortened_range_is_given_with_what_lacks():
    (finding,) = shortened(-8.25)
    assert "ends the range at -8.25, 1.25 m above interlock_to -9.50" in finding.text


# ------------------------------------------------------------------------------------------ levels out of range


def out_of_range(**tables):
    found = plumb_wall()
    given = reconcile(to_survey(found.with_rows(**tables)))
    return [(f.id, f.severity, f.column) for f in given.findings if f.kind == "level_range"]


@pytest.mark.parametrize(("level", "count"), [(10.0, 0), (10.001, 1), (-40.0, 0), (-40.001, 1)])
def test_a_shot_outside_the_levels_of_the_site_is_found(level, count):
    found = out_of_range(pickups=[shot("P1", 0, 0, level=level)])
    assert found == [("level_range:P1", "query", "level")] * count


def test_a_check_shot_is_named_by_its_point():
    rows = [shot("P1", 0, 0), {**shot("P1", 0, 0, object="check", level=99.0), "pile_id": None, "point": "CP7"}]
    assert out_of_range(pickups=rows) == [("level_range:CP7", "query", "level")]


def test_a_recorded_toe_outside_the_levels_of_the_site_is_found():
    row = {"pile_id": "P2", "drilled_at": "2025-03-02T16:00", "toe_level": -120.0}
    assert out_of_range(records=[row]) == [("level_range:P2", "query", "toe_level")]


# ------------------------------------------------------------------------------------------ design against built


def of_kind(found, kind):
    return [one for one in reconcile(to_survey(found)).findings if one.kind == kind]


def omitting(*piles, **changes):
    found = plumb_wall(**changes)
    return found.with_rows(
        design=[{**row, "status": "omitted"} if row["pile_id"] in piles else row for row in found.design]
    )


def test_an_omitted_pile_that_was_shot_and_read_is_found_with_what_names_it():
    (finding,) = of_kind(omitting("P2"), "omitted_but_built")
    assert (finding.severity, finding.item, finding.column) == ("query", "P2", "status")
    rows = plumb_wall()
    shots, leans = (sum(row["pile_id"] == "P2" for row in getattr(rows, name)) for name in ("pickups", "tilts"))
    assert (shots, leans) == (1, 1)
    assert finding.text == "omitted in the design, but named by 1 shot, 1 lean reading: it is not judged"


def test_an_omitted_pile_that_nothing_names_is_none():
    found = omitting("P2")
    left = {name: [row for row in getattr(found, name) if row["pile_id"] != "P2"] for name in ("pickups", "tilts")}
    assert of_kind(found.with_rows(**left), "omitted_but_built") == []


def test_withdrawn_rows_do_not_build_an_omitted_pile():
    survey = to_survey(omitting("P2"))
    when = np.datetime64("2025-03-01T00:00", "ms")
    place = survey.design["pile_id"].tolist().index("P2")
    gone = [Withdrawal(file=k, pile=place, at=when, text="withdrawn") for k in range(len(survey.files))]
    found = reconcile(replace(survey, withdrawals=tuple(gone))).findings
    assert [one for one in found if one.kind == "omitted_but_built"] == []


def test_an_added_pile_that_is_tied_to_nothing_is_found():
    found = plumb_wall()
    extra = {**found.design[0], "pile_id": "X1", "position": None, "status": "added", "northing": 5.0}
    found = found.with_rows(design=[*found.design, extra])
    (finding,) = of_kind(found, "added_without_joint")
    assert (finding.severity, finding.item) == ("note", "X1")
    tied = found.toml.replace("[walls.A]", '[walls.A]\nextra_joints = [["P1", "X1"]]')
    assert of_kind(replace(found, toml=tied), "added_without_joint") == []
