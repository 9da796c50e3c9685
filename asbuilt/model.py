"""What was read (:class:`Survey`) and what was found (:class:`Reconciliation`): frozen and columnar.

One array per quantity over all piles or joints, in the order of the design table. NaN, NaT, None and the code -1
mean *not measured* (or, for a verdict, *check not made*); they are never 0. Plan coordinates inside are reduced to
:attr:`Survey.origin`; levels are site levels. Metres everywhere, slopes in metres per metre, unless a name says
otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from asbuilt.settings import Settings

__all__ = [
    "Axes",
    "Centres",
    "ControlFit",
    "Decision",
    "Finding",
    "Floats",
    "Hold",
    "InputFile",
    "Integers",
    "Joints",
    "Layer",
    "Piles",
    "Reconciliation",
    "Similarity",
    "SiteGrid",
    "StageState",
    "Survey",
    "Table",
    "WallGroup",
    "WallStatistics",
    "Withdrawal",
]

Floats = npt.NDArray[np.float64]
Integers = npt.NDArray[np.int64]
Codes = npt.NDArray[np.int8]
Booleans = npt.NDArray[np.bool_]
Times = npt.NDArray[np.datetime64]
Texts = npt.NDArray[np.object_]


@dataclass(frozen=True, kw_only=True)
class InputFile:
    """A file that was read: its path relative to the folder (with ``/``), the table it holds, rows, and hash."""

    path: str
    table: str
    rows: int
    sha256: str


@dataclass(frozen=True, kw_only=True)
class Table:
    """Rows of one input table from one or more files.

    ``columns`` holds every column of the dictionary, whether the file had it or not: ``text`` and ``id`` as
    objects (None for blank), ``float`` as float64, ``integer`` as float64 where blank is possible and there is no
    default, else int64, ``choice`` as int8 codes, ``time`` as datetime64[ms] in UTC.
    ``file`` is the place in :attr:`Survey.files`, ``line`` the line in it. ``pile`` is the row's place in the design
    table, -1 for none (a check shot); absent tables of other things have all -1.
    """

    name: str
    columns: Mapping[str, npt.NDArray[Any]]
    file: npt.NDArray[np.int32]
    line: npt.NDArray[np.int32]
    pile: npt.NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.line)

    def __getitem__(self, name: str) -> npt.NDArray[Any]:
        return self.columns[name]

    def take(self, rows: npt.NDArray[Any]) -> Table:
        """Return the rows at ``rows`` (places or a mask)."""
        return Table(
            name=self.name,
            columns={name: values[rows] for name, values in self.columns.items()},
            file=self.file[rows],
            line=self.line[rows],
            pile=self.pile[rows],
        )


@dataclass(frozen=True, kw_only=True)
class Finding:
    """Something odd, with where it stands and figures. ``kind`` is one of ``columns.FINDINGS``."""

    severity: str
    kind: str
    item: str
    text: str
    file: str = ""
    line: int = 0
    column: str = ""

    @property
    def id(self) -> str:
        """Kind and item, as ``decide`` takes it."""
        return f"{self.kind}:{self.item}"


@dataclass(frozen=True, kw_only=True)
class Withdrawal:
    """Rows taken out of use: those of ``file`` (place in :attr:`Survey.files`), of one ``pile`` (-1: of all) only."""

    file: int
    pile: int
    at: np.datetime64
    text: str
    """By whom, and why."""


@dataclass(frozen=True, kw_only=True)
class Survey:
    """A survey folder as read and cross-checked. Nothing in it has been judged yet.

    ``origin`` (easting, northing) [m, whole metres near the site] is what plan coordinates are reduced by in
    computation; the tables keep site-grid coordinates. ``clear_outline`` is a Shapely polygon or None.
    ``notes`` are findings of the reading itself. ``ignored`` are files among the loads that are none and were not read:
    no input, so no output may depend on them.
    """

    settings: Settings
    folder: str
    files: tuple[InputFile, ...]
    origin: tuple[float, float]
    design: Table
    pickups: Table
    tilts: Table
    profiles: Table
    records: Table
    control: Table
    set_out: Table
    decisions: Table
    clear_outline: Any = None
    notes: tuple[Finding, ...] = ()
    ignored: tuple[str, ...] = ()
    ledger_rows: tuple[Mapping[str, str], ...] = ()
    withdrawals: tuple[Withdrawal, ...] = ()
    decisions_edited: bool = False
    """Lines of ``decisions.csv`` were edited: then the table has the recorded ones from history, and what else stands
    in the file."""

    @property
    def changed(self) -> tuple[str, ...]:
        """Files that are not as the ledger says they were taken in: every output names them."""
        return tuple(note.item for note in self.notes if note.kind == "changed_file")


@dataclass(frozen=True, kw_only=True)
class Centres:
    """Governing surveyed centre of each pile; arrays over piles (n,), NaN where not surveyed.

    ``cov`` (n, 3) [m²]: EE, EN, NN of the centre *without* the part common to the set-up; ``setup_var`` [m²] is that
    part per component. Two centres of equal ``setup`` (>= 0) share it.
    """

    e: Floats
    n: Floats
    level: Floats
    cov: Floats
    setup_var: float
    setup: Integers
    attempt: Integers
    object: Codes
    shots: Integers
    fit_rms: Floats
    fit_radius: Floats
    fit_arc_deg: Floats
    surveyed_at: Times
    file: Integers
    line: Integers
    reason: Texts
    """Why there is no centre; None where there is one or nothing was shot."""
    used: Booleans
    """Over pickups: whether the row serves the governing centre."""
    superseded_by: Texts
    """Over pickups: what took the row's place, or why it is not used; None where used."""
    findings: tuple[Finding, ...] = ()
    groups: Mapping[str, npt.NDArray[Any]] = field(default_factory=dict)
    """Every solved group, governing or not: pile, e, n, level, cov (k, 3), object, governing, file, line."""


