"""Plan slices of one joint at several levels: small windows at one true scale, turned so that the pit lies up."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output.sheets.canvas import FINE, GREY, HAIR, INK, MEDIUM, THIN, WHITE, Box
from asbuilt.output.sheets.chart import tag
from asbuilt.output.sheets.dimension import end_marks
from asbuilt.output.sheets.figures import AT_MOST, PLUS_MINUS, at_most, figure, level_text
from asbuilt.output.sheets.lettering import clean, fit, text_width, wrap
from asbuilt.output.sheets.scaling import bar_length, draw_blocks
from asbuilt.output.sheets.symbols import BOUND_DASH, DESIGN_DASH, LOOKS, PREDICTED_DASH, UNKNOWN_DASH
from asbuilt.views import JOINT_STATES

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Reconciliation
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.views import Slice

__all__ = ["BODY", "OPENING", "Cut", "Fit", "Grid", "View", "cut_at", "view_of"]

#: Fill of a pile's section, of an opening; line of a neighbour.
BODY, NEIGHBOUR = "#E4E4E4", "#B4B4B4"
OPENING = next(look.colour for look in LOOKS if look.name == "outside")
#: In heights of text: the heading, what is above and below the circles in a window, its caption of one line, each
#: further line, and what lies between two windows.
HEAD, ABOVE, BELOW, CAPTION, LINE, APART = 3.2, 1.2, 2.3, 2.4, 1.5, 2.0
MOST_LINES = 3
SCALES = (2, 5, 10, 20, 25, 50, 100, 200, 500)
OPEN, NOT_SURE, NOT_SURVEYED = (JOINT_STATES.index(name) for name in ("open", "not sure", "not surveyed"))


@dataclass(frozen=True, kw_only=True)
class View:
    """How the site is turned: the joint's middle (2,) [m], and the directions (2, 2) to the right and up."""

    middle: Floats
    axes: Floats
    pit: bool
    """Whether up is the pit side."""

    def local(self, points: Floats) -> Floats:
        """Return places (n, 2) [m] as turned, from the joint's middle."""
        return np.asarray((points - self.middle) @ self.axes.T, dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Cut:
    """One slice of one joint: everything as turned by the view [m]."""

    level: float
    names: str
    centres: Floats
    """(2, 2) as built; NaN where not known."""
    stands: tuple[bool, bool]
    predicted: tuple[bool, bool]
    neighbours: Floats
    """(k, 3) centres and radii of the piles beyond."""
    overlap: float
    sigma: float
    widest: float
    p: float
    state: int
    opening: Floats | None
    outline: Floats | None


def view_of(result: Reconciliation, row: int) -> View:
    """Return the view of a joint: the line of design centres to the right or left, the pit side up."""
    piles, a, b = result.piles, int(result.joints.a[row]), int(result.joints.b[row])
    ends = np.array([(piles.design_e[k], piles.design_n[k]) for k in (a, b)])
    run = ends[1] - ends[0]
    right = run / max(float(np.hypot(*run)), 1e-9)
    up = np.array([-right[1], right[0]])
    pit = np.nansum([(piles.pit_e[k], piles.pit_n[k]) for k in (a, b)], axis=0)
    if float(pit @ up) < 0:
        right, up = -right, -up
    return View(middle=ends.mean(axis=0), axes=np.array([right, up]), pit=bool(abs(pit @ up) > 1e-6))


def cut_at(result: Reconciliation, section: Slice, view: View, row: int, *, at: float, names: str) -> Cut:
    """Return a joint's part of a slice of the wall."""
    pair = np.array([result.joints.a[row], result.joints.b[row]])
    e, n, radius = np.asarray(section.e), np.asarray(section.n), result.piles.radius
    reach = 4.0 * float(radius[pair].max())
    near = np.hypot(e - view.middle[0], n - view.middle[1]) < reach + radius
    near &= np.asarray(section.stands)
    near[pair] = False
    beyond = np.flatnonzero(near)

    def ring(points: Floats | None) -> Floats | None:
        return None if points is None else view.local(np.asarray(points, dtype=np.float64))

    return Cut(
        level=at,
        names=names,
        centres=view.local(np.stack([e[pair], n[pair]], axis=1)),
        stands=(bool(section.stands[pair[0]]), bool(section.stands[pair[1]])),
        predicted=(bool(section.predicted[pair[0]]), bool(section.predicted[pair[1]])),
        neighbours=np.column_stack([view.local(np.stack([e[beyond], n[beyond]], axis=1)), radius[beyond]]),
        overlap=float(section.overlap[row]),
        sigma=float(section.sigma[row]),
        widest=float(section.widest[row]),
        p=float(section.p[row]),
        state=int(section.state[row]),
        opening=ring(section.openings[row]),
        outline=ring(section.outlines[row]),
    )


@dataclass(frozen=True, kw_only=True)
class Fit:
    """How the windows stand: their scale, how many side by side; heights of a window, captions by row, and all [mm]."""

    scale: int
    columns: int
    window: float
    captions: tuple[float, ...]
    height: float


@dataclass(frozen=True, kw_only=True)
class Grid:
    """The windows of a joint's slices on paper.

    ``design`` (2, 2) [m, turned], ``design_radii`` and ``radii`` (2,) [m] are those of the two piles.
    """

    view: View
    cuts: tuple[Cut, ...]
    ids: tuple[str, str]
    design: Floats
    design_radii: Floats
    radii: Floats
    required: float
    confidence: float
    remark: str = ""

    @property
    def extent(self) -> Floats:
        """Bounds of what is drawn of the two piles (low x, low y, high x, high y) [m, turned]."""
        built = np.concatenate([cut.centres for cut in self.cuts])
        radii = np.tile(self.radii, len(self.cuts))
        # a blunder of metres must not shrink the windows
        shown = np.hypot(*(built - np.tile(self.design, (len(self.cuts), 1))).T) < 3.0 * radii
        at = np.concatenate([self.design, built[shown]])
        reach = np.concatenate([self.design_radii, radii[shown]])[:, None]
        return np.concatenate([(at - reach).min(axis=0), (at + reach).max(axis=0)])

    def caption(self, cut: Cut) -> str:
        """Return what stands under the window of a slice."""
        return f"{cut.names} {level_text(cut.level)}: {self._state(cut)}"

    def _state(self, cut: Cut) -> str:
        if not all(cut.stands):
            ended = [name for name, stands in zip(self.ids, cut.stands, strict=True) if not stands]
            return f"open, {' and '.join(ended)} ends above"
        if cut.state < 0:
            return "outside the joint's range"
        said = [JOINT_STATES[cut.state]]
        if not np.isfinite(cut.overlap) and cut.state != NOT_SURVEYED:
            said.append("by how much not surveyed")
        if cut.state == NOT_SURE and cut.p >= self.confidence:
            said.append("by the other lean model")
        if cut.state == OPEN and np.isfinite(cut.widest):
            said.append(f"{AT_MOST} {at_most(cut.widest * 1000.0)} mm")
        return ", ".join(said)

    def fits(self, width: float, height: float, text: float) -> list[Fit]:
        """Return how the windows can stand in the room given [mm], the largest scale first; at least one way."""
        low_x, low_y, high_x, high_y = self.extent
        count, found = len(self.cuts), []
        for scale in SCALES:
            k = 1000.0 / scale
            across, up = (high_x - low_x) * k + 2.0, (high_y - low_y) * k + (ABOVE + BELOW) * text
            for columns in range(count, 0, -1):
                rows = -(-count // columns)
                # the same number of rows is filled by fewer columns
                wide = (width - (columns - 1) * APART * text) / columns
                if columns != -(-count // rows) or wide < across:
                    continue
                captions = self._captions(columns, wide, text)
                whole = HEAD * text + rows * up + sum(captions)
                if whole <= height:
                    found.append(Fit(scale=scale, columns=columns, window=up, captions=captions, height=whole))
                    break
        window = height - (HEAD + CAPTION) * text
        last = Fit(scale=SCALES[-1], columns=count, window=window, captions=(CAPTION * text,), height=height)
        return found or [last]

    def _captions(self, columns: int, width: float, text: float) -> tuple[float, ...]:
        """Return how high the captions of each row are [mm]."""
        lines = [min(len(wrap(self.caption(cut), width, text)), MOST_LINES) for cut in self.cuts]
        rows = [max(lines[k : k + columns]) for k in range(0, len(lines), columns)]
        return tuple((CAPTION + LINE * (most - 1)) * text for most in rows)

    def draw(self, canvas: Canvas, area: Box, text: float, fit: Fit) -> None:
        """Draw the windows, from the top of ``area`` down."""
        self._heading(canvas, area, fit.scale, text)
        gap = APART * text
        width = (area.width - (fit.columns - 1) * gap) / fit.columns
        for number, cut in enumerate(self.cuts):
            row = number // fit.columns
            window = Box(
                left=area.left + (number % fit.columns) * (width + gap),
                bottom=area.top - HEAD * text - (row + 1) * fit.window - sum(fit.captions[:row]),
                width=width,
                height=fit.window,
            )
            _Window(grid=self, cut=cut, box=window, scale=fit.scale, text=text).draw(canvas)

    def _heading(self, canvas: Canvas, area: Box, scale: int, text: float) -> None:
        """Write the heading with a scale bar and a north arrow beside it."""
        baseline = area.top - 1.9 * text
        title = f"Plan slices 1:{scale}" + (", pit side up" if self.view.pit else "")
        canvas.text(area.left, baseline, title, height=1.2 * text)
        x = area.left + text_width(title, 1.2 * text) + 3.0 * text
        per_metre = 1000.0 / scale
        metres = bar_length(per_metre, 14.0 * text)
        run = metres * per_metre
        draw_blocks(canvas, x, baseline, run)
        canvas.text(x + run + 0.8 * text, baseline, f"{metres:g} m", height=text)
        _north(canvas, x + run + 9.0 * text, baseline + 0.4 * text, self.view.axes[:, 1], text)
        if self.remark:
            left = x + run + 13.0 * text
            line, height = fit(self.remark, area.right - left, text, least=text)
            canvas.text(left, baseline, line, height=height)


def _north(canvas: Canvas, x: float, y: float, direction: Floats, text: float) -> None:
    """Draw a small north arrow about a place, its letter beside it; ``direction`` (2,) is where north lies on paper."""
    ahead = np.asarray(direction) / float(np.hypot(*direction))
    aside = np.array([-ahead[1], ahead[0]])
    reach = 1.1 * text
    middle = np.array([x, y])
    tip, foot, notch = middle + reach * ahead, middle - reach * ahead, middle - 0.6 * reach * ahead
    for side, fill in ((1.0, INK), (-1.0, WHITE)):
        canvas.shapes([[tip, foot + 0.45 * side * text * aside, notch]], fill=fill, colour=INK, width=THIN)
    canvas.text(x + 1.5 * text, y - 0.5 * text, "N", height=text)


@dataclass(frozen=True, kw_only=True)
class _Window:
    grid: Grid
    cut: Cut
    box: Box
    scale: int
    text: float

    def paper(self, points: Floats) -> Floats:
        """Return places on paper (n, 2) [mm] of places as turned [m]."""
        low_x, low_y, high_x, _ = self.grid.extent
        k = 1000.0 / self.scale
        origin = np.array(
            [self.box.middle[0] - (low_x + high_x) / 2 * k, self.box.bottom + BELOW * self.text - low_y * k]
        )
        return np.asarray(origin + np.asarray(points, dtype=np.float64) * k)

    def draw(self, canvas: Canvas) -> None:
        self._beyond(canvas)
        self._sections(canvas)
        self._opening(canvas)
        self._circles(canvas)
        self._words(canvas)
        self._dimension(canvas)
        if self.grid.view.pit:
            self._pit(canvas)
        canvas.rectangle(self.box, width=THIN, colour=GREY)
        self._caption(canvas)

    def _beyond(self, canvas: Canvas) -> None:
        near = self.cut.neighbours
        canvas.circles(
            self.paper(near[:, :2]).reshape(-1, 2),
            near[:, 2] * 1000.0 / self.scale,
            width=THIN,
            colour=NEIGHBOUR,
            clip=self.box,
        )

    @property
    def _known(self) -> list[int]:
        """Which of the two piles have a section here."""
        return [k for k in (0, 1) if np.isfinite(self.cut.centres[k, 0]) and self.cut.stands[k]]

    def _sections(self, canvas: Canvas) -> None:
        """Fill the two sections, and leave what both share white."""
        k = 1000.0 / self.scale
        rows = self._known
        canvas.circles(self.paper(self.cut.centres[rows]), self.grid.radii[rows] * k, fill=BODY, clip=self.box)
        if len(rows) == 2 and self.cut.overlap > 0:
            lens = _lens(self.cut.centres, self.grid.radii)
            if lens is not None:
                canvas.shapes([self.paper(lens)], fill=WHITE, clip=self.box)

    def _opening(self, canvas: Canvas) -> None:
        if self.cut.opening is not None:
            canvas.shapes([self.paper(self.cut.opening)], fill=OPENING, clip=self.box)

    def _circles(self, canvas: Canvas) -> None:
        k = 1000.0 / self.scale
        grid, cut = self.grid, self.cut
        known = np.isfinite(cut.centres[:, 0])
        looks: tuple[tuple[tuple[float, ...], Booleans], ...] = ((DESIGN_DASH, known), (UNKNOWN_DASH, ~known))
        for dash, rows in looks:
            radii = grid.design_radii[rows] * k
            width = THIN if rows is known else MEDIUM
            canvas.circles(self.paper(grid.design[rows]), radii, width=width, colour=INK, dash=dash, clip=self.box)
        for row in self._known:
            dash = PREDICTED_DASH if cut.predicted[row] else ()
            at, radius = self.paper(cut.centres[[row]]), grid.radii[[row]] * k
            canvas.circles(at, radius, width=MEDIUM, colour=INK, dash=dash, clip=self.box)
        if cut.outline is not None:
            canvas.lines([self.paper(cut.outline)], width=FINE, dash=BOUND_DASH, clip=self.box, closed=True)

    def _words(self, canvas: Canvas) -> None:
        """Write the ids, and why there is no section, into the circles, off the joint."""
        t, grid = self.text, self.grid
        for k, name in enumerate(grid.ids):
            known = bool(np.isfinite(self.cut.centres[k, 0]))
            away = np.sign(grid.design[k, 0] - grid.design[1 - k, 0])
            x, y = self.paper(grid.design[k] + np.array([0.22 * away * grid.design_radii[k], 0.0]))
            room = (1.3 if k in self._known else 1.6) * grid.design_radii[k] * 1000.0 / self.scale
            said = [fit(clean(name), room, t, least=t)[0]]
            if not known or not self.cut.stands[k]:
                said.append("not surveyed" if self.cut.stands[k] else "ends above")
            for number, words in enumerate(said):
                middle = y - number * 1.5 * t
                if k in self._known:
                    canvas.text(x, middle - t / 2, words, height=t, anchor="centre")
                elif text_width(words, t) <= room:
                    # where a word has no room, the line of the circle and the caption say it
                    tag(canvas, x, middle, words, height=t, anchor="centre")

    def _dimension(self, canvas: Canvas) -> None:
        """Dimension the overlap, or the gap, below the circles, where they leave room for it."""
        cut, grid, t = self.cut, self.grid, self.text
        if len(self._known) < 2 or not np.isfinite(cut.overlap):
            return
        run = cut.centres[1] - cut.centres[0]
        unit = run / max(float(np.hypot(*run)), 1e-9)
        ends = self.paper(
            np.stack([cut.centres[0] + unit * grid.radii[0], cut.centres[1] - unit * grid.radii[1]])
        )
        y = self.box.bottom + 2.0 * t
        order = np.argsort(ends[:, 0])
        (x1, y1), (x2, y2) = ends[order]
        canvas.lines([[(x1, y1), (x1, y - 0.8)], [(x2, y2), (x2, y - 0.8)]], width=HAIR, clip=self.box)
        canvas.lines([[(x1, y), (x2, y)]], width=THIN, clip=self.box)
        end_marks(canvas, [(x1, y)], [(x2, y)], head=1.4, clip=self.box)
        mm = cut.overlap * 1000.0
        said = figure(abs(mm), *((grid.required * 1000.0, 0.0) if mm >= 0 else (0.0,)), digits=0)
        if np.isfinite(cut.sigma):
            said += f" {PLUS_MINUS} {cut.sigma * 1000.0:.0f}"
        said = f"gap {said}" if mm < 0 else said
        tag(canvas, (x1 + x2) / 2, self.box.bottom + 0.9 * t, said, height=t, anchor="centre")

    def _pit(self, canvas: Canvas) -> None:
        """Point to the pit side with an arrow between the two circles."""
        t = self.text
        x = float(self.paper(np.zeros((1, 2)))[0, 0])
        tip = self.box.top - 0.4 * t
        foot = tip - 2.2 * t
        canvas.lines([[(x, foot), (x, tip - 0.9 * t)]], width=FINE)
        canvas.shapes([[(x, tip), (x - 0.35 * t, tip - t), (x + 0.35 * t, tip - t)]], fill=INK)
        tag(canvas, x + 0.9 * t, tip - 0.65 * t, "pit", height=t)

    def _caption(self, canvas: Canvas) -> None:
        t = self.text
        lines = wrap(self.grid.caption(self.cut), self.box.width, t)[:MOST_LINES]
        for number, line in enumerate(lines):
            canvas.text(self.box.left, self.box.bottom - (1.6 + LINE * number) * t, line, height=t)


def _lens(centres: Floats, radii: Floats) -> Floats | None:
    """Return the outline (k, 2) of what two circles share; None where one lies inside the other or they are apart."""
    run = centres[1] - centres[0]
    apart = float(np.hypot(*run))
    r_a, r_b = float(radii[0]), float(radii[1])
    if not abs(r_a - r_b) < apart < r_a + r_b:
        return None
    heading = float(np.arctan2(run[1], run[0]))
    half_a = float(np.arccos((apart**2 + r_a**2 - r_b**2) / (2.0 * apart * r_a)))
    half_b = float(np.arccos((apart**2 + r_b**2 - r_a**2) / (2.0 * apart * r_b)))
    first = heading + np.linspace(-half_a, half_a, 24)
    second = heading + np.pi + np.linspace(-half_b, half_b, 24)
    arc_a = centres[0] + r_a * np.stack([np.cos(first), np.sin(first)], axis=1)
    arc_b = centres[1] + r_b * np.stack([np.cos(second), np.sin(second)], axis=1)
    return np.concatenate([arc_a, arc_b])
