"""``asbuilt steer``: an answer and a page for the rig, blank cards, and requests that cannot be met."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pdf_pages
import pytest
import small_folder
from golden_files import assert_golden
from PIL import Image

from asbuilt.__main__ import main
from asbuilt.commands.steer_words import CAUTIONS

DEMO = Path(__file__).parents[2] / "demo_survey"
READ = ("--tilt-a", "1", "--tilt-b", "2", "--unit", "mm/m", "--depth", "4")


@pytest.fixture
def folder(tmp_path):
    return small_folder.make(tmp_path / "wall")


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("steer") / "demo"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("*.py", "incoming", "out"))
    return folder


def steered(capsys, *arguments: str) -> dict:
    assert main(["steer", *arguments, "--json"]) == 0
    return json.loads(capsys.readouterr().out)


def refused(capsys, *arguments: str) -> dict[str, str]:
    """Return what is wrong, by option."""
    assert main(["steer", *arguments, "--json"]) == 2
    return {one["column"]: one["text"] for one in json.loads(capsys.readouterr().out)["errors"]}


def test_the_newest_reading_of_the_pile_that_is_being_drilled(demo, capsys):
    assert main(["steer", str(demo), "A132"]) == 0
    text = capsys.readouterr().out
    assert_golden("steer_demo.txt", text)
    assert max(map(len, text.splitlines())) <= 60


def test_a_page_is_written_as_pdf_and_png_and_a_run_leaves_it_alone(folder, capsys):
    found = steered(capsys, str(folder), "P7", *READ)
    assert found["files"] == [str(folder / "out" / "steer" / f"P7.{kind}") for kind in ("pdf", "png")]
    assert main(["run", str(folder)]) == 0
    (page,) = pdf_pages.read_pages(found["files"][0])
    assert (page.width, page.height) == pytest.approx((210.0, 148.0), abs=0.1)
    with Image.open(found["files"][1]) as picture:
        # 200 dots to the inch
        assert picture.size == (1653, 1165)
        # dark letters on a clear ground would be lost on a dark screen
        assert picture.convert("RGBA").getextrema()[3] == (255, 255)


def test_the_same_question_has_the_same_bytes(folder, capsys):
    first = {path: Path(path).read_bytes() for path in steered(capsys, str(folder), "P7", *READ)["files"]}
    steered(capsys, str(folder), "P7", *READ)
    assert first == {path: Path(path).read_bytes() for path in first}


def test_a_reading_given_goes_before_the_stored_one(demo, capsys):
    given = ("--tilt-a", "0.02", "--tilt-b", "-0.01", "--unit", "deg", "--depth", "6", "--sense", "top")
    found = steered(capsys, str(demo), "A132", *given)
    assert (found["answer"], found["reading"]["level"]) == ("go on", -2.0)
    assert (found["reading"]["a"], found["reading"]["b"]) == pytest.approx((0.02, -0.01))
    # three stored readings lie above
    assert found["trend"] is not None


def test_the_stored_reading_keeps_its_own_unit_and_sense(demo, capsys):
    found = steered(capsys, str(demo), "A132")
    assert found["answer"] == "correct"
    assert (found["reading"]["a"], found["reading"]["b"]) == pytest.approx((0.12, 0.39))
    assert (found["correction"]["unit"], found["correction"]["sense"]) == ("deg", "top")
    # the top leans towards (62°) and along (152°): the toe goes the other way
    assert found["reading"]["e_mm_per_m"] < 0


def test_another_sense_than_that_of_the_stored_readings_is_told(demo, capsys):
    for sense in ([], ["--sense", "toe"]):
        assert main(["steer", str(demo), "A132", *READ, *sense]) == 0
        second = capsys.readouterr().out.splitlines()[1]
        assert second == "CHECK THE SENSE: stored readings of A132 have the other one."
    assert steered(capsys, str(demo), "A132", *READ)["cautions"][-1].startswith("CHECK THE SENSE")
    assert main(["steer", str(demo), "A132", *READ, "--sense", "top"]) == 0
    assert "CHECK THE SENSE" not in capsys.readouterr().out


def test_a_card_goes_by_the_newest_stored_reading_and_tells_of_another_sense(demo, capsys):
    assert main(["steer", str(demo), "A132", "--card"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "CHECK THE SENSE: stored readings of A132 say top, site.toml toe." in said
    (card,) = steered(capsys, str(demo), "A132", "--card")["cards"]
    assert (card["unit"], card["sense"]) == ("deg", "top")
    (card,) = steered(capsys, str(demo), "A132", "--card", "--sense", "toe", "--unit", "%")["cards"]
    assert (card["unit"], card["sense"]) == ("%", "toe")
    assert main(["steer", str(demo), "A132", "--card", "--sense", "toe"]) == 0
    assert "A132 have the other" in capsys.readouterr().out


@pytest.mark.parametrize("card", [[], ["--card"]])
def test_without_a_reading_what_is_wrong_with_options_is_told_beside_the_pile(folder, capsys, card):
    assert refused(capsys, str(folder), "P33", "--unit", "feet", *card).keys() == {"PILE", "--unit"}


def test_what_is_wrong_with_options_is_told_beside_what_is_wrong_with_files(tmp_path, capsys):
    folder = small_folder.make(tmp_path / "wall")
    with (folder / "tilts" / "2025-03-03.csv").open("a") as file:
        file.write("P9,,,,\n")
    found = refused(capsys, str(folder), "P8", "--tilt-a", "x", "--unit", "mm/m", "--depth", "4")
    assert {"--tilt-a", "--tilt-b"} < found.keys()


def test_without_a_reading_it_says_stop_and_ask(folder, capsys):
    found = steered(capsys, str(folder), "P8")
    assert (found["answer"], found["reading"], found["sure"]) == ("stop and ask", None, None)
    assert found["joints"] == [
        {**found["joints"][0], "joint_id": "P7~P8", "neighbour_is": "design", "least_overlap_mm": None}
    ]


def test_an_unbuilt_neighbour_is_marked_and_stands_at_design(folder, capsys):
    found = steered(capsys, str(folder), "P8", *READ)
    (joint,) = found["joints"]
    assert (joint["neighbour"], joint["neighbour_is"]) == ("P7", "design")
    # 130 mm at the commencing surface; 2 mm/m away from P7, 1 mm/m across, down to the interlock level
    distance = ((0.75 + 0.002 * 13.5) ** 2 + (0.001 * 13.5) ** 2) ** 0.5
    assert joint["least_overlap_mm"] == pytest.approx(1000 * (0.88 - distance), abs=1e-6)
    assert joint["least_level"] == -9.5


def test_everything_wrong_is_told_at_once_and_nothing_written(folder, capsys):
    found = refused(capsys, str(folder), "P33", "--tilt-a", "x", "--unit", "feet")
    assert sorted(found) == ["--depth", "--tilt-a", "--tilt-b", "--unit", "PILE"]
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    ("pile", "change", "option", "text"),
    [
        ("P1", {}, "PILE", "P1 is concreted already"),
        ("P9", {}, "PILE", "no pile 'P9'"),
        ("P8", {"--unit": None}, "--unit", "not given"),
        ("P8", {"--depth": "16.5"}, "--depth", "16.5 m is below the toe of P8, at 16.00 m"),
        ("P8", {"--tilt-a": "51"}, "--tilt-a", "with --tilt-b and mm/m a lean of 51 mm/m, more than 1:20"),
    ],
)
def test_what_cannot_be_answered(folder, capsys, pile, change, option, text):
    given = dict(zip(READ[::2], READ[1::2], strict=True)) | change
    words = [word for pair in given.items() if pair[1] is not None for word in pair]
    assert refused(capsys, str(folder), pile, *words) == {option: text}


def test_a_reading_without_a_sense_where_the_site_says_none(tmp_path, capsys):
    site = small_folder.SITE.replace('[readings]\nsense = "toe"\n', "")
    folder = small_folder.make(tmp_path / "wall", site_toml=site)
    (folder / "tilts" / "2025-03-03.csv").unlink()
    assert refused(capsys, str(folder), "P8", *READ) == {"--sense": "not given"}
    assert steered(capsys, str(folder), "P8", *READ, "--sense", "top")["correction"]["sense"] == "top"


def test_a_corner_needs_a_bearing(demo, capsys):
    found = refused(capsys, str(demo), "A001", *READ)
    assert "at A001 it is needed: the wall turns by 90 degrees there" in found["--bearing-a"]


def test_an_omitted_pile_is_never_drilled(demo, capsys):
    assert refused(capsys, str(demo), "A088", *READ) == {"PILE": "A088 is omitted in the design"}


def test_two_piles_are_for_cards_and_cards_are_blank(folder, capsys):
    assert main(["steer", str(folder), "P7", "P8"]) == 2
    assert "add --card" in capsys.readouterr().err
    assert main(["steer", str(folder), "P7", "--card", *READ]) == 2
    assert "--card prints blank cards" in capsys.readouterr().err


def test_cards_are_written_two_on_a_page(folder, capsys):
    assert main(["steer", str(folder), "P6", "P7", "P8", "--card"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "out/steer/cards.pdf: 3 cards"
    assert set(CAUTIONS) <= set(lines)
    pages = pdf_pages.read_pages(folder / "out" / "steer" / "cards.pdf")
    named = [[text.text for text in page.texts if text.text.startswith("Pile ")] for page in pages]
    assert named == [
        ["Pile P6: readings at the rig", "Pile P7: readings at the rig"],
        ["Pile P8: readings at the rig"],
    ]


def test_one_card_has_the_name_of_its_pile_and_its_limits(folder, capsys):
    found = steered(capsys, str(folder), "P8", "--card", "--unit", "deg", "--sense", "top")
    assert found["files"] == [str(folder / "out" / "steer" / "P8_card.pdf")]
    (card,) = found["cards"]
    assert (card["unit"], card["sense"], card["bearing_a_deg"]) == ("deg", "top", 0.0)
    assert [one["depth"] for one in card["limits"]] == [2.0, 4.0, 8.0, 16.0]


def test_cards_of_piles_that_cannot_be_steered_are_refused_together(folder, capsys):
    assert main(["steer", str(folder), "P1", "P99", "P8", "--card", "--unit", "feet", "--json"]) == 2
    told = [(one["column"], one["text"]) for one in json.loads(capsys.readouterr().out)["errors"]]
    assert told == [("--unit", "'feet' is none"), ("PILE", "P1 is concreted already"), ("PILE", "no pile 'P99'")]
