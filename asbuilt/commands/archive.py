"""``asbuilt archive``: the whole survey as one file that explains itself and can be checked."""

from __future__ import annotations

import json
import os
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

import click

from asbuilt.columns import TABLES
from asbuilt.commands._shared import (
    CAUTIONS,
    FORMAT,
    folder_argument,
    iso_time,
    json_option,
    print_json,
    print_lines,
    progress_on,
    say,
    wrapped,
)
from asbuilt.errors import TargetError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from asbuilt.commands._shared import Step
    from asbuilt.model import Reconciliation
    from asbuilt.output._description import Description

__all__ = ["Archived", "archive_survey", "command"]

_SITE, _LEDGER, _HISTORY = "site.toml", "ledger.csv", "history"
#: Files and folders of a survey folder that hold inputs.
_INPUTS = (_SITE, *sorted({table.where.partition("/")[0] for table in TABLES.values()}))
#: Of a run's record, what is another every time.
_FLEETING = ("run_at", "seconds")


@dataclass(frozen=True, kw_only=True)
class Archived:
    """What was put where.

    ``outputs`` says where the outputs come from and why; ``ledger`` what is wrong with the ledger, a sentence each,
    None where there is none; ``renamed`` the files that have another path in the bag, former to new.
    """

    path: Path
    name: str
    files: int
    size: int
    sha256: str
    outputs: str
    ledger: tuple[str, ...] | None
    renamed: Mapping[str, str]


@click.command(
    epilog="""\b
Exit codes: 0 done; 2 bad usage, bad input, or a target that cannot be
            written; then nothing is written

\b
Example:
  asbuilt archive basement_wall basement_wall.zip
"""
)
@folder_argument
@click.argument("file", metavar="FILE.zip", type=click.Path(path_type=Path))
@json_option
def command(folder: Path, file: Path, *, as_json: bool) -> None:
    """Pack a survey for the records: inputs, ledger, outputs, checksums, and a text that explains it all.

    Writes FILE.zip, a bag as RFC 8493 has it, whole or not at all; a file that is there is never replaced. Outputs are
    taken from out/ when they were made from the same inputs by this version, else they are made anew. Nothing in the
    survey folder DIR is changed, but where there is a ledger, settings and design that were changed by hand are
    recorded in it first.
    """
    from asbuilt.commands._opening import open_survey
    from asbuilt.reconcile import reconcile

    # Before anything is recorded or worked out.
    _check_free(file)
    with progress_on() as step:
        survey, _ = open_survey(folder, as_of=None, step=step, recording=True)
        result = reconcile(survey)
        done = archive_survey(folder, file, result, step=step)
    if done.ledger:
        say(f"warning: {'; '.join(done.ledger)}")
    if as_json:
        print_json(_object(done, result))
    else:
        print_lines(_lines(done, result))


def archive_survey(folder: Path, target: Path, result: Reconciliation, *, step: Step) -> Archived:
    """Pack a survey folder and its outputs into a bag.

    Parameters
    ----------
    folder, target
        The survey folder, and the zip to be written.
    result
        What was found in the folder, as of its newest input.
    step
        Told what is being done.

    Raises
    ------
    UsageError
        When the target is no name of a zip, lies among the inputs, or cannot be named by the pattern; when the folder
        changed since it was read.
    TargetError
        When the target is there already, or cannot be written.
    """
    from asbuilt.output._description import describe, description_object, iso_xml
    from asbuilt.output.bag import portable_paths, write_bag
    from asbuilt.output.read_me_first import read_me_first
    from asbuilt.output.record import file_sha256

    _check_target(folder, target, result)
    name = _name(target, result)
    step("reading the inputs")
    inputs = _inputs(folder, result)
    ledger = _ledger_problems(folder, result)
    description = describe(result, crs_wkt=_crs_wkt(result), cautions=CAUTIONS)
    metadata = iso_xml(description)
    outputs, record, origin = _outputs(folder, result, metadata, step)
    here = portable_paths(inputs)
    renamed = {path.partition("/")[2]: new for path, new in here.items() if new != path}
    payload = {here[path]: data for path, data in inputs.items()}
    payload |= {f"outputs/{file}": data for file, data in outputs.items()}
    payload["versions.json"] = _json({key: value for key, value in record.items() if key not in _FLEETING})
    about = {
        "format": FORMAT,
        **description_object(description),
        "archive": name,
        "ledger": _ledger_object(result, ledger),
        "renamed": {_printable(path): new for path, new in renamed.items()},
    }
    payload["description.json"] = _json(about)
    payload["description.xml"] = metadata.encode()
    text = read_me_first(description, name=name, payload=payload, ledger=ledger, renamed=renamed)
    payload["READ ME FIRST.txt"] = text.encode()
    step("packing")
    count = write_bag(target, payload, name=name, info=_bag_info(description, name), as_of=result.as_of)
    return Archived(
        path=target,
        name=name,
        files=count,
        size=target.stat().st_size,
        sha256=file_sha256(target),
        outputs=origin,
        ledger=ledger,
        renamed={_printable(path): new for path, new in renamed.items()},
    )


