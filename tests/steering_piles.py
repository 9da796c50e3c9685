"""A pile that is being drilled between two plumb neighbours, whose figures can be worked out by hand.

The neighbours stand 750 mm off on either side, all radii are 440 mm, 50 mm are asked for: 80 mm to spare at plumb.
"""

from __future__ import annotations

import numpy as np

from asbuilt.compute.axes import STRAIGHT
from asbuilt.compute.steering_advice import Lean
from asbuilt.compute.steering_input import Neighbour, SteerInput
from asbuilt.model import Axes


def straight_axis(e, n, slope=(0.0, 0.0), *, level=3.2, v=0.0):
    one = np.zeros(1)
    return Axes(
        start=np.array([0, 1]),
        top=np.full(1, np.inf),
        anchor_z=np.full(1, level),
        anchor_e=np.full(1, e),
        anchor_n=np.full(1, n),
        slope_e=np.full(1, slope[0]),
        slope_n=np.full(1, slope[1]),
        method=np.array([STRAIGHT], dtype=np.int8),
        surveyed_level=np.full(1, level),
        deepest=np.full(1, -9.5),
        readings=np.ones(1, dtype=np.int64),
        toe=np.full(1, -12.0),
        variance={"v": np.full(1, v), "q0": one, "near": np.full(1, level), "b2": one, "w2": one, "a2": one},
    )


def neighbour(name, e, slope=(0.0, 0.0), **changes):
    axes = straight_axis(e, 0.0, slope)
    stated = {
        "joint_id": f"{name}~P2",
        "pile_id": name,
        "is_built": "as-built",
        "lean": "read",
        "radius": 0.44,
        "required": 0.05,
        "top": 3.2,
        "bottom": -9.8,
        "axes": axes,
        "other_axes": axes,
        "cov": np.array([25e-6, 0.0, 25e-6]),
        "shared": True,
        "counts": True,
        "toe_level": np.nan,
    }
    return Neighbour(**stated | changes)


def pile(**changes) -> SteerInput:
    stated = {
        "pile_id": "P2",
        "centre": np.zeros(2),
        "level": 3.2,
        "centre_is": "pickup",
        "cov": np.array([25e-6, 0.0, 25e-6]),
        "setup_var": 9e-6,
        "radius": 0.44,
        "toe": -12.0,
        "cut_off": 3.2,
        "formation": -8.0,
        "limit": 0.01,
        "design": np.zeros(2),
        "pits": np.array([[0.0, 1.0]]),
        "allowed": (np.nan, np.nan),
        "neighbours": (neighbour("P1", -0.75), neighbour("P3", 0.75)),
        "sigma_reading": 0.001,
        "sigma_systematic": 0.0005,
        "sigma_wander": 0.0003,
        "confidence": 0.95,
        "turn": np.nan,
    }
    return SteerInput(**stated | changes)


def read(e_mm, n_mm=0.0, level=-4.0):
    return Lean(level=level, slope=np.array([e_mm, n_mm]) / 1000)
