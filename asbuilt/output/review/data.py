"""Results to the object that the review page is made from; ``data.js`` says what each entry means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import DECISION_DRAFT, KINDS, LAYERS, PROGRESS, STATUSES, TABLES, VERDICT_LOOKS, VERDICTS
from asbuilt.output.review.encoding import FIGURE, PLAN, SLOPE, codes, figures, offsets, ragged, texts
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from asbuilt.model import Axes, Decision, Hold, Integers, Joints, Piles, Reconciliation, StageState
    from asbuilt.settings import Site
    from asbuilt.views import Changes, UnrolledWall, Views

__all__ = ["FORMAT", "PageInputs", "review_data"]

FORMAT = "asbuilt review 1"
#: Letters of an item's evidence that the page carries; enough to tell one state of its inputs from another.
EVIDENCE_LETTERS = 20
_CHECKS = ("plan", "vertical", "encroach", "toe")
_NO_FIGURES = {"verdict", "plan_verdict", "vertical_verdict", "encroach_verdict", "toe_verdict", "levels_known"}


@dataclass(frozen=True, kw_only=True)
class PageInputs:
    """What the page says beside the results themselves."""

    tool_version: str
    inputs_sha256: str
    ledger_head: str | None
    no_axis_reach: float
    """How far from its surveyed level a pile without a lean reading is drawn [m]."""
    worst: Sequence[str]
    """Ids of what is not within, the gravest first."""
    cautions: Sequence[str]
    page_of: Mapping[str, int]
    """Item to its page in sheets.pdf; empty where they are not made."""
    since: Changes | None = None


def review_data(
    result: Reconciliation, views: Views, given: PageInputs, *, progress: Callable[[str], None] | None = None
) -> dict[str, Any]:
    """Return the page's data.

    Parameters
    ----------
    result, views
        What was found, and what can be asked of it for a picture.
    given
        What else the page says.
    progress
        Told what is being prepared.
    """
    step = progress or (lambda _text: None)
    survey, settings = result.survey, result.survey.settings
    place = {id(one): k for k, one in enumerate(result.decisions)}
    return {
        "format": FORMAT,
        "tool_version": given.tool_version,
        "site": settings.site.name,
        "as_of": _iso(result.as_of),
        "as_of_text": settings.site.time_text(result.as_of),
        "inputs_sha256": given.inputs_sha256,
        "ledger_head": given.ledger_head,
        "changed": list(survey.changed),
        "confidence": settings.site.confidence,
        "origin": list(survey.origin),
        "verdicts": list(VERDICTS),
        "letters": [VERDICT_LOOKS[name].letter for name in VERDICTS],
        "colours": [VERDICT_LOOKS[name].colour for name in VERDICTS],
        "joint_states": list(JOINT_STATES),
        "files": [file.path for file in survey.files],
        "levels": _levels(result),
        "no_axis_reach": given.no_axis_reach,
        "walls": _walls(views),
        "clear_outline": _outline(result),
        "piles": _piles(result, views, step),
        "joints": _joints(result, views, step),
        "worst": list(given.worst),
        "stages": [_stage(state, place) for state in result.stages],
        "findings": [
            {name: getattr(one, name) for name in ("id", "severity", "kind", "item", "text", "file", "line", "column")}
            for one in result.findings
        ],
        "decisions": [_decision(one, settings.site) for one in result.decisions],
        "evidence": _evidence(result),
        "page_of": dict(given.page_of),
        "not_made": _not_made(result),
        "cautions": list(given.cautions),
        "draft_format": DECISION_DRAFT,
        "since": None if given.since is None else _since(given.since, settings.site),
    }


def _iso(moment: np.datetime64) -> str:
    return f"{np.datetime_as_string(moment.astype('datetime64[ms]'))}Z"


def _levels(result: Reconciliation) -> dict[str, float]:
    levels, design = result.survey.settings.levels, result.survey.design
    cut_off = np.asarray(design["cut_off_level"], dtype=np.float64)
    toe = np.fmin(np.asarray(result.axes.toe), np.asarray(design["toe_level"], dtype=np.float64))
    return {
        "top": round(float(np.nanmax(cut_off, initial=-np.inf)), PLAN),
        "bottom": round(float(np.nanmin(toe, initial=np.inf)), PLAN),
        "formation": levels.formation,
        "interlock_to": levels.interlock_to,
        "cut_off": round(float(np.nanmax(cut_off, initial=-np.inf)), PLAN),
    }


def _walls(views: Views) -> list[dict[str, Any]]:
    """Return the walls one after another along the elevation."""
    walls, at = [], 0.0
    for wall in views.unrolled():
        closed = len(wall.pile) > 1 and wall.pile[0] == wall.pile[-1]
        walls.append(
            {
                "id": wall.name,
                "first": int(wall.pile[0]),
                "closed": bool(closed),
                "start": round(at, PLAN),
                "end": round(at + wall.length, PLAN),
            }
        )
        at += wall.length + _gap(wall)
    return walls


def _gap(wall: UnrolledWall) -> float:
    """Return how far behind the end of a wall the next one begins: joints that are not in line stand between them."""
    return wall.spacing * (2.0 + len(wall.extra))


def _outline(result: Reconciliation) -> list[list[float | None]]:
    outline = result.survey.clear_outline
    if outline is None:
        return []
    ring = np.asarray(outline.exterior.coords)[:, :2] - np.array(result.survey.origin)
    return [figures(point, PLAN) for point in ring]


# -------------------------------------------------------------------------------------------------- piles


def _piles(result: Reconciliation, views: Views, step: Callable[[str], None]) -> dict[str, Any]:
    piles, design = result.piles, result.survey.design
    surveyed, site = np.asarray(piles["surveyed_at"]), result.survey.settings.site
    return {
        "id": design["pile_id"].tolist(),
        "wall": texts(design["wall"]),
        "position": figures(design["position"], 0),
        "kind": [KINDS[code] for code in codes(design["kind"])],
        "status": [STATUSES[code] for code in codes(design["status"])],
        "progress": [PROGRESS[code] for code in codes(piles["progress"])],
        "e": figures(piles.design_e, PLAN),
        "n": figures(piles.design_n, PLAN),
        "r": figures(piles.radius, PLAN),
        "pit_e": figures(piles.pit_e, PLAN),
        "pit_n": figures(piles.pit_n, PLAN),
        "cut_off": figures(design["cut_off_level"], PLAN),
        "toe": figures(result.axes.toe, PLAN),
        "predicted_below": figures(piles["predicted_below"], PLAN),
        "axes": _axes(result.axes, piles),
        "verdict": codes(np.where(piles.expected, np.asarray(piles["verdict"]), -1)),
        "reasons": texts(piles["reasons"]),
        "file": texts(piles["load_file"]),
        "line": [int(line) if line > 0 else None for line in np.asarray(result.centres.line).tolist()],
        "rig": texts(piles["rig"]),
        "surveyed_at": [None if np.isnat(at) else site.time_text(at) for at in surveyed],
        "figures": _figures("asbuilt_piles", piles),
        "checks": {check: codes(piles[f"{check}_verdict"]) for check in _CHECKS},
        "one_in": texts(piles["one_in"]),
        "profile": _pile_profiles(result, views, step),
        "sources": _sources(result, views),
    }


def _axes(axes: Axes, piles: Piles) -> dict[str, Any]:
    """Return the axes of the piles that are surveyed and not omitted."""
    known = np.isfinite(np.asarray(piles.centre_e)) & np.asarray(piles.expected)
    count = np.diff(axes.start)
    keep = np.repeat(known, count)
    keep &= np.isfinite(axes.anchor_e) & np.isfinite(axes.slope_e)
    owner = np.repeat(np.arange(len(piles)), count)[keep]
    return {
        "start": offsets(owner, len(piles)),
        "top": [None if value is None or value == np.inf else value for value in figures(axes.top[keep], PLAN)],
        "z0": figures(axes.anchor_z[keep], PLAN),
        "e": figures(axes.anchor_e[keep], PLAN),
        "n": figures(axes.anchor_n[keep], PLAN),
        "se": figures(axes.slope_e[keep], SLOPE),
        "sn": figures(axes.slope_n[keep], SLOPE),
    }


def _figures(layer: str, rows: Piles | Joints) -> dict[str, list[float | None]]:
    """Return every column of figures of a layer by name, as the layer has them."""
    found = {}
    for column in LAYERS[layer].columns:
        if column.kind == "float" and column.name not in _NO_FIGURES:
            found[column.name] = figures(rows[column.name], FIGURE)
    return found


def _pile_profiles(result: Reconciliation, views: Views, step: Callable[[str], None]) -> dict[str, Any]:
    count = len(result.piles)
    profiles = []
    for pile in range(count):
        if pile % 500 == 0:
            step(f"preparing the review page: pile {pile + 1} of {count}")
        profiles.append(views.pile(pile))
    start, level = ragged([one.level for one in profiles])
    reading_start, reading_level = ragged([one.reading_level for one in profiles])
    deviation, sigma, slope = (
        np.concatenate([getattr(one, name) for one in profiles] or [np.empty((0, 2))]) * 1000.0
        for name in ("deviation", "sigma", "reading_slope")
    )
    across = {
        "a_mm": deviation[:, 0],
        "b_mm": deviation[:, 1],
        "ua_mm": sigma[:, 0],
        "ub_mm": sigma[:, 1],
        "reading_a_mm_per_m": slope[:, 0],
        "reading_b_mm_per_m": slope[:, 1],
    }
    return {
        "first": [one.directions[0] for one in profiles],
        "second": [one.directions[1] for one in profiles],
        "start": start,
        "level": figures(level, 3),
        **{name: figures(values, 2) for name, values in across.items()},
        "reading_start": reading_start,
        "reading_level": figures(reading_level, 3),
        "reading_count": codes(ragged([one.reading_count for one in profiles])[1]),
    }


def _sources(result: Reconciliation, views: Views) -> dict[str, Any]:
    rows = views.sources()
    return {
        "start": offsets(rows.pile, len(result.piles)),
        "table": texts(rows.table),
        "file": codes(rows.file),
        "line": codes(rows.line),
    }


# ------------------------------------------------------------------------------------------------- joints


def _joints(result: Reconciliation, views: Views, step: Callable[[str], None]) -> dict[str, Any]:
    joints = result.joints
    bands = views.bands()
    return {
        "id": joints["joint_id"].tolist(),
        "a": codes(joints.a),
        "b": codes(joints.b),
        "wall": texts(joints["wall"]),
        "required_mm": figures(joints.required * 1000.0, FIGURE),
        "top": figures(joints["range_top"], PLAN),
        "bottom": figures(joints["range_bottom"], PLAN),
        "verdict": codes(joints["verdict"]),
        "reasons": texts(joints["reasons"]),
        "figures": _figures("joints", joints),
        "levels_known": np.asarray(joints["levels_known"], dtype=bool).tolist(),
        "chainage": figures(_chainage(views, len(joints)), 3),
        "bands": {
            "start": offsets(bands.joint, len(joints)),
            "top": figures(bands.top, PLAN),
            "bottom": figures(bands.bottom, PLAN),
            "state": codes(bands.state),
        },
        "profile": _joint_profiles(len(joints), views, step),
    }


def _chainage(views: Views, count: int) -> Any:
    """Return the middle of each joint along the elevation; those beside the wall stand behind its end."""
    found = np.full(count, np.nan)
    at = 0.0
    for wall in views.unrolled():
        found[wall.joint] = at + wall.reach.mean(axis=1) if len(wall.joint) else found[wall.joint]
        found[wall.extra] = at + wall.length + wall.spacing * (1.0 + np.arange(len(wall.extra)))
        at += wall.length + _gap(wall)
    return found


def _joint_profiles(count: int, views: Views, step: Callable[[str], None]) -> dict[str, Any]:
    profiles = []
    for joint in range(count):
        if joint % 500 == 0:
            step(f"preparing the review page: joint {joint + 1} of {count}")
        profiles.append(views.joint(joint))
    start, level = ragged([one.level for one in profiles])
    return {
        "start": start,
        "level": figures(level, 4),
        "overlap_mm": figures(ragged([one.overlap for one in profiles])[1] * 1000.0, 2),
        "low_mm": figures(ragged([one.low for one in profiles])[1] * 1000.0, 1),
        "other_mm": figures(ragged([one.other_overlap for one in profiles])[1] * 1000.0, 1),
        "p": figures(ragged([one.p for one in profiles])[1], 4),
    }


# ------------------------------------------------------------------------------------ stages and decisions


def _stage(state: StageState, place: Mapping[int, int]) -> dict[str, Any]:
    def hold(one: Hold) -> dict[str, Any]:
        decision = None if one.decision is None else place.get(id(one.decision))
        level = figures([one.level], PLAN)[0]
        return {
            "item": one.item,
            "check": one.check,
            "verdict": VERDICTS.index(one.verdict),
            "level": level,
            "text": one.text,
            "unmeasured": one.unmeasured,
            "decision": decision,
        }

    return {
        "name": state.stage,
        "level": state.level,
        "joints_to": state.joints_to,
        "state": state.state,
        "held_by": [hold(one) for one in state.held_by],
        "below": [hold(one) for one in state.below],
        "accepted": [hold(one) for one in state.accepted],
    }


def _decision(one: Decision, site: Site) -> dict[str, Any]:
    names = ("by", "item", "effect", "down_to", "until", "reason", "reference", "state", "standing", "changed")
    return {"at": site.time_text(one.at), **{name: getattr(one, name) for name in names}}


def _evidence(result: Reconciliation) -> dict[str, str]:
    items = [*result.piles["pile_id"], *result.joints["joint_id"], *(one.id for one in result.findings)]
    return {item: (result.evidence(item) or "")[:EVIDENCE_LETTERS] for item in items}


def _not_made(result: Reconciliation) -> list[str]:
    """Return the checks that are not made, as no tolerance is given."""
    tolerance = result.survey.settings.tolerance
    without = {
        "toe level": tolerance.toe_mm is None,
        "encroachment": tolerance.encroach_mm is None,
        "clear outline": result.survey.clear_outline is None,
        **{f"lean of {kind} piles": kind not in tolerance.verticality for kind in _kinds(result)},
    }
    return [name for name, missing in without.items() if missing]


def _kinds(result: Reconciliation) -> list[str]:
    kinds: Integers = np.unique(np.asarray(result.survey.design["kind"]).astype(np.int64))
    return [TABLES["design"].column("kind").choices[code] for code in kinds.tolist()]


def _since(since: Changes, site: Site) -> dict[str, Any]:
    return {
        "as_of": site.time_text(since.as_of),
        "items": [
            {"item": one.item, "was": one.was, "now": one.now, "text": one.text, "worse": one.worse}
            for one in since.items
        ],
        "lapsed": list(since.lapsed),
        "stages": [
            {
                "stage": one.stage,
                "was": one.was,
                "now": one.now,
                "added": list(one.added),
                "gone": list(one.gone),
            }
            for one in since.stages
        ],
    }
