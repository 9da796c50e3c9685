"""``asbuilt archive``: one file that holds it all, explains itself, and is the same when nothing changed."""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
import subprocess
import warnings
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
import small_folder

from asbuilt.__main__ import main
from asbuilt.commands import writers
from asbuilt.commands._opening import record_changes
from asbuilt.commands._shared import CAUTIONS
from asbuilt.intake import ledger_check
from asbuilt.output.bag import verify_bag

LEDGER = "at,by,action,file,sha256,options,note,previous_sha256\n"
PATTERN = """
[sheets]
originator = "Invented Surveys"

[archive]
name_pattern = "{originator}-{date}"
contact = "N. N."
"""


@pytest.fixture(scope="module")
def run_once(tmp_path_factory):
    folder = small_folder.make(tmp_path_factory.mktemp("run") / "wall")
    assert main(["run", str(folder)]) == 0
    return folder


@pytest.fixture
def folder(tmp_path, run_once):
    """Return a survey folder with the outputs of a run."""
    return Path(shutil.copytree(run_once, tmp_path / "wall"))


@pytest.fixture
def target(tmp_path):
    return tmp_path / "a.zip"


@pytest.fixture
def no_drawing(monkeypatch):
    """Leave the drawing of the sheets out, which takes longest: for tests that look at whose outputs are packed."""

    def blank(path, *_):
        path.write_bytes(b"%PDF-1.7\n% no page\n")
        return 0

    monkeypatch.setitem(writers.WRITERS, "sheets", blank)


def archive(capsys, *arguments):
    """Return the exit code, the object printed, and what was said on stderr."""
    code = main(["archive", *map(str, arguments), "--json"])
    captured = capsys.readouterr()
    return code, json.loads(captured.out), captured.err


def contents(path):
    """Return the payload of a bag by its path below data/, and the name of its folder."""
    with zipfile.ZipFile(path) as packed:
        top = packed.namelist()[0].partition("/")[0]
        found = {name.removeprefix(f"{top}/"): packed.read(name) for name in packed.namelist()}
    return {name.removeprefix("data/"): data for name, data in found.items() if name.startswith("data/")}, found, top


def test_it_holds_inputs_outputs_and_explanations(folder, target, capsys):
    code, printed, _ = archive(capsys, folder, target)
    assert code == 0
    payload, _, top = contents(target)
    outputs = ["asbuilt.gpkg", "joints.csv", "review.html", "schedule.csv", "sheets.pdf"]
    assert sorted(payload) == sorted(
        [f"inputs/{path}" for path in small_folder.FILES]
        + [f"outputs/{name}" for name in outputs]
        + ["READ ME FIRST.txt", "description.json", "description.xml", "versions.json"]
    )
    assert {path: payload[f"inputs/{path}"].decode() for path in small_folder.FILES} == small_folder.FILES
    assert (top, printed["name"], printed["files"]) == ("a", "a", len(payload))
    assert printed["sha256"] == hashlib.sha256(target.read_bytes()).hexdigest()
    assert verify_bag(target) == []


def test_the_survey_folder_stays_as_it_was(folder, target, capsys):
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    archive(capsys, folder, target)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
    assert sorted(path.name for path in folder.parent.iterdir()) == ["a.zip", "wall"]


def test_outputs_made_anew_and_taken_from_out_make_the_same_bytes(folder, target, tmp_path, capsys):
    (tmp_path / "b").mkdir()
    _, taken, _ = archive(capsys, folder, tmp_path / "b" / "a.zip")
    shutil.rmtree(folder / "out")
    _, anew, _ = archive(capsys, folder, target)
    assert anew["outputs"].startswith("made anew: out/ has no asbuilt.gpkg")
    assert taken["outputs"] == "taken from out/, made from the same inputs by this version"
    assert (tmp_path / "b" / "a.zip").read_bytes() == target.read_bytes()


