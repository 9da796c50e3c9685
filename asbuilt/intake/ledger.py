"""The ledger of a survey folder: one line for each thing taken in, changed or withdrawn, each bound to the one before."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Line"]


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of ``ledger.csv``, in the order of its columns.

    ``at`` is ISO 8601 in UTC with milliseconds; ``action`` one of :data:`ACTIONS`; ``file`` a path in the folder with
    ``/``; ``sha256`` that of the file's bytes; ``options`` a JSON object with sorted keys, empty for none.
    """

    at: str
    by: str
    action: str
    file: str
    sha256: str
    options: str = ""
    note: str = ""
    previous_sha256: str = ""
