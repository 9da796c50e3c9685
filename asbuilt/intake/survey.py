"""The door to a survey folder: every file is read once, everything is checked, then raised at once or handed on."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from asbuilt.columns import LAYERS, TABLES, TableDefinition
from asbuilt.errors import InputError, Problem, UsageError
from asbuilt.intake import loads
from asbuilt.intake.decisions import DECISIONS
from asbuilt.intake.decisions_edited import Edited, edited_decisions, lines_beside
from asbuilt.intake.design import DesignCheck, check_design, check_outline, cut_off_levels
from asbuilt.intake.history import SINGLE, State, state_at
from asbuilt.intake.ledger_check import changed_findings, changed_problems, not_in_ledger
from asbuilt.intake.ledger_files import recover
from asbuilt.intake.ledger_lines import HEADER, LEDGER, Line, is_moment, text_of
from asbuilt.intake.options import LoadOptions, options_of
from asbuilt.intake.sources import LOADS, Source, files_of_loads, read_source
from asbuilt.intake.tables import Part, empty_part, join, read_table
from asbuilt.intake.withdrawals import pile_of, withdrawals_of
from asbuilt.model import InputFile, Survey
from asbuilt.settings import Design, Draft, draft_settings

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterator, Mapping, Sequence

    from asbuilt.model import Table

    Progress = Callable[[str, float], None]

__all__ = ["read_survey"]

SITE = "site.toml"
DESIGN = "design/piles.csv"
OUTLINE = "design/clear_outline.geojson"
TABLE_ENDINGS = (".csv", ".txt")
VECTOR_ENDINGS = (".gpkg", ".geojson", ".json")
NAMES_PILES = frozenset({"design", "set_out", *LOADS})
"""Tables whose rows belong to a pile."""
LEDGER_TABLE = TableDefinition(
    name="ledger",
    where=LEDGER,
    meaning=LAYERS["ledger"].meaning,
    columns=tuple(replace(column, kind="text", column_needed=True) for column in LAYERS["ledger"].columns),
)
_TRIES = 4


def read_survey(
    folder: Path,
    *,
    progress: Progress | None = None,
    extra: Sequence[Source] = (),
    as_of: np.datetime64 | None = None,
    light: bool = False,
) -> Survey:
    """Read a survey folder, check it in one pass and return it.

    Parameters
    ----------
    folder
        The survey folder. Nothing in it is written; but what a process that was killed while it took something in left
        there is finished or cleared away.
    progress
        Called with what is being read and the share done, 0 to 1.
    extra
        Files that are read as if they stood in the folder at their path, in place of what stands there: for trying a
        load before it is taken in.
    as_of
        Return what was known at that moment, UTC: settings, design, control, approvals and decisions as they were then,
        without loads and ledger lines that came later. Rows are not looked at: see
        :func:`asbuilt.reconcile.reconcile`. Default, and for a moment to come: as it is now.
    light
        Do without large libraries, and so without clear outline and the name of the map's CRS: for the rig.

    Raises
    ------
    UsageError
        When there is no such folder.
    InputError
        With every problem of every file, the site file included.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise UsageError(f"{folder}: {'not a folder' if folder.exists() else 'no such folder'}; give a survey folder")
    for _ in range(_TRIES):
        reading = _Reading(folder, progress or _silent, {source.path: source for source in extra}, as_of, light)
        survey = reading.survey()
        # Another may have taken something in meanwhile: then files and ledger are of two states.
        if reading.ledger_data == _bytes_at(folder / LEDGER):
            break
    if survey is None:
        raise InputError(reading.problems)
    return survey


def _silent(_what: str, _share: float) -> None:
    pass