@dataclass(frozen=True, kw_only=True)
class Axes:
    """Pile axes under one lean model: piecewise linear in level, ragged over piles.

    Pile i owns segments ``start[i]`` to ``start[i + 1]``, from the top down, at least one each. Segment k reaches from
    ``top[k]`` (+inf for the first) down to the next one's top (-inf for the last) and passes through
    ``(anchor_e[k], anchor_n[k])`` at ``anchor_z[k]`` with slope ``(slope_e[k], slope_n[k])`` [m per m, to the toe]:
    c(z) = anchor + slope · (anchor_z − z).

    ``variance`` holds the terms of the variance per component, see :mod:`asbuilt.compute.axes`.
    """

    start: Integers
    top: Floats
    anchor_z: Floats
    anchor_e: Floats
    anchor_n: Floats
    slope_e: Floats
    slope_n: Floats
    method: Codes
    """Place in columns.METHODS, per pile."""
    surveyed_level: Floats
    deepest: Floats
    """Level of the deepest reading, per pile; NaN without any."""
    readings: Integers
    """Readings averaged (straight), per pile."""
    toe: Floats
    """Toe level per pile: as recorded, else as designed."""
    variance: Mapping[str, Floats] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.start) - 1


@dataclass(frozen=True, kw_only=True)
class Piles:
    """Results over piles (n,). ``columns`` holds every column of the layer ``asbuilt_piles`` by its name.

    ``expected`` is False for omitted piles.
    """

    columns: Mapping[str, npt.NDArray[Any]]
    centre_e: Floats
    """As-built centre at cut-off, reduced; NaN where not surveyed."""
    centre_n: Floats
    design_e: Floats
    """Design centre, reduced."""
    design_n: Floats
    set_out_e: Floats
    """Centre that the pile was set out at, reduced: the approved one, else the design's."""
    set_out_n: Floats
    radius: Floats
    """Radius used for joints [m]."""
    along_e: Floats
    """Unit vector along the wall; NaN for a pile without one."""
    along_n: Floats
    pit_e: Floats
    """Unit vector towards the pit."""
    pit_n: Floats
    cov: Floats
    """(n, 3) covariance of the centre at cut-off [m²], set-up included: EE, EN, NN."""
    expected: Booleans
    side: Integers
    """Number of the side that the pile belongs to; a side ends where the wall turns by more than 30°. -1 for none."""

    def __getitem__(self, name: str) -> npt.NDArray[Any]:
        return self.columns[name]

    def __len__(self) -> int:
        return len(self.radius)


