"""The deviation plan: design and as-built circles at cut-off, offset vectors, joints, verdicts, ids, on the grid."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.canvas import FINE, GREY, INK, MEDIUM, THIN, Box
from asbuilt.output.sheets.flags import cut_flags, free_room, joint_flags, pile_flags
from asbuilt.output.sheets.frame import Sheet, Viewport
from asbuilt.output.sheets.lettering import clean, text_width
from asbuilt.output.sheets.names import wall_names
from asbuilt.output.sheets.nearness import crosses_circles, nearest_is_own
from asbuilt.output.sheets.notes import CAUTION, plan_notes
from asbuilt.output.sheets.placing import join
from asbuilt.output.sheets.plan_legend import plan_legend
from asbuilt.output.sheets.scaling import LONGEST_VECTOR, choose_factor, choose_scale, draw_bars, draw_grid
from asbuilt.output.sheets.symbols import DESIGN_DASH, LOOKS, NO_VERDICT, OUTLINE_DASH, arrows, draw_markers, draw_piles

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.model import Booleans, Floats, Integers, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.symbols import Look

__all__ = ["Plan", "deviation_plan"]

TITLE = "Deviation plan at cut-off"
#: An offset is told from none where it is longer than this many standard uncertainties: 95 % in plan,
#: the square root of the 95 % point of chi-squared on two degrees of freedom, 5.99.
TOLD_FROM_NONE = 2.45
NOT_SURVEYED = VERDICTS.index("not surveyed")
#: Length of a joint's stroke [mm of paper].
STROKE = 4.5


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What a deviation plan shows, on paper [mm] unless said otherwise; arrays over piles (n,) or joints (m,).

    NaN: not surveyed. ``verdict`` and ``joint_verdict`` are codes, -1 for none.
    """

    result: Reconciliation
    view: Viewport
    scale: int
    factor: int
    text: float
    design: Floats
    design_radius: Floats
    built: Floats
    radius: Floats
    verdict: Integers
    tip: Floats
    cut: Booleans
    hollow: Booleans
    joint_foot: Floats
    joint_middle: Floats
    joint_normal: Floats
    joint_stroke: Floats
    joint_verdict: Integers
    outline: tuple[Floats, ...]

    @property
    def joint_end(self) -> Floats:
        """Ends of the joints' strokes on the pit side."""
        return self.joint_foot + self.joint_normal * self.joint_stroke[:, None]

    @property
    def joint_back(self) -> Floats:
        """Where the joints' circles meet on the outer side."""
        return 2.0 * self.joint_middle - self.joint_foot

    @property
    def stands(self) -> Floats:
        """Centres of the piles: as built where surveyed, else as designed."""
        return np.where(self.surveyed[:, None], self.built, self.design)

    @property
    def surveyed(self) -> Booleans:
        """Which piles have an as-built centre."""
        return np.isfinite(self.built[:, 0])

    @property
    def off_sheet(self) -> Booleans:
        """Which as-built circles lie outside the window, in whole or in part."""
        box = self.view.box
        low = self.built - self.radius[:, None] < (box.left, box.bottom)
        high = self.built + self.radius[:, None] > (box.right, box.top)
        return np.asarray((low | high).any(axis=1))


def deviation_plan(result: Reconciliation, area: Box, text: float) -> Sheet:
    """Lay out the deviation plan.

    Parameters
    ----------
    result : Reconciliation
    area : Box
        The part of the paper that it may fill [mm].
    text : float
        Height of a capital letter [mm].
    """
    band, strip = 2.3 * text, 6.4 * text
    box = Box(
        left=area.left + band,
        bottom=area.bottom + strip + band,
        width=area.width - band - 2.0,
        height=area.height - strip - band - 2.0,
    )
    bars = Box(left=box.left, bottom=area.bottom + 1.0, width=box.width, height=strip - 1.5)
    plan = _lay_out(result, box, text)
    room = free_room(plan)
    cut, joints = cut_flags(plan, room), joint_flags(plan, room)
    piles, names = pile_flags(plan, room), wall_names(plan, room)

    def draw(canvas: Canvas) -> None:
        covered = join([flags.boxes for flags in (cut, joints, piles, names)])
        draw_grid(canvas, plan.view, result.survey.origin, text, covered=covered)
        _draw_circles(canvas, plan)
        _draw_joints(canvas, plan)
        _draw_vectors(canvas, plan)
        for flags in (cut, joints, piles, names):
            flags.draw(canvas, box)
        draw_bars(canvas, bars, plan.scale, plan.factor if plan.surveyed.any() else None, text)

    return Sheet(
        title=TITLE,
        scale=plan.scale,
        draw=draw,
        legend=plan_legend(plan, piles, joints, names),
        notes=plan_notes(result, text),
        caution=CAUTION,
    )


