"""The text that explains an archive to someone who has neither the tool nor anybody to ask."""

from __future__ import annotations

import re
import textwrap
from typing import TYPE_CHECKING

from asbuilt.columns import FINDINGS, LAYERS, PROGRESS, TABLES, VERDICT_LOOKS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from asbuilt.columns import Column
    from asbuilt.output._description import Description

__all__ = ["read_me_first"]

_WIDTH = 80
#: What lies in a bag, by its path below ``data/``; a path is left out of the text where nothing lies there.
_PLACES = {
    "READ ME FIRST.txt": "this text",
    "description.json": "title, dates, extent, grid, origin and contact, for programs",
    "description.xml": "the same for catalogues: XML of ISO 19115/19139, as it also stands inside the GeoPackage",
    "versions.json": "versions of the tool and of all it used; SHA-256 of every input and output; as-of date",
    "ledger.csv": "what was taken in or changed, when and by whom, one line each; append only",
    "history": "former contents of settings, design, control and decisions",
    "inputs/site.toml": "settings: levels, stages, tolerances, rules, uncertainties, how files name their columns",
    "inputs/design": "the pile schedule, and the outline that the permanent works need clear",
    "inputs/control": "control points in site grid and map grid",
    "inputs/pickups": "surveyed points on piles, as the instruments wrote them, one file a load",
    "inputs/tilts": "lean readings of casings and bores, one file a load",
    "inputs/profiles": "offsets of an axis with depth (inclinometer, sonic log), one file a load",
    "inputs/records": "drilling and concreting records, one file a load",
    "inputs/set_out": "centres that the engineer agreed to move",
    "inputs/decisions.csv": "the engineer's decisions, append only",
    "outputs/asbuilt.gpkg": "all results as layers and tables: a GeoPackage, see 9",
    "outputs/schedule.csv": "one row for each pile: the columns of the layer asbuilt_piles",
    "outputs/joints.csv": "one row for each joint: the columns of the layer joints",
    "outputs/sheets.pdf": "drawings to scale, schedules",
    "outputs/review.html": "the same to look at in a browser, without a network",
}
_VERDICTS = {
    "within": "what was measured keeps what was asked for",
    "unresolved": "measured, but not surely enough to say either way at the confidence asked for",
    "outside": "what was measured does not keep what was asked for",
    "not surveyed": "nothing, or not enough, was measured; that is no pass",
}
_CONVENTIONS = (
    (
        "Metres, unless a name ends in its unit: _mm millimetres, _mm_per_m millimetres a metre (a slope), _deg "
        "degrees, _percent per cent. Probabilities run from 0 to 1."
    ),
    (
        "Deviation is as built minus design: positive to site-grid east, to site-grid north, towards the pit, and "
        "along the wall in the order of position. Bearings run clockwise from site-grid north."
    ),
    (
        "Slopes are positive in the direction in which the toe (the foot of the pile) goes. one_in 200 means 1 "
        "horizontal in 200 vertical."
    ),
    "A positive overlap is concrete that two neighbours share; a negative one is a gap.",
    "Levels are positive upwards; depths are positive downwards from the commencing surface.",
    "A blank or null means not measured, or none. It never means 0.",
    "Axes are known down to the last reading; predicted_below is the level below which they are predicted.",
    "Text in the CSV files that a spreadsheet could take for a formula has an apostrophe before it.",
)


def read_me_first(
    description: Description,
    *,
    name: str,
    payload: Iterable[str],
    ledger: Sequence[str] | None,
    renamed: Mapping[str, str],
) -> str:
    """Return the text, 80 columns wide.

    Parameters
    ----------
    description
        What the survey is.
    name
        The folder at the top of the bag.
    payload
        Paths below ``data/``; only what is there is explained.
    ledger
        What is wrong with the ledger, a sentence each; empty when it was found in order, None where there is none.
    renamed
        Files that stand under another path than they had, their former path to the one here.
    """
    paths = ["READ ME FIRST.txt", *payload]
    parts = (
        _opening(description, name),
        _section("1", "What was built", _what(description)),
        _section("2", "What this does not say", _cautions(description)),
        _section("3", "What lies where, below data/", _places(paths, renamed)),
        _section("4", "Units, signs, blanks", _units()),
        _section("5", "The words of a verdict", _verdicts(description)),
        _section("6", "Where it is: grid, levels, times", _grid(description)),
        _section("7", "How to see that nothing was changed", _checking(name, ledger)),
        _section("8", "Who, and with what", _who(description)),
        _section("9", "The GeoPackage, layer by layer", _layers()),
        _section("10", "The tables of the inputs", _tables()),
        _section("11", "Findings: what was odd in the inputs", _findings()),
    )
    return "\n".join(line.rstrip() for part in parts for line in part) + "\n"


