"""What the scatter sheets show of the piles: offsets from the centre set out, by kind, verdict and load."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import VERDICTS
from asbuilt.output.sheets.figures import DASH, figure

if TYPE_CHECKING:
    from asbuilt.model import Booleans, Floats, Integers, Reconciliation, WallGroup

__all__ = ["CAP_LOADS", "Cloud", "beyond_text", "group_row", "holds_zero", "reach_of", "short_name"]

#: As many loads are drawn, the latest.
CAP_LOADS = 6


@dataclass(frozen=True, kw_only=True)
class Cloud:
    """Plan offsets [mm] of the k surveyed piles, about the centre set out: the approved one, else design.

    ``row`` holds their places in the design table, ``offset`` (k, 2) is (E, N), ``in_wall`` (k, 2) (along the wall,
    towards the pit). ``moved`` tells whose centre set out is not the design's.
    """

    result: Reconciliation
    row: Integers
    offset: Floats
    in_wall: Floats
    moved: Booleans

    @classmethod
    def of(cls, result: Reconciliation) -> Cloud:
        """Return the offsets of every pile with a centre at cut-off; omitted piles are none."""
        p = result.piles
        row = np.flatnonzero(np.asarray(p.expected) & np.isfinite(p.centre_e) & np.isfinite(p.centre_n))
        moved = np.isfinite(np.asarray(p["offset_from_set_out_mm"], dtype=np.float64))
        offset = np.stack([p.centre_e - p.set_out_e, p.centre_n - p.set_out_n], axis=1)[row] * 1000.0
        wall = [offset[:, 0] * e[row] + offset[:, 1] * n[row] for e, n in ((p.along_e, p.along_n), (p.pit_e, p.pit_n))]
        return cls(result=result, row=row, offset=offset, in_wall=np.stack(wall, axis=1), moved=moved[row])

    def __len__(self) -> int:
        return len(self.row)

    @cached_property
    def kind(self) -> Integers:
        """Place in KINDS."""
        return np.asarray(self.result.piles["kind"], dtype=np.int64)[self.row]

    @cached_property
    def look(self) -> Integers:
        """Place in scatter_charts.FILLS: within, unresolved, outside, no verdict on plan position."""
        verdict = np.asarray(self.result.piles["plan_verdict"], dtype=np.int64)[self.row]
        looks = np.full(len(VERDICTS) + 1, 3)
        looks[[VERDICTS.index(name) + 1 for name in ("within", "unresolved", "outside")]] = (0, 1, 2)
        return np.asarray(looks[verdict + 1], dtype=np.int64)

    @cached_property
    def allowed(self) -> Floats:
        """Smallest and greatest plan tolerance of the expected piles [mm]; one value when they are the same."""
        return self._tolerances(np.asarray(self.result.piles.expected))

    def allowed_in(self, wall: str) -> Floats:
        """Return the same of the piles of one wall."""
        of_wall = np.asarray(self.result.survey.design["wall"], dtype=object) == wall
        return self._tolerances(np.asarray(self.result.piles.expected) & of_wall)

    def _tolerances(self, piles: Booleans) -> Floats:
        values = np.asarray(self.result.piles["allowed_mm"], dtype=np.float64)[piles]
        values = values[np.isfinite(values)]
        return np.unique(np.round([values.min(), values.max()], 6)) if len(values) else np.empty(0)

    @cached_property
    def length(self) -> Floats:
        """How far each pile stands from the centre set out [mm]."""
        return np.asarray(np.hypot(self.offset[:, 0], self.offset[:, 1]))

    def loads(self) -> list[str]:
        """Return the loads that piles were surveyed in, the latest first."""
        names = np.asarray(self.result.piles["load_file"], dtype=object)[self.row]
        at = np.asarray(self.result.centres.surveyed_at)[self.row]
        codes = np.array(["" if name is None else str(name) for name in names], dtype=object)
        found, place = np.unique(codes.astype(str), return_inverse=True)
        newest = np.full(len(found), np.iinfo(np.int64).min)
        np.maximum.at(newest, place.reshape(-1), at.astype("datetime64[ms]").astype(np.int64))
        order = np.lexsort((np.arange(len(found))[::-1], newest))[::-1]
        return [str(found[k]) for k in order if found[k]]

    def in_load(self, name: str) -> Booleans:
        """Tell which piles' governing pickup is in a load."""
        return np.asarray(np.asarray(self.result.piles["load_file"], dtype=object)[self.row] == name)

    def groups(self, by: str) -> list[WallGroup]:
        """Return the groups of one sort that hold a surveyed pile."""
        return [group for group in self.result.statistics.groups if group.by == by and group.count]

    def moved_text(self) -> str:
        """Return what to say of piles set out at another centre than the design's; "" without any."""
        rows = self.row[self.moved]
        if not len(rows):
            return ""
        p = self.result.piles
        said = [
            f"{p['pile_id'][k]} ({p['offset_from_set_out_mm'][k]:.0f}, from design {p['offset_mm'][k]:.0f})"
            for k in rows[:4]
        ]
        more = f" and {len(rows) - 4} more" if len(rows) > 4 else ""
        return f"Not set out at design, with approval: {', '.join(said)}{more}, mm; judged from design."


