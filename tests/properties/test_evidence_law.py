"""A decision stands exactly while its evidence does: whatever is judged by another figure has other evidence."""

from __future__ import annotations

import copy
import re
from dataclasses import replace

import numpy as np
import pytest
from builders import Site, random_site, to_survey

from asbuilt.reconcile import reconcile

#: What a pile and a joint are judged by, and what they are judged against.
JUDGED = {
    "pile_id": (
        *("offset_mm", "allowed_mm", "p_plan", "plan_verdict", "incline_mm_per_m", "allowed_mm_per_m", "p_vertical"),
        *("vertical_verdict", "worst_towards_pit_mm", "face_inside_mm", "p_encroach", "encroach_verdict"),
        *("toe_level", "toe_verdict", "verdict"),
    ),
    "joint_id": (
        *("least_overlap_mm", "required_overlap_mm", "range_top", "range_bottom", "lost_level", "open_level"),
        *("sure_level", "p_interlock", "other_model_least_overlap_mm", "verdict"),
    ),
}


def changes_of_rows(site: Site):
    """Yield the site with one thing measured, designed or recorded changed, and the piles that it is about."""
    for table, column, step in (
        ("pickups", "easting", 0.004),
        ("pickups", "level", 0.05),
        ("tilts", "tilt_a", 0.3),
        ("tilts", "depth", 0.2),
        ("profiles", "off_n_mm", 0.7),
        ("records", "toe_level", 0.4),
        ("records", "casing_od_mm", -10.0),
        ("design", "easting", 0.003),
        ("design", "diameter_mm", 5.0),
        ("design", "toe_level", 0.3),
    ):
        rows = [k for k, row in enumerate(getattr(site, table)) if row.get(column) is not None]
        for k in rows[:: max(1, len(rows) // 4)]:
            other = copy.deepcopy(site)
            row = getattr(other, table)[k]
            row[column] += step
            yield other, row["pile_id"]


def changes_of_settings(site: Site):
    """Yield the site with one number of its site file changed, wherever that makes a site file."""
    lines = site.toml.splitlines()
    for k, line in enumerate(lines):
        number = re.fullmatch(r"(\w+ = )(-?[\d.]+)", line)
        if number:
            changed = [*lines[:k], f"{number[1]}{float(number[2]) * 0.97 + 0.011:.4f}", *lines[k + 1 :]]
            yield replace(copy.deepcopy(site), toml="\n".join(changed))


def broken_law(before, after) -> list[str]:
    """Return the items that are judged otherwise, or by another figure, though their evidence is as it was."""
    found = []
    for old, new, key in ((before.piles, after.piles, "pile_id"), (before.joints, after.joints, "joint_id")):
        assert old[key].tolist() == new[key].tolist()
        same = np.all([np.isclose(old[c], new[c], rtol=0, atol=1e-5, equal_nan=True) for c in JUDGED[key]], axis=0)
        found += [item for item in old[key][~same].tolist() if before.evidence(item) == after.evidence(item)]
    return found


@pytest.mark.parametrize("seed", range(3))
def test_whatever_is_judged_by_another_figure_has_other_evidence(seed):
    """Of anything measured, designed or recorded; and what is measured on one pile is evidence of no other item."""
    site = random_site(seed)
    before = reconcile(to_survey(site))
    tried = 0
    for other, pile in changes_of_rows(site):
        after = reconcile(to_survey(other))
        assert broken_law(before, after) == []
        if other.design == site.design:
            lapsed = [item for item in before.joints["joint_id"] if before.evidence(item) != after.evidence(item)]
            lapsed += [item for item in before.piles["pile_id"] if before.evidence(item) != after.evidence(item)]
            assert all(pile in item.split("~") for item in lapsed)
        tried += 1
    assert tried > 25


@pytest.mark.parametrize("seed", range(3))
def test_whatever_a_setting_changes_has_other_evidence(seed):
    site = random_site(seed)
    before = reconcile(to_survey(site))
    after = [reconcile(to_survey(other)) for other in changes_of_settings(site)]
    assert len(after) > 15
    assert [broken_law(before, one) for one in after] == [[]] * len(after)
    # Not all of them are beside the point.
    assert sum(not np.array_equal(one.joints["p_interlock"], before.joints["p_interlock"]) for one in after) > 5
