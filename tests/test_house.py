"""The house rules: who may import whom, how long a file may be, what stands at the top of the repository."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "asbuilt"

#: A module may import what stands on a lower floor; rooms on one floor do not know one another.
FLOORS = {
    "errors": 0,
    "columns": 1,
    "settings": 2,
    "model": 3,
    "views": 4,
    "intake": 5,
    "compute": 5,
    "output": 5,
    "provenance": 5,
    "reconcile": 6,
    "reconcile_near": 6,
    "commands": 7,
    "__init__": 8,
    "__main__": 8,
}

#: What the computing room must not touch: files, clocks, plots, terminals, tables and layers on disk.
NOT_IN_COMPUTE = {
    "argparse",
    "click",
    "datetime",
    "fiona",
    "geopandas",
    "io",
    "matplotlib",
    "pathlib",
    "pyogrio",
    "random",
    "rich",
    "shutil",
    "sqlite3",
    "subprocess",
    "sys",
    "tempfile",
    "time",
    "typer",
}
NOT_CALLED_IN_COMPUTE = {"input", "open", "print"}
#: Of ``os``, how many processors there are is all that computing may ask.
ALLOWED_OF_OS = {"cpu_count", "process_cpu_count"}

#: Packages that no command may import before it knows that it needs them.
HEAVY = {
    "fiona",
    "geopandas",
    "matplotlib",
    "numpy",
    "pandas",
    "pydantic",
    "pyogrio",
    "rich",
    "scipy",
    "shapely",
}

MOST_LINES = 450
LONGER = {
    "asbuilt/columns.py": "a dictionary: one entry for each column, layer and finding",
    "asbuilt/model.py": "one record for each thing that is read or found, each field with its unit and meaning",
    "asbuilt/settings.py": "one record for each section, and the reading of them with line numbers",
}

AT_THE_TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "asbuilt", "demo_survey", "docs", "tests"}
#: What a build or an editable install leaves, where there is no git to tell what is ignored.
LEFT_BY_TOOLS = {"build", "dist", "asbuilt.egg-info", "venv"}


@dataclass(frozen=True)
class Import:
    """One import: the module it reaches, the name taken from it ("" for the module itself), its line."""

    module: str
    name: str
    line: int


def sources() -> dict[str, str]:
    """Return the source of every module of the package by its dotted name."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        found[".".join(path.relative_to(ROOT).with_suffix("").parts)] = path.read_text(encoding="utf-8")
    return found


