"""Which piles and joints a person must look at first."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.verdicts import UNRESOLVED

if TYPE_CHECKING:
    from asbuilt.model import Floats, Joints, Piles

__all__ = ["gravest_first", "left_over", "most_used"]


def left_over(joints: Joints) -> Floats:
    """Return the least overlap of each joint less that asked for [mm], NaN where it is not known."""
    least: Floats = np.asarray(joints["least_overlap_mm"], dtype=np.float64) - joints.required * 1000.0
    return least


def most_used(piles: Piles) -> Floats:
    """Return the greatest share of what is allowed that each pile uses up [%], NaN where none is known."""
    names = ("plan_of_allowed_percent", "vertical_of_allowed_percent", "encroach_of_allowed_percent")
    used: Floats = np.fmax.reduce(np.stack([np.asarray(piles[name], dtype=np.float64) for name in names]))
    return used


def gravest_first(piles: Piles, joints: Joints) -> list[str]:
    """Return the ids of all joints and piles that are not within, by verdict, joints before piles.

    Joints: the least left of the overlap asked for first. Piles: the most of what is allowed used up first. What is
    not known comes last among its verdict.
    """
    ids = np.concatenate([joints["joint_id"], piles["pile_id"]])
    codes = np.concatenate(
        [np.asarray(joints["verdict"]), np.where(piles.expected, np.asarray(piles["verdict"]), -1)]
    ).astype(np.int64)
    is_pile = np.repeat([0, 1], [len(joints), len(piles)])
    figure = np.concatenate([left_over(joints), -most_used(piles)])
    order = np.lexsort((np.where(np.isnan(figure), np.inf, figure), is_pile, -codes))
    ranked: list[str] = ids[order][codes[order] >= UNRESOLVED].tolist()
    return ranked
