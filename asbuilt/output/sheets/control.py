"""The control sheet: control points and piles in plan, what the fit to the map grid leaves over, and its parameters."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import FINE, GREY, HAIR, INK, MEDIUM, THIN, WHITE, Box
from asbuilt.output.sheets.control_tables import parameter_table, point_table
from asbuilt.output.sheets.figures import true_minus
from asbuilt.output.sheets.frame import Entry, Sheet, Viewport
from asbuilt.output.sheets.lettering import clean, text_width, wrap
from asbuilt.output.sheets.notes import CAUTION, sheet_notes
from asbuilt.output.sheets.placing import Boxes, Room, first_free
from asbuilt.output.sheets.scaling import choose_scale, draw_bars, draw_grid
from asbuilt.output.sheets.schedule import draw_heading, heading_height
from asbuilt.output.sheets.symbols import arrows
from asbuilt.output.sheets.table import draw_page, least_width, paginate

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from asbuilt.model import ControlFit, Floats, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.job import Job
    from asbuilt.output.sheets.table import Page, Table

__all__ = ["control_sheets"]

HULL_DASH = (3.0, 1.2)
#: Half the side of a control point's triangle, and the longest residual vector [mm of paper].
REACH, LONGEST = 1.7, 12.0
#: Steps of the factor that residuals are drawn longer by, and the greatest: beyond it only rounding would show.
STEPS, MOST = (1.0, 2.0, 5.0), 20000
#: Least height of the plan in heights of text; a table of points that would leave less goes on to the next sheet.
LEAST_PLAN = 40.0
#: So many squares stand for a line where names look for room.
STROKES = 80
#: Distance of lines, and between sentences, in heights of text.
LINE, BREAK = 1.55, 0.6
#: Names are tried so far from their point [mm].
_AWAY = (1.0, 3.0, 6.0, 10.0)


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What is drawn in plan, on paper [mm]: places of points and piles, tips of residuals, names that found room."""

    view: Viewport
    scale: int
    factor: int
    text: float
    points: Floats
    tips: Floats
    hull: Floats
    piles: Floats
    radius: Floats
    suspect: int
    names: tuple[tuple[Floats, str], ...]
    boxes: Boxes
    left_out: int


def control_sheets(job: Job, area: Box, text: float) -> Sequence[Sheet]:
    """Return the control sheet, and more where its table of points does not fit; none without control and map grid.

    Parameters
    ----------
    job : Job
    area : Box
        The part of the paper that a sheet may fill [mm].
    text : float
        Height of a capital letter [mm].
    """
    result = job.result
    fit, grid = result.control, result.grid
    if fit is None and grid is None:
        return []
    box = Box(left=area.left + 2.0, bottom=area.bottom + 2.0, width=area.width - 4.0, height=area.height - 4.0)
    said = [sentence for part in (fit, grid) if part is not None for sentence in part.text]
    middle = _middle(result, box, said, text)
    points = point_table(result, fit) if fit is not None and len(fit.points) else None
    pages = _pages(points, box, text, above=middle.height)
    under = pages[0].top - pages[0].bottom if pages else 0.0
    strip, band = 6.4 * text, 2.3 * text
    foot = box.bottom + under + 2.0 * text
    low = foot + middle.height + 1.5 * text + strip
    window = Box(
        left=area.left + band,
        bottom=low + band,
        width=area.width - band - 2.0,
        height=area.top - 2.0 - low - band,
    )
    plan = _lay_out(result, window, text, job.scale)
    bars = Box(left=window.left, bottom=low - strip + 1.0, width=window.width, height=strip - 1.5)

    def draw(canvas: Canvas) -> None:
        draw_grid(canvas, plan.view, result.survey.origin, text, covered=plan.boxes)
        _draw_plan(canvas, plan)
        draw_bars(canvas, bars, plan.scale, plan.factor or None, text, what="residual")
        middle.draw(canvas, foot + middle.height)
        if pages:
            draw_page(canvas, pages[0])

    many = f", 1 of {len(pages)}" if len(pages) > 1 else ""
    notes = sheet_notes(result, text, shown="", more=tuple(_notes(result)))
    first = Sheet(
        title=f"Control points and map grid{many}",
        scale=plan.scale,
        draw=draw,
        legend=tuple(_legend(plan, fit)),
        notes=notes,
        caution=CAUTION,
    )
    rest = [
        Sheet(
            title=f"Control points and map grid, {number} of {len(pages)}",
            scale=None,
            draw=_list(page, area, text),
            notes=notes,
            caution=CAUTION,
        )
        for number, page in enumerate(pages[1:], start=2)
    ]
    return [first, *rest]


