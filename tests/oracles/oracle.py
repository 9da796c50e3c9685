"""A second opinion on every number: plain loops, dense sampling, quadrature and polygons instead of closed forms.

Nothing here is fast and nothing is shared with the package but the settings. Metres, m per m, levels upward.
Results carry the package's column names; a missing figure is None.
"""

from __future__ import annotations

import itertools
import math
from abc import ABC, abstractmethod
from collections import defaultdict
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import brentq, least_squares, minimize_scalar
from scipy.special import ndtr
from scipy.stats import chi2

if TYPE_CHECKING:
    from collections.abc import Callable

    from builders import Row, Site

SLACK = 1e-9
STEP = 0.1  # of every dense scan, m
RANK = {"within": 0, "unresolved": 1, "not surveyed": 2, "outside": 3}

Vector = tuple[float, float]


def add(a: Vector, b: Vector, k: float = 1.0) -> Vector:
    return (a[0] + k * b[0], a[1] + k * b[1])


def dot(a: Vector, b: Vector) -> float:
    return a[0] * b[0] + a[1] * b[1]


def unit(a: Vector) -> Vector:
    length = math.hypot(*a)
    return (a[0] / length, a[1] / length)


def bearing(degrees: float) -> Vector:
    return (math.sin(math.radians(degrees)), math.cos(math.radians(degrees)))


# ------------------------------------------------------------------------------------------ probability


_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(120)


def p_disc(mean: Vector, cov: np.ndarray, radius: float) -> float:
    """Chance that a normal vector falls into the disc round 0: in its own axes, x = R sin(a), Gauss-Legendre in a."""
    if radius <= 0:
        return 0.0
    values, vectors = np.linalg.eigh(cov)
    sx, sy = np.sqrt(values)
    mx, my = vectors.T @ np.array(mean)
    low, high = max(-radius, mx - 9 * sx), min(radius, mx + 9 * sx)
    if low >= high:
        return 0.0
    a, b = math.asin(low / radius), math.asin(high / radius)
    angle = (a + b) / 2 + (b - a) / 2 * _NODES
    x, half = radius * np.sin(angle), radius * np.cos(angle)
    density = np.exp(-0.5 * ((x - mx) / sx) ** 2) / (sx * math.sqrt(2 * math.pi))
    inner = ndtr((half - my) / sy) - ndtr((-half - my) / sy)
    return float(np.sum(_WEIGHTS * density * inner * half) * (b - a) / 2)


# ------------------------------------------------------------------------------------------ walls


@dataclass
class Pile:
    """One pile, everything about it."""

    row: Row
    id: str
    at: Vector
    cut_off: float
    formation: float
    design_toe: float
    attempt: int = 1
    radius: float = 0.0
    toe: float = 0.0
    record_toe: float | None = None
    t: Vector | None = None
    n: Vector | None = None
    normals: list[Vector] = field(default_factory=list)
    centre: Centre | None = None
    axes: dict[str, Axis] = field(default_factory=dict)


def turned(u: Vector, left: bool) -> Vector:
    return (-u[1], u[0]) if left else (u[1], -u[0])


def wall_order(site: Site, wall: str) -> list[Row]:
    rows = [
        r for r in site.design if r["wall"] == wall and r.get("position") is not None and r.get("status") != "omitted"
    ]
    return sorted(rows, key=lambda r: r["position"])


def pit_is_left(site: Site, wall: str) -> bool:
    setting = site.settings.walls[wall]
    if not setting.closed:
        return setting.pit_side == "left"
    from shapely import LinearRing

    return bool(LinearRing([(r["easting"], r["northing"]) for r in wall_order(site, wall)]).is_ccw)


def sides_of(points: list[Vector], k: int, closed: bool) -> list[Vector]:
    """Unit vectors from the previous and to the next centre, one of them at a free end, none for a pile alone."""
    sides = []
    if len(points) > 1 and (closed or k > 0):
        sides.append(unit(add(points[k], points[k - 1], -1)))
    if len(points) > 1 and (closed or k < len(points) - 1):
        sides.append(unit(add(points[(k + 1) % len(points)], points[k], -1)))
    return sides


def frames(site: Site) -> dict[str, tuple[Vector, Vector, list[Vector]]]:
    """Along the wall, towards the pit, and the normals of both sides, by pile."""
    found = {}
    for wall, setting in site.settings.walls.items():
        rows = wall_order(site, wall)
        left = pit_is_left(site, wall)
        points = [(r["easting"], r["northing"]) for r in rows]
        for k, row in enumerate(rows):
            sides = sides_of(points, k, setting.closed)
            if sides:
                t = unit(add(sides[0], sides[-1]))
                found[row["pile_id"]] = (t, turned(t, left), [turned(u, left) for u in sides])
    # an added pile has no place of its own along the wall: it takes the axes of the pile that it is first tied to
    pairs = [pair for setting in site.settings.walls.values() for pair in setting.extra_joints]
    for added, neighbour in [pair for a, b in pairs for pair in ((a, b), (b, a))]:
        if added not in found and neighbour in found:
            found[added] = found[neighbour]
    return found


# ------------------------------------------------------------------------------------------ centres


@dataclass
class Centre:
    """A surveyed centre; ``cov`` without the part common to the set-up."""

    at: Vector
    cov: np.ndarray
    level: float
    setup: str
    object: str
    shots: int
    time: str
    radius: float | None = None
    rms: float | None = None


