"""Results over piles and joints with everything unknown, but for what a test states."""

from __future__ import annotations

from typing import Any

import numpy as np

from asbuilt import columns, model

VERDICT = {word: code for code, word in enumerate(columns.VERDICTS)}


def _blank(column: columns.Column, count: int) -> np.ndarray:
    if column.kind in ("text", "id"):
        return np.full(count, None, dtype=object)
    if column.kind == "choice":
        return np.full(count, -1, dtype=np.int8)
    if column.kind == "time":
        return np.full(count, np.datetime64("NaT", "ms"))
    if column.kind == "boolean":
        return np.zeros(count, dtype=np.bool_)
    return np.full(count, np.nan)


def _columns(layer: str, count: int, stated: dict[str, Any]) -> dict[str, np.ndarray]:
    definition = columns.LAYERS[layer].columns
    found = {column.name: _blank(column, count) for column in definition}
    assert stated.keys() <= found.keys(), stated.keys() - found.keys()
    for name, values in stated.items():
        kind = next(column.kind for column in definition if column.name == name)
        words = kind == "choice" and values and isinstance(values[0], str)
        found[name][:] = [VERDICT[word] for word in values] if words else values
    return found


def piles_of(design: model.Table, **stated: Any) -> model.Piles:
    """Return results over the piles of ``design``; verdicts may be given as words.

    ``expected``, ``side``, ``along`` and ``pit`` (pairs) go to the attributes, the rest to the columns.
    """
    count = len(design)
    expected = np.array(stated.pop("expected", [True] * count))
    side = np.array(stated.pop("side", [0] * count), dtype=np.int64)
    along = np.array(stated.pop("along", [(1.0, 0.0)] * count))
    pit = np.array(stated.pop("pit", [(0.0, 1.0)] * count))
    unknown = np.full(count, np.nan)
    found = _columns("asbuilt_piles", count, stated)
    found["pile_id"] = design["pile_id"]
    return model.Piles(
        columns=found,
        centre_e=unknown,
        centre_n=unknown,
        design_e=design["easting"],
        design_n=design["northing"],
        set_out_e=design["easting"],
        set_out_n=design["northing"],
        radius=design["diameter_mm"] / 2000.0,
        along_e=along[:, 0],
        along_n=along[:, 1],
        pit_e=pit[:, 0],
        pit_n=pit[:, 1],
        cov=np.full((count, 3), np.nan),
        expected=expected,
        side=side,
    )


def joints_of(design: model.Table, pairs: list[tuple[int, int]], **stated: Any) -> model.Joints:
    """Return results over joints between the piles at ``pairs``; verdicts may be given as words.

    ``required`` [m] and ``toe_levels`` [m] go to the attributes, the rest to the columns.
    """
    count = len(pairs)
    required = np.full(count, stated.pop("required", 0.05))
    toe = np.array(stated.pop("toe_levels", [np.nan] * count), dtype=np.float64)
    found = _columns("joints", count, stated)
    a, b = (np.array([pair[side] for pair in pairs], dtype=np.int64) for side in (0, 1))
    names = design["pile_id"]
    found["joint_id"][:] = [f"{names[i]}~{names[j]}" for i, j in pairs]
    found["pile_a"], found["pile_b"], found["wall"] = names[a], names[b], design["wall"][a]
    return model.Joints(columns=found, a=a, b=b, required=required, toe_level=toe)
