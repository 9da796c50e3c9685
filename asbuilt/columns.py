"""The column dictionary: every column of every input table and output layer.

The reader checks by it, ``asbuilt formats`` prints it, the layers' schemas and the tables in docs come from it.
A column means the same, and is called the same, wherever it appears.
"""

from __future__ import annotations

import csv
import hashlib
import io
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

__all__ = [
    "DECISION_DRAFT",
    "FINDINGS",
    "KINDS",
    "LAYERS",
    "OBJECTS",
    "PROGRESS",
    "TABLES",
    "VERDICTS",
    "VERDICT_LOOKS",
    "Column",
    "FindingKind",
    "LayerDefinition",
    "TableDefinition",
    "VerdictLook",
    "csv_line",
    "ledger_line",
    "ledger_line_sha256",
    "line_sha256",
]

#: The four verdicts in rising order of gravity, so that the worst of several is their maximum. A code of -1
#: means that the check was not asked for (its tolerance is missing): no verdict.
VERDICTS = ("within", "unresolved", "not surveyed", "outside")
KINDS = ("primary", "secondary", "other")
STATUSES = ("planned", "omitted", "added")
OBJECTS = ("casing", "head", "trimmed", "face", "check")
SHOTS = ("centre", "edge")
UNITS = ("mm/m", "1:n", "%", "deg", "mm")
SENSES = ("toe", "top")
EFFECTS = ("accept", "hold", "withdraw")
DECISION_DRAFT = "asbuilt decisions draft 1"
"""What a file of drafted decisions calls itself: the review page writes it, ``decide`` takes it in."""
PROGRESS = ("to drill", "drilled", "concreted", "surveyed", "abandoned")
METHODS = ("straight", "stepped", "profile", "none")
SEVERITIES = ("error", "query", "note")
POSITIONS = ("as-built", "design")

Type = Literal["text", "id", "float", "integer", "boolean", "choice", "time"]


@dataclass(frozen=True, kw_only=True)
class Column:
    """One column: name, type, unit, meaning and the rule that a value must keep.

    ``kind``: ``text``; ``id`` (a pile id: 1 to 24 letters, digits, ``.``, ``_``, ``-``); ``float``; ``integer``;
    ``boolean``; ``choice`` (one of ``choices``, in memory its int8 place in them, -1 for blank);
    ``time`` (ISO 8601 in files, ``datetime64[ms]`` in UTC in memory).
    ``needed``: the column must be there and every cell filled. ``column_needed``: must be there, cells may be
    blank. ``low`` and ``high`` are inclusive unless ``low_open``.
    """

    name: str
    kind: Type = "float"
    unit: str = ""
    meaning: str
    needed: bool = False
    column_needed: bool = False
    choices: tuple[str, ...] = ()
    default: str = ""
    low: float | None = None
    high: float | None = None
    low_open: bool = False


