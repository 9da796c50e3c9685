"""Help texts as people see them, and their examples run."""

from __future__ import annotations

import shlex

import pytest
import small_folder
from golden_files import assert_golden

from asbuilt.__main__ import main
from asbuilt.commands import COMMANDS


@pytest.fixture(autouse=True)
def _eighty_columns(monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")


def help_text(capsys, *arguments: str) -> str:
    assert main([*arguments, "--help"]) == 0
    return capsys.readouterr().out


def example(text: str) -> list[str]:
    """Return the command on the last line of a help text, without the tool's name."""
    before, line = text.rstrip().splitlines()[-2:]
    assert before.strip() == "Example:"
    words = shlex.split(line)
    assert words[0] == "asbuilt"
    return words[1:]


@pytest.mark.parametrize("arguments", [(), *((name,) for name in COMMANDS)], ids=lambda a: a[0] if a else "asbuilt")
def test_help_fits_eighty_columns_and_is_as_last_looked_at(capsys, arguments):
    text = help_text(capsys, *arguments)
    assert max(map(len, text.splitlines())) <= 80
    assert_golden(f"help_{'_'.join(arguments) or 'asbuilt'}.txt", text)


@pytest.mark.parametrize(
    ("command", "code"),
    [
        ((), 0),
        (("new",), 0),
        (("formats",), 0),
        (("load",), 0),
        (("withdraw",), 0),
        (("run",), 0),
        (("sheets",), 0),
        (("steer",), 0),
        (("read",), 0),
        (("setout",), 0),
        (("decide",), 0),
        (("holds",), 3),
    ],
)
def test_the_example_of_the_help_runs(tmp_path, monkeypatch, capsys, command, code):
    words = example(help_text(capsys, *command))
    monkeypatch.chdir(tmp_path)
    if words[0] in ("load", "withdraw", "run", "sheets", "steer", "read", "setout", "decide", "holds"):
        small_folder.make(tmp_path / words[1])
    if words[0] == "load":
        row = "S6,P6,104.503,200.001,3.30,2025-03-06T09:00\n"
        (tmp_path / words[2]).write_text(small_folder.PICKUPS.splitlines(keepends=True)[0] + row, encoding="utf-8")
    assert main(words) == code