def _lay_out(result: Reconciliation, box: Box, text: float) -> Plan:
    """Choose scale and factor, and put everything in its place on the paper."""
    piles, joints = result.piles, result.joints
    design = np.stack([piles.design_e, piles.design_n], axis=1)
    built = np.stack([piles.centre_e, piles.centre_n], axis=1)
    radius = np.asarray(piles.radius, dtype=np.float64)
    design_radius = np.asarray(result.survey.design["diameter_mm"], dtype=np.float64) / 2000.0
    # A centre metres off is a blunder: it must not push the wall into a corner of the sheet.
    shown = np.hypot(*(built - design).T) <= 6.0 * radius
    outline = tuple(_rings(result))
    widest = max((text_width(clean(str(name)), text) for name in piles["pile_id"]), default=0.0)
    pad = max(15.0, min(widest + 5.0 * text, 0.2 * min(box.width, box.height)))

    def extent(scale: int) -> Floats:
        k = 1000.0 / scale
        factor = choose_factor(np.hypot(*(built - design).T), scale)
        tips = design * k + _vectors(design, built, k * factor)[0]
        parts = [
            (design * k, design_radius * k + pad),
            (built[shown] * k, radius[shown] * k + pad),
            (tips[shown], np.full(int(shown.sum()), 2.0)),
            *((ring * k, np.full(len(ring), 2.0)) for ring in outline),
        ]
        low = np.min([np.min(at - reach[:, None], axis=0) for at, reach in parts if len(at)], axis=0)
        high = np.max([np.max(at + reach[:, None], axis=0) for at, reach in parts if len(at)], axis=0)
        return np.concatenate([low, high])

    scale, bounds = choose_scale(extent, (box.width, box.height))
    k = 1000.0 / scale
    middle = (bounds[:2] + bounds[2:]) / (2.0 * k)
    view = Viewport(box=box, scale=scale, easting=float(middle[0]), northing=float(middle[1]))
    offset = np.hypot(*(built - design).T)
    factor = choose_factor(offset, scale)
    run, cut = _vectors(design, built, k * factor)
    on_paper = view.paper(design[:, 0], design[:, 1])
    u = np.asarray(piles["u_offset_mm"], dtype=np.float64) / 1000.0
    foot, middle, normal = _joint_feet(result)
    plan = Plan(
        result=result,
        view=view,
        scale=scale,
        factor=factor,
        text=text,
        design=on_paper,
        design_radius=design_radius * k,
        built=view.paper(built[:, 0], built[:, 1]),
        radius=radius * k,
        verdict=np.asarray(piles["verdict"], dtype=np.int64),
        tip=on_paper + run,
        cut=cut,
        hollow=~(offset >= TOLD_FROM_NONE * u),
        joint_foot=view.paper(foot[:, 0], foot[:, 1]) + 0.4 * normal,
        joint_middle=view.paper(middle[:, 0], middle[:, 1]),
        joint_normal=normal,
        joint_stroke=np.full(len(foot), STROKE),
        joint_verdict=np.asarray(joints["verdict"], dtype=np.int64),
        outline=tuple(view.paper(ring[:, 0], ring[:, 1]) for ring in outline),
    )
    return replace(plan, joint_stroke=_strokes(plan))


def _strokes(plan: Plan) -> Floats:
    """Return how long the joints' strokes are (m,) [mm]: shorter where they would come to another joint or pile."""
    length = np.zeros(len(plan.joint_foot))
    rows = np.arange(len(length))
    for shorter in (1.0, 1.5, 2.0, 3.0, STROKE):
        end = plan.joint_foot + plan.joint_normal * shorter
        clear = nearest_is_own(end, rows, plan.joint_middle)
        clear &= ~crosses_circles(plan.joint_foot, end, plan.stands, plan.radius)
        length[clear] = shorter
    # With no room at all, the line that the two circles share is drawn instead.
    back = -np.hypot(*(plan.joint_back - plan.joint_foot).T)
    return np.where(length > 0, length, back)


def _vectors(design: Floats, built: Floats, per_metre: float) -> tuple[Floats, Booleans]:
    """Return the vectors as drawn (n, 2) [mm], none longer than LONGEST_VECTOR, and which of them are cut."""
    run = (built - design) * per_metre
    length = np.hypot(run[:, 0], run[:, 1])
    cut = length > LONGEST_VECTOR
    run[cut] *= (LONGEST_VECTOR / length[cut])[:, None]
    return run, cut


def _rings(result: Reconciliation) -> Iterator[Floats]:
    """Yield the rings of the clear outline [m, reduced]."""
    shape: Any = result.survey.clear_outline
    for part in getattr(shape, "geoms", [shape] if shape is not None else []):
        for ring in (part.exterior, *part.interiors):
            yield np.asarray(ring.coords, dtype=np.float64)[:, :2] - np.array(result.survey.origin)


