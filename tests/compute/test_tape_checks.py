"""Tape checks between a mark and its neighbours: distances worked out by hand on a straight wall."""

from __future__ import annotations

import math

import numpy as np
import pytest
from builders import Site, site_file, straight_wall, to_survey
from steps import EXACT, record, shot, tilt

from asbuilt.compute.setting_out import advise
from asbuilt.compute.tape_checks import tape_checks
from asbuilt.reconcile import reconcile


def checked(*, east_mm=(0.0, 0.0), lean_mm_per_m=0.0, records=(), read=True, shift_mm=0.0, drilled=(), **changes):
    """Tapes from P2, set out ``shift_mm`` east of design, to P1 and P3, moved east by so much at cut-off +3.20."""
    design = straight_wall(3)
    built = [k for k in (0, 2) if f"P{k + 1}" not in drilled]
    site = Site(
        toml=site_file(**{**EXACT, "verticality": '"1:200"', **changes}),
        design=design,
        pickups=[shot(f"P{k + 1}", 0.75 * k + east_mm[k // 2] / 1000, 0.0) for k in built],
        tilts=[tilt(f"P{k + 1}", 12.0, lean_mm_per_m) for k in built] if read else [],
        records=[*records, *(record(p) for p in drilled)],
    )
    result = reconcile(to_survey(site))
    found = advise(result, [1])
    e = result.piles.design_e[found.pile] + shift_mm / 1000
    return tape_checks(result, found, e, result.piles.design_n[found.pile])


def mm(values):
    return (1000 * np.asarray(values)).tolist()


def test_as_designed():
    """Centres 750 mm apart, radii of 440: 310 to the near face, 440 more over the casing, a bite of 130."""
    found = checked()
    assert mm(found.to_face) == pytest.approx([310, 310])
    assert mm(found.over_casing) == pytest.approx([750, 750])
    assert mm(found.bite) == pytest.approx([130, 130])
    assert found.level == 4.0


def test_a_neighbour_that_moved_and_a_mark_that_is_moved():
    assert mm(checked(east_mm=(-30.0, 20.0)).to_face) == pytest.approx([340, 330])
    assert mm(checked(east_mm=(-30.0, 20.0), shift_mm=-5.0).to_face) == pytest.approx([335, 335])


def test_the_neighbour_is_carried_up_to_the_level_at_which_the_tape_is_held():
    """Leaning 10 mm/m to the east as it goes down, 0.8 m above where it was shot: 8 mm farther west."""
    assert mm(checked(lean_mm_per_m=10.0).to_face) == pytest.approx([318, 302])


def test_the_face_is_that_of_the_casing_as_recorded():
    found = checked(records=[record("P1", casing_od_mm=900.0)])
    assert mm(found.to_face) == pytest.approx([300, 310])
    assert mm(found.bite) == pytest.approx([140, 130])


def test_band_holds_pickup_and_set_up_of_both_ends_and_the_radius():
    """Plumb and read without error: √(2·(4² + 3²) + 5²) mm, 1.959964 of it."""
    found = checked(pickup_mm=4, setup_mm=3, radius_mm=5)
    assert mm(found.band) == pytest.approx([1.959964 * math.sqrt(75)] * 2, rel=1e-5)


def test_a_pile_that_is_not_surveyed_has_no_face():
    found = checked(drilled=("P3",))
    assert np.isnan([found.to_face[1], found.over_casing[1], found.bite[1], found.band[1]]).all()
    assert mm(found.to_face[:1]) == pytest.approx([310])
    assert found.neighbour_e[1] - found.neighbour_e[0] == pytest.approx(1.5)


def test_a_head_that_was_never_read_still_has_a_face_within_a_metre():
    assert mm(checked(read=False).to_face) == pytest.approx([310, 310])
