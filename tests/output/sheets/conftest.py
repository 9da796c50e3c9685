"""Invented jobs that have been reconciled, with just what a sheet draws."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from pdf_pages import Page, read_pages

from asbuilt import model
from asbuilt.columns import KINDS, VERDICTS
from asbuilt.output.sheets.book import Book, write_sheets
from asbuilt.output.sheets.job import Job
from asbuilt.settings import parse_settings
from asbuilt.views import Toes, Views

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
            "towards_pit_mm": 1000.0 * np.sum(offset * pit, axis=1),
            "plan_verdict": np.where(verdict == UNRESOLVED, WITHIN, verdict).astype(np.int8),
            "vertical_verdict": np.where(verdict == OUTSIDE, WITHIN, verdict).astype(np.int8),
            "encroach_verdict": np.full(n, -1, dtype=np.int8),
            "toe_verdict": np.full(n, -1, dtype=np.int8),
            "verdict": verdict.astype(np.int8),
        },
        centre_e=centre[:, 0],
        centre_n=centre[:, 1],
        design_e=design[:, 0],
        design_n=design[:, 1],
        set_out_e=design[:, 0],
        set_out_n=design[:, 1],
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
        columns={
            "verdict": joint.astype(np.int8),
            "range_top": np.full(len(joint), 3.20),
            "joint_id": np.array([f"{pile_id[i]}~{pile_id[j]}" for i, j in zip(a, b, strict=True)], dtype=object),
            "sure_level": np.where((joint == UNRESOLVED) | (joint == OUTSIDE), -2.34, np.nan),
        },
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
        statistics=model.WallStatistics(
            groups=(),
            curve_level=np.empty(0),
            curve_lost=np.empty(0, dtype=np.int64),
            curve_not_sure=np.empty(0, dtype=np.int64),
            curve_not_surveyed=np.empty(0, dtype=np.int64),
            chance_lost=(0.0, 0.0),
            chance_open=(0.0, 0.0),
            depth_guaranteed={},
        ),
        findings=(),
        layers={},
    )


def not_asked(_what: object) -> Any:
    raise AssertionError


def toes_at(e: np.ndarray, n: np.ndarray, *, predicted: bool = True, u_mm: float = 5.0) -> Toes:
    """Return toes at given places [m, reduced], all as uncertain [mm] in every direction."""
    variance = np.where(np.isfinite(e), (u_mm / 1000.0) ** 2, np.nan)
    cov = np.stack([variance, np.zeros(len(e)), variance], axis=1)
    return Toes(level=np.full(len(e), -12.0), e=e, n=n, cov=cov, predicted=np.full(len(e), predicted))


def job_of(result: model.Reconciliation, *, toes: Toes | None = None, scale: int | None = None) -> Job:
    """Return the job of a reconciliation, where nothing is known of toes unless they are given."""
    nowhere = np.full(len(result.piles), np.nan)
    known = toes or toes_at(nowhere, nowhere)
    views = Views(
        at_level=not_asked,
        toes=lambda: known,
        bands=lambda: not_asked(0),
        joint=not_asked,
        pile=not_asked,
        unrolled=lambda: not_asked(0),
        sources=lambda: not_asked(0),
    )
    return Job(result=result, views=views, paper=result.survey.settings.sheets.paper, scale=scale)


def write_plan(path: Path, result: model.Reconciliation, **asked: Any) -> Book:
    """Write the deviation plan alone."""
    return write_sheets(path, job_of(result, **asked), tool_version="0.1.0", inputs_sha256="ab12" * 16, kinds=("plan",))


@pytest.fixture(scope="session")
def plan_writer() -> Callable[..., Book]:
    return write_plan


@pytest.fixture(scope="session")
def toes() -> Callable[..., Toes]:
    return toes_at


@pytest.fixture(scope="session")
def job() -> Callable[..., model.Reconciliation]:
    return build


@pytest.fixture(scope="session")
def sheets_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., list[Page]]:
    """Write a job's deviation plan and read its pages."""

    def write(result: model.Reconciliation, **asked: Any) -> list[Page]:
        path = tmp_path_factory.mktemp("sheets") / "sheets.pdf"
        book = write_plan(path, result, **asked)
        pages = read_pages(path)
        assert book.pages == len(pages)
        return pages

    return write


@pytest.fixture(scope="session")
def sheet_of(sheets_of: Callable[..., list[Page]]) -> Callable[..., Page]:
    """Write a job's deviation plan and read its one page."""

    def write(result: model.Reconciliation, **asked: Any) -> Page:
        (page,) = sheets_of(result, **asked)
        return page

    return write


@pytest.fixture(scope="session")
def page_of(sheets_of: Callable[..., list[Page]]) -> Callable[..., Page]:
    """Read the first page of a job as :func:`build` makes it, written once."""
    pages: dict[str, Page] = {}

    def read(n: int = 130, **kind: Any) -> Page:
        key = repr((n, sorted(kind.items())))
        if key not in pages:
            pages[key] = sheets_of(build(n, **kind))[0]
        return pages[key]

    return read


@pytest.fixture(scope="session")
def ring_page(page_of: Callable[..., Page]) -> Page:
    """The page of the ring of 130 piles."""
    return page_of(130)