def imports(module: str, source: str) -> list[Import]:
    """Return every import of ``source``, those inside functions and under TYPE_CHECKING included."""
    package = module.removesuffix(".__init__") if module.endswith(".__init__") else module.rpartition(".")[0]
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found.extend(Import(alias.name, "", node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = package.split(".")
                base = ".".join([*parts[: len(parts) - node.level + 1], *([base] if base else [])])
            found.extend(Import(base, alias.name, node.lineno) for alias in node.names)
    return found


def strangers(module: str, source: str) -> list[str]:
    """Return what ``module`` imports from inside the package and may not."""
    own = module.split(".")[1:]
    told = []
    for one in imports(module, source):
        parts = one.module.split(".")
        if parts[0] != "asbuilt":
            continue
        if parts == ["asbuilt"] and one.name in FLOORS:
            parts = ["asbuilt", one.name]
        reason = _reason(own, parts[1:], one.name)
        if reason:
            told.append(f"{module}:{one.line}: {'.'.join(parts)}: {reason}")
    return told


def _reason(own: list[str], other: list[str], name: str) -> str:
    """Return why ``own`` may not import ``other``, "" when it may."""
    if own[0] not in FLOORS:
        return f"{own[0]} has no floor: give it one here"
    if not other:
        fine = name == "__version__" or own[0] in {"__init__", "__main__"}
        return "" if fine else "the public door is for users, not for the rooms"
    if other[0] not in FLOORS:
        return f"{other[0]} has no floor: give it one here"
    if other[0] == own[0]:
        return _among_writers(own, other if len(other) > 1 else [*other, name]) if own[0] == "output" else ""
    return "" if FLOORS[other[0]] < FLOORS[own[0]] else f"{own[0]} stands on the same floor or below"


def _among_writers(own: list[str], other: list[str]) -> str:
    """Writers are strangers; what they share is private (``_files``); a folder of writers is one writer."""
    shared = len(other) > 1 and other[1].startswith("_")
    same = len(own) > 1 and len(other) > 1 and own[1] == other[1]
    return "" if shared or same else "a writer does not know another writer"


def touches(source: str) -> list[str]:
    """Return what a computing module touches and must not."""
    found = [
        f"{one.line}: import {one.module}"
        for one in imports("asbuilt.compute.any", source)
        if one.module.split(".")[0] in NOT_IN_COMPUTE
    ]
    of_os = [(one.line, one.name) for one in imports("asbuilt.compute.any", source) if one.module == "os" and one.name]
    of_os += [
        (node.lineno, node.attr)
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "os"
    ]
    found += [f"{line}: os.{name}" for line, name in of_os if name not in ALLOWED_OF_OS]
    called = [
        (node.lineno, node.func.id)
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    ]
    return found + [f"{line}: {name}()" for line, name in called if name in NOT_CALLED_IN_COMPUTE]


def without_docstring(source: str) -> list[str]:
    """Return the public functions and classes of the module's top level, and the module, that say nothing."""
    tree = ast.parse(source)
    found = [] if ast.get_docstring(tree) else ["the module"]
    for node in tree.body:
        named = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        if named and not node.name.startswith("_") and not ast.get_docstring(node):
            found.append(node.name)
    return found


def public_names(source: str) -> list[str] | None:
    """Return ``__all__`` as written, None when there is none."""
    for node in ast.parse(source).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return [str(name) for name in ast.literal_eval(node.value)]
    return None


def in_order(names: list[str]) -> list[str]:
    """Return the names sorted as in every ``__all__``: constants, classes, functions."""
    return sorted(names, key=lambda name: (0 if name.isupper() else 1 if name[:1].isupper() else 2, name))


def top_of_the_repository(root: Path) -> set[str]:
    """Return the names at the top that belong to the project: what git would add, else what is there."""
    git = shutil.which("git")
    if git and (root / ".git").exists():
        listed = subprocess.run(
            [git, "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=root,
            capture_output=True,
            text=True,
            check=False,
        )
        if listed.returncode == 0:
            return {path.split("/")[0] for path in listed.stdout.split("\0") if path}
    return {path.name for path in root.iterdir()} - LEFT_BY_TOOLS


MODULES = sources()
ROOMS_THAT_EXPLAIN = [name for name in MODULES if name.split(".")[1] in {"compute", "intake"}]


@pytest.mark.parametrize("module", MODULES)
def test_a_module_imports_only_what_stands_below_it(module):
    assert strangers(module, MODULES[module]) == []


@pytest.mark.parametrize("module", [name for name in MODULES if name.startswith("asbuilt.compute.")])
def test_a_computing_module_touches_no_file_clock_plot_or_terminal(module):
    assert touches(MODULES[module]) == []


@pytest.mark.parametrize("module", ROOMS_THAT_EXPLAIN)
def test_every_public_name_of_compute_and_intake_has_a_docstring(module):
    assert without_docstring(MODULES[module]) == []


@pytest.mark.parametrize("module", MODULES)
def test_public_names_are_sorted(module):
    names = public_names(MODULES[module])
    assert names is None or names == in_order(names)


def test_no_file_is_too_long_without_a_reason():
    lengths = {
        path.relative_to(ROOT).as_posix(): len(path.read_text(encoding="utf-8").splitlines())
        for path in PACKAGE.rglob("*.py")
    }
    assert {name: n for name, n in lengths.items() if n > MOST_LINES and name not in LONGER} == {}


def test_a_reason_for_a_long_file_is_still_needed():
    needless = [n for n in LONGER if len((ROOT / n).read_text(encoding="utf-8").splitlines()) <= MOST_LINES]
    assert needless == []


def test_the_top_of_the_repository_holds_what_belongs_there():
    names = {name for name in top_of_the_repository(ROOT) if not name.startswith(".")}
    assert names - AT_THE_TOP == set()


def test_nothing_that_belongs_at_the_top_is_missing():
    assert {name for name in AT_THE_TOP if not (ROOT / name).exists()} == set()


def test_asking_for_the_version_imports_nothing_heavy():
    code = (
        "import sys; from asbuilt.__main__ import main; code = main(['--version']);"
        f"print(code, sorted({HEAVY!r} & set(sys.modules)))"
    )
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.stdout.splitlines()[-1:] == ["0 []"], ran.stderr


# The rules are tried on modules that break them, so that a rule that has gone blind is noticed.

WRONG = '''
"""A room with a view of the neighbours."""
from typing import TYPE_CHECKING

from asbuilt.columns import LAYERS
from asbuilt import errors

if TYPE_CHECKING:
    from asbuilt.reconcile import reconcile


def plain():
    from asbuilt.output import sheets
    import asbuilt.intake.tables
    from ..intake.survey import read_survey
    from asbuilt import reconcile
    print(open("x"))


class Bare:
    pass


__all__ = ["plain", "Bare"]
'''


def test_hidden_deferred_relative_and_typing_imports_are_all_seen():
    told = [line.split(": ")[1] for line in strangers("asbuilt.compute.wrong", WRONG)]
    assert sorted(told) == [
        "asbuilt.intake.survey",
        "asbuilt.intake.tables",
        "asbuilt.output",
        "asbuilt.reconcile",
        "asbuilt.reconcile",
    ]


@pytest.mark.parametrize(
    ("module", "source", "refused"),
    [
        ("asbuilt.errors", "from asbuilt.columns import LAYERS", True),
        ("asbuilt.columns", "from asbuilt.errors import Problem", False),
        ("asbuilt.model", "import asbuilt.settings", False),
        ("asbuilt.settings", "import asbuilt.model", True),
        ("asbuilt.reconcile", "from asbuilt.intake.survey import read_survey", False),
        ("asbuilt.reconcile", "from asbuilt.commands import cli", True),
        ("asbuilt.intake.survey", "from asbuilt.intake.tables import read", False),
        ("asbuilt.intake.survey", "from asbuilt.compute.axes import axes", True),
        ("asbuilt.output.schedule", "from asbuilt.output.geopackage import write", True),
        ("asbuilt.output.schedule", "from asbuilt.output import geopackage", True),
        ("asbuilt.output.schedule", "from . import geopackage", True),
        ("asbuilt.output.schedule", "from asbuilt.output._files import replace", False),
        ("asbuilt.output.sheets.plan", "from asbuilt.output.sheets.frame import Frame", False),
        ("asbuilt.output.sheets.plan", "from asbuilt.output.geopackage import write", True),
        ("asbuilt.commands.run", "from asbuilt.output.geopackage import write", False),
        ("asbuilt.commands.run", "from asbuilt import Survey", True),
        ("asbuilt.commands.run", "from asbuilt import __version__", False),
        ("asbuilt.cellar", "from asbuilt.errors import Problem", True),
        ("asbuilt.commands.run", "from asbuilt.cellar import wine", True),
    ],
)
def test_the_import_rule_tells_right_from_wrong(module, source, refused):
    assert bool(strangers(module, source)) is refused


def test_a_computing_module_that_opens_and_prints_is_noticed():
    assert touches(WRONG) == ["17: print()", "17: open()"]


def test_a_computing_module_that_looks_at_the_clock_is_noticed():
    assert touches("def now():\n    import time\n    return time.time()\n") == ["2: import time"]


def test_a_computing_module_may_count_processors_and_no_more():
    assert touches("import os\nos.cpu_count()\nos.remove('x')\nfrom os import path\n") == ["4: os.path", "3: os.remove"]


def test_a_name_without_docstring_is_noticed():
    assert without_docstring(WRONG) == ["plain", "Bare"]


def test_unsorted_public_names_are_noticed():
    names = public_names(WRONG)
    assert names is not None
    assert in_order(names) == ["Bare", "plain"] != names


def test_a_stray_file_at_the_top_is_noticed(tmp_path):
    (tmp_path / "notes.txt").write_text("a stray file", encoding="utf-8")
    (tmp_path / "build").mkdir()
    assert top_of_the_repository(tmp_path) - AT_THE_TOP == {"notes.txt"}
