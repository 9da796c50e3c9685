"""The page as one file: markup, style, scripts and data, under a policy that runs these scripts and nothing else."""

from __future__ import annotations

import base64
import hashlib
import html
import json
import re
from importlib import resources
from typing import TYPE_CHECKING, Any

from asbuilt.errors import TargetError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

__all__ = ["SCRIPTS", "review_page", "write_review"]

SCRIPTS = (
    "data.js",
    "state.js",
    "words.js",
    "geometry.js",
    "paper.js",
    "frame.js",
    "looks.js",
    "plan.js",
    "elevation.js",
    "level.js",
    "items.js",
    "rows.js",
    "list.js",
    "chart.js",
    "record.js",
    "detail.js",
    "stages.js",
    "changes.js",
    "draft.js",
    "keys.js",
    "print.js",
    "announce.js",
    "start.js",
)
"""The page's scripts in the order in which they run; they share one scope."""
_STRICT = '"use strict";\n'
_COMMENT = re.compile(r"^[ \t]*/\*(?:(?!\*/).)*\*/[ \t]*$", re.DOTALL | re.MULTILINE)
"""A comment with nothing but itself on its lines."""
_PLACE = re.compile(r"\{\{(\w+)\}\}")


def write_review(path: Path, data: Mapping[str, Any]) -> None:
    """Write the review page.

    Parameters
    ----------
    path
        The file.
    data
        From :func:`asbuilt.output.review.data.review_data`.

    Raises
    ------
    TargetError
        When the file cannot be written.
    """
    try:
        path.write_text(review_page(data), encoding="utf-8", newline="\n")
    except OSError as error:
        raise TargetError(f"{path}: the review page cannot be written: {error.strerror or error}") from error


def review_page(data: Mapping[str, Any]) -> str:
    """Return the review page as text.

    Notes
    -----
    Nothing from the inputs stands in the markup but the title, escaped, and the data, a block that no browser runs, in
    which no tag can end or begin: ``<``, ``>`` and ``&`` are written as escapes of JSON.
    """
    style = _bare(_source("page.css"))
    script = _STRICT + "".join(_bare(_source(name).removeprefix(_STRICT)) for name in SCRIPTS)
    parts = {
        "policy": _policy(style, script),
        "title": html.escape(f"{data['site']}: review, as of {data['as_of_text']}"),
        "style": style,
        "data": _block(data),
        "script": script,
    }
    return _PLACE.sub(lambda place: parts[place.group(1)], _source("page.html"))


def _source(name: str) -> str:
    return resources.files("asbuilt.output.review").joinpath(name).read_text(encoding="utf-8")


def _bare(text: str) -> str:
    """Return a script or a style without lines that are comments, without indentation and without empty lines.

    Comments behind code stay. No text in the sources runs over several lines, so that none can look like a comment.
    """
    lines = _COMMENT.sub("", text).splitlines()
    return "".join(f"{line.strip()}\n" for line in lines if line.strip() and not line.lstrip().startswith("//"))


def _policy(style: str, script: str) -> str:
    rules = (
        "default-src 'none'",
        f"script-src '{_hash(script)}'",
        f"style-src '{_hash(style)}'",
        "img-src data: blob:",
        "base-uri 'none'",
        "form-action 'none'",
    )
    return "; ".join(rules)


def _hash(text: str) -> str:
    return f"sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}"


def _block(data: Mapping[str, Any]) -> str:
    """Return data as JSON that cannot end its element, nor hold what old parsers of scripts take for a line's end."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return text
