"""Where results come from: versions of the tool and its libraries, and one hash over all inputs."""

from __future__ import annotations

import hashlib
import platform
import sqlite3
from importlib import metadata
from typing import TYPE_CHECKING

import numpy as np

from asbuilt import __version__
from asbuilt.columns import ledger_line_sha256

if TYPE_CHECKING:
    from asbuilt.model import Survey

__all__ = ["METHOD_VERSION", "inputs_sha256", "library_versions", "provenance"]

#: Raised only when a number that the tool gives can change.
METHOD_VERSION = 1

_LIBRARIES = (
    "fiona",
    "geopandas",
    "matplotlib",
    "numpy",
    "pandas",
    "pydantic",
    "pyogrio",
    "pyproj",
    "scipy",
    "shapely",
)


def library_versions() -> dict[str, str]:
    """Return the versions of Python and of the libraries that results or their bytes can depend on."""
    import pyogrio
    import shapely

    return {
        "python": platform.python_version(),
        **{name: metadata.version(name) for name in _LIBRARIES},
        "gdal": pyogrio.__gdal_version_string__,
        "geos": shapely.geos_version_string,
        "sqlite": sqlite3.sqlite_version,
    }


def inputs_sha256(survey: Survey) -> str:
    """Return one hash over the paths and hashes of all files read, in the order of their paths."""
    lines = sorted(f"{f.sha256}  {f.path}\n" for f in survey.files)
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def provenance(survey: Survey, *, as_of: np.datetime64) -> list[tuple[str, str]]:
    """Return the rows of the table ``provenance``: no run time, so that equal inputs give equal bytes."""
    rows = [("tool", "asbuilt"), ("tool_version", __version__), ("method_version", str(METHOD_VERSION))]
    # To the millisecond, so that a run as of this moment gives the same again.
    rows.append(("as_of", np.datetime_as_string(as_of, unit="ms").removesuffix(".000") + "Z"))
    rows.append(("inputs_sha256", inputs_sha256(survey)))
    if survey.ledger_rows:
        rows.append(("ledger_head", ledger_line_sha256(survey.ledger_rows[-1])))
    if survey.changed:
        rows.append(("changed since taken in", ", ".join(survey.changed)))
    rows += [(f"version of {name}", version) for name, version in library_versions().items()]
    rows += [(f"sha256 of {f.path}", f.sha256) for f in survey.files]
    return rows
