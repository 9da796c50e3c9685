"""What an answer as of an earlier moment leaves out, so that nobody misreads its "to drill"."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from asbuilt.commands._shared import iso_time, wrapped

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np

    from asbuilt.model import Survey
    from asbuilt.settings import Site

__all__ = ["LeftOut", "left_out"]


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """Loads in the folder that are left out, by path; ``begins``: the ledger's first moment, where that is later."""

    files: tuple[str, ...] = ()
    begins: np.datetime64 | None = None

    def object(self) -> dict[str, Any]:
        """Return it as every ``--json`` prints it, under ``left_out``."""
        return {"files": list(self.files), "ledger_begins": iso_time(self.begins)}

    def lines(self, site: Site) -> Iterator[str]:
        """Yield it as text, 80 columns wide; nothing where nothing is left out."""
        if self.begins is not None:
            yield from wrapped(
                f"the ledger begins later, {site.time_text(self.begins)}: what it first recorded stands for what was "
                "known before",
                first="Left out    ",
            )
        if not self.files:
            return
        tables = Counter(path.partition("/")[0] for path in self.files)
        words = ", ".join(f"{count}\u00a0{table}" for table, count in tables.items())
        count = "1 file" if len(self.files) == 1 else f"{len(self.files)} files"
        yield from wrapped(
            f"{count} of the folder, taken in later ({words}): what they tell of piles is not in this",
            first="Left out    ",
        )


def left_out(survey: Survey, as_of: np.datetime64 | None) -> LeftOut:
    """Return what is left out of a survey that was read as of a moment; nothing without one.

    Parameters
    ----------
    survey
        The survey as it was known.
    as_of
        The moment asked for, UTC; None: as it is now.
    """
    if as_of is None:
        return LeftOut()
    from asbuilt.intake.history import moment_of
    from asbuilt.intake.ledger import read_ledger
    from asbuilt.intake.sources import LOADS, files_of_loads

    folder = Path(survey.folder)
    read = {file.path for file in survey.files}
    there = [path for table in LOADS for path in files_of_loads(folder, table, [])[0]]
    lines = () if survey.ledger_rows else read_ledger(folder)
    begins = moment_of(lines[0]) if lines else None
    return LeftOut(
        files=tuple(path for path in there if path not in read),
        begins=begins if begins is not None and begins > as_of else None,
    )