def shot_groups(shots: list[Row]) -> list[list[Row]]:
    """Group one pile's shots of one attempt by object, set-up and level."""
    by_key: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for shot in shots:
        setup = shot.get("setup")
        by_key[shot.get("object") or "head", f"setup {setup}" if setup else f"file {shot['file']}"].append(shot)
    groups = []
    for rows in by_key.values():
        rows.sort(key=lambda r: r["level"])
        for k, row in enumerate(rows):
            if k == 0 or row["level"] - rows[k - 1]["level"] > 0.3:
                groups.append([])
            groups[-1].append(row)
    return groups


class Adjustment:
    """Centre and radius from the edge and centre shots of one group, by general least squares, near ``design``."""

    def __init__(self, edges: list[Row], centres: list[Row], design: Vector, r0: float, site: Site) -> None:
        self.u, self.r0, self.design = site.settings.uncertainty, r0, design
        self.edges = [(self.local(s), self.sigma(s)) for s in edges]
        self.centres = [(self.local(s), self.sigma(s)) for s in centres]

    def local(self, s: Row) -> Vector:
        return (s["easting"] - self.design[0], s["northing"] - self.design[1])

    def sigma(self, s: Row) -> float:
        return (s.get("sigma_mm") or self.u.pickup_mm) / 1000

    def mean(self) -> tuple[Vector, np.ndarray]:
        """Weighted mean of centre shots alone, and its covariance."""
        weight = sum(1 / sigma**2 for _, sigma in self.centres)
        e = sum(at[0] / sigma**2 for at, sigma in self.centres) / weight
        n = sum(at[1] / sigma**2 for at, sigma in self.centres) / weight
        return (e, n), np.eye(2) / weight

    def residuals(self, x: np.ndarray) -> np.ndarray:
        out = [(math.dist(at, x[:2]) - x[2]) / sigma for at, sigma in self.edges]
        for at, sigma in self.centres:
            out += [(at[0] - x[0]) / sigma, (at[1] - x[1]) / sigma]
        return np.array([*out, (x[2] - self.r0) / (self.u.radius_mm / 1000)])

    def from_start(self, start: Vector) -> Any:
        return least_squares(
            self.residuals, [*start, self.r0], method="lm", xtol=1e-14, ftol=1e-14, gtol=1e-14, x_scale=0.1
        )

    def solve(self) -> Any:
        """Return the best fit; None where a mirror image fits nearly as well."""
        fit = self.from_start((0.0, 0.0))
        c = (float(fit.x[0]), float(fit.x[1]))
        around = sorted((math.degrees(math.atan2(at[0] - c[0], at[1] - c[1])) % 360, at) for at, _ in self.edges)
        angles = [angle for angle, _ in around]
        gaps = [b - a for a, b in zip(angles, [*angles[1:], angles[0] + 360], strict=True)]
        if 360 - max(gaps) >= 120 or self.centres:
            return fit
        last = gaps.index(max(gaps))
        a, b = around[(last + 1) % len(around)][1], around[last][1]
        chord = unit(add(b, a, -1))
        across = (-chord[1], chord[0])
        other = self.from_start(add(c, across, -2 * dot(add(c, a, -1), across)))
        if other.cost < fit.cost:
            fit, other = other, fit
        return None if math.dist(fit.x[:2], other.x[:2]) > 1e-4 and 2 * (other.cost - fit.cost) < 6 else fit

    def cov(self, fit: Any) -> np.ndarray:
        jacobian = np.zeros((len(fit.fun), 3))
        for k, h in enumerate(1e-6 * np.eye(3)):
            jacobian[:, k] = (self.residuals(fit.x + h) - self.residuals(fit.x - h)) / 2e-6
        cov = np.linalg.inv(jacobian.T @ jacobian)[:2, :2]
        squares, freedom = float(np.sum(fit.fun**2)), len(self.edges) + 2 * len(self.centres) + 1 - 3
        return cov * squares / freedom if squares > chi2.ppf(0.99, freedom) else cov


def solve_group(shots: list[Row], design: Vector, r0: float, site: Site) -> Centre | None:
    """Solve one group; None where it has no answer or two."""
    edges = [s for s in shots if s.get("shot") == "edge"]
    centres = [s for s in shots if s.get("shot") != "edge"]
    if not centres and len(edges) < 3:
        return None
    first = shots[0]
    common: dict[str, Any] = {
        "level": sum(s["level"] for s in shots) / len(shots),
        "setup": f"setup {first['setup']}" if first.get("setup") else f"file {first['file']}",
        "object": first.get("object") or "head",
        "shots": len(shots),
        "time": max(s["surveyed_at"] for s in shots),
    }
    adjustment = Adjustment(edges, centres, design, r0, site)
    if not edges:
        at, cov = adjustment.mean()
        return Centre(at=add(design, at), cov=cov, **common)
    fit = adjustment.solve()
    if fit is None:
        return None
    raw = [math.dist(at, fit.x[:2]) - fit.x[2] for at, _ in adjustment.edges]
    return Centre(
        at=add(design, (float(fit.x[0]), float(fit.x[1]))),
        cov=adjustment.cov(fit),
        radius=float(fit.x[2]),
        rms=math.sqrt(sum(r * r for r in raw) / len(raw)),
        **common,
    )


