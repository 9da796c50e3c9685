"""Walls unrolled: piles and joints by their chainage, the running sum of the design spacing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.views import UnrolledWall

if TYPE_CHECKING:
    from asbuilt.model import Integers, Reconciliation

__all__ = ["unrolled_walls"]


def unrolled_walls(result: Reconciliation) -> tuple[UnrolledWall, ...]:
    """Return every wall that has joints, in the order of the settings."""
    names = np.asarray(result.joints["wall"], dtype=object)
    return tuple(_unrolled(result, name) for name in result.survey.settings.walls if (names == name).any())


def _unrolled(result: Reconciliation, name: str) -> UnrolledWall:
    design, piles, joints = result.survey.design, result.piles, result.joints
    position = np.asarray(design["position"], dtype=np.float64)
    row = np.flatnonzero((np.asarray(design["wall"], dtype=object) == name) & np.isfinite(position))
    row = row[np.argsort(position[row], kind="stable")]
    if result.survey.settings.walls[name].closed and len(row) > 2:
        row = np.append(row, row[0])
    e, n = np.asarray(piles.design_e)[row], np.asarray(piles.design_n)[row]
    chainage = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(e), np.diff(n)))])[: len(row)]
    own = np.flatnonzero(np.asarray(joints["wall"], dtype=object) == name)
    # consecutive among the piles that are built: the strip bridges one that is omitted
    built = np.flatnonzero(np.asarray(piles.expected)[row])
    low, high = np.minimum(joints.a[own], joints.b[own]), np.maximum(joints.a[own], joints.b[own])
    at = row[built]
    keys = np.minimum(at[:-1], at[1:]) * len(piles) + np.maximum(at[:-1], at[1:])
    order = np.argsort(keys, kind="stable")
    found = np.searchsorted(keys[order], low * len(piles) + high)
    between = np.zeros(len(own), dtype=bool)
    if len(keys):
        found = np.minimum(found, len(keys) - 1)
        between = keys[order][found] == low * len(piles) + high
    gap = order[found[between]] if len(keys) else np.empty(0, dtype=np.int64)
    reach = np.stack([chainage[built[gap]], chainage[built[gap + 1]]], axis=1) if len(gap) else np.empty((0, 2))
    along = np.argsort(reach[:, 0], kind="stable")
    return UnrolledWall(
        name=name,
        pile=row,
        position=position[row].astype(np.int64),
        chainage=chainage,
        joint=own[between][along],
        reach=reach[along],
        extra=own[~between],
        pit_on_left=_pit_on_left(result, row),
    )


def _pit_on_left(result: Reconciliation, row: Integers) -> bool | None:
    piles = result.piles
    turn = piles.along_e[row] * piles.pit_n[row] - piles.along_n[row] * piles.pit_e[row]
    known = turn[np.isfinite(turn)]
    return bool(np.median(known) > 0) if len(known) else None
