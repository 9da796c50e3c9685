"""``asbuilt formats``: every column of every table, as the reader checks it."""

from __future__ import annotations

import json

import pytest
from told import told

from asbuilt.__main__ import main
from asbuilt.columns import TABLES, Column
from asbuilt.commands.formats import rule, table_lines


@pytest.mark.parametrize("table", TABLES)
def test_a_table_fits_eighty_columns_and_names_its_columns(table):
    lines = list(table_lines(TABLES[table]))
    assert max(map(len, lines)) <= 80
    named = [line.split()[0].rstrip("*") for line in lines[2:] if line.startswith("  ") and line[2] != " "]
    assert named == [column.name for column in TABLES[table].columns]


@pytest.mark.parametrize(
    ("column", "said"),
    [
        (Column(name="c", meaning=""), ""),
        (Column(name="c", meaning="", kind="choice", choices=("a", "b"), default="b"), "one of a, b; default b"),
        (Column(name="c", meaning="", kind="integer", low=1, default="1"), "whole number; 1 or more; default 1"),
        (Column(name="c", meaning="", low=0, low_open=True), "more than 0"),
        (Column(name="c", meaning="", low=0, low_open=True, high=200), "above 0 to 200"),
        (Column(name="c", meaning="", low=-360, high=360), "-360 to 360"),
        (Column(name="c", meaning="", high=5), "5 or less"),
        (Column(name="c", meaning="", kind="time", unit="ISO 8601"), ""),
    ],
)
def test_rules_are_words(column, said):
    assert rule(column) == said


def test_without_a_table_all_are_shown(capsys):
    assert main(["formats"]) == 0
    out = capsys.readouterr().out
    assert [name for name in TABLES if f"{TABLES[name].where}\n" not in out] == []
    assert max(map(len, out.splitlines())) <= 80


def test_one_table_alone(capsys):
    assert main(["formats", "tilts"]) == 0
    out = capsys.readouterr().out
    assert out.startswith("tilts   tilts/*.csv\n")
    assert "pickups" not in out


def test_an_unknown_table_names_those_there_are(capsys):
    assert main(["formats", "piles"]) == 2
    assert told(capsys) == f"asbuilt: no table 'piles'; there are {', '.join(TABLES)}"


def test_json_carries_the_rules(capsys):
    assert main(["formats", "pickups", "--json"]) == 0
    (table,) = json.loads(capsys.readouterr().out)["tables"]
    columns = {column["name"]: column for column in table["columns"]}
    assert list(columns) == [column.name for column in TABLES["pickups"].columns]
    assert columns["sigma_mm"]["low"] == 0.0
    assert columns["sigma_mm"]["low_open"] is True
    assert columns["shot"]["choices"] == ["centre", "edge"]
    assert (columns["pile_id"]["needed"], columns["pile_id"]["column_needed"]) == (False, True)
