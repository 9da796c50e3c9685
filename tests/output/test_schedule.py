"""Layers as comma-separated text, for people and spreadsheets."""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest
from synthetic_layers import STRANGE, synthetic_layer

from asbuilt.columns import LAYERS
from asbuilt.output.schedule import figure_texts, write_layer_csv


def written(path, name="asbuilt_piles", rows=1, limits=None, **columns):
    """Write a layer with the given columns put in, and return its rows as text."""
    layer = synthetic_layer(name, rows)
    values = {key: np.asarray(value) for key, value in columns.items()}
    write_layer_csv(path / "x.csv", replace(layer, columns={**layer.columns, **values}), limits=limits)
    with (path / "x.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def text_array(*texts):
    return np.array(texts, dtype=object)


@pytest.mark.parametrize("name", ["asbuilt_piles", "joints"])
def test_the_header_is_the_dictionary_and_every_row_has_every_cell(tmp_path, name):
    rows = written(tmp_path, name, 50)
    assert len(rows) == 50
    assert {tuple(row) for row in rows} == {tuple(column.name for column in LAYERS[name].columns)}
    assert None not in {cell for row in rows for cell in row.values()}


def test_without_rows_there_is_the_header_alone(tmp_path):
    assert written(tmp_path, "joints", 0) == []
    assert (tmp_path / "x.csv").read_text(encoding="utf-8").startswith("joint_id,pile_a,pile_b,wall,")


def test_the_bytes_are_utf_8_with_plain_line_feeds(tmp_path):
    written(tmp_path, wall=text_array("Süd"))
    content = (tmp_path / "x.csv").read_bytes()
    assert "Süd".encode() in content
    assert not content.startswith(b"\xef\xbb\xbf")
    assert b"\r" not in content
    assert content.endswith(b"\n")


def test_null_is_blank(tmp_path):
    missing = {
        "offset_mm": [np.nan],
        "verdict": np.array([-1], dtype=np.int8),
        "surveyed_at": np.array(["NaT"], dtype="datetime64[ms]"),
        "n_shots": [np.nan],
        "reasons": text_array(None),
    }
    (row,) = written(tmp_path, **missing)
    assert [row[name] for name in missing] == [""] * len(missing)


def test_choices_are_words(tmp_path):
    rows = written(tmp_path, rows=4, verdict=np.arange(4, dtype=np.int8))
    assert [row["verdict"] for row in rows] == ["within", "unresolved", "not surveyed", "outside"]


def test_truth_values_are_words(tmp_path):
    rows = written(tmp_path, "joints", 3, levels_known=[1.0, 0.0, np.nan])
    assert [row["levels_known"] for row in rows] == ["true", "false", ""]


def test_truth_values_may_come_as_such(tmp_path):
    rows = written(tmp_path, "joints", 2, levels_known=[True, False])
    assert [row["levels_known"] for row in rows] == ["true", "false"]


def test_whole_numbers_are_plain(tmp_path):
    rows = written(tmp_path, rows=2, n_shots=[5.0, 12.0], position=np.array([7, -8]))
    assert [(row["n_shots"], row["position"]) for row in rows] == [("5", "7"), ("12", "-8")]


def test_times_are_utc_with_milliseconds_only_where_there_are_any(tmp_path):
    times = np.array(["2025-05-16T21:59:59.000", "2025-05-16T21:59:59.999"], dtype="datetime64[ms]")
    rows = written(tmp_path, rows=2, surveyed_at=times)
    assert [row["surveyed_at"] for row in rows] == ["2025-05-16T21:59:59Z", "2025-05-16T21:59:59.999Z"]


@pytest.mark.parametrize(
    ("column", "value", "text"),
    [
        ("u_offset_mm", 12.345, "12.3"),
        ("surveyed_level", 3.20049, "3.200"),
        ("tilt_e_mm_per_m", -2.345678, "-2.35"),
        ("fit_arc_deg", 271.26, "271.3"),
        ("plan_of_allowed_percent", 87.654, "87.7"),
        ("p_plan", 0.987654, "0.9877"),
        ("towards_pit_mm", -0.04, "0.0"),
        ("surveyed_level", -12.0, "-12.000"),
    ],
)
def test_figures_are_rounded_by_their_unit(tmp_path, column, value, text):
    assert written(tmp_path, **{column: [value]})[0][column] == text


def test_a_figure_without_a_unit_of_its_own_is_written_in_full(tmp_path):
    assert written(tmp_path, "readings", 2, tilt_a=[1.23456789, 200.0])[0]["tilt_a"] == "1.23456789"


@pytest.mark.parametrize(
    ("p", "text"),
    [
        (1.0, "1.0000"),
        (0.0, "0.0000"),
        (0.99994, "0.9999"),
        (0.99996, "0.9999"),
        (np.nextafter(1.0, 0.0), "0.9999"),
        (0.00006, "0.0001"),
        (0.00004, "4.0e-05"),
        (3e-7, "3.0e-07"),
        (2.5e-30, "2.5e-30"),
    ],
)
def test_a_probability_is_never_rounded_to_certainty(tmp_path, p, text):
    assert written(tmp_path, p_plan=[p])[0]["p_plan"] == text


@pytest.mark.parametrize(
    ("offset", "allowed", "texts"),
    [
        (25.04, 25.0, ("25.04", "25.00")),
        (24.96, 25.0, ("24.96", "25.00")),
        (25.0, 25.0, ("25.0", "25.0")),
        (0.35, 0.3, ("0.4", "0.3")),
        (24.98, 24.96, ("24.98", "24.96")),
        (25.0000004, 25.0, ("25.0000004", "25.0000000")),
        (25.0 + 1e-12, 25.0, ("25.0", "25.0")),
        (20.04, 25.0, ("20.0", "25.0")),
        (np.nan, 25.0, ("", "25.0")),
    ],
)
def test_a_figure_is_not_rounded_onto_its_limit(tmp_path, offset, allowed, texts):
    (row,) = written(tmp_path, offset_mm=[offset], allowed_mm=[allowed])
    assert (row["offset_mm"], row["allowed_mm"]) == texts


def test_a_gap_is_not_rounded_to_none(tmp_path):
    (row,) = written(tmp_path, "joints", worst_opening_mm=[0.03], least_overlap_mm=[-0.03], required_overlap_mm=[50.0])
    assert row["worst_opening_mm"] == "0.03"


def test_a_share_of_the_allowed_is_not_rounded_to_all_of_it(tmp_path):
    assert written(tmp_path, plan_of_allowed_percent=[100.04])[0]["plan_of_allowed_percent"] == "100.04"


def test_further_limits_can_be_given(tmp_path):
    rows = written(tmp_path, "joints", 2, limits={"p_interlock": 0.95}, p_interlock=[0.94998, 0.95])
    assert [row["p_interlock"] for row in rows] == ["0.9499", "0.9500"]


@pytest.mark.parametrize(
    ("p", "confidence", "text"),
    [(0.95001, 0.95, "0.9501"), (0.99996, 0.99995, "0.99996"), (0.999951, 0.99995, "0.99996")],
)
def test_a_probability_over_the_confidence_is_not_cut_to_it(tmp_path, p, confidence, text):
    rows = written(tmp_path, "joints", limits={"p_interlock": confidence}, p_interlock=[p])
    assert rows[0]["p_interlock"] == text


def test_each_row_has_its_own_digits():
    found = figure_texts(np.array([25.04, 24.9, np.nan, 25.004]), 1, [np.full(4, 25.0)])
    assert found == ["25.04", "24.9", None, "25.004"]


@pytest.mark.parametrize("text", ["=1+1", "+A1", "-A1~-B2", "@SUM(A1)", "\t=1", "＝1", "-1+2"])
def test_a_text_that_a_spreadsheet_would_run_is_shielded(tmp_path, text):
    assert written(tmp_path, reasons=text_array(text))[0]["reasons"] == f"'{text}"


@pytest.mark.parametrize("text", ["-12", "+3.5", "plain", "a=b", "'quoted'", "", *STRANGE[:6]])
def test_other_texts_arrive_as_they_are(tmp_path, text):
    assert written(tmp_path, reasons=text_array(text))[0]["reasons"] == text


def test_a_negative_figure_is_not_shielded(tmp_path):
    assert written(tmp_path, towards_pit_mm=[-12.34])[0]["towards_pit_mm"] == "-12.3"


def test_a_carriage_return_in_a_text_stays_in_its_cell(tmp_path):
    assert written(tmp_path, reasons=text_array("one\r\ntwo\rthree"))[0]["reasons"] == "one\r\ntwo\rthree"