def reach_of(pairs: Floats, allowed: Floats) -> float:
    """Return how far a window must reach from its middle [mm]: past the tolerance, and to all but a few points."""
    length = np.hypot(pairs[:, 0], pairs[:, 1])
    length = length[np.isfinite(length)]
    wanted = 1.2 * float(allowed.max()) if len(allowed) else 10.0
    if not len(length):
        return wanted
    most = float(np.percentile(length, 95.0)) if len(length) >= 20 else float(length.max())
    top = float(length.max())
    # What lies a little farther out may still stand inside; a blunder must not shrink all the others to a spot.
    return max(wanted, 1.1 * (top if top <= 1.6 * max(most, wanted) else most))


def beyond_text(cloud: Cloud, beyond: Booleans) -> str:
    """Return which piles lie beyond a window; "" without any."""
    rows = np.flatnonzero(beyond)
    if not len(rows):
        return ""
    order = rows[np.argsort(-cloud.length[rows], kind="stable")]
    ids = cloud.result.piles["pile_id"]
    said = ", ".join(f"{ids[cloud.row[k]]} ({cloud.length[k]:.0f} mm)" for k in order[:5])
    return f"Beyond: {said}{f' and {len(order) - 5} more' if len(order) > 5 else ''}."


def short_name(name: str, most: int = 26) -> str:
    """Return a file's or group's name, without what it begins with when it is too long."""
    return name if len(name) <= most else f"\u2026{name[1 - most :]}"


def group_row(group: WallGroup, expected: int | None = None) -> tuple[str, ...]:
    """Return a group's figures as cells: name, piles, means, scatters, RMS, 95th percentile, share within."""
    named = {"all": "all piles", "wall": f"wall {group.name}", "rig": f"rig {group.name}"}
    count = f"{group.count} of {expected}" if expected is not None else str(group.count)
    share = _share(group) if np.isfinite(group.share_within) else DASH
    return (
        named.get(group.by, short_name(group.name)),
        count,
        *(figure(value, plus=True) for value in group.mean_mm),
        *(figure(value) for value in (*group.scatter_mm, group.rms_mm, group.percentile_95_mm)),
        share,
    )


def holds_zero(group: WallGroup) -> bool:
    """Tell whether the confidence ellipse of a group's mean holds zero; without an ellipse nothing tells it apart."""
    if group.ellipse is None:
        return True
    major, minor, bearing = group.ellipse
    first, second = group.mean_mm
    sine, cosine = np.sin(np.radians(bearing)), np.cos(np.radians(bearing))
    along, across = first * sine + second * cosine, first * cosine - second * sine
    if minor <= 0.0:
        return bool(np.hypot(first, second) == 0.0)
    return bool((along / major) ** 2 + (across / minor) ** 2 <= 1.0)


def _share(group: WallGroup) -> str:
    """Return a share in percent that reads 100 % only where every pile is within."""
    percent = 100.0 * group.share_within
    return f"{figure(percent, 0.0, 100.0, digits=0)} %"