@pytest.mark.usefixtures("no_drawing")
@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda f: (f / "records" / "2.csv").write_text("pile_id,rig\nP7,Rig 2\n"), "records/2.csv changed since"),
        (lambda f: (f / "out" / "joints.csv").write_text("changed"), "joints.csv is not as the run left it"),
        (lambda f: (f / "out" / "run.json").unlink(), "there is no run.json"),
        (lambda f: (f / "out" / "sheets.pdf").unlink(), "out/ has no sheets.pdf"),
        (
            lambda f: (f / "out" / "run.json").write_text(
                (f / "out" / "run.json").read_text().replace('"numpy": "', '"numpy": "0.')
            ),
            "out/ was made with other libraries",
        ),
    ],
)
def test_outputs_that_do_not_belong_to_the_inputs_are_made_anew(folder, target, capsys, change, why):
    change(folder)
    _, printed, _ = archive(capsys, folder, target)
    assert why in printed["outputs"]
    payload, _, _ = contents(target)
    hashes = json.loads(payload["versions.json"])["outputs"]
    assert hashes == {
        path.removeprefix("outputs/"): hashlib.sha256(data).hexdigest()
        for path, data in payload.items()
        if path.startswith("outputs/")
    }


@pytest.mark.usefixtures("no_drawing")
def test_a_geopackage_that_describes_itself_otherwise_is_made_anew(folder, target, capsys):
    package = folder / "out" / "asbuilt.gpkg"
    with closing(sqlite3.connect(package)) as database:
        database.execute("UPDATE gpkg_metadata SET metadata = '<x/>'")
        database.commit()
    record = json.loads((folder / "out" / "run.json").read_text())
    record["outputs"]["asbuilt.gpkg"] = hashlib.sha256(package.read_bytes()).hexdigest()
    (folder / "out" / "run.json").write_text(json.dumps(record), encoding="utf-8")
    _, printed, _ = archive(capsys, folder, target)
    assert printed["outputs"].startswith("made anew: asbuilt.gpkg in out/ does not say the same of itself;")


def test_versions_are_those_of_the_run_without_its_time(folder, target, capsys):
    archive(capsys, folder, target)
    record = json.loads((folder / "out" / "run.json").read_text())
    record.pop("run_at")
    record.pop("seconds")
    assert json.loads(contents(target)[0]["versions.json"]) == record


def test_the_metadata_in_the_geopackage_are_those_beside_it(folder, target, tmp_path, capsys):
    archive(capsys, folder, target)
    payload, _, _ = contents(target)
    (tmp_path / "x.gpkg").write_bytes(payload["outputs/asbuilt.gpkg"])
    with closing(sqlite3.connect(tmp_path / "x.gpkg")) as database:
        rows = database.execute("SELECT metadata FROM gpkg_metadata WHERE md_standard_uri LIKE '%gmd'").fetchall()
    assert rows == [(payload["description.xml"].decode(),)]


@pytest.mark.usefixtures("no_drawing")
def test_the_names_pattern_and_contact_come_from_the_settings(tmp_path, target, capsys):
    folder = small_folder.make(tmp_path / "wall", site_toml=small_folder.SITE + PATTERN)
    archive(capsys, folder, target)
    payload, found, top = contents(target)
    assert top == "Invented Surveys-2025-03-05"
    info = dict(line.split(": ", 1) for line in found["bag-info.txt"].decode().splitlines())
    assert (info["Source-Organization"], info["Contact-Name"], info["External-Identifier"]) == (
        "Invented Surveys",
        "N. N.",
        "Invented Surveys-2025-03-05",
    )
    assert info["Bagging-Date"] == "2025-03-05"
    assert json.loads(payload["description.json"])["contact"] == "N. N."


def test_a_pattern_that_asks_for_what_is_not_set_is_refused(tmp_path, target, capsys):
    site = small_folder.SITE + '\n[archive]\nname_pattern = "{number}-{revision}"\n'
    code, printed, _ = archive(capsys, small_folder.make(tmp_path / "wall", site_toml=site), target)
    assert code == 2
    assert "needs sheets.drawing_number, sheets.revision; set it" in printed["errors"][0]["text"]
    assert not target.exists()


