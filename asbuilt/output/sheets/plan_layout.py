"""What a page of the deviation plan shows, in its place on the paper."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.cutting import cut_wall
from asbuilt.output.sheets.lettering import clean, text_width
from asbuilt.output.sheets.nearness import crosses_circles, nearest_is_own
from asbuilt.output.sheets.scaling import LONGEST_TOE, LONGEST_VECTOR, choose_factor
from asbuilt.views import Toes

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.model import Booleans, Floats, Integers, Reconciliation, Texts
    from asbuilt.output.sheets.canvas import Box
    from asbuilt.output.sheets.cutting import Cut
    from asbuilt.output.sheets.frame import Viewport

__all__ = [
    "CHECKS",
    "NOT_SURVEYED",
    "STROKE",
    "TOLD_FROM_NONE",
    "WITHIN",
    "Plan",
    "lay_out",
    "page_plan",
    "stroke_lengths",
]

#: An offset is told from none where it is longer than this many standard uncertainties. It is the rule that the legend
#: states, and so is a round number: the exact one, :data:`~asbuilt.output.sheets.pile_plan.WITHIN_95_PLANE`, draws
#: ellipses, of which no figure is printed.
TOLD_FROM_NONE = 2.45
WITHIN, NOT_SURVEYED = VERDICTS.index("within"), VERDICTS.index("not surveyed")
#: Length of a joint's stroke [mm of paper].
STROKE = 4.5
#: Toe vectors of all piles are drawn where neighbours stand so far apart [mm of paper], else of those not within.
ROOM_FOR_TOES = 5.0
#: The checks of a pile: letter, column of its verdict, name.
CHECKS = (
    ("p", "plan_verdict", "plan"),
    ("v", "vertical_verdict", "verticality"),
    ("e", "encroach_verdict", "encroachment"),
    ("t", "toe_verdict", "toe level"),
)


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A page of a plan, on paper [mm] unless said otherwise; arrays over the piles or joints of ``result``.

    ``result`` holds what the page draws: the piles that belong to it (``own``), those that lie in its window beyond a
    match line, and the joints of its own piles. ``rows`` and ``joint_rows`` are their places in ``whole``, the results
    of the whole job. NaN: not surveyed. ``verdict`` and ``joint_verdict`` are codes, -1 for none.
    """

    result: Reconciliation
    whole: Reconciliation
    rows: Integers
    joint_rows: Integers
    own: Booleans
    part: Cut
    page: int
    pages: int
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
    toe_tip: Floats
    toe_cut: Booleans
    toe_hollow: Booleans
    toe_predicted: Booleans
    every_toe: bool
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
        return np.where(np.isfinite(self.built[:, :1]), self.built, self.design)

    @property
    def surveyed(self) -> Booleans:
        """Which of its own piles have an as-built centre."""
        return np.isfinite(self.built[:, 0]) & self.own

    @property
    def toe_shown(self) -> Booleans:
        """Which piles have a toe vector."""
        return np.asarray(np.isfinite(self.toe_tip[:, 0]) & self.own & (self.every_toe | (self.verdict != WITHIN)))

    @property
    def off_sheet(self) -> Booleans:
        """Which as-built circles of its own piles lie outside the window, in whole or in part."""
        box = self.view.box
        low = self.built - self.radius[:, None] < (box.left, box.bottom)
        high = self.built + self.radius[:, None] > (box.right, box.top)
        return np.asarray((low | high).any(axis=1)) & self.own

    def checks(self) -> list[str]:
        """Return for each pile the letters of the checks that its verdict, where not within, comes from."""
        failed = (self.verdict != WITHIN) & (self.verdict != NOT_SURVEYED) & (self.verdict >= 0)
        said: Texts = np.full(len(self.rows), "", dtype=object)
        for letter, name, _ in CHECKS:
            own = failed & (np.asarray(self.result.piles[name]) == self.verdict)
            said = said + np.where(own, letter, "").astype(object)
        return [str(letters) for letters in said]


