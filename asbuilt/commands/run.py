"""``asbuilt run``: the main job. Reads, reconciles, writes ``out/``, prints a summary."""

from __future__ import annotations

import json
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from asbuilt import __version__
from asbuilt.commands._shared import (
    AsOf,
    as_of_option,
    folder_argument,
    iso_time,
    json_option,
    output_folder,
    print_json,
    print_lines,
    progress_on,
)
from asbuilt.commands.writers import OUTPUTS, WORDS, WRITERS, Making
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from asbuilt.commands._shared import Step
    from asbuilt.model import Reconciliation
    from asbuilt.views import Changes

__all__ = ["OUTPUTS", "command", "kept_outputs", "write_outputs"]

RECORD = "run.json"


@click.command(
    epilog="""\b
Exit codes: 0 done, also when piles are out of tolerance
            2 bad usage, bad input, or a target that cannot be written; then
              nothing is written

\b
Example:
  asbuilt run basement_wall --as-of 2025-05-16
"""
)
@folder_argument
@as_of_option
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the outputs go. Default: out in the survey folder.",
)
@click.option(
    "--only",
    type=click.Choice(list(OUTPUTS)),
    multiple=True,
    metavar="KIND",
    help="Make this kind of output only: geopackage, schedule, joints, sheets or review; may be repeated. The others "
    "are kept when they were made from the same inputs.",
)
@click.option(
    "--since",
    type=AsOf(),
    metavar="DATE",
    help="Say what changed since what was known then; the review page says it in full.",
)
@json_option
def command(
    folder: Path, *, as_of: str | None, out: Path | None, only: tuple[str, ...], since: str | None, as_json: bool
) -> None:
    """Reconcile what was designed with what was built.

    Reads the survey folder DIR and writes a GeoPackage (asbuilt.gpkg), the pile schedule (schedule.csv), the joints
    (joints.csv), drawing sheets (sheets.pdf), a page to review them on (review.html) and a record of the run
    (run.json), all or none; then prints a summary.
    Where there is a ledger, settings and design that were changed by hand are recorded in it first.
    """
    from asbuilt.commands._opening import open_survey
    from asbuilt.reconcile import reconcile

    started, clock = datetime.now(UTC), time.perf_counter()
    target = output_folder(folder, out)
    with progress_on() as step:
        survey, when = open_survey(folder, as_of=as_of, step=step, recording=True)
        step("reconciling")
        result = reconcile(survey, as_of=when)
        changes = None if since is None else _changes(folder, result, since, step)
        files = write_outputs(result, target, only=only, started=started, clock=clock, step=step, since=changes)
    from asbuilt.commands.left_out import left_out
    from asbuilt.commands.since_words import since_object
    from asbuilt.commands.summary import run_object, summary_lines

    left = left_out(survey, when)
    if as_json:
        whole = {**run_object(result), "left_out": left.object(), "out": str(target), "files": list(files)}
        print_json(whole if changes is None else {**whole, "since": since_object(changes)})
    else:
        print_lines(summary_lines(result, target=target, files=files, left=left, since=changes))


def write_outputs(
    result: Reconciliation,
    target: Path,
    *,
    only: Collection[str] = (),
    started: datetime,
    clock: float,
    step: Step,
    since: Changes | None = None,
) -> dict[str, str]:
    """Write the kinds of output named in ``only``, by default all, into ``target``: all of them or none.

    Parameters
    ----------
    result, target
        What was found, and the folder it goes to.
    only
        Kinds out of :data:`OUTPUTS`; the others stay as they are.
    started, clock
        When the run began, and ``time.perf_counter()`` then: for the record of the run.
    step
        Told what is being written.
    since
        What changed since an earlier state, for the review page.

    Returns
    -------
    dict
        Each file that is there now, with a word about it.

    Raises
    ------
    UsageError
        When other kinds would have to be kept that were not made from the same inputs.
    TargetError
        When the folder cannot be written.
    """
    from asbuilt.output._files import output_set, recover
    from asbuilt.output.record import write_run_record
    from asbuilt.provenance import inputs_sha256
    from asbuilt.reconcile import views_of

    recover(target)
    kinds = [kind for kind in OUTPUTS if not only or kind in only]
    making = Making(
        result=result, views=views_of(result), inputs=inputs_sha256(result.survey), step=step, since=since
    )
    kept = kept_outputs(target, made=kinds, result=result)
    files = {}
    with output_set(target, owned=[*OUTPUTS.values(), RECORD], keep=kept) as working:
        for kind in kinds:
            step(f"writing {OUTPUTS[kind]}")
            WRITERS[kind](working / OUTPUTS[kind], making)
            files[OUTPUTS[kind]] = WORDS[kind].format(pages=making.pages)
        write_run_record(
            working / RECORD,
            result=result,
            outputs=[*(working / OUTPUTS[kind] for kind in kinds), *(target / name for name in kept)],
            started=started,
            seconds=time.perf_counter() - clock,
        )
    return {
        **files,
        **dict.fromkeys(kept, "kept: made from the same inputs"),
        RECORD: "what it was made from, and when",
    }


def _changes(folder: Path, result: Reconciliation, since: str, step: Step) -> Changes:
    """Return what changed since an earlier moment, which must lie before that of the run."""
    from asbuilt.commands._opening import open_survey
    from asbuilt.compute.changes import changes_between
    from asbuilt.reconcile import reconcile

    survey, when = open_survey(folder, as_of=since, step=step)
    assert when is not None  # noqa: S101  # since is given
    if when >= result.as_of:
        raise UsageError(f"--since {since} is not before {iso_time(result.as_of)}, the moment of this run")
    step("reconciling what was known then")
    return changes_between(reconcile(survey, as_of=when), result)


def kept_outputs(target: Path, *, made: Collection[str], result: Reconciliation) -> list[str]:
    """Return the files of the kinds that are not ``made`` and stay, because they were made from the same inputs.

    Raises
    ------
    UsageError
        When one of them was not: outputs of two states of a survey must not lie side by side.
    """
    names = [name for kind, name in OUTPUTS.items() if kind not in made and (target / name).is_file()]
    if not names:
        return []
    reason = _difference(target, names, result)
    if reason:
        raise UsageError(f"{target} holds {', '.join(names)}, and {reason}; run without --only, or with another --out")
    return names


def _difference(target: Path, names: Sequence[str], result: Reconciliation) -> str:
    """Return why the files in ``target`` do not belong to this run; "" when they do."""
    from asbuilt.output.record import file_sha256

    try:
        record = json.loads((target / RECORD).read_text(encoding="utf-8"))
        inputs = {file["path"]: file["sha256"] for file in record["inputs"]}
        outputs, version, as_of = record["outputs"], record["tool_version"], record["as_of"]
    except FileNotFoundError:
        return f"there is no {RECORD} that says what they were made from"
    except (ValueError, KeyError, TypeError):
        return f"its {RECORD} cannot be read"
    if version != __version__:
        return f"they were made by version {version}"
    if as_of.removesuffix("Z").removesuffix(".000") + "Z" != iso_time(result.as_of):
        return f"they are as of {as_of}"
    ours = {file.path: file.sha256 for file in result.survey.files}
    changed = sorted(path for path in {*inputs, *ours} if inputs.get(path) != ours.get(path))
    if changed:
        return f"{', '.join(changed[:3])}{' …' if len(changed) > 3 else ''} changed since they were made"
    altered = [name for name in names if outputs.get(name) != file_sha256(target / name)]
    return f"{', '.join(altered)} is not as the run left it" if altered else ""
