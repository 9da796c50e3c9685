"""``asbuilt read``: one lean reading taken down at the rig, and what it means; text only."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from asbuilt.commands._reading_options import reading_options
from asbuilt.commands._shared import ExitCode, folder_argument, json_option, print_json, print_lines

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import Any

    from asbuilt.commands.taking_down import Noted

__all__ = ["command"]


@click.command(
    epilog="""\b
Exit codes: 0 taken down and answered, or it was taken down before
            2 refused, bad usage or bad input; then nothing is written

\b
Example:
  asbuilt read basement_wall P8 --tilt-a 3 --tilt-b -1 --unit mm/m --depth 4
"""
)
@folder_argument
@click.argument("pile", metavar="PILE")
@reading_options
@click.option(
    "--attempt",
    metavar="N",
    type=click.IntRange(min=1),
    help="Which attempt it was read in. Default: the one that is being drilled.",
)
@click.option("--at", metavar="T", help="When it was read, in the site's time zone. Default: now.")
@click.option("--by", metavar="NAME", help="Who read it. Default: the name you are logged in with.")
@click.option("--confirm", metavar="WHY", help="Why it is right in spite of what is odd about it; needs --by.")
@json_option
def command(
    folder: Path,
    pile: str,
    *,
    tilt_a: str | None,
    tilt_b: str | None,
    unit: str | None,
    depth: str | None,
    bearing_a: str | None,
    bearing_b: str | None,
    sense: str | None,
    attempt: int | None,
    at: str | None,
    by: str | None,
    confirm: str | None,
    as_json: bool,
) -> int:
    """Take one lean reading down as it is made, and answer it: go on, correct, or stop and ask.

    The reading of the pile PILE goes into the survey folder DIR as a file of its own under tilts/, with a line in the
    ledger. It is checked as a load is: what is odd about it refuses it until --confirm says why it is right. The answer
    is that of steer, without its picture. It is advice about geometry: a person confirms each correction.
    """
    from asbuilt.commands.load import who, why_of
    from asbuilt.commands.reader import Said
    from asbuilt.commands.taking_down import take_down

    why, name = why_of(confirm, by), who(by)
    # what is missing of a reading is told with all else that is wrong
    said = Said(
        tilt_a=tilt_a,
        tilt_b=tilt_b,
        unit=unit,
        depth=depth,
        bearing_a_deg=bearing_a,
        bearing_b_deg=bearing_b,
        sense=sense,
    )
    noted = take_down(folder, pile, said, attempt=attempt, at=at, by=name, why=why)
    if as_json:
        print_json(_object(noted, pile))
    else:
        print_lines(_lines(noted, pile))
    return ExitCode.DONE if noted.case else ExitCode.REFUSED


def _object(noted: Noted, pile: str) -> dict[str, Any]:
    from asbuilt.commands.load_report import finding_object
    from asbuilt.commands.steer_words import answer_object

    case = noted.case
    return {
        "pile_id": pile,
        **({} if case is None else answer_object(case.advice, case.given, case.reader, check=case.check_sense)),
        "taken": noted.taken,
        "file": noted.path or None,
        "findings": [finding_object(one) for one in noted.findings],
    }


def _lines(noted: Noted, pile: str) -> Iterator[str]:
    from asbuilt.commands.steer_words import answer_lines, told

    case = noted.case
    if case is None:
        yield from told(f"NOT taken down: something is odd about this reading of {pile}.")
        for one in noted.findings:
            yield from told(f"{one.kind}: {one.text}", first="- ")
        yield from told("Look at the instrument again. Where it is right: the same with --confirm WHY --by NAME.")
        return
    yield from answer_lines(case.advice, case.given, case.reader, check=case.check_sense)
    yield ""
    if noted.taken:
        yield from told(f"taken down: {noted.path}")
    else:
        yield from told(f"taken down before, and not again: {noted.path}")
    if noted.survey.changed:
        names = ", ".join(noted.survey.changed)
        yield from told(f"CHANGED since taken in: {names} (asbuilt verify says more)")