def _list(page: Page, area: Box, text: float) -> Callable[[Canvas], None]:
    def draw(canvas: Canvas) -> None:
        draw_heading(canvas, area, text, "Control points, continued")
        draw_page(canvas, page)

    return draw


def _pages(points: Table | None, box: Box, text: float, *, above: float) -> list[Page]:
    """Return the table of points: at the foot of the first sheet as much as leaves the plan its room, then whole ones.

    ``above`` [mm] is taken by what stands over the table.
    """
    if points is None:
        return []
    room = box.height - above - (LEAST_PLAN + 14.0) * text
    whole = Box(left=box.left, bottom=box.bottom, width=box.width, height=box.height - heading_height(text))
    (first, *_) = paginate(points, box, text, first=Box(left=box.left, bottom=0.0, width=box.width, height=room))
    height = first.top - first.bottom
    under = Box(left=box.left, bottom=box.bottom, width=box.width, height=height)
    return paginate(points, whole, text, first=under)


# ------------------------------------------------------------------------------------------------- what is said


@dataclass(frozen=True, kw_only=True)
class _Middle:
    """The parameters and, beside them, sentences: how high [mm], and how to draw them under an upper edge."""

    height: float
    draw: Callable[[Canvas, float], None]


def _middle(result: Reconciliation, box: Box, said: Sequence[str], text: float) -> _Middle:
    grid = result.grid
    table = None if grid is None else parameter_table(grid, result.control)
    wide = 0.0 if table is None else min(least_width(table, text) + 6.0 * text, 0.55 * box.width)
    left = box.left + wide + (3.0 * text if wide else 0.0)
    lines = [line for one in said for line in (*wrap(true_minus(one), box.right - left, text), "")]
    high = sum(LINE if line else BREAK for line in lines) * text
    pages = [] if table is None else paginate(table, Box(left=box.left, bottom=0.0, width=wide, height=1e6), text)
    tall = pages[0].top - pages[0].bottom if pages else 0.0

    def draw(canvas: Canvas, top: float) -> None:
        if table is not None:
            under = Box(left=box.left, bottom=top - tall, width=wide, height=tall + 1e-3)
            for page in paginate(table, under, text):
                draw_page(canvas, page)
        y = top - 1.3 * text
        for line in lines:
            canvas.text(left, y, line, height=text)
            y -= (LINE if line else BREAK) * text

    return _Middle(height=max(tall, high), draw=draw)


def _notes(result: Reconciliation) -> Iterator[str]:
    grid, fit = result.grid, result.control
    if grid is not None:
        yield (
            f"Map: {grid.map_name[:60]}. Map east = origin + scale (E cos \u03b8 + N sin \u03b8), map north = origin + "
            "scale (\u2212E sin \u03b8 + N cos \u03b8), E and N of the site grid."
        )
    if fit is not None and np.isfinite(fit.residual_e).any():
        yield (
            "Residual: computed minus given, on the map; the vectors are turned into the site grid. Found from: an "
            "error that the test would show in four of five cases."
        )


