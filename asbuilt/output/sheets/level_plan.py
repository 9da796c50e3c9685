"""Plans at a level: the slice through the wall at every stage, at formation and down to where joints must interlock.

Everything is true to scale. A plan at cut-off alone reassures falsely: piles lean, and openings are found at depth.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import BOLD, FINE, GREY, HAIR, INK, MEDIUM, THIN, WHITE
from asbuilt.output.sheets.dimension import end_marks
from asbuilt.output.sheets.figures import asked_level, counted, figure, level_figure
from asbuilt.output.sheets.flags import free_room, pile_flags
from asbuilt.output.sheets.frame import Sheet
from asbuilt.output.sheets.key_plan import cover_match_lines, match_flags, match_lines, place_key_plan
from asbuilt.output.sheets.level_legend import level_legend
from asbuilt.output.sheets.level_marks import CONCRETE, OUT_OF_RANGE, VERDICT_OF, joint_marks, list_open
from asbuilt.output.sheets.levels import WALL_LEVELS, levels_of_walls
from asbuilt.output.sheets.names import wall_names
from asbuilt.output.sheets.notes import CAUTION, sheet_notes
from asbuilt.output.sheets.placing import Boxes, join
from asbuilt.output.sheets.plan_layout import STROKE, lay_out, page_plan, stroke_lengths
from asbuilt.output.sheets.scaling import draw_bars, draw_grid, plan_boxes
from asbuilt.output.sheets.symbols import (
    BOUND_DASH,
    DESIGN_DASH,
    LOOKS,
    MATCH_DASH,
    OUTLINE_DASH,
    PREDICTED_DASH,
    crosses,
    draw_markers,
)
from asbuilt.views import Slice, Toes

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.model import Booleans, Codes, Floats, Integers, Reconciliation, Texts
    from asbuilt.output.sheets.canvas import Box, Canvas
    from asbuilt.output.sheets.job import Job
    from asbuilt.output.sheets.plan_layout import Plan

__all__ = ["LevelPlan", "level_sheets", "shown_levels"]

WITHIN, NOT_SURVEYED = VERDICTS.index("within"), VERDICTS.index("not surveyed")
#: Levels nearer to one another than this share a sheet [m].
SAME = 0.005
#: Piles smaller than this on paper take no end marks [mm].
LEAST_RADIUS = 1.0
#: So many piles whose face stands inside the clear outline are named.
MOST_FACES = 4
TRUE_TO_SCALE = ("Everything on this sheet is true to scale:", "nothing is exaggerated.")


@dataclass(frozen=True, kw_only=True)
class LevelPlan:
    """One page's slice: on paper in ``plan`` [mm], in metres in ``cut``; arrays over the page's piles or joints.

    ``plan.verdict`` holds *not surveyed* for piles that stand there unsurveyed, ``plan.joint_verdict`` what
    :data:`~asbuilt.output.sheets.level_marks.VERDICT_OF` makes of the joints' states. ``here`` are the joints that this
    page names and counts; ``required`` and ``toe`` [m] are the overlap asked for and the built toe that leaves a joint
    open.
    """

    plan: Plan
    cut: Slice
    names: Texts
    required: Floats
    toe: Floats
    confidence: float
    here: Booleans

    @property
    def state(self) -> Codes:
        """What the joints are there, place in :data:`asbuilt.views.JOINT_STATES`."""
        return self.cut.state

    @property
    def expected(self) -> Booleans:
        """Piles of the page that are to be built."""
        return np.asarray(self.plan.result.piles.expected & self.plan.own)

    @property
    def omitted(self) -> Booleans:
        """Piles of the page that are not."""
        return np.asarray(~self.plan.result.piles.expected & self.plan.own)

    @property
    def measured(self) -> Booleans:
        """Piles that stand there at or above their deepest reading."""
        return self.plan.surveyed & ~self.cut.predicted

    @property
    def predicted(self) -> Booleans:
        """Piles that stand there below their deepest reading."""
        return self.plan.surveyed & self.cut.predicted

    @property
    def unknown(self) -> Booleans:
        """Piles that stand there, but where is not known."""
        return self.cut.stands & ~self.plan.surveyed & self.plan.own

    @property
    def absent(self) -> Booleans:
        """Piles to be built that do not reach the level."""
        return self.expected & ~self.cut.stands

    def rings(self, rings: Texts, which: Booleans) -> list[Floats]:
        """Return the rings of some joints as arrays (k, points, 2) [mm], one for each number of points."""
        found: dict[int, list[Floats]] = {}
        for row in np.flatnonzero(which):
            ring = rings[row]
            if ring is not None:
                found.setdefault(len(ring), []).append(self.plan.view.paper(ring[:, 0], ring[:, 1]))
        return [np.array(alike) for alike in found.values()]


def shown_levels(job: Job) -> list[tuple[float, tuple[str, ...]]]:
    """Return the levels of the sheets [m] from the top down, and what each one is.

    Levels asked for are taken as they are; else every stage's level and how deep its joints must be sound, every
    wall's formation and the level that its joints must interlock to, as far as a pile or a joint is there, and once
    a pile is surveyed.
    """
    said = sorted(_purposes(job.result), key=lambda purpose: -purpose[0])
    if job.levels:
        asked = sorted(set(job.levels), reverse=True)
        return [(level, tuple(name for at, name in said if abs(at - level) <= SAME)) for level in asked]
    if not np.isfinite(job.result.piles.centre_e).any():
        # With no pile surveyed every level would show the design, and nothing else, over and over.
        return []
    groups: list[tuple[float, list[str]]] = []
    for level, name in said:
        if groups and groups[-1][0] - level <= SAME:
            groups[-1][1].append(name)
        else:
            groups.append((level, [name]))
    return [(level, tuple(dict.fromkeys(names))) for level, names in groups if _shows(job.views.at_level(level))]


def _shows(cut: Slice) -> bool:
    return bool(cut.stands.any() or (cut.state != OUT_OF_RANGE).any())


def _purposes(result: Reconciliation) -> Iterator[tuple[float, str]]:
    for stage in result.stages:
        yield stage.level, stage.stage
        if stage.joints_to is not None:
            yield stage.joints_to, f"joints for {stage.stage}"
    for said, levels in zip(("formation", "interlock level"), WALL_LEVELS, strict=True):
        for level, walls in levels_of_walls(result, levels):
            yield level, f"{said} of wall{'s' * (len(walls) > 1)} {', '.join(walls)}" if walls else said


def level_sheets(job: Job, area: Box, text: float) -> Sequence[Sheet]:
    """Lay out a plan at every level that matters, or that was asked for.

    Parameters
    ----------
    job : Job
    area : Box
        The part of the paper that a sheet may fill [mm].
    text : float
        Height of a capital letter [mm].
    """
    box, bars = plan_boxes(area, text)
    pages = lay_out(job.result, box, text, scale=job.scale, toes=job.views.toes())
    return [
        _sheet(job, _at_level(job, level, page), pages, _title(level, names, page), bars)
        for level, names in shown_levels(job)
        for page in pages
    ]


def _title(level: float, names: Sequence[str], page: Plan) -> str:
    # What the level is comes last, since a title block cuts what is too long.
    one_of = "" if page.pages == 1 else f", {page.page} of {page.pages}"
    return f"Plan at {asked_level(level)}{one_of}" + (f": {', '.join(names)}" if names else "")


def _sheet(job: Job, at: LevelPlan, pages: Sequence[Plan], title: str, bars: Box) -> Sheet:
    plan = at.plan
    box, text = plan.view.box, plan.text
    room = free_room(plan)
    room.cover(Boxes.squares(plan.design[at.absent], np.minimum(0.4 * plan.design_radius[at.absent], 1.5)))
    cover_match_lines(plan.part, room)
    match = match_flags(plan.part, plan.pages, text, room)
    key = place_key_plan(job.result, [page.part for page in pages], plan.page - 1, room=room, text=text)
    marks = joint_marks(at, room)
    piles, walls = pile_flags(plan, room), wall_names(plan, room)
    listed = list_open(at, room)
    # The grounds of the callouts come last: an id's leader may run under one.
    lettering = (match, piles, walls, marks)

    def draw(canvas: Canvas) -> None:
        covered = join([key.boxes, listed.boxes, *(flags.boxes for flags in lettering)])
        draw_grid(canvas, plan.view, job.result.survey.origin, text, covered=covered)
        _draw_slice(canvas, at)
        _draw_joints(canvas, at)
        canvas.lines(match_lines(plan.part), width=BOLD, dash=MATCH_DASH, clip=box)
        for flags in lettering:
            flags.draw(canvas, box)
        key.draw(canvas)
        listed.draw(canvas)
        draw_bars(canvas, bars, plan.scale, None, text)
        for number, said in enumerate(TRUE_TO_SCALE):
            canvas.text(bars.left + 0.4 * bars.width, bars.bottom + (3.2 - 1.7 * number) * text, said, height=text)

    level = asked_level(at.cut.level or 0.0)
    return Sheet(
        title=title,
        scale=plan.scale,
        draw=draw,
        legend=(*level_legend(at, marks, listed, piles, walls), *key.entries()),
        notes=sheet_notes(
            job.result, text, shown=f"Level shown: {level}, where piles and joints pass it.", more=_faces(at)
        ),
        caution=CAUTION,
    )


def _faces(at: LevelPlan) -> list[str]:
    """Return a note on the faces that stand inside the clear outline, each at the level where it does so most.

    How far a face stands inside at the sheet's own level is not among the results.
    """
    if not at.plan.outline:
        return []
    piles = at.plan.result.piles
    face, level = (np.asarray(piles[f"face_inside_{name}"], dtype=np.float64) for name in ("mm", "level"))
    inside = np.flatnonzero(at.expected & (face > 0.0))
    inside = inside[np.argsort(-face[inside], kind="stable")]
    named = [
        f"{piles['pile_id'][row]} {figure(face[row], 0.0, digits=0)} mm at {level_figure(level[row])}"
        for row in inside[:MOST_FACES].tolist()
    ]
    more = f" and {counted(len(inside) - MOST_FACES, 'pile')} more" if len(inside) > MOST_FACES else ""
    unknown = int((at.expected & np.isnan(face)).sum())
    said = f"Face inside the clear outline, worst from cut-off to formation: {', '.join(named) or 'none known'}{more}."
    return [f"{said} Not known: {counted(unknown, 'pile')}." if unknown else said]


def _at_level(job: Job, level: float, page: Plan) -> LevelPlan:
    """Put the slice in its place on a page of the plan."""
    whole = job.views.at_level(level)
    there, toes = _sliced(job.result, whole)
    plan = page_plan(there, toes, page.part, (), page=page.page, pages=page.pages, factor=page.factor, text=page.text)
    joints = job.result.joints
    rows = plan.joint_rows
    cut = _part(whole, plan.rows, rows)
    here = np.isin(rows, page.part.joints)
    no_vector = np.zeros(len(plan.rows), dtype=bool)
    plan = replace(plan, tip=plan.design, cut=no_vector, outline=page.outline)
    return LevelPlan(
        plan=_from_the_face(plan, cut),
        cut=cut,
        names=np.asarray(joints["joint_id"], dtype=object)[rows],
        required=joints.required[rows],
        toe=joints.toe_level[rows],
        confidence=job.result.survey.settings.site.confidence,
        here=here,
    )


def _part(whole: Slice, piles: Integers, joints: Integers) -> Slice:
    """Return some piles and joints of a slice."""
    of_piles = {name: getattr(whole, name)[piles] for name in ("e", "n", "cov", "stands", "predicted")}
    names = ("overlap", "sigma", "p", "state", "joint_predicted", "widest", "openings", "outlines")
    return Slice(level=whole.level, **of_piles, **{name: getattr(whole, name)[joints] for name in names})


def _sliced(result: Reconciliation, cut: Slice) -> tuple[Reconciliation, Toes]:
    """Return the results with centres and verdicts as they are at the level, for what lays out plans; no toes."""
    piles, joints = result.piles, result.joints
    unknown = cut.stands & ~np.isfinite(cut.e)
    piles = replace(
        piles,
        centre_e=np.where(cut.stands, cut.e, np.nan),
        centre_n=np.where(cut.stands, cut.n, np.nan),
        columns={**piles.columns, "verdict": np.where(unknown, NOT_SURVEYED, WITHIN)},
    )
    joints = replace(joints, columns={**joints.columns, "verdict": VERDICT_OF[cut.state]})
    none = np.full(len(piles), np.nan)
    toes = Toes(
        level=none, e=none, n=none, cov=np.full((len(piles), 3), np.nan), predicted=np.zeros(len(piles), dtype=bool)
    )
    return replace(result, piles=piles, joints=joints), toes


def _from_the_face(plan: Plan, cut: Slice) -> Plan:
    """Let the strokes of open joints start at the pit face, so that none covers the opening between the circles."""
    gap = np.nan_to_num(cut.overlap, nan=0.0) < 0
    joints = plan.result.joints
    least = np.minimum(plan.radius[joints.a], plan.radius[joints.b])[:, None]
    foot = np.where(gap[:, None], plan.joint_middle + plan.joint_normal * (least + 0.4), plan.joint_foot)
    plan = replace(plan, joint_foot=foot)
    stroke = np.where(gap, stroke_lengths(plan), plan.joint_stroke)
    return replace(plan, joint_stroke=np.where(gap & (stroke < 0), STROKE / 2.0, stroke))


def _draw_slice(canvas: Canvas, at: LevelPlan) -> None:
    """Draw the clear outline, openings, concrete, design circles, and over them the circles as built."""
    plan, clip = at.plan, at.plan.view.box
    for ring in plan.outline:
        canvas.lines([ring], width=MEDIUM, colour=INK, dash=OUTLINE_DASH, clip=clip)
    in_range = at.state != OUT_OF_RANGE
    outside = LOOKS[VERDICTS.index("outside")]
    for which, colour in ((in_range, outside.colour), (~in_range, GREY)):
        for rings in at.rings(at.cut.openings, which):
            canvas.shapes(rings, fill=colour, clip=clip)
    for which, fill in ((at.predicted, WHITE), (at.measured, CONCRETE)):
        canvas.circles(plan.built[which], plan.radius[which], fill=fill, clip=clip)
    _draw_circles(canvas, at)
    # Beyond the match lines the wall goes on, lightly.
    beyond = ~plan.own & at.cut.stands
    radius = np.where(np.isfinite(plan.built[:, 0]), plan.radius, plan.design_radius)
    canvas.circles(plan.stands[beyond], radius[beyond], width=HAIR, colour=GREY, clip=clip)
    for which, colour in ((in_range, outside.colour), (~in_range, GREY)):
        for rings in at.rings(at.cut.outlines, which):
            canvas.lines(rings, width=FINE, colour=colour, dash=BOUND_DASH, clip=clip, closed=True)


def _draw_circles(canvas: Canvas, at: LevelPlan) -> None:
    plan, clip = at.plan, at.plan.view.box
    typical = float(np.median(plan.design_radius)) if len(plan.design_radius) else 0.0
    shorter = min(1.0, max(typical, 0.4) / 1.8)
    look = LOOKS[NOT_SURVEYED]
    for which, width, colour, dash in (
        (plan.surveyed | at.omitted, THIN, GREY, DESIGN_DASH),
        (at.unknown, look.width, look.colour, look.dash),
    ):
        dash = tuple(length * shorter for length in dash)  # noqa: PLW2901  # as drawn
        canvas.circles(plan.design[which], plan.design_radius[which], width=width, colour=colour, dash=dash, clip=clip)
    canvas.circles(plan.built[at.measured], plan.radius[at.measured], width=MEDIUM, colour=INK, clip=clip)
    dash = tuple(length * min(1.0, max(typical, 0.5) / 2.5) for length in PREDICTED_DASH)
    canvas.circles(plan.built[at.predicted], plan.radius[at.predicted], width=MEDIUM, colour=INK, dash=dash, clip=clip)
    draw_markers(canvas, look, plan.design[at.unknown], min(2.4, max(0.9, typical)), clip=clip)
    canvas.lines(
        crosses(plan.design[at.absent], np.minimum(0.35 * plan.design_radius[at.absent], 1.3)), width=THIN, clip=clip
    )
    omitted = at.omitted
    canvas.lines(crosses(plan.design[omitted], 0.6 * plan.design_radius[omitted]), width=THIN, colour=GREY, clip=clip)


def _draw_joints(canvas: Canvas, at: LevelPlan) -> None:
    """Draw the joints' strokes, and the dimension marks of the openings at their narrowest."""
    plan, clip = at.plan, at.plan.view.box
    strokes = np.stack([plan.joint_foot, plan.joint_end], axis=1)
    for code, look in enumerate(LOOKS):
        which = plan.joint_verdict == code
        canvas.lines(strokes[which], width=look.width, colour=look.colour, dash=look.dash, clip=clip)
    start, end = _throats(at)
    end_marks(canvas, start, end, clip=clip)


def _throats(at: LevelPlan) -> tuple[Floats, Floats]:
    """Return the ends (k, 2) [mm] of the shortest lines across the openings."""
    plan, joints = at.plan, at.plan.result.joints
    least = np.minimum(plan.radius[joints.a], plan.radius[joints.b])
    rows = np.flatnonzero((np.nan_to_num(at.cut.overlap, nan=0.0) < 0) & (least >= LEAST_RADIUS))
    a, b = joints.a[rows], joints.b[rows]
    run = plan.built[b] - plan.built[a]
    unit = run / np.hypot(run[:, 0], run[:, 1])[:, None]
    return plan.built[a] + unit * plan.radius[a, None], plan.built[b] - unit * plan.radius[b, None]
