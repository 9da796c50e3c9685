"""The error tree.

::

    AsbuiltError
    ├── InputError      the survey folder holds something that cannot be read or cannot be meant (exit 2)
    ├── UsageError      the command or function was asked for something that does not exist (exit 2)
    └── TargetError     an output cannot be written where it should go (exit 2)

Anything else that escapes is a defect of the tool (exit 1).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

__all__ = ["AsbuiltError", "InputError", "Problem", "TargetError", "UsageError"]


@dataclass(frozen=True, kw_only=True, order=True)
class Problem:
    """One thing wrong with an input: where it stands, what is wrong, what was expected.

    ``file`` is relative to the survey folder; ``line`` counts from 1 (0 when the file as a whole is
    meant; the feature's number in a vector file); ``column`` is the column's or key's name or "". ``kind`` is
    the finding that it makes of a load: ``missing_column``, ``unknown_pile``, else ``bad_value``.
    """

    file: str
    line: int = 0
    column: str = ""
    text: str
    expected: str = ""
    kind: str = field(default="bad_value", compare=False)

    def __str__(self) -> str:
        where = self.file + (f":{self.line}" if self.line else "")
        column = f" {self.column}:" if self.column else ""
        expected = f", expected {self.expected}" if self.expected else ""
        return f"{where}:{column} {self.text}{expected}"


class AsbuiltError(Exception):
    """Root of every error that a user can cause and mend."""


class InputError(AsbuiltError):
    """Bad input; carries every problem found, in the order of file and line."""

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems = tuple(sorted(problems))
        super().__init__("\n".join(str(problem) for problem in self.problems))


class UsageError(AsbuiltError):
    """A request that cannot be met: unknown item or stage, options that exclude one another."""


class TargetError(AsbuiltError):
    """An output that cannot be put in its place; the message names it and says what to do."""
