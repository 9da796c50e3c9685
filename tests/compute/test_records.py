"""Progress, governing records, sequence and concrete."""

from __future__ import annotations

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from results import joints_of

from asbuilt.columns import PROGRESS
from asbuilt.compute.records import (
    concrete_findings,
    concrete_ratio,
    governing_attempts,
    governing_records,
    progress,
    sequence_findings,
)

SEQUENCE = "\n[sequence]\ncut_after_h = 24\ncut_before_h = 72\n"


def shot(pile_id, **more):
    place = {"point": "1", "easting": 0.0, "northing": 0.0, "level": 3.2, "surveyed_at": "2025-03-09T12:00"}
    return {"pile_id": pile_id, **place, **more}


def reading(pile_id, **more):
    values = {"depth": 3.0, "tilt_a": 0.0, "tilt_b": 0.0, "unit": "mm/m", "read_at": "2025-03-02T10:00"}
    return {"pile_id": pile_id, **values, **more}


def survey_of(count, *, records=(), pickups=(), tilts=(), statuses=None, toml=""):
    design = straight_wall(count)
    for row, status in zip(design, statuses or [], strict=bool(statuses)):
        row["status"] = status
    site = Site(
        toml=site_file() + toml,
        design=design,
        records=list(records),
        pickups=list(pickups),
        tilts=list(tilts),
    )
    return to_survey(site)


def governing(survey):
    tables = (survey.pickups, survey.tilts, survey.profiles, survey.records)
    attempts = governing_attempts(len(survey.design), *tables)
    return attempts, governing_records(survey.records, attempts=attempts)


def words(survey, surveyed=None):
    attempts, record = governing(survey)
    mask = np.zeros(len(survey.design), dtype=bool)
    mask[surveyed or []] = True
    codes = progress(
        design=survey.design,
        governing=record,
        pickups=survey.pickups,
        attempts=attempts,
        surveyed=mask,
    )
    return [None if code < 0 else PROGRESS[code] for code in codes]


def test_the_greatest_attempt_in_any_table_governs():
    survey = survey_of(
        4,
        records=[{"pile_id": "P1", "attempt": 2}, {"pile_id": "P1", "attempt": 1}],
        pickups=[shot("P2", attempt=3), shot(None, object="check", attempt=9)],
        tilts=[reading("P3", attempt=2)],
    )
    assert governing(survey)[0].tolist() == [2, 3, 2, 1]


def test_later_rows_complete_and_correct_earlier_ones():
    survey = survey_of(
        2,
        records=[
            {"pile_id": "P1", "drilled_at": "2025-03-01T10:00", "toe_level": -11.9, "rig": "R1"},
            {"pile_id": "P1", "concreted_at": "2025-03-01T15:00", "toe_level": -12.1},
        ],
    )
    record = governing(survey)[1]
    assert record.drilled_at[0] == np.datetime64("2025-03-01T10:00")
    assert record.concreted_at[0] == np.datetime64("2025-03-01T15:00")
    assert (record.toe_level[0], record.rig[0], record.row[0], record.line[0]) == (-12.1, "R1", 1, 3)
    assert record.recorded.tolist() == [True, False]
    assert (np.isnan(record.toe_level[1]), record.rig[1], record.row[1]) == (True, None, -1)


def test_records_of_an_earlier_attempt_never_serve():
    survey = survey_of(
        1,
        records=[
            {"pile_id": "P1", "attempt": 2, "drilled_at": "2025-03-05T10:00"},
            {"pile_id": "P1", "attempt": 1, "toe_level": -7.0, "concrete_m3": 5.0},
        ],
    )
    record = governing(survey)[1]
    assert np.isnan(record.toe_level[0])
    assert np.isnan(record.concrete_m3[0])
    assert record.row[0] == 0


def test_a_wall_without_records_has_none():
    record = governing(survey_of(3))[1]
    assert not record.recorded.any()
    assert record.file.tolist() == [-1, -1, -1]


def test_progress_goes_from_to_drill_to_surveyed():
    survey = survey_of(
        7,
        records=[
            {"pile_id": "P2", "drilled_at": "2025-03-01T10:00"},
            {"pile_id": "P3", "toe_level": -12.0},
            {"pile_id": "P4", "drilled_at": "2025-03-01T10:00", "concreted_at": "2025-03-01T14:00"},
            {"pile_id": "P5", "concrete_m3": 9.1},
            {"pile_id": "P7", "note": "guide wall chipped"},
        ],
        pickups=[shot("P6")],
    )
    assert words(survey, surveyed=[5]) == [
        "to drill",
        "drilled",
        "drilled",
        "concreted",
        "concreted",
        "surveyed",
        "to drill",
    ]


def test_a_pile_shot_without_a_centre_is_drilled_and_not_surveyed():
    assert words(survey_of(1, pickups=[shot("P1", shot="edge")])) == ["drilled"]


def test_a_redrilling_of_which_only_lean_is_known_is_still_to_drill():
    survey = survey_of(
        1,
        records=[{"pile_id": "P1", "drilled_at": "2025-03-01T10:00"}],
        pickups=[shot("P1")],
        tilts=[reading("P1", attempt=2)],
    )
    assert words(survey) == ["to drill"]


