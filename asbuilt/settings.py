"""``site.toml`` to frozen settings: typed, every problem listed at once, unknown keys with the nearest known name."""

from __future__ import annotations

import difflib
import math
import re
import string
import tomllib
from collections import Counter
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, StrictBool, ValidationError

from asbuilt.columns import KINDS, OBJECTS, SHOTS, TABLES
from asbuilt.errors import InputError, Problem

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from pydantic_core import ErrorDetails

__all__ = [
    "ColumnMapping",
    "Decide",
    "Draft",
    "Levels",
    "Settings",
    "Stage",
    "Tolerance",
    "Uncertainty",
    "Wall",
    "draft_settings",
    "name_pattern",
    "parse_settings",
]

Rule = Literal["simple", "guarded"]
SetOutColumn = Literal[
    "point", "easting", "northing", "level", "code", "wall", "kind", "diameter_mm", "move_e_mm", "move_n_mm"
]
Path = tuple[str | int, ...]
#: NaT as NumPy holds it.
_NO_TIME = -(2**63)
#: Where a setting stands, what is wrong with it, what was expected.
Wrong = tuple[Path, str, str]


def _finite(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError("a number, without quotes")
    if not math.isfinite(value):
        raise ValueError("a finite number")
    return value


def _slope(value: object) -> float:
    """Turn ``"1:200"`` or a number of mm/m into mm/m."""
    if isinstance(value, str):
        match = re.fullmatch(r"\s*1\s*:\s*(\d+(?:\.\d+)?)\s*", value)
        if match is None or float(match.group(1)) == 0:
            raise ValueError('"1:n", such as "1:200"')
        return 1000.0 / float(match.group(1))
    number = float(_finite(value))  # type: ignore[arg-type]  # _finite has checked that it is a number
    if number <= 0:
        raise ValueError("more than 0 mm/m")
    return number


def _by_kind(value: object) -> dict[str, float]:
    """Turn one limit, or a table by kind of pile, into mm/m by kind."""
    if isinstance(value, dict):
        unknown = [str(key) for key in value if key not in KINDS]
        if unknown:
            raise ValueError(f"kinds out of {', '.join(KINDS)}, not {', '.join(unknown)}")
        return {str(kind): _slope(limit) for kind, limit in value.items()}
    return dict.fromkeys(KINDS, _slope(value))


Number = Annotated[float, BeforeValidator(_finite)]
Positive = Annotated[Number, Field(gt=0)]
NotNegative = Annotated[Number, Field(ge=0)]
ByKind = Annotated[dict[str, float], BeforeValidator(_by_kind)]
Text = Annotated[str, Field(min_length=1)]


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class Site(_Section):
    """The job: its name, how sure is sure, and the zone of times written without an offset."""

    name: Text
    confidence: Annotated[Number, Field(gt=0.5, lt=1)] = 0.95
    time_zone: Text = "UTC"

    def time_text(self, moment: np.datetime64) -> str:
        """Return a moment (UTC) as people at the site read it: ``2026-11-09 07:15 +01:00``, ``… UTC`` on a UTC site.

        Seconds stand only where there are any: read as an as-of date it is the same moment again. "no dated input" for
        NaT, and for the epoch, which stands for it.
        """
        milliseconds = int(moment.astype("datetime64[ms]").astype("int64"))
        if milliseconds in (0, _NO_TIME):
            return "no dated input"
        utc = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(milliseconds=milliseconds)
        at = utc.astimezone(ZoneInfo(self.time_zone))
        text = f"{at:%Y-%m-%d %H:%M:%S}.{at.microsecond // 1000:03}".removesuffix(".000").removesuffix(":00")
        offset = at.isoformat()[-6:]
        return f"{text} {'UTC' if self.time_zone == 'UTC' else offset}"


class Design(_Section):
    """Where the design is read from when not from ``design/piles.csv``."""

    piles: Text | None = None
    layer: str | None = None
    clear_outline: Text | None = None
    clear_outline_layer: str | None = None
    fields: dict[str, str] = {}


class Grid(_Section):
    """The map grid behind the site grid: its CRS and, without control points, the similarity (EPSG 9621's sense)."""

    map_crs: Text | None = None
    origin_e: Number | None = None
    origin_n: Number | None = None
    rotation_deg: Number | None = None
    scale: Positive | None = None


class Levels(_Section):
    """Levels of the site, m."""

    commence: Number
    formation: Number
    interlock_to: Number
    cut_off: Number | None = None
    lowest: Number = -40.0
    highest: Number = 10.0
    water_outside: Number | None = None
    water_inside: Number | None = None
    tight_stratum: Number | None = None


class Stage(_Section):
    """One stage of excavation; ``joints_to`` None: to the bottom of each joint's range."""

    name: Text
    level: Number
    joints_to: Number | None = None


class Wall(_Section):
    """One wall. Levels given here replace the site's for its piles and joints."""

    closed: StrictBool
    pit_side: Literal["left", "right"] | None = None
    formation: Number | None = None
    interlock_to: Number | None = None
    cut_off: Number | None = None
    extra_joints: list[tuple[str, str]] = []


class Tolerance(_Section):
    """What is allowed. None, or a kind of pile left out of ``verticality``: the check is not made."""

    plan_mm: Positive
    plan_growth_mm_per_m: NotNegative = 0.0
    verticality: ByKind
    overlap_mm: NotNegative
    chord_mm: Positive | None = None
    encroach_mm: Positive | None = None
    encroach_growth_mm_per_m: NotNegative = 0.0
    clear_mm: Number = 0.0
    overbreak_mm: NotNegative = 0.0
    toe_mm: NotNegative | None = None
    radius_check_mm: Positive = 25.0


class Decide(_Section):
    """By which rule each check decides, and which checks hold a stage."""

    plan: Rule = "simple"
    vertical: Rule = "simple"
    toe: Literal["simple"] = "simple"
    joint: Rule = "guarded"
    encroach: Rule = "guarded"
    holds: list[Literal["joint", "toe", "encroach", "plan", "vertical"]] = ["joint", "toe", "encroach"]


class Uncertainty(_Section):
    """One standard deviation of each source, and the lean model that governs."""

    pickup_mm: Positive = 5.0
    setup_mm: NotNegative = 3.0
    radius_mm: Positive = 5.0
    tilt_mm_per_m: Positive = 1.0
    tilt_systematic_mm_per_m: NotNegative = 0.5
    wander_mm_per_m: NotNegative = 0.3
    profile_mm: Positive = 2.0
    profile_mm_per_m: NotNegative = 0.25
    axis: Literal["straight", "stepped"] = "straight"


class Readings(_Section):
    """How lean readings are meant."""

    sense: Literal["toe", "top"] | None = None
    level_length_mm: Positive = 1200.0


class Sequence(_Section):
    """Age of a primary when its secondary cuts it, hours."""

    cut_after_h: NotNegative | None = None
    cut_before_h: Positive | None = None


class SetOut(_Section):
    """How far a centre may be moved, and what the instrument's file holds."""

    play_mm: NotNegative = 15.0
    across_wall: StrictBool = False
    advise_from_mm: NotNegative = 10.0
    columns: Annotated[list[SetOutColumn], Field(min_length=1)] = ["point", "easting", "northing", "level", "code"]


class Steering(_Section):
    """How much the casing can still be turned per metre drilled."""

    mm_per_m_per_metre: Positive | None = None


class Revision(_Section):
    """One line of a revision table."""

    rev: str
    date: str
    text: str


class Sheets(_Section):
    """What the title block carries."""

    paper: Literal["A4", "A3", "A2", "A1", "A0"] = "A3"
    drawing_number: str | None = None
    revision: str | None = None
    originator: str | None = None
    revisions: list[Revision] = []


class Archive(_Section):
    """Names and contact of the archive."""

    name_pattern: str | None = None
    contact: str | None = None


class ColumnMapping(_Section):
    """How a kind of file names its columns.

    ``names``: our column to theirs. ``order``: the columns of files without a header row ("" to skip one).
    ``pile_id_from``: a regular expression with one group, searched in the point's name. ``date_from_name``: a strptime
    pattern found in the file's name. ``object_from``, ``shot_from``: feature code to object, and to centre or edge.
    """

    names: dict[str, str] = {}
    order: list[str] | None = None
    pile_id_from: str | None = None
    date_from_name: str | None = None
    object_from: dict[str, str] = {}
    shot_from: dict[str, str] = {}


class Settings(_Section):
    """All settings of one survey folder."""

    site: Site
    design: Design = Design()
    grid: Grid = Grid()
    levels: Levels
    stages: list[Stage] = []
    walls: dict[str, Wall]
    tolerance: Tolerance
    decide: Decide = Decide()
    uncertainty: Uncertainty = Uncertainty()
    readings: Readings = Readings()
    sequence: Sequence = Sequence()
    set_out: SetOut = SetOut()
    steering: Steering = Steering()
    sheets: Sheets = Sheets()
    archive: Archive = Archive()
    columns: dict[str, dict[str, ColumnMapping]] = {}
    """Table to named mappings; "" is the table's unnamed one."""

    def wall_level(self, wall: str, name: Literal["formation", "interlock_to", "cut_off"]) -> float | None:
        """Return a level of one wall [m]: its own where given, else the site's."""
        own: float | None = getattr(self.walls[wall], name)
        return own if own is not None else getattr(self.levels, name)

    def rows(self) -> Iterator[tuple[str, str]]:
        """Yield every setting as ``(section.key, value)``, defaults included, in the order of the sections."""
        for section, value in self.model_dump().items():
            yield from _flatten(section, value)


def _flatten(name: str, value: object) -> Iterator[tuple[str, str]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flatten(f"{name}.{key}" if key else name, inner)
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for place, inner in enumerate(value, 1):
            yield from _flatten(f"{name}[{place}]", inner)
    else:
        yield name, "" if value is None else str(value)


_DATE_PARTS = {"Y": 4, "y": 2, "m": 2, "d": 2, "j": 3, "H": 2, "M": 2, "S": 2, "%": 0}


def _is_date(pattern: str) -> bool:
    """Tell whether a strptime pattern holds a whole date, of digits only and each part once."""
    parts = re.findall(r"%(.?)", pattern)
    letters = [letter for letter in parts if letter != "%"]
    day = {"m", "d"} <= set(letters) or "j" in letters
    year = not {"Y", "y"}.isdisjoint(letters)
    return day and year and set(letters) <= _DATE_PARTS.keys() and len(set(letters)) == len(letters)


def name_pattern(pattern: str) -> str:
    """Return a regular expression that finds the date written as ``pattern`` (of strptime) in a file's name."""
    parts = re.split(r"%(.)", pattern)
    found = re.escape(parts[0])
    for letter, plain in zip(parts[1::2], parts[2::2], strict=True):
        found += ("%" if letter == "%" else rf"\d{{{_DATE_PARTS[letter]}}}") + re.escape(plain)
    return found


#: Keys of a mapping from feature codes: what the codes can stand for, and the choices.
_BY_CODE = {"object_from": ("object", OBJECTS), "shot_from": ("shot", SHOTS)}
_MAPPING_KEYS = ("order", "pile_id_from", "date_from_name", *_BY_CODE)


def _mappings(table: str, raw: dict[str, Any], problems: list[Wrong]) -> dict[str, Any]:
    """Sort ``[columns.TABLE]`` into the unnamed mapping and ``[columns.TABLE.NAME]`` ones."""
    found: dict[str, Any] = {}
    unnamed = {k: v for k, v in raw.items() if not isinstance(v, dict) or k in _BY_CODE}
    if unnamed:
        found[""] = _one_mapping(table, unnamed, ("columns", table), problems)
    for name, content in raw.items():
        if isinstance(content, dict) and name not in _BY_CODE:
            found[name] = _one_mapping(table, content, ("columns", table, name), problems)
    return found


def _one_mapping(table: str, content: dict[str, Any], path: Path, problems: list[Wrong]) -> dict[str, Any]:
    known = [column.name for column in TABLES[table].columns]
    mapping: dict[str, Any] = {"names": {}}
    for key, value in content.items():
        if key in _MAPPING_KEYS:
            mapping[key] = value
        elif key not in known:
            problems.append(((*path, key), "unknown key", _nearest(key, [*known, *_MAPPING_KEYS])))
        elif isinstance(value, str) and value:
            mapping["names"][key] = value
        else:
            problems.append(((*path, key), f"{value!r} is not a column's name", "a text"))
    problems.extend(_check_names(mapping, known, path))
    problems.extend(_check_patterns(mapping, path))
    return mapping


def _check_names(mapping: dict[str, Any], known: list[str], path: Path) -> Iterator[Wrong]:
    order = mapping.get("order")
    for column in order if isinstance(order, list) else []:
        if column and column not in known:
            yield (*path, "order"), f"unknown column {column!r}", _nearest(str(column), known)
    for theirs, count in Counter(mapping["names"].values()).items():
        if count > 1:
            yield path, f"{theirs!r} stands for {count} columns", "each name for one column"
    for key, (what, choices) in _BY_CODE.items():
        by_code = mapping.get(key)
        for code, thing in by_code.items() if isinstance(by_code, dict) else []:
            if thing not in choices:
                yield (*path, key, code), f"unknown {what} {thing!r}", "one of " + ", ".join(choices)


def _check_patterns(mapping: dict[str, Any], path: Path) -> Iterator[Wrong]:
    pattern = mapping.get("pile_id_from")
    if isinstance(pattern, str):
        try:
            groups = re.compile(pattern).groups
        except re.error as error:
            yield (*path, "pile_id_from"), f"not a regular expression: {error}", "one with one group"
        else:
            if groups != 1:
                yield (*path, "pile_id_from"), f"{groups} groups", "one group"
    date = mapping.get("date_from_name")
    if isinstance(date, str) and not _is_date(date):
        expected = "a pattern such as %Y%m%d, of %Y %y %m %d %j %H %M %S"
        yield (*path, "date_from_name"), f"{date!r} is no pattern of a date", expected


def _nearest(name: str, known: list[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1, cutoff=0.5)
    return f"perhaps {close[0]}" if close else "one of " + ", ".join(known)


_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]")
_KEY = re.compile(r"""^\s*("[^"]*"|'[^']*'|[A-Za-z0-9_-]+)((?:\s*\.\s*(?:"[^"]*"|'[^']*'|[A-Za-z0-9_-]+))*)\s*=""")
_PART = re.compile(r""""[^"]*"|'[^']*'|[A-Za-z0-9_-]+""")


def _line_numbers(text: str) -> dict[Path, int]:
    """Return the line of every section header and key; tables in an array by their place."""
    lines: dict[Path, int] = {}
    section: tuple[str | int, ...] = ()
    counts: dict[Path, int] = {}
    for number, line in enumerate(text.splitlines(), 1):
        header = _HEADER.match(line)
        if header:
            section = tuple(part.strip("\"'") for part in _PART.findall(header.group(2)))
            if header.group(1) == "[[":
                lines.setdefault(section, number)
                counts[section] = counts.get(section, -1) + 1
                section = (*section, counts[section])
            lines.setdefault(section, number)
            continue
        key = _KEY.match(line)
        if key:
            path = tuple(part.strip("\"'") for part in _PART.findall(key.group(1) + key.group(2)))
            lines.setdefault((*section, *path), number)
    return lines


def _line_of(lines: dict[Path, int], path: Path) -> int:
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return 0


_EXPECTED = {
    "missing": ("missing", "a value"),
    "greater_than": ("{input!r} is too small", "more than {gt}"),
    "greater_than_equal": ("{input!r} is too small", "{ge} or more"),
    "less_than": ("{input!r} is too large", "less than {lt}"),
    "string_type": ("{input!r} is not text", "text in quotes"),
    "string_too_short": ("empty", "some text"),
    "bool_type": ("{input!r} is not a truth value", "true or false"),
    "literal_error": ("{input!r} is not known", "{expected}"),
    "list_type": ("{input!r} is not a list", "a list"),
    "dict_type": ("{input!r} is not a table", "a table"),
    "model_type": ("{input!r} is not a table", "a table of settings"),
}


def _explain(error: ErrorDetails) -> tuple[str, str]:
    kind, context = error["type"], dict(error.get("ctx", {}))
    if kind == "extra_forbidden":
        known = _fields_at(error["loc"][:-1])
        return "unknown key", _nearest(str(error["loc"][-1]), known) if known else "no such key"
    if kind == "value_error":
        return f"{error['input']!r} cannot be used", str(context.get("error", error["msg"]))
    if kind in _EXPECTED:
        text, expected = _EXPECTED[kind]
        values = {"input": error["input"], **context}
        return text.format(**values), expected.format(**values)
    return f"{error['input']!r} cannot be used", error["msg"][0].lower() + error["msg"][1:]


def _fields_at(path: Path) -> list[str]:
    """Return the known keys of the section at ``path``."""
    model: type[BaseModel] = Settings
    for part in path:
        if model is Settings:
            if part == "walls":
                model = Wall
                continue
            if part == "stages":
                model = Stage
                continue
        elif isinstance(part, int) or model is Wall:
            continue
        annotation = model.model_fields[str(part)].annotation if str(part) in model.model_fields else None
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return []
        model = annotation
    return list(model.model_fields)


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A site file as far as it can be read.

    ``settings`` is None when anything in it is wrong; ``problems`` says what. ``design`` and ``columns`` are there when
    these sections themselves are right, so that the files that they name can be looked at in the same pass.
    """

    file: str
    settings: Settings | None
    problems: tuple[Problem, ...]
    design: Design | None
    columns: dict[str, dict[str, ColumnMapping]] | None
    time_zone: ZoneInfo
    lines: dict[Path, int]

    def problem(self, path: Path, text: str, expected: str) -> Problem:
        """Return what is wrong with the setting at ``path``, with its line."""
        name = ".".join(str(part + 1) if isinstance(part, int) else part for part in path if part != "")
        return Problem(file=self.file, line=_line_of(self.lines, path), column=name, text=text, expected=expected)


def parse_settings(text: str, *, file: str = "site.toml") -> Settings:
    """Return the settings written in ``text``.

    Raises
    ------
    InputError
        With every problem found, each with its line and key.
    """
    draft = draft_settings(text, file=file)
    if draft.settings is None:
        raise InputError(draft.problems)
    return draft.settings


def draft_settings(text: str, *, file: str = "site.toml", look_up_crs: bool = True) -> Draft:
    """Return what can be read of the settings written in ``text``, and every problem found.

    ``look_up_crs``: whether the name of the map's CRS is checked, which needs a large library.
    """
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        match = re.search(r"at line (\d+)", str(error))
        line = int(match.group(1)) if match else len(text.splitlines())
        reason, expected = _slip(text.splitlines()[line - 1] if line else "") or (
            re.sub(r" \(at .*\)$", "", str(error)),
            "a TOML file",
        )
        problem = Problem(file=file, line=line, text=f"not TOML: {reason}", expected=expected)
        return Draft(
            file=file,
            settings=None,
            problems=(problem,),
            design=None,
            columns=None,
            time_zone=ZoneInfo("UTC"),
            lines={},
        )
    found: list[Wrong] = []
    columns = raw.get("columns")
    if isinstance(columns, dict):
        sorted_columns: dict[str, Any] = {}
        for table, content in columns.items():
            if table not in TABLES:
                found.append((("columns", table), "unknown table", _nearest(table, list(TABLES))))
            elif not isinstance(content, dict):
                found.append((("columns", table), "not a table", f"[columns.{table}]"))
            else:
                sorted_columns[table] = _mappings(table, content, found)
        raw["columns"] = sorted_columns
    sound_columns = not found
    settings: Settings | None = None
    try:
        settings = Settings.model_validate(raw, strict=False)
    except ValidationError as errors:
        found.extend((tuple(e["loc"]), *_explain(e)) for e in errors.errors())
    if settings is not None:
        found.extend(_cross_check(settings, look_up_crs=look_up_crs))
    draft = Draft(
        file=file,
        settings=None if found else settings,
        problems=(),
        design=_section(_DesignOnly, raw, "design"),
        columns=_section(_ColumnsOnly, raw, "columns") if sound_columns else None,
        time_zone=_zone_of(raw),
        lines=_line_numbers(text),
    )
    return replace(draft, problems=tuple(draft.problem(*entry) for entry in found))


_COMMA = re.compile(r"[^=#]*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?")
_NAMED = re.compile(r"\s*(?:\[\[?\s*(?P<table>[^\]#]+?)\s*\]|(?P<key>[^=#]+?)\s*=)")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


def _slip(line: str) -> tuple[str, str] | None:
    """Return what is wrong with a line of TOML, and what was expected, where it is one of the usual slips."""
    comma = _COMMA.fullmatch(line)
    if comma:
        return "a number with a decimal comma", f"a decimal point, as in {comma[1]}.{comma[2]}"
    named = _NAMED.match(line)
    name = (named["table"] or named["key"]) if named else ""
    if not name or '"' in name or "'" in name:
        return None
    parts = [part.strip() for part in name.split(".")]
    if all(_BARE.fullmatch(part) for part in parts) or not all(parts):
        return None
    quoted = ".".join(part if _BARE.fullmatch(part) else f'"{part}"' for part in parts)
    return f"the name {name}", f"quotes around names with blanks or letters other than A to Z, as in {quoted}"


class _DesignOnly(BaseModel):
    design: Design = Design()


class _ColumnsOnly(BaseModel):
    columns: dict[str, dict[str, ColumnMapping]] = {}


def _section(model: type[BaseModel], raw: dict[str, Any], name: str) -> Any:
    """Return one section by itself, or None where it is wrong."""
    try:
        return getattr(model.model_validate({name: raw[name]} if name in raw else {}), name)
    except ValidationError:
        return None


def _zone_of(raw: dict[str, Any]) -> ZoneInfo:
    site = raw.get("site")
    name = site.get("time_zone", "UTC") if isinstance(site, dict) else "UTC"
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError, TypeError):
        return ZoneInfo("UTC")


def _cross_check(s: Settings, *, look_up_crs: bool) -> Iterator[Wrong]:
    """Yield what contradicts itself, as (path, what, expected)."""
    try:
        ZoneInfo(s.site.time_zone)
    except (KeyError, ValueError, OSError):
        expected = 'a name such as "UTC" or "Etc/GMT-3"'
        yield ("site", "time_zone"), f"{s.site.time_zone!r} is not a time zone", expected
    known = [column.name for column in TABLES["design"].columns]
    for name in s.design.fields:
        if name not in known:
            yield ("design", "fields", name), "unknown column", _nearest(name, known)
    yield from _check_levels(s)
    yield from _check_walls(s)
    yield from _check_stages(s)
    after, before = s.sequence.cut_after_h, s.sequence.cut_before_h
    if after is not None and before is not None and after >= before:
        yield ("sequence", "cut_before_h"), "not after cut_after_h", f"more than {after} hours"
    similarity = ("origin_e", "origin_n", "rotation_deg", "scale")
    if any(getattr(s.grid, name) is not None for name in similarity):
        for name in (*similarity, "map_crs"):
            if getattr(s.grid, name) is None:
                yield ("grid", name), "missing", f"all of {', '.join(similarity)} and map_crs, or none"
    if s.grid.map_crs is not None and look_up_crs:
        yield from _check_map_crs(s.grid.map_crs)
    yield from _check_archive(s.archive.name_pattern)


#: What can stand in braces in ``[archive] name_pattern``.
_NAME_FIELDS = ("originator", "number", "revision", "date", "name")


def _check_archive(pattern: str | None) -> Iterator[Wrong]:
    at: Path = ("archive", "name_pattern")
    if pattern is None:
        return
    expected = "a name with any of " + " ".join(f"{{{field}}}" for field in _NAME_FIELDS)
    if not pattern.strip() or set("/\\") & set(pattern):
        yield at, f"{pattern!r} is no name of a file", expected
        return
    try:
        parts = list(string.Formatter().parse(pattern))
    except ValueError:
        yield at, f"{pattern!r} has a brace without its other", expected
        return
    for _, field, form, conversion in parts:
        if field is None:
            continue
        if field not in _NAME_FIELDS:
            yield at, f"unknown field {{{field}}}", _nearest(field, list(_NAME_FIELDS))
        elif form or conversion:
            yield at, f"more than a name in {{{field}…}}", f"{{{field}}}"


def _check_map_crs(name: str) -> Iterator[Wrong]:
    # Only a job with a map grid pays for the loading of it.
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    at: Path = ("grid", "map_crs")
    try:
        crs = CRS.from_user_input(name)
    except CRSError:
        yield at, f"{name!r} is no CRS that is known", 'one such as "EPSG:25831"'
        return
    axes = sorted(axis.direction.lower() for axis in crs.axis_info)
    units = {axis.unit_name for axis in crs.axis_info}
    if crs.type_name != "Projected CRS" or axes != ["east", "north"] or units != {"metre"}:
        what = f"{name!r} is {crs.name}: {crs.type_name}, axes {' and '.join(axes) or 'none'}, {', '.join(units)}"
        yield at, what, "a projected CRS with easting and northing in metres"


def _check_levels(s: Settings) -> Iterator[Wrong]:
    levels = s.levels
    if levels.lowest >= levels.highest:
        yield ("levels", "lowest"), f"{levels.lowest} is not below highest {levels.highest}", "a level below it"
    for name in ("commence", "cut_off", "formation", "interlock_to"):
        value = getattr(levels, name)
        if value is not None and not levels.lowest <= value <= levels.highest:
            expected = f"{levels.lowest} to {levels.highest}"
            yield ("levels", name), f"{value} lies outside the site's levels", expected
    yield from _check_depths(("levels",), levels.cut_off, levels.formation, levels.interlock_to)


def _check_walls(s: Settings) -> Iterator[Wrong]:
    for wall_name, wall in s.walls.items():
        at = ("walls", wall_name)
        if not wall.closed and wall.pit_side is None:
            yield (*at, "pit_side"), "missing", '"left" or "right": an open wall has no inside'
        if wall.closed and wall.pit_side is not None:
            yield (*at, "pit_side"), "given for a closed wall", "nothing: the pit is its inside"
        if not {"formation", "interlock_to", "cut_off"}.isdisjoint(wall.model_fields_set):
            yield from _check_depths(
                at,
                s.wall_level(wall_name, "cut_off"),
                float(s.wall_level(wall_name, "formation") or 0.0),
                float(s.wall_level(wall_name, "interlock_to") or 0.0),
            )


def _check_stages(s: Settings) -> Iterator[Wrong]:
    top = max([s.levels.commence, *([s.levels.cut_off] if s.levels.cut_off is not None else [])])
    formations = [s.levels.formation, *(w.formation for w in s.walls.values() if w.formation is not None)]
    lowest_formation = min(formations)
    names = [stage.name for stage in s.stages]
    for place, stage in enumerate(s.stages):
        if not lowest_formation <= stage.level < top:
            expected = f"{lowest_formation} or above, and below {top}"
            yield ("stages", place, "level"), f"{stage.level} is not between formation and the top", expected
        if stage.joints_to is not None and stage.joints_to > stage.level:
            what = f"{stage.joints_to} is above the stage's level"
            yield ("stages", place, "joints_to"), what, f"{stage.level} or below"
        if stage.name in names[:place]:
            yield ("stages", place, "name"), f"{stage.name!r} is there already", "a name of its own"


def _check_depths(at: Path, cut_off: float | None, formation: float, interlock_to: float) -> Iterator[Wrong]:
    if cut_off is not None:
        if formation >= cut_off:
            yield (*at, "formation"), f"{formation} is not below the cut-off {cut_off}", f"below {cut_off}"
        if interlock_to >= cut_off:
            yield (*at, "interlock_to"), f"{interlock_to} is not below the cut-off {cut_off}", f"below {cut_off}"
