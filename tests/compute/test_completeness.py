"""What is still missing of drilled piles, and what a withdrawal does to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import small_folder

from asbuilt.columns import PROGRESS
from asbuilt.compute.completeness import completeness
from asbuilt.compute.withdrawn import why_withdrawn
from asbuilt.intake.survey import read_survey
from asbuilt.model import Withdrawal
from asbuilt.reconcile import newest_time, reconcile


@pytest.fixture
def survey(tmp_path):
    return read_survey(small_folder.make(tmp_path / "wall"))


def lacking(survey) -> dict[str, tuple[bool, bool, bool]]:
    result = reconcile(survey)
    found = completeness(result)
    rows = zip(found.pickup.tolist(), found.lean.tolist(), found.record.tolist(), strict=True)
    return dict(zip(result.piles["pile_id"][found.pile].tolist(), rows, strict=True))


def out_of(survey, path: str, pile: int = -1, at: str = "2025-03-06T10:00"):
    place = next(number for number, file in enumerate(survey.files) if file.path == path)
    one = Withdrawal(file=place, pile=pile, at=np.datetime64(at, "ms"), text="withdrawn by A. Person: wrong")
    return replace(survey, withdrawals=(one,))


def test_drilled_piles_and_what_they_lack(survey):
    # P5 was never read, P6 neither shot nor read; P7 and P8 are still to be drilled.
    assert lacking(survey) == {"P5": (False, True, False), "P6": (True, True, False)}
    assert completeness(reconcile(survey)).drilled == 6


@pytest.mark.parametrize(("depth", "progress"), [("4.0", "to drill"), ("16.0", "drilled")])
def test_a_reading_proves_that_drilling_has_begun(tmp_path, depth, progress):
    tilts = small_folder.TILTS + f"P7,2025-03-03T13:00,{depth},0.3,0.2,mm/m\n"
    survey = read_survey(small_folder.make(tmp_path / "wall", tilts_2025_03_03_csv=tilts))
    result = reconcile(survey)
    assert lacking(survey)["P7"] == (True, False, True)
    assert completeness(result).drilled == 7
    # the toe is 16 m deep: the last stage of reading is no longer than 3 m
    assert PROGRESS[result.piles["progress"][6]] == progress


def test_a_pile_shot_without_a_record_lacks_one(tmp_path):
    records = small_folder.RECORDS.replace("P2,2025-03-03T09:30,2025-03-03T15:00,-12.00,Rig 1\n", "")
    survey = read_survey(small_folder.make(tmp_path / "wall", records_rig_1_csv=records))
    assert lacking(survey)["P2"] == (False, False, True)


def test_a_record_of_an_attempt_given_up_is_none_of_the_pile(tmp_path):
    again = small_folder.PICKUPS.replace("surveyed_at\n", "surveyed_at,attempt\n").replace("12:10\n", "12:10,2\n")
    again = "\n".join(line if line.count(",") == 6 else f"{line}," for line in again.splitlines()) + "\n"
    survey = read_survey(small_folder.make(tmp_path / "wall", pickups_2025_03_05_csv=again))
    assert lacking(survey)["P2"] == (False, True, True)


def test_withdrawn_rows_are_missing_again(survey):
    assert lacking(out_of(survey, "pickups/2025-03-05.csv", 1))["P2"] == (True, False, False)
    assert lacking(out_of(survey, "tilts/2025-03-03.csv", 1))["P2"] == (False, True, False)
    assert lacking(out_of(survey, "records/rig_1.csv", 1))["P2"] == (False, False, True)


def test_a_withdrawal_of_a_file_takes_all_its_rows(survey):
    why = why_withdrawn(survey.pickups, out_of(survey, "pickups/2025-03-05.csv").withdrawals)
    assert why.tolist() == ["withdrawn by A. Person: wrong"] * 5
    assert why_withdrawn(survey.tilts, out_of(survey, "pickups/2025-03-05.csv").withdrawals).tolist() == [None] * 4


def test_a_later_withdrawal_does_not_count_yet(survey):
    one = out_of(survey, "pickups/2025-03-05.csv", 1).withdrawals
    until = np.datetime64("2025-03-06T09:59")
    assert why_withdrawn(survey.pickups, one, until=until).tolist() == [None] * 5


def test_a_run_is_as_of_the_withdrawal_and_not_of_the_rows_withdrawn(tmp_path):
    late = small_folder.PICKUPS.replace("2025-03-05T12:40", "2094-03-05T12:40")
    survey = read_survey(small_folder.make(tmp_path / "wall", pickups_2025_03_05_csv=late))
    assert newest_time(survey) == np.datetime64("2094-03-05T12:40")
    assert newest_time(out_of(survey, "pickups/2025-03-05.csv", 4)) == np.datetime64("2025-03-06T10:00")


def test_withdrawn_rows_stay_in_the_tables_and_say_why(survey):
    layers = reconcile(out_of(survey, "pickups/2025-03-05.csv", 1)).layers
    assert layers["pickups"].columns["used"].tolist() == [True, False, True, True, True]
    assert layers["pickups"].columns["superseded_by"][1] == "withdrawn by A. Person: wrong"
    layers = reconcile(out_of(survey, "tilts/2025-03-03.csv", 1)).layers
    assert layers["readings"].columns["used"].tolist() == [True, False, True, True]
    assert np.isfinite(layers["readings"].columns["slope_e_mm_per_m"]).all()