def _paragraph(text: str, *, first: str = "", rest: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        _WIDTH,
        initial_indent=first,
        subsequent_indent=" " * len(first) if rest is None else rest,
        break_on_hyphens=False,
    )


def _item(name: str, text: str, *, indent: int = 2, column: int = 26) -> list[str]:
    """Return a name and what it means; a long name has a line of its own."""
    head = f"{' ' * indent}{name}"
    if len(head) + 2 > column:
        return [*_broken(head), *_paragraph(text, first=" " * column)]
    return _paragraph(text, first=head.ljust(column))


def _broken(line: str) -> list[str]:
    """Return a line that must not be changed, a path or a grid's definition, in pieces that end in commas."""
    pieces = [""]
    for part in re.findall(r"[^,]{0,79},|[^,]{1,80}", line):
        if len(pieces[-1]) + len(part) > _WIDTH:
            pieces.append("")
        pieces[-1] += part
    return pieces


def _section(number: str, title: str, lines: Iterable[str]) -> Iterator[str]:
    head = f"{number}  {title}"
    yield from ("", "", head, "-" * len(head), "")
    yield from lines


def _opening(d: Description, name: str) -> Iterator[str]:
    yield "READ ME FIRST"
    yield "============="
    yield ""
    yield from _paragraph(d.title)
    yield from _paragraph(f"State of {d.as_of} (UTC). Archive: {name}")
    yield ""
    yield from _paragraph(
        "This folder holds one finished survey: everything that was measured, what it was compared with, and what "
        "came out. Nothing but common programs is needed to read it: a text editor, a spreadsheet, a PDF reader, and "
        "for the map any GIS or any program that reads SQLite."
    )


def _what(d: Description) -> Iterator[str]:
    yield from _paragraph(
        "A wall of bored concrete piles that overlap (a secant pile wall), built around or along an excavation. "
        "Every other pile (primary) is bored first; the piles between (secondary) cut into their two neighbours. "
        "Where two neighbours overlap at every depth the wall is closed; where they have moved or leaned apart there "
        "is a gap, through which water and soil can come. A joint is such a pair of neighbours; its id is the two "
        "pile ids with ~ between."
    )
    yield ""
    for wall, count in d.piles.items():
        form = "closed ring" if d.closed[wall] else "open line"
        left = d.omitted.get(wall, ())
        less = f"; {len(left)} of them omitted, and not judged: {', '.join(left)}" if left else ""
        yield from _item(f"wall {wall}", f"{count} design pile{'' if count == 1 else 's'}, {form}{less}")
    yield from _item("joints", str(d.joints))
    for what, counts in d.verdicts.items():
        said = ", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICT_LOOKS)
        yield from _item(f"{what} by verdict", said)
    if d.first and d.last:
        yield from _item("measured and built", f"{d.first} to {d.last} (UTC)")


def _cautions(d: Description) -> Iterator[str]:
    for caution in d.cautions:
        yield from _paragraph(caution, first="* ", rest="  ")


def _places(paths: Sequence[str], renamed: Mapping[str, str]) -> Iterator[str]:
    told: set[str] = set()
    for place, meaning in _PLACES.items():
        below = {path for path in paths if path == place or path.startswith(f"{place}/")}
        told |= below
        if below:
            folder = "" if place in below else f"/   ({len(below)} file{'' if len(below) == 1 else 's'})"
            yield from _item(f"{place}{folder}", meaning, column=34)
    for path in sorted(set(paths) - told):
        yield from _item(path, "another input that the settings name, or that lay beside the inputs", column=34)
    yield ""
    yield from _paragraph(
        "Beside data/ stand the files of the BagIt format (RFC 8493): bagit.txt, bag-info.txt, and lists of "
        "checksums, see 7. To use the inputs with the tool again, copy what is in data/inputs, and data/ledger.csv "
        "and data/history, into one new folder."
    )
    if renamed:
        yield ""
        yield from _paragraph("These files have other names here, as theirs could not be had on every system:")
        for former, now in renamed.items():
            yield from _broken(f"  {former.encode('utf-8', 'replace').decode()}")
            yield from _broken(f"    is {now}")


