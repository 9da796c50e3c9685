"""The overlap of each joint along its range, with the pile at the lean read: what a picture for the rig draws."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.steering_input import covariances, places, sounding_levels

if TYPE_CHECKING:
    from asbuilt.compute.steering_advice import Lean
    from asbuilt.compute.steering_input import Neighbour, SteerInput
    from asbuilt.model import Floats

__all__ = ["OverlapProfile", "overlap_profile"]

#: Levels between the ends of a range.
_BETWEEN = 64


@dataclass(frozen=True, kw_only=True)
class OverlapProfile:
    """Overlap [m] at levels (k,) [m] from the top of a joint's range down, and its band at the confidence asked for."""

    level: Floats
    overlap: Floats
    low: Floats
    high: Floats


def overlap_profile(given: SteerInput, neighbour: Neighbour, reading: Lean) -> OverlapProfile:
    """Return the overlap with one neighbour along the joint's range, the pile straight at the lean read.

    The band is one-sided at the confidence asked for, from the uncertainty of both piles along the line of their
    centres, as in :class:`asbuilt.compute.steering_advice.JointAtLean`.
    """
    between = np.linspace(neighbour.top, neighbour.bottom, _BETWEEN)
    level = -np.unique(-np.r_[sounding_levels(given, neighbour), between])
    apart = given.centre + np.outer(given.level - level, reading.slope) - places(neighbour, level)
    distance = np.hypot(apart[:, 0], apart[:, 1])
    e, n = (apart / np.where(distance > 0, distance, 1.0)[:, None]).T
    cov = covariances(given, neighbour, level, given.lean_variance(reading.level, reading.count))
    sigma = np.sqrt(e * e * cov[:, 0] + 2 * e * n * cov[:, 1] + n * n * cov[:, 2])
    overlap = given.radius + neighbour.radius - distance
    band = NormalDist().inv_cdf(given.confidence) * sigma
    return OverlapProfile(level=level, overlap=overlap, low=overlap - band, high=overlap + band)
