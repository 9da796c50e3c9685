"""Decisions that are asked for: checked against the wall as it is, bound to their evidence, written all or none."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import EFFECTS
from asbuilt.compute.decisions import governing_decisions, standing_holds
from asbuilt.compute.figures import difference, figures_from_text, figures_of, figures_text
from asbuilt.compute.verdicts import SLACK_M
from asbuilt.compute.wording import metres
from asbuilt.errors import InputError, Problem
from asbuilt.intake.decisions import DECISIONS, appended
from asbuilt.intake.decisions_edited import edited_in
from asbuilt.intake.ledger import read_ledger, taking_in
from asbuilt.intake.nearest import NearestIds
from asbuilt.intake.sources import Source
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from asbuilt.commands._shared import Step
    from asbuilt.model import Decision, Reconciliation

__all__ = ["Decided", "Wanted", "decide"]

_NAMED_IN_NOTE = 12
_MOST_NEAR = 3
_OPTIONS = {"item": "ITEM", "down_to": "--down-to"}


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """A decision that is asked for. ``place`` says where it stands in a draft; "": on the command line."""

    item: str | None
    effect: str | None
    by: str | None
    reason: str | None
    down_to: float | str | None = None
    """A level [m], or on the command line also as text: that, or the name of a stage."""
    until: str | None = None
    reference: str | None = None
    place: str = ""
    at: np.datetime64 | None = None
    """When it was drafted; None: it is made now."""
    seen: str | None = None
    """First letters of the hash of the evidence that it was made on; None: on what is there now."""
    figures: str = ""
    """Figures that it was made on, where they are known."""

    def problem(self, field: str, text: str, expected: str) -> Problem:
        """Return what is wrong with one of its fields."""
        if self.place:
            return Problem(file=self.place, column=field, text=text, expected=expected)
        return Problem(file=_OPTIONS.get(field, f"--{field}"), text=text, expected=expected)


@dataclass(frozen=True, kw_only=True)
class Decided:
    """What was written, what had been before, and the wall without and with it.

    ``already`` are decisions that stand in the file: the same draft was taken in before.
    """

    before: Reconciliation
    after: Reconciliation
    written: tuple[Decision, ...]
    already: tuple[Wanted, ...]


def decide(
    folder: Path,
    wanted: Sequence[Wanted],
    *,
    now: np.datetime64,
    of_site: Callable[[str], Iterator[Problem]] = lambda _name: iter(()),
    step: Step,
    told: Callable[[str], None],
) -> Decided:
    """Append decisions to ``decisions.csv``, each bound to what it was made on; all of them, or none.

    Parameters
    ----------
    folder
        The survey folder.
    wanted
        What is asked for, in order.
    now
        The clock, UTC [ms].
    of_site
        What is wrong with the draft, given the name of the site.
    step, told
        Are told what is being done, and what goes on in passing.

    Raises
    ------
    InputError
        With every problem of every decision; nothing is written then.
    """
    while True:
        step("reading")
        before = reconcile(read_survey(folder, progress=step))
        already = [one for one in wanted if _is_written(one, before)]
        edited = edited_in(folder, read_ledger(folder))
        if edited is not None:
            raise InputError([edited.problem])
        problems = list(of_site(before.survey.settings.site.name))
        fresh, wrong = _checked([one for one in wanted if one not in already], before)
        problems += wrong
        if problems:
            raise InputError(problems)
        if not fresh:
            return Decided(before=before, after=before, written=(), already=tuple(already))
        data = _bytes(folder / DECISIONS)
        new = appended(data, [_cells(one, before, now) for one in fresh])
        # Read with the rest before it is written: what cannot be read back is not put there.
        source = Source(path=DECISIONS, table="decisions", data=new)
        after = reconcile(read_survey(folder, progress=step, extra=[source]))
        state = _state((row["action"], row["file"], row["sha256"]) for row in before.survey.ledger_rows)
        by = ", ".join(dict.fromkeys(str(one.by) for one in fresh))
        with taking_in(folder, by=by, told=told) as entry:
            lines = ((line.action, line.file, line.sha256) for line in entry.lines)
            if _bytes(folder / DECISIONS) != data or _state(lines) != state:
                continue
            entry.replace(DECISIONS, new, action="change", note=_note(fresh))
        return Decided(before=before, after=after, written=after.decisions[-len(fresh) :], already=tuple(already))


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        return None


def _state(lines: Iterator[tuple[str, str, str]]) -> list[tuple[str, str, str]]:
    """Return the ledger lines that change what a decision is made on; what was changed by hand is read anyhow."""
    return [line for line in lines if line[0] != "change"]


def _note(fresh: Sequence[Wanted]) -> str:
    named = [f"{one.effect} {one.item}" for one in fresh[:_NAMED_IN_NOTE]]
    more = [f"{len(fresh) - _NAMED_IN_NOTE} more"] if len(fresh) > _NAMED_IN_NOTE else []
    return "; ".join([*named, *more])


def _cells(one: Wanted, result: Reconciliation, now: np.datetime64) -> dict[str, str]:
    """Return the cells of the line, but for the hash of the line before it."""
    at = np.datetime_as_string(now if one.at is None else one.at, unit="ms")
    item = str(one.item)
    return {
        "at": f"{at}Z",
        "by": str(one.by),
        "item": item,
        "effect": str(one.effect),
        "down_to_level": "" if one.down_to is None else repr(float(one.down_to)),
        "until": one.until or "",
        "reason": str(one.reason),
        "reference": one.reference or "",
        "evidence_sha256": result.evidence(item) or "",
        "figures": figures_text(figures_of(item, result.piles, result.joints)),
    }


# -------------------------------------------------------------------------------------------------- checks


def _checked(wanted: Sequence[Wanted], result: Reconciliation) -> tuple[list[Wanted], list[Problem]]:
    """Return what is to be written, its items as they are called and its texts trimmed, and what is wrong."""
    fresh, problems = [], []
    decided = {one.item for one in (*governing_decisions(result.decisions).values(), *standing_holds(result.decisions))}
    for one in wanted:
        down_to = _level(one, result)
        if isinstance(down_to, Problem):
            problems.append(down_to)
            down_to = None
        named = replace(
            one,
            down_to=down_to,
            item=None if one.item is None else _item(one.item, result),
            by=_trimmed(one.by),
            reason=_trimmed(one.reason),
            until=_trimmed(one.until),
            reference=_trimmed(one.reference),
        )
        problems += [*_wrong_texts(one), *_wrong_effect(named, result), *_wrong_item(named, result, decided)]
        if named.item is not None:
            (decided.discard if named.effect == "withdraw" else decided.add)(named.item)
        fresh.append(named)
    return fresh, problems


def _level(one: Wanted, result: Reconciliation) -> float | Problem | None:
    """Return the level down to which an item is accepted, where it is given as text or by the name of a stage too."""
    given = one.down_to
    if not isinstance(given, str):
        return given
    levels = {stage.name: stage.level for stage in result.survey.settings.stages}
    try:
        level = float(given)
    except ValueError:
        if given.strip() in levels:
            return levels[given.strip()]
        named = ", ".join(f'"{name}"' for name in levels)
        return one.problem("down_to", repr(given), f"a level{f', or a stage: {named}' if named else ''}")
    if given.strip() in levels and levels[given.strip()] != level:
        what = f"{given!r} is a level, and the name of a stage that goes to another"
        return one.problem("down_to", what, f"a level that is no name, such as {level:.3f}")
    return level


def _trimmed(text: str | None) -> str | None:
    return None if text is None else text.strip() or None


def _item(given: str, result: Reconciliation) -> str:
    """Return an item as it is called: a joint may be named from either side."""
    name = given.strip()
    a, tilde, b = name.partition("~")
    if tilde and result.evidence(name) is None and result.evidence(f"{b}~{a}") is not None:
        return f"{b}~{a}"
    return name


def _wrong_texts(one: Wanted) -> Iterator[Problem]:
    expected = "some text in one line"
    for field in ("by", "reason"):
        if getattr(one, field) is None:
            yield one.problem(field, "missing", expected)
    for field in ("by", "reason", "until", "reference"):
        text = getattr(one, field)
        if text is not None and (not text.strip() or not text.strip().isprintable()):
            yield one.problem(field, f"{text!r}", expected)


def _wrong_effect(one: Wanted, result: Reconciliation) -> Iterator[Problem]:
    if one.effect not in EFFECTS:
        what = "missing" if one.effect is None else f"{one.effect!r}"
        yield one.problem("effect", what, f"one of {', '.join(EFFECTS)}")
    if one.until is not None and one.effect != "hold":
        yield one.problem("until", f"given with {one.effect or 'no effect'}", "only with hold")
    if one.down_to is None or isinstance(one.down_to, str):
        return
    if one.effect != "accept":
        yield one.problem("down_to", f"given with {one.effect or 'no effect'}", "only with accept")
    settings = result.survey.settings
    low, high = settings.levels.lowest, settings.levels.highest
    stages = [stage.level for stage in settings.stages]
    if not math.isfinite(one.down_to) or not low <= one.down_to <= high:
        yield one.problem("down_to", f"{one.down_to:+.2f}", f"a level of the site, {metres(low)} to {metres(high)}")
    elif stages and one.down_to > max(stages) + SLACK_M:
        what = f"{metres(one.down_to)} is above the level of every stage: it would lift nothing"
        yield one.problem("down_to", what, f"{metres(max(stages))} or below")


def _wrong_item(one: Wanted, result: Reconciliation, decided: set[str]) -> Iterator[Problem]:
    if one.item is None:
        yield one.problem("item", "missing", "a pile, a joint or a finding")
        return
    evidence = result.evidence(one.item)
    if one.effect == "withdraw" and one.item not in decided:
        yield one.problem("item", f"no decision on {one.item!r} to withdraw", "an item that was decided on")
    elif evidence is None and one.effect != "withdraw":
        items = _items(result)
        near = NearestIds(items).near(one.item) or difflib.get_close_matches(one.item, items, n=_MOST_NEAR, cutoff=0.5)
        expected = f"perhaps {' or '.join(near)}" if near else "a pile, a joint or a finding"
        yield one.problem("item", f"no item {one.item!r}", expected)
    elif evidence is not None and one.seen is not None and not (one.seen and evidence.startswith(one.seen)):
        then, now = figures_from_text(one.figures), figures_of(one.item, result.piles, result.joints)
        differs = difference(then, now) if then else ""
        what = f"{one.item}: its inputs changed since the page was made{f': {differs}' if differs else ''}"
        yield one.problem("evidence", what, "what is there now: look at it again")


def _items(result: Reconciliation) -> list[str]:
    return [
        *result.piles["pile_id"].tolist(),
        *result.joints["joint_id"].tolist(),
        *dict.fromkeys(finding.id for finding in result.findings),
    ]


def _is_written(one: Wanted, result: Reconciliation) -> bool:
    """Tell whether the same decision was taken in before; one that is made now never was."""
    if one.at is None or one.item is None:
        return False
    item = _item(one.item, result)
    said = (item, one.effect, (one.reason or "").strip(), (one.by or "").strip(), one.at)
    return any(said == (was.item, was.effect, was.reason, was.by, was.at) for was in result.decisions)