def governing_centre(pile: Pile, site: Site) -> Centre | None:
    shots = [s for s in site.pickups if s.get("pile_id") == pile.id and (s.get("attempt") or 1) == pile.attempt]
    solved = [c for c in (solve_group(g, pile.at, pile.radius, site) for g in shot_groups(shots)) if c is not None]
    for objects in (("trimmed",), ("head", "casing")):
        some = [c for c in solved if c.object in objects]
        if some:
            return max(some, key=lambda c: (c.time, -abs(c.level - pile.cut_off), c.shots))
    return None


# ------------------------------------------------------------------------------------------ axes


def slope_of(row: Row, pile: Pile, site: Site) -> Vector:
    """Slope towards the toe, m per m in E and N, of one reading."""
    readings = site.settings.readings
    change: dict[str, Callable[[float], float]] = {
        "mm/m": lambda v: v / 1000,
        "1:n": lambda v: 0.0 if v == 0 else 1 / v,
        "%": lambda v: v / 100,
        "deg": lambda v: math.tan(math.radians(v)),
        "mm": lambda v: v / readings.level_length_mm,
    }
    a, b = change[row["unit"]](row["tilt_a"]), change[row["unit"]](row["tilt_b"])
    if row.get("bearing_a_deg") is not None:
        ua = bearing(row["bearing_a_deg"])
    else:
        assert pile.n is not None
        ua = pile.n
    ub = bearing(row["bearing_b_deg"]) if row.get("bearing_b_deg") is not None else (ua[1], -ua[0])
    sign = -1.0 if (row.get("sense") or readings.sense) == "top" else 1.0
    return (sign * (a * ua[0] + b * ub[0]), sign * (a * ua[1] + b * ub[1]))


class Axis(ABC):
    """Displacement of the axis with depth, and its uncertainty. ``anchor`` is the level of the surveyed centre."""

    method = "none"
    deepest: float | None = None
    vertices: tuple[float, ...] = ()

    @abstractmethod
    def shape(self, z: float) -> Vector:
        """Displacement of the axis at level z from an arbitrary start."""

    def between(self, z_from: float, z_to: float) -> Vector:
        return add(self.shape(z_to), self.shape(z_from), -1)

    @abstractmethod
    def variance(self, z_from: float, z: float) -> float:
        """Left to each kind."""


class Tilted(Axis):
    """Readings at depths below ``top``: lists from shallow to deep, equal depths already averaged."""

    def __init__(
        self,
        method: str,
        top: float,
        depths: list[float],
        slopes: list[Vector],
        counts: list[int],
        toe: float,
        site: Site,
    ) -> None:
        self.method, self.top, self.depths, self.slopes, self.counts, self.toe = (
            method,
            top,
            depths,
            slopes,
            counts,
            toe,
        )
        self.u = site.settings.uncertainty
        self.deepest = top - depths[-1]
        if method == "stepped":
            self.vertices = tuple(top - d for d in depths[:-1])

    def shape(self, z: float) -> Vector:
        d = self.top - z
        if self.method == "straight":
            return (self.slopes[-1][0] * d, self.slopes[-1][1] * d)
        at, passed = (0.0, 0.0), 0.0
        for k, (depth, slope) in enumerate(zip(self.depths, self.slopes, strict=True)):
            if d <= depth or k == len(self.depths) - 1:
                return add(at, slope, d - passed)
            at, passed = add(at, slope, depth - passed), depth
        raise AssertionError

    def variance(self, z_from: float, z: float) -> float:
        r, b, w = self.u.tilt_mm_per_m / 1000, self.u.tilt_systematic_mm_per_m / 1000, self.u.wander_mm_per_m / 1000
        d1, d2 = sorted((self.top - z_from, self.top - z))
        if self.method == "straight":
            unread = max(0.0, (self.top - self.toe) - self.depths[-1])
            return (d2 - d1) ** 2 * (r * r / self.counts[-1] + b * b + w * w * unread)
        ends = [-math.inf, *self.depths[:-1], math.inf]
        lengths = [max(0.0, min(d2, high) - max(d1, low)) for low, high in itertools.pairwise(ends)]
        below = max(0.0, d2 - max(d1, self.depths[-1]))
        squares = sum((r * length) ** 2 / m for length, m in zip(lengths, self.counts, strict=True))
        return squares + (b * sum(lengths)) ** 2 + w * w * below**3 / 3


class Profiled(Axis):
    """Offsets at depths below ``top``."""

    method = "profile"

    def __init__(self, top: float, depths: list[float], offsets: list[Vector], site: Site) -> None:
        self.top, self.depths, self.offsets = top, depths, offsets
        self.u = site.settings.uncertainty
        self.deepest = top - depths[-1]
        self.vertices = tuple(top - d for d in depths)

    def _at(self, d: float) -> Vector:
        return (
            float(np.interp(d, self.depths, [o[0] for o in self.offsets])),
            float(np.interp(d, self.depths, [o[1] for o in self.offsets])),
        )

    def shape(self, z: float) -> Vector:
        d = self.top - z
        if d < self.depths[0]:
            run = add(self.offsets[1], self.offsets[0], -1)
            return add(self.offsets[0], run, (d - self.depths[0]) / (self.depths[1] - self.depths[0]))
        if d > self.depths[-1]:
            base = min(3.0, self.depths[-1] - self.depths[0])
            run = add(self.offsets[-1], self._at(self.depths[-1] - base), -1)
            return add(self.offsets[-1], run, (d - self.depths[-1]) / base)
        return self._at(d)

    def variance(self, z_from: float, z: float) -> float:
        a, b, w = self.u.profile_mm / 1000, self.u.profile_mm_per_m / 1000, self.u.wander_mm_per_m / 1000
        h = abs(z_from - z)
        d1, d2 = sorted((self.top - z_from, self.top - z))
        below = max(0.0, d2 - max(d1, self.depths[-1]))
        return 2 * a * a * min(1.0, h) + (b * h) ** 2 + w * w * below**3 / 3


