"""The only place that knows the order: a survey in, design against as-built out."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cache, lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from asbuilt.compute.alignment import align, wall_levels
from asbuilt.compute.axes import build_axes, placed
from asbuilt.compute.budget import Limits, survey_too_poor_findings, tolerance_budget_findings
from asbuilt.compute.centres import solve_centres
from asbuilt.compute.control import place_site
from asbuilt.compute.encroachment import encroach_allowance_m, encroachment
from asbuilt.compute.joints import evaluate_joints
from asbuilt.compute.layers import LAYER_BUILDERS, LayerInputs
from asbuilt.compute.notes import (
    axes_disagree_findings,
    drift_findings,
    level_range_findings,
    old_pickup_findings,
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
from asbuilt.compute.results import joint_inputs, joint_results, pile_results
from asbuilt.compute.sections import joint_inputs_of, settled_at_top, slice_at, toes_of
from asbuilt.compute.stages import stage_states
from asbuilt.compute.wall import wall_statistics
from asbuilt.compute.withdrawn import why_withdrawn
from asbuilt.model import Reconciliation
from asbuilt.provenance import provenance
from asbuilt.views import Views

if TYPE_CHECKING:
    import numpy.typing as npt

    from asbuilt.compute.profiles import Measurements
    from asbuilt.compute.spans import JointInputs
    from asbuilt.model import Floats, Layer, Survey, Table, Texts
    from asbuilt.views import Bands, JointProfile, PileProfile, Slice, Toes

__all__ = ["newest_time", "reconcile", "views_of"]

#: As many slices and profiles of one result are kept.
_KEPT = 64

#: Columns that say when a row came about.
_TIMES = {
    "pickups": ("surveyed_at",),
    "tilts": ("read_at",),
    "profiles": ("read_at",),
    "records": ("drilled_at", "concreted_at"),
    "set_out": ("at",),
    "decisions": ("at",),
}


def newest_time(survey: Survey) -> np.datetime64:
    """Return the newest time in the inputs, the ledger's included; NaT where nothing in them is dated.

    What was withdrawn does not count.
    """
    newest = max((one.at.astype("datetime64[ms]") for one in survey.withdrawals), default=np.datetime64("NaT", "ms"))
    for row in survey.ledger_rows:
        newest = np.fmax(newest, np.datetime64(row["at"].removesuffix("Z"), "ms"))
    for table, columns in _TIMES.items():
        rows: Table = getattr(survey, table)
        counts = why_withdrawn(rows, survey.withdrawals) == None  # noqa: E711
        for column in columns:
            times = rows[column][counts].astype("datetime64[ms]")
            times = times[~np.isnat(times)]
            if len(times):
                newest = np.fmax(newest, times.max())
    return newest


def _known_by(table: Table, as_of: np.datetime64) -> Table:
    """Return the rows of a table that were known at ``as_of``; a record's later events are blanked."""
    columns = dict(table.columns)
    keep = np.ones(len(table), dtype=bool)
    for column in _TIMES[table.name]:
        later = columns[column] > as_of
        if table.name == "records":
            columns[column] = np.where(later, np.datetime64("NaT", "ms"), columns[column]).astype("datetime64[ms]")
        else:
            keep &= ~later
    if table.name == "records":
        drilled, concreted = (table[column] > as_of for column in _TIMES["records"])
        stated = ~np.isnat(table["drilled_at"])
        keep &= ~(drilled | (concreted & ~stated))
        columns["concrete_m3"] = np.where(concreted, np.nan, columns["concrete_m3"])
    table = type(table)(name=table.name, columns=columns, file=table.file, line=table.line, pile=table.pile)
    return table if keep.all() else table.take(keep)


def _counting(survey: Survey, name: str, as_of: np.datetime64) -> tuple[Table, Table, Texts]:
    """Return a table's rows known at ``as_of``: those that count, all, and why each does not, None where it does."""
    table = _known_by(getattr(survey, name), as_of)
    why = why_withdrawn(table, survey.withdrawals, until=as_of)
    counts = why == None  # noqa: E711
    return (table if counts.all() else table.take(counts)), table, why


def _spread(values: npt.NDArray[Any], why: Texts, rest: Any) -> npt.NDArray[Any]:
    """Return values over the rows that count as values over all, ``rest`` on the others."""
    every = np.empty(len(why), dtype=values.dtype)
    every[:] = rest
    every[why == None] = values  # noqa: E711
    return every


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


def _approved(survey: Survey, set_out: Table) -> tuple[Floats, Floats, Texts]:
    """Return the newest approved centre of each pile, reduced, NaN for none, and who approved it."""
    count = len(survey.design)
    e, n, by = np.full(count, np.nan), np.full(count, np.nan), np.full(count, None, dtype=object)
    order = np.argsort(set_out["at"], kind="stable")
    pile = set_out.pile[order]
    e[pile] = set_out["easting"][order] - survey.origin[0]
    n[pile] = set_out["northing"][order] - survey.origin[1]
    by[pile] = set_out["approved_by"][order]
    return e, n, by


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
    pickups, all_pickups, why_not_pickups = _counting(survey, "pickups", moment)
    tilts, all_tilts, why_not_tilts = _counting(survey, "tilts", moment)
    profiles, records, set_out, decisions = (
        _counting(survey, name, moment)[0] for name in ("profiles", "records", "set_out", "decisions")
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
    moved = _approved(survey, set_out)
    how_far = progress(
        design=design, governing=record, pickups=pickups, attempts=attempt, surveyed=~np.isnan(centres.e)
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
    findings = (
        *survey.notes,
        *level_range_findings(design, pickups, records, settings=s, files=files),
        *centres.findings,
        *drift_findings(readings, ids),
        *axes_disagree_findings(axes, centres, readings, s, pile_ids=ids, files=files),
        *old_pickup_findings(centres, newest_reading, ids, files),
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
    base_e = np.where(np.isnan(moved[0]), design_e, moved[0])
    base_n = np.where(np.isnan(moved[1]), design_n, moved[1])
    statistics = wall_statistics(
        settings=s,
        design=design,
        piles=piles,
        joints=joints,
        bias_e=plan.e - base_e,
        bias_n=plan.n - base_n,
        load_of_pile=piles["load_file"],
        rig_of_pile=record.rig,
        p_open=found.p_open,
    )
    stages = stage_states(
        settings=s, design=design, piles=piles, joints=joints, decisions=decisions, encroach_from=encroach.from_level
    )
    control, grid = place_site(survey)
    layers = _Layers(
        LayerInputs(
            survey=survey,
            piles=piles,
            joints=joints,
            axes=axes,
            spacing_next=alignment.spacing_next,
            slopes=np.column_stack([slope_e, slope_n]),
            readings_used=_spread(readings.used, why_not_tilts, rest=False),
            pickups=all_pickups,
            tilts=all_tilts,
            used=_spread(centres.used, why_not_pickups, rest=False),
            superseded_by=_spread(centres.superseded_by, why_not_pickups, rest=why_not_pickups),
            findings=findings,
            stages=stages,
            decisions=decisions,
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
        pickups, tilts = (_counting(survey, name, result.as_of)[0] for name in ("pickups", "tilts"))
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

    return Views(at_level=at_level, toes=toes, bands=bands, joint=joint, pile=pile)
