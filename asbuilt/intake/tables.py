"""Delimited text to columns that remember file and line: what every other room calls a table.

:func:`read_tables` reads the files of one table, :func:`join` makes a :class:`asbuilt.model.Table` of them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from asbuilt.errors import Problem, UsageError
from asbuilt.intake.cells import read_carefully, read_quickly
from asbuilt.intake.mapping import PLAIN, date_in_name, fit, known_names, order_widths
from asbuilt.intake.text import open_text
from asbuilt.intake.values import blank_values, convert, short
from asbuilt.model import Finding, Table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from asbuilt.columns import TableDefinition
    from asbuilt.intake.mapping import Fit
    from asbuilt.intake.sources import Source
    from asbuilt.intake.text import DelimitedText
    from asbuilt.intake.values import Converted
    from asbuilt.settings import ColumnMapping

__all__ = ["STRUCTURE", "Part", "empty_part", "join", "part_of_cells", "read_table", "read_tables"]

QUICK_KINDS = {"float": "number", "integer": "number", "choice": "choice", "time": "time"}
STRUCTURE = "*"
"""Stands among :attr:`Part.unsound` where rows are lost, so that nothing can be said of any column."""


@dataclass(frozen=True, kw_only=True)
class Part:
    """The rows of one file. ``columns`` are as in :class:`asbuilt.model.Table`.

    ``names`` and ``codes``: the distinct pile ids and each row's place in them, -1 for blank. ``unsound``:
    columns with a problem, or :data:`STRUCTURE`. ``unknown``: columns of the file that are none of ours,
    found at line ``header``.
    """

    path: str
    columns: Mapping[str, npt.NDArray[Any]]
    lines: npt.NDArray[np.int32]
    names: npt.NDArray[Any]
    codes: npt.NDArray[np.int64]
    problems: tuple[Problem, ...] = ()
    unsound: frozenset[str] = frozenset()
    unknown: tuple[str, ...] = ()
    header: int = 0
    feature: bool = False
    called: Mapping[str, str] = field(default_factory=dict)
    """Our column to the file's own name of it, where that is another one; of a column made from codes, the codes'."""

    def __len__(self) -> int:
        return len(self.lines)

    def sound(self, *columns: str) -> bool:
        """Tell whether every row is there and nothing is wrong with ``columns``."""
        return self.unsound.isdisjoint({STRUCTURE, *columns})

    def problem(self, row: int, column: str, what: str, expected: str) -> Problem:
        """Return what is wrong with one cell."""
        return _problem(self.path, int(self.lines[row]), column, what, expected, self.feature)

    def good(self, *columns: str) -> npt.NDArray[np.bool_]:
        """Return which rows (n,) have nothing wrong with their cells in ``columns``."""
        told = {problem.column for problem in self.problems}
        if any(column in self.unsound and column not in told for column in columns):
            # Missing with others, in one line that names no single column.
            return np.zeros(len(self), dtype=np.bool_)
        wrong = {problem.line for problem in self.problems if problem.column in columns}
        if not wrong:
            return np.ones(len(self), dtype=np.bool_)
        if wrong <= {0, self.header}:
            return np.zeros(len(self), dtype=np.bool_)
        return ~np.isin(self.lines, list(wrong))

    def finding(self) -> Finding | None:
        """Return the note on columns that are none of ours."""
        if not self.unknown:
            return None
        named = [short(name) if name else "one without a name" for name in self.unknown]
        what = "column" if len(named) == 1 else "columns"
        return Finding(
            severity="note",
            kind="unknown_column",
            item=self.path,
            text=f"unknown {what} {', '.join(named)}: kept on disk, not read",
            file=self.path,
            line=self.header,
            column=", ".join(self.unknown),
        )


def read_tables(
    sources: Iterable[Source],
    definition: TableDefinition,
    *,
    mappings: Mapping[str, ColumnMapping] | None,
    zone: ZoneInfo,
) -> list[Part]:
    """Return the rows of each file, with everything that is wrong in it.

    Parameters
    ----------
    sources
        The files, all of one table.
    definition
        That table.
    mappings
        Its column mappings by name, "" for the unnamed one. None: they cannot be known, so that files whose
        header does not fit are passed over in silence.
    zone
        Time zone of times without an offset.
    """
    return [read_table(source, definition, mappings=mappings, zone=zone) for source in sources]


def read_table(
    source: Source,
    definition: TableDefinition,
    *,
    mappings: Mapping[str, ColumnMapping] | None,
    zone: ZoneInfo,
    light: bool = False,
) -> Part:
    """Return the rows of one file; see :func:`read_tables`. ``light``: without pandas.

    Raises
    ------
    UsageError
        When the site file has no mapping of the name that the file is to be read with.
    """
    known = mappings or {}
    if source.format is not None and mappings is not None and source.format not in mappings:
        there = ", ".join(name for name in mappings if name) or "none"
        what = f"no column mapping {source.format!r} for {definition.name}; the site file has: {there}"
        raise UsageError(what)
    text = open_text(
        source.path,
        source.data,
        known=known_names(definition, known.values()),
        widths=order_widths(known.values()),
    )
    if isinstance(text, Problem):
        return empty_part(source.path, definition, problems=[text])
    fitted = fit(text, definition, mappings=known, chosen=source.format, filled=source.fill)
    if fitted.problems and mappings is None:
        return empty_part(source.path, definition, problems=[])
    if len(text.first) != fitted.width or not fitted.places:
        return empty_part(source.path, definition, problems=fitted.problems)
    if not fitted.problems and not (set(source.fill) & set(fitted.places)):
        part = _quick_part(text, source, definition, fitted, zone, light=light)
        if part is not None:
            return part
    rows = read_carefully(text, headed=fitted.headed, width=fitted.width, wanted=sorted(set(fitted.places.values())))
    cells = {name: rows.columns[place] for name, place in fitted.places.items()}
    return part_of_cells(
        source,
        definition,
        cells,
        rows.lines,
        mapping=fitted.mapping,
        zone=zone,
        comma=text.separator != ",",
        problems=[*fitted.problems, *rows.problems],
        unsound={STRUCTURE} if rows.problems else {*fitted.missing, *(p.column for p in fitted.problems if p.column)},
        unknown=fitted.unknown,
        header=text.first_line,
        called=_called(text, fitted),
    )


def _called(text: DelimitedText, fitted: Fit) -> dict[str, str]:
    """Return the file's own names of our columns, where they differ."""
    if not fitted.headed:
        return {}
    names = {name: str(text.first[place]).strip() for name, place in fitted.places.items()}
    codes = {name: names["code"] for name in _by_code(fitted.mapping) if "code" in names and name not in names}
    return {name: theirs for name, theirs in {**names, **codes}.items() if theirs and theirs != name}


