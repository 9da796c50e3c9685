"""The documentation is true: generated tables are current, links lead somewhere, examples run."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import re
import shlex
import shutil
import subprocess
from pathlib import Path

import generate_docs
import pytest

from asbuilt.__main__ import main

ROOT = Path(__file__).resolve().parents[1]
PAGES = sorted([*(ROOT / "docs").glob("*.md"), ROOT / "README.md", ROOT / "DEVELOPERS.md"])
TEXTS = {page.relative_to(ROOT).as_posix(): page.read_text(encoding="utf-8") for page in PAGES}

FENCE = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
LINK = re.compile(r"\[[^\]]*\]\(([^)\s]+)\)")
HEADING = re.compile(r"^#+ (.+)$", re.MULTILINE)


def fences(text: str, language: str) -> list[str]:
    """Return the contents of the fenced blocks of one language."""
    return [content for found, content in FENCE.findall(text) if found == language]


def anchors(text: str) -> set[str]:
    """Return the anchors of a page's headings."""
    plain = FENCE.sub("", text)
    return {re.sub(r"[^\w\- ]", "", title.lower()).strip().replace(" ", "-") for title in HEADING.findall(plain)}


def broken_links(page: str, text: str) -> list[str]:
    """Return the links of a page that lead to no file or heading of the repository."""
    broken = []
    for target in LINK.findall(FENCE.sub("", text)):
        if target.startswith(("http://", "https://")):
            continue
        file, _, anchor = target.partition("#")
        path = (ROOT / page).parent / file if file else ROOT / page
        if not path.is_file() or (anchor and anchor not in anchors(path.read_text(encoding="utf-8"))):
            broken.append(target)
    return broken


def readme_command(name: str) -> str:
    """Return the command of the README that stands below ``<!-- command: NAME -->``."""
    found = re.findall(rf"^<!-- command: {name} -->\n```sh\n(.*?)\n```$", TEXTS["README.md"], re.DOTALL | re.MULTILINE)
    assert len(found) == 1
    return str(found[0])


def commands(text: str) -> list[str]:
    """Return the example commands in a page's fenced blocks, without the environment's folder."""
    lines = [line for language in ("", "sh") for block in fences(text, language) for line in block.splitlines()]
    return [line.removeprefix(".venv/bin/") for line in lines if re.match(r"(\.venv/bin/)?asbuilt ", line)]


def documented_keys(holding: str) -> set[str]:
    """Return the keys of the JSON object on the page of commands that holds a text."""
    (block,) = [block for block in fences(TEXTS["docs/commands.md"], "json") if holding in block]
    return set(json.loads(block))


EXAMPLES = sorted({line for text in TEXTS.values() for line in commands(text)})
#: Commands that change the survey folder: the others find it as it was.
CHANGE_THE_FOLDER = {"read", "load", "withdraw", "decide"}
SNIPPETS = [(page, place, code) for page, text in TEXTS.items() for place, code in enumerate(fences(text, "python"))]

DOCUMENTED_KEYS = {
    "asbuilt run demo_survey --only geopackage --json": documented_keys('"stages"'),
    "asbuilt load demo_survey demo_survey/incoming/pickups_short_arc.csv --json": documented_keys('"already_taken"'),
    "asbuilt steer demo_survey A132 --json": documented_keys('"sure_window"'),
    "asbuilt setout demo_survey --json": documented_keys('"closures"'),
    'asbuilt holds demo_survey "dig 1" --json': {
        *("stage", "level", "joints_to", "state"),
        *("held_by", "below", "accepted"),
    },
}


@pytest.fixture(scope="module")
def with_demo(tmp_path_factory):
    """Return a folder that holds a copy of the demo survey, as a clone does."""
    folder = tmp_path_factory.mktemp("clone")
    shutil.copytree(ROOT / "demo_survey", folder / "demo_survey", ignore=shutil.ignore_patterns("out", "__pycache__"))
    return folder


@pytest.fixture(scope="module")
def answers(with_demo, tmp_path_factory):
    """Return a function that runs an example once and gives its exit code, stdout and stderr."""

    @functools.cache
    def run(line: str) -> tuple[int, str, str]:
        where = with_demo
        for left in ("basement_wall", "demo_survey/out"):
            shutil.rmtree(where / left, ignore_errors=True)
        if line.split()[1] in CHANGE_THE_FOLDER:
            where = Path(shutil.copytree(with_demo, tmp_path_factory.mktemp("own") / "clone"))
        with (
            contextlib.chdir(where),
            contextlib.redirect_stdout(io.StringIO()) as out,
            contextlib.redirect_stderr(io.StringIO()) as err,
        ):
            code = main(shlex.split(line)[1:])
        return code, out.getvalue(), err.getvalue()

    return run


# ---- generated tables


@pytest.fixture(scope="module")
def made():
    return generate_docs.blocks()


@pytest.mark.parametrize("page", [page for page in TEXTS if "begin generated" in TEXTS[page]])
def test_generated_tables_are_current(page, made):
    assert generate_docs.regenerated(TEXTS[page], made) == TEXTS[page], "run python tests/generate_docs.py"