@dataclass(frozen=True, kw_only=True)
class Joints:
    """Results over joints (m,). ``columns`` holds every column of the layer ``joints`` by its name."""

    columns: Mapping[str, npt.NDArray[Any]]
    a: Integers
    """Place of pile_a in the design table."""
    b: Integers
    required: Floats
    """Overlap asked for [m]."""
    toe_level: Floats
    """Level below which a toe as built leaves the joint open [m]; NaN where none does."""

    def __getitem__(self, name: str) -> npt.NDArray[Any]:
        return self.columns[name]

    def __len__(self) -> int:
        return len(self.a)


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One line of ``decisions.csv``, and what has become of it.

    ``effect`` is ``accept``, ``hold`` or ``withdraw``; ``state`` one of :data:`asbuilt.compute.decisions.STATES`.
    """

    at: np.datetime64
    by: str
    item: str
    effect: str
    down_to: float | None
    """Level [m] of the deepest stage that an accept is for; None: every stage."""
    until: str
    reason: str
    reference: str
    evidence_sha256: str
    figures: str
    """As they were when it was made: ``name=value; name=value``."""
    state: str
    standing: bool
    """Whether it counts: an accept on the inputs as they were, or a hold that nobody has lifted."""
    line: int = 0
    changed: str = ""
    """Figures that differ since, old and new, in words."""

    @property
    def text(self) -> str:
        """What was decided, by whom and why, and what has become of it."""
        down = "" if self.down_to is None else f" down to {self.down_to:+.2f}"
        until = f" until {self.until}" if self.until else ""
        reference = f" ({self.reference})" if self.reference else ""
        became = "" if self.state == "stands" else f"; {self.state}{f': {self.changed}' if self.changed else ''}"
        day = str(self.at.astype("datetime64[D]"))
        return f"{self.effect}{down}{until} by {self.by}, {day}: {self.reason}{reference}{became}"


@dataclass(frozen=True, kw_only=True)
class Hold:
    """One item that stands in the way of a stage, lies below it, or was accepted."""

    item: str
    verdict: str
    check: str
    text: str
    level: float
    """Highest level at which it is not sure [m]; NaN where it is not measured."""
    decision: Decision | None = None
    """The last decision on the item, whether it stands or not; None for none, or one that was withdrawn."""
    unmeasured: bool = False
    """Whether it is not measured, or not over its whole range: an accept of it is one without measurement."""


@dataclass(frozen=True, kw_only=True)
class StageState:
    """One stage: what holds it, what lies below it, and what would hold it but was accepted. It releases nothing."""

    stage: str
    level: float
    joints_to: float | None
    state: str
    """``held`` or ``no holds``."""
    held_by: tuple[Hold, ...]
    below: tuple[Hold, ...]
    accepted: tuple[Hold, ...] = ()
    """Would hold it, but for an accept that stands; among them what was accepted without measurement."""


@dataclass(frozen=True, kw_only=True)
class WallGroup:
    """Statistics of plan offsets and lean over one group of piles.

    ``by`` is ``all``, ``wall``, ``side``, ``kind``, ``load`` or ``rig``; ``ellipse`` is the 95 % confidence ellipse of
    the mean: half axes [mm] and bearing of the major one [deg]. For a side the axes are (towards the pit, along), else
    (E, N).
    """

    by: str
    name: str
    count: int
    frame: str
    mean_mm: tuple[float, float]
    scatter_mm: tuple[float, float]
    ellipse: tuple[float, float, float] | None
    rms_mm: float
    percentile_95_mm: float
    share_within: float
    share_inside: float
    mean_incline_mm_per_m: float


@dataclass(frozen=True, kw_only=True)
class WallStatistics:
    """The whole wall: groups, joints not sound at each level, and bounds on the chance that one is lost or open."""

    groups: tuple[WallGroup, ...]
    curve_level: Floats
    curve_lost: Integers
    curve_not_sure: Integers
    curve_not_surveyed: Integers
    chance_lost: tuple[float, float]
    chance_open: tuple[float, float]
    depth_guaranteed: Mapping[str, float]
    """Wall to the depth [m] below cut-off to which the design's own tolerances keep its joints."""
    by_head: tuple[tuple[str, float], ...] = ()
    """Joints not sure and the water head [m] at their ``sure_level``, the greatest first; () without water levels."""


@dataclass(frozen=True, kw_only=True)
class Similarity:
    """Site grid to map grid: E' = origin_e + a·E − b·N, N' = origin_n + b·E + a·N, all in metres.

    a = M cos θ and b = −M sin θ, with the scale M and the rotation θ in the sense of EPSG method 9621.
    """

    a: float
    b: float
    origin_e: float
    origin_n: float

    @property
    def scale(self) -> float:
        """Map metres for one metre of the site grid."""
        return float(np.hypot(self.a, self.b))

    @property
    def rotation_deg(self) -> float:
        """θ [deg], from -180 to 180: how far clockwise site-grid north lies of map north, less a whole turn."""
        return float(np.degrees(np.arctan2(-self.b, self.a)))


