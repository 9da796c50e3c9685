"""The only place that knows the order: a survey in, design against as-built out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache, lru_cache
from typing import TYPE_CHECKING

import numpy as np
import shapely

from asbuilt.compute.alignment import align, wall_levels
from asbuilt.compute.axes import build_axes, placed
from asbuilt.compute.blunders_levels import depth_findings
from asbuilt.compute.budget import Limits, survey_too_poor_findings, tolerance_budget_findings
from asbuilt.compute.centres import solve_centres
from asbuilt.compute.control import place_site
from asbuilt.compute.decisions import judge_decisions
from asbuilt.compute.encroachment import encroach_allowance_m, encroachment
from asbuilt.compute.evidence import Evidence
from asbuilt.compute.figures import figures_of
from asbuilt.compute.joints import evaluate_joints
from asbuilt.compute.known import approved_places, counting, newest_time, sources_of, spread
from asbuilt.compute.layers import LAYER_BUILDERS, LayerInputs
from asbuilt.compute.notes import (
    added_without_joint_findings,
    axes_disagree_findings,
    control_findings,
    drift_findings,
    level_range_findings,
    old_pickup_findings,
    omitted_but_built_findings,
    range_shortened_findings,
)
from asbuilt.compute.piles import plan_position, toe_verdicts, verticality, verticality_limits
from asbuilt.compute.profiles import joint_profile, measurements, pile_profile
from asbuilt.compute.readings import collect_readings, slopes_of_readings
from asbuilt.compute.records import (
    concrete_findings,
    governing_attempts,
    governing_records,
    progress,
    sequence_findings,
)
from asbuilt.compute.records_twice import contradicting_records
from asbuilt.compute.results import joint_inputs, joint_results, pile_results
from asbuilt.compute.sections import joint_inputs_of, settled_at_top, slice_at, toes_of
from asbuilt.compute.stages import stage_states
from asbuilt.compute.unrolled import unrolled_walls
from asbuilt.compute.wall import wall_statistics
from asbuilt.model import Reconciliation
from asbuilt.provenance import provenance
from asbuilt.views import Views

if TYPE_CHECKING:

    from asbuilt.compute.profiles import Measurements
    from asbuilt.compute.spans import JointInputs
    from asbuilt.model import Layer, Survey
    from asbuilt.views import Bands, JointProfile, PileProfile, Slice, Toes, UnrolledWall

__all__ = ["newest_time", "reconcile", "views_of"]

#: As many slices and profiles of one result are kept.
_KEPT = 64

class _Layers(Mapping[str, "Layer"]):
    """Layers made when asked for, each once."""

    def __init__(self, inputs: LayerInputs) -> None:
        self._inputs = inputs
        self._made: dict[str, Layer] = {}

    def __getitem__(self, name: str) -> Layer:
        if name not in self._made:
            self._made[name] = LAYER_BUILDERS[name](self._inputs)
        return self._made[name]

    def __iter__(self) -> Iterator[str]:
        return iter(LAYER_BUILDERS)

    def __len__(self) -> int:
        return len(LAYER_BUILDERS)


def reconcile(survey: Survey, *, as_of: np.datetime64 | None = None) -> Reconciliation:
    """Work out offsets, axes and joints of a survey, judge them, and say what holds which stage.

    Parameters
    ----------
    survey : Survey
        A survey folder as read.
    as_of : datetime64, optional
        Rows whose own time is later do not count. Default: the newest time in the inputs.

    Returns
    -------
    Reconciliation
        Results over all design piles and joints, findings, stages, statistics, and the layers.
    """
    s, design = survey.settings, survey.design
    moment = newest_time(survey) if as_of is None else as_of.astype("datetime64[ms]")
    if np.isnat(moment):
        moment = np.datetime64(0, "ms")
    pickups, all_pickups, why_not_pickups = counting(survey, "pickups", moment)
    tilts, all_tilts, why_not_tilts = counting(survey, "tilts", moment)
    profiles, records, set_out, decided = (
        counting(survey, name, moment)[0] for name in ("profiles", "records", "set_out", "decisions")
    )
    origin_e, origin_n = survey.origin
    design_e, design_n = design["easting"] - origin_e, design["northing"] - origin_n
    cut_off, ids = design["cut_off_level"], design["pile_id"]
    files = [f.path for f in survey.files]
    count = len(design)

    attempt = governing_attempts(count, pickups, tilts, profiles, records)
    record = governing_records(records, attempts=attempt)
    radius = np.where(np.isnan(record.casing_od_mm), design["diameter_mm"], record.casing_od_mm) / 2000.0
    toe = np.where(np.isnan(record.toe_level), design["toe_level"], record.toe_level)
    alignment = align(design, s, e=design_e, n=design_n)
    limit = verticality_limits(s, design["kind"])

    centres = solve_centres(
        pickups,
        s,
        e=pickups["easting"] - origin_e,
        n=pickups["northing"] - origin_n,
        attempt=attempt,
        design_e=design_e,
        design_n=design_n,
        cut_off=cut_off,
        radius=radius,
        pile_ids=ids,
        file_names=files,
    )
    slope_e, slope_n = slopes_of_readings(all_tilts, s, alignment)
    read = why_not_tilts == None  # noqa: E711
    readings = collect_readings(tilts, s, slope_e=slope_e[read], slope_n=slope_n[read], attempt=attempt)
    leans, other_leans, newest_reading = build_axes(
        centres, readings, profiles, s, attempt=attempt, cut_off=cut_off, toe=toe, limit=limit
    )
    axes, other = placed(leans), placed(other_leans)

    plan = plan_position(
        axes,
        s,
        alignment,
        cov=centres.cov,
        setup_var=centres.setup_var,
        cut_off=cut_off,
        design_e=design_e,
        design_n=design_n,
    )
    vertical = verticality(leans, s, cut_off=cut_off, allowed=limit, expected=alignment.expected)
    outline, formation = survey.clear_outline, wall_levels(s, design["wall"], "formation")
    encroach = encroachment(
        axes,
        s,
        alignment,
        cov=centres.cov,
        setup_var=centres.setup_var,
        cut_off=cut_off,
        formation=formation,
        design_e=design_e,
        design_n=design_n,
        radius=radius,
        outline=None if outline is None else shapely.transform(outline, lambda xy: xy - np.array(survey.origin)),
    )
    toes = toe_verdicts(s, recorded=record.toe_level, designed=design["toe_level"], expected=alignment.expected)
    moved = approved_places(survey, set_out)
    how_far = progress(
        design=design,
        governing=record,
        pickups=pickups,
        attempts=attempt,
        surveyed=~np.isnan(centres.e),
        read_to=axes.deepest,
        toe=toe,
    )
    piles = pile_results(
        design=design,
        settings=s,
        alignment=alignment,
        centres=centres,
        axes=axes,
        plan=plan,
        vertical=vertical,
        encroach=encroach,
        toe=toes,
        records=record,
        progress=how_far,
        radius=radius,
        design_e=design_e,
        design_n=design_n,
        set_out=moved,
        file_names=np.array(files, dtype=object),
    )
    inputs, toe_of = joint_inputs(
        design=design,
        settings=s,
        alignment=alignment,
        centres=centres,
        radius=radius,
        toe_recorded=record.toe_level,
        design_e=design_e,
        design_n=design_n,
    )
    found = evaluate_joints(inputs, axes, other, s)
    joints = joint_results(
        design=design,
        settings=s,
        inputs=inputs,
        found=found,
        centres=centres,
        axes=axes,
        toe_of=toe_of,
        progress=how_far,
    )

    interlock_to = wall_levels(s, design["wall"], "interlock_to")
    control, grid = place_site(survey)
    findings = (
        *survey.notes,
        *level_range_findings(design, pickups, records, settings=s, files=files),
        *depth_findings(replace(survey, pickups=pickups, tilts=tilts, profiles=profiles, records=records), files),
        *contradicting_records(records, s, files),
        *centres.findings,
        *drift_findings(readings, ids),
        *axes_disagree_findings(axes, centres, readings, s, pile_ids=ids, files=files),
        *old_pickup_findings(centres, newest_reading, s, pile_ids=ids, files=files),
        *omitted_but_built_findings(design, pickups, tilts, profiles, records, files=files),
        *added_without_joint_findings(design, joints, files=files),
        *control_findings(control, survey.control, files=files),
        *range_shortened_findings(joints, np.minimum(interlock_to[inputs.a], interlock_to[inputs.b])),
        *tolerance_budget_findings(settings=s, design=design, piles=piles, joints=joints),
        *survey_too_poor_findings(
            settings=s,
            plan=Limits(allowed=plan.allowed, sigma=plan.smaller_sigma),
            vertical=Limits(allowed=limit, sigma=vertical.sigma),
            encroach=None
            if s.tolerance.encroach_mm is None
            else Limits(allowed=encroach_allowance_m(s, cut_off, formation), sigma=encroach.sigma),
            joint=Limits(
                allowed=joints["design_overlap_mm"] / 1000.0 - joints.required, sigma=joints["u_overlap_mm"] / 1000.0
            ),
        ),
        *sequence_findings(settings=s, design=design, joints=joints, governing=record, files=files),
        *concrete_findings(design=design, governing=record, cut_off=cut_off, files=files),
    )
    statistics = wall_statistics(
        settings=s,
        design=design,
        piles=piles,
        joints=joints,
        bias_e=plan.e - piles.set_out_e,
        bias_n=plan.n - piles.set_out_n,
        load_of_pile=piles["load_file"],
        rig_of_pile=record.rig,
        p_open=found.p_open,
    )
    evidence = Evidence(
        survey=survey,
        rows=lambda: {
            "pickups": pickups.take(centres.used),
            "tilts": tilts.take(readings.used),
            "profiles": profiles.take((profiles.pile >= 0) & (profiles["attempt"] == attempt[profiles.pile])),
        },
        record=record,
        attempt=attempt,
        joints=joints,
        findings=findings,
    )
    unproved = np.array([path == "decisions.csv" for path in files], dtype=np.bool_)[decided.file]
    decisions = judge_decisions(
        decided,
        evidence=evidence.of,
        figures=lambda item: figures_of(item, piles, joints),
        unproved=unproved if survey.decisions_edited else None,
    )
    stages = stage_states(
        settings=s, design=design, piles=piles, joints=joints, decisions=decisions, encroach_from=encroach.from_level
    )
    layers = _Layers(
        LayerInputs(
            survey=survey,
            piles=piles,
            joints=joints,
            axes=axes,
            spacing_next=alignment.spacing_next,
            slopes=np.column_stack([slope_e, slope_n]),
            readings_used=spread(readings.used, why_not_tilts, rest=False),
            pickups=all_pickups,
            tilts=all_tilts,
            used=spread(centres.used, why_not_pickups, rest=False),
            superseded_by=spread(centres.superseded_by, why_not_pickups, rest=why_not_pickups),
            findings=findings,
            stages=stages,
            decisions=decided,
            judged=decisions,
            provenance=lambda: [*provenance(survey, as_of=moment), *(grid.versions if grid else ())],
            control=control,
            grid=grid,
        )
    )
    return Reconciliation(
        survey=survey,
        as_of=moment,
        centres=centres,
        axes=axes,
        other_axes=other,
        piles=piles,
        joints=joints,
        stages=stages,
        statistics=statistics,
        findings=findings,
        layers=layers,
        decisions=decisions,
        evidence=evidence.of,
        control=control,
        grid=grid,
    )


def views_of(result: Reconciliation) -> Views:
    """Return what can be asked of a reconciliation for a picture; nothing is worked out before it is asked for."""
    survey = result.survey

    @cache
    def inputs() -> JointInputs:
        return joint_inputs_of(result)

    @cache
    def measured() -> Measurements:
        pickups, tilts = (counting(survey, name, result.as_of)[0] for name in ("pickups", "tilts"))
        alignment = align(survey.design, survey.settings, e=result.piles.design_e, n=result.piles.design_n)
        slope_e, slope_n = slopes_of_readings(tilts, survey.settings, alignment)
        readings = collect_readings(
            tilts, survey.settings, slope_e=slope_e, slope_n=slope_n, attempt=result.centres.attempt
        )
        return measurements(result, readings=readings, pickups=pickups)

    @lru_cache(maxsize=_KEPT)
    def at_level(level: float | None) -> Slice:
        return slice_at(result, inputs(), level)

    @cache
    def toes() -> Toes:
        return toes_of(result)

    @cache
    def bands() -> Bands:
        # a page of a book that shows no bands need not load what works them out
        from asbuilt.compute.bands import joint_bands

        settled = np.where(settled_at_top(result), inputs().top, np.nan)
        return joint_bands(inputs(), result.axes, result.other_axes, survey.settings, settled=settled)

    @lru_cache(maxsize=_KEPT)
    def joint(place: int) -> JointProfile:
        return joint_profile(result, inputs(), place)

    @lru_cache(maxsize=_KEPT)
    def pile(place: int) -> PileProfile:
        return pile_profile(result, measured(), place)

    @cache
    def unrolled() -> tuple[UnrolledWall, ...]:
        return unrolled_walls(result)

    return Views(
        at_level=at_level,
        toes=toes,
        bands=bands,
        joint=joint,
        pile=pile,
        unrolled=unrolled,
        sources=lambda: sources_of(result),
    )
