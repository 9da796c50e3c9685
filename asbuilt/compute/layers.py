"""Results to the layers of the GeoPackage: columns by the column dictionary, geometries in the site grid."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from asbuilt.columns import LAYERS, POSITIONS, SEVERITIES
from asbuilt.compute.axes import NONE, axis_positions
from asbuilt.compute.grid import to_map
from asbuilt.model import Layer

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    import numpy.typing as npt

    from asbuilt.model import (
        Axes,
        ControlFit,
        Decision,
        Finding,
        Floats,
        Integers,
        Joints,
        Piles,
        SiteGrid,
        StageState,
        Survey,
        Table,
        Texts,
    )

__all__ = ["LAYER_BUILDERS", "LayerInputs", "attribute_layer", "table_layer"]

_QUARTER = 16
_FINE_QUARTER = 64


class LayerInputs:
    """What the layers are made from."""

    def __init__(
        self,
        *,
        survey: Survey,
        piles: Piles,
        joints: Joints,
        axes: Axes,
        spacing_next: Floats,
        slopes: Floats,
        readings_used: npt.NDArray[np.bool_],
        pickups: Table,
        tilts: Table,
        used: npt.NDArray[np.bool_],
        superseded_by: Texts,
        findings: tuple[Finding, ...],
        stages: tuple[StageState, ...],
        decisions: Table,
        judged: Sequence[Decision],
        provenance: Callable[[], Iterable[tuple[str, str]]],
        control: ControlFit | None = None,
        grid: SiteGrid | None = None,
    ) -> None:
        self.survey, self.piles, self.joints, self.axes = survey, piles, joints, axes
        self.spacing_next, self.slopes, self.readings_used = spacing_next, slopes, readings_used
        self.pickups, self.tilts, self.used, self.superseded_by = pickups, tilts, used, superseded_by
        self.findings, self.stages, self.decisions, self.judged = findings, stages, decisions, judged
        self.provenance = provenance
        self.control, self.grid = control, grid

    def site(self, e: Floats, n: Floats) -> Floats:
        """Return reduced coordinates as site-grid ones (k, 2)."""
        return np.column_stack([e + self.survey.origin[0], n + self.survey.origin[1]])


def _points(where: Floats) -> Texts:
    points: Texts = shapely.points(where)
    points[np.isnan(where[:, 0])] = None
    return points


def _lines(start: Floats, end: Floats) -> Texts:
    both = np.stack([start, end], axis=1)
    missing = np.isnan(both).any(axis=(1, 2))
    both[missing] = 0.0
    lines: Texts = shapely.linestrings(both)
    lines[missing] = None
    return lines


def _circles(centre: Floats, radius: Floats, quarter: int) -> Texts:
    turn = np.linspace(0.0, 2 * np.pi, 4 * quarter, endpoint=False)
    rim = np.stack([np.sin(turn), np.cos(turn)], axis=1)
    missing = np.isnan(centre[:, 0])
    ring = np.where(missing[:, None], 0.0, centre)[:, None, :] + radius[:, None, None] * rim
    circles: Texts = shapely.polygons(ring)
    circles[missing] = None
    return circles


def design_piles(i: LayerInputs) -> Layer:
    """Return the design centres."""
    design = i.survey.design
    return Layer(
        name="design_piles",
        geometry=_points(np.column_stack([design["easting"], design["northing"]])),
        columns={
            **design.columns,
            "spacing_next_mm": i.spacing_next * 1000.0,
            "progress": i.piles["progress"],
            "verdict": i.piles["verdict"],
        },
    )


def design_joints(i: LayerInputs) -> Layer:
    """Return the joints between design centres."""
    centre = i.site(i.piles.design_e, i.piles.design_n)
    return Layer(
        name="design_joints",
        geometry=_lines(centre[i.joints.a], centre[i.joints.b]),
        columns={"joint_id": i.joints["joint_id"], "verdict": i.joints["verdict"]},
    )


def _centres(i: LayerInputs) -> Floats:
    return i.site(i.piles.centre_e, i.piles.centre_n)


def asbuilt_piles(i: LayerInputs) -> Layer:
    """Return the as-built centres at cut-off."""
    return Layer(name="asbuilt_piles", geometry=_points(_centres(i)), columns=i.piles.columns)


def pile_outlines(i: LayerInputs) -> Layer:
    """Return the as-built circles at cut-off."""
    return Layer(
        name="pile_outlines",
        geometry=_circles(_centres(i), i.piles.radius, _QUARTER),
        columns={"pile_id": i.piles["pile_id"], "verdict": i.piles["verdict"]},
    )


def offsets(i: LayerInputs) -> Layer:
    """Return the offset vectors, true to scale."""
    return Layer(
        name="offsets",
        geometry=_lines(i.site(i.piles.design_e, i.piles.design_n), _centres(i)),
        columns={name: i.piles[name] for name in ("pile_id", "offset_mm", "verdict")},
    )


def pile_axes(i: LayerInputs) -> Layer:
    """Return the as-built axes from cut-off to toe, with every vertex between."""
    axes, cut_off = i.axes, i.piles["cut_off_level"]
    count = len(axes)
    known = np.flatnonzero((axes.method != NONE) & ~np.isnan(i.piles.centre_e) & (axes.toe < cut_off))
    segments = np.diff(axes.start)[known]
    owner = np.repeat(known, segments)
    first = np.cumsum(segments) - segments
    place = np.arange(len(owner)) - np.repeat(first, segments) + axes.start[owner]
    top = axes.top[place]
    inner = (top < cut_off[owner] - 1e-9) & (top > axes.toe[owner] + 1e-9)
    pile = np.concatenate([known, owner[inner], known])
    level = np.concatenate([cut_off[known], top[inner], axes.toe[known]])
    order = np.lexsort((-level, pile))
    pile, level = pile[order], level[order]
    e, n = (x[:, 0] for x in axis_positions(axes, pile, level[:, None]))
    geometry = np.full(count, None, dtype=object)
    if len(known):
        number = np.searchsorted(known, pile)
        geometry[known] = shapely.linestrings(np.column_stack([i.site(e, n), level]), indices=number)
    return Layer(
        name="pile_axes",
        geometry=geometry,
        columns={
            "pile_id": i.piles["pile_id"],
            "source": i.piles["method"],
            "predicted_below": i.piles["predicted_below"],
        },
    )


def joints(i: LayerInputs) -> Layer:
    """Return the joints between as-built centres at cut-off."""
    centre = _centres(i)
    return Layer(name="joints", geometry=_lines(centre[i.joints.a], centre[i.joints.b]), columns=i.joints.columns)


def openings(i: LayerInputs) -> Layer:
    """Return each gap at the level where it is widest: the hull of the two circles less both."""
    j = i.joints
    rows: Integers = np.flatnonzero(j["worst_opening_mm"] > 0)
    level = j["worst_opening_level"][rows]
    circles = []
    for piles in (j.a[rows], j.b[rows]):
        e, n = (x[:, 0] for x in axis_positions(i.axes, piles, level[:, None]))
        circles.append(_circles(i.site(e, n), i.piles.radius[piles], _FINE_QUARTER))
    both = shapely.union(*circles)
    gaps: Texts = shapely.difference(shapely.convex_hull(both), both)
    return Layer(
        name="openings",
        geometry=gaps,
        columns={"joint_id": j["joint_id"][rows], "opening_mm": j["worst_opening_mm"][rows], "level": level},
    )


def control_points(i: LayerInputs) -> Layer:
    """Return the control points, and how they fit the map grid."""
    control, fit = i.survey.control, i.control
    count = len(control)
    if fit is None or not count:
        where = np.empty((0, 2))
        return Layer(
            name="control_points", geometry=_points(where), columns=attribute_layer("control_points", ()).columns
        )
    residual = {"e": fit.residual_e * 1000.0, "n": fit.residual_n * 1000.0}
    # Without a test nothing is said, neither yes nor no.
    suspect = np.full(count, np.nan) if np.isnan(fit.limit) else (np.arange(count) == fit.suspect).astype(float)
    return Layer(
        name="control_points",
        geometry=_points(i.site(fit.e, fit.n)),
        columns={
            **control.columns,
            "residual_e_mm": residual["e"],
            "residual_n_mm": residual["n"],
            "residual_mm": np.hypot(residual["e"], residual["n"]),
            "redundancy": fit.redundancy,
            "w": fit.w,
            "w_limit": np.full(count, fit.limit),
            "detectable_mm": fit.detectable * 1000.0,
            "suspect": suspect,
        },
    )


def _on_map(i: LayerInputs) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """Return where the piles lie on the map (n, 2) [m], at design where not surveyed, and which are as built."""
    built = ~np.isnan(i.piles.centre_e)
    e = np.where(built, i.piles.centre_e, i.piles.design_e) + i.survey.origin[0]
    n = np.where(built, i.piles.centre_n, i.piles.design_n) + i.survey.origin[1]
    assert i.grid is not None  # noqa: S101  # asked for with a grid only
    return np.column_stack(to_map(i.grid.similarity, e, n)), built


def _position(built: npt.NDArray[np.bool_]) -> npt.NDArray[np.int8]:
    return np.where(built, POSITIONS.index("as-built"), POSITIONS.index("design")).astype(np.int8)


def piles_on_map(i: LayerInputs) -> Layer:
    """Return the piles in the map CRS; none where the site grid has no place on a map."""
    if i.grid is None:
        return Layer(
            name="piles_on_map",
            geometry=_points(np.empty((0, 2))),
            columns=attribute_layer("piles_on_map", ()).columns,
        )
    where, built = _on_map(i)
    columns = {"pile_id": i.piles["pile_id"], "verdict": i.piles["verdict"], "position_is": _position(built)}
    return Layer(name="piles_on_map", geometry=_points(where), columns=columns, crs=i.grid.map_wkt)


def joints_on_map(i: LayerInputs) -> Layer:
    """Return the joints in the map CRS; none where the site grid has no place on a map."""
    if i.grid is None:
        return Layer(
            name="joints_on_map",
            geometry=_lines(np.empty((0, 2)), np.empty((0, 2))),
            columns=attribute_layer("joints_on_map", ()).columns,
        )
    where, built = _on_map(i)
    a, b = i.joints.a, i.joints.b
    columns = {
        "joint_id": i.joints["joint_id"],
        "verdict": i.joints["verdict"],
        "position_is": _position(built[a] & built[b]),
    }
    return Layer(name="joints_on_map", geometry=_lines(where[a], where[b]), columns=columns, crs=i.grid.map_wkt)


def clear_outline(i: LayerInputs) -> Layer:
    """Return the clear outline, where there is one."""
    outline = i.survey.clear_outline
    geometry = np.full(0 if outline is None else 1, outline, dtype=object)
    return Layer(
        name="clear_outline", geometry=geometry, columns={"name": np.full(len(geometry), "clear outline", dtype=object)}
    )


def table_layer(name: str, table: Table, survey: Survey, **more: npt.NDArray[Any]) -> Layer:
    """Return an input table as an attribute table, with file and line."""
    columns: dict[str, npt.NDArray[Any]] = {**table.columns, **more}
    wanted = [c.name for c in LAYERS[name].columns]
    if "file" in wanted:
        paths = np.array([f.path for f in survey.files] or [""], dtype=object)
        columns["file"] = paths[table.file] if len(table) else np.empty(0, dtype=object)
        columns["line"] = table.line.astype(np.int64)
    return Layer(name=name, columns={column: columns[column] for column in wanted})


def attribute_layer(name: str, rows: Sequence[Mapping[str, Any]]) -> Layer:
    """Return rows as an attribute table; what a row lacks is null."""
    columns: dict[str, npt.NDArray[Any]] = {}
    for column in LAYERS[name].columns:
        values = [row.get(column.name) for row in rows]
        if column.kind in ("text", "id"):
            columns[column.name] = np.array(values, dtype=object)
        elif column.kind == "choice":
            codes = [-1 if v is None else column.choices.index(v) for v in values]
            columns[column.name] = np.array(codes, dtype=np.int8)
        elif column.kind == "time":
            columns[column.name] = np.array(
                [np.datetime64("NaT", "ms") if v is None else v for v in values], "datetime64[ms]"
            )
        else:
            columns[column.name] = np.array([np.nan if v is None else v for v in values], dtype=float)
    return Layer(name=name, columns=columns)


def pickups(i: LayerInputs) -> Layer:
    """Return every pickup, and whether it serves."""
    return table_layer("pickups", i.pickups, i.survey, used=i.used, superseded_by=i.superseded_by)


def readings(i: LayerInputs) -> Layer:
    """Return every lean reading, its slope, and whether it serves."""
    slopes = i.slopes * 1000.0
    return table_layer(
        "readings",
        i.tilts,
        i.survey,
        slope_e_mm_per_m=slopes[:, 0],
        slope_n_mm_per_m=slopes[:, 1],
        used=i.readings_used,
    )


def findings(i: LayerInputs) -> Layer:
    """Return the findings."""
    fields = ("id", "severity", "kind", "file", "line", "column", "item", "text")
    rows = [{name: getattr(f, name) for name in fields} for f in i.findings]
    for row in rows:
        assert row["severity"] in SEVERITIES  # noqa: S101  # findings are the tool's own
        row["file"] = row["file"] or None
        row["line"] = row["line"] or None
        row["column"] = row["column"] or None
    return attribute_layer("findings", rows)


def stages(i: LayerInputs) -> Layer:
    """Return the stages and what holds them."""
    return attribute_layer(
        "stages",
        [
            {
                "stage": s.stage,
                "level": s.level,
                "joints_to": s.joints_to,
                "state": s.state,
                "held_by": ", ".join(dict.fromkeys(h.item for h in s.held_by)),
                "accepted": ", ".join(dict.fromkeys(h.item for h in s.accepted)),
            }
            for s in i.stages
        ],
    )


def decisions(i: LayerInputs) -> Layer:
    """Return the decisions, whether they stand, and what has become of them."""
    return table_layer(
        "decisions",
        i.decisions,
        i.survey,
        standing=np.array([one.standing for one in i.judged], dtype=float),
        state=np.array([one.state for one in i.judged], dtype=object),
        changed=np.array([one.changed or None for one in i.judged], dtype=object),
    )


def ledger(i: LayerInputs) -> Layer:
    """Return the ledger's lines."""
    rows: list[Mapping[str, Any]] = []
    for line in i.survey.ledger_rows:
        at = line.get("at") or None
        moment = None if at is None else np.datetime64(at.removesuffix("Z"), "ms")
        rows.append({**{k: v or None for k, v in line.items()}, "at": moment})
    return attribute_layer("ledger", rows)


def settings(i: LayerInputs) -> Layer:
    """Return the settings as run, defaults included."""
    return attribute_layer("settings", [{"key": k, "value": v} for k, v in i.survey.settings.rows()])


def provenance(i: LayerInputs) -> Layer:
    """Return versions, as-of and input hashes."""
    return attribute_layer("provenance", [{"key": k, "value": v} for k, v in i.provenance()])


LAYER_BUILDERS: dict[str, Callable[[LayerInputs], Layer]] = {
    f.__name__: f
    for f in (
        design_piles,
        design_joints,
        asbuilt_piles,
        pile_outlines,
        offsets,
        pile_axes,
        joints,
        openings,
        control_points,
        piles_on_map,
        joints_on_map,
        clear_outline,
        pickups,
        readings,
        findings,
        stages,
        decisions,
        ledger,
        settings,
        provenance,
    )
}