def pile_axes(pile: Pile, site: Site) -> dict[str, Axis]:
    """Axis under both lean models; empty where nothing was read."""
    commence = site.settings.levels.commence

    def mine(rows: list[Row]) -> list[Row]:
        return [r for r in rows if r["pile_id"] == pile.id and (r.get("attempt") or 1) == pile.attempt]

    profile = sorted(mine(site.profiles), key=lambda r: r["depth"])
    if len(profile) > 1:
        top = commence if profile[0].get("from_level") is None else profile[0]["from_level"]
        axis = Profiled(
            top, [r["depth"] for r in profile], [(r["off_e_mm"] / 1000, r["off_n_mm"] / 1000) for r in profile], site
        )
        return {"straight": axis, "stepped": axis}
    tilts = mine(site.tilts)
    if not tilts:
        return {}
    top = commence if tilts[0].get("from_level") is None else tilts[0]["from_level"]
    depths = sorted({r["depth"] for r in tilts})
    slopes, counts = [], []
    for depth in depths:
        some = [slope_of(r, pile, site) for r in tilts if r["depth"] == depth]
        slopes.append((sum(s[0] for s in some) / len(some), sum(s[1] for s in some) / len(some)))
        counts.append(len(some))
    return {method: Tilted(method, top, depths, slopes, counts, pile.toe, site) for method in ("straight", "stepped")}


# ------------------------------------------------------------------------------------------ scanning


def scan_levels(top: float, bottom: float, extra: list[float]) -> list[float]:
    count = max(2, math.ceil((top - bottom) / STEP))
    levels = {top - (top - bottom) * k / count for k in range(count + 1)}
    return sorted(levels | {z for z in extra if bottom <= z <= top}, reverse=True)


def least_of(f: Callable[[float], float], levels: list[float]) -> tuple[float, float]:
    """Return the least value of ``f`` and its level: sampled, then refined round each dip."""
    values = [f(z) for z in levels]
    best = min(zip(values, levels, strict=True))
    for k in range(1, len(levels) - 1):
        if values[k] <= values[k - 1] and values[k] <= values[k + 1] and values[k] < best[0] + 0.002:
            found = minimize_scalar(f, bounds=(levels[k + 1], levels[k - 1]), method="bounded", options={"xatol": 1e-9})
            best = min(best, (float(found.fun), float(found.x)))
    return best


def first_below(f: Callable[[float], float], limit: float, levels: list[float], near: float) -> float | None:
    """Highest level at which ``f`` is below ``limit``, going down.

    Between samples a dip is looked for wherever the samples come within ``near`` of the limit.
    """
    last = None
    values = [f(z) for z in levels]
    for k, z in enumerate(levels):
        if values[k] < limit - SLACK:
            if last is None:
                return z
            return float(brentq(lambda x: f(x) - limit, z, last, xtol=1e-9))
        last = z
        if 0 < k < len(levels) - 1 and values[k] < limit + near and values[k - 1] >= values[k] <= values[k + 1]:
            found = minimize_scalar(f, bounds=(levels[k + 1], levels[k - 1]), method="bounded", options={"xatol": 1e-9})
            if found.fun < limit - SLACK:
                above = levels[k - 1]
                return float(brentq(lambda x: f(x) - limit, float(found.x), above, xtol=1e-9))
    return None


# ------------------------------------------------------------------------------------------ encroachment


class Encroachment(ABC):
    """One way in which a pile can stand in the pit: what is measured at a level, what is allowed, which way."""

    name = ""

    def __init__(self, oracle: Oracle, pile: Pile) -> None:
        self.oracle, self.pile, self.tolerance = oracle, pile, oracle.settings.tolerance

    def at(self, z: float) -> Vector:
        return self.oracle.at(self.pile, z, self.oracle.model)

    @abstractmethod
    def measured(self, z: float) -> float:
        """Left to each kind."""

    @abstractmethod
    def allowed(self, z: float) -> float:
        """Left to each kind."""

    @abstractmethod
    def direction(self, z: float) -> Vector:
        """Left to each kind."""

    def excess(self, z: float) -> float:
        return self.measured(z) - self.allowed(z)

    def p(self, z: float) -> float:
        n = np.array(self.direction(z))
        sigma = math.sqrt(n @ self.oracle.cov(self.pile, z, self.oracle.model) @ n)
        return float(ndtr(-self.excess(z) / sigma))


class Movement(Encroachment):
    """Movement towards the pit from the design centre."""

    name = "worst_towards_pit"

    def direction(self, z: float) -> Vector:
        delta = add(self.at(z), self.pile.at, -1)
        return max(self.pile.normals, key=lambda n: dot(delta, n))

    def measured(self, z: float) -> float:
        return dot(add(self.at(z), self.pile.at, -1), self.direction(z))

    def allowed(self, z: float) -> float:
        growth = self.tolerance.encroach_growth_mm_per_m * (self.pile.cut_off - z)
        return (self.tolerance.encroach_mm + growth) / 1000


