"""``asbuilt setout``: where to set out the piles still to drill, for the instrument and on paper."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from asbuilt import __version__
from asbuilt.commands._shared import folder_argument, json_option, output_folder, print_json, print_lines, progress_on

if TYPE_CHECKING:
    from asbuilt.model import Reconciliation, Survey
    from asbuilt.output._set_out import SetOutList

__all__ = ["command"]

PAPERS = ("A4", "A3")
_FOLDER = "setout"


@click.command(
    epilog="""\b
Exit codes: 0 done; 2 bad usage, bad input, or a target that cannot be
            written; then nothing is written

\b
Example:
  asbuilt setout basement_wall P7
"""
)
@folder_argument
@click.argument("piles", metavar="[PILE]...", nargs=-1)
@click.option("--design", "plain", is_flag=True, help="The plain design set-out, without advice.")
@click.option("--control", is_flag=True, help="Control points too, in the instrument's file.")
@click.option("--paper", type=click.Choice(PAPERS), help="Default: that of site.toml, A3 where it is larger.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Where the files go. Default: out/setout in the survey folder.",
)
@json_option
def command(
    folder: Path,
    *,
    piles: tuple[str, ...],
    plain: bool,
    control: bool,
    paper: str | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Say where to set out piles, given how their neighbours came out.

    Without PILE: every pile that is not begun and has a built neighbour. Writes
    setout.csv for the instrument and setout.pdf to print and sign, with --design
    design.csv and design.pdf.

    It is advice until the responsible engineer confirms it: what is agreed to
    goes into set_out/approved.csv, and is used from then on.
    """
    from asbuilt.commands._opening import open_survey
    from asbuilt.commands.setout_checks import named_piles
    from asbuilt.commands.setout_list import set_out_list
    from asbuilt.commands.setout_words import setout_lines, setout_object
    from asbuilt.reconcile import reconcile

    with progress_on() as step:
        survey, _ = open_survey(folder, as_of=None, step=step, recording=True)
        step("reconciling")
        result = reconcile(survey)
        places = named_piles(result, piles, control=control)
        step("looking for the best centres")
        listed = set_out_list(result, places, plain=plain)
        marks, files = _write(
            survey,
            result,
            listed,
            target=(output_folder(folder, out), out is None),
            paper=paper or ("A4" if survey.settings.sheets.paper == "A4" else "A3"),
            control=control,
        )
    if as_json:
        print_json(setout_object(result, listed, files=files, marks=marks))
    else:
        print_lines(setout_lines(result, listed, files=files))


def _write(
    survey: Survey,
    result: Reconciliation,
    listed: SetOutList,
    *,
    target: tuple[Path, bool],
    paper: str,
    control: bool,
) -> tuple[int, dict[str, str]]:
    """Write the instrument's file and the sheet, both or none; return the marks, and what each file is.

    ``target``: the folder, and whether it is the survey's own, whose part for setting out they go to.
    """
    from asbuilt.output._files import output_set
    from asbuilt.output.set_out_csv import write_set_out
    from asbuilt.output.sheets.book import write_sheets
    from asbuilt.output.sheets.job import Job
    from asbuilt.output.sheets.set_out import set_out_sheets
    from asbuilt.provenance import inputs_sha256
    from asbuilt.reconcile import views_of

    stem = "design" if listed.plain else "setout"
    table, sheet = f"{stem}.csv", f"{stem}.pdf"
    base, own = target
    place = base / _FOLDER if own else base
    with output_set(place, owned=[table, sheet], within=base if own else None) as work:
        marks = write_set_out(
            work / table, result, listed, columns=survey.settings.set_out.columns, control=control
        )
        book = write_sheets(
            work / sheet,
            Job(extract=True, result=result, views=views_of(result), paper=paper),
            tool_version=__version__,
            inputs_sha256=inputs_sha256(survey),
            makers={"set out": partial(set_out_sheets, listed=listed)},
        )
    return marks, {
        str(place / table): f"for the instrument, {marks} mark{'' if marks == 1 else 's'}",
        str(place / sheet): f"to print and sign, {book.pages} page{'' if book.pages == 1 else 's'}",
    }