def _quick_part(
    text: DelimitedText, source: Source, definition: TableDefinition, fitted: Fit, zone: ZoneInfo, *, light: bool
) -> Part | None:
    """Return the rows read the quick way; None where anything is out of the ordinary, or wrong."""
    kinds = {column.name: QUICK_KINDS.get(column.kind, "text") for column in definition.columns}
    kinds.update(dict.fromkeys(_by_code(fitted.mapping), "text"))
    rows = read_quickly(
        text,
        headed=fitted.headed,
        width=fitted.width,
        kinds={place: kinds[name] for name, place in fitted.places.items()},
        light=light,
    )
    if rows is None:
        return None
    part = part_of_cells(
        source,
        definition,
        {name: rows.columns[place] for name, place in fitted.places.items()},
        rows.lines,
        mapping=fitted.mapping,
        zone=zone,
        comma=False,
        unknown=fitted.unknown,
        header=text.first_line,
        called=_called(text, fitted),
    )
    return None if part.problems else part


def part_of_cells(
    source: Source,
    definition: TableDefinition,
    cells: Mapping[str, Any],
    lines: npt.NDArray[np.int32],
    *,
    mapping: ColumnMapping = PLAIN,
    zone: ZoneInfo,
    comma: bool,
    problems: Sequence[Problem] = (),
    unsound: Iterable[str] = (),
    unknown: tuple[str, ...] = (),
    header: int = 0,
    feature: bool = False,
    called: Mapping[str, str] | None = None,
) -> Part:
    """Return a part from cells by our column names, all as long as ``lines``; a missing column is left out.

    ``comma`` tells whether a decimal comma can be meant; ``feature`` that ``lines`` are numbers of features.
    """
    derived, wrong_codes = _derived(source, definition, cells, len(lines), mapping)
    every = {**cells, **derived}
    found, unsound_now = list(problems), set(unsound)
    columns: dict[str, npt.NDArray[Any]] = {}
    converted: dict[str, Converted] = {}
    for column in definition.columns:
        if column.name not in every:
            columns[column.name] = blank_values(column, len(lines))
            continue
        one = convert(column, every[column.name], zone=zone, comma=comma)
        one.bad.update(wrong_codes.get(column.name, {}))
        columns[column.name], converted[column.name] = one.values, one
        if one.bad:
            unsound_now.add(column.name)
        for row in sorted(one.bad):
            what, expected = one.bad[row]
            found.append(_problem(source.path, int(lines[row]), column.name, what, expected, feature))
    found.extend(_mixed_decimals(source, converted, every, lines, feature))
    if definition.name == "pickups":
        _default_setup(source, columns)
    ids = converted.get("pile_id")
    return Part(
        path=source.path,
        columns=columns,
        lines=lines,
        names=ids.names if ids is not None and ids.names is not None else np.empty(0, dtype=object),
        codes=ids.codes if ids is not None and ids.codes is not None else np.full(len(lines), -1),
        problems=tuple(found),
        unsound=frozenset(unsound_now),
        unknown=unknown,
        header=header,
        feature=feature,
        called=called or {},
    )