def _legend(plan: _Plan, fit: ControlFit | None) -> Iterator[Entry]:
    if len(plan.points):
        yield Entry(text=f"control point ({len(plan.points)})", sample=_point_sample(ringed=False), height=1.8)
    if plan.suspect >= 0:
        yield Entry(text="the point that stands out", sample=_point_sample(ringed=True), height=2.2)
    if plan.factor:
        yield Entry(text=f"residual \u00d7 {plan.factor}", sample=_vector_sample, height=1.4)
    if len(plan.hull) > 2:
        yield Entry(text="hull of the control points", sample=_hull_sample, height=1.4)
    outside = 0 if fit is None or len(plan.hull) <= 2 else len(fit.outside)
    yield Entry(
        text=f"pile, design ({len(plan.piles)})" + (f"; {outside} outside the hull" if outside else ""),
        sample=_pile_sample,
        height=1.65,
    )
    if plan.left_out:
        yield Entry(text=f"Left out for lack of room: {plan.left_out} name{'s' * (plan.left_out != 1)}.")


def _point_sample(*, ringed: bool) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        at = np.array([[box.left + 0.3 * box.width, box.middle[1]]])
        _draw_points(canvas, at, ringed=at if ringed else at[:0])

    return sample


def _vector_sample(canvas: Canvas, box: Box) -> None:
    y = box.middle[1]
    ends = np.array([[box.left + 0.08 * box.width, y]]), np.array([[box.left + 0.6 * box.width, y]])
    arrows(canvas, *ends, hollow=np.array([False]), halo=False)


def _hull_sample(canvas: Canvas, box: Box) -> None:
    y = box.middle[1]
    canvas.lines([[(box.left, y), (box.left + 0.8 * box.width, y)]], width=FINE, dash=HULL_DASH)


def _pile_sample(canvas: Canvas, box: Box) -> None:
    radius = min(0.46 * box.height, 0.13 * box.width)
    canvas.circles([[box.left + 0.3 * box.width, box.middle[1]]], radius, width=THIN, colour=GREY)


# ------------------------------------------------------------------------------------------------- in plan


def _lay_out(result: Reconciliation, window: Box, text: float, asked: int | None) -> _Plan:
    """Choose scale and factor, and put points, piles, residuals and names in their places."""
    fit, piles = result.control, result.piles
    nothing = np.empty((0, 2))
    points = nothing if fit is None else np.column_stack([fit.e, fit.n])
    design = np.column_stack([piles.design_e, piles.design_n])
    every = np.concatenate([points, design, [(0.0, 0.0)] if not len(points) + len(design) else nothing])
    low, high = every.min(axis=0), every.max(axis=0)
    margin = LONGEST + 2.0

    def extent(scale: int) -> Floats:
        half = (high - low) * 500.0 / scale + margin
        return np.concatenate([-half, half])

    scale = asked or choose_scale(extent, (window.width, window.height))[0]
    middle = (low + high) / 2.0
    view = Viewport(box=window, scale=scale, easting=float(middle[0]), northing=float(middle[1]))
    residual = _residuals(result)
    factor = _factor(residual, scale)
    at = view.paper(points[:, 0], points[:, 1])
    hull = nothing if fit is None else view.paper(fit.hull[:, 0], fit.hull[:, 1])
    tips = at + np.nan_to_num(residual) * factor * 1000.0 / scale
    centres = view.paper(design[:, 0], design[:, 1])
    radius = np.maximum(piles.radius * 1000.0 / scale, 0.25)
    room = Room(window)
    room.cover(_squares(centres, radius))
    room.cover(_squares(at, np.full(len(at), REACH + 0.8)))
    for start, end, width in ((at, tips, 0.6), (hull, np.roll(hull, -1, axis=0), 0.3)):
        for share in np.linspace(0.0, 1.0, STROKES):
            room.cover(_squares(start + share * (end - start), np.full(len(start), width)))
    suspect = -1 if fit is None else fit.suspect
    names, boxes, left_out = _names([] if fit is None else [str(p) for p in fit.points], at, suspect, room, text)
    return _Plan(
        view=view,
        scale=scale,
        factor=factor,
        text=text,
        points=at,
        tips=tips,
        hull=hull,
        piles=centres,
        radius=radius,
        suspect=suspect,
        names=names,
        boxes=boxes,
        left_out=left_out,
    )


