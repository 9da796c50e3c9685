"""Figures as words on paper: with a true minus, told from the limits they are not on; levels, bounds, chances, counts.

What decides between two ways to print a figure is said here once, so that no two sheets print one figure differently.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.output._figures import figure_texts

if TYPE_CHECKING:
    from asbuilt.model import Floats

__all__ = [
    "AT_MOST",
    "CHANCE",
    "DASH",
    "MINUS",
    "PLUS_MINUS",
    "asked_level",
    "at_most",
    "chance",
    "chances",
    "counted",
    "decimals",
    "figure",
    "figure_list",
    "level_figure",
    "level_text",
    "true_minus",
]

MINUS, PLUS_MINUS, AT_MOST = "\u2212", "\u00b1", "\u2264"
#: Stands where a figure is not known.
DASH = "\u2014"
#: Decimals of a level that is printed, and the most that one is printed with because it was asked for with them.
LEVEL, ASKED = 2, 6
#: Decimals of a chance; one nearer to 0 or 1 than these can tell is printed as such.
CHANCE = 3

_HYPHEN = re.compile(r"(?<!\w)-(?=\d)")


def true_minus(text: str) -> str:
    """Return a text with a minus for every hyphen that stands before a digit and after no letter, digit or underscore.

    Examples
    --------
    >>> true_minus("A1-2 on 2024-10-11: open at -8.00")
    'A1-2 on 2024-10-11: open at \u22128.00'
    """
    return _HYPHEN.sub(MINUS, text)


def figure_list(values: Floats, digits: int, *limits: Floats, plus: bool = False, unknown: str = DASH) -> list[str]:
    """Return figures (n,) as printed: more digits where ``digits`` would round one onto a limit (n,) it is not on.

    ``plus`` sets a plus before what is printed above zero; ``unknown`` stands for NaN.
    """
    found = []
    for text in figure_texts(values, digits, limits):
        if text is None:
            found.append(unknown)
        elif text.startswith("-"):
            found.append(f"{MINUS}{text[1:]}")
        else:
            found.append(f"+{text}" if plus and text.strip("0.") else text)
    return found


def figure(value: float, *limits: float, digits: int = 1, plus: bool = False) -> str:
    """Return one figure as printed, see :func:`figure_list`; a limit that is NaN is none.

    Examples
    --------
    >>> figure(49.98, 50.0)
    '49.98'
    """
    return figure_list(np.array([float(value)]), digits, *(np.array([float(limit)]) for limit in limits), plus=plus)[0]


def decimals(level: float) -> int:
    """Return with how many decimals a level that was asked for is printed: two, or as many as it was given with."""
    return next((k for k in range(LEVEL, ASKED) if abs(round(level, k) - level) < 0.5 * 10.0**-ASKED), ASKED)


def level_figure(level: float, *limits: float, digits: int = LEVEL) -> str:
    """Return a level [m] without its unit: signed, 0.00 without a sign."""
    return figure(level, *limits, digits=digits, plus=True)


def level_text(level: float, *limits: float, digits: int = LEVEL) -> str:
    """Return a level as printed, in metres; a dash where it is not known."""
    said = level_figure(level, *limits, digits=digits)
    return said if said == DASH else f"{said} m"


def asked_level(level: float) -> str:
    """Return a level that was asked for, or is set, as printed: with as many decimals as it was given with."""
    return level_text(level, digits=decimals(level))


def at_most(value: float) -> str:
    """Return a bound [mm] that is not exceeded, to whole millimetres, rounded up so that it still holds.

    Examples
    --------
    >>> at_most(12.3)
    '13'
    """
    return f"{np.ceil(round(value, 6)) + 0.0:.0f}" if np.isfinite(value) else DASH


def chances(values: Floats, *limits: Floats, digits: int = CHANCE, unknown: str = DASH) -> list[str]:
    """Return chances (n,) as printed, told from limits (n,), and never rounded to 0 or 1."""
    texts = np.array(figure_list(values, digits, *limits, unknown=unknown), dtype=object)
    tiny = 10.0**-digits
    texts[values > 1.0 - tiny] = f"> {1.0 - tiny:.{digits}f}"
    texts[values < tiny] = f"< {tiny:.{digits}f}"
    found: list[str] = texts.tolist()
    return found


def chance(p: float, *limits: float, digits: int = CHANCE) -> str:
    """Return one chance as printed.

    Examples
    --------
    >>> chance(0.9996)
    '> 0.999'
    """
    return chances(np.array([float(p)]), *(np.array([float(limit)]) for limit in limits), digits=digits)[0]


def counted(number: int, noun: str) -> str:
    """Return a number with its noun.

    Examples
    --------
    >>> counted(1, "joint"), counted(2, "joint")
    ('1 joint', '2 joints')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"
