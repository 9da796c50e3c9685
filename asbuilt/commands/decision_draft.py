"""A draft of decisions, as the review page writes it: strictly read, every problem at once."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.columns import DECISION_DRAFT
from asbuilt.commands.deciding import Wanted
from asbuilt.errors import InputError, Problem

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

__all__ = ["Draft", "read_draft"]

LARGEST = 1_000_000
"""A draft of more bytes than this is none."""
#: A page's clock may be ahead of ours by this.
_AHEAD = np.timedelta64(1, "h")
_NO_LEVEL = 1e6
_HASH = re.compile(r"[0-9a-f]{16,64}")
_KEYS = ("format", "site", "as_of", "inputs_sha256", "decisions")
_OF_ONE = ("item", "effect", "down_to", "until", "reference", "by", "reason", "evidence", "drafted_at")
_MAY_BE_LEFT_OUT = ("figures",)


class Draft:
    """Decisions of a draft, and what is wrong with it; ``of_site`` is to be asked when the site's name is known."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.site: str | None = None
        self.wanted: list[Wanted] = []
        self.problems: list[Problem] = []

    def of_site(self, name: str) -> Iterator[Problem]:
        """Yield what is wrong with the draft, that of another site included."""
        yield from self.problems
        if self.site is not None and self.site != name:
            yield self.problem("site", f"{self.site!r}", f"{name!r}: the draft is of another site")

    def problem(self, field: str, text: str, expected: str, *, place: int | None = None) -> Problem:
        """Return what is wrong with a field, of the draft or of its decision at ``place``."""
        return Problem(file=self.place(place), column=field, text=text, expected=expected)

    def place(self, place: int | None) -> str:
        """Return the draft's name and, in words, one of its decisions."""
        return self.name if place is None else f"{self.name}: decision {place + 1}"


def read_draft(path: Path, *, now: np.datetime64) -> Draft:
    """Read a draft.

    Parameters
    ----------
    path
        The file.
    now
        The clock, UTC [ms]: what was drafted later is refused.

    Raises
    ------
    InputError
        When the file is no draft at all. What is wrong with its fields stands in :attr:`Draft.problems`.
    """
    draft = Draft(path.name)
    content = _content(draft, path)
    if content.get("format") != DECISION_DRAFT:
        what = f"{content['format']!r}" if "format" in content else "missing"
        raise InputError([draft.problem("format", what, repr(DECISION_DRAFT))])
    draft.problems += _wrong_keys(draft, content, _KEYS, place=None)
    _text(draft, content, "site", None)
    draft.site = content.get("site") if isinstance(content.get("site"), str) else None
    _moment(draft, content, "as_of", None)
    _hash(draft, content, "inputs_sha256", None)
    listed = content.get("decisions", [])
    if not isinstance(listed, list) or not listed:
        draft.problems.append(draft.problem("decisions", "none" if listed == [] else "no list", "one or more"))
        return draft
    for place, one in enumerate(listed):
        if not isinstance(one, dict):
            draft.problems.append(draft.problem("", "no object", "an object with " + ", ".join(_OF_ONE), place=place))
            continue
        wanted = _wanted(draft, one, place, now)
        if wanted is not None:
            draft.wanted.append(wanted)
    draft.problems += _twice(draft)
    return draft


def _content(draft: Draft, path: Path) -> dict[str, Any]:
    """Return the object in the file; raises InputError where it holds none."""
    expected = "a draft of decisions as JSON, as the review page writes it"
    line, what = 0, ""
    try:
        if path.stat().st_size > LARGEST:
            what = f"{path.stat().st_size} bytes, more than {LARGEST}"
        else:
            found = json.loads(
                path.read_bytes().decode("utf-8-sig"), object_pairs_hook=_unique, parse_constant=_no_number
            )
            if isinstance(found, dict):
                return found
            what = "no object"
    except OSError as error:
        what = f"cannot be read: {(error.strerror or str(error)).lower()}"
    except UnicodeDecodeError:
        what = "not UTF-8 text"
    except json.JSONDecodeError as error:
        line, what = error.lineno, f"not JSON: {error.msg}"
    except (ValueError, RecursionError) as error:
        what = f"not JSON: {error}"
    raise InputError([Problem(file=draft.name, line=line, text=what, expected=expected)])