def _units() -> Iterator[str]:
    for text in _CONVENTIONS:
        yield from _paragraph(text, first="* ", rest="  ")


def _verdicts(d: Description) -> Iterator[str]:
    for verdict, look in VERDICT_LOOKS.items():
        drawn = f"Drawn with the letter {look.letter}, {look.line}, fill {look.fill}, {look.marker}, {look.colour}."
        yield from _item(verdict, f"{_VERDICTS[verdict]}. {drawn}")
    yield from _item("blank", "the check was not made, for want of a tolerance")
    yield ""
    yield from _paragraph(
        "A check is decided simply (measured against allowed) or guarded (by the probability that it conforms, at a "
        f"confidence of {d.confidence * 100:.6g} %); data/inputs/site.toml says which, under [decide]. The verdict of "
        "a pile is the worst of its checks; outside is worse than not surveyed, that worse than unresolved."
    )
    yield ""
    yield from _paragraph(f"How far a pile is (progress): {', '.join(PROGRESS)}.")


def _grid(d: Description) -> Iterator[str]:
    yield from _paragraph(
        f"Coordinates are easting and northing in metres on the site grid ({d.crs_name}). The design piles, circles "
        f"included, lie between easting {d.easting[0]:.3f} and {d.easting[1]:.3f}, northing {d.northing[0]:.3f} and "
        f"{d.northing[1]:.3f}."
    )
    yield ""
    if d.degrees is None:
        beside = (
            f" The settings name the map grid {d.map_crs}; nothing here says where on it the site grid lies."
            if d.map_crs
            else ""
        )
        yield from _paragraph(
            f"The site grid is a plane of its own that these results do not tie to the Earth: no latitude or longitude "
            f"can be worked out from them.{beside}"
        )
        yield from _tied(d)
    else:
        west, south, east, north = d.degrees
        tied = f" through the map grid {d.map_crs}" if d.map_crs else ""
        yield from _paragraph(
            f"The site grid is tied to the Earth{tied}: the piles lie between longitude {west:.6f} and {east:.6f} and "
            f"latitude {south:.6f} and {north:.6f} degrees, on the datum named in the definition below."
        )
        if d.doubt:
            yield from _paragraph(f"MIND HOW: {d.doubt}")
        yield from _tied(d)
    yield ""
    yield from _paragraph("The definition of the grid, as WKT 2 (ISO 19162). Its lines join without anything between:")
    yield ""
    yield from _broken(d.crs_wkt)
    yield ""
    yield from _paragraph(
        "Levels are metres above the site's level datum, which the inputs do not define further. They run from "
        f"{d.level[0]:+.3f} (lowest design toe) to {d.level[1]:+.3f} (highest cut-off); the commencing surface, from "
        f"which depths are measured, is at {d.commence:+.3f}."
    )
    yield ""
    yield from _paragraph(
        f"Times in the results are UTC (Z). In the input tables a time without an offset is in the zone {d.time_zone}, "
        "and a date alone is the end of that day."
    )


def _tied(d: Description) -> Iterator[str]:
    """Yield what the control points say of the grid's place on the map."""
    for sentence in d.tied:
        yield from _paragraph(sentence, first="* ", rest="  ")