def _check_free(target: Path) -> None:
    if target.suffix.lower() != ".zip":
        raise UsageError(f"{target}: an archive is a zip file, give a name that ends in .zip")
    if target.exists() or target.is_symlink():
        raise TargetError(f"{target} is there already; an archive is never replaced: give another name, or move it")


def _check_target(folder: Path, target: Path, result: Reconciliation) -> None:
    _check_free(target)
    inside, survey = target.resolve(), folder.resolve()
    if not inside.is_relative_to(survey):
        return
    read = {PurePosixPath(file.path).parts[0] for file in result.survey.files}
    top = inside.relative_to(survey).parts[0]
    if top in {*_INPUTS, _HISTORY} or (top in read and inside.parent != survey):
        raise UsageError(f"{target} would lie among the inputs; give another folder")


def _name(target: Path, result: Reconciliation) -> str:
    """Return the name of the folder at the top of the bag: by the pattern, else that of the file."""
    from asbuilt.output._description import archive_name, missing_in_name
    from asbuilt.output.bag import portable_name

    settings = result.survey.settings
    missing = missing_in_name(settings)
    if missing:
        pattern = settings.archive.name_pattern
        raise UsageError(f"{_SITE}: the archive's name_pattern {pattern!r} needs {', '.join(missing)}; set it")
    return portable_name(archive_name(settings, result.as_of) or target.stem)


def _inputs(folder: Path, result: Reconciliation) -> dict[str, bytes]:
    """Return all files of inputs, ledger and history, by their path in the bag, as they were when they were read.

    Hidden files are left out. Files that the settings name and that lie elsewhere in the folder are in it.
    """
    import hashlib

    found = {f"inputs/{path}": data for top in _INPUTS for path, data in _files_at(folder, top)}
    found |= {path: data for top in (_LEDGER, _HISTORY) for path, data in _files_at(folder, top)}
    for file in result.survey.files:
        if PurePosixPath(file.path).parts[0] not in (_LEDGER, _HISTORY) and f"inputs/{file.path}" not in found:
            found |= {f"inputs/{path}": data for path, data in _files_at(folder, file.path)}
    hashes = {hashlib.sha256(data).hexdigest() for data in found.values()}
    changed = sorted(file.path for file in result.survey.files if file.sha256 not in hashes)
    if changed:
        raise UsageError(f"{', '.join(changed[:5])} changed while the folder was being archived; archive it again")
    return found


def _files_at(folder: Path, top: str) -> Iterator[tuple[str, bytes]]:
    """Yield the files at or below a path in the folder, each with its path from there and its bytes."""
    where = folder / top
    if where.is_file():
        yield top, where.read_bytes()
    for parent, folders, names in os.walk(where):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(names):
            path = Path(parent, name)
            if not name.startswith(".") and path.is_file():
                yield path.relative_to(folder).as_posix(), path.read_bytes()


def _ledger_problems(folder: Path, result: Reconciliation) -> tuple[str, ...] | None:
    """Return what is wrong with the ledger and the files that it covers, a sentence each.

    None where there is no ledger, and no trace of one.
    """
    from asbuilt.intake.ledger_check import verify_folder

    problems = tuple(verify_folder(folder))
    there = any(file.path == _LEDGER for file in result.survey.files)
    return problems if there or problems else None


def _outputs(
    folder: Path, result: Reconciliation, metadata: str, step: Step
) -> tuple[dict[str, bytes], dict[str, Any], str]:
    """Return the outputs of a run of these inputs, the run's record, and where they come from."""
    from asbuilt.commands.run import OUTPUTS, write_outputs
    from asbuilt.output.bag import scratch_folder

    why = _why_not_taken(folder / "out", result, metadata)
    if not why:
        taken = _read_outputs(folder / "out")
        if taken is not None:
            return *taken, "taken from out/, made from the same inputs by this version"
        why = "out/ changed meanwhile"
    with scratch_folder() as scratch:
        place = scratch / "out"
        try:
            write_outputs(result, place, started=datetime.now(UTC), clock=time.perf_counter(), step=step)
        except TargetError as error:
            raise TargetError(
                f"the outputs are to be made anew ({why}) among the temporary files, and cannot: {error}. Run the "
                "survey first, free space there, or let TMPDIR name a folder on another disk"
            ) from error
        made = _read_outputs(place)
    if made is None:
        raise RuntimeError(f"a run did not leave {', '.join(OUTPUTS.values())} as it said")
    stays = "; out/ stays as it is until the next run" if (folder / "out").is_dir() else ""
    return *made, f"made anew: {why}{stays}"


