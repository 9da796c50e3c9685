"""``asbuilt holds``: what stands in the way of one excavation stage."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import click

from asbuilt.columns import VERDICT_LOOKS
from asbuilt.commands._shared import (
    ExitCode,
    as_of_option,
    changed_lines,
    folder_argument,
    iso_time,
    json_option,
    painted,
    print_json,
    print_lines,
    progress_on,
    wrapped,
)
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from asbuilt.commands.left_out import LeftOut
    from asbuilt.model import Decision, Hold, Reconciliation, StageState

__all__ = ["command", "decision_object", "find_stage", "holds_lines", "holds_object"]


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
def command(folder: Path, stage: str, *, as_of: str | None, as_json: bool) -> int:
    """List what stands in the way of an excavation stage.

    STAGE is the name of a stage in site.toml. The list releases nothing: the responsible engineer decides. Nothing
    is written.
    """
    from asbuilt.commands._opening import open_survey
    from asbuilt.commands.left_out import left_out
    from asbuilt.reconcile import reconcile

    with progress_on() as step:
        survey, when = open_survey(folder, as_of=as_of, step=step)
        step("reconciling")
        result = reconcile(survey, as_of=when)
    state = find_stage(result.stages, stage)
    left = left_out(survey, when)
    if as_json:
        print_json(holds_object(state, result, left))
    else:
        print_lines(holds_lines(state, result, left))
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


def holds_object(state: StageState, result: Reconciliation, left: LeftOut) -> dict[str, Any]:
    """Return the stage as ``--json`` prints it."""
    return {
        "stage": state.stage,
        "level": state.level,
        "joints_to": state.joints_to,
        "state": state.state,
        "as_of": iso_time(result.as_of),
        "changed": list(result.survey.changed),
        "left_out": left.object(),
        "held_by": [_hold_object(hold) for hold in state.held_by],
        "below": [_hold_object(hold) for hold in state.below],
        "accepted": [_hold_object(hold) for hold in state.accepted],
    }


def _hold_object(hold: Hold) -> dict[str, Any]:
    return {
        "item": hold.item,
        "verdict": hold.verdict,
        "check": hold.check,
        "text": hold.text,
        "level": None if math.isnan(hold.level) else hold.level,
        "unmeasured": hold.unmeasured,
        "decision": decision_object(hold.decision),
    }


def decision_object(decision: Decision | None) -> dict[str, Any] | None:
    """Return a decision as ``--json`` prints it; None for none."""
    if decision is None:
        return None
    return {
        "at": iso_time(decision.at),
        "by": decision.by,
        "item": decision.item,
        "effect": decision.effect,
        "down_to": decision.down_to,
        "until": decision.until or None,
        "reason": decision.reason,
        "reference": decision.reference or None,
        "standing": decision.standing,
        "state": decision.state,
        "changed": decision.changed or None,
    }


def holds_lines(state: StageState, result: Reconciliation, left: LeftOut) -> Iterator[str]:
    """Yield the stage as text, 80 columns wide. The first line says that it releases nothing."""
    from asbuilt.compute.wording import metres

    yield "This list releases nothing: the responsible engineer decides, under local codes."
    yield ""
    yield from wrapped(result.survey.settings.site.name)
    depth = "to the bottom of each joint's range" if state.joints_to is None else f"to {metres(state.joints_to)} m"
    yield from wrapped(f"Stage {state.stage}: dig to {metres(state.level)} m, joints to be sound {depth}")
    yield f"As of {result.survey.settings.site.time_text(result.as_of)}"
    yield from left.lines(result.survey.settings.site)
    yield from changed_lines(result.survey)
    yield ""
    if state.held_by:
        yield f"Held by {_counted(state.held_by)}"
        yield from _grouped(state.held_by)
    else:
        yield "No holds in what was measured and checked. Geometry alone is no reason to dig."
    yield from _accepted(state.accepted)
    if state.below:
        yield ""
        yield f"Below this stage, to be settled before a deeper one: {_counted(state.below)}"
        yield from _grouped(state.below)
    yield ""
    decide = result.survey.settings.decide.holds
    yield from wrapped(f"Checks that hold, by site.toml: {', '.join(decide) or 'none'}.")
    unmade = [check for check in decide if not _asked(result, check)]
    if unmade:
        yield from wrapped(f"Not made, as site.toml gives no tolerance: {', '.join(unmade)}.")


def _asked(result: Reconciliation, check: str) -> bool:
    """Whether a check is made at all, so that its silence means something."""
    tolerance = result.survey.settings.tolerance
    given = {
        "toe": tolerance.toe_mm is not None,
        "encroach": tolerance.encroach_mm is not None or result.survey.clear_outline is not None,
    }
    return given.get(check, True)


def _counted(holds: Sequence[Hold]) -> str:
    count = len({hold.item for hold in holds})
    return f"{count} item{'s' if count != 1 else ''}"


def _grouped(holds: Sequence[Hold]) -> Iterator[str]:
    """Yield the holds under their verdicts, in the order they come in."""
    wide = max(len(hold.item) for hold in holds)
    checks = max(len(hold.check) for hold in holds)
    verdict = ""
    for hold in holds:
        if hold.verdict != verdict:
            verdict = hold.verdict
            yield painted(f"  {VERDICT_LOOKS[verdict].letter} {verdict}", verdict)
        yield from wrapped(hold.text, first=f"    {hold.item:<{wide}}  {hold.check:<{checks}}  ")
        if hold.decision is not None:
            yield from wrapped(hold.decision.text, first=" " * (wide + checks + 8))


def _accepted(holds: Sequence[Hold]) -> Iterator[str]:
    """Yield what a decision lifts; what was accepted without measurement stands apart."""
    measured = [hold for hold in holds if not hold.unmeasured]
    blind = [hold for hold in holds if hold.unmeasured]
    for listed, how in ((measured, "Accepted by a decision that stands"), (blind, "Accepted without measurement")):
        if listed:
            yield ""
            yield f"{how}: {_counted(listed)}"
            yield from _grouped(listed)
