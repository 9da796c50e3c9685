"""``asbuilt new``: a survey folder to be filled in."""

from __future__ import annotations

import json
import textwrap
from pathlib import Path

import click

from asbuilt.columns import TABLES, TableDefinition
from asbuilt.commands._shared import json_option, print_json, print_lines
from asbuilt.commands._site_template import SITE_TEMPLATE
from asbuilt.commands.formats import table_lines
from asbuilt.errors import TargetError, UsageError

__all__ = ["command", "make_folder"]

#: Tables that are one file; the others take one file for each load.
_SINGLE = ("design", "control", "set_out")
_LOADS = ("pickups", "tilts", "profiles", "records")


@click.command(
    epilog="""\b
Example:
  asbuilt new basement_wall
"""
)
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@json_option
def command(folder: Path, *, as_json: bool) -> None:
    """Make a survey folder, to be filled in.

    It gets a site.toml that explains every key, tables with their headers and no rows, and in each folder for loads
    a README.md that says what such a file holds. DIR must not exist yet, or be empty.
    """
    files = make_folder(folder)
    if as_json:
        print_json({"folder": folder, "files": files})
        return
    print_lines(
        [
            f"Made {folder} with",
            *(f"  {name}" for name in files),
            "Next",
            "  1 put your job's own values into site.toml: the tolerances are placeholders",
            "  2 fill design/piles.csv",
            "  3 add pickups, lean readings and records, one file for each load",
            f"  4 asbuilt run {folder}",
        ]
    )


def make_folder(folder: Path) -> list[str]:
    """Make the survey folder ``folder`` and return the files made, relative to it.

    Raises
    ------
    UsageError
        When ``folder`` is a file, or a folder that holds something.
    TargetError
        When it cannot be written.
    """
    contents = _contents(folder)
    try:
        if folder.exists() and not folder.is_dir():
            raise UsageError(f"{folder} is a file; give a folder that does not exist yet")
        if folder.exists() and any(folder.iterdir()):
            raise UsageError(f"{folder} is not empty; give a folder that does not exist yet, or an empty one")
        for name, text in contents.items():
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise TargetError(f"{error.filename or folder} cannot be written: {error.strerror}") from error
    return list(contents)


def _contents(folder: Path) -> dict[str, str]:
    name = json.dumps(folder.resolve().name.replace("_", " ") or "survey", ensure_ascii=False)
    contents = {"site.toml": SITE_TEMPLATE.format(name=name)}
    for table in _SINGLE:
        contents[TABLES[table].where] = _header(TABLES[table])
    for table in _LOADS:
        contents[f"{table}/README.md"] = _explanation(TABLES[table])
    return contents


def _header(definition: TableDefinition) -> str:
    return ",".join(column.name for column in definition.columns) + "\n"


def _explanation(definition: TableDefinition) -> str:
    intro = textwrap.wrap(
        f"This file explains and is not read. Put one file for each load into this folder, such as "
        f"{definition.name}/2025-05-16.csv, with a header row; columns that are not marked * may be left out. "
        f"A file that was taken in is never changed: a correction comes as a new file.",
        80,
    )
    return "\n".join([*intro, "", _header(definition), *table_lines(definition), ""])