@dataclass(frozen=True, kw_only=True)
class TableDefinition:
    """One input table: the folder or file it lives in and its columns."""

    name: str
    where: str
    meaning: str
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """Return the column called ``name``; raises KeyError."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


@dataclass(frozen=True, kw_only=True)
class LayerDefinition:
    """One layer or attribute table of the GeoPackage. ``geometry`` is None for an attribute table."""

    name: str
    geometry: str | None
    meaning: str
    columns: tuple[Column, ...]
    styled: bool = False


@dataclass(frozen=True, kw_only=True)
class VerdictLook:
    """How a verdict looks on every sheet, layer and page."""

    letter: str
    line: str
    fill: str
    marker: str
    colour: str


VERDICT_LOOKS = {
    "within": VerdictLook(letter="W", line="thin solid", fill="none", marker="circle", colour="#5B9BC4"),
    "unresolved": VerdictLook(
        letter="U", line="dash-dot", fill="light diagonal hatch", marker="diamond", colour="#D98E04"
    ),
    "outside": VerdictLook(letter="X", line="thick solid", fill="solid", marker="square", colour="#8F2A06"),
    "not surveyed": VerdictLook(letter="N", line="dotted", fill="none", marker="open triangle", colour="#7A7A7A"),
}


def _text(name: str, meaning: str, *, needed: bool = False, column_needed: bool = False) -> Column:
    return Column(name=name, kind="text", meaning=meaning, needed=needed, column_needed=column_needed)


def _time(name: str, meaning: str, *, needed: bool = False, column_needed: bool = False) -> Column:
    return Column(name=name, kind="time", unit="ISO 8601", meaning=meaning, needed=needed, column_needed=column_needed)


def _id(name: str, meaning: str, *, needed: bool = False, column_needed: bool = False) -> Column:
    return Column(name=name, kind="id", meaning=meaning, needed=needed, column_needed=column_needed)


def _m(name: str, meaning: str, *, needed: bool = False, column_needed: bool = False) -> Column:
    return Column(name=name, unit="m", meaning=meaning, needed=needed, column_needed=column_needed)


def _mm(name: str, meaning: str) -> Column:
    return Column(name=name, unit="mm", meaning=meaning)


def _slope(name: str, meaning: str) -> Column:
    return Column(name=name, unit="mm/m", meaning=meaning)


def _percent(name: str, meaning: str) -> Column:
    return Column(name=name, unit="%", meaning=meaning)


def _p(name: str, meaning: str) -> Column:
    return Column(name=name, unit="0 to 1", meaning=meaning)


def _choice(name: str, meaning: str, choices: tuple[str, ...], default: str = "", needed: bool = False) -> Column:
    return Column(name=name, kind="choice", meaning=meaning, choices=choices, default=default, needed=needed)


def _integer(name: str, meaning: str, low: float | None = None, default: str = "") -> Column:
    return Column(name=name, kind="integer", meaning=meaning, low=low, default=default)


def _verdict(name: str, meaning: str) -> Column:
    return _choice(name, meaning, VERDICTS)


_ATTEMPT = _integer("attempt", "which drilling of this pile, counted from 1", low=1, default="1")
_FROM_LEVEL = _m("from_level", "level that the depths are measured from; default: the commencing surface")

_DESIGN = (
    _id("pile_id", "name of the pile, unique in the folder, compared exactly", needed=True),
    _text("wall", "name of the wall, as in the site file", needed=True),
    Column(
        name="position", kind="integer", meaning="place along the wall; blank for an added pile", column_needed=True
    ),
    _choice("kind", "primary (unreinforced, first), secondary (cuts into primaries), other", KINDS, needed=True),
    _m("easting", "design centre, site grid", needed=True),
    _m("northing", "design centre, site grid", needed=True),
    Column(name="diameter_mm", unit="mm", meaning="nominal diameter", needed=True, low=50.0, high=10000.0),
    _m("cut_off_level", "level at which the pile is cut off; default: the site file's"),
    _m("toe_level", "design toe level", needed=True),
    _choice("status", "planned, omitted (never built), added (behind the wall)", STATUSES, default="planned"),
)

TABLES: dict[str, TableDefinition] = {
    t.name: t
    for t in (
        TableDefinition(name="design", where="design/piles.csv", meaning="the pile schedule", columns=_DESIGN),
        TableDefinition(
            name="pickups",
            where="pickups/*.csv",
            meaning="surveyed points on piles",
            columns=(
                _text("point", "name of the point as the instrument gave it", needed=True),
                _id("pile_id", "pile that was shot; blank for a check shot on a control point", column_needed=True),
                _m("easting", "site grid", needed=True),
                _m("northing", "site grid", needed=True),
                _m("level", "level of the shot", needed=True),
                _choice("shot", "centre of the pile, or a point on its edge", SHOTS, default="centre"),
                _choice("object", "what was shot", OBJECTS, default="head"),
                _time("surveyed_at", "when it was shot; a date alone is the end of that day", needed=True),
                _text("setup", "instrument set-up; default: the file"),
                _text("surveyor", "who shot it"),
                Column(
                    name="sigma_mm",
                    unit="mm",
                    meaning="standard deviation of this shot, per axis; default: the site file's pickup_mm",
                    low=0.0,
                    low_open=True,
                    high=1000.0,
                ),
                _ATTEMPT,
                _text("code", "the instrument's feature code"),
                _text("note", "free text"),
            ),
        ),
        TableDefinition(
            name="tilts",
            where="tilts/*.csv",
            meaning="lean of the casing or bore in two perpendicular directions",
            columns=(
                _id("pile_id", "pile that was read", needed=True),
                _time("read_at", "when it was read", needed=True),
                Column(
                    name="depth",
                    unit="m",
                    meaning="depth of the casing's or bore's tip when it was read, from from_level",
                    needed=True,
                    low=0.0,
                    low_open=True,
                    high=200.0,
                ),
                Column(name="tilt_a", unit="see unit", meaning="lean in direction a; 0 is plumb", needed=True),
                Column(
                    name="tilt_b",
                    unit="see unit",
                    meaning="lean in direction b, seen from above 90 degrees clockwise of a; 0 is plumb",
                    needed=True,
                ),
                _choice(
                    "unit", "unit of both readings; mm is the gap under a level of level_length_mm", UNITS, needed=True
                ),
                Column(
                    name="bearing_a_deg",
                    unit="deg",
                    meaning="bearing of direction a, clockwise from site-grid north; default: towards the pit",
                    low=-360.0,
                    high=360.0,
                ),
                Column(
                    name="bearing_b_deg",
                    unit="deg",
                    meaning="bearing of direction b; default: 90 degrees clockwise of a; else at 90 degrees to it",
                    low=-360.0,
                    high=360.0,
                ),
                _choice(
                    "sense",
                    "toe: the reading says where the toe goes; top: where the top leans; default: the site file's",
                    SENSES,
                ),
                _FROM_LEVEL,
                _ATTEMPT,
                _text("reader", "who read it"),
            ),
        ),
        TableDefinition(
            name="profiles",
            where="profiles/*.csv",
            meaning="offsets of the axis with depth, from an inclinometer or sonic log",
            columns=(
                _id("pile_id", "pile that was logged", needed=True),
                _time("read_at", "when it was logged", needed=True),
                Column(name="depth", unit="m", meaning="depth from from_level", needed=True, low=0.0, high=200.0),
                Column(
                    name="off_e_mm",
                    unit="mm",
                    meaning="offset of the axis to site-grid east",
                    needed=True,
                    low=-20000.0,
                    high=20000.0,
                ),
                Column(
                    name="off_n_mm",
                    unit="mm",
                    meaning="offset of the axis to site-grid north",
                    needed=True,
                    low=-20000.0,
                    high=20000.0,
                ),
                _FROM_LEVEL,
                _ATTEMPT,
            ),
        ),
        TableDefinition(
            name="records",
            where="records/*.csv",
            meaning="drilling and concreting records",
            columns=(
                _id("pile_id", "pile that was drilled", needed=True),
                _ATTEMPT,
                _time("drilled_at", "when drilling was finished"),
                _time("concreted_at", "when concreting was finished"),
                _m("toe_level", "toe level as drilled"),
                Column(
                    name="casing_od_mm", unit="mm", meaning="outer diameter of the casing used", low=50.0, high=10000.0
                ),
                Column(name="concrete_m3", unit="m3", meaning="concrete placed", low=0.0),
                _text("rig", "name of the rig"),
                _text("note", "free text"),
            ),
        ),
        TableDefinition(
            name="control",
            where="control/points.csv",
            meaning="control points in site grid and map grid",
            columns=(
                _text("point", "name of the control point", needed=True),
                _m("easting", "site grid", needed=True),
                _m("northing", "site grid", needed=True),
                _m("map_e", "easting in the map CRS", needed=True),
                _m("map_n", "northing in the map CRS", needed=True),
                Column(name="sigma_mm", unit="mm", meaning="standard deviation per axis", low=0.0, low_open=True),
            ),
        ),
        TableDefinition(
            name="set_out",
            where="set_out/approved.csv",
            meaning="centres that the engineer agreed to move",
            columns=(
                _id("pile_id", "pile that was moved", needed=True),
                _m("easting", "approved centre, site grid", needed=True),
                _m("northing", "approved centre, site grid", needed=True),
                _text("approved_by", "who agreed", needed=True),
                _time("at", "when", needed=True),
            ),
        ),
        TableDefinition(
            name="decisions",
            where="decisions.csv",
            meaning="the engineer's decisions, append only",
            columns=(
                _time("at", "when", needed=True),
                _text("by", "who decided", needed=True),
                _text("item", "a pile, a joint or a finding", needed=True),
                _choice("effect", "accept, hold or withdraw", EFFECTS, needed=True),
                _m("down_to_level", "an accept holds down to this level only"),
                _text("until", "a hold stands until this is met"),
                _text("reason", "why", needed=True),
                _text("reference", "number of the document behind it"),
                _text("evidence_sha256", "hash of the inputs that were decided on"),
                _text("figures", "the figures that were decided on"),
                _text("previous_sha256", "hash of the line before"),
            ),
        ),
    )
}

_LAYER_DESIGN = tuple(c for c in _DESIGN)

_ASBUILT = (
    _id("pile_id", "name of the pile"),
    _text("wall", "name of the wall"),
    _integer("position", "place along the wall"),
    _choice("kind", "primary, secondary, other", KINDS),
    _mm("diameter_mm", "diameter used for joints: the recorded casing, else nominal"),
    _choice("progress", "how far the pile is", PROGRESS),
    _m("surveyed_level", "level at which the governing centre was surveyed"),
    _m("cut_off_level", "cut-off level, where plan position is judged"),
    _mm("offset_e_mm", "as-built minus design at cut-off, to site-grid east"),
    _mm("offset_n_mm", "as-built minus design at cut-off, to site-grid north"),
    _mm("offset_mm", "plan offset at cut-off"),
    Column(name="offset_bearing_deg", unit="deg", meaning="bearing of the plan offset, clockwise from site-grid north"),
    _mm("towards_pit_mm", "plan offset towards the pit at cut-off"),
    _mm("along_wall_mm", "plan offset along the wall at cut-off, positive in the order of position"),
    _mm("offset_from_set_out_mm", "plan offset from the approved set-out, where there is one"),
    _mm("allowed_mm", "plan offset allowed at cut-off"),
    _percent("plan_of_allowed_percent", "plan offset of allowed"),
    _mm("u_offset_mm", "standard uncertainty of the centre at cut-off, the larger axis"),
    _p("p_plan", "probability that the plan position conforms"),
    _verdict("plan_verdict", "plan position at cut-off"),
    _slope("tilt_e_mm_per_m", "overall slope of the axis, cut-off to toe, towards site-grid east"),
    _slope("tilt_n_mm_per_m", "overall slope of the axis, cut-off to toe, towards site-grid north"),
    _slope("incline_mm_per_m", "overall inclination, cut-off to toe"),
    _text("one_in", "overall inclination as 1 in n; plumb above 5000"),
    _slope("steepest_mm_per_m", "steepest inclination over a base of at least 3 m"),
    _slope("allowed_mm_per_m", "inclination allowed"),
    _percent("vertical_of_allowed_percent", "overall inclination of allowed"),
    _p("p_vertical", "probability that the inclination conforms"),
    _verdict("vertical_verdict", "verticality"),
    _mm("worst_towards_pit_mm", "greatest movement towards the pit, cut-off to formation, by its excess over allowed"),
    _m("worst_towards_pit_level", "level of worst_towards_pit_mm"),
    _mm("face_inside_mm", "how far the face stands inside the clear outline at worst; negative: clear of it"),
    _m("face_inside_level", "level of face_inside_mm"),
    _percent("encroach_of_allowed_percent", "encroachment of allowed, the worse of movement and outline"),
    _p("p_encroach", "probability that the encroachment conforms"),
    _verdict("encroach_verdict", "encroachment"),
    _m("toe_level", "toe level as recorded"),
    _verdict("toe_verdict", "toe level"),
    _m("predicted_below", "below this level nothing was read and the axis is predicted"),
    _choice("method", "how the axis is known", METHODS),
    _integer("n_shots", "shots behind the governing centre"),
    _mm("fit_rms_mm", "RMS residual of the edge shots"),
    _mm("fit_radius_mm", "fitted radius"),
    Column(name="fit_arc_deg", unit="deg", meaning="arc covered by the edge shots"),
    _time("surveyed_at", "when the governing centre was surveyed"),
    _choice("object", "what was shot", OBJECTS),
    _text("rig", "rig of the governing record"),
    _text("load_file", "file of the governing pickup"),
    _time("drilled_at", "when drilling was finished"),
    _verdict("verdict", "the worst of the pile's checks"),
    _text("reasons", "each check that is not within, with figures"),
)

_JOINTS = (
    _text("joint_id", "pile_a~pile_b in the order of the wall"),
    _id("pile_a", "first pile"),
    _id("pile_b", "second pile"),
    _text("wall", "wall of the first pile"),
    _mm("design_overlap_mm", "overlap of the design circles"),
    _mm("required_overlap_mm", "overlap asked for"),
    _m("range_top", "level from which the joint must interlock"),
    _m("range_bottom", "level down to which the joint must interlock"),
    _mm("overlap_cut_off_mm", "overlap at the top of the range"),
    _mm("overlap_formation_mm", "overlap at formation level"),
    _mm("least_overlap_mm", "least overlap in the range; negative: a gap"),
    _m("least_level", "level of the least overlap"),
    Column(
        name="levels_known",
        kind="boolean",
        meaning="whether a blank lost, open or sure level means none in the range (true) or not measured (false)",
    ),
    _m("lost_level", "highest level of the range where the overlap is below that asked for, or a built toe ends it"),
    _m("open_level", "highest level of the range where there is a gap, or a built toe ends it"),
    _m("sure_level", "highest level of the range at which the joint is not sure"),
    _mm("opening_formation_mm", "gap at formation level, 0 where there is none"),
    _mm("worst_opening_mm", "widest gap of the circles in the range, 0 where there is none; blank below a built toe"),
    _m("worst_opening_level", "level of the widest gap"),
    _mm("chord_formation_mm", "common chord of the two circles at formation level"),
    _mm("thickness_formation_mm", "common chord measured square to the wall at formation level"),
    _mm("band_formation_mm", "what both piles share measured across the wall at formation level"),
    _mm("least_along_mm", "relative movement against design at the least level, along the joint; positive: apart"),
    _mm(
        "least_across_mm",
        "relative movement against design at the least level, across the joint, positive: second pile to the pit",
    ),
    _mm("u_overlap_mm", "standard uncertainty of the overlap at the governing level"),
    _p(
        "p_interlock",
        "probability, by the axes alone, that the joint interlocks at the governing level, the least of those examined",
    ),
    _m("governing_level", "level of p_interlock"),
    _mm("other_model_least_overlap_mm", "least overlap under the other lean model"),
    _m("other_model_least_level", "its level"),
    _m("predicted_below", "below this level the axis of at least one pile is predicted"),
    _verdict("verdict", "the joint's verdict"),
    _text("reasons", "what is not within, with figures"),
)

_FILE = _text("file", "file the row was read from")
_LINE = _integer("line", "line in that file")


def _as_read(table: str, *left_out: str) -> tuple[Column, ...]:
    """Return the columns of an input table as columns of an attribute table: nothing there is needed."""
    return tuple(
        Column(name=c.name, kind=c.kind, unit=c.unit, meaning=c.meaning, choices=c.choices)
        for c in TABLES[table].columns
        if c.name not in left_out
    )


_CONTROL = (
    *_as_read("control"),
    _mm("residual_e_mm", "east on the map, computed minus given"),
    _mm("residual_n_mm", "north on the map, computed minus given"),
    _mm("residual_mm", "length of the residual"),
    Column(name="redundancy", meaning="share of an error of the point that shows in its own residual, 0 to 1"),
    Column(
        name="w",
        meaning="length of the residual over its standard deviation, taken from the residuals where sigma_mm is not "
        "given for all",
    ),
    Column(name="w_limit", meaning="what w may come to, passed by chance by one sound point in a thousand"),
    _mm("detectable_mm", "error of the point that would be named in four of five cases"),
    Column(name="suspect", kind="boolean", meaning="whether it stands out; only the largest is named, of four or more"),
)

LAYERS: dict[str, LayerDefinition] = {
    layer.name: layer
    for layer in (
        LayerDefinition(
            name="design_piles",
            geometry="Point",
            meaning="design centres",
            columns=(
                *_LAYER_DESIGN,
                _mm("spacing_next_mm", "design distance to the next pile of the wall"),
                _choice("progress", "how far the pile is", PROGRESS),
                _verdict("verdict", "the worst of the pile's checks"),
            ),
        ),
        LayerDefinition(
            name="design_joints",
            geometry="LineString",
            meaning="joints between design centres, so that what is not surveyed shows on the map",
            columns=(
                _text("joint_id", "pile_a~pile_b in the order of the wall"),
                _verdict("verdict", "the joint's verdict"),
            ),
            styled=True,
        ),
        LayerDefinition(
            name="asbuilt_piles", geometry="Point", meaning="as-built centres at cut-off", columns=_ASBUILT, styled=True
        ),
        LayerDefinition(
            name="pile_outlines",
            geometry="Polygon",
            meaning="as-built circles at cut-off",
            columns=(_id("pile_id", "name of the pile"), _verdict("verdict", "the worst of the pile's checks")),
            styled=True,
        ),
        LayerDefinition(
            name="offsets",
            geometry="LineString",
            meaning="plan offsets, design to as-built at cut-off; the stored style draws them 50 times as long",
            columns=(
                _id("pile_id", "name of the pile"),
                _mm("offset_mm", "plan offset at cut-off"),
                _verdict("verdict", "the worst of the pile's checks"),
            ),
            styled=True,
        ),
        LayerDefinition(
            name="pile_axes",
            geometry="LineString Z",
            meaning="as-built axes, cut-off to toe",
            columns=(
                _id("pile_id", "name of the pile"),
                _choice("source", "how the axis is known", METHODS),
                _m("predicted_below", "below this level the axis is predicted"),
            ),
        ),
        LayerDefinition(
            name="joints",
            geometry="LineString",
            meaning="joints between as-built centres at cut-off",
            columns=_JOINTS,
            styled=True,
        ),
        LayerDefinition(
            name="openings",
            geometry="Polygon",
            meaning="gaps in plan at the level of the widest: hull of the two circles less both",
            columns=(
                _text("joint_id", "pile_a~pile_b in the order of the wall"),
                _mm("opening_mm", "width of the gap"),
                _m("level", "level of the widest gap in the range"),
            ),
            styled=True,
        ),
        LayerDefinition(
            name="control_points",
            geometry="Point",
            meaning="control points in the site grid, and how they fit the map grid",
            columns=_CONTROL,
        ),
        LayerDefinition(
            name="piles_on_map",
            geometry="Point",
            meaning="piles in the map CRS itself, for programs that do not know derived systems; empty without a map "
            "grid",
            columns=(
                _id("pile_id", "name of the pile"),
                _verdict("verdict", "the worst of the pile's checks"),
                _choice("position_is", "as-built centre at cut-off; design centre where not surveyed", POSITIONS),
            ),
            styled=True,
        ),
        LayerDefinition(
            name="joints_on_map",
            geometry="LineString",
            meaning="joints in the map CRS itself, for programs that do not know derived systems; empty without a map "
            "grid",
            columns=(
                _text("joint_id", "pile_a~pile_b in the order of the wall"),
                _verdict("verdict", "the joint's verdict"),
                _choice("position_is", "as-built where both centres are; else design, where not surveyed", POSITIONS),
            ),
            styled=True,
        ),
        LayerDefinition(
            name="clear_outline",
            geometry="Polygon",
            meaning="outline that the permanent works need clear",
            columns=(_text("name", "name of the outline"),),
        ),
        LayerDefinition(
            name="pickups",
            geometry=None,
            meaning="every pickup as read, and whether it was used",
            columns=(
                *_as_read("pickups"),
                Column(name="used", kind="boolean", meaning="whether it serves the governing centre"),
                _text("superseded_by", "file and line of the group that took its place, or why it is not used"),
                _FILE,
                _LINE,
            ),
        ),
        LayerDefinition(
            name="readings",
            geometry=None,
            meaning="every lean reading as read, and its slope",
            columns=(
                *_as_read("tilts"),
                _slope("slope_e_mm_per_m", "slope towards site-grid east, where the toe goes"),
                _slope("slope_n_mm_per_m", "slope towards site-grid north, where the toe goes"),
                Column(name="used", kind="boolean", meaning="whether it serves the governing axis"),
                _FILE,
                _LINE,
            ),
        ),
        LayerDefinition(
            name="findings",
            geometry=None,
            meaning="what is odd in the inputs",
            columns=(
                _text("id", "kind and item"),
                _choice("severity", "error, query, note", SEVERITIES),
                _text("kind", "what it is"),
                _FILE,
                _LINE,
                _text("column", "column it concerns"),
                _text("item", "pile, joint or file it concerns"),
                _text("text", "what was found, with figures"),
            ),
        ),
        LayerDefinition(
            name="stages",
            geometry=None,
            meaning="excavation stages and what stands in the way of each; releases nothing",
            columns=(
                _text("stage", "name of the stage"),
                _m("level", "level dug to"),
                _m("joints_to", "how deep joints must be sound before; blank: to the bottom of each joint's range"),
                _text("state", "held, or no holds"),
                _text("held_by", "items that hold it"),
                _text("accepted", "items that would hold it, but for a decision that stands"),
            ),
        ),
        LayerDefinition(
            name="decisions",
            geometry=None,
            meaning="the engineer's decisions",
            columns=(
                *_as_read("decisions"),
                Column(name="standing", kind="boolean", meaning="whether it counts, on the inputs as they are"),
                _text("state", "what became of it, such as: stands; changed, worse; superseded; withdraws"),
                _text("changed", "figures that differ since it was made, old and new"),
            ),
        ),
        LayerDefinition(
            name="ledger",
            geometry=None,
            meaning="what was taken in or changed",
            columns=(
                _time("at", "when"),
                _text("by", "who"),
                _text("action", "what was done"),
                _FILE,
                _text("sha256", "hash of the file"),
                _text("options", "what the file does not say itself: format, date, surveyor, set-up, object (JSON)"),
                _text("note", "why, and what was confirmed"),
                _text("previous_sha256", "hash of the line before"),
            ),
        ),
        LayerDefinition(
            name="settings",
            geometry=None,
            meaning="settings as run",
            columns=(_text("key", "section and key"), _text("value", "value used")),
        ),
        LayerDefinition(
            name="provenance",
            geometry=None,
            meaning="versions, as-of and input hashes; no run time",
            columns=(_text("key", "what"), _text("value", "value")),
        ),
    )
}


def csv_line(cells: Iterable[str], *, separator: str = ",", quoted: bool = False) -> str:
    """Return cells as a line of CSV without its end, quoted where they must be, or all of them."""
    line = io.StringIO()
    csv.writer(
        line, delimiter=separator, lineterminator="", quoting=csv.QUOTE_ALL if quoted else csv.QUOTE_MINIMAL
    ).writerow(cells)
    return line.getvalue()


def line_sha256(line: str) -> str:
    """Return the SHA-256 of a line without its end, as it stands in the file: what the line after it carries."""
    return hashlib.sha256(line.encode("utf-8", "surrogateescape")).hexdigest()


def ledger_line(row: Mapping[str, str]) -> str:
    """Return a line of the ledger as it stands in the file: CSV with the columns of the dictionary, without its end."""
    return csv_line(row.get(column.name) or "" for column in LAYERS["ledger"].columns)


def ledger_line_sha256(row: Mapping[str, str]) -> str:
    """Return the SHA-256 of a line of the ledger without its end: what the line after it carries."""
    return line_sha256(ledger_line(row))


@dataclass(frozen=True, kw_only=True)
class FindingKind:
    """One kind of finding: what it is called, how grave, what it means and what to do."""

    name: str
    severity: str
    meaning: str
    by_run: bool = field(default=False)


#: Findings that a run can carry. Those that only a load can raise come with it.
FINDINGS: dict[str, FindingKind] = {
    f.name: f
    for f in (
        FindingKind(
            name="not_in_ledger",
            severity="note",
            by_run=True,
            meaning="a file was put into the folder by hand; it counts",
        ),
        FindingKind(
            name="changed_file",
            severity="query",
            by_run=True,
            meaning="a file is not as the ledger says it was taken in: changed, missing, or of unknown state",
        ),
        FindingKind(
            name="control_suspect",
            severity="query",
            by_run=True,
            meaning="the control points do not fit the map grid: one stands out, or something is wrong, but not which",
        ),
        FindingKind(
            name="omitted_but_built",
            severity="query",
            by_run=True,
            meaning="the design omits a pile that was shot, read, logged or recorded; it is not judged",
        ),
        FindingKind(
            name="added_without_joint",
            severity="note",
            by_run=True,
            meaning="an added pile is in no extra_joints of the site file: no joint of it is checked",
        ),
        FindingKind(
            name="unknown_column",
            severity="note",
            by_run=True,
            meaning="a file has a column that the tool does not know; it is kept on disk and not read",
        ),
        FindingKind(
            name="short_arc",
            severity="note",
            by_run=True,
            meaning="edge shots cover less than 120 degrees: the radius is unchecked, or two centres fit",
        ),
        FindingKind(
            name="repeated_pile",
            severity="query",
            by_run=True,
            meaning="shots, readings or records of one pile give two answers, by more than uncertainty explains",
        ),
        FindingKind(
            name="edge_radius",
            severity="query",
            by_run=True,
            meaning="the fitted radius differs from the diameter shot by more than radius_check_mm",
        ),
        FindingKind(
            name="level_range",
            severity="query",
            by_run=True,
            meaning="a level outside lowest to highest of the site file, or where nothing of the pile is",
        ),
        FindingKind(
            name="too_few_shots",
            severity="query",
            by_run=True,
            meaning="fewer than three edge shots and no centre shot: no centre",
        ),
        FindingKind(
            name="drift",
            severity="note",
            by_run=True,
            meaning="the lean changed from reading to reading by more than their uncertainty explains",
        ),
        FindingKind(
            name="axes_disagree",
            severity="note",
            by_run=True,
            meaning="a pickup that does not govern, or the tilts, lie over three standard uncertainties from the axis",
        ),
        FindingKind(
            name="old_pickup",
            severity="note",
            by_run=True,
            meaning="the governing pickup is older than the deepest reading",
        ),
        FindingKind(
            name="survey_too_poor",
            severity="note",
            by_run=True,
            meaning="uncertainties are so large beside a limit that no measured value could be within",
        ),
        FindingKind(
            name="tolerance_budget",
            severity="note",
            by_run=True,
            meaning="piles within tolerance may still lose the joint above interlock_to",
        ),
        FindingKind(
            name="range_shortened",
            severity="note",
            by_run=True,
            meaning="a design toe ends a joint's range above interlock_to",
        ),
        FindingKind(
            name="sequence",
            severity="note",
            by_run=True,
            meaning="a primary was too young or too old when its secondary cut it",
        ),
        FindingKind(
            name="concrete_ratio",
            severity="note",
            by_run=True,
            meaning="concrete placed against theoretical volume is out of the ordinary",
        ),
        FindingKind(
            name="exchanged_coordinates",
            severity="query",
            meaning="easting and northing stand in each other's place",
        ),
        FindingKind(
            name="wrong_unit",
            severity="query",
            meaning="coordinates, leans or offsets in another unit than the one stated or asked for",
        ),
        FindingKind(
            name="wrong_pile",
            severity="query",
            meaning="another pile's design centre is nearer than that of the pile named, or explains the shot",
        ),
        FindingKind(
            name="shifted_load",
            severity="query",
            meaning="all piles of a load lie off in the same direction by more than scatter explains",
        ),
        FindingKind(
            name="turned_load",
            severity="query",
            meaning="the piles of a load are turned about a point by more than scatter explains",
        ),
        FindingKind(
            name="scaled_load",
            severity="query",
            meaning="the piles of a load lie too far apart or too close by more than scatter explains",
        ),
        FindingKind(
            name="far_from_design",
            severity="query",
            meaning="a pile lies farther from its design or approved centre than scatter explains",
        ),
        FindingKind(
            name="edge_as_centre",
            severity="query",
            meaning="a shot taken as a centre lies about a radius from the design centre",
        ),
        FindingKind(
            name="tilt_range",
            severity="query",
            meaning="a lean reading, or a profile, beyond 1:20 or too small to be true",
        ),
        FindingKind(
            name="sign_flip",
            severity="query",
            meaning="the signs of readings, offsets or coordinates are turned round, or lost",
        ),
        FindingKind(
            name="copied_readings",
            severity="query",
            meaning="lean readings equal one another more often than their resolution explains",
        ),
        FindingKind(
            name="time_order",
            severity="query",
            meaning="readings or steps of the work are dated in the wrong order, or long before anything else",
        ),
        FindingKind(
            name="future_date",
            severity="query",
            meaning="a date later than the time of loading",
        ),
        FindingKind(
            name="check_shot",
            severity="query",
            meaning="a check shot lies off its control point, or other shots of it, by more than uncertainty explains",
        ),
        FindingKind(
            name="already_loaded",
            severity="note",
            meaning="the content of a file, or rows of it, stand in the folder already",
        ),
        FindingKind(
            name="withdrawn_before",
            severity="query",
            meaning="the content of a file was withdrawn before",
        ),
        FindingKind(
            name="check_without_control",
            severity="note",
            meaning="check shots with no control point to hold them against, only other set-ups or nothing",
        ),
        FindingKind(
            name="setup_reused",
            severity="query",
            meaning="the name of an instrument set-up is used again on another day",
        ),
    )
}