def _checking(name: str, ledger: Sequence[str] | None) -> Iterator[str]:
    yield from _paragraph(
        f"The lists of checksums hold one line for each file: its checksum and its path, seen from the folder {name}. "
        "In that folder run, one after the other:"
    )
    yield from (
        "",
        "  Linux      sha256sum --check manifest-sha256.txt",
        "             sha256sum --check tagmanifest-sha256.txt",
        "  macOS      shasum -a 256 --check manifest-sha256.txt",
        "             shasum -a 256 --check tagmanifest-sha256.txt",
        "  Windows    certutil -hashfile PATH SHA256      one file; compare by eye",
        "",
    )
    yield from _paragraph(
        "The first covers everything below data/, the second the lists themselves. Every line must end in OK. The "
        "files with sha512 in their names do the same with another checksum. Then see that there is no file below "
        "data/ that is in no list. Any program for BagIt does all this at once, and so does: asbuilt verify FILE.zip"
    )
    yield ""
    yield from _paragraph(
        "Checksums show what happened by accident. Someone who changes a file on purpose can change the lists too: "
        "compare the SHA-256 of the whole zip with one that was kept elsewhere."
    )
    yield ""
    if ledger is None:
        yield from _paragraph("There is no ledger: the files were put into the survey folder by hand.")
        return
    yield from _paragraph(
        "data/ledger.csv is a chain: each line ends with the SHA-256 of the line before it, taken without the end of "
        "line, and names the SHA-256 of the file that it is about. That of the last line is the ledger_head in "
        "data/versions.json. So no line can be changed, removed or put in between without breaking all that follow."
    )
    yield ""
    if ledger:
        yield from _paragraph("When this archive was made, not all was in order with the ledger:")
        for problem in ledger:
            yield from _paragraph(problem, first="* ", rest="  ")
    else:
        yield from _paragraph("When this archive was made the chain and every file in it were found in order.")


def _who(d: Description) -> Iterator[str]:
    yield from _item("originator", d.organisation or "not stated")
    yield from _item("contact", d.contact or "not stated")
    if d.identifier:
        yield from _item("document", d.identifier)
    yield from _item("made by", f"asbuilt {d.tool_version}; data/versions.json has the versions of all that it used")
    yield from _item("from", "inputs with the joint SHA-256")
    yield f"  {d.inputs_sha256}"
    yield ""
    yield from _paragraph(d.lineage)


def _layers() -> Iterator[str]:
    yield from _paragraph(
        "data/outputs/asbuilt.gpkg is a GeoPackage (OGC 12-128r17), which is an SQLite database: one table for each "
        "layer, the geometry in the column geom, ids that join across layers. The tables gpkg_contents, "
        "gpkg_data_columns and gpkg_metadata inside say what is said here; layer_styles says how a GIS draws the "
        "layers; gpkg_spatial_ref_sys holds the grid. The geometry is a GeoPackage header followed by well-known "
        "binary (ISO 13249-3)."
    )
    explained: dict[Column, str] = {}
    for definition in LAYERS.values():
        yield ""
        geometry = definition.geometry or "table without geometry"
        yield from _paragraph(f"{definition.name} ({geometry}): {definition.meaning}", rest="  ")
        yield from _columns(definition.name, definition.columns, explained)


def _tables() -> Iterator[str]:
    yield from _paragraph(
        "Comma, semicolon or tab; blank lines and lines that begin with # are skipped; columns in any order. A file "
        "may name its columns otherwise: data/inputs/site.toml then says how, under [columns], or the column options "
        "of its line in the ledger."
    )
    explained: dict[Column, str] = {}
    for definition in TABLES.values():
        yield ""
        yield from _paragraph(f"{definition.name} ({definition.where}): {definition.meaning}", rest="  ")
        yield from _columns(definition.name, definition.columns, explained)


def _columns(table: str, columns: Iterable[Column], explained: dict[Column, str]) -> Iterator[str]:
    """Yield what each column means; what is the very same as in a table before is not said again."""
    again: dict[str, list[str]] = {}
    for column in columns:
        if column in explained:
            again.setdefault(explained[column], []).append(column.name)
            continue
        explained[column] = table
        unit = f" [{column.unit}]" if column.unit else ""
        choices = f"; one of: {', '.join(column.choices)}" if column.choices else ""
        yield from _item(f"{column.name}{unit}", f"{column.meaning}{choices}", column=34)
    for before, names in again.items():
        yield from _paragraph(f"as in {before}: {', '.join(names)}", first="  ", rest="    ")


def _findings() -> Iterator[str]:
    yield from _paragraph(
        "Each row of the table findings has one of these kinds. A query asks a person to look; a note only tells. "
        "Nothing that was odd was changed or left out because of it."
    )
    yield ""
    for finding in FINDINGS.values():
        yield from _item(finding.name, f"{finding.severity}: {finding.meaning}")
