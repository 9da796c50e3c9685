"""Invented jobs that have been reconciled, with just what a sheet draws."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import numpy as np
import pikepdf
import pytest

from asbuilt import model
from asbuilt.columns import KINDS, VERDICTS
from asbuilt.output.sheets.book import write_sheets
from asbuilt.output.sheets.lettering import CAPITAL
from asbuilt.settings import parse_settings

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

WITHIN, UNRESOLVED, NOT_SURVEYED, OUTSIDE = range(len(VERDICTS))

SITE = """
[site]
name = {name}
[grid]
map_crs = "EPSG:32639"
[levels]
commence = 4.00
cut_off = 3.20
formation = -8.00
interlock_to = -9.50
[walls.A]
closed = {closed}
{pit_side}
[tolerance]
plan_mm = 25
verticality = "1:200"
overlap_mm = 50
{encroach}
[sheets]
paper = "{paper}"
drawing_number = "INV-100-PL-001"
revision = "B"
originator = "Invented Piling"
revisions = [
  {{rev = "A", date = "2025-02-03", text = "First pickup of primaries"}},
  {{rev = "B", date = "2025-03-03", text = "Secondaries 1 to 40 added"}},
]
"""


def settings_text(*, closed: bool, paper: str, name: str = '"Invented pumping station"', encroach: bool = True) -> str:
    return SITE.format(
        name=name,
        closed=str(closed).lower(),
        pit_side="" if closed else 'pit_side = "left"',
        encroach="encroach_mm = 50" if encroach else "",
        paper=paper,
    )


def _table(name: str, **columns: Any) -> model.Table:
    n = len(next(iter(columns.values()))) if columns else 0
    place = np.arange(n, dtype=np.int32)
    return model.Table(name=name, columns=columns, file=np.zeros(n, dtype=np.int32), line=place + 2, pile=place)


def _wall(n: int, *, closed: bool, spacing: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return design centres, and unit vectors along the wall and towards the pit."""
    place = np.arange(n)
    if closed:
        turn = 2 * np.pi * place / n
        out = np.stack([np.cos(turn), np.sin(turn)], axis=1)
        along = np.stack([-out[:, 1], out[:, 0]], axis=1)
        return out * spacing / (2 * np.sin(np.pi / n)), along, -out
    along = np.tile([1.0, 0.0], (n, 1))
    return np.stack([place * spacing, np.zeros(n)], axis=1), along, np.tile([0.0, 1.0], (n, 1))


def build(
    n: int = 130,
    *,
    closed: bool = True,
    surveyed: bool = True,
    paper: str = "A3",
    spacing: float = 0.85,
    diameter_mm: float = 1000.0,
    name: str = '"Invented pumping station"',
    ids: list[str] | None = None,
    encroach: bool = True,
    outline: Any = None,
    seed: int = 4,
) -> model.Reconciliation:
    """Return a job of one wall of ``n`` piles in which every verdict occurs (or nothing is surveyed)."""
    rng = np.random.default_rng(seed)
    design, along, pit = _wall(n, closed=closed, spacing=spacing)
    offset = rng.normal(0.0, 0.010, (n, 2))
    u = np.full(n, 6.0)
    verdict = np.full(n, WITHIN)
    place = np.arange(n)
    verdict[place % 17 == 3] = UNRESOLVED
    verdict[place % 23 == 5] = OUTSIDE
    offset[verdict == OUTSIDE] *= 3.0
    verdict[place % 29 >= 27] = NOT_SURVEYED
    if not surveyed:
        verdict[:] = NOT_SURVEYED
    offset[verdict == NOT_SURVEYED] = np.nan
    centre = design + offset
    a = place if closed else place[:-1]
    b = (a + 1) % n
    joint = np.full(len(a), WITHIN)
    joint[a % 19 == 7] = UNRESOLVED
    joint[a % 31 == 11] = OUTSIDE
    joint[(verdict[a] == NOT_SURVEYED) | (verdict[b] == NOT_SURVEYED)] = NOT_SURVEYED
    settings = parse_settings(settings_text(closed=closed, paper=paper, name=name, encroach=encroach))
    pile_id = np.array(ids or [f"P{k + 1}" for k in range(n)], dtype=object)
    origin = (500000.0, 6000000.0)
    table = _table(
        "design",
        pile_id=pile_id,
        kind=np.where(place % 2, KINDS.index("secondary"), KINDS.index("primary")).astype(np.int8),
        diameter_mm=np.full(n, diameter_mm),
    )
    survey = model.Survey(
        settings=settings,
        folder="invented",
        files=(model.InputFile(path="design/piles.csv", table="design", rows=n, sha256="0123456789abcdef" * 4),),
        origin=origin,
        design=table,
        **{t: _table(t) for t in ("pickups", "tilts", "profiles", "records", "control", "set_out", "decisions")},
        clear_outline=outline,
    )
    piles = model.Piles(
        columns={
            "pile_id": pile_id,
            "wall": np.full(n, "A", dtype=object),
            "position": (place + 1).astype(np.float64),
            "cut_off_level": np.full(n, 3.20),
            "offset_mm": 1000.0 * np.hypot(*offset.T),
            "u_offset_mm": np.where(np.isnan(offset[:, 0]), np.nan, u),
            "verdict": verdict.astype(np.int8),
        },
        centre_e=centre[:, 0],
        centre_n=centre[:, 1],
        design_e=design[:, 0],
        design_n=design[:, 1],
        radius=np.full(n, diameter_mm / 2000.0),
        along_e=along[:, 0],
        along_n=along[:, 1],
        pit_e=pit[:, 0],
        pit_n=pit[:, 1],
        cov=np.full((n, 3), 36e-6),
        expected=np.ones(n, dtype=bool),
        side=np.zeros(n, dtype=np.int64),
    )
    joints = model.Joints(
        columns={"verdict": joint.astype(np.int8)},
        a=a,
        b=b,
        required=np.full(len(a), 0.05),
        toe_level=np.full(len(a), np.nan),
    )
    nothing: Any = None
    return model.Reconciliation(
        survey=survey,
        as_of=np.datetime64("2025-03-04T17:30:00.000"),
        centres=nothing,
        axes=nothing,
        other_axes=nothing,
        piles=piles,
        joints=joints,
        stages=(),
        statistics=nothing,
        findings=(),
        layers={},
    )


