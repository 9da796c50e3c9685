"""``asbuilt sheets``: drawings on request, into a folder that ``run`` leaves alone."""

from __future__ import annotations

import difflib
import math
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from asbuilt import __version__
from asbuilt.commands._shared import (
    CAUTIONS,
    as_of_option,
    folder_argument,
    json_option,
    output_folder,
    print_json,
    print_lines,
    progress_on,
    wrapped,
)
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.commands.left_out import LeftOut
    from asbuilt.model import Reconciliation
    from asbuilt.output.sheets.book import Book

__all__ = ["KINDS", "SheetScale", "command", "file_name", "places_of"]

#: Kinds of sheet that can be asked for, in the order of the book, with a word about each.
KINDS = {
    "plan": "deviation plan at cut-off",
    "level": "plans at the stages, at formation and below: the wall cut at a level",
    "elevation": "the wall unrolled, joints by level",
    "stage": "what holds each stage, with boxes to sign",
    "joint": "one sheet for each joint that is not within",
    "pile": "one sheet for each pile named with --pile",
    "scatter": "offsets and lean of the whole wall",
    "schedule": "piles and joints as tables",
    "control": "control points and how they fit the map grid",
}
PAPERS = ("A4", "A3", "A2", "A1", "A0")
_FOLDER = "drawings"
LARGEST_SCALE = 20


class SheetScale(click.ParamType[int]):
    """A scale as drawings have it: ``1:100``, or ``100`` alone; larger than 1:20 a wall would fill a book."""

    name = "scale"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the scale's number."""
        found = re.fullmatch(r"\s*(?:1\s*:\s*)?([1-9][0-9]{0,4})\s*", str(value))
        if not found or int(found[1]) < LARGEST_SCALE:
            self.fail(f"{value!r} is no scale for these sheets, expected 1:{LARGEST_SCALE} or smaller", param, ctx)
        return int(found[1])


class Level(click.ParamType[float]):
    """A level in metres, as plans print it too: with a true minus sign, or a plus."""

    name = "level"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the level."""
        try:
            level = float(str(value).replace("\u2212", "-"))
        except ValueError:
            level = math.nan
        if not math.isfinite(level):
            self.fail(f"{value!r} is no level, expected metres such as -6.50", param, ctx)
        return level


@click.command(
    epilog="""\b
Exit codes: 0 done; 2 bad usage, bad input, or a target that cannot be
            written; then nothing is written

\b
Example:
  asbuilt sheets basement_wall --joint P3~P4 --level -6.50
"""
)
@folder_argument
@click.option(
    "--only",
    type=click.Choice(list(KINDS)),
    multiple=True,
    metavar="KIND",
    help=f"This kind of sheet only: {', '.join(KINDS)}; may be repeated.",
)
@click.option("--pile", "piles", multiple=True, metavar="ID", help="The sheet of this pile; may be repeated.")
@click.option("--joint", "joints", multiple=True, metavar="ID", help="The sheet of this joint; may be repeated.")
@click.option(
    "--level",
    "levels",
    type=Level(),
    multiple=True,
    metavar="L",
    help="The plan at this level, in metres; may be repeated.",
)
@click.option("--paper", type=click.Choice(PAPERS), help="Default: that of site.toml.")
@click.option(
    "--scale",
    type=SheetScale(),
    metavar="1:N",
    help="Scale of plans and elevation. Default: chosen to fit; what does not fit is cut into pages.",
)
@as_of_option
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Where the drawings go. Default: out/drawings in the survey folder.",
)
@json_option
def command(
    folder: Path,
    *,
    only: tuple[str, ...],
    piles: tuple[str, ...],
    joints: tuple[str, ...],
    levels: tuple[float, ...],
    paper: str | None,
    scale: int | None,
    as_of: str | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Draw sheets on request: some kinds, one pile, one joint, one level.

    Writes one PDF, named by what is in it, to out/drawings in the survey folder DIR. Without options it holds every
    sheet that a run makes. Naming a pile, joint or level draws its sheet alone, unless --only asks for more.
    """
    from asbuilt.commands._opening import open_survey
    from asbuilt.commands.left_out import left_out
    from asbuilt.output._files import output_file
    from asbuilt.output.sheets.book import write_sheets
    from asbuilt.output.sheets.job import Job
    from asbuilt.provenance import inputs_sha256
    from asbuilt.reconcile import reconcile, views_of

    kinds = _kinds(only, piles=piles, joints=joints, levels=levels)
    with progress_on() as step:
        survey, when = open_survey(folder, as_of=as_of, step=step, recording=True)
        step("reconciling")
        result = reconcile(survey, as_of=when)
        _check_levels(levels, result)
        job = Job(
            extract=True,
            result=result,
            views=views_of(result),
            paper=paper or survey.settings.sheets.paper,
            scale=scale,
            levels=levels,
            piles=places_of(piles, result.piles["pile_id"].tolist(), "pile"),
            joints=places_of(joints, result.joints["joint_id"].tolist(), "joint"),
        )
        target = output_folder(folder, out)
        path = target / ("" if out else _FOLDER) / file_name(only, piles=piles, joints=joints, levels=levels)
        with output_file(path, within=None if out else target) as working:
            book = write_sheets(
                working,
                job,
                tool_version=__version__,
                inputs_sha256=inputs_sha256(survey),
                kinds=kinds,
                progress=step,
            )
            if not book.pages:
                raise UsageError(_nothing(kinds, result))
    left = left_out(survey, when)
    if as_json:
        answer = {"file": str(path), "pages": book.pages, "page_of": dict(book.page_of), "paper": job.paper}
        print_json({**answer, "left_out": left.object()})
    else:
        print_lines(_lines(path, book, result, left))


