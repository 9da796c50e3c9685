"""The way out: exit codes, where problems are printed, and what is imported before anything is asked."""

from __future__ import annotations

import importlib
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import click
import pytest
from told import told

import asbuilt
from asbuilt import __main__ as entry
from asbuilt.__main__ import main
from asbuilt.commands import COMMANDS, cli
from asbuilt.errors import InputError, Problem, TargetError, UsageError

ROOT = Path(__file__).resolve().parents[2]
HEAVY = {
    *("fiona", "geopandas", "matplotlib", "numpy", "pandas", "pydantic"),
    *("pyogrio", "pyproj", "rich", "scipy", "shapely"),
}
PROBLEMS = InputError(
    [
        Problem(file="tilts/b.csv", line=7, column="depth", text="'x' is not a number", expected="m"),
        Problem(file="site.toml", text="missing", expected="a file"),
    ]
)


def imported(*arguments: str) -> set[str]:
    """Return the top-level packages that a command imports."""
    ran = subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "asbuilt", *arguments], cwd=ROOT, capture_output=True, text=True
    )
    assert ran.returncode == 0, ran.stderr
    return {line.rpartition("|")[2].strip().split(".")[0] for line in ran.stderr.splitlines() if "import time:" in line}


def fail_with(monkeypatch, error: BaseException) -> None:
    def command(_given: list[str]) -> int:
        raise error

    monkeypatch.setattr(entry, "_run", command)


@pytest.mark.parametrize("arguments", [["--version"], ["--help"], ["run", "--help"], ["holds", "--help"], ["formats"]])
def test_nothing_heavy_is_imported_before_there_is_work(arguments):
    packages = imported(*arguments)
    assert "click" in packages
    assert packages & HEAVY == set()


def test_importing_the_package_imports_nothing_heavy():
    code = f"import sys, asbuilt; print(sorted({HEAVY!r} & set(sys.modules)), asbuilt.Problem.__module__)"
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True)
    assert ran.stdout == "[] asbuilt.errors\n"


@pytest.mark.parametrize("name", asbuilt.__all__)
def test_every_public_name_is_found(name):
    assert getattr(asbuilt, name).__name__ == name


def test_a_module_of_the_same_name_does_not_take_a_functions_place():
    module = importlib.import_module("asbuilt.reconcile")
    assert asbuilt.reconcile is module.reconcile


def test_an_unknown_public_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="has no attribute 'Pile'"):
        asbuilt.Pile  # noqa: B018


def test_version_is_printed(capsys):
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"asbuilt {asbuilt.__version__}\n"


def test_problems_are_listed_one_a_line_in_order(monkeypatch, capsys):
    fail_with(monkeypatch, PROBLEMS)
    assert main(["run", "x"]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.splitlines() == [
        "site.toml: missing, expected a file",
        "tilts/b.csv:7: depth: 'x' is not a number, expected m",
        "asbuilt: 2 problems in the input, nothing was written",
    ]


def test_problems_as_json(monkeypatch, capsys):
    fail_with(monkeypatch, PROBLEMS)
    assert main(["run", "x", "--json"]) == 2
    captured = capsys.readouterr()
    assert captured.err == ""
    assert json.loads(captured.out) == {
        "format": 1,
        "tool_version": asbuilt.__version__,
        "errors": [
            {"file": "site.toml", "line": None, "column": None, "text": "missing", "expected": "a file"},
            {"file": "tilts/b.csv", "line": 7, "column": "depth", "text": "'x' is not a number", "expected": "m"},
        ],
    }


@pytest.mark.parametrize("error", [UsageError("no such stage"), TargetError("no such stage")])
def test_a_refusal_is_one_line(monkeypatch, capsys, error):
    fail_with(monkeypatch, error)
    assert main(["run", "x"]) == 2
    assert capsys.readouterr().err == "asbuilt: no such stage\n"


def test_a_refusal_as_json(monkeypatch, capsys):
    fail_with(monkeypatch, UsageError("no such stage"))
    assert main(["run", "x", "--json"]) == 2
    answer = json.loads(capsys.readouterr().out)
    assert answer["errors"] == [{"file": None, "line": None, "column": None, "text": "no such stage", "expected": None}]


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (PermissionError(13, "Permission denied", "out/run.json"), "asbuilt: out/run.json: Permission denied\n"),
        (OSError(28, "No space left on device"), "asbuilt: No space left on device\n"),
    ],
)
def test_what_the_system_refuses_is_no_defect(monkeypatch, capsys, error, said):
    fail_with(monkeypatch, error)
    assert main(["run", "x"]) == 2
    assert capsys.readouterr().err == said