class _Reading:
    """One pass over a folder: what was found so far."""

    def __init__(
        self, folder: Path, progress: Progress, extra: Mapping[str, Source], as_of: np.datetime64 | None, light: bool
    ) -> None:
        self.folder = folder
        self.progress = progress
        self.extra = extra
        self.as_of = as_of
        self.light = light
        self.problems: list[Problem] = []
        self.files: list[InputFile] = []
        self.places: dict[str, int] = {}
        self.ignored: list[str] = []
        self.options: dict[str, LoadOptions] = {}
        self.ledger_data: bytes | None = None
        """The ledger as it stands in the folder."""
        self.state = State(lines=())
        self.withdrawn: set[tuple[str, str | None]] = set()
        """File and pile, None for all of them, of rows that were taken out of use."""
        self.edited: Edited | None = None
        """What was done to the decisions beside adding lines."""

    def survey(self) -> Survey | None:
        """Return the survey, or None when there are problems."""
        ledger = self._ledger()
        if self.state.problems:
            return None  # what is lost may be the settings, that all else is read with
        # After the ledger was read: what it names is in its place then.
        recover(self.folder)
        draft = self._settings()
        self.problems.extend(draft.problems)
        parts = self._tables(draft)
        outline = self._outline(draft)
        design = parts["design"][0]
        check = check_design(design, draft)
        self.problems.extend(check.problems)
        self.problems.extend(_check_loads(parts, draft, check, self.withdrawn))
        self.problems.extend(check_outline(outline, design, self.files))
        if ledger is not None:
            self._register(ledger, rows=len(self.state.lines))
        if self.problems or draft.settings is None:
            read = {file.path: file.sha256 for file in self.files if file.path not in self.extra}
            wrong = {problem.file for problem in self.problems}
            self.problems.extend(changed_problems(self.state.lines, read=read, wrong=wrong))
            self.problems.extend([self.edited.problem] if self.edited is not None and DECISIONS in wrong else [])
            return None
        self.progress("checked", 1.0)
        return self._assemble(draft, parts, outline, check, with_ledger=ledger is not None)

    def _read(self, path: str, table: str, *, needed: bool) -> Source | None:
        """Return a file's bytes; None where it is not there (a problem when ``needed``) or cannot be read."""
        source = self.extra.get(path)
        if source is None and path in self.state.files:
            data = self.state.files[path]
            source = None if data is None else Source(path=path, table=table, data=data)
            if source is None and needed:
                self.problems.append(Problem(file=path, text=f"was not there on {self.as_of}", expected="a file"))
        elif source is None:
            if not needed and _is_missing(self.folder / path):
                return None
            source = read_source(self.folder, path, table, self.problems)
        if source is not None:
            self._register(source)
        return source

    def _register(self, source: Source, *, rows: int = 0) -> None:
        self.places[source.path] = len(self.files)
        self.files.append(InputFile(path=source.path, table=source.table, rows=rows, sha256=source.sha256))

    def _settings(self) -> Draft:
        if SITE not in {*self.extra, *self.state.files} and _is_missing(self.folder / SITE):
            text, expected = f"the folder {self.folder} has no {SITE}", "a survey folder; `asbuilt new DIR` makes one"
            self.problems.append(Problem(file=SITE, text=text, expected=f"{expected}, DIR new or empty"))
            return replace(draft_settings("", file=SITE), problems=(), design=None, columns=None)
        unknown = replace(draft_settings("", file=SITE), problems=(), design=None, columns=None)
        source = self._read(SITE, "settings", needed=True)
        if source is None:
            return unknown
        try:
            return draft_settings(source.data.decode("utf-8-sig"), file=SITE, look_up_crs=not self.light)
        except UnicodeDecodeError as error:
            line = source.data.count(b"\n", 0, error.start) + 1
            problem = Problem(file=SITE, line=line, text="not UTF-8 text", expected="a TOML file, saved as UTF-8")
            return replace(unknown, problems=(problem,))

    def _tables(self, draft: Draft) -> dict[str, list[Part]]:
        """Return the rows of every table, file by file."""
        paths = list(SINGLE.items())
        for table in LOADS:
            there, others = files_of_loads(self.folder, table, self.problems)
            self.ignored.extend(others)
            there = [path for path in there if path not in self.state.hidden]
            new = [path for path, source in self.extra.items() if source.table == table and path not in there]
            paths.extend((table, path) for path in sorted([*there, *new]))
        parts: dict[str, list[Part]] = {table: [] for table in TABLES}
        self.progress(DESIGN, 0.0)
        parts["design"] = [self._design(draft)]
        for done, (table, path) in enumerate(paths, 1):
            self.progress(path, done / (len(paths) + 1))
            source = self._read(path, table, needed=table in LOADS)
            if table == "decisions":
                self._decisions(source, draft, parts[table])
            if source is None or table == "decisions":
                continue
            if path in self.options and path not in self.extra:
                source = self.options[path].of_table(table).apply(source)
            mappings = None if draft.columns is None else draft.columns.get(table, {})
            part = read_table(source, TABLES[table], mappings=mappings, zone=draft.time_zone, light=self.light)
            parts[table].append(self._took(part))
        return parts

    def _decisions(self, source: Source | None, draft: Draft, parts: list[Part]) -> None:
        """Add the decisions; where the file was edited, those that were recorded first, then what else is there."""

        def read(one: Source) -> Part:
            mappings = None if draft.columns is None else draft.columns.get("decisions", {})
            found = read_table(one, TABLES["decisions"], mappings=mappings, zone=draft.time_zone, light=self.light)
            return self._took(found)

        data = None if source is None else source.data
        self.edited = edited_decisions(self.folder, self.state.lines, data)
        if self.edited is not None and self.edited.recorded is not None:
            kept = Source(path=self.edited.copy, table="decisions", data=self.edited.recorded)
            self._register(kept)
            parts.append(read(kept))
        if source is not None:
            part = read(source)
            parts.append(part if self.edited is None else lines_beside(part, source.data, self.edited))

    def _took(self, part: Part) -> Part:
        """Note a part's problems and rows."""
        self.problems.extend(part.problems)
        place = self.places[part.path]
        self.files[place] = replace(self.files[place], rows=len(part))
        return part

    def _design(self, draft: Draft) -> Part:
        definition = TABLES["design"]
        chosen = draft.design or Design()
        path = self._named_path(draft, "piles", DESIGN, (*TABLE_ENDINGS, *VECTOR_ENDINGS))
        # Where the site file cannot be read the design may well stand elsewhere.
        source = None if path is None else self._read(path, "design", needed=draft.design is not None)
        if path is None or source is None:
            return empty_part(DESIGN, definition, problems=())
        if path.lower().endswith(TABLE_ENDINGS):
            mappings = None if draft.columns is None else draft.columns.get("design", {})
            part = read_table(source, definition, mappings=mappings, zone=draft.time_zone, light=self.light)
            return self._took(part)
        from asbuilt.intake.vector import read_vector_design

        return self._took(read_vector_design(source, definition, layer=chosen.layer, fields=chosen.fields))

    def _outline(self, draft: Draft) -> Any:
        """Return the clear outline (a Shapely polygon), or None."""
        chosen = draft.design or Design()
        path = self._named_path(draft, "clear_outline", OUTLINE, VECTOR_ENDINGS)
        source = None if path is None else self._read(path, "clear_outline", needed=chosen.clear_outline is not None)
        if source is None or self.light:
            return None
        from asbuilt.intake.vector import read_vector_outline

        outline, problems = read_vector_outline(source, layer=chosen.clear_outline_layer)
        self.problems.extend(problems)
        return outline

    def _named_path(self, draft: Draft, key: str, default: str, endings: tuple[str, ...]) -> str | None:
        """Return the path that ``[design]`` names, or ``default``; None where it cannot be used."""
        named: str | None = getattr(draft.design, key, None)
        if named is None:
            return default
        path = PurePosixPath(named)
        where = ("design", key)
        if path.is_absolute() or ".." in path.parts or not named.isprintable():
            self.problems.append(draft.problem(where, f"{named!r} cannot be used", "a path in the survey folder"))
        elif path.suffix.lower() not in endings:
            self.problems.append(
                draft.problem(where, f"{named!r}: unknown kind of file", f"one of {', '.join(endings)}")
            )
        elif _size(self.folder / f"{path}-wal"):
            text = "another program has it open, and part of it is in a file of its own"
            self.problems.append(Problem(file=str(path), text=text, expected="a file that is closed"))
        else:
            return str(path)
        return None

    def _ledger(self) -> Source | None:
        """Read the ledger, as it was known; None without one."""
        if _is_missing(self.folder / LEDGER):
            return None
        source = read_source(self.folder, LEDGER, "ledger", self.problems)
        if source is None:
            return None
        self.ledger_data = source.data
        part = read_table(source, LEDGER_TABLE, mappings={}, zone=ZoneInfo("UTC"), light=self.light)
        self.problems.extend(part.problems)
        names = list(part.columns)
        cells = zip(*(part.columns[name].tolist() for name in names), strict=True)
        rows = [{name: text or "" for name, text in zip(names, row, strict=True)} for row in cells]
        wrong = False
        for number, row in enumerate(rows):
            if is_moment(row["at"]) and self._understood(row):
                continue
            column = "options" if is_moment(row["at"]) else "at"
            what = f"{row[column] or 'blank'} cannot be read"
            self.problems.append(part.problem(number, column, what, "what `asbuilt` wrote there"))
            wrong = True
        lines = tuple(Line(**row) for row in rows)
        self.state = State(lines=lines)
        if self.as_of is None or wrong or part.problems:
            return source
        self.state = state_at(self.folder, lines, self.as_of)
        self.problems.extend(self.state.problems)
        if not self.state.lines:
            return None
        if len(self.state.lines) == len(lines):
            return source
        return replace(source, data=f"{HEADER}\n{text_of(self.state.lines)}".encode())

    def _understood(self, row: Mapping[str, str]) -> bool:
        """Keep what a ledger line says of how its file is read; False where it cannot be told."""
        if row["action"] == "withdraw":
            try:
                self.withdrawn.add((row["file"], pile_of(row["options"])))
            except ValueError:
                return False
        elif row["action"] == "load":
            options = options_of(row["options"])
            if options is None:
                return False
            self.options[row["file"]] = options
        return True

    def _assemble(
        self,
        draft: Draft,
        parts: Mapping[str, list[Part]],
        outline: Any,
        check: DesignCheck,
        *,
        with_ledger: bool,
    ) -> Survey:
        settings = draft.settings
        assert settings is not None  # noqa: S101  # the caller has looked
        tables: dict[str, Table] = {}
        for name, definition in TABLES.items():
            piles = check.places if name in NAMES_PILES else {}
            tables[name] = join(definition, parts[name], files=self.places, piles=piles)
        design = parts["design"][0]
        tables["design"] = _with(tables["design"], cut_off_level=cut_off_levels(design, settings))
        for name in ("tilts", "profiles"):
            level = tables[name]["from_level"]
            filled = np.where(np.isnan(level), settings.levels.commence, level)
            tables[name] = _with(tables[name], from_level=filled)
        every = [part for name in TABLES for part in parts[name]]
        notes = [note for part in every if (note := part.finding()) is not None]
        ledger = tuple(line.row() for line in self.state.lines)
        changed = changed_findings(
            self.folder,
            self.state.lines,
            written=self.ledger_data,
            read={file.path: file.sha256 for file in self.files if file.path not in self.extra},
            leave={*self.extra, *self.state.files, *([] if self.edited is None else [DECISIONS])},
        )
        return Survey(
            settings=settings,
            folder=str(self.folder),
            files=tuple(self.files),
            origin=(_whole_mean(tables["design"]["easting"]), _whole_mean(tables["design"]["northing"])),
            clear_outline=outline,
            notes=(
                *([] if self.edited is None else [self.edited.finding]),
                *changed,
                *notes,
                *not_in_ledger(self.files, ledger if with_ledger else None),
            ),
            ignored=tuple(self.ignored),
            ledger_rows=ledger,
            decisions_edited=self.edited is not None,
            withdrawals=tuple(withdrawals_of(ledger, files=self.places, piles=check.places)),
            **tables,
        )


def _bytes_at(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _is_missing(path: Path) -> bool:
    """Tell whether nothing stands at ``path``; what is there and cannot be looked at is not missing."""
    try:
        path.lstat()
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _with(table: Table, **columns: npt.NDArray[Any]) -> Table:
    return replace(table, columns={**table.columns, **columns})


def _whole_mean(values: npt.NDArray[np.float64]) -> float:
    return float(math.floor(values.mean()))


def _check_loads(
    parts: Mapping[str, list[Part]], draft: Draft, check: DesignCheck, withdrawn: Container[tuple[str, str | None]]
) -> Iterator[Problem]:
    if parts["design"][0].sound("pile_id") and check.places:
        for table in (*LOADS, "set_out"):
            yield from loads.check_piles(parts[table], check.places)
    yield from loads.check_shots(parts["pickups"])
    if draft.settings is not None:
        yield from loads.check_tilts(
            parts["tilts"],
            sense=draft.settings.readings.sense,
            known=check.places,
            why_bearing=check.why_bearing,
        )
    yield from loads.check_profiles(parts["profiles"], withdrawn=withdrawn)
    yield from loads.check_control(parts["control"])
