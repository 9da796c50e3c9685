"""``asbuilt holds``: what stands in the way of one excavation stage."""

from __future__ import annotations

import math
import textwrap
from typing import TYPE_CHECKING, Any

import click

from asbuilt.commands._shared import (
    ExitCode,
    as_of_option,
    folder_argument,
    iso_time,
    json_option,
    moment,
    print_json,
    print_lines,
    progress_on,
)
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date
    from pathlib import Path

    from asbuilt.model import Hold, Reconciliation, StageState

__all__ = ["command", "find_stage", "holds_lines", "holds_object"]

_WIDTH = 80


@click.command(
    epilog="""\b
Exit codes: 0 nothing holds it, 3 something does, 2 bad usage or bad input

\b
Example:
  asbuilt holds basement_wall "dig 1"
"""
)
@folder_argument
@click.argument("stage", metavar="STAGE")
@as_of_option
@json_option
def command(folder: Path, stage: str, *, as_of: date | None, as_json: bool) -> int:
    """List what stands in the way of an excavation stage.

    STAGE is the name of a stage in site.toml. The list releases nothing: the responsible engineer decides. Nothing
    is written.
    """
    from asbuilt.intake.survey import read_survey
    from asbuilt.reconcile import reconcile

    with progress_on() as step:
        step("reading")
        survey = read_survey(folder)
        step("reconciling")
        result = reconcile(survey, as_of=moment(as_of, survey.settings.site.time_zone))
    state = find_stage(result.stages, stage)
    if as_json:
        print_json(holds_object(state, result))
    else:
        print_lines(holds_lines(state, result))
    return ExitCode.HELD if state.held_by else ExitCode.DONE


def find_stage(stages: Sequence[StageState], name: str) -> StageState:
    """Return the stage called ``name``; raises UsageError naming those there are."""
    for state in stages:
        if state.stage == name:
            return state
    there = ", ".join(f'"{state.stage}"' for state in stages)
    raise UsageError(
        f"no stage {name!r}; there are {there}" if there else f"no stage {name!r}; site.toml names none, see [[stages]]"
    )


def holds_object(state: StageState, result: Reconciliation) -> dict[str, Any]:
    """Return the stage as ``--json`` prints it."""
    return {
        "stage": state.stage,
        "level": state.level,
        "joints_to": state.joints_to,
        "state": state.state,
        "as_of": iso_time(result.as_of),
        "held_by": [_hold_object(hold) for hold in state.held_by],
        "below": [_hold_object(hold) for hold in state.below],
    }


def _hold_object(hold: Hold) -> dict[str, Any]:
    return {
        "item": hold.item,
        "verdict": hold.verdict,
        "check": hold.check,
        "text": hold.text,
        "level": None if math.isnan(hold.level) else hold.level,
        "decision": _decision_object(hold.decision),
    }


def _decision_object(decision: Mapping[str, Any] | None) -> dict[str, Any] | None:
    if decision is None:
        return None
    names = ("by", "at", "effect", "down_to", "reason", "standing")
    return {**decision, **{name: decision.get(name) for name in names}}


def holds_lines(state: StageState, result: Reconciliation) -> Iterator[str]:
    """Yield the stage as text, 80 columns wide. The first line says that it releases nothing."""
    yield "This list releases nothing: the responsible engineer decides, under local codes."
    depth = "to the bottom of each joint's range" if state.joints_to is None else f"to {state.joints_to:.2f} m"
    yield ""
    yield f"Stage {state.stage}: dig to {state.level:.2f} m, joints needed {depth}"
    yield f"As of {iso_time(result.as_of)}, {result.survey.settings.site.name}"
    yield ""
    if state.held_by:
        yield f"Held by {len(state.held_by)}:"
        for hold in state.held_by:
            yield from _hold_lines(hold)
    else:
        yield "No holds in what was measured and checked. That alone is no reason to dig."
    if state.below:
        yield ""
        yield f"Below this stage, for later ({len(state.below)}):"
        for hold in state.below:
            yield from _hold_lines(hold)
    unmade = [name for name in result.survey.settings.decide.holds if not _asked(result, name)]
    if unmade:
        yield ""
        yield f"Not checked for want of a tolerance: {', '.join(unmade)}"


def _asked(result: Reconciliation, check: str) -> bool:
    tolerance = result.survey.settings.tolerance
    asked = {"toe": tolerance.toe_mm is not None, "encroach": tolerance.encroach_mm is not None}
    return asked.get(check, True)


def _hold_lines(hold: Hold) -> Iterator[str]:
    yield from textwrap.wrap(
        f"{hold.item}: {hold.check} {hold.verdict}; {hold.text}",
        _WIDTH,
        initial_indent="  ",
        subsequent_indent="      ",
        break_on_hyphens=False,
    )
    decision = hold.decision
    if decision is not None:
        standing = "" if decision.get("standing") else ", lapsed: its inputs have changed"
        down = decision.get("down_to")
        to = f" down to {down:.2f} m" if down is not None and not math.isnan(down) else ""
        yield f"      {decision['effect']}{to} by {decision['by']}: {decision['reason']}{standing}"
