"""How long the GeoPackage takes beside the floor: the same arrays, bare, through the same library.

Run with ``pytest tests/benchmarks/test_geopackage.py --benchmark-enable -s``. The floor's arrays are ready before the
clock starts: words for codes, WKB for geometries, masks for nulls; no descriptions, styles, or GeoPackage options.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import numpy as np
import pyogrio.raw
import shapely
from synthetic_layers import synthetic_layer

from asbuilt.columns import LAYERS
from asbuilt.compute.grid import engineering_crs_wkt
from asbuilt.output.geopackage import write_geopackage

if TYPE_CHECKING:
    from pathlib import Path

    from asbuilt.model import Layer

ROWS = {
    "asbuilt_piles": 100_000,
    "pile_outlines": 100_000,
    "pile_axes": 100_000,
    "joints": 100_000,
    "pickups": 100_000,
    "readings": 600_000,
}
WKT = engineering_crs_wkt("Invented yard")


def bare(layer: Layer) -> dict[str, object]:
    """Return the arguments that write a layer's arrays with nothing else."""
    data, masks = [], []
    for column in LAYERS[layer.name].columns:
        values, mask = layer.columns[column.name], None
        if column.kind == "choice":
            values = np.array([*column.choices, None], dtype=object)[values]
        elif column.kind in ("integer", "boolean"):
            mask = np.isnan(values)
            values = np.where(mask, 0, values).astype("int64" if column.kind == "integer" else bool)
        data.append(values)
        masks.append(mask)
    more = {
        "field_data": data,
        "fields": list(layer.columns),
        "field_mask": masks,
        "layer": layer.name,
        "driver": "GPKG",
    }
    if layer.geometry is None:
        return {"geometry": None, **more}
    wkb = shapely.to_wkb(layer.geometry, flavor="iso")
    return {"geometry": wkb, "geometry_type": LAYERS[layer.name].geometry, "crs": WKT, **more}


def write_bare(path: Path, ready: list[dict[str, object]]) -> float:
    path.unlink(missing_ok=True)
    begin = time.perf_counter()
    for arguments in ready:
        pyogrio.raw.write(path, **arguments)
    return time.perf_counter() - begin


def test_time_beside_the_floor(benchmark, tmp_path):
    layers = [synthetic_layer(name, rows) for name, rows in ROWS.items()]
    ready = [bare(layer) for layer in layers]
    floor = []

    def before():
        # Turn by turn with the floor, so that a busy machine is busy for both.
        floor.append(write_bare(tmp_path / "floor.gpkg", ready))

    def write():
        write_geopackage(
            tmp_path / "asbuilt.gpkg",
            layers,
            crs_wkt=WKT,
            as_of=np.datetime64("2025-05-16"),
            title="t",
            description="d",
        )

    benchmark.pedantic(write, setup=before, rounds=3, warmup_rounds=0)
    if benchmark.stats:
        benchmark.extra_info["floor_seconds"] = min(floor)
        benchmark.extra_info["ratio"] = benchmark.stats.stats.min / min(floor)
        print(f"\n{benchmark.stats.stats.min:.2f} s, floor {min(floor):.2f} s", end=" ")
        print(f"ratio {benchmark.extra_info['ratio']:.2f}")
    assert (tmp_path / "asbuilt.gpkg").stat().st_size > 0.9 * (tmp_path / "floor.gpkg").stat().st_size