@pytest.fixture(scope="session")
def job() -> Callable[..., model.Reconciliation]:
    return build


MM = 25.4 / 72.0


@dataclass
class Drawn:
    """One painted path: sub-paths [mm], colours (None: none), width and dash [mm], clip (4,) [mm]."""

    parts: list[np.ndarray]
    stroke: tuple[float, ...] | None
    fill: tuple[float, ...] | None
    width: float
    dash: tuple[float, ...]
    clip: tuple[float, ...] | None


@dataclass
class Written:
    """One text: what it says, where its baseline starts [mm], its angle [deg] and the height of a capital [mm]."""

    text: str
    x: float
    y: float
    angle: float
    height: float
    colour: tuple[float, ...]


@dataclass
class Page:
    """What a page's content stream draws."""

    width: float
    height: float
    drawn: list[Drawn] = field(default_factory=list)
    texts: list[Written] = field(default_factory=list)

    def of(self, *, stroke: str | None = None, fill: str | None = None) -> list[Drawn]:
        """Return the paths of a stroke colour, or a fill colour."""
        return [
            d
            for d in self.drawn
            if (stroke is None or d.stroke == rgb(stroke)) and (fill is None or d.fill == rgb(fill))
        ]

    def words(self) -> str:
        return "\n".join(t.text for t in self.texts)


def rgb(colour: str) -> tuple[float, ...]:
    """Return the colour of a hexadecimal code as a content stream holds it."""
    parts = tuple(round(int(colour[k : k + 2], 16) / 255, 3) for k in (1, 3, 5))
    return parts[:1] if len(set(parts)) == 1 else parts


def _colour(operands: list[Any]) -> tuple[float, ...]:
    return tuple(round(float(v), 3) for v in operands)


@dataclass
class _State:
    matrix: np.ndarray = field(default_factory=lambda: np.eye(3))
    stroke: tuple[float, ...] = (0.0,)
    fill: tuple[float, ...] = (0.0,)
    width: float = 1.0
    dash: tuple[float, ...] = ()
    clip: tuple[float, ...] | None = None
    size: float = 0.0

    def point(self, x: Any, y: Any) -> np.ndarray:
        return (np.array([float(x), float(y), 1.0]) @ self.matrix)[:2] * MM


