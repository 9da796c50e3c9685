"""As-built control of secant pile walls: offsets, lean, and the tie-in of neighbouring piles at every depth.

The public names are resolved when they are first used, so that importing the package costs nothing::

    from pathlib import Path
    from asbuilt import read_survey, reconcile

    result = reconcile(read_survey(Path("demo_survey")))
    result.joints["least_overlap_mm"]
"""

from __future__ import annotations

import importlib
import sys
from types import ModuleType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from asbuilt.errors import AsbuiltError, InputError, Problem, TargetError, UsageError
    from asbuilt.intake.survey import read_survey
    from asbuilt.model import (
        Axes,
        Centres,
        ControlFit,
        Finding,
        Hold,
        InputFile,
        Joints,
        Layer,
        Piles,
        Reconciliation,
        Similarity,
        SiteGrid,
        StageState,
        Survey,
        Table,
        WallGroup,
        WallStatistics,
    )
    from asbuilt.reconcile import reconcile, views_of
    from asbuilt.settings import Settings, parse_settings
    from asbuilt.views import Bands, JointProfile, PileProfile, Slice, Toes, Views

__version__ = "0.1.0"

__all__ = [
    "AsbuiltError",
    "Axes",
    "Bands",
    "Centres",
    "ControlFit",
    "Finding",
    "Hold",
    "InputError",
    "InputFile",
    "JointProfile",
    "Joints",
    "Layer",
    "PileProfile",
    "Piles",
    "Problem",
    "Reconciliation",
    "Settings",
    "Similarity",
    "SiteGrid",
    "Slice",
    "StageState",
    "Survey",
    "Table",
    "TargetError",
    "Toes",
    "UsageError",
    "Views",
    "WallGroup",
    "WallStatistics",
    "parse_settings",
    "read_survey",
    "reconcile",
    "views_of",
]

_HOMES = {
    "asbuilt.errors": ("AsbuiltError", "InputError", "Problem", "TargetError", "UsageError"),
    "asbuilt.intake.survey": ("read_survey",),
    "asbuilt.reconcile": ("reconcile", "views_of"),
    "asbuilt.settings": ("Settings", "parse_settings"),
    "asbuilt.views": ("Bands", "JointProfile", "PileProfile", "Slice", "Toes", "Views"),
}
_HOME = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> object:
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME.get(name, "asbuilt.model")), name)
    globals()[name] = value
    return value


class _Door(ModuleType):
    """The package itself. Importing the module ``asbuilt.reconcile`` does not put it in the function's place."""

    def __setattr__(self, name: str, value: object) -> None:
        if not (name in _HOME and isinstance(value, ModuleType)):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Door


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