class Face(Encroachment):
    """How far the face stands inside the outline that the permanent works need clear."""

    name = "face_inside"

    def __init__(self, oracle: Oracle, pile: Pile) -> None:
        from shapely import Polygon

        super().__init__(oracle, pile)
        self.outline = Polygon(oracle.site.outline)

    def clearance(self, c: Vector) -> float:
        """Distance from the outline, positive outside."""
        from shapely import Point

        distance = self.outline.exterior.distance(Point(*c))
        return -distance if self.outline.contains(Point(*c)) else distance

    def direction(self, z: float) -> Vector:
        c, h = self.at(z), 1e-5
        steps = [self.clearance(add(c, d, h)) - self.clearance(add(c, d, -h)) for d in ((1.0, 0.0), (0.0, 1.0))]
        return unit((steps[0], steps[1]))

    def measured(self, z: float) -> float:
        return self.pile.radius + self.tolerance.overbreak_mm / 1000 - self.clearance(self.at(z))

    def allowed(self, z: float) -> float:  # noqa: ARG002  # the same at every level
        return self.tolerance.clear_mm / 1000


# ------------------------------------------------------------------------------------------ the oracle


class Oracle:
    """Everything about one site. ``piles`` and ``joints`` give dicts by id, in the package's column names."""

    def __init__(self, site: Site) -> None:
        self.site, self.settings = site, site.settings
        self.model = self.settings.uncertainty.axis
        self.other = "stepped" if self.model == "straight" else "straight"
        self.confidence = self.settings.site.confidence
        self.set_var = (self.settings.uncertainty.setup_mm / 1000) ** 2
        self.all = {row["pile_id"]: self._pile(row) for row in site.design}
        for pile_id, (t, n, normals) in frames(site).items():
            self.all[pile_id].t, self.all[pile_id].n, self.all[pile_id].normals = t, n, normals
        for pile in self.all.values():
            if pile.row.get("status") != "omitted":
                pile.centre = governing_centre(pile, site)
                pile.axes = pile_axes(pile, site)

    def _pile(self, row: Row) -> Pile:
        wall = row["wall"]
        cut_off = row.get("cut_off_level")
        attempts = [
            r.get("attempt") or 1
            for table in (self.site.pickups, self.site.tilts, self.site.profiles, self.site.records)
            for r in table
            if r.get("pile_id") == row["pile_id"]
        ]
        pile = Pile(
            row=row,
            id=row["pile_id"],
            at=(row["easting"], row["northing"]),
            cut_off=self.settings.wall_level(wall, "cut_off") if cut_off is None else cut_off,
            formation=self.settings.wall_level(wall, "formation"),
            design_toe=row["toe_level"],
            attempt=max(attempts, default=1),
            radius=row["diameter_mm"] / 2000,
        )
        pile.toe = pile.design_toe
        for record in self.site.records:
            if record["pile_id"] == pile.id and (record.get("attempt") or 1) == pile.attempt:
                if record.get("casing_od_mm") is not None:
                    pile.radius = record["casing_od_mm"] / 2000
                if record.get("toe_level") is not None:
                    pile.toe = pile.record_toe = record["toe_level"]
        return pile

    # -- position of an axis

    def reaches(self, pile: Pile, z: float) -> bool:
        """Whether the pile's centre at level z can be told."""
        if pile.centre is None or pile.axes:
            return pile.centre is not None
        limit = 2.0 if self.limit_of(pile) is not None else 1e-9
        return abs(pile.centre.level - z) <= limit

    def limit_of(self, pile: Pile) -> float | None:
        limit = self.settings.tolerance.verticality.get(pile.row["kind"])
        return None if limit is None else limit / 1000

    def at(self, pile: Pile, z: float, model: str) -> Vector:
        assert pile.centre is not None
        if not pile.axes:
            return pile.centre.at
        return add(pile.centre.at, pile.axes[model].between(pile.centre.level, z))

    def q2(self, pile: Pile, z: float, model: str) -> float:
        assert pile.centre is not None
        if not pile.axes:
            return (0.5 * (self.limit_of(pile) or 0.0) * (pile.centre.level - z)) ** 2
        return pile.axes[model].variance(pile.centre.level, z)

    def cov(self, pile: Pile, z: float, model: str) -> np.ndarray:
        assert pile.centre is not None
        return pile.centre.cov + (self.set_var + self.q2(pile, z, model)) * np.eye(2)

    # -- verdicts

    def judge(self, rule: str, p: float, measured_beyond: bool) -> str:
        if rule == "simple":
            return "outside" if measured_beyond else "within"
        if p >= self.confidence:
            return "within"
        return "outside" if p <= 1 - self.confidence and measured_beyond else "unresolved"

    # -- piles

    def pile(self, pile_id: str) -> dict[str, Any]:
        pile = self.all[pile_id]
        out: dict[str, Any] = {"diameter_mm": 2000 * pile.radius, "cut_off_level": pile.cut_off}
        out |= self.plan(pile) | self.vertical(pile) | self.encroach(pile) | self.toe(pile)
        checks = [
            out[f"{c}_verdict"] for c in ("plan", "vertical", "encroach", "toe") if out[f"{c}_verdict"] is not None
        ]
        out["verdict"] = max(checks, key=RANK.__getitem__)
        return out

    def plan(self, pile: Pile) -> dict[str, Any]:
        tolerance = self.settings.tolerance
        depth = max(0.0, self.settings.levels.commence - pile.cut_off)
        allowed = (tolerance.plan_mm + tolerance.plan_growth_mm_per_m * depth) / 1000
        out: dict[str, Any] = {"allowed_mm": 1000 * allowed, "offset_mm": None, "plan_verdict": "not surveyed"}
        if not self.reaches(pile, pile.cut_off):
            return out
        assert pile.centre is not None
        delta = add(self.at(pile, pile.cut_off, self.model), pile.at, -1)
        offset = math.hypot(*delta)
        cov = self.cov(pile, pile.cut_off, self.model)
        p = p_disc(delta, cov, allowed)
        return out | {
            "surveyed_level": pile.centre.level,
            "offset_e_mm": 1000 * delta[0],
            "offset_n_mm": 1000 * delta[1],
            "offset_mm": 1000 * offset,
            "offset_bearing_deg": math.degrees(math.atan2(delta[0], delta[1])) % 360,
            "towards_pit_mm": 1000 * max(dot(delta, n) for n in pile.normals) if pile.normals else None,
            "along_wall_mm": 1000 * dot(delta, pile.t) if pile.t else None,
            "plan_of_allowed_percent": 100 * offset / allowed,
            "u_offset_mm": 1000 * math.sqrt(np.linalg.eigvalsh(cov)[-1]),
            "p_plan": p,
            "n_shots": pile.centre.shots,
            "fit_radius_mm": None if pile.centre.radius is None else 1000 * pile.centre.radius,
            "fit_rms_mm": None if pile.centre.rms is None else 1000 * pile.centre.rms,
            "plan_verdict": self.judge(self.settings.decide.plan, p, offset > allowed + SLACK),
        }

    def vertical(self, pile: Pile) -> dict[str, Any]:
        limit = self.limit_of(pile)
        out: dict[str, Any] = {"incline_mm_per_m": None, "vertical_verdict": None if limit is None else "not surveyed"}
        if not pile.axes:
            return out
        axis = pile.axes[self.model]
        length = pile.cut_off - pile.toe
        run = axis.between(pile.cut_off, pile.toe)
        slope = (run[0] / length, run[1] / length)
        incline = math.hypot(*slope)
        if axis.method == "straight":
            sigma = math.sqrt(axis.variance(0.0, -1.0))
        else:
            sigma = math.sqrt(axis.variance(pile.cut_off, pile.toe)) / length
        out |= {
            "tilt_e_mm_per_m": 1000 * slope[0],
            "tilt_n_mm_per_m": 1000 * slope[1],
            "incline_mm_per_m": 1000 * incline,
            "steepest_mm_per_m": 1000 * self.steepest(axis, pile.cut_off, pile.toe),
        }
        if limit is not None:
            p = p_disc(slope, sigma**2 * np.eye(2), limit)
            out |= {
                "allowed_mm_per_m": 1000 * limit,
                "vertical_of_allowed_percent": 100 * incline / limit,
                "p_vertical": p,
                "vertical_verdict": self.judge(self.settings.decide.vertical, p, incline > limit + SLACK),
            }
        return out

    @staticmethod
    def steepest(axis: Axis, top: float, toe: float) -> float:
        """Steepest chord over a base of 3 m or more.

        A base of 6 m or more is two bases, one of them as steep. For a given base the length of the chord is convex
        between kinks, so that one end of the steepest lies at a kink or at an end of the pile: bases are tried there.
        """
        if top - toe <= 3.0:
            return math.hypot(*axis.between(top, toe)) / (top - toe)
        ends = [z for z in {top, toe, *axis.vertices} if toe <= z <= top]

        def chord(end: float, base: float) -> float:
            low = end - base if base > 0 else end
            return math.hypot(*axis.between(low + abs(base), low)) / abs(base)

        best = 0.0
        for end in ends:
            for sign in (1.0, -1.0):
                reach = min(6.0, end - toe if sign > 0 else top - end)
                if reach < 3.0:
                    continue
                count = max(2, math.ceil((reach - 3.0) / 0.02) + 1)
                bases = [sign * (3.0 + (reach - 3.0) * k / (count - 1)) for k in range(count)]
                values = [chord(end, x) for x in bases]
                k = values.index(max(values))
                near = sorted((bases[max(0, k - 1)], bases[min(count - 1, k + 1)]))
                best = max(best, values[k])
                if near[0] < near[1]:
                    found = minimize_scalar(
                        lambda x, end=end: -chord(end, x), bounds=near, method="bounded", options={"xatol": 1e-7}
                    )
                    best = max(best, -float(found.fun))
        return best

    def toe(self, pile: Pile) -> dict[str, Any]:
        margin = self.settings.tolerance.toe_mm
        if margin is None:
            return {"toe_level": pile.record_toe, "toe_verdict": None}
        if pile.record_toe is None:
            return {"toe_level": None, "toe_verdict": "not surveyed"}
        beyond = pile.record_toe > pile.design_toe + margin / 1000 + SLACK
        return {"toe_level": pile.record_toe, "toe_verdict": "outside" if beyond else "within"}

    def encroach(self, pile: Pile) -> dict[str, Any]:
        tolerance = self.settings.tolerance
        tests: list[Encroachment] = []
        if tolerance.encroach_mm is not None and pile.normals:
            tests.append(Movement(self, pile))
        if self.site.outline is not None:
            tests.append(Face(self, pile))
        out: dict[str, Any] = {"face_inside_mm": None}
        if not tests or pile.centre is None:
            asked = bool(tests) or (tolerance.encroach_mm is not None and pile.centre is None)
            return out | {"encroach_verdict": "not surveyed" if asked else None}
        if not pile.axes:
            # without an axis only cut-off can be told: it settles the check where it is beyond doubt
            z = pile.cut_off
            known = self.reaches(pile, z)
            settled = known and any(self.judge("guarded", t.p(z), t.excess(z) > SLACK) == "outside" for t in tests)
            return {"encroach_verdict": "outside" if settled else "not surveyed"}
        axis = pile.axes[self.model]
        named = [pile.cut_off, pile.formation, pile.centre.level, axis.deepest, *axis.vertices]
        levels = scan_levels(pile.cut_off, pile.formation, named)
        named = [z for z in named if pile.formation <= z <= pile.cut_off]
        chances: list[float] = []
        coarse: list[float] = []
        beyond = False
        for t in tests:
            clear, z = least_of(lambda z, t=t: -t.excess(z), levels)
            beyond |= clear < -SLACK
            out |= {f"{t.name}_mm": 1000 * t.measured(z), f"{t.name}_level": z, f"{t.name}_at": t.measured}
            chances += [t.p(x) for x in [*levels, z]]
            coarse += [t.p(x) for x in [*named, z]]
        # the least over all levels is sampled; the least over named ones only can be a little higher
        out["p_encroach_range"] = (min(chances), min(coarse))
        verdicts = [self.judge(self.settings.decide.encroach, p, beyond) for p in out["p_encroach_range"]]
        return out | {"encroach_verdict": verdicts[0], "encroach_verdicts": set(verdicts)}

    # -- joints

    def joint_pairs(self) -> list[tuple[str, str]]:
        pairs = []
        for wall, setting in self.settings.walls.items():
            ids = [r["pile_id"] for r in wall_order(self.site, wall)]
            pairs += list(itertools.pairwise(ids))
            if setting.closed:
                pairs.append((ids[-1], ids[0]))
            pairs += [tuple(pair) for pair in setting.extra_joints]
        return pairs

    def w(self, a: Pile, b: Pile, z: float, model: str) -> Vector:
        return add(self.at(b, z, model), self.at(a, z, model), -1)

    def overlap(self, a: Pile, b: Pile, z: float, model: str) -> float:
        return a.radius + b.radius - math.hypot(*self.w(a, b, z, model))

    def joint_cov(self, a: Pile, b: Pile, z: float, model: str) -> np.ndarray:
        assert a.centre is not None
        assert b.centre is not None
        shared = 2 * self.set_var if a.centre.setup == b.centre.setup else 0.0
        return self.cov(a, z, model) + self.cov(b, z, model) - shared * np.eye(2)

    def required(self, a: Pile, b: Pile) -> float:
        tolerance = self.settings.tolerance
        required = tolerance.overlap_mm / 1000
        if tolerance.chord_mm is not None:
            half = tolerance.chord_mm / 2000
            required = max(
                required, a.radius + b.radius - math.sqrt(a.radius**2 - half**2) - math.sqrt(b.radius**2 - half**2)
            )
        return required

    def p(self, a: Pile, b: Pile, z: float, model: str) -> float:
        return p_disc(self.w(a, b, z, model), self.joint_cov(a, b, z, model), a.radius + b.radius - self.required(a, b))

    def range_of(self, a: Pile, b: Pile) -> tuple[float, float]:
        ends = [self.settings.wall_level(p.row["wall"], "interlock_to") for p in (a, b)]
        return min(a.cut_off, b.cut_off), max(min(ends), a.design_toe, b.design_toe)

    def named_levels(self, a: Pile, b: Pile, model: str) -> list[float]:
        top, bottom = self.range_of(a, b)
        named = [top, bottom]
        for pile in (a, b):
            axis = pile.axes[model]
            assert pile.centre is not None
            named += [*axis.vertices, pile.centre.level, axis.deepest]
        return sorted({z for z in named if bottom <= z <= top}, reverse=True)

    def pit_normal(self, a: Pile, b: Pile) -> Vector:
        """The joint's normal on the pit side, as the wall of the first pile has it."""
        t = unit(add(b.at, a.at, -1))
        n = turned(t, pit_is_left(self.site, a.row["wall"]))
        return (-n[0], -n[1]) if a.n is not None and dot(n, a.n) < 0 else n

    def sections(self, a: Pile, b: Pile, z: float, model: str) -> dict[str, float]:
        """Chord, thickness, band and opening at level z, from polygons with many corners."""
        from shapely import Point
        from shapely.affinity import rotate

        origin = a.at
        ca, cb = add(self.at(a, z, model), origin, -1), add(self.at(b, z, model), origin, -1)
        n = self.pit_normal(a, b)
        segments = 4096
        disc_a, disc_b = (
            Point(*ca).buffer(a.radius, quad_segs=segments),
            Point(*cb).buffer(b.radius, quad_segs=segments),
        )
        crossing = disc_a.exterior.intersection(disc_b.exterior)
        points = [(g.x, g.y) for g in getattr(crossing, "geoms", [crossing]) if not g.is_empty]
        distance = math.dist(ca, cb)
        if len(points) == 2:
            chord_vector = add(points[1], points[0], -1)
            chord = math.hypot(*chord_vector)
            thickness = abs(dot(chord_vector, n))
        else:
            chord = 2 * min(a.radius, b.radius) if distance < max(a.radius, b.radius) else 0.0
            thickness = chord
        # turned so that n points along +y, the extents across the wall are bounds
        angle = 90 - math.degrees(math.atan2(n[1], n[0]))
        low_a, high_a = rotate(disc_a, angle, origin=(0, 0)).bounds[1::2]
        low_b, high_b = rotate(disc_b, angle, origin=(0, 0)).bounds[1::2]
        return {
            "chord": chord,
            "thickness": thickness,
            "band": min(high_a, high_b) - max(low_a, low_b),
            "opening": max(0.0, Point(*ca).distance(Point(*cb)) - a.radius - b.radius),
        }

    def joint(self, pair: tuple[str, str]) -> dict[str, Any]:
        a, b = self.all[pair[0]], self.all[pair[1]]
        top, bottom = self.range_of(a, b)
        required = self.required(a, b)
        margin = self.settings.tolerance.toe_mm
        toes = [
            p.record_toe
            for p in (a, b)
            if p.record_toe is not None and margin is not None and p.record_toe > bottom + margin / 1000 + SLACK
        ]
        short = max(toes) if toes else None
        out: dict[str, Any] = {
            "required_overlap_mm": 1000 * required,
            "range_top": top,
            "range_bottom": bottom,
            "design_overlap_mm": a.row["diameter_mm"] / 2 + b.row["diameter_mm"] / 2 - 1000 * math.dist(a.at, b.at),
            "levels_known": False,
            "least_overlap_mm": None,
            "toe_level": short,
            "verdict": "not surveyed" if short is None else "outside",
        }
        if self.reaches(a, top) and self.reaches(b, top):
            o = self.overlap(a, b, top, self.model)
            out["overlap_cut_off_mm"] = 1000 * o
            # beyond doubt, whatever the rule
            lost = self.judge("guarded", self.p(a, b, top, self.model), o < required - SLACK) == "outside"
            if not (a.axes and b.axes) and lost:
                out |= {"verdict": "outside", "lost_level": top, "open_level": top if o < -SLACK else None}
        if a.centre and b.centre and a.axes and b.axes:
            out["levels_known"] = True
            out |= self._measured(a, b, required, short)
        if short is not None:
            # below a toe as built that is too high there is no joint
            for name in ("lost_level", "open_level"):
                out[name] = short if out.get(name) is None else max(out[name], short)
            if out.get("worst_opening_mm") == 0:
                out["worst_opening_mm"] = None
            if a.formation < short:
                out |= dict.fromkeys(name for name in out if "formation" in name)
        return out

    def _measured(self, a: Pile, b: Pile, required: float, short: float | None) -> dict[str, Any]:
        top, bottom = self.range_of(a, b)
        rule, out, results = self.settings.decide.joint, {}, {}
        for model in (self.model, self.other):
            named = self.named_levels(a, b, model)
            breaks = [z + k for p in (a, b) for z in [p.centre.level] for k in (-1.0, 0.0, 1.0)]
            levels = scan_levels(top, bottom, named + breaks)

            def o(z: float, model: str = model) -> float:
                return self.overlap(a, b, z, model)

            def chance(z: float, model: str = model) -> float:
                return self.p(a, b, z, model)

            least, least_level = least_of(o, levels)
            lost = first_below(o, required, levels, 0.002)
            opened = first_below(o, 0.0, levels, 0.002)
            p, governing = min((chance(z), z) for z in named)
            sure = lost if rule == "simple" else first_below(chance, self.confidence, levels, 0.02)
            results[model] = (
                least,
                least_level,
                lost,
                opened,
                p,
                governing,
                sure,
                self.judge(rule, p, least < required - SLACK),
            )
        least, least_level, lost, opened, p, governing, sure, verdict = results[self.model]
        if verdict == "within" and results[self.other][7] != "within":
            verdict = "unresolved"
        if short is not None:
            verdict = "outside"
        two_models = any(p.axes[self.model].method != "profile" for p in (a, b))
        sure_levels = [z for z in (sure, results[self.other][6], short) if z is not None]
        formation = a.formation
        sections = self.sections(a, b, formation, self.model)
        t = unit(add(b.at, a.at, -1))
        n = self.pit_normal(a, b)
        moved = add(self.w(a, b, least_level, self.model), add(b.at, a.at, -1), -1)
        out |= {
            "overlap_formation_mm": 1000 * self.overlap(a, b, formation, self.model),
            "least_overlap_mm": 1000 * least,
            "least_level": least_level,
            "lost_level": lost,
            "open_level": opened,
            "sure_level": max(sure_levels) if sure_levels else None,
            "opening_formation_mm": 1000 * sections["opening"],
            "worst_opening_mm": 1000 * max(0.0, -least),
            "chord_formation_mm": 1000 * sections["chord"],
            "thickness_formation_mm": 1000 * sections["thickness"],
            "band_formation_mm": 1000 * sections["band"],
            "least_along_mm": 1000 * dot(moved, t),
            "least_across_mm": 1000 * dot(moved, n),
            "p_interlock": p,
            "governing_level": governing,
            "other_model_least_overlap_mm": 1000 * results[self.other][0] if two_models else None,
            "other_model_least_level": results[self.other][1] if two_models else None,
            "verdict": verdict,
            "p_other": results[self.other][4],
            "p_at": lambda z: self.p(a, b, z, self.model),
            "p_other_at": lambda z: self.p(a, b, z, self.other),
            "overlap_at": lambda z: 1000 * self.overlap(a, b, z, self.model),
            "u_overlap_at": lambda z: 1000 * self._u(a, b, z),
        }
        return out

    def _u(self, a: Pile, b: Pile, z: float) -> float:
        direction = np.array(unit(self.w(a, b, z, self.model)))
        return math.sqrt(direction @ self.joint_cov(a, b, z, self.model) @ direction)