@pytest.mark.parametrize("error", [KeyError("pile"), FileNotFoundError(2, "No such file", "a"), RecursionError()])
def test_anything_else_is_a_defect_and_says_so(monkeypatch, capsys, error):
    monkeypatch.delenv("ASBUILT_TRACE", raising=False)
    fail_with(monkeypatch, error)
    assert main(["run", "x"]) == 1
    line = told(capsys)
    assert line.startswith(f"asbuilt: this is a defect of the tool, not of your input: {type(error).__name__}")
    assert line.endswith("(set ASBUILT_TRACE=1 to see where)")


def test_the_trace_is_printed_on_request(monkeypatch, capsys):
    monkeypatch.setenv("ASBUILT_TRACE", "1")
    fail_with(monkeypatch, KeyError("pile"))
    assert main(["run", "x"]) == 1
    assert "Traceback" in capsys.readouterr().err


def test_an_interrupt_is_130(monkeypatch, capsys):
    fail_with(monkeypatch, KeyboardInterrupt())
    assert main(["run", "x"]) == 130
    assert capsys.readouterr().err == "asbuilt: interrupted\n"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["rum"], "asbuilt: no command 'rum', expected perhaps run"),
        (["xyz"], f"asbuilt: no command 'xyz', expected one of {', '.join(COMMANDS)}"),
        (["run"], "asbuilt: Missing argument 'DIR'."),
        (
            ["run", "x", "--only", "pictures"],
            "'pictures' is not one of 'geopackage', 'schedule', 'joints', 'sheets', 'review'.",
        ),
        (["run", "x", "--as-of", "16/05/2025"], "'16/05/2025' is not a date and time"),
        (["run", "x", "--as-of", "2025-02-30"], "'2025-02-30' is no day and time of the calendar"),
        (["run", "x", "--as-of", ""], "'' is not a date and time"),
        (["run", "x", "--bogus"], "--bogus"),
    ],
)
def test_bad_usage_is_2_and_shows_how_it_is_used(capsys, arguments, said):
    assert main(arguments) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert said in " ".join(captured.err.split())
    assert captured.err.startswith("Usage: asbuilt")


def test_a_name_with_blanks_without_quotes_is_told(capsys):
    assert main(["holds", "wall", "dig", "1"]) == 2
    said = 'asbuilt: Got unexpected extra argument (1). A name with blanks goes in quotes, such as "dig 1".'
    assert told(capsys).endswith(said)


def test_a_long_refusal_is_80_columns_wide_and_breaks_no_path(capsys):
    place = f"{'deep/' * 30}wall"
    assert main(["run", place]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) > 1
    assert [place in line for line in lines if len(line) > 80] == [True]


def test_nothing_asked_shows_the_help_once(capsys):
    assert main([]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("Usage:") == 1
    assert re.search(r"^  new +Make a survey folder", captured.err, re.MULTILINE)


def test_bad_usage_as_json(capsys):
    assert main(["run", "--json", "x", "--bogus"]) == 2
    (error,) = json.loads(capsys.readouterr().out)["errors"]
    assert "--bogus" in error["text"]


def test_a_reader_who_has_seen_enough_gets_no_complaint():
    shell = f"'{sys.executable}' -m asbuilt formats --json | head -c 10; exit ${{PIPESTATUS[0]}}"
    ran = subprocess.run(["/bin/bash", "-c", shell], cwd=ROOT, capture_output=True, text=True)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, '{\n  "forma', "")


def test_a_closed_pipe_at_help_is_no_defect(monkeypatch):
    left = []
    monkeypatch.setattr(entry, "leave_pipe", lambda: left.append(True))
    fail_with(monkeypatch, BrokenPipeError(32, "Broken pipe"))
    assert main(["--help"]) == 141
    assert left == [True]


def test_a_terminal_without_the_sign_still_gets_the_answer():
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1"}
    ran = subprocess.run(
        [sys.executable, "-m", "asbuilt", "run", "ł"], cwd=ROOT, capture_output=True, text=True, env=environment
    )
    assert ran.returncode == 2
    assert ran.stderr == "asbuilt: ?: no such folder; give a survey folder\n"


def test_every_command_takes_json_and_ends_with_an_example():
    context = click.Context(cli, info_name="asbuilt")
    for name in COMMANDS:
        command = cli.get_command(context, name)
        assert command is not None
        assert "--json" in {option for parameter in command.params for option in parameter.opts}
        example = (command.epilog or "").strip().splitlines()[-2:]
        assert example[0] == "Example:"
        assert example[1].startswith(f"  asbuilt {name} ")