def _kinds(
    only: Sequence[str], *, piles: Sequence[str], joints: Sequence[str], levels: Sequence[float]
) -> tuple[str, ...]:
    """Return the kinds that are drawn: those asked for, and those of what is named."""
    if "pile" in only and not piles:
        raise UsageError("--only pile needs to know which: add --pile ID, which may be repeated")
    asked = {*only}
    asked |= {kind for kind, given in (("pile", piles), ("joint", joints), ("level", levels)) if given}
    return tuple(kind for kind in KINDS if kind in asked)


def places_of(names: Sequence[str], known: list[str], what: str) -> tuple[int, ...]:
    """Return the places of piles or joints; raises UsageError naming every one that there is not, and what is close."""
    place = {name: number for number, name in enumerate(known)}
    missing = []
    for name in dict.fromkeys(names):
        # A joint is the same joint whichever pile is named first.
        place.setdefault(name, place.get("~".join(reversed(name.split("~"))), -1))
        if place[name] >= 0:
            continue
        close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
        missing.append(f"no {what} {name!r}" + (f", the nearest is {close[0]}" if close else ""))
    if missing:
        raise UsageError("; ".join(missing))
    return tuple(dict.fromkeys(place[name] for name in names))


def _check_levels(levels: Sequence[float], result: Reconciliation) -> None:
    """Raise UsageError for levels that nothing on this site can have."""
    given = result.survey.settings.levels
    beyond = [f"{level:+.2f}" for level in levels if not given.lowest <= level <= given.highest]
    if beyond:
        raise UsageError(
            f"--level {', '.join(beyond)}: outside the levels of this site, {given.lowest:+.2f} to "
            f"{given.highest:+.2f} (lowest and highest in site.toml)"
        )


def file_name(
    only: Sequence[str], *, piles: Sequence[str], joints: Sequence[str], levels: Sequence[float]
) -> str:
    """Return the name of the file: what is in it, as far as that makes a short name."""
    from asbuilt.output.sheets.figures import decimals

    named = {
        "pile": list(dict.fromkeys(piles)),
        "joint": list(dict.fromkeys(joints)),
        # as many decimals as asked for, so that no two levels share a file
        "level": [f"{level + 0.0:+.{decimals(level)}f}" for level in dict.fromkeys(levels)],
    }
    parts = [kind for kind in KINDS if kind in only and not named.get(kind)]
    for kind, names in named.items():
        if len(names) == 1:
            parts.append(f"{kind}_{names[0]}")
        elif names:
            parts.append(f"{kind}s")
    return f"{'-'.join(parts) or 'sheets'}.pdf"


def _nothing(kinds: Sequence[str], result: Reconciliation) -> str:
    reasons = {
        "joint": "every joint is within; name one with --joint",
        "stage": "site.toml sets no stages, see [[stages]]",
        "control": "there are no control points and no map grid, see [grid] in site.toml",
        "level": "no pile is surveyed yet, or none reaches such a level; name one with --level",
    }
    said = [reasons[kind] for kind in kinds if kind in reasons]
    return f"there is nothing to draw{': ' if said else ''}{'; '.join(said)} ({result.survey.settings.site.name})"


def _lines(path: Path, book: Book, result: Reconciliation, left: LeftOut) -> Iterator[str]:
    """Yield what is told of the file, 80 columns wide."""
    yield from wrapped(result.survey.settings.site.name)
    yield f"As of {result.survey.settings.site.time_text(result.as_of)}"
    yield from left.lines(result.survey.settings.site)
    yield from wrapped(f"{path}: {book.pages} page{'' if book.pages == 1 else 's'}")
    yield ""
    yield from wrapped(" ".join(CAUTIONS))