def test_an_omitted_pile_is_abandoned_only_where_something_was_done():
    survey = survey_of(
        4,
        statuses=["omitted"] * 4,
        records=[{"pile_id": "P2", "drilled_at": "2025-03-01T10:00"}],
        pickups=[shot("P3", attempt=1)],
        tilts=[reading("P3", attempt=2)],
    )
    assert words(survey) == [None, "abandoned", "abandoned", None]


def times(primary, secondary):
    return [
        {"pile_id": "P1", "drilled_at": "2025-03-01T08:00", "concreted_at": primary},
        {"pile_id": "P2", "drilled_at": secondary, "concreted_at": "2025-03-09T20:00"},
    ]


def sequence_of(survey, pairs=((0, 1),)):
    return sequence_findings(
        settings=survey.settings,
        design=survey.design,
        joints=joints_of(survey.design, list(pairs)),
        governing=governing(survey)[1],
        files=[file.path for file in survey.files],
    )


@pytest.mark.parametrize(
    ("drilled", "text"),
    [
        ("2025-03-02T11:59", "P2 was drilled 23.98 h after P1 was concreted; asked for: not before 24 h"),
        ("2025-03-04T18:00", "P2 was drilled 78.0 h after P1 was concreted; asked for: not after 72 h"),
        ("2025-03-01T10:30", "P2 was drilled 1.5 h before P1 was concreted; asked for: not before 24 h"),
    ],
)
def test_a_primary_cut_too_young_or_too_old_is_a_finding(drilled, text):
    survey = survey_of(2, records=times("2025-03-01T12:00", drilled), toml=SEQUENCE)
    (finding,) = sequence_of(survey)
    assert finding.text == text
    assert (finding.id, finding.severity) == ("sequence:P1~P2", "note")
    assert (finding.file, finding.line, finding.column) == ("records/r1.csv", 3, "drilled_at")


@pytest.mark.parametrize("drilled", ["2025-03-02T12:00", "2025-03-04T12:00", None])
def test_an_age_on_the_limit_or_not_known_is_no_finding(drilled):
    survey = survey_of(2, records=times("2025-03-01T12:00", drilled), toml=SEQUENCE)
    assert sequence_of(survey) == ()


def test_the_order_of_the_joint_does_not_matter():
    survey = survey_of(2, records=times("2025-03-01T12:00", "2025-03-01T20:00"), toml=SEQUENCE)
    (finding,) = sequence_of(survey, pairs=[(1, 0)])
    assert finding.text.startswith("P2 was drilled 8.0 h after P1 was concreted")


def test_two_primaries_do_not_cut_one_another():
    survey = survey_of(3, records=times("2025-03-01T12:00", "2025-03-01T20:00"), toml=SEQUENCE)
    assert sequence_of(survey, pairs=[(0, 2)]) == ()


def test_without_figures_of_the_mix_designer_nothing_is_said():
    survey = survey_of(2, records=times("2025-03-01T12:00", "2025-03-01T12:30"))
    assert sequence_of(survey) == ()


def concrete_of(*volumes, **more):
    rows = [
        {"pile_id": f"P{i + 1}", "concrete_m3": volume, "toe_level": -6.8, "casing_od_mm": 1000.0, **more}
        for i, volume in enumerate(volumes)
    ]
    survey = survey_of(len(volumes), records=rows)
    return {
        "design": survey.design,
        "governing": governing(survey)[1],
        "cut_off": np.full(len(volumes), 3.2),
    }


def test_concrete_ratio_is_against_the_cylinder_from_cut_off_to_toe():
    # 1 m across and 10 m long: π/4·1²·10 = 7.85398 m³
    assert concrete_ratio(**concrete_of(7.8539816, 9.4247780)) == pytest.approx([1.0, 1.2], abs=1e-7)


def test_without_casing_and_toe_the_nominal_cylinder_counts():
    # 0.88 m across from 3.2 to -12.0: π/4·0.88²·15.2 = 9.24480 m³
    ratio = concrete_ratio(**concrete_of(9.24480, casing_od_mm=None, toe_level=None))
    assert ratio[0] == pytest.approx(1.0, abs=1e-5)


def test_concrete_that_was_not_recorded_has_no_ratio():
    assert np.isnan(concrete_ratio(**concrete_of(None))[0])


def test_concrete_out_of_the_ordinary_is_a_finding_with_figures():
    found = concrete_findings(**concrete_of(7.4, 7.5, 10.2, 10.3, None), files=["records/r1.csv"] * 2)
    assert [finding.item for finding in found] == ["P1", "P4"]
    assert found[0].text == (
        "7.40 m³ of concrete placed, 7.85 m³ in theory from cut-off to toe: ratio 0.94, "
        "ordinary is 0.95 to 1.30 (common practice)"
    )
    assert (found[1].kind, found[1].file, found[1].line) == ("concrete_ratio", "records/r1.csv", 5)


def test_a_ratio_just_beyond_a_limit_is_not_rounded_onto_it():
    (finding,) = concrete_findings(**concrete_of(1.302 * 7.8539816))
    assert "ratio 1.302, ordinary is 0.95 to 1.30" in finding.text
