"""Write the generated tables of docs/ (columns, layers, findings, settings, options) and the README's excerpt.

``python tests/generate_docs.py`` brings the files up to date; a test checks that they are. A table stands
between ``<!-- begin generated: NAME -->`` and ``<!-- end generated -->``.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import types
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, Union, get_args, get_origin

ROOT = Path(__file__).resolve().parents[1]
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))

import click  # noqa: E402 - the checkout goes before an installed package
from annotated_types import Ge, Gt, Lt  # noqa: E402
from pydantic import BaseModel  # noqa: E402

from asbuilt import columns, settings  # noqa: E402
from asbuilt.commands import COMMANDS, cli  # noqa: E402

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

BLOCK = re.compile(r"(<!-- begin generated: (?P<name>[^>]+?) -->\n).*?(<!-- end generated -->)", re.DOTALL)

#: The README's excerpt of what a run of the demo prints.
EXCERPT = re.compile(r"(<!-- output: demo -->\n```\n).*?(^```$)", re.DOTALL | re.MULTILINE)

#: What the settings mean; a test checks that every key is here and none is left over.
SETTINGS_MEANING = {
    "site.name": "name of the job, printed on every output",
    "site.confidence": "how sure is sure: the probability that a guarded check must reach",
    "site.time_zone": "zone of times written without an offset; a date alone is the end of that day there",
    "design.piles": "file of the design piles, when it is not `design/piles.csv`: CSV, GeoPackage or GeoJSON",
    "design.layer": "its layer, where the file holds several",
    "design.clear_outline": "file of the outline that the permanent works need clear",
    "design.clear_outline_layer": "its layer, where the file holds several",
    "design.fields": "our column = theirs, for a GeoPackage or GeoJSON that names its fields otherwise",
    "grid.map_crs": "map CRS behind the site grid, such as `EPSG:32631`",
    "grid.origin_e": "map easting of site (0, 0)",
    "grid.origin_n": "map northing of site (0, 0)",
    "grid.rotation_deg": "θ; site (E, N) lies at origin + scale (E cos θ + N sin θ, N cos θ − E sin θ)",
    "grid.scale": "map metres per site metre",
    "levels.commence": "commencing surface (top of the guide wall); depths count from it",
    "levels.formation": "underside of the final excavation",
    "levels.interlock_to": "joints must interlock down to here",
    "levels.cut_off": "cut-off of piles whose design row has none",
    "levels.lowest": "lowest level that can be meant; one outside is the finding `level_range`",
    "levels.highest": "highest level that can be meant",
    "levels.water_outside": "water level outside the wall",
    "levels.water_inside": "water level inside the wall",
    "levels.tight_stratum": "top of a tight stratum",
    "stages.name": "name of the stage, as `asbuilt holds` takes it",
    "stages.level": "level dug to",
    "stages.joints_to": "how deep joints must be sound before this dig; blank: to the bottom of each",
    "walls.closed": "whether the last pile meets the first",
    "walls.pit_side": "side of the pit, seen walking in the order of position; open walls only, needed there",
    "walls.formation": "formation along this wall",
    "walls.interlock_to": "joints of this wall must interlock down to here",
    "walls.cut_off": "cut-off of this wall's piles",
    "walls.extra_joints": "pairs of pile ids that must interlock too, also with another wall's piles",
    "tolerance.plan_mm": "plan offset allowed at the commencing surface and above it",
    "tolerance.plan_growth_mm_per_m": "added per metre that the cut-off lies below the commencing surface",
    "tolerance.verticality": 'inclination allowed: `"1:n"` or mm/m, for all piles or in a table by kind',
    "tolerance.overlap_mm": "least overlap asked for",
    "tolerance.chord_mm": "least common chord asked for; turned into an overlap, the greater governs",
    "tolerance.encroach_mm": "movement towards the pit allowed at cut-off",
    "tolerance.encroach_growth_mm_per_m": "added to it per metre below cut-off",
    "tolerance.clear_mm": "how far a face may stand inside the clear outline",
    "tolerance.overbreak_mm": "how far the face stands proud of the pile's radius",
    "tolerance.toe_mm": "how far a toe may end above the design toe",
    "tolerance.radius_check_mm": "a fitted radius farther than this from that of what was shot is a finding",
    "decide.plan": "rule for plan position",
    "decide.vertical": "rule for verticality",
    "decide.toe": "rule for the toe",
    "decide.joint": "rule for joints",
    "decide.encroach": "rule for encroachment",
    "decide.holds": "checks that can hold a stage: joint, toe, encroach, plan, vertical",
    "uncertainty.pickup_mm": "each shot, per axis",
    "uncertainty.setup_mm": "common to all shots of one set-up, per axis",
    "uncertainty.radius_mm": "radius of what was shot, beside half its diameter",
    "uncertainty.tilt_mm_per_m": "each lean reading, per axis",
    "uncertainty.tilt_systematic_mm_per_m": "level and casing: constant for a pile, per axis",
    "uncertainty.wander_mm_per_m": "wandering of the bore, mm/m per square root of a metre not read",
    "uncertainty.profile_mm": "offset of a profile, short range",
    "uncertainty.profile_mm_per_m": "systematic part of a profile",
    "uncertainty.axis": "lean model that governs; the other stands beside it",
    "readings.sense": "readings point to where the toe goes, or to where the top leans; a `sense` column "
    "overrides it; needed where lean readings have none",
    "readings.level_length_mm": "length of the spirit level, for readings in mm",
    "sequence.cut_after_h": "youngest age of a primary's concrete when its secondary cuts it",
    "sequence.cut_before_h": "oldest age",
    "set_out.play_mm": "how far a centre may be moved within the guide wall",
    "set_out.across_wall": "whether it may be moved across the wall too",
    "set_out.advise_from_mm": "gain from which a move is advised",
    "set_out.columns": "columns of the instrument's file",
    "steering.mm_per_m_per_metre": "how much the casing can still be turned per metre drilled",
    "sheets.paper": "paper of the sheets",
    "sheets.drawing_number": "drawing number",
    "sheets.revision": "revision",
    "sheets.originator": "originator",
    "sheets.revisions": "lines of the revision table: `rev`, `date`, `text`",
    "archive.name_pattern": "name of the folder in an archive: text with any of `{originator}` `{number}` `{revision}` "
    "(of `[sheets]`), `{date}` (as-of) and `{name}` (of the site); default: the name of the file",
    "archive.contact": "contact of the archive",
}

#: Sections that stand in a settings file as an array of tables, or one for each name.
MANY = {"stages": settings.Stage, "walls": settings.Wall}

_UNITS = (
    ("_mm_per_m_per_metre", "mm/m per m"),
    ("mm_per_m_per_metre", "mm/m per m"),
    ("_mm_per_m", "mm/m"),
    ("_mm", "mm"),
    ("_deg", "deg"),
    ("_h", "h"),
)
_UNIT_OF = {
    "grid.origin_e": "m",
    "grid.origin_n": "m",
    "stages.level": "m",
    "stages.joints_to": "m",
    "walls.formation": "m",
    "walls.interlock_to": "m",
    "walls.cut_off": "m",
    "tolerance.verticality": "mm/m",
}


def cell(text: str) -> str:
    """Return ``text`` fit for a cell of a Markdown table."""
    return text.replace("|", "\\|").replace("\n", " ")


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    lines += ["| " + " | ".join(cell(value) for value in row) + " |" for row in rows]
    return "\n".join(lines) + "\n"


def _rule(column: columns.Column) -> str:
    parts = []
    if column.needed:
        parts.append("needed")
    if column.column_needed:
        parts.append("column needed, cells may be blank")
    if column.kind == "choice":
        parts.append("one of " + ", ".join(f"`{c}`" for c in column.choices))
    if column.low is not None:
        parts.append(f"{'more than' if column.low_open else 'at least'} {column.low:g}")
    if column.high is not None:
        parts.append(f"at most {column.high:g}")
    if column.default:
        parts.append(f"default `{column.default}`")
    return "; ".join(parts)


def input_table(name: str) -> str:
    """Return the columns of one input table."""
    rows = [[f"`{c.name}`", c.kind, c.unit, c.meaning, _rule(c)] for c in columns.TABLES[name].columns]
    return table(("column", "type", "unit", "meaning", "rule"), rows)


def input_tables() -> str:
    """Return the list of input tables."""
    return table(
        ("table", "files", "what it holds"),
        [[f"`{t.name}`", f"`{t.where}`", t.meaning] for t in columns.TABLES.values()],
    )


def layer(name: str) -> str:
    """Return the columns of one layer."""
    rows = [
        [f"`{c.name}`", c.kind, c.unit, c.meaning + (": " + ", ".join(c.choices) if c.choices else "")]
        for c in columns.LAYERS[name].columns
    ]
    return table(("column", "type", "unit", "meaning"), rows)


def layers() -> str:
    """Return the list of layers and attribute tables."""
    return table(
        ("layer", "geometry", "what it holds", "style stored"),
        [[f"`{y.name}`", y.geometry or "none", y.meaning, "yes" if y.styled else ""] for y in columns.LAYERS.values()],
    )


def findings() -> str:
    """Return the kinds of findings."""
    return table(
        ("finding", "severity", "what it means"),
        [[f"`{f.name}`", f.severity, f.meaning] for f in columns.FINDINGS.values() if f.by_run],
    )


def verdict_looks() -> str:
    """Return how each verdict looks."""
    return table(
        ("verdict", "letter", "line", "fill", "marker", "colour"),
        [[name, v.letter, v.line, v.fill, v.marker, f"`{v.colour}`"] for name, v in columns.VERDICT_LOOKS.items()],
    )


def section(name: str) -> type[BaseModel]:
    """Return the settings model of one section."""
    if name in MANY:
        return MANY[name]
    model = settings.Settings.model_fields[name].annotation
    assert isinstance(model, type)
    assert issubclass(model, BaseModel)
    return model


def section_names() -> list[str]:
    """Return the sections that have keys of their own; ``columns`` is described in words."""
    return [name for name in settings.Settings.model_fields if name != "columns"]


def setting_keys() -> list[str]:
    """Return every ``section.key``."""
    return [f"{name}.{key}" for name in section_names() for key in section(name).model_fields]


def settings_table(name: str) -> str:
    """Return the keys of one section."""
    rows = []
    for key, info in section(name).model_fields.items():
        full = f"{name}.{key}"
        annotation: Any = Annotated[(info.annotation, *info.metadata)] if info.metadata else info.annotation
        default = "**needed**" if info.is_required() else _written(info.default)
        rows.append([f"`{key}`", _kind(annotation), _unit(full, key), default, SETTINGS_MEANING[full]])
    return table(("key", "value", "unit", "default", "meaning"), rows)


def _written(value: object) -> str:
    if value is None or value in ({}, []):
        return ""
    if isinstance(value, bool):
        return "`true`" if value else "`false`"
    if isinstance(value, str):
        return f'`"{value}"`'
    if isinstance(value, list):
        return "`[" + ", ".join(f'"{one}"' for one in value) + "]`"
    return f"`{value:g}`" if isinstance(value, int | float) else f"`{value}`"


def _unit(full: str, key: str) -> str:
    if full in _UNIT_OF:
        return _UNIT_OF[full]
    if full.startswith("levels."):
        return "m"
    return next((unit for ending, unit in _UNITS if key.endswith(ending)), "")


def _kind(annotation: Any) -> str:
    """Return a type annotation in words."""
    if annotation is settings.ByKind:
        return "slope, or table by kind"
    origin = get_origin(annotation)
    if origin is Annotated:
        base, *marks = get_args(annotation)
        if dict in (base, get_origin(base)):
            return "slope, or table by kind"
        bounds = [_bound(m) for mark in marks for m in getattr(mark, "metadata", [mark])]
        return " ".join([_kind(base), *[b for b in bounds if b]])
    if origin in (Union, types.UnionType):
        return " or ".join(_kind(one) for one in get_args(annotation) if one is not type(None))
    if origin is Literal:
        return " or ".join(f'`"{one}"`' for one in get_args(annotation))
    if origin is list:
        return "list"
    if origin is dict:
        return "table"
    return {float: "number", int: "whole number", str: "text", bool: "true or false"}[annotation]


def _bound(mark: object) -> str:
    if isinstance(mark, Gt):
        return f"> {mark.gt}"
    if isinstance(mark, Ge):
        return f"≥ {mark.ge}"
    if isinstance(mark, Lt):
        return f"< {mark.lt}"
    return ""


def options(name: str) -> str:
    """Return the arguments and options of one command, as its help has them."""
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    rows = []
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            value = "" if parameter.is_flag else f" {parameter.make_metavar(click.Context(command))}"
            rows.append([f"`{', '.join(parameter.opts)}{value}`", parameter.help or ""])
        else:
            rows.append([f"`{parameter.make_metavar(click.Context(command))}`", "argument"])
    return table(("option", "what it does"), rows)


def blocks() -> dict[str, str]:
    """Return every generated table by its name."""
    made = {
        "tables": input_tables(),
        "layers": layers(),
        "findings": findings(),
        "verdict looks": verdict_looks(),
    }
    made |= {f"table {name}": input_table(name) for name in columns.TABLES}
    made |= {f"layer {name}": layer(name) for name in columns.LAYERS}
    made |= {f"settings {name}": settings_table(name) for name in section_names()}
    made |= {f"options {name}": options(name) for name in COMMANDS}
    return made


def regenerated(text: str, made: dict[str, str]) -> str:
    """Return ``text`` with every generated table made anew; KeyError for a table without a maker."""
    return BLOCK.sub(lambda found: found.group(1) + made[found.group("name")] + found.group(3), text)


def excerpt(printed: str) -> str:
    """Return the part of a run's summary that the README shows: counts, the gravest joints, the stages."""
    parts = [part.splitlines() for part in printed.strip("\n").split("\n\n")]
    joints = next(place for place, part in enumerate(parts) if part[0].startswith("Joints"))
    stages = next(place for place, part in enumerate(parts) if part[0].startswith("Stages"))
    shown = [*parts[:joints], [*parts[joints][:6], "..."], parts[stages], ["..."]]
    return "\n\n".join("\n".join(part) for part in shown) + "\n"


def with_excerpt(text: str, printed: str) -> str:
    """Return the README with its excerpt made anew."""
    return EXCERPT.sub(lambda found: found.group(1) + excerpt(printed) + found.group(2), text)


def demo_summary() -> str:
    """Return what a run of the demo prints; its outputs go to a folder of their own."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "asbuilt", "run", "demo_survey", "--out", folder]
        return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout


def main() -> None:
    """Bring every page up to date."""
    made = blocks()
    pages = {path: path.read_text(encoding="utf-8") for path in (*(ROOT / "docs").glob("*.md"), ROOT / "README.md")}
    current = {path: regenerated(text, made) for path, text in pages.items()}
    current[ROOT / "README.md"] = with_excerpt(current[ROOT / "README.md"], demo_summary())
    for path, text in sorted(current.items()):
        if text != pages[path]:
            path.write_text(text, encoding="utf-8")
            print(f"written {path.relative_to(ROOT)}")


if __name__ == "__main__":
    main()