def _residuals(result: Reconciliation) -> Floats:
    """Return the residuals turned into the site grid (k, 2) [m]."""
    fit, grid = result.control, result.grid
    if fit is None or grid is None:
        return np.full((0 if fit is None else len(fit.points), 2), np.nan)
    turn = np.radians(grid.similarity.rotation_deg)
    e, n = fit.residual_e, fit.residual_n
    return np.column_stack([e * np.cos(turn) - n * np.sin(turn), e * np.sin(turn) + n * np.cos(turn)])


def _factor(residual: Floats, scale: int) -> int:
    """Return by how much residuals are drawn longer than the scale makes them; 0 where there are none to draw."""
    length = np.hypot(residual[:, 0], residual[:, 1])
    largest = float(np.nanmax(length)) if np.isfinite(length).any() else 0.0
    if largest * 1000.0 < 0.05:
        return 0
    wished = LONGEST / (largest * 1000.0 / scale)
    if wished < 1.0:
        return 0
    power = 10.0 ** np.floor(np.log10(wished))
    return int(min(MOST, power * max(step for step in STEPS if step * power <= wished * (1 + 1e-9))))


def _squares(centre: Floats, half: Floats) -> Boxes:
    n = len(centre)
    return Boxes(centre=centre, half=np.stack([half, half], axis=1), axis=np.tile([1.0, 0.0], (n, 1)))


def _names(
    names: Sequence[str], at: Floats, suspect: int, room: Room, text: float
) -> tuple[tuple[tuple[Floats, str], ...], Boxes, int]:
    """Return where the names of the points stand, the boxes that they take, and how many found no room."""
    placed: list[tuple[Floats, str]] = []
    boxes = [np.empty((0, 2)), np.empty((0, 2))]
    order = sorted(range(len(names)), key=lambda k: k != suspect)
    for k in order:
        said = clean(names[k]) + (" stands out" if k == suspect else "")
        half = np.array([text_width(said, text) / 2.0 + 0.4, 0.5 * text + 0.5])
        sides = np.array([(1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)], dtype=np.float64)
        tried = np.concatenate([at[k] + sides * (half + REACH + away) for away in _AWAY])
        n = len(tried)
        options = Boxes(centre=tried, half=np.tile(half, (n, 1)), axis=np.tile([1.0, 0.0], (n, 1)))
        taken = first_free(options, room)
        if len(taken):
            placed.append((taken.centre[0] - np.array([half[0] - 0.4, 0.5 * text]), said))
            boxes = [np.concatenate([boxes[0], taken.centre]), np.concatenate([boxes[1], taken.half])]
    axis = np.tile([1.0, 0.0], (len(boxes[0]), 1))
    return tuple(placed), Boxes(centre=boxes[0], half=boxes[1], axis=axis), len(names) - len(placed)


def _draw_plan(canvas: Canvas, plan: _Plan) -> None:
    clip = plan.view.box
    if len(plan.hull) > 2:
        canvas.lines([plan.hull], width=FINE, dash=HULL_DASH, clip=clip, closed=True)
    canvas.circles(plan.piles, plan.radius, width=HAIR, colour=GREY, clip=clip)
    if plan.factor:
        arrows(canvas, plan.points, plan.tips, hollow=np.zeros(len(plan.points), dtype=bool), clip=clip)
    ringed = plan.points[[plan.suspect]] if plan.suspect >= 0 else plan.points[:0]
    _draw_points(canvas, plan.points, ringed=ringed, clip=clip)
    for at, said in plan.names:
        canvas.text(float(at[0]), float(at[1]), said, height=plan.text)


def _draw_points(canvas: Canvas, at: Floats, *, ringed: Floats, clip: Box | None = None) -> None:
    """Draw control points: triangles about a dot, and a ring about the one that stands out."""
    corners = REACH * np.array([(0.0, 1.0), (-0.866, -0.5), (0.866, -0.5)])
    canvas.shapes(at[:, None, :] + corners[None], fill=WHITE, colour=INK, width=MEDIUM, clip=clip)
    canvas.circles(at, 0.35, fill=INK, clip=clip)
    canvas.circles(ringed, REACH + 0.9, width=MEDIUM, colour=INK, clip=clip)