def _why_not_taken(out: Path, result: Reconciliation, metadata: str) -> str:
    """Return why the outputs in ``out`` cannot be taken, "" when they can."""
    from asbuilt.commands.run import OUTPUTS, RECORD, kept_outputs
    from asbuilt.output.record import versions_of

    missing = [name for name in OUTPUTS.values() if not (out / name).is_file()]
    if missing:
        return f"out/ has no {', '.join(missing)}"
    try:
        kept_outputs(out, made=(), result=result)
    except UsageError as error:
        return str(error).partition("; run without")[0]
    record = json.loads((out / RECORD).read_text(encoding="utf-8"))
    if record.get("versions") != versions_of(result):
        return "out/ was made with other libraries"
    if metadata not in _metadata_in(out / OUTPUTS["geopackage"]):
        return f"{OUTPUTS['geopackage']} in out/ does not say the same of itself"
    return ""


def _metadata_in(geopackage: Path) -> list[str]:
    """Return what a GeoPackage says of itself, in whatever standards."""
    import sqlite3
    from contextlib import closing

    # By a URI, so that reading cannot write beside it.
    with closing(sqlite3.connect(f"{geopackage.resolve().as_uri()}?mode=ro", uri=True)) as database:
        return [text for (text,) in database.execute("SELECT metadata FROM gpkg_metadata")]


def _read_outputs(out: Path) -> tuple[dict[str, bytes], dict[str, Any]] | None:
    """Return a run's outputs and its record; None when they are not what the record says."""
    import hashlib

    from asbuilt.commands.run import OUTPUTS, RECORD

    record: dict[str, Any] = json.loads((out / RECORD).read_text(encoding="utf-8"))
    files = {name: (out / name).read_bytes() for name in OUTPUTS.values()}
    same = all(hashlib.sha256(data).hexdigest() == record["outputs"].get(name) for name, data in files.items())
    return (files, record) if same else None


def _crs_wkt(result: Reconciliation) -> str:
    from asbuilt.compute.grid import engineering_crs_wkt

    return engineering_crs_wkt(result.survey.settings.site.name) if result.grid is None else result.grid.wkt


def _bag_info(description: Description, name: str) -> dict[str, str]:
    """Return what ``bag-info.txt`` says beside dates and counts."""
    given = {
        "Source-Organization": description.organisation,
        "Contact-Name": description.contact,
        "External-Description": f"{description.title}. {description.abstract} State of {description.as_of}.",
        "External-Identifier": description.identifier or name,
    }
    return {key: value for key, value in given.items() if value}


def _ledger_object(result: Reconciliation, problems: Sequence[str] | None) -> dict[str, Any]:
    from asbuilt.output.record import ledger_head

    rows = result.survey.ledger_rows
    return {
        "lines": len(rows),
        "head": ledger_head(rows),
        "in_order": None if problems is None else not problems,
        "problems": list(problems or ()),
    }


def _json(content: Mapping[str, object]) -> bytes:
    return (json.dumps(content, ensure_ascii=False, indent=1, sort_keys=True) + "\n").encode()


def _printable(path: str) -> str:
    return path.encode("utf-8", "replace").decode()


def _object(done: Archived, result: Reconciliation) -> dict[str, Any]:
    return {
        "file": str(done.path),
        "name": done.name,
        "files": done.files,
        "bytes": done.size,
        "sha256": done.sha256,
        "as_of": iso_time(result.as_of),
        "outputs": done.outputs,
        "tied": None if result.grid is None else f"{result.grid.map_crs} {result.grid.tie}",
        "ledger": _ledger_object(result, done.ledger),
        "renamed": dict(done.renamed),
    }


def _lines(done: Archived, result: Reconciliation) -> Iterator[str]:
    """Yield what was done, 80 columns wide."""
    yield from wrapped(result.survey.settings.site.name)
    yield f"As of {result.survey.settings.site.time_text(result.as_of)}"
    yield ""
    yield from wrapped(f"{done.path}: {done.files} files under {done.name}/data, {done.size / 1e6:.1f} MB")
    yield f"  sha256 {done.sha256}"
    yield from wrapped("Keep this hash elsewhere: it shows whether the file is still this one.", first="  ")
    yield from wrapped(f"Outputs {done.outputs}.")
    if result.grid is not None:
        yield from wrapped(f"The site grid is tied to {result.grid.map_crs} {result.grid.tie}.")
    yield from wrapped(_ledger_words(done, len(result.survey.ledger_rows)))
    for former, new in done.renamed.items():
        yield from wrapped(f"{former} is {new} there: not every system can have the name it had.")
    yield ""
    yield from wrapped(" ".join(CAUTIONS))


def _ledger_words(done: Archived, lines: int) -> str:
    if done.ledger is None:
        return "There is no ledger: the files were put into the folder by hand, and nothing covers them."
    if done.ledger:
        return f"THE LEDGER IS NOT IN ORDER, and the archive says so: {'; '.join(done.ledger)}"
    return f"The ledger is in order, {lines} line{'' if lines == 1 else 's'}."