def empty_part(path: str, definition: TableDefinition, *, problems: Iterable[Problem]) -> Part:
    """Return the part of a file of which no row can be read."""
    return Part(
        path=path,
        columns={column.name: blank_values(column, 0) for column in definition.columns},
        lines=np.empty(0, dtype=np.int32),
        names=np.empty(0, dtype=object),
        codes=np.empty(0, dtype=np.int64),
        problems=tuple(problems),
        unsound=frozenset({STRUCTURE}),
    )


def join(
    definition: TableDefinition, parts: Sequence[Part], *, files: Mapping[str, int], piles: Mapping[str, int]
) -> Table:
    """Return one table of all parts.

    Parameters
    ----------
    definition
        The table.
    parts
        Its files' rows, in the order of the files.
    files
        Path to place in :attr:`asbuilt.model.Survey.files`.
    piles
        Pile id to place in the design table; empty for tables of other things.
    """
    if not parts:
        return join(definition, [empty_part("", definition, problems=())], files={"": 0}, piles=piles)
    columns = {column.name: _one([part.columns[column.name] for part in parts]) for column in definition.columns}
    places = [np.full(len(part), files[part.path], dtype=np.int32) for part in parts]
    return Table(
        name=definition.name,
        columns=columns,
        file=_one(places),
        line=_one([part.lines for part in parts]),
        pile=_one([_places_of(part, piles) for part in parts]),
    )


def _one(arrays: Sequence[npt.NDArray[Any]]) -> npt.NDArray[Any]:
    return arrays[0] if len(arrays) == 1 else np.concatenate(arrays)


def _places_of(part: Part, piles: Mapping[str, int]) -> npt.NDArray[np.int32]:
    places = [piles.get(name, -1) for name in part.names.tolist()] if piles else [-1] * len(part.names)
    return np.array([*places, -1], dtype=np.int32)[part.codes]  # a blank id's code is -1, the last place