class _Reader:
    """Reads the operators that a page of ours may hold; any other is an error."""

    def __init__(self, page: Page) -> None:
        self.page, self.state, self.stack = page, _State(), []
        self.parts: list[list[np.ndarray]] = []
        self.box: tuple[float, ...] | None = None
        self.clipping = False

    def paint(self, stroke: bool, fill: bool) -> None:
        s = self.state
        if self.parts and (stroke or fill):
            parts = [np.array(part) for part in self.parts]
            self.page.drawn.append(
                Drawn(parts, s.stroke if stroke else None, s.fill if fill else None, s.width * MM, s.dash, s.clip)
            )
        if self.clipping:
            s.clip = self.box
        self.parts, self.box, self.clipping = [], None, False

    def path(self, operator: str, args: list[Any]) -> None:
        if operator == "m":
            self.parts.append([self.state.point(*args)])
        elif operator == "l":
            self.parts[-1].append(self.state.point(*args))
        elif operator == "c":
            self.parts[-1].extend(self.state.point(*args[k : k + 2]) for k in (0, 2, 4))
        elif operator == "h":
            self.parts[-1].append(self.parts[-1][0])
        elif operator == "re":
            x, y, w, h = (float(v) for v in args)
            low, high = self.state.point(x, y), self.state.point(x + w, y + h)
            self.box = (*low, *high)

    def style(self, operator: str, args: list[Any]) -> None:
        s = self.state
        if operator in ("RG", "G"):
            s.stroke = _colour(args)
        elif operator in ("rg", "g"):
            s.fill = _colour(args)
        elif operator == "w":
            s.width = float(args[0])
        elif operator == "d":
            s.dash = tuple(round(float(v) * MM, 3) for v in args[0])

    def text(self, operator: str, args: list[Any]) -> None:
        if operator == "Tf":
            self.state.size = float(args[1])
        elif operator == "TJ":
            said = "".join(
                bytes(part).decode("utf-16-be") for part in args[0] if not isinstance(part, (int, float, Decimal))
            )
            m = self.state.matrix
            x, y = m[2, :2] * MM
            angle = float(np.degrees(np.arctan2(m[0, 1], m[0, 0])))
            self.page.texts.append(Written(said, x, y, angle, self.state.size * MM * CAPITAL, self.state.fill))

    def run(self, instructions: Any) -> None:
        for operands, op in instructions:
            operator, args = str(op), list(operands)
            if operator == "q":
                self.stack.append(replace(self.state))
            elif operator == "Q":
                self.state = self.stack.pop()
            elif operator == "cm":
                a = [float(v) for v in args]
                self.state.matrix = np.array([[a[0], a[1], 0], [a[2], a[3], 0], [a[4], a[5], 1]]) @ self.state.matrix
            elif operator in ("m", "l", "c", "h", "re"):
                self.path(operator, args)
            elif operator in ("S", "f", "B", "n"):
                self.paint(operator in ("S", "B"), operator in ("f", "B"))
            elif operator == "W":
                self.clipping = True
            elif operator in ("RG", "G", "rg", "g", "w", "d"):
                self.style(operator, args)
            elif operator in ("Tf", "TJ"):
                self.text(operator, args)
            else:
                assert operator in ("gs", "CS", "cs", "J", "j", "BT", "ET", "Td"), operator


def read_page(path: Path) -> Page:
    """Read the one page of a file: paper, painted paths, texts."""
    with pikepdf.open(path) as pdf:
        assert len(pdf.pages) == 1
        box = [float(v) for v in pdf.pages[0].mediabox]
        page = Page(width=(box[2] - box[0]) * MM, height=(box[3] - box[1]) * MM)
        _Reader(page).run(pikepdf.parse_content_stream(pdf.pages[0]))
    return page


@pytest.fixture(scope="session")
def sheet_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[model.Reconciliation], Page]:
    """Write a job's sheets and read the page."""

    def write(result: model.Reconciliation) -> Page:
        path = tmp_path_factory.mktemp("sheets") / "sheets.pdf"
        assert write_sheets(path, result, tool_version="0.1.0", inputs_sha256="ab12" * 16) == 1
        return read_page(path)

    return write


@pytest.fixture(scope="session")
def page_of(sheet_of: Callable[[model.Reconciliation], Page]) -> Callable[..., Page]:
    """Read the page of a job as :func:`build` makes it, written once."""
    pages: dict[str, Page] = {}

    def read(n: int = 130, **kind: Any) -> Page:
        key = repr((n, sorted(kind.items())))
        if key not in pages:
            pages[key] = sheet_of(build(n, **kind))
        return pages[key]

    return read


@pytest.fixture(scope="session")
def ring_page(page_of: Callable[..., Page]) -> Page:
    """The page of the ring of 130 piles."""
    return page_of(130)
