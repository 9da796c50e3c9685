"""Layers as GeoPandas frames, for those who go on in Python."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import LAYERS

if TYPE_CHECKING:
    import geopandas
    import numpy.typing as npt
    import pandas as pd

    from asbuilt.columns import Column
    from asbuilt.model import Layer

__all__ = ["layer_frame"]


def layer_frame(layer: Layer, *, crs_wkt: str | None = None) -> geopandas.GeoDataFrame | pd.DataFrame:
    """Return a layer as a GeoDataFrame, an attribute table as a DataFrame.

    Columns are those of the column dictionary, in its order: texts and words as objects, integers and truth values as
    pandas' nullable types, times as UTC. What is missing stays missing, never 0.

    Parameters
    ----------
    layer : Layer
        One of ``Reconciliation.layers``.
    crs_wkt : str, optional
        CRS of the site grid: ``Reconciliation.grid.wkt``, or what :func:`asbuilt.compute.grid.engineering_crs_wkt`
        gives. Layers on the map carry their own.
    """
    import geopandas
    import pandas as pd

    data = {column.name: _series(column, layer.columns[column.name]) for column in LAYERS[layer.name].columns}
    if layer.geometry is None:
        return pd.DataFrame(data)
    return geopandas.GeoDataFrame(data, geometry=geopandas.GeoSeries(list(layer.geometry), crs=layer.crs or crs_wkt))


def _series(column: Column, values: npt.NDArray[Any]) -> Any:
    import pandas as pd

    if column.kind == "choice":
        return pd.Series(np.array([*column.choices, None], dtype=object)[values], dtype=object)
    if column.kind == "integer":
        return pd.array([None if np.isnan(v) else int(v) for v in values.astype(float)], dtype="Int64")
    if column.kind == "boolean":
        known = ~np.isnan(values.astype(float))
        return pd.array([bool(v) if k else None for v, k in zip(values, known, strict=True)], dtype="boolean")
    if column.kind == "time":
        return pd.Series(values.astype("datetime64[ms]")).dt.tz_localize("UTC")
    return pd.Series(values, dtype=object if column.kind in ("text", "id") else float)