def _unique(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands there twice")
    return found


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number")


def _wrong_keys(
    draft: Draft, content: dict[str, Any], keys: tuple[str, ...], *, place: int | None
) -> Iterator[Problem]:
    for key in keys:
        if key not in content:
            yield draft.problem(key, "missing", "a value", place=place)
    for key in content:
        if key not in (*keys, *(() if place is None else _MAY_BE_LEFT_OUT)):
            named = key if key.isprintable() else repr(key)
            yield draft.problem(named, "unknown", f"only {', '.join(keys)}", place=place)


def _wanted(draft: Draft, one: dict[str, Any], place: int, now: np.datetime64) -> Wanted | None:
    """Return one decision; None where a value cannot be meant, which is noted then."""
    before = len(draft.problems)
    draft.problems += _wrong_keys(draft, one, _OF_ONE, place=place)
    for key in ("item", "effect", "until", "reference", "by", "reason", *_MAY_BE_LEFT_OUT):
        _text(draft, one, key, place)
    down_to = one.get("down_to")
    if down_to is not None and not _is_level(down_to):
        draft.problems.append(draft.problem("down_to", f"{down_to!r}", "a number or null", place=place))
    gone = one.get("effect") == "withdraw" and one.get("evidence") == ""
    if not gone:  # an item that is not there any more has no evidence
        _hash(draft, one, "evidence", place)
    at = _moment(draft, one, "drafted_at", place)
    if at is not None and at > now + _AHEAD:
        what = f"{one['drafted_at']} has not come yet"
        draft.problems.append(draft.problem("drafted_at", what, "a time until now", place=place))
    if len(draft.problems) > before:
        return None
    return Wanted(
        item=one["item"],
        effect=one["effect"],
        by=one["by"],
        reason=one["reason"],
        down_to=None if down_to is None else float(down_to),
        until=one["until"] or None,
        reference=one["reference"] or None,
        place=draft.place(place),
        at=at,
        seen=one["evidence"],
        figures=one.get("figures", ""),
    )


def _twice(draft: Draft) -> Iterator[Problem]:
    first: dict[tuple[Any, ...], str] = {}
    for one in draft.wanted:
        said = (one.item, one.effect, one.reason, one.by, one.at)
        if said in first:
            yield one.problem("item", f"{one.item}: the same as {first[said]}", "each decision once")
        first.setdefault(said, one.place)


def _text(draft: Draft, content: dict[str, Any], key: str, place: int | None) -> None:
    if key in content and not isinstance(content[key], str):
        draft.problems.append(draft.problem(key, f"{content[key]!r}", "a text", place=place))


def _hash(draft: Draft, content: dict[str, Any], key: str, place: int | None) -> None:
    _checked(draft, content, key, place, good=lambda text: bool(_HASH.fullmatch(text)), expected="16 to 64 of 0-9 a-f")


def _moment(draft: Draft, content: dict[str, Any], key: str, place: int | None) -> np.datetime64 | None:
    """Return a time with its offset as UTC [ms]; None where it is none."""
    expected = "a date and time with its offset, such as 2025-05-16T18:00:00Z"
    if not _checked(draft, content, key, place, good=_has_offset, expected=expected):
        return None
    at = datetime.fromisoformat(content[key]).astimezone(UTC).replace(tzinfo=None)
    return np.datetime64(at, "ms")


def _has_offset(text: str) -> bool:
    try:
        at = datetime.fromisoformat(text)
        return at.tzinfo is not None and at.astimezone(UTC) is not None
    except (ValueError, OverflowError):
        return False


def _is_level(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < _NO_LEVEL


def _checked(
    draft: Draft,
    content: dict[str, Any],
    key: str,
    place: int | None,
    *,
    good: Callable[[str], bool],
    expected: str,
) -> bool:
    """Tell whether a text is as it should be, and note it where it is there and is not."""
    if key not in content:
        return False  # told already
    if isinstance(content[key], str) and good(content[key]):
        return True
    draft.problems.append(draft.problem(key, f"{content[key]!r}", expected, place=place))
    return False
