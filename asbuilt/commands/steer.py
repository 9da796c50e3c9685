"""``asbuilt steer``: what a lean read at the rig means, in words and as a picture; and cards to read it by."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from asbuilt.commands._reading_options import reading_options
from asbuilt.commands._shared import folder_argument, json_option, print_json, print_lines, progress_on
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from asbuilt.commands.reader import Said
    from asbuilt.commands.steer_case import Case
    from asbuilt.model import Reconciliation

__all__ = ["command"]

_FOLDER = "steer"


@click.command(
    epilog="""\b
Exit codes: 0 answered, whatever the answer; 2 bad usage or bad input, or a
            target that cannot be written; then nothing is written

\b
Example:
  asbuilt steer basement_wall P8 --tilt-a 3 --tilt-b -1 --unit mm/m --depth 4
"""
)
@folder_argument
@click.argument("piles", metavar="PILE...", nargs=-1, required=True)
@reading_options
@click.option("--card", is_flag=True, help="Blank cards for the rig instead of an answer; for several piles too.")
@json_option
def command(
    folder: Path,
    piles: tuple[str, ...],
    *,
    tilt_a: str | None,
    tilt_b: str | None,
    unit: str | None,
    depth: str | None,
    bearing_a: str | None,
    bearing_b: str | None,
    sense: str | None,
    card: bool,
    as_json: bool,
) -> None:
    """Answer a lean read at the rig: go on, correct by how much and which way, or stop and ask.

    For the pile PILE of the survey folder DIR, with the reading given, else with its newest. Draws a page for the rig
    to out/steer/PILE.pdf and .png. It is advice about geometry: a person confirms each correction.
    """
    from asbuilt.commands.reader import Said

    said = Said(
        tilt_a=tilt_a,
        tilt_b=tilt_b,
        unit=unit,
        depth=depth,
        bearing_a_deg=bearing_a,
        bearing_b_deg=bearing_b,
        sense=sense,
    )
    if card and said.reading:
        raise UsageError("--card prints blank cards: leave --tilt-a, --tilt-b and --depth out, or leave --card out")
    if len(set(piles)) > 1 and not card:
        raise UsageError(f"{len(piles)} piles: an answer is for one pile; name one, or add --card for blank cards")
    result = _result(folder, said)
    if card:
        _cards(folder, result, piles, said, as_json=as_json)
    else:
        _answer(folder, result, piles[0], said, as_json=as_json)


def _result(folder: Path, said: Said) -> Reconciliation:
    from asbuilt.commands._opening import open_survey
    from asbuilt.commands.reader import refuse
    from asbuilt.errors import InputError
    from asbuilt.reconcile import reconcile

    with progress_on() as step:
        try:
            survey, when = open_survey(folder, as_of=None, step=step, recording=True)
        except InputError as caught:
            refuse(said, None, caught.problems)
        step("reconciling")
        return reconcile(survey, as_of=when)


def _answer(folder: Path, result: Reconciliation, name: str, said: Said, *, as_json: bool) -> None:
    from asbuilt import __version__
    from asbuilt.commands.steer_case import case_of
    from asbuilt.commands.steer_picture import picture_of
    from asbuilt.commands.steer_words import answer_object
    from asbuilt.output.sheets.rig import drawn

    case = case_of(result, name, said)
    pdf, png = drawn(picture_of(case, result, tool_version=__version__))
    paths = _write(folder, {f"{name}.pdf": pdf, f"{name}.png": png})
    if as_json:
        files = [str(path) for path in paths]
        print_json({**answer_object(case.advice, case.given, case.reader, check=case.check_sense), "files": files})
    else:
        print_lines(_lines(case, result, paths))


def _cards(folder: Path, result: Reconciliation, names: tuple[str, ...], said: Said, *, as_json: bool) -> None:
    from asbuilt import __version__
    from asbuilt.commands.steer_card import card_object, cards_of
    from asbuilt.commands.steer_words import CAUTIONS, told
    from asbuilt.output.sheets.rig_card import drawn_cards

    cards = cards_of(result, names, said, tool_version=__version__)
    name = f"{names[0]}_card.pdf" if len(cards) == 1 else "cards.pdf"
    (path,) = _write(folder, {name: drawn_cards(cards)})
    if as_json:
        print_json({"files": [str(path)], "cards": [card_object(one) for one in cards]})
        return
    count = f"{len(cards)} card{'' if len(cards) == 1 else 's'}"
    checks = [line for one in cards if one.check for line in told(one.check)]
    piles = told(f"for {', '.join(one.pile_id for one in cards)}")
    print_lines([f"{_within(path)}: {count}", *checks, *piles, *CAUTIONS])


def _write(folder: Path, files: dict[str, bytes]) -> list[Path]:
    """Put files into out/steer, all or none."""
    from contextlib import ExitStack

    from asbuilt.output._files import output_file

    out = folder / "out"
    with ExitStack() as stack:
        for number, (name, content) in enumerate(files.items()):
            # the first guards the folder of all outputs, the others stand in it
            within = out if number == 0 else None
            stack.enter_context(output_file(out / _FOLDER / name, within=within)).write_bytes(content)
    return [out / _FOLDER / name for name in files]


def _lines(case: Case, result: Reconciliation, paths: list[Path]) -> Iterator[str]:
    from asbuilt.commands.steer_words import answer_lines, told

    yield from answer_lines(case.advice, case.given, case.reader, check=case.check_sense)
    yield ""
    site = result.survey.settings.site
    if str(case.read_at) != "NaT":
        yield from told(f"newest reading: {site.time_text(case.read_at)}")
    if result.survey.changed:
        names = ", ".join(result.survey.changed)
        yield from told(f"CHANGED since taken in: {names} (asbuilt verify says more)")
    # a name that can be copied: from the survey folder on it fits a narrow screen
    yield f"page: {_within(paths[0])} and .png"


def _within(path: Path) -> str:
    """Return a path from the survey folder on."""
    return "/".join(path.parts[-3:])
