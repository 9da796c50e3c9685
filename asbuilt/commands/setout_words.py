"""What ``setout`` prints: the list as text, and as one object."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from asbuilt.commands._shared import CAUTIONS, changed_lines, iso_time, wrapped
from asbuilt.compute.approved import approved_centres
from asbuilt.compute.wording import beyond, metres, number
from asbuilt.output.sheets.set_out import head_words

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.model import Reconciliation
    from asbuilt.output._set_out import ClosureView, SetOutList

__all__ = ["setout_lines", "setout_object"]


def setout_lines(result: Reconciliation, listed: SetOutList, *, files: dict[str, str]) -> Iterator[str]:
    """Yield the list as text, 80 columns wide; ``files``: path and what it is."""
    for said in listed.checks:
        yield from wrapped(f"CHECK: {said}", rest="  ")
    if listed.checks:
        yield ""
    yield from wrapped(head_words(listed))
    yield ""
    yield from wrapped(result.survey.settings.site.name)
    yield f"As of {result.survey.settings.site.time_text(result.as_of)}"
    yield from changed_lines(result.survey)
    yield ""
    count = len(listed)
    yield f"{count} pile{'' if count == 1 else 's'} to set out, at {metres(listed.level)} m"
    approved = approved_centres(result)
    for k in range(count):
        place = int(listed.pile[k])
        source = str(listed.source[k])
        if str(listed.source[k]).startswith("approved"):
            when = result.survey.settings.site.time_text(approved.at[place])
            source = f"approved by {approved.by[place]}, {when}"
            source += ": CHECK, see above" if listed.source[k] == "approved-check" else ""
        yield ""
        yield from _pile_lines(listed, k, source)
    for ring in listed.closures:
        yield ""
        yield f"How wall {ring.wall} closes"
        for sentence in ring.text:
            yield from wrapped(sentence, first="  ", rest="    ")
    yield from _left_out(listed)
    yield ""
    for path, what in files.items():
        yield from wrapped(f"{path}: {what}")
    yield ""
    yield from wrapped(" ".join(CAUTIONS))


def _left_out(listed: SetOutList) -> Iterator[str]:
    """Yield the piles still to drill that are not in the list, those of one reason together."""
    if not listed.left_out:
        return
    yield ""
    yield "Still to drill, and not in the list"
    for why in dict.fromkeys(reason for _, reason in listed.left_out):
        names = ", ".join(pile for pile, reason in listed.left_out if reason == why)
        yield from wrapped(f"{names}: {why}", first="  ", rest="    ")


def _signed(value: float) -> str:
    said = number(value * 1000.0)
    return f"+{said}" if value > 0 and said != "0" else said


def _pile_lines(listed: SetOutList, k: int, source: str) -> Iterator[str]:
    where = f"E {number(listed.site_e[k], 3)}  N {number(listed.site_n[k], 3)}"
    yield from wrapped(source, first=f"  {listed.pile_id[k]}  {where}  ", rest="    ")
    moved = f"E {_signed(listed.e[k] - listed.design_e[k])}, N {_signed(listed.n[k] - listed.design_n[k])}"
    if not np.isnan(listed.along[k]):
        moved += f", along the wall {_signed(listed.along[k])}, towards the pit {_signed(listed.across[k])}"
    yield from wrapped(f"from design: {moved} mm", first="    ", rest="      ")
    if not np.isnan(listed.least[k]):
        asked = float(listed.asked[k]) * 1000.0
        least = beyond(float(listed.least[k]) * 1000.0, asked)
        sure = {"yes": "sure", "no": "NOT SURE"}.get(str(listed.sure[k]), "how sure is not known")
        where = f"{listed.least_joint[k]} at {metres(float(listed.least_level[k]))}"
        here = f"least overlap here {least} mm ({where})"
        gain = "" if listed.plain else f", {_signed(listed.gain[k])} mm against design"
        yield from wrapped(f"{here}{gain}, {number(asked)} mm asked for: {sure}", first="    ", rest="      ")
    if listed.reason[k]:
        yield from wrapped(f"why: {listed.reason[k]}", first="    ", rest="      ")
    for j in range(int(listed.start[k]), int(listed.start[k + 1])):
        yield from wrapped(_tape(listed, j), first="    ", rest="      ")


def _tape(listed: SetOutList, j: int) -> str:
    if np.isnan(listed.to_face[j]):
        why = {"as built": "where it stands up there is not known", "to drill": "it is still to drill"}
        return f"tape to {listed.neighbour[j]}: none, {why.get(str(listed.stands[j]), 'it is not surveyed')}"
    return (
        f"tape to {listed.neighbour[j]}: mark to near face {number(listed.to_face[j] * 1000.0)} mm, over the casing "
        f"{number(listed.over_casing[j] * 1000.0)} mm, \u00b1 {np.ceil(listed.band[j] * 1000.0):.0f} mm"
    )


# ------------------------------------------------------------------------------------------------- JSON


def setout_object(result: Reconciliation, listed: SetOutList, *, files: dict[str, str], marks: int) -> dict[str, Any]:
    """Return the list as ``--json`` prints it."""
    return {
        "checks": list(listed.checks),
        "advice": head_words(listed),
        "as_of": iso_time(result.as_of),
        "changed": list(result.survey.changed),
        "level": listed.level,
        "piles": [_pile_object(listed, k) for k in range(len(listed))],
        "left_out": [{"pile_id": pile, "reason": why} for pile, why in listed.left_out],
        "closures": [_closure_object(ring) for ring in listed.closures],
        "marks": marks,
        "files": list(files),
    }


def _known(value: Any, factor: float = 1000.0) -> float | None:
    return None if np.isnan(value) else float(value) * factor


def _pile_object(listed: SetOutList, k: int) -> dict[str, Any]:
    return {
        "pile_id": str(listed.pile_id[k]),
        "easting": float(listed.site_e[k]),
        "northing": float(listed.site_n[k]),
        "source": str(listed.source[k]),
        "advised": bool(listed.source[k] == "advised"),
        "approved": str(listed.source[k]).startswith("approved"),
        "move_e_mm": _known(listed.e[k] - listed.design_e[k]),
        "move_n_mm": _known(listed.n[k] - listed.design_n[k]),
        "along_wall_mm": _known(listed.along[k]),
        "towards_pit_mm": _known(listed.across[k]),
        "least_overlap_mm": _known(listed.least[k]),
        "least_level": _known(listed.least_level[k], 1.0),
        "least_joint": listed.least_joint[k],
        "required_overlap_mm": _known(listed.asked[k]),
        "design_least_overlap_mm": _known(listed.design_least[k]),
        "gain_mm": _known(listed.gain[k]),
        "sure": {"yes": True, "no": False}.get(str(listed.sure[k])),
        "needed_diameter_mm": _known(listed.needed_diameter[k]),
        "extra_pile": bool(listed.extra_pile[k]),
        "reason": str(listed.reason[k]),
        "tapes": [
            {
                "neighbour": str(listed.neighbour[j]),
                "neighbour_is": str(listed.stands[j]),
                "mark_to_face_mm": _known(listed.to_face[j]),
                "over_casing_mm": _known(listed.over_casing[j]),
                "band_mm": _known(listed.band[j]),
                "least_overlap_mm": _known(listed.joint_least[j]),
            }
            for j in range(int(listed.start[k]), int(listed.start[k + 1]))
        ],
    }


def _closure_object(ring: ClosureView) -> dict[str, Any]:
    return {
        "wall": ring.wall,
        "text": list(ring.text),
        "from": ring.first,
        "running_mm": [float(value) * 1000.0 for value in ring.running],
        "forecast_mm": [_known(value) for value in ring.forecast],
        "low_mm": [_known(value) for value in ring.low],
        "high_mm": [_known(value) for value in ring.high],
        "total_mm": ring.total * 1000.0,
    }
