"""How the layers look in a GIS: styles that are stored in the GeoPackage and taken up when it is opened.

Written as QML, the only form of stored style that is taken up without asking. One rule for each verdict, and
one for none; line, fill, marker and colour are those of :data:`asbuilt.columns.VERDICT_LOOKS`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

from asbuilt.columns import VERDICT_LOOKS, VERDICTS, VerdictLook

if TYPE_CHECKING:
    from collections.abc import Mapping

    from asbuilt.columns import LayerDefinition

__all__ = ["EXAGGERATION", "style_qml"]

#: How many times as long as it is an offset is drawn.
EXAGGERATION = 50

#: Where no verdict was asked for: thin, grey.
_NO_VERDICT = VerdictLook(letter="", line="thin solid", fill="none", marker="circle", colour="#A6A6A6")
#: What has no verdict of its own: a gap as measured.
_GAP = VerdictLook(letter="", line="thin solid", fill="solid", marker="circle", colour="#2B2B2B")

#: Names of the dictionary's lines, with widths on paper [mm], and of its markers.
_LINES = {
    "thin solid": ("solid", 0.25),
    "dash-dot": ("dash dot", 0.5),
    "thick solid": ("solid", 1.0),
    "dotted": ("dot", 0.5),
}
_MARKERS = {"circle": "circle", "diamond": "diamond", "square": "square", "open triangle": "triangle"}
_MARKER_SIZE, _MARKER_EDGE = 3.0, 0.4
_HATCH = {"angle": "45", "distance": "1.2", "distance_unit": "MM"}
_HATCH_WIDTH = 0.15

_STRETCHED = (
    "make_line(start_point($geometry), make_point("
    "x(start_point($geometry)) + {n} * (x(end_point($geometry)) - x(start_point($geometry))), "
    "y(start_point($geometry)) + {n} * (y(end_point($geometry)) - y(start_point($geometry)))))"
)


def style_qml(definition: LayerDefinition) -> str:
    """Return the stored style of a layer.

    Parameters
    ----------
    definition
        A layer with geometry. With a column ``verdict`` it gets a rule for each verdict, else one symbol.

    Returns
    -------
    str
        A QML document.
    """
    root = ET.Element("qgis", version="3.22.0", styleCategories="Symbology")
    renderer = ET.SubElement(root, "renderer-v2", type="RuleRenderer", symbollevels="0", forceraster="0")
    rules = ET.SubElement(renderer, "rules", key="root")
    symbols = ET.SubElement(renderer, "symbols")
    for number, (filter_, label, look) in enumerate(_looks(definition)):
        attributes = {"key": f"rule{number}", "symbol": str(number), "label": label}
        if filter_:
            attributes["filter"] = filter_
        ET.SubElement(rules, "rule", attributes)
        _symbol(symbols, str(number), definition, look)
    ET.indent(root, " ")
    return "<!DOCTYPE qgis>\n" + ET.tostring(root, encoding="unicode") + "\n"


def _looks(definition: LayerDefinition) -> list[tuple[str, str, VerdictLook]]:
    """Return filter, label and look of each rule."""
    if not any(column.name == "verdict" for column in definition.columns):
        return [("", "gap in plan, as measured", _GAP)]
    rules = [(f"\"verdict\" = '{word}'", word, VERDICT_LOOKS[word]) for word in reversed(VERDICTS)]
    return [*rules, ("ELSE", "no verdict: check not made", _NO_VERDICT)]


def _symbol(parent: ET.Element, name: str, definition: LayerDefinition, look: VerdictLook) -> None:
    geometry = (definition.geometry or "").split()[0]
    kind = {"Point": "marker", "LineString": "line", "Polygon": "fill"}[geometry]
    symbol = _new_symbol(parent, kind, name)
    if kind == "marker":
        _marker(symbol, look, name)
    elif kind == "fill":
        _fill(symbol, look, name)
    elif definition.name == "offsets":
        expression = _STRETCHED.format(n=EXAGGERATION)
        options = {"SymbolType": "Line", "geometryModifier": expression, "units": "MapUnit"}
        _line(_new_symbol(_layer(symbol, "GeometryGenerator", options), "line", f"@{name}@0"), look)
    else:
        _line(symbol, look)


def _marker(symbol: ET.Element, look: VerdictLook, name: str) -> None:
    # A marker is too small for a thick edge or for the gaps of a dotted one.
    width = min(_LINES[look.line][1], _MARKER_EDGE)
    options = {
        "name": _MARKERS[look.marker],
        "size": f"{_MARKER_SIZE:g}",
        "size_unit": "MM",
        "color": _colour(look.colour, opaque=look.fill == "solid"),
        "outline_color": _colour(look.colour),
        "outline_style": "solid",
        "outline_width": f"{width:g}",
        "outline_width_unit": "MM",
    }
    if look.fill != "light diagonal hatch":
        _layer(symbol, "SimpleMarker", options)
        return
    shape = {key: options[key] for key in ("name", "size", "size_unit")}
    inside = _new_symbol(_layer(symbol, "FilledMarker", shape), "fill", f"@{name}@0")
    _hatch(inside, look, f"@{name}@0")
    _edge(inside, look, style="solid", width=width)


def _fill(symbol: ET.Element, look: VerdictLook, name: str) -> None:
    style, width = _LINES[look.line]
    if look.fill == "light diagonal hatch":
        _hatch(symbol, look, name)
    _edge(symbol, look, style=style, width=width, solid=look.fill == "solid")


def _hatch(symbol: ET.Element, look: VerdictLook, name: str) -> None:
    options = {**_HATCH, "color": _colour(look.colour), "line_width": f"{_HATCH_WIDTH:g}", "line_width_unit": "MM"}
    line = _new_symbol(_layer(symbol, "LinePatternFill", options), "line", f"@{name}@0")
    _stroke(line, look, style="solid", width=_HATCH_WIDTH)


def _edge(symbol: ET.Element, look: VerdictLook, *, style: str, width: float, solid: bool = False) -> None:
    options = {
        "color": _colour(look.colour, opaque=solid),
        "style": "solid" if solid else "no",
        "outline_color": _colour(look.colour),
        "outline_style": style,
        "outline_width": f"{width:g}",
        "outline_width_unit": "MM",
    }
    _layer(symbol, "SimpleFill", options)


def _line(symbol: ET.Element, look: VerdictLook) -> None:
    style, width = _LINES[look.line]
    _stroke(symbol, look, style=style, width=width)


def _stroke(symbol: ET.Element, look: VerdictLook, *, style: str, width: float) -> None:
    options = {
        "line_color": _colour(look.colour),
        "line_style": style,
        "line_width": f"{width:g}",
        "line_width_unit": "MM",
        "capstyle": "flat",
    }
    _layer(symbol, "SimpleLine", options)


def _new_symbol(parent: ET.Element, kind: str, name: str) -> ET.Element:
    return ET.SubElement(parent, "symbol", type=kind, name=name, alpha="1", clip_to_extent="1")


def _layer(symbol: ET.Element, kind: str, options: Mapping[str, str]) -> ET.Element:
    """Add a symbol layer; its options stand twice, as newer and as older programs read them."""
    attributes = {"class": kind, "enabled": "1", "locked": "0", "pass": "0"}
    layer = ET.SubElement(symbol, "layer", attributes)
    newer = ET.SubElement(layer, "Option", type="Map")
    for key, value in options.items():
        ET.SubElement(newer, "Option", name=key, type="QString", value=value)
    for key, value in options.items():
        ET.SubElement(layer, "prop", k=key, v=value)
    return layer


def _colour(colour: str, *, opaque: bool = True) -> str:
    red, green, blue = (int(colour[place : place + 2], 16) for place in (1, 3, 5))
    return f"{red},{green},{blue},{255 if opaque else 0}"