def test_history_hidden_files_and_files_of_a_strange_name(folder, target, capsys):
    (folder / "history").mkdir()
    (folder / "history" / "site-1.toml").write_text("former", encoding="utf-8")
    (folder / "pickups" / ".hidden").write_text("x", encoding="utf-8")
    (folder / "pickups" / "photo 50%.jpg").write_bytes(b"picture")
    (folder / "tilts" / "more").mkdir()
    (folder / "tilts" / "more" / "note.txt").write_text("kept", encoding="utf-8")
    _, printed, _ = archive(capsys, folder, target)
    payload, _, _ = contents(target)
    assert payload["history/site-1.toml"] == b"former"
    assert payload["inputs/pickups/photo 50_.jpg"] == b"picture"
    assert payload["inputs/tilts/more/note.txt"] == b"kept"
    assert not any("hidden" in path for path in payload)
    renamed = {"pickups/photo 50%.jpg": "inputs/pickups/photo 50_.jpg"}
    assert printed["renamed"] == renamed
    assert json.loads(payload["description.json"])["renamed"] == renamed
    assert verify_bag(target) == []


@pytest.mark.usefixtures("no_drawing")
def test_a_design_that_the_settings_name_elsewhere_is_in_it(folder, target, capsys):
    (folder / "issued").mkdir()
    (folder / "design" / "piles.csv").rename(folder / "issued" / "wall.csv")
    (folder / "site.toml").write_text(small_folder.SITE + '\n[design]\npiles = "issued/wall.csv"\n', encoding="utf-8")
    archive(capsys, folder, target)
    payload, _, _ = contents(target)
    assert payload["inputs/issued/wall.csv"].decode() == small_folder.DESIGN


# ---- the ledger


def with_ledger(folder, capsys):
    """Begin a ledger that records what was put in by hand."""
    (folder / "ledger.csv").write_text(LEDGER, encoding="utf-8")
    record_changes(folder)
    capsys.readouterr()
    return folder


@pytest.mark.usefixtures("no_drawing")
def test_a_ledger_in_order_is_said_to_be(folder, target, capsys):
    code, printed, said = archive(capsys, with_ledger(folder, capsys), target)
    payload, _, _ = contents(target)
    assert (code, said) == (0, "")
    assert printed["ledger"] == json.loads(payload["description.json"])["ledger"]
    assert printed["ledger"]["in_order"] is True
    assert payload["ledger.csv"] == (folder / "ledger.csv").read_bytes()
    assert payload["ledger.csv"].decode().startswith(LEDGER)
    assert "inputs/ledger.csv" not in payload


@pytest.mark.usefixtures("no_drawing")
def test_a_broken_ledger_is_warned_of_and_recorded(folder, target, capsys, monkeypatch):
    problems = ["pickups/2025-03-05.csv: changed"]
    monkeypatch.setattr(ledger_check, "verify_folder", lambda _folder: problems)
    code, printed, said = archive(capsys, with_ledger(folder, capsys), target)
    payload, _, _ = contents(target)
    assert code == 0
    assert said == "asbuilt: warning: pickups/2025-03-05.csv: changed\n"
    assert (printed["ledger"]["in_order"], printed["ledger"]["problems"]) == (False, problems)
    assert json.loads(payload["description.json"])["ledger"]["problems"] == problems
    assert b"* pickups/2025-03-05.csv: changed\n" in payload["READ ME FIRST.txt"]


def test_a_ledger_that_is_gone_is_told(folder, target, capsys):
    (folder / "history").mkdir()
    (folder / "history" / "2025-03-05_0123abcd_site.toml").write_text("former", encoding="utf-8")
    _, printed, said = archive(capsys, folder, target)
    assert printed["ledger"]["in_order"] is False
    assert "ledger.csv: missing" in said


@pytest.mark.usefixtures("no_drawing")
def test_a_load_is_covered_and_a_byte_changed_after_it_is_told(folder, tmp_path, capsys):
    day = tmp_path / "day.csv"
    day.write_text(small_folder.PICKUPS.splitlines()[0] + "\nS6,P6,104.501,200.001,3.30,2025-03-06T12:00\n", "utf-8")
    assert main(["load", str(folder), str(day), "--by", "N. N.", "--confirm", "seen"]) == 0
    capsys.readouterr()
    _, sound, said = archive(capsys, folder, tmp_path / "a.zip")
    assert (sound["ledger"]["in_order"], said) == (True, "")
    payload, _, _ = contents(tmp_path / "a.zip")
    last = payload["ledger.csv"].rstrip(b"\n").rpartition(b"\n")[2]
    assert json.loads(payload["versions.json"])["ledger_head"] == hashlib.sha256(last).hexdigest()
    (taken,) = [path for path in (folder / "pickups").iterdir() if path.read_bytes() == day.read_bytes()]
    taken.write_text(taken.read_text().replace("104.501", "104.502"), encoding="utf-8")
    _, broken, said = archive(capsys, folder, tmp_path / "b.zip")
    assert broken["ledger"]["in_order"] is False
    assert f"pickups/{taken.name}" in said


