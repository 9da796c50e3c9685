"""The legends of the scatter sheets: what is on the sheet and nothing else."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import KINDS
from asbuilt.output.sheets.canvas import FINE, INK, THIN, Box
from asbuilt.output.sheets.figures import counted
from asbuilt.output.sheets.frame import Entry
from asbuilt.output.sheets.pile_charts import TOLERANCE_DASH
from asbuilt.output.sheets.samples import line_sample
from asbuilt.output.sheets.scatter_charts import ALL_LINE, CURVES, FILLS, KIND_LINES, draw_kind
from asbuilt.output.sheets.scatter_data import short_name
from asbuilt.output.sheets.symbols import pluses

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from asbuilt.model import Booleans, Floats, WallGroup
    from asbuilt.output.sheets.canvas import Canvas
    from asbuilt.output.sheets.scatter_data import Cloud

__all__ = ["FEWEST", "cloud_legend", "curve_legend", "kind_lines"]

ROW = 1.4
"""Height of a sample in heights of text."""
FEWEST = 3
"""A kind of fewer piles has no distribution of its own."""
LOOKS = ("within in plan", "unresolved in plan", "outside in plan", "no verdict in plan")


def cloud_legend(
    cloud: Cloud,
    *,
    groups: Sequence[WallGroup],
    beyond: bool,
    rows: Booleans | None = None,
    allowed: Mapping[str, Floats] | None = None,
) -> tuple[Entry, ...]:
    """Return the legend of a sheet with clouds of offsets.

    ``rows``: the piles on it, default all; ``allowed``: radii of the tolerance circles [mm] of each wall on it, where
    each is drawn about its own piles alone.
    """
    shown = np.ones(len(cloud), dtype=bool) if rows is None else rows
    return tuple(_cloud(cloud, groups, beyond, shown, _tolerances({"": cloud.allowed} if allowed is None else allowed)))


def _tolerances(allowed: Mapping[str, Floats]) -> str:
    """Return the radii of tolerance circles in words, wall by wall where walls differ."""
    said = {wall: " and ".join(f"{value:.1f}" for value in radii) for wall, radii in allowed.items() if len(radii)}
    if len(set(said.values())) > 1:
        return "; ".join(f"wall {short_name(wall, 12)} {figures}" for wall, figures in said.items())
    return next(iter(said.values()), "")


def _cloud(
    cloud: Cloud, groups: Sequence[WallGroup], beyond: bool, rows: Booleans, tolerances: str
) -> Iterator[Entry]:
    for code, name in enumerate(KINDS):
        number = int((cloud.kind[rows] == code).sum())
        if number:
            yield Entry(text=f"{name}: {counted(number, 'pile')}", sample=_mark((code,), FILLS[0]), height=ROW)
    for code, name in enumerate(LOOKS):
        number = int((cloud.look[rows] == code).sum())
        if number:
            kinds = tuple(k for k in range(len(KINDS)) if (cloud.kind[rows & (cloud.look == code)] == k).any())
            yield Entry(text=f"{name}: {counted(number, 'pile')}", sample=_mark(kinds, FILLS[code]), height=ROW)
    if tolerances:
        dashed = line_sample(width=FINE, dash=TOLERANCE_DASH)
        yield Entry(text=f"plan tolerance, {tolerances} mm", sample=dashed, height=ROW)
    yield from _means(groups)
    if beyond:
        yield Entry(text="pile beyond the window", sample=_head, height=ROW)


def _means(groups: Sequence[WallGroup]) -> Iterator[Entry]:
    by_kind = [group for group in groups if group.by == "kind"]
    for group in by_kind:
        width, dash = KIND_LINES[KINDS.index(group.name)]
        what = "mean and ellipse" if group.ellipse is not None else "mean"
        bare = group.ellipse is None
        yield Entry(text=f"{what}, {group.name}", sample=_mean(width, dash, bare=bare), height=ROW)
    others = [group for group in groups if group.by != "kind"]
    if others:
        name = ", all" if by_kind else ""
        yield Entry(text=f"mean and its 95 % ellipse{name}", sample=_mean(*ALL_LINE), height=ROW)


def kind_lines(cloud: Cloud, *, limits: bool, allowed: bool) -> Iterator[Entry]:
    """Yield the lines of distributions: all, each kind where there are several, and what is allowed."""
    count = np.bincount(cloud.kind, minlength=len(KINDS))
    yield Entry(text="all piles", sample=line_sample(width=ALL_LINE[0]), height=ROW)
    if (count > 0).sum() > 1:
        for code in np.flatnonzero(count >= FEWEST).tolist():
            width, dash = KIND_LINES[code]
            yield Entry(text=KINDS[code], sample=line_sample(width=width, dash=dash), height=ROW)
    if limits or allowed:
        yield Entry(text="allowed", sample=line_sample(width=FINE, dash=TOLERANCE_DASH), height=ROW)


def curve_legend() -> Iterator[Entry]:
    """Yield the lines of the curves of joints."""
    for name, (width, dash) in zip(("lost", "not sure", "not surveyed"), CURVES, strict=True):
        yield Entry(text=f"joints {name}", sample=line_sample(width=width, dash=dash), height=ROW)


def _mark(kinds: tuple[int, ...], fill: str) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        for number, kind in enumerate(kinds):
            at = np.array([[box.left + (0.4 + 0.22 * (number - (len(kinds) - 1) / 2)) * box.width, box.middle[1]]])
            draw_kind(canvas, kind, fill, at, 1.6)

    return sample


def _mean(width: float, dash: tuple[float, ...], *, bare: bool = False) -> Callable[[Canvas, Box], None]:
    def sample(canvas: Canvas, box: Box) -> None:
        x, y = box.left + 0.4 * box.width, box.middle[1]
        at = np.linspace(0.0, 2.0 * np.pi, 40, endpoint=False)
        ring = np.stack([x + 0.34 * box.width * np.cos(at), y + 0.42 * box.height * np.sin(at)], axis=1)
        if not bare:
            canvas.lines([ring], width=width, dash=dash, closed=True)
        canvas.lines(pluses(np.array([[x, y]]), np.array([1.2])), width=width)

    return sample


def _head(canvas: Canvas, box: Box) -> None:
    x, y = box.left + 0.5 * box.width, box.middle[1]
    canvas.shapes([[(x, y), (x - 2.2, y + 0.8), (x - 2.2, y - 0.8)]], fill=INK, colour=INK, width=THIN)
