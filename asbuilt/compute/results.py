"""Results to the columns of the layers ``asbuilt_piles`` and ``joints``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import PROGRESS
from asbuilt.compute.alignment import wall_levels
from asbuilt.compute.axes import NONE
from asbuilt.compute.joints import JointResults, overlap_for_chord
from asbuilt.compute.reasons import joint_reasons, pile_reasons
from asbuilt.compute.spans import JointInputs
from asbuilt.compute.verdicts import NOT_SURVEYED, SLACK_M, worst
from asbuilt.model import Joints, Piles

if TYPE_CHECKING:
    from asbuilt.compute.alignment import Alignment
    from asbuilt.compute.encroachment import Encroachment
    from asbuilt.compute.piles import Plan, Verticality
    from asbuilt.compute.records import GoverningRecords
    from asbuilt.model import Axes, Centres, Codes, Floats, Integers, Table, Texts
    from asbuilt.settings import Settings

__all__ = ["joint_inputs", "joint_results", "pair_covariance", "pile_results"]

TO_DRILL = PROGRESS.index("to drill")
#: Above this n a pile is called plumb.
_PLUMB = 5000


def _one_in(incline: Floats) -> Texts:
    """Return "1 in n" (n,), "plumb" above 5000, None where not measured."""
    words = np.array(["1 in <1", *(f"1 in {n}" for n in range(1, _PLUMB + 1)), "plumb", None], dtype=object)
    # rounded to the steeper side, so that it never looks better than a limit that it is beyond
    n = np.floor(1.0 / np.maximum(np.nan_to_num(incline, nan=1.0), 1e-12) + 1e-6)
    place = np.where(np.isnan(incline), _PLUMB + 2, np.minimum(n, _PLUMB + 1))
    text: Texts = words[place.astype(np.int64)]
    return text


def pile_results(
    *,
    design: Table,
    settings: Settings,
    alignment: Alignment,
    centres: Centres,
    axes: Axes,
    plan: Plan,
    vertical: Verticality,
    encroach: Encroachment,
    toe: Codes,
    records: GoverningRecords,
    progress: Codes,
    radius: Floats,
    design_e: Floats,
    design_n: Floats,
    set_out: tuple[Floats, Floats, Texts],
    file_names: Texts,
) -> Piles:
    """Put the results of all piles under their columns.

    ``set_out``: approved centres, reduced (n,), (n,) [m], NaN for none, and who approved.
    """
    surveyed = ~np.isnan(centres.e)
    moved_e, moved_n, by = set_out
    toe_mm = settings.tolerance.toe_mm or 0.0
    verdict = worst(plan.verdict, vertical.verdict, encroach.verdict, toe)
    cut_off = design["cut_off_level"]
    load = np.full(len(design), None, dtype=object)
    load[surveyed] = file_names[centres.file[surveyed]]
    with np.errstate(invalid="ignore"):
        bearing = np.degrees(np.arctan2(plan.offset_e, plan.offset_n)) % 360.0
    columns = {
        **{name: design[name] for name in ("pile_id", "wall", "position", "kind")},
        "diameter_mm": radius * 2000.0,
        "progress": progress,
        "surveyed_level": centres.level,
        "cut_off_level": cut_off,
        "offset_e_mm": plan.offset_e * 1000.0,
        "offset_n_mm": plan.offset_n * 1000.0,
        "offset_mm": plan.offset * 1000.0,
        "offset_bearing_deg": bearing,
        "towards_pit_mm": plan.towards_pit * 1000.0,
        "along_wall_mm": plan.along * 1000.0,
        "offset_from_set_out_mm": np.hypot(plan.e - moved_e, plan.n - moved_n) * 1000.0,
        "allowed_mm": plan.allowed * 1000.0,
        "plan_of_allowed_percent": plan.offset / plan.allowed * 100.0,
        "u_offset_mm": plan.sigma * 1000.0,
        "p_plan": plan.p,
        "plan_verdict": plan.verdict,
        "tilt_e_mm_per_m": vertical.slope_e * 1000.0,
        "tilt_n_mm_per_m": vertical.slope_n * 1000.0,
        "incline_mm_per_m": vertical.incline * 1000.0,
        "one_in": _one_in(vertical.incline),
        "steepest_mm_per_m": vertical.steepest * 1000.0,
        "allowed_mm_per_m": vertical.allowed * 1000.0,
        "vertical_of_allowed_percent": vertical.incline / vertical.allowed * 100.0,
        "p_vertical": vertical.p,
        "vertical_verdict": vertical.verdict,
        "worst_towards_pit_mm": encroach.movement * 1000.0,
        "worst_towards_pit_level": encroach.movement_level,
        "face_inside_mm": encroach.face_inside * 1000.0,
        "face_inside_level": encroach.face_level,
        "encroach_of_allowed_percent": encroach.of_allowed * 100.0,
        "p_encroach": encroach.p,
        "encroach_verdict": encroach.verdict,
        "toe_level": records.toe_level,
        "toe_verdict": toe,
        "predicted_below": axes.deepest,
        "method": axes.method,
        "n_shots": np.where(centres.shots < 0, np.nan, centres.shots),
        "fit_rms_mm": centres.fit_rms * 1000.0,
        "fit_radius_mm": centres.fit_radius * 1000.0,
        "fit_arc_deg": centres.fit_arc_deg,
        "surveyed_at": centres.surveyed_at,
        "object": centres.object,
        "rig": records.rig,
        "load_file": load,
        "drilled_at": records.drilled_at,
        "verdict": verdict,
    }
    below = cut_off - np.where(np.isnan(encroach.movement_level), cut_off, encroach.movement_level)
    tolerance = settings.tolerance
    figures = {
        **columns,
        "toe_above_mm": (records.toe_level - design["toe_level"]) * 1000.0,
        "toe_allowed_mm": np.full(len(design), toe_mm),
        "encroach_allowed_mm": (tolerance.encroach_mm or 0.0) + tolerance.encroach_growth_mm_per_m * below,
        "clear_mm": np.full(len(design), tolerance.clear_mm),
    }
    approved = np.flatnonzero(~np.isnan(moved_e) & surveyed)
    shift = np.hypot(moved_e - design_e, moved_n - design_n) * 1000.0
    said = [
        f"set out {mm:.0f} mm from design, approved by {name}"
        for mm, name in zip(shift[approved].tolist(), by[approved].tolist(), strict=True)
    ]
    columns["reasons"] = pile_reasons(
        verdicts={"plan": plan.verdict, "vertical": vertical.verdict, "encroach": encroach.verdict, "toe": toe},
        figures=figures,
        centre_reason=centres.reason,
        surveyed=surveyed,
        confidence=settings.site.confidence,
        moved=(approved, said),
        to_drill=progress == TO_DRILL,
    )
    return Piles(
        columns=columns,
        centre_e=plan.e,
        centre_n=plan.n,
        design_e=design_e,
        design_n=design_n,
        set_out_e=np.where(np.isnan(moved_e), design_e, moved_e),
        set_out_n=np.where(np.isnan(moved_n), design_n, moved_n),
        radius=radius,
        along_e=alignment.along[:, 0],
        along_n=alignment.along[:, 1],
        pit_e=alignment.pit[:, 0],
        pit_n=alignment.pit[:, 1],
        cov=plan.cov,
        expected=alignment.expected,
        side=alignment.side,
    )


def pair_covariance(centres: Centres, a: Integers, b: Integers) -> Floats:
    """Return the covariance (k, 3) of the difference of two surveyed centres [m²]: EE, EN, NN.

    What all shots of one set-up have in common cancels between two centres of the same set-up.
    """
    cov: Floats = centres.cov[a] + centres.cov[b]
    shared = (centres.setup[a] == centres.setup[b]) & (centres.setup[a] >= 0)
    common = np.where(shared, 0.0, 2 * centres.setup_var)
    cov[:, 0] += common
    cov[:, 2] += common
    return cov


def joint_inputs(
    *,
    design: Table,
    settings: Settings,
    alignment: Alignment,
    centres: Centres,
    radius: Floats,
    toe_recorded: Floats,
    design_e: Floats,
    design_n: Floats,
) -> tuple[JointInputs, Integers]:
    """Return what joints are worked out from, and the pile whose toe as built is the higher (m,)."""
    a, b = alignment.joint_a, alignment.joint_b
    t = settings.tolerance
    cut_off, toe = design["cut_off_level"], design["toe_level"]
    walls = design["wall"]
    to, formation = (wall_levels(settings, walls, name) for name in ("interlock_to", "formation"))
    top = np.minimum(cut_off[a], cut_off[b])
    bottom = np.minimum(np.maximum(np.minimum(to[a], to[b]), np.maximum(toe[a], toe[b])), top)
    required = np.full(len(a), t.overlap_mm / 1000.0)
    if t.chord_mm is not None:
        required = np.maximum(required, overlap_for_chord(t.chord_mm / 1000.0, radius[a], radius[b]))
    built = np.fmax(toe_recorded[a], toe_recorded[b])
    short = built > bottom + (t.toe_mm or 0.0) / 1000.0 + SLACK_M
    toe_of = np.where(np.nan_to_num(toe_recorded[b], nan=-np.inf) > np.nan_to_num(toe_recorded[a], nan=-np.inf), b, a)
    inputs = JointInputs(
        a=a,
        b=b,
        radius_a=radius[a],
        radius_b=radius[b],
        required=required,
        top=top,
        bottom=bottom,
        formation=np.minimum(formation[a], formation[b]),
        along=alignment.joint_along,
        pit=alignment.joint_pit,
        design_w=np.column_stack([design_e[b] - design_e[a], design_n[b] - design_n[a]]),
        cov=pair_covariance(centres, a, b),
        toe=np.where(short, np.minimum(built, top), np.nan),
    )
    return inputs, toe_of


def joint_results(
    *,
    design: Table,
    settings: Settings,
    inputs: JointInputs,
    found: JointResults,
    centres: Centres,
    axes: Axes,
    toe_of: Integers,
    progress: Codes,
) -> Joints:
    """Put the results of all joints under their columns."""
    a, b = inputs.a, inputs.b
    ids, walls = design["pile_id"], design["wall"]
    nominal = design["diameter_mm"] / 2.0
    judged = found.verdict != NOT_SURVEYED
    gap = np.maximum(0.0, -found.least)
    # below a toe that is too high there is no joint, whatever the axes would do there
    short = ~np.isnan(inputs.toe)
    known_gap = np.where(short & (gap == 0), np.nan, gap)
    built = ~(short & (inputs.formation < inputs.toe))
    deepest = np.fmax(axes.deepest[a], axes.deepest[b])
    columns = {
        "joint_id": ids[a] + np.full(len(a), "~", dtype=object) + ids[b],
        "pile_a": ids[a],
        "pile_b": ids[b],
        "wall": walls[a],
        "design_overlap_mm": nominal[a] + nominal[b] - np.hypot(inputs.design_w[:, 0], inputs.design_w[:, 1]) * 1000.0,
        "required_overlap_mm": inputs.required * 1000.0,
        "range_top": inputs.top,
        "range_bottom": inputs.bottom,
        "overlap_cut_off_mm": found.overlap_top * 1000.0,
        "overlap_formation_mm": np.where(built, found.overlap_formation, np.nan) * 1000.0,
        "least_overlap_mm": found.least * 1000.0,
        "least_level": found.least_level,
        "levels_known": found.levels_known,
        "lost_level": np.fmax(found.lost_level, inputs.toe),
        "open_level": np.fmax(found.open_level, inputs.toe),
        "sure_level": found.sure_level,
        "opening_formation_mm": np.where(built, np.maximum(0.0, -found.overlap_formation), np.nan) * 1000.0,
        "worst_opening_mm": known_gap * 1000.0,
        "worst_opening_level": np.where(gap > 0, found.least_level, np.nan),
        "chord_formation_mm": np.where(built, found.chord_formation, np.nan) * 1000.0,
        "thickness_formation_mm": np.where(built, found.thickness_formation, np.nan) * 1000.0,
        "band_formation_mm": np.where(built, found.band_formation, np.nan) * 1000.0,
        "least_along_mm": found.least_along * 1000.0,
        "least_across_mm": found.least_across * 1000.0,
        "u_overlap_mm": np.where(judged, found.sigma, np.nan) * 1000.0,
        "p_interlock": np.where(judged, found.p, np.nan),
        "governing_level": np.where(judged, found.governing_level, np.nan),
        "other_model_least_overlap_mm": found.other_least * 1000.0,
        "other_model_least_level": found.other_level,
        "predicted_below": np.where(found.levels_known, np.minimum(deepest, inputs.top), np.nan),
        "verdict": found.verdict,
    }
    columns["reasons"] = joint_reasons(
        verdict=found.verdict,
        figures=columns,
        a=a,
        b=b,
        pile_ids=ids,
        surveyed=~np.isnan(centres.e),
        has_axis=axes.method != NONE,
        depends=found.depends_on_model,
        toe_of=toe_of,
        toe=inputs.toe,
        confidence=settings.site.confidence,
        guarded=settings.decide.joint == "guarded",
        to_drill=progress == TO_DRILL,
    )
    return Joints(columns=columns, a=a, b=b, required=inputs.required, toe_level=inputs.toe)