@dataclass(frozen=True, kw_only=True)
class ControlFit:
    """Control points held against the map grid; arrays over the points (k,), NaN where nothing can be said.

    ``state``: ``fits``; ``suspect`` (one point stands out); ``at odds`` (something is wrong, but not which point);
    ``residuals only`` (too little is known to judge them); ``no check``; ``not fitted``. ``text`` says it in sentences.
    """

    state: str
    text: tuple[str, ...]
    points: Texts
    e: Floats
    """Site grid, reduced [m]."""
    n: Floats
    residual_e: Floats
    """On the map, computed minus given [m]."""
    residual_n: Floats
    sigma: Floats
    """Standard deviation per axis as given [m]."""
    redundancy: Floats
    """Share of an error of the point that shows in its own residual, 0 to 1."""
    w: Floats
    """Length of the residual over its standard deviation: known beforehand, else taken from the residuals."""
    detectable: Floats
    """Error of the point that would be named in four of five cases [m]; with given standard deviations only."""
    limit: float
    """What ``w`` may come to; NaN without a test."""
    suspect: int
    """Place of the point that stands out, -1 for none."""
    sigmas_known: bool
    degrees_of_freedom: int
    s0: float
    """Standard deviation of unit weight: a number with given standard deviations, else metres."""
    hull: Floats
    """Corners of the hull of the control points, reduced (h, 2) [m]; fewer than three where it has no area."""
    outside: Integers
    """Places of the design piles outside that hull."""
    farthest: float
    """How far outside the farthest of them lies [m]; 0 where none does."""


@dataclass(frozen=True, kw_only=True)
class SiteGrid:
    """Where the site grid lies on the map. ``source``: ``control`` (fitted) or ``parameters`` (stated in site.toml).

    ``map_scale`` is the projection's own scale there, ``map_scale_range`` the least and the greatest of all directions.
    Standard deviations ``u_...`` are NaN where nothing tells them, or the fit does not hold; ``u_piles`` [m, per
    axis] is the greatest that the fit gives the place of a pile on the map.
    """

    source: str
    tie: str
    """What places it, in a clause that says what is wrong with it: "by a fit in which C3 stands out"."""
    text: tuple[str, ...]
    map_crs: str
    map_name: str
    similarity: Similarity
    u_scale: float
    u_rotation_deg: float
    u_origin: float
    u_piles: float
    map_scale: float
    map_scale_range: tuple[float, float]
    wkt: str
    """The site grid as a derived projected CRS, WKT 2."""
    map_wkt: str
    """The map CRS, WKT 2."""
    versions: tuple[tuple[str, str], ...] = ()
    """What the WKT was made with: rows for the table ``provenance``."""


@dataclass(frozen=True, kw_only=True)
class Layer:
    """One layer ready to be written: geometry as Shapely objects (None: attribute table; None in it: null).

    ``crs`` is the WKT of a layer that is not in the site grid.
    """

    name: str
    columns: Mapping[str, npt.NDArray[Any]]
    geometry: Texts | None = None
    crs: str | None = None

    def __len__(self) -> int:
        return len(next(iter(self.columns.values()))) if self.columns else 0


@dataclass(frozen=True, kw_only=True)
class Reconciliation:
    """Design against as-built, judged. ``as_of`` is the date that the outputs carry."""

    survey: Survey
    as_of: np.datetime64
    centres: Centres
    axes: Axes
    other_axes: Axes
    piles: Piles
    joints: Joints
    stages: tuple[StageState, ...]
    statistics: WallStatistics
    findings: tuple[Finding, ...]
    layers: Mapping[str, Layer]
    decisions: tuple[Decision, ...] = ()
    """Every decision known then, in the order of the file."""
    evidence: Callable[[str], str | None] = lambda _item: None
    """Hash of the inputs of a pile, a joint or a finding; None where there is no such item."""
    control: ControlFit | None = None
    """None where there are neither control points nor a map CRS."""
    grid: SiteGrid | None = None
    """None where the site grid has no place on a map."""

    def __iter__(self) -> Iterator[Layer]:
        return iter(self.layers.values())

    @property
    def omitted_but_built(self) -> Booleans:
        """Over piles: omitted in the design, and shot, read, logged or recorded all the same."""
        named = [one.item for one in self.findings if one.kind == "omitted_but_built"]
        return np.isin(self.piles["pile_id"].astype(str), named)
