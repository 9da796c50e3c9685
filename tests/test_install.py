"""What is installed is what is needed: packages, data files, dependencies, the command."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

import asbuilt

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "asbuilt"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

#: Needed by GeoPandas, and named in every output's provenance, without being imported by name.
ONLY_NEEDED_BY_OTHERS = {"pyproj"}


def third_party(folder: Path) -> set[str]:
    """Return the outside packages that the sources below ``folder`` import, deferred imports included."""
    found = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
                found.add(node.module.split(".")[0])
    return found - set(sys.stdlib_module_names) - {"asbuilt"}


def names(requirements: list[str]) -> set[str]:
    """Return the distributions that a list of requirements names."""
    return {re.split(r"[^\w-]", one, maxsplit=1)[0].lower() for one in requirements}


def test_every_folder_of_the_package_is_installed():
    folders = {path.parent for path in PACKAGE.rglob("*.py")}
    assert [str(folder) for folder in folders if not (folder / "__init__.py").is_file()] == []


def test_every_data_file_of_the_package_is_installed():
    patterns = PROJECT["tool"]["setuptools"]["package-data"]["asbuilt"]
    installed = {path for pattern in patterns for path in PACKAGE.glob(pattern)}
    files = {
        path
        for path in PACKAGE.rglob("*")
        if path.is_file() and path.suffix not in {".py", ".pyc"} and "__pycache__" not in path.parts
    }
    assert {path.relative_to(ROOT).as_posix() for path in files - installed} == set()


def test_what_is_imported_is_declared():
    # One name is installed by another: pydantic's core is part of pydantic.
    aliases = {"pydantic_core": "pydantic"}
    imported = {aliases.get(name, name) for name in third_party(PACKAGE)}
    assert imported - names(PROJECT["project"]["dependencies"]) == set()


def test_what_is_declared_is_imported():
    unused = names(PROJECT["project"]["dependencies"]) - third_party(PACKAGE) - ONLY_NEEDED_BY_OTHERS
    assert unused == set()


def test_the_test_extra_needs_no_compiler():
    # gdal-utils asks for the GDAL bindings, which come as source alone.
    extra = names(PROJECT["project"]["optional-dependencies"]["test"])
    assert extra & {"gdal", "gdal-utils"} == set()


def test_every_public_name_leads_to_the_thing_itself():
    # The module asbuilt.reconcile and its function share a name; whichever comes first, the function is meant.
    code = (
        "import types, asbuilt, asbuilt.reconcile;"
        "print([name for name in asbuilt.__all__ if isinstance(getattr(asbuilt, name), types.ModuleType)])"
    )
    ran = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert ran.stdout == "[]\n", ran.stderr


def installed() -> metadata.Distribution:
    """Return the installed distribution; skips where the tests run on a bare checkout."""
    try:
        return metadata.distribution("asbuilt")
    except metadata.PackageNotFoundError:
        pytest.skip("asbuilt is not installed here, only checked out")


def test_the_installed_version_is_the_packages_own():
    assert installed().version == asbuilt.__version__


def test_the_command_is_installed_and_leads_to_main():
    scripts = [point for point in installed().entry_points if point.group == "console_scripts"]
    assert [(point.name, point.load().__module__, point.attr) for point in scripts] == [
        ("asbuilt", "asbuilt.__main__", "main")
    ]


def test_the_readme_is_the_long_description():
    assert installed().metadata.get_payload().startswith("# asbuilt\n")
