"""Layers as frames: every column of the dictionary, nulls stay nulls, geometry and CRS in place."""

from __future__ import annotations

import builders
import geopandas
import pandas as pd
import pytest

from asbuilt.columns import LAYERS, VERDICTS
from asbuilt.compute.grid import engineering_crs_wkt
from asbuilt.output.frames import layer_frame
from asbuilt.reconcile import reconcile


@pytest.fixture(scope="module")
def result():
    return reconcile(builders.to_survey(builders.random_site(3)))


@pytest.mark.parametrize("name", LAYERS)
def test_every_layer_is_a_frame_with_the_columns_of_the_dictionary(result, name: str) -> None:
    frame = layer_frame(result.layers[name])
    columns = [c.name for c in LAYERS[name].columns]
    assert [c for c in frame.columns if c != "geometry"] == columns
    assert len(frame) == len(result.layers[name])
    assert isinstance(frame, geopandas.GeoDataFrame) == (LAYERS[name].geometry is not None)


def test_missing_stays_missing_and_words_are_words(result) -> None:
    frame = layer_frame(result.layers["asbuilt_piles"], crs_wkt=engineering_crs_wkt("Invented yard"))
    assert frame.crs.is_engineering
    missing = pd.isna(result.piles["offset_mm"])
    assert missing.any()
    assert frame["offset_mm"].isna().to_numpy().tolist() == missing.tolist()
    assert frame.geometry.isna().to_numpy().tolist() == pd.isna(result.piles.centre_e).tolist()
    assert frame["n_shots"].dtype == "Int64"
    words = [VERDICTS[code] if code >= 0 else None for code in result.piles["verdict"]]
    assert frame["verdict"].tolist() == words
    assert str(frame["surveyed_at"].dt.tz) == "UTC"
