"""The order of :mod:`asbuilt.reconcile`, for one pile and those it has joints with: as much as steering it asks for.

Nothing is judged, and nothing needs more than NumPy: an answer at the rig does not wait for larger packages. The steps
are the same functions, given fewer rows; a test holds the two against each other for every pile of many walls.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.compute.alignment import align
from asbuilt.compute.axes import build_axes, placed
from asbuilt.compute.centres import solve_centres
from asbuilt.compute.known import approved_places, counting, newest_time
from asbuilt.compute.piles import verticality_limits
from asbuilt.compute.readings import collect_readings, slopes_of_readings
from asbuilt.compute.records import governing_attempts, governing_records
from asbuilt.compute.results import joint_inputs
from asbuilt.model import Joints, Piles, Reconciliation, WallStatistics

if TYPE_CHECKING:
    from asbuilt.compute.alignment import Alignment
    from asbuilt.compute.spans import JointInputs
    from asbuilt.model import Booleans, Survey, Table

__all__ = ["narrowed", "reconcile_near"]

_NO_STATISTICS = WallStatistics(
    groups=(),
    curve_level=np.empty(0),
    curve_lost=np.empty(0, dtype=np.int64),
    curve_not_sure=np.empty(0, dtype=np.int64),
    curve_not_surveyed=np.empty(0, dtype=np.int64),
    chance_lost=(np.nan, np.nan),
    chance_open=(np.nan, np.nan),
    depth_guaranteed={},
)
_NARROWED = ("pickups", "tilts", "profiles", "records", "set_out")


def reconcile_near(survey: Survey, pile: int) -> Reconciliation:
    """Return what is known of a pile and those it has joints with, for steering it.

    Parameters
    ----------
    survey : Survey
        A survey folder as read.
    pile : int
        Place in the design table.

    Returns
    -------
    Reconciliation
        Over all piles and joints of the design, but only rows of this pile and its neighbours are in it: of all others
        it says that they are not surveyed. Of its columns there are those that steering asks for; it has no verdicts,
        findings, stages or layers.
    """
    s, design = survey.settings, survey.design
    moment = newest_time(survey)
    if np.isnat(moment):
        moment = np.datetime64(0, "ms")
    design_e, design_n = design["easting"] - survey.origin[0], design["northing"] - survey.origin[1]
    alignment = align(design, s, e=design_e, n=design_n)
    survey = narrowed(survey, _near(alignment, pile))
    pickups, tilts, profiles, records, set_out = (counting(survey, name, moment)[0] for name in _NARROWED)

    attempt = governing_attempts(len(design), pickups, tilts, profiles, records)
    record = governing_records(records, attempts=attempt)
    radius = np.where(np.isnan(record.casing_od_mm), design["diameter_mm"], record.casing_od_mm) / 2000.0
    toe = np.where(np.isnan(record.toe_level), design["toe_level"], record.toe_level)
    centres = solve_centres(
        pickups,
        s,
        e=pickups["easting"] - survey.origin[0],
        n=pickups["northing"] - survey.origin[1],
        attempt=attempt,
        design_e=design_e,
        design_n=design_n,
        cut_off=design["cut_off_level"],
        radius=radius,
        pile_ids=design["pile_id"],
        file_names=[f.path for f in survey.files],
    )
    slope_e, slope_n = slopes_of_readings(tilts, s, alignment)
    readings = collect_readings(tilts, s, slope_e=slope_e, slope_n=slope_n, attempt=attempt)
    leans, other_leans, _ = build_axes(
        centres,
        readings,
        profiles,
        s,
        attempt=attempt,
        cut_off=design["cut_off_level"],
        toe=toe,
        limit=verticality_limits(s, design["kind"]),
    )
    inputs, _ = joint_inputs(
        design=design,
        settings=s,
        alignment=alignment,
        centres=centres,
        radius=radius,
        toe_recorded=record.toe_level,
        design_e=design_e,
        design_n=design_n,
    )
    moved_e, moved_n, _ = approved_places(survey, set_out)
    return Reconciliation(
        survey=survey,
        as_of=moment,
        centres=centres,
        axes=placed(leans),
        other_axes=placed(other_leans),
        piles=_piles(
            design,
            alignment,
            design_e=design_e,
            design_n=design_n,
            set_out_e=np.where(np.isnan(moved_e), design_e, moved_e),
            set_out_n=np.where(np.isnan(moved_n), design_n, moved_n),
            radius=radius,
        ),
        joints=_joints(design, inputs),
        stages=(),
        statistics=_NO_STATISTICS,
        findings=(),
        layers={},
    )


def _near(alignment: Alignment, pile: int) -> Booleans:
    """Return which piles (n,) are the pile itself or have a joint with it."""
    a, b = alignment.joint_a, alignment.joint_b
    near = np.zeros(len(alignment.pit), dtype=np.bool_)
    near[pile] = True
    near[b[a == pile]] = True
    near[a[b == pile]] = True
    return near


def narrowed(survey: Survey, near: Booleans) -> Survey:
    """Return a survey with only those rows of its loads and approved centres that belong to some piles (n,)."""
    tables: dict[str, Any] = {}
    for name in _NARROWED:
        table: Table = getattr(survey, name)
        # a row of no pile, -1, takes the last place
        tables[name] = table.take(np.append(near, False)[table.pile])
    return replace(survey, **tables)


def _piles(design: Table, alignment: Alignment, **known: Any) -> Piles:
    """Return the piles as designed and set out; NaN for what would be worked out of their axes."""
    none = np.full(len(design), np.nan)
    return Piles(
        columns={name: design[name] for name in ("pile_id", "wall", "position", "kind", "cut_off_level")},
        centre_e=none,
        centre_n=none,
        along_e=alignment.along[:, 0],
        along_n=alignment.along[:, 1],
        pit_e=alignment.pit[:, 0],
        pit_n=alignment.pit[:, 1],
        cov=np.full((len(design), 3), np.nan),
        expected=alignment.expected,
        side=alignment.side,
        **known,
    )


def _joints(design: Table, inputs: JointInputs) -> Joints:
    """Return the joints with what is asked of them."""
    a, b, ids, nominal = inputs.a, inputs.b, design["pile_id"], design["diameter_mm"] / 2.0
    apart = np.hypot(inputs.design_w[:, 0], inputs.design_w[:, 1])
    columns = {
        "joint_id": ids[a] + np.full(len(a), "~", dtype=object) + ids[b],
        "design_overlap_mm": nominal[a] + nominal[b] - apart * 1000.0,
        "range_top": inputs.top,
        "range_bottom": inputs.bottom,
    }
    return Joints(columns=columns, a=a, b=b, required=inputs.required, toe_level=inputs.toe)