def test_without_a_ledger_nothing_is_said_to_be_in_order(folder, target, capsys):
    _, printed, said = archive(capsys, folder, target)
    assert (printed["ledger"]["in_order"], said) == (None, "")
    assert b"There is no ledger" in contents(target)[0]["READ ME FIRST.txt"]


# ---- in other hands


@pytest.mark.usefixtures("no_drawing")
def test_the_library_for_bags_and_a_common_tool_find_all_in_order(folder, target, tmp_path, capsys):
    import bagit

    (folder / "decisions.csv").write_text("at,by,item,effect,reason\n", encoding="utf-8")
    (folder / "control").mkdir()
    (folder / "control" / "points.csv").write_text("point,easting,northing,map_e,map_n,sigma_mm\n", encoding="utf-8")
    archive(capsys, with_ledger(folder, capsys), target)
    (folder / "site.toml").write_text(small_folder.SITE.replace("Small invented", "Another"), encoding="utf-8")
    archive(capsys, folder, tmp_path / "b.zip")
    shutil.unpack_archive(tmp_path / "b.zip", tmp_path / "open")
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=DeprecationWarning, module="bagit")
        assert bagit.Bag(str(tmp_path / "open" / "b")).validate()
    ran = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", "manifest-sha256.txt"],  # noqa: S607
        cwd=tmp_path / "open" / "b",
        capture_output=True,
        text=True,
    )
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "", "")
    data = tmp_path / "open" / "b" / "data"
    for name in ("decisions.csv", "control/points.csv", "site.toml"):
        assert (data / "inputs" / name).read_bytes() == (folder / name).read_bytes()
    former = [path.read_text(encoding="utf-8") for path in (data / "history").iterdir() if "site.toml" in path.name]
    assert small_folder.SITE in former


@pytest.mark.usefixtures("no_drawing")
def test_what_is_unpacked_is_a_survey_folder_that_gives_the_same_archive(folder, target, tmp_path, capsys):
    archive(capsys, with_ledger(folder, capsys), target)
    shutil.unpack_archive(target, tmp_path / "open")
    data, again = tmp_path / "open" / "a" / "data", tmp_path / "again"
    shutil.copytree(data / "inputs", again)
    shutil.copy(data / "ledger.csv", again)
    if (data / "history").exists():
        shutil.copytree(data / "history", again / "history")
    (tmp_path / "two").mkdir()
    code, _, said = archive(capsys, again, tmp_path / "two" / "a.zip")
    assert (code, said) == (0, "")
    one, two = contents(target)[0], contents(tmp_path / "two" / "a.zip")[0]
    assert {path for path in {*one, *two} if one.get(path) != two.get(path)} <= {"outputs/sheets.pdf", "versions.json"}


@pytest.mark.usefixtures("no_drawing")
def test_outputs_of_other_inputs_stay_in_out_and_are_not_packed(folder, target, capsys):
    before = {path.name: path.read_bytes() for path in (folder / "out").iterdir() if path.is_file()}
    day = small_folder.PICKUPS.splitlines()[0] + "\nS6,P6,104.501,200.001,3.30,2025-03-06T12:00\n"
    (folder / "pickups" / "2025-03-06.csv").write_text(day, encoding="utf-8")
    _, printed, _ = archive(capsys, folder, target)
    assert printed["outputs"].startswith("made anew: ")
    assert "and they are as of 2025-03-05T12:40:00" in printed["outputs"]
    assert printed["outputs"].endswith("; out/ stays as it is until the next run")
    assert {path.name: path.read_bytes() for path in (folder / "out").iterdir() if path.is_file()} == before
    payload, _, _ = contents(target)
    assert payload["outputs/schedule.csv"] != before["schedule.csv"]
    assert b"P6" in payload["outputs/schedule.csv"]