def lay_out(
    result: Reconciliation,
    box: Box,
    text: float,
    *,
    scale: int | None = None,
    toes: Toes | None = None,
) -> list[Plan]:
    """Choose scale, factor and pages, and put everything in its place on the paper.

    Parameters
    ----------
    result : Reconciliation
    box : Box
        The window of every page [mm].
    text : float
        Height of a capital letter [mm].
    scale : int, optional
        1:scale, as asked for.
    toes : Toes, optional
        Where the piles end; without it there are no toe vectors.
    """
    piles = result.piles
    if toes is None:
        unknown = np.full(len(piles), np.nan)
        no_cov = np.full((len(piles), 3), np.nan)
        toes = Toes(level=unknown, e=unknown, n=unknown, cov=no_cov, predicted=np.zeros(len(piles), dtype=bool))
    design = np.stack([piles.design_e, piles.design_n], axis=1)
    built = np.stack([piles.centre_e, piles.centre_n], axis=1)
    offset = np.hypot(*(built - design).T)
    toe_offset = np.hypot(toes.e - piles.design_e, toes.n - piles.design_n)
    outline = tuple(_rings(result))
    widest = max((text_width(clean(str(name)), text) for name in piles["pile_id"]), default=0.0)
    pad = max(15.0, min(widest + 5.0 * text, 0.2 * min(box.width, box.height)))

    def factor_at(candidate: int) -> int:
        return choose_factor(offset, candidate, toes=toe_offset)

    def runs(candidate: int) -> Floats:
        return _vectors(design, built, 1000.0 / candidate * factor_at(candidate), LONGEST_VECTOR)[0]

    extra = np.concatenate([np.empty((0, 2)), *outline])
    cuts = cut_wall(result, box, scale=scale, pad=pad, extra=extra, runs=runs)
    factor = factor_at(int(cuts[0].view.scale))
    return [
        page_plan(result, toes, cut, outline, page=page, pages=len(cuts), factor=factor, text=text)
        for page, cut in enumerate(cuts, start=1)
    ]


def _seen(result: Reconciliation, cut: Cut) -> tuple[Integers, Integers]:
    """Return the places of all piles that a page draws, and of the joints of its own piles."""
    piles, joints = result.piles, result.joints
    own = np.zeros(len(piles), dtype=bool)
    own[cut.rows] = True
    joint_rows = np.flatnonzero(own[joints.a] | own[joints.b])
    seen = own.copy()
    seen[joints.a[joint_rows]] = seen[joints.b[joint_rows]] = True
    box = cut.view.box
    reach = piles.radius * 1000.0 / cut.view.scale
    for e, n in ((piles.design_e, piles.design_n), (piles.centre_e, piles.centre_n)):
        x, y = cut.view.paper(e, n).T
        seen |= (x + reach > box.left) & (x - reach < box.right) & (y + reach > box.bottom) & (y - reach < box.top)
    return np.flatnonzero(seen), joint_rows


def _part_of(result: Reconciliation, rows: Integers, joint_rows: Integers) -> Reconciliation:
    """Return the results of some piles, and of some joints between them, alone."""
    place = np.full(len(result.piles), -1)
    place[rows] = np.arange(len(rows))
    joints = _taken(result.joints, joint_rows)
    joints = replace(joints, a=place[joints.a], b=place[joints.b])
    survey = replace(result.survey, design=result.survey.design.take(rows))
    return replace(result, survey=survey, piles=_taken(result.piles, rows), joints=joints)


def _taken(table: Any, rows: Integers) -> Any:
    columns = {name: values[rows] for name, values in table.columns.items()}
    arrays = {name: value[rows] for name, value in vars(table).items() if name != "columns"}
    return replace(table, columns=columns, **arrays)