def _problem(path: str, line: int, column: str, what: str, expected: str, feature: bool) -> Problem:
    text = f"feature {line}: {what}" if feature else what
    return Problem(file=path, line=line, column=column, text=text, expected=expected)


def _derived(
    source: Source, definition: TableDefinition, cells: Mapping[str, Any], count: int, mapping: ColumnMapping
) -> tuple[dict[str, npt.NDArray[Any]], dict[str, dict[int, tuple[str, str]]]]:
    """Return columns made from others, from the file's name or from what was said when it was loaded.

    With them comes what is wrong with feature codes, by column and row.
    """
    made: dict[str, npt.NDArray[Any]] = {}
    wrong: dict[str, dict[int, tuple[str, str]]] = {}
    if mapping.pile_id_from and "pile_id" not in cells and "point" in cells:
        search = re.compile(mapping.pile_id_from).search
        found = [search(point) if point else None for point in cells["point"].tolist()]
        made["pile_id"] = _texts([(match.group(1) or None) if match else None for match in found])
    for name, meant in _by_code(mapping).items() if "code" in cells else ():
        said = cells[name] if name in cells else np.full(count, None, dtype=object)
        made[name] = _texts([thing or meant.get(code) for thing, code in zip(said, cells["code"], strict=True)])
        expected = "one of " + ", ".join(meant)
        unknown = np.flatnonzero((made[name] == None) & (cells["code"] != None)).tolist()  # noqa: E711
        wrong[name] = {row: (f"unknown code {short(cells['code'][row])}", expected) for row in unknown}
    for column in definition.columns:
        if column.name in source.fill:
            continue  # said when it was taken in: more than what its name has
        if column.kind == "time" and column.needed and column.name not in cells and mapping.date_from_name:
            date = date_in_name(source.path, mapping.date_from_name)
            if date is not None:
                made[column.name] = np.full(count, date, dtype=object)
    for name, text in source.fill.items():
        before = made.get(name, cells.get(name))
        filled = np.full(count, text, dtype=object)
        made[name] = filled if before is None else np.where(before == None, filled, before)  # noqa: E711
    return made, wrong


def _by_code(mapping: ColumnMapping) -> dict[str, Mapping[str, str]]:
    """Return the columns that the feature code can give, each with what the codes stand for."""
    every = {"object": mapping.object_from, "shot": mapping.shot_from}
    return {name: meant for name, meant in every.items() if meant}


def _texts(values: Sequence[str | None]) -> npt.NDArray[Any]:
    column = np.empty(len(values), dtype=object)
    column[:] = values
    return column


def _mixed_decimals(
    source: Source,
    converted: Mapping[str, Converted],
    cells: Mapping[str, Any],
    lines: npt.NDArray[np.int32],
    feature: bool,
) -> Iterable[Problem]:
    """Yield the first odd one where a file holds decimal commas and decimal points."""
    commas = sum(one.commas.size for one in converted.values())
    points = sum(one.points.size for one in converted.values())
    if not commas or not points:
        return
    odd, rest = ("comma", "point") if commas < points else ("point", "comma")
    firsts = [
        (int((one.commas if odd == "comma" else one.points)[0]), name)
        for name, one in converted.items()
        if (one.commas if odd == "comma" else one.points).size
    ]
    row, name = min(firsts)
    what = f"{short(cells[name][row])} has a decimal {odd}, others a decimal {rest}"
    yield _problem(source.path, int(lines[row]), name, what, "one of them in the whole file", feature)


def _default_setup(source: Source, columns: dict[str, npt.NDArray[Any]]) -> None:
    """Where no set-up is named, the file is one."""
    blank = columns["setup"] == None  # noqa: E711
    if blank.any():
        columns["setup"] = columns["setup"].copy()
        columns["setup"][blank] = source.path