def test_every_generated_table_stands_on_one_page(made):
    placed = [found.group("name") for text in TEXTS.values() for found in generate_docs.BLOCK.finditer(text)]
    assert sorted(placed) == sorted(made)


def test_every_setting_is_explained_and_none_is_left_over():
    assert sorted(generate_docs.SETTINGS_MEANING) == sorted(generate_docs.setting_keys())


def test_a_stale_table_would_be_noticed(made):
    stale = TEXTS["docs/findings.md"].replace("`drift` | note", "`drift` | error", 1)
    assert generate_docs.regenerated(stale, made) != stale


def test_every_finding_has_its_advice(made):
    advised = re.findall(r"^\| `(\w+)` \|", TEXTS["docs/findings.md"].partition("## What to do")[2], re.MULTILINE)
    listed = re.findall(r"^\| `(\w+)` \|", made["findings"], re.MULTILINE)
    assert sorted(advised) == sorted(listed)


# ---- links


@pytest.mark.parametrize("page", TEXTS)
def test_links_lead_somewhere(page):
    assert broken_links(page, TEXTS[page]) == []


def test_a_link_to_nowhere_is_noticed():
    text = "[a](docs/method.md#verdicts) [b](docs/method.md#no-such-heading) [c](docs/nowhere.md) [d](#here)"
    assert broken_links("README.md", text) == ["docs/method.md#no-such-heading", "docs/nowhere.md", "#here"]


def test_every_page_is_reached_from_the_index():
    reached = {target.partition("#")[0] for target in LINK.findall(TEXTS["docs/index.md"])}
    assert {page.name for page in (ROOT / "docs").glob("*.md")} - reached == {"index.md"}


# ---- the README's two commands


@pytest.mark.parametrize("name", ["demo", "tests"])
def test_the_readme_sets_up_in_one_line(name):
    command = readme_command(name)
    assert command.startswith("python3 -m venv .venv && .venv/bin/pip install ")
    assert "\n" not in command


@pytest.mark.parametrize("name", ["demo", "tests"])
def test_the_checks_run_the_readmes_commands_as_they_stand(name):
    script = 'source <(sed -n "/^readme_command()/,/^}/p" .ci/run); readme_command "$1"'
    bash = shutil.which("bash")
    if bash is None:
        pytest.skip("no bash here")
    printed = subprocess.run([bash, "-c", script, "-", name], cwd=ROOT, capture_output=True, text=True, check=True)
    assert printed.stdout.rstrip("\n") == readme_command(name)


def test_the_readme_is_no_longer_than_two_screens():
    assert len(TEXTS["README.md"].splitlines()) <= 100


# ---- examples


def test_there_are_examples_of_every_command():
    assert {shlex.split(line)[1] for line in EXAMPLES} >= set(generate_docs.COMMANDS)


@pytest.mark.parametrize("line", EXAMPLES)
def test_an_example_runs(line, answers):
    code, out, err = answers(line)
    assert code in ({0, 3} if " holds " in line else {0}), err
    assert out


@pytest.mark.parametrize(("page", "place", "code"), SNIPPETS, ids=[f"{page}-{place}" for page, place, _ in SNIPPETS])
def test_a_snippet_runs(page, place, code, monkeypatch):
    monkeypatch.chdir(ROOT)
    exec(compile(code, f"{page}, snippet {place + 1}", "exec"), {})  # noqa: S102 - the page's own code


def test_the_readmes_excerpt_is_what_the_demo_prints(answers):
    _, printed, _ = answers("asbuilt run demo_survey")
    assert generate_docs.with_excerpt(TEXTS["README.md"], printed) == TEXTS["README.md"], "run tests/generate_docs.py"


@pytest.mark.parametrize("line", DOCUMENTED_KEYS)
def test_documented_keys_are_printed(line, answers):
    _, printed, _ = answers(line)
    assert DOCUMENTED_KEYS[line] - set(json.loads(printed)) == set()


def test_the_documented_problems_are_what_is_said_of_such_a_file(tmp_path, with_demo, capsys):
    shutil.copytree(with_demo / "demo_survey", tmp_path / "job")
    load = tmp_path / "job" / "pickups" / "2024-09-06.csv"
    lines = load.read_text(encoding="utf-8").splitlines(keepends=True)
    lines[6] = re.sub(r"(A\d+),[\d.]+", r"\1,n/a", lines[6])
    lines[8] = lines[8].replace(",A", ",Z", 1)
    load.write_text("".join(lines), encoding="utf-8")
    assert main(["run", str(tmp_path / "job")]) == 2
    shown = next(block for block in fences(TEXTS["docs/commands.md"], "") if "n/a" in block)
    assert capsys.readouterr().err.startswith(shown)


def test_exit_codes_are_documented():
    from asbuilt.commands._shared import ExitCode

    listed = {int(code) for code in re.findall(r"^\| (\d+) \|", TEXTS["docs/commands.md"], re.MULTILINE)}
    assert listed == {int(code) for code in ExitCode}


# ---- what must not stand there


@pytest.mark.parametrize("page", TEXTS)
def test_no_page_knows_one_persons_machine(page):
    assert re.findall(r"(?<![\w.])(?:/home/|/Users/|/work/|C:\\)\S*", TEXTS[page]) == []