def page_plan(
    whole: Reconciliation,
    toes: Toes,
    cut: Cut,
    outline: tuple[Floats, ...],
    *,
    page: int,
    pages: int,
    factor: int,
    text: float,
) -> Plan:
    """Put one page of a plan in its place on the paper; ``whole`` are the results of the whole job.

    ``outline``: rings of the clear outline [m, reduced]; ``factor``: by how much vectors are drawn longer than the
    scale makes them; ``text``: height of a capital letter [mm].
    """
    view = cut.view
    k = 1000.0 / view.scale
    everything = np.arange(len(whole.piles)), np.arange(len(whole.joints))
    rows, joint_rows = everything if pages == 1 else _seen(whole, cut)
    result = whole if pages == 1 else _part_of(whole, rows, joint_rows)
    piles, joints = result.piles, result.joints
    design = np.stack([piles.design_e, piles.design_n], axis=1)
    built = np.stack([piles.centre_e, piles.centre_n], axis=1)
    toe = np.stack([toes.e, toes.n], axis=1)[rows]
    on_paper = view.paper(design[:, 0], design[:, 1])
    run, clipped = _vectors(design, built, k * factor, LONGEST_VECTOR)
    toe_run, toe_clipped = _vectors(design, toe, k * factor, LONGEST_TOE)
    u = np.asarray(piles["u_offset_mm"], dtype=np.float64) / 1000.0
    foot, middle, normal = _joint_feet(result)
    plan = Plan(
        result=result,
        whole=whole,
        rows=rows,
        joint_rows=joint_rows,
        own=np.isin(rows, cut.rows),
        part=cut,
        page=page,
        pages=pages,
        view=view,
        scale=int(view.scale),
        factor=factor,
        text=text,
        design=on_paper,
        design_radius=np.asarray(result.survey.design["diameter_mm"], dtype=np.float64) / 2000.0 * k,
        built=view.paper(built[:, 0], built[:, 1]),
        radius=np.asarray(piles.radius, dtype=np.float64) * k,
        verdict=np.asarray(piles["verdict"], dtype=np.int64),
        tip=on_paper + run,
        cut=clipped,
        hollow=~(np.hypot(*(built - design).T) >= TOLD_FROM_NONE * u),
        toe_tip=on_paper + toe_run,
        toe_cut=toe_clipped,
        toe_hollow=~_told_from_none(toe - design, toes.cov[rows]),
        toe_predicted=np.asarray(toes.predicted)[rows],
        every_toe=_spacing(whole) * k >= ROOM_FOR_TOES,
        joint_foot=view.paper(foot[:, 0], foot[:, 1]) + 0.4 * normal,
        joint_middle=view.paper(middle[:, 0], middle[:, 1]),
        joint_normal=normal,
        joint_stroke=np.full(len(foot), STROKE),
        joint_verdict=np.asarray(joints["verdict"], dtype=np.int64),
        outline=tuple(view.paper(ring[:, 0], ring[:, 1]) for ring in outline),
    )
    return replace(plan, joint_stroke=stroke_lengths(plan))


def _spacing(result: Reconciliation) -> float:
    """Return the usual distance of neighbours [m]; infinite without joints."""
    piles, a, b = result.piles, result.joints.a, result.joints.b
    apart = np.hypot(piles.design_e[b] - piles.design_e[a], piles.design_n[b] - piles.design_n[a])
    return float(np.median(apart)) if len(apart) else np.inf


def _told_from_none(offset: Floats, cov: Floats) -> Booleans:
    """Return which offsets (n, 2) [m] lie outside the 95 % ellipse of their own covariance (n, 3) about none."""
    ee, en, nn = cov.T
    e, n = offset.T
    # dᵀ C⁻¹ d ≥ k² without a division, so that a singular covariance tells what lies off its line.
    return np.asarray(nn * e**2 - 2.0 * en * e * n + ee * n**2 >= TOLD_FROM_NONE**2 * (ee * nn - en**2))


def stroke_lengths(plan: Plan) -> Floats:
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


def _vectors(design: Floats, built: Floats, per_metre: float, longest: float) -> tuple[Floats, Booleans]:
    """Return the vectors as drawn (n, 2) [mm], none longer than ``longest``, and which of them are cut."""
    run = (built - design) * per_metre
    length = np.hypot(run[:, 0], run[:, 1])
    clipped = length > longest
    run[clipped] *= (longest / length[clipped])[:, None]
    return run, clipped


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