def _joint_feet(result: Reconciliation) -> tuple[Floats, Floats, Floats]:
    """Return where each joint comes to the pit face, its middle (m, 2) [m, reduced], and the unit vector to the pit.

    The place is where the two circles meet: on the line that they share, half its length off the line of centres.
    """
    piles, a, b = result.piles, result.joints.a, result.joints.b
    centre_e = np.where(np.isfinite(piles.centre_e), piles.centre_e, piles.design_e)
    centre_n = np.where(np.isfinite(piles.centre_n), piles.centre_n, piles.design_n)
    run = np.stack([centre_e[b] - centre_e[a], centre_n[b] - centre_n[a]], axis=1)
    apart = np.maximum(np.hypot(run[:, 0], run[:, 1]), 1e-9)
    along = run / apart[:, None]
    normal = np.stack([-along[:, 1], along[:, 0]], axis=1)
    pit = np.nan_to_num(np.stack([piles.pit_e[a] + piles.pit_e[b], piles.pit_n[a] + piles.pit_n[b]], axis=1))
    normal *= np.where(np.sum(normal * pit, axis=1) < 0, -1.0, 1.0)[:, None]
    r_a, r_b = piles.radius[a], piles.radius[b]
    foot = np.clip((apart**2 + r_a**2 - r_b**2) / (2.0 * apart), 0.0, apart)
    half = np.sqrt(np.maximum(r_a**2 - foot**2, 0.0))
    middle = np.stack([centre_e[a], centre_n[a]], axis=1) + along * foot[:, None]
    return middle + normal * half[:, None], middle, normal


def _by_verdict(codes: Integers) -> Iterator[tuple[Look, Booleans]]:
    for code, look in enumerate((NO_VERDICT, *LOOKS), start=-1):
        mask = codes == code
        if mask.any():
            yield look, mask


def _shortened(dash: tuple[float, ...], radius: float) -> tuple[float, ...]:
    """Return dashes that still show as dashes around a small circle."""
    return tuple(length * min(1.0, max(radius, 0.4) / 1.8) for length in dash)


def _draw_circles(canvas: Canvas, plan: Plan) -> None:
    """Draw the clear outline, fills, as-built circles, and over them the design's, so that both show."""
    clip = plan.view.box
    surveyed = plan.surveyed
    typical = float(np.median(plan.design_radius)) if len(plan.design_radius) else 0.0
    for ring in plan.outline:
        canvas.lines([ring], width=MEDIUM, colour=INK, dash=OUTLINE_DASH, clip=clip)
    looks = list(_by_verdict(plan.verdict))
    for look, mask in looks:
        draw_piles(canvas, look, plan.built[mask & surveyed], plan.radius[mask & surveyed], clip=clip)
    for look, mask in looks:
        if look.name == "not surveyed":
            continue
        at = mask & surveyed
        canvas.circles(
            plan.built[at],
            plan.radius[at],
            width=look.width,
            colour=look.colour,
            dash=_shortened(look.dash, typical),
            clip=clip,
        )
    unknown = plan.verdict == NOT_SURVEYED
    look = LOOKS[NOT_SURVEYED]
    part = unknown & surveyed
    canvas.circles(plan.built[part], plan.radius[part], width=FINE, colour=look.colour, clip=clip)
    canvas.circles(
        plan.design[~unknown],
        plan.design_radius[~unknown],
        width=THIN,
        colour=INK,
        dash=_shortened(DESIGN_DASH, typical),
        clip=clip,
    )
    canvas.circles(
        plan.design[unknown],
        plan.design_radius[unknown],
        width=look.width,
        colour=look.colour,
        dash=_shortened(look.dash, typical),
        clip=clip,
    )
    omitted = ~np.asarray(plan.result.piles.expected)
    canvas.lines(_crosses(plan.design[omitted], plan.design_radius[omitted] * 0.6), width=THIN, colour=GREY, clip=clip)


def _crosses(at: Floats, reach: Floats) -> Floats:
    arms = np.array([[(-1.0, -1.0), (1.0, 1.0)], [(-1.0, 1.0), (1.0, -1.0)]])
    lines: Floats = (at[:, None, None, :] + reach[:, None, None, None] * arms[None]).reshape(-1, 2, 2)
    return lines


def _draw_joints(canvas: Canvas, plan: Plan) -> None:
    strokes = np.stack([plan.joint_foot, plan.joint_end], axis=1)
    for look, mask in _by_verdict(plan.joint_verdict):
        canvas.lines(strokes[mask], width=look.width, colour=look.colour, dash=look.dash, clip=plan.view.box)


def _draw_vectors(canvas: Canvas, plan: Plan) -> None:
    """Draw the triangles of piles not surveyed, then the vectors of the others."""
    clip = plan.view.box
    unknown = (plan.verdict == NOT_SURVEYED) & ~plan.surveyed
    typical = float(np.median(plan.design_radius)) if len(plan.design_radius) else 0.0
    draw_markers(canvas, LOOKS[NOT_SURVEYED], plan.design[unknown], min(2.4, max(0.9, typical)), clip=clip)
    known = plan.surveyed
    arrows(canvas, plan.design[known], plan.tip[known], hollow=plan.hollow[known], clip=clip)
