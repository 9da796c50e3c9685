"""Layers of an invented wall of any size: every verdict, method and null that a run can write."""

from __future__ import annotations

from typing import Any

import numpy as np
import shapely

from asbuilt.columns import LAYERS, Column
from asbuilt.model import Layer

#: Signs that a file must carry unchanged: quotes, markup, an emoji, right-to-left marks, a line break.
STRANGE = ("plain", 'O\'Neil "B"', "<a>&amp;", "pile \U0001f3d7", "\u200fשלום\u200e", "two\nlines", "=1+1", "")
_ORIGIN = (412_300.0, 5_281_700.0)


def column_values(column: Column, count: int, random: np.random.Generator) -> np.ndarray[Any, Any]:
    """Return ``count`` values of a column, about one in eight of them null."""
    null = random.random(count) < 0.125
    if column.kind == "id":
        return np.array([f"P{number:06d}" for number in range(count)], dtype=object)
    if column.kind == "text":
        texts = np.array(STRANGE, dtype=object)[random.integers(0, len(STRANGE), count)]
        texts[null] = None
        return texts
    if column.kind == "choice":
        return random.integers(-1, len(column.choices), count).astype(np.int8)
    if column.kind == "time":
        times = np.datetime64("2025-03-01T06:00", "ms") + random.integers(0, 10**10, count).astype("timedelta64[ms]")
        times[null] = np.datetime64("NaT", "ms")
        return times
    values = random.normal(0.0, 30.0, count)
    if column.kind == "integer":
        values = np.floor(np.abs(values))
    elif column.kind == "boolean":
        values = (values > 0).astype(float)
    values[null] = np.nan
    return values


def geometries(kind: str, count: int, random: np.random.Generator) -> np.ndarray[Any, Any]:
    """Return piles' points, axes, joints or outlines along a wall, about one in eight of them null."""
    place = np.arange(count) * 0.75
    e, n = _ORIGIN[0] + place % 500.0, _ORIGIN[1] + place // 500.0 * 50.0 + random.normal(0.0, 0.01, count)
    if kind == "Point":
        shapes = shapely.points(e, n)
    elif kind == "Polygon":
        turn = np.linspace(0.0, 2 * np.pi, 64, endpoint=False)
        rim = 0.44 * np.stack([np.sin(turn), np.cos(turn)], axis=1)
        shapes = shapely.polygons(np.stack([e, n], axis=1)[:, None, :] + rim)
    elif kind == "LineString Z":
        depth = np.linspace(0.0, 1.0, 6)
        line = np.empty((count, 6, 3))
        line[:, :, 0] = e[:, None] + 0.08 * depth
        line[:, :, 1] = n[:, None] - 0.05 * depth
        line[:, :, 2] = 3.2 - 21.0 * depth
        shapes = shapely.linestrings(line)
    else:
        ends = np.stack([np.stack([e, n], axis=1), np.stack([e + 0.012, n - 0.009], axis=1)], axis=1)
        shapes = shapely.linestrings(ends)
    shapes = np.asarray(shapes, dtype=object)
    shapes[random.random(count) < 0.125] = None
    return shapes


def synthetic_layer(name: str, count: int, *, seed: int = 1) -> Layer:
    """Return one layer of the dictionary with ``count`` rows."""
    definition, random = LAYERS[name], np.random.default_rng(seed)
    return Layer(
        name=name,
        columns={column.name: column_values(column, count, random) for column in definition.columns},
        geometry=None if definition.geometry is None else geometries(definition.geometry, count, random),
    )


def synthetic_layers(count: int, *, seed: int = 1) -> list[Layer]:
    """Return every layer of the dictionary with ``count`` rows each."""
    return [synthetic_layer(name, count, seed=seed) for name in LAYERS]