# ---- what is refused


@pytest.mark.parametrize("share", [0.1, 0.9], ids=["in the scratch folder", "at the target"])
def test_a_full_disk_leaves_nothing(folder, tmp_path, capsys, monkeypatch, share):
    """A limit on the size of a file stands for the full disk: writing fails half-way, at the system itself."""
    resource = pytest.importorskip("resource")
    (tmp_path / "scratch").mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "scratch"))
    size = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file() and path.name != "run.json")
    former = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(share * size), former[1]))
    try:
        code, printed, _ = archive(capsys, folder, tmp_path / "sub" / "a.zip")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, former)
    assert code == 2
    assert ("among the temporary files" in printed["errors"][0]["text"]) == (share < 0.5)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["scratch", "wall"]
    assert list((tmp_path / "scratch").iterdir()) == []


def test_a_target_that_is_there_is_refused_before_anything_is_recorded(folder, target, capsys):
    (folder / "ledger.csv").write_text(LEDGER, encoding="utf-8")
    target.write_bytes(b"kept")
    code, _, said = archive(capsys, folder, target)
    assert (code, said, target.read_bytes()) == (2, "", b"kept")
    assert (folder / "ledger.csv").read_text(encoding="utf-8") == LEDGER


def test_a_file_that_is_there_is_not_replaced(folder, target, capsys):
    target.write_bytes(b"kept")
    code, printed, _ = archive(capsys, folder, target)
    assert (code, target.read_bytes()) == (2, b"kept")
    assert "is there already" in printed["errors"][0]["text"]


@pytest.mark.parametrize("place", ["pickups/a.zip", "history/a.zip", "design/sub/a.zip"])
def test_a_target_among_the_inputs_is_refused(folder, capsys, place):
    code, printed, _ = archive(capsys, folder, folder / place)
    assert code == 2
    assert "would lie among the inputs" in printed["errors"][0]["text"]
    assert not (folder / place).exists()


def test_a_target_beside_the_inputs_is_fine_and_is_not_in_the_next(folder, capsys):
    assert archive(capsys, folder, folder / "a.zip")[0] == 0
    assert archive(capsys, folder, folder / "b.zip")[0] == 0
    assert not any(path.endswith(".zip") for path in contents(folder / "b.zip")[0])


def test_a_target_that_is_no_zip_is_refused(folder, tmp_path, capsys):
    code, printed, _ = archive(capsys, folder, tmp_path / "a.tar")
    assert code == 2
    assert "give a name that ends in .zip" in printed["errors"][0]["text"]


def test_bad_inputs_are_listed_and_nothing_is_written(folder, target, capsys):
    (folder / "pickups" / "2025-03-05.csv").write_text("point\nS1\n", encoding="utf-8")
    code, printed, _ = archive(capsys, folder, target)
    assert code == 2
    assert {error["file"] for error in printed["errors"]} == {"pickups/2025-03-05.csv"}
    assert not target.exists()


def test_an_input_that_changes_meanwhile_is_noticed(folder, target, capsys, monkeypatch):
    from asbuilt.commands import archive as module

    def changing(place, result, real=module._name):
        (folder / "tilts" / "2025-03-03.csv").write_text("changed", encoding="utf-8")
        return real(place, result)

    monkeypatch.setattr(module, "_name", changing)
    code, printed, _ = archive(capsys, folder, target)
    assert code == 2
    assert printed["errors"][0]["text"].startswith("tilts/2025-03-03.csv changed while the folder was being archived")
    assert not target.exists()


def test_the_text_says_what_was_done_and_carries_the_cautions(folder, target, capsys):
    assert main(["archive", str(folder), str(target)]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80 or str(target) in out
    flat = " ".join(out.split())
    assert hashlib.sha256(target.read_bytes()).hexdigest() in out
    assert "Outputs taken from out/, made from the same inputs by this version." in flat
    assert [caution for caution in CAUTIONS if caution not in flat] == []
