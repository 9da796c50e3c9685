"""The text for someone ten years on: complete, eighty columns, true to the dictionary and to what is in the bag."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
import small_folder
from golden_files import assert_golden

from asbuilt.columns import FINDINGS, LAYERS, TABLES, VERDICTS
from asbuilt.commands._shared import CAUTIONS
from asbuilt.compute.grid import engineering_crs_wkt
from asbuilt.intake.survey import read_survey
from asbuilt.output._description import describe
from asbuilt.output.read_me_first import read_me_first
from asbuilt.reconcile import reconcile

PAYLOAD = (
    "inputs/site.toml",
    "inputs/design/piles.csv",
    "inputs/pickups/2025-03-05.csv",
    "inputs/pickups/2025-03-06.csv",
    "inputs/wall.gpkg",
    "ledger.csv",
    "outputs/asbuilt.gpkg",
)


@pytest.fixture(scope="module")
def described(tmp_path_factory):
    survey = read_survey(small_folder.make(tmp_path_factory.mktemp("wall")))
    return describe(reconcile(survey), crs_wkt=engineering_crs_wkt("Small invented wall"), cautions=CAUTIONS)


def text_of(described, *, payload=PAYLOAD, ledger=(), renamed=None):
    return read_me_first(described, name="wall-1", payload=payload, ledger=ledger, renamed=renamed or {})


@pytest.fixture(scope="module")
def text(described):
    return text_of(described)


def flat(text):
    return " ".join(text.split())


def test_it_fits_eighty_columns_and_has_plain_ends_of_lines(text):
    assert max(map(len, text.splitlines())) <= 80
    assert [line for line in text.split("\n") if line != line.rstrip()] == []
    assert "\r" not in text


def test_the_first_part_is_as_last_looked_at(text):
    scrubbed = re.sub(r"\b[0-9a-f]{64}\b", "HASH", text.partition("9  The GeoPackage")[0])
    assert_golden("read_me_first.txt", scrubbed)


@pytest.mark.parametrize("name", [*LAYERS, *TABLES])
def test_every_layer_and_table_is_explained(text, name):
    definition = LAYERS.get(name) or TABLES[name]
    assert re.search(rf"^{name} \(.*\):", text, re.MULTILINE)
    missing = [column.name for column in definition.columns if not re.search(rf"\b{column.name}\b", text)]
    assert missing == []


@pytest.mark.parametrize("name", FINDINGS)
def test_every_finding_is_explained(text, name):
    assert flat(f"{name} {FINDINGS[name].severity}: {FINDINGS[name].meaning}") in flat(text)


def test_a_column_carries_unit_meaning_and_choices(text):
    assert "least_overlap_mm [mm] least overlap in the range; negative: a gap" in flat(text)
    assert "toe_verdict toe level; one of: within, unresolved, not surveyed, outside" in flat(text)


def test_every_verdict_is_explained(text):
    part = text.partition("5  The words of a verdict")[2].partition("6  Where it is")[0]
    assert [verdict for verdict in VERDICTS if not re.search(rf"^  {verdict} ", part, re.MULTILINE)] == []


def test_every_caution_is_carried(text):
    assert [caution for caution in CAUTIONS if caution not in flat(text)] == []


def test_the_definition_of_the_grid_can_be_put_together_again(described, text):
    lines = text.partition("Its lines join without\nanything between:\n\n")[2].partition("\n\n")[0]
    assert lines.replace("\n", "") == described.crs_wkt


def test_only_what_is_there_is_listed(text):
    places = text.partition("3  What lies where")[2].partition("4  Units")[0]
    assert "inputs/pickups/   (2 files)" in places
    assert "inputs/wall.gpkg" in places
    assert "inputs/tilts" not in places
    assert "description.xml" not in places


def test_a_file_with_another_name_is_told(described):
    said = text_of(described, renamed={"pickups/50%.csv": "inputs/pickups/50_.csv"})
    assert "  pickups/50%.csv\n    is inputs/pickups/50_.csv\n" in said


@pytest.mark.parametrize(
    ("ledger", "said"),
    [
        (None, "There is no ledger: the files were put into the survey folder by hand."),
        ((), "When this archive was made the chain and every file in it were found in order."),
        (("line 3 is gone",), "When this archive was made, not all was in order with the ledger: * line 3 is gone"),
    ],
)
def test_it_says_how_the_ledger_was_found(described, ledger, said):
    assert said in flat(text_of(described, ledger=ledger))


def test_a_grid_on_the_earth_is_told_with_its_box(described):
    tied = replace(described, degrees=(3.0, 51.0, 3.001, 51.001), map_crs="EPSG:25831", tied=("Fitted, invented.",))
    said = flat(text_of(tied))
    assert "longitude 3.000000 and 3.001000 and latitude 51.000000 and 51.001000 degrees" in said
    assert "* Fitted, invented." in said
    assert "do not tie to the Earth" not in said


@pytest.mark.parametrize("length", [60, 79, 80, 81, 200])
def test_a_long_name_of_the_site_breaks_nothing(described, length):
    said = text_of(replace(described, title="T" * length, crs_wkt=engineering_crs_wkt("W" * length)))
    assert max(map(len, said.splitlines())) <= 80
    assert "T" * min(length, 80) in said


def test_piles_that_are_not_judged_are_counted_and_named(described):
    wall, count = next(iter(described.piles.items()))
    said = flat(text_of(replace(described, omitted={wall: ("P7", "P8")})))
    assert f"wall {wall} {count} design piles, open line; 2 of them omitted, and not judged: P7, P8" in said


def test_why_a_grid_is_not_tied_is_told(described):
    said = flat(text_of(replace(described, tied=("No place: invented.",))))
    assert "do not tie to the Earth" in said
    assert "* No place: invented." in said


def test_what_speaks_against_the_place_on_the_map_stands_before_the_rest(described):
    tied = replace(described, degrees=(3.0, 51.0, 3.001, 51.001), tied=("Fitted.",), doubt="Tied by a bad fit.")
    assert "MIND HOW: Tied by a bad fit. * Fitted." in flat(text_of(tied))
