"""One more file of lean readings beside a survey that was read: as if the whole folder were read again with it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np

from asbuilt.columns import TABLES
from asbuilt.errors import InputError
from asbuilt.intake.loads import check_piles, check_tilts
from asbuilt.intake.tables import join, read_table
from asbuilt.model import InputFile, Table

if TYPE_CHECKING:
    from asbuilt.intake.sources import Source
    from asbuilt.model import Survey

__all__ = ["with_readings"]


def with_readings(survey: Survey, source: Source) -> Survey:
    """Return a survey with one more file of lean readings, which comes after all others.

    Parameters
    ----------
    survey
        A survey folder as read.
    source
        The file. Whether its readings must say their bearing is not looked at: that was told when the folder was read.

    Raises
    ------
    InputError
        With every problem of the file.
    """
    settings, definition = survey.settings, TABLES["tilts"]
    mappings = settings.columns.get("tilts", {})
    part = read_table(source, definition, mappings=mappings, zone=ZoneInfo(settings.site.time_zone), light=True)
    piles = {name: place for place, name in enumerate(survey.design["pile_id"].tolist())}
    need_not = np.zeros(len(piles), dtype=np.int8)
    problems = [
        *part.problems,
        *check_piles([part], piles),
        *check_tilts([part], sense=settings.readings.sense, known=piles, why_bearing=need_not),
    ]
    if problems:
        raise InputError(problems)
    added = join(definition, [part], files={source.path: len(survey.files)}, piles=piles)
    level = added["from_level"]
    filled = {**added.columns, "from_level": np.where(np.isnan(level), settings.levels.commence, level)}
    old = survey.tilts
    return replace(
        survey,
        files=(*survey.files, InputFile(path=source.path, table="tilts", rows=len(part), sha256=source.sha256)),
        tilts=Table(
            name=old.name,
            columns={name: np.concatenate([old[name], values]) for name, values in filled.items()},
            file=np.concatenate([old.file, added.file]),
            line=np.concatenate([old.line, added.line]),
            pile=np.concatenate([old.pile, added.pile]),
        ),
    )
