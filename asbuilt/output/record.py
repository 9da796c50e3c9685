"""The record of a run: when, with what, from which files, to which files. The one output that differs every time."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC
from typing import TYPE_CHECKING

import numpy as np

from asbuilt import __version__
from asbuilt.columns import ledger_line_sha256

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime
    from pathlib import Path

    from asbuilt.model import Reconciliation

__all__ = ["FORMAT", "file_sha256", "ledger_head", "versions_of", "write_run_record"]

#: Number of the form of the record; raised when a key is renamed or taken away.
FORMAT = 1
#: How the rows of the table ``provenance`` that tell a version begin.
_VERSION_OF = "version of "


def write_run_record(
    path: Path, *, result: Reconciliation, outputs: Iterable[Path], started: datetime, seconds: float
) -> None:
    """Write the record of a run, a JSON object.

    Parameters
    ----------
    path
        The file; one that is there is replaced.
    result
        What was found; its table ``provenance`` tells the versions.
    outputs
        Files of the run, closed; they are named by their last part.
    started
        When the run began, with an offset.
    seconds
        How long it took [s].

    Notes
    -----
    Keys: ``format``, ``tool_version``, ``run_at``, ``seconds``, ``as_of``, ``versions`` (Python and libraries),
    ``ledger_head`` (null without a ledger), ``changed`` (files that are not as the ledger says), ``inputs`` (path,
    table, rows, sha256), ``outputs`` (name to sha256).
    """
    survey = result.survey
    record = {
        "format": FORMAT,
        "tool_version": __version__,
        "run_at": started.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        "seconds": round(seconds, 3),
        "as_of": f"{np.datetime_as_string(result.as_of.astype('datetime64[ms]'))}Z",
        "versions": versions_of(result),
        "ledger_head": ledger_head(survey.ledger_rows),
        "changed": list(survey.changed),
        "inputs": [{"path": f.path, "table": f.table, "rows": f.rows, "sha256": f.sha256} for f in survey.files],
        "outputs": {output.name: file_sha256(output) for output in outputs},
    }
    text = json.dumps(record, ensure_ascii=False, indent=1, sort_keys=True)
    path.write_text(text + "\n", encoding="utf-8", newline="\n")


def file_sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def ledger_head(rows: Sequence[Mapping[str, str]]) -> str | None:
    """Return the hash that the ledger's next line would carry: that of its last line, without the line's end.

    Returns
    -------
    str or None
        SHA-256 of the line as CSV with the columns of the dictionary; None without lines.
    """
    return ledger_line_sha256(rows[-1]) if rows else None


def versions_of(result: Reconciliation) -> dict[str, str]:
    """Return the versions of Python and of all that these results depend on, PROJ included where they are on a map."""
    table = result.layers["provenance"].columns
    return {
        key.removeprefix(_VERSION_OF): value
        for key, value in zip(table["key"], table["value"], strict=True)
        if key.startswith(_VERSION_OF)
    }
