"""``asbuilt decide``: the engineer's decisions, bound to what they were made on. It releases nothing."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from asbuilt.commands._shared import (
    folder_argument,
    iso_time,
    json_option,
    print_json,
    print_lines,
    progress_on,
    wrapped,
)
from asbuilt.errors import InputError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.commands.deciding import Decided
    from asbuilt.model import Decision, StageState

__all__ = ["command", "decided_lines", "decided_object"]

_MOST = 12


@click.command(
    epilog="""\b
Exit codes: 0 written, 2 bad usage or bad input; then nothing is written

\b
Example:
  asbuilt decide wall_A P3~P4 --effect hold --by Ann --reason "seen to leak"
"""
)
@folder_argument
@click.argument("item", metavar="[ITEM]", required=False)
@click.option("--effect", metavar="EFFECT", help="accept, hold or withdraw.")
@click.option("--down-to", metavar="LEVEL", help="Accept for stages no deeper only: a level, or a stage's name.")
@click.option("--until", metavar="TEXT", help="Hold until this is met.")
@click.option("--reference", metavar="NO", help="Number of the document behind it.")
@click.option("--by", metavar="NAME", help="Who decides.")
@click.option("--reason", metavar="TEXT", help="Why.")
@click.option(
    "--from",
    "draft",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Take in the decisions that were drafted on the review page.",
)
@json_option
def command(folder: Path, item: str | None, *, draft: Path | None, as_json: bool, **options: Any) -> None:
    """Write down a decision on an item, and show what it changes.

    ITEM is a pile, a joint (P3~P4) or a finding (drift:P3). accept lifts its holds, hold sets one, withdraw takes the
    last decision on it back. Each is a line at the end of decisions.csv, which holds what it was made on: when an input
    of the item changes an accept lapses; a hold stays until it is lifted.
    """
    from datetime import UTC, datetime

    import numpy as np

    from asbuilt.commands.deciding import Wanted, decide
    from asbuilt.commands.load import say

    now = np.datetime64(datetime.now(UTC).replace(tzinfo=None), "ms")
    with progress_on() as step:
        if draft is None:
            done = decide(folder, [Wanted(item=item, **options)], now=now, step=step, told=say)
        else:
            from asbuilt.commands.decision_draft import read_draft

            _alone(item, options)
            drafted = read_draft(draft, now=now)
            done = decide(folder, drafted.wanted, now=now, of_site=drafted.of_site, step=step, told=say)
    if as_json:
        print_json(decided_object(done))
    else:
        print_lines(decided_lines(done, folder))


def _alone(item: str | None, options: dict[str, Any]) -> None:
    """Raise InputError with all that is given beside a draft."""
    given = {"ITEM": item, **{f"--{name.replace('_', '-')}": value for name, value in options.items()}}
    expected = "nothing beside --from: the draft says it"
    problems = [
        Problem(file=name, text="given", expected=expected) for name, value in given.items() if value is not None
    ]
    if problems:
        raise InputError(problems)


def decided_object(done: Decided) -> dict[str, Any]:
    """Return what was decided as ``--json`` prints it."""
    from asbuilt.commands.holds import decision_object

    return {
        "written": [
            {**(decision_object(one) or {}), "evidence_sha256": one.evidence_sha256 or None, "figures": one.figures}
            for one in done.written
        ],
        "already_written": [{"item": one.item, "effect": one.effect, "at": iso_time(one.at)} for one in done.already],
        "stages": [
            {
                "stage": state.stage,
                "level": state.level,
                "state": state.state,
                "held_by": _ids(state),
                "accepted": list(dict.fromkeys(hold.item for hold in state.accepted)),
                "items": [
                    {"item": item, "before": _standing(item, was), "after": _standing(item, state)}
                    for item in _written_items(done)
                ],
            }
            for was, state in _stages(done)
        ],
    }


def _ids(state: StageState) -> list[str]:
    return list(dict.fromkeys(hold.item for hold in state.held_by))


def _written_items(done: Decided) -> list[str]:
    return list(dict.fromkeys(one.item for one in done.written))


def _stages(done: Decided) -> Iterator[tuple[StageState, StageState]]:
    return zip(done.before.stages, done.after.stages, strict=True)


def _standing(item: str, state: StageState) -> str:
    """Return what an item is to a stage: held, accepted, or nothing that stands in its way."""
    for name in ("held_by", "accepted"):
        if any(hold.item == item for hold in getattr(state, name)):
            return "held" if name == "held_by" else name
    return "no hold"


# ---------------------------------------------------------------------------------------------------- text


def decided_lines(done: Decided, folder: Path) -> Iterator[str]:
    """Yield what was decided as text, 80 columns wide. The first line says that it releases nothing."""
    yield "This releases nothing: the responsible engineer decides, under local codes."
    yield ""
    yield from wrapped(done.after.survey.settings.site.name)
    for wanted in done.already:
        yield from wrapped(f"In decisions.csv already: {wanted.effect} {wanted.item} by {wanted.by}", rest="  ")
    if not done.written:
        yield "Nothing was written."
        return
    count = len(done.written)
    yield f"Written to decisions.csv: {count} decision{'' if count == 1 else 's'}"
    for one in done.written:
        yield ""
        yield from _decision(one, done)
    if done.after.stages:
        yield ""
        yield "Stages"
        for was, state in _stages(done):
            yield from wrapped(_change(_written_items(done), was, state), first="  ", rest="    ")
    yield ""
    yield from wrapped("Geometry alone is no reason to dig.")
    yield from wrapped(f"Next: asbuilt run {folder}")


def _decision(one: Decision, done: Decided) -> Iterator[str]:
    from asbuilt.compute.figures import figures_from_text, figures_words

    yield from wrapped(f"{one.item}  {one.text}", first="  ", rest="    ")
    figures = figures_from_text(one.figures)
    if figures:
        yield from wrapped(f"made on: {figures_words(figures)}", first="    ", rest="      ")
    elif one.evidence_sha256:
        yield "    made on: the finding as it is"
    if one.effect == "accept" and figures.get("verdict") == "within" and not _held(one.item, done.before.stages):
        yield "    it is within: nothing to accept"
    if one.effect == "accept":
        yield from _blind(one.item, done.after.stages, surveyed=figures.get("verdict") != "not surveyed")
    if one.effect == "withdraw":
        left = [other for other in done.after.decisions if other.item == one.item and other.effect == "hold"]
        for other in left:
            if other.standing:
                yield from wrapped(f"a hold before it stands again: {other.reason}", first="    ", rest="      ")


def _held(item: str, stages: Sequence[StageState]) -> bool:
    """Tell whether an item holds a stage or lies below one, or would but for an accept."""
    return any(
        hold.item == item for state in stages for hold in (*state.held_by, *state.below, *state.accepted)
    )


def _blind(item: str, stages: Sequence[StageState], *, surveyed: bool) -> Iterator[str]:
    """Yield that an item is accepted without measurement, and in which checks."""
    checks = dict.fromkeys(
        hold.check
        for state in stages
        for hold in state.accepted
        if hold.item == item and hold.unmeasured
    )
    if checks or not surveyed:
        yield from wrapped(f"accepted without measurement{': ' if checks else ''}{', '.join(checks)}", first="    ")


def _change(items: Sequence[str], was: StageState, state: StageState) -> str:
    """Word what becomes of a stage: which of the items hold it, and how many others do."""
    from asbuilt.compute.wording import metres

    held = _ids(state)
    said: dict[str, list[str]] = {}
    for item in items:
        before = _standing(item, was) == "held"
        words = ("still held" if before else "now held") if item in held else "no longer held" if before else "not held"
        said.setdefault(words, []).append(item)
    parts = [f"{words} by {_named(named)}" for words, named in said.items()]
    others = len(set(held) - set(items))
    parts.append("no other holds" if not others else f"{others} other item{'s hold' if others > 1 else ' holds'} it")
    return f"{state.stage}, dig to {metres(state.level)}: {'; '.join(parts)}"


def _named(items: Sequence[str]) -> str:
    more = f" and {len(items) - _MOST} more" if len(items) > _MOST else ""
    return f"{', '.join(items[:_MOST])}{more}"
