"""What a survey is, in one record: title, dates, extent, grid, lineage, contact.

A bag's label, the text for people and the metadata in the GeoPackage all take it from here, so that they agree.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from string import Formatter
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import numpy as np

from asbuilt import __version__
from asbuilt.columns import VERDICTS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from asbuilt.model import Reconciliation
    from asbuilt.settings import Settings

__all__ = [
    "ISO_NAMESPACE",
    "Description",
    "archive_name",
    "describe",
    "description_object",
    "iso_xml",
    "missing_in_name",
]

#: Of ISO/TS 19139:2007, the XML of ISO 19115:2003; the GeoPackage names it as the standard of its metadata.
ISO_NAMESPACE = "http://www.isotc211.org/2005/gmd"
_CODES = "http://standards.iso.org/iso/19139/resources/gmxCodelists.xml"
_NAMESPACES = {
    "xmlns:gmd": ISO_NAMESPACE,
    "xmlns:gco": "http://www.isotc211.org/2005/gco",
    "xmlns:gml": "http://www.opengis.net/gml/3.2",
}
#: Columns that say when something was measured or built.
_DATED = {
    "pickups": ("surveyed_at",),
    "tilts": ("read_at",),
    "profiles": ("read_at",),
    "records": ("drilled_at", "concreted_at"),
}
#: Fields of a name's pattern, beside the as-of date: the setting that each stands for.
_NAME_FIELDS: Mapping[str, tuple[str, Callable[[Settings], str | None]]] = {
    "originator": ("sheets.originator", lambda settings: settings.sheets.originator),
    "number": ("sheets.drawing_number", lambda settings: settings.sheets.drawing_number),
    "revision": ("sheets.revision", lambda settings: settings.sheets.revision),
    "name": ("site.name", lambda settings: settings.site.name),
}
#: What XML 1.0 cannot hold.
_NOT_XML = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

Range = tuple[float, float]


@dataclass(frozen=True, kw_only=True)
class Description:
    """What a survey is.

    Times are ISO 8601 in UTC; ``first`` and ``last`` are the days of the first and last thing measured or built, None
    where nothing is dated. ``easting``, ``northing`` and ``level`` are the least and the greatest [m, site grid] that
    the piles as designed take up; ``degrees`` is (west, south, east, north), None where the site grid is not tied to
    the Earth, ``tied`` says in sentences how it is, or why it is not, ``doubt`` in one what speaks against it, None for
    nothing. ``piles`` counts the design piles of each wall, ``omitted`` names those that are not judged, as the
    design omits them; ``verdicts`` counts joints and piles by verdict.
    """

    title: str
    abstract: str
    identifier: str | None
    as_of: str
    first: str | None
    last: str | None
    easting: Range
    northing: Range
    level: Range
    degrees: tuple[float, float, float, float] | None
    crs_name: str
    crs_wkt: str
    map_crs: str | None
    tied: tuple[str, ...]
    doubt: str | None
    lineage: str
    organisation: str | None
    contact: str | None
    cautions: tuple[str, ...]
    piles: Mapping[str, int]
    omitted: Mapping[str, tuple[str, ...]]
    closed: Mapping[str, bool]
    joints: int
    verdicts: Mapping[str, Mapping[str, int]]
    commence: float
    confidence: float
    time_zone: str
    inputs_sha256: str
    tool_version: str = __version__


def describe(result: Reconciliation, *, crs_wkt: str, cautions: Sequence[str]) -> Description:
    """Return what a survey is.

    Parameters
    ----------
    result
        What was found; its tables ``provenance`` and ``design_piles`` are looked at.
    crs_wkt
        CRS of the layers, WKT 2.
    cautions
        What every output carries, a sentence each.
    """
    survey, settings = result.survey, result.survey.settings
    table = result.layers["provenance"].columns
    origin = dict(zip(table["key"].tolist(), table["value"].tolist(), strict=True))
    first, last = _days(result)
    easting, northing, level = _extent(result)
    name, degrees = _on_earth(crs_wkt, easting, northing)
    walls = survey.design["wall"].tolist()
    return Description(
        title=" ".join(settings.site.name.split()),
        abstract=_abstract(walls, len(result.joints)),
        identifier=archive_name(settings, result.as_of),
        as_of=origin["as_of"],
        first=first,
        last=last,
        easting=easting,
        northing=northing,
        level=level,
        degrees=degrees,
        crs_name=name,
        crs_wkt=crs_wkt,
        map_crs=settings.grid.map_crs,
        tied=tuple(text for part in (result.control, result.grid) if part is not None for text in part.text),
        doubt=_doubt(result),
        lineage=_lineage(result, origin),
        organisation=settings.sheets.originator or None,
        contact=settings.archive.contact or None,
        cautions=tuple(cautions),
        piles={wall: walls.count(wall) for wall in dict.fromkeys(walls)},
        omitted=_omitted(result),
        closed={wall: settings.walls[wall].closed for wall in dict.fromkeys(walls)},
        joints=len(result.joints),
        verdicts={
            "piles": _counted(np.asarray(result.piles["verdict"])[result.piles.expected]),
            "joints": _counted(np.asarray(result.joints["verdict"])),
        },
        commence=settings.levels.commence,
        confidence=settings.site.confidence,
        time_zone=settings.site.time_zone,
        inputs_sha256=origin["inputs_sha256"],
    )


def archive_name(settings: Settings, as_of: np.datetime64) -> str | None:
    """Return the name that ``[archive] name_pattern`` makes; None without one, or when a part of it is not set."""
    pattern = settings.archive.name_pattern
    if pattern is None or missing_in_name(settings):
        return None
    fields: dict[str, str | None] = {field: get(settings) for field, (_, get) in _NAME_FIELDS.items()}
    return pattern.format(date=str(np.datetime_as_string(as_of, unit="D")), **fields)


def missing_in_name(settings: Settings) -> list[str]:
    """Return the settings that ``[archive] name_pattern`` asks for and that are not set."""
    asked = {field for _, field, _, _ in Formatter().parse(settings.archive.name_pattern or "")}
    return [key for field, (key, get) in _NAME_FIELDS.items() if field in asked and not get(settings)]


def description_object(description: Description) -> dict[str, Any]:
    """Return the record as an object for JSON; what is not known is null."""
    d = description
    return {
        "title": d.title,
        "abstract": d.abstract,
        "identifier": d.identifier,
        "dates": {"as_of": d.as_of, "first": d.first, "last": d.last, "time_zone": d.time_zone},
        "extent": {
            "easting_m": list(d.easting),
            "northing_m": list(d.northing),
            "level_m": list(d.level),
            "west_south_east_north_deg": None if d.degrees is None else list(d.degrees),
        },
        "crs": {
            "name": d.crs_name,
            "wkt": d.crs_wkt,
            "map_crs": d.map_crs,
            "tied": list(d.tied),
            "doubt": d.doubt,
        },
        "lineage": d.lineage,
        "inputs_sha256": d.inputs_sha256,
        "organisation": d.organisation,
        "contact": d.contact,
        "piles_by_wall": dict(d.piles),
        "omitted_by_wall": {wall: list(names) for wall, names in d.omitted.items()},
        "joints": d.joints,
        "verdicts": {what: dict(counts) for what, counts in d.verdicts.items()},
        "cautions": list(d.cautions),
        "tool_version": d.tool_version,
    }


def _doubt(result: Reconciliation) -> str | None:
    """Return what speaks against the place on the map, in a sentence; None where nothing does."""
    fit, grid = result.control, result.grid
    if grid is None or fit is None or fit.state == "fits":
        return None
    return f"The site grid is tied to {grid.map_crs} {grid.tie}."


def _omitted(result: Reconciliation) -> dict[str, tuple[str, ...]]:
    """Return the piles of each wall that the design omits."""
    design, left = result.survey.design, ~result.piles.expected
    walls = zip(design["wall"][left].tolist(), design["pile_id"][left].tolist(), strict=True)
    found: dict[str, tuple[str, ...]] = {}
    for wall, name in walls:
        found[wall] = (*found.get(wall, ()), name)
    return found


def _counted(codes: Any) -> dict[str, int]:
    return {verdict: int((codes == place).sum()) for place, verdict in enumerate(VERDICTS)}


def _days(result: Reconciliation) -> tuple[str | None, str | None]:
    """Return the days (UTC) of the first and last thing measured or built by the as-of date."""
    columns = [getattr(result.survey, table)[column] for table, names in _DATED.items() for column in names]
    times = np.concatenate([column.astype("datetime64[ms]") for column in columns])
    times = times[times <= result.as_of]
    if not len(times):
        return None, None
    first, last = np.datetime_as_string([times.min(), times.max()], unit="D").tolist()
    return first, last


def _extent(result: Reconciliation) -> tuple[Range, Range, Range]:
    """Return what the design piles take up, circles included: easting, northing, level [m]."""
    design = result.survey.design
    radius = np.asarray(design["diameter_mm"], dtype=np.float64) / 2000.0
    plan = []
    for name in ("easting", "northing"):
        centre = np.asarray(design[name], dtype=np.float64)
        plan.append((round(float((centre - radius).min()), 3), round(float((centre + radius).max()), 3)))
    levels = np.concatenate([np.asarray(design[name], dtype=np.float64) for name in ("toe_level", "cut_off_level")])
    return plan[0], plan[1], (round(float(np.nanmin(levels)), 3), round(float(np.nanmax(levels)), 3))


def _on_earth(
    crs_wkt: str, easting: Range, northing: Range
) -> tuple[str, tuple[float, float, float, float] | None]:
    """Return the name of a CRS, and the box in degrees on its own datum; None where it is not tied to the Earth."""
    from pyproj import CRS, Transformer

    crs = CRS.from_wkt(crs_wkt)
    if crs.geodetic_crs is None:
        return crs.name, None
    to_degrees = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    bounds = to_degrees.transform_bounds(easting[0], northing[0], easting[1], northing[1])
    west, south, east, north = (round(float(value), 6) for value in bounds)
    return crs.name, (west, south, east, north)


def _abstract(walls: Sequence[str], joints: int) -> str:
    names = list(dict.fromkeys(walls))
    where = f"wall {names[0]}" if len(names) == 1 else f"walls {', '.join(names)}"
    return (
        f"As-built survey of a wall of overlapping bored piles: {len(walls)} design piles in {where}, {joints} joints. "
        "Where each pile stands against design, which way its axis runs, and whether it ties in to its neighbours at "
        "every depth asked for."
    )


def _lineage(result: Reconciliation, origin: Mapping[str, str]) -> str:
    survey = result.survey
    tables = [file.table for file in survey.files]
    counts = ", ".join(f"{tables.count(table)} of {table}" for table in dict.fromkeys(tables))
    head = f"The ledger has {len(survey.ledger_rows)} lines. " if survey.ledger_rows else "There is no ledger. "
    return (
        f"Worked out by asbuilt {origin['tool_version']} (method version {origin['method_version']}) as of "
        f"{origin['as_of']} from {len(survey.files)} files: {counts}. {head}"
        f"SHA-256 over the paths and hashes of all inputs: {origin['inputs_sha256']}. Each input's own hash, and the "
        "versions of the libraries, are in the table provenance."
    )


def iso_xml(description: Description) -> str:
    """Return the record as XML of ISO/TS 19139, for catalogues.

    Notes
    -----
    Without a time of writing: the date stamp is the as-of date, so that the same inputs give the same text. The
    elements stand in the order that the standard's schema asks for. A bounding box in degrees is left out where the
    site grid is not tied to the Earth; the box in site coordinates is always there as text.

    References
    ----------
    ISO 19115:2003, *Geographic information: Metadata*; ISO/TS 19139:2007, its XML schema implementation.
    """
    d = description
    root = ET.Element("gmd:MD_Metadata", _NAMESPACES)
    if d.identifier:
        _text(root, "fileIdentifier", d.identifier)
    _text(root, "language", "eng")
    _code(root, "characterSet", "MD_CharacterSetCode", "utf8")
    _code(root, "hierarchyLevel", "MD_ScopeCode", "dataset")
    _party(root, "contact", d)
    _date(_into(root, "dateStamp"), d.as_of[:10])
    _text(root, "metadataStandardName", "ISO 19115")
    _text(root, "metadataStandardVersion", "2003")
    system = _into(root, "referenceSystemInfo/MD_ReferenceSystem/referenceSystemIdentifier/RS_Identifier")
    _text(system, "code", d.crs_name)
    _identification(_into(root, "identificationInfo/MD_DataIdentification"), d)
    quality = _into(root, "dataQualityInfo/DQ_DataQuality")
    _code(_into(quality, "scope/DQ_Scope"), "level", "MD_ScopeCode", "dataset")
    _text(_into(quality, "lineage/LI_Lineage"), "statement", d.lineage)
    ET.indent(root)
    return ET.tostring(root, encoding="unicode") + "\n"


def _identification(at: ET.Element, d: Description) -> None:
    citation = _into(at, "citation/CI_Citation")
    _text(citation, "title", d.title)
    date = _into(citation, "date/CI_Date")
    _date(_into(date, "date"), d.as_of[:10])
    _code(date, "dateType", "CI_DateTypeCode", "revision")
    if d.identifier:
        _text(_into(citation, "identifier/MD_Identifier"), "code", d.identifier)
    _text(at, "abstract", d.abstract)
    _text(at, "purpose", "Control of the wall as built, and the record of it.")
    _party(at, "pointOfContact", d)
    words = _into(at, "descriptiveKeywords/MD_Keywords")
    for word in ("secant pile wall", "bored piles", "as-built survey", "verticality", "pile interlock"):
        _text(words, "keyword", word)
    limits = _into(at, "resourceConstraints/MD_Constraints")
    for caution in (*d.cautions, *([d.doubt] if d.doubt else [])):
        _text(limits, "useLimitation", caution)
    _code(at, "spatialRepresentationType", "MD_SpatialRepresentationTypeCode", "vector")
    _text(at, "language", "eng")
    ET.SubElement(_into(at, "topicCategory"), "gmd:MD_TopicCategoryCode").text = "structure"
    _extent_element(_into(at, "extent/EX_Extent"), d)
    tied = f"Place on the map: {' '.join(d.tied)} " if d.tied else ""
    _text(at, "supplementalInformation", f"{tied}CRS of the layers, as WKT 2 (ISO 19162:2019): {d.crs_wkt}")


def _extent_element(at: ET.Element, d: Description) -> None:
    box = (
        f"Site grid: easting {d.easting[0]:.3f} to {d.easting[1]:.3f} m, northing {d.northing[0]:.3f} to "
        f"{d.northing[1]:.3f} m, level {d.level[0]:+.3f} to {d.level[1]:+.3f} m."
    )
    _text(at, "description", box)
    if d.degrees is not None:
        where = _into(at, "geographicElement/EX_GeographicBoundingBox")
        west, south, east, north = d.degrees
        bounds = {"westBound": west, "eastBound": east, "southBound": south, "northBound": north}
        for name, value in bounds.items():
            side = "Longitude" if name in ("westBound", "eastBound") else "Latitude"
            ET.SubElement(_into(where, f"{name}{side}"), "gco:Decimal").text = f"{value:.6f}"
    if d.first and d.last:
        extent = _into(at, "temporalElement/EX_TemporalExtent/extent")
        period = ET.SubElement(extent, "gml:TimePeriod", {"gml:id": "measured"})
        ET.SubElement(period, "gml:beginPosition").text = d.first
        ET.SubElement(period, "gml:endPosition").text = d.last


def _into(at: ET.Element, path: str) -> ET.Element:
    """Return a new element at the end of a chain of new ones below ``at``."""
    for part in path.split("/"):
        at = ET.SubElement(at, f"gmd:{part}")
    return at


def _text(at: ET.Element, name: str, text: str) -> None:
    ET.SubElement(_into(at, name), "gco:CharacterString").text = _NOT_XML.sub(" ", text)


def _date(at: ET.Element, day: str) -> None:
    ET.SubElement(at, "gco:Date").text = day


def _code(at: ET.Element, name: str, list_name: str, value: str) -> None:
    codes = {"codeList": f"{_CODES}#{list_name}", "codeListValue": value}
    ET.SubElement(_into(at, name), f"gmd:{list_name}", codes).text = value


def _party(at: ET.Element, name: str, d: Description) -> None:
    """Add who answers for it. The standard asks for a person, a firm or a position; where none is set, it says so."""
    party = _into(at, f"{name}/CI_ResponsibleParty")
    named: Iterable[tuple[str, str | None]] = (("individualName", d.contact), ("organisationName", d.organisation))
    given = [(element, text) for element, text in named if text]
    for element, text in given or [("organisationName", "not stated in site.toml")]:
        _text(party, element, text)
    _code(party, "role", "CI_RoleCode", "pointOfContact")
