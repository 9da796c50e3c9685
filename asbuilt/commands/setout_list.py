"""The list of piles to set out, as the instrument's file, the sheet, the text and the JSON are made from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import PROGRESS
from asbuilt.commands.setout_checks import TOO_LATE, approved_to_check, piles_left_out
from asbuilt.compute.approved import approved_centres
from asbuilt.compute.closure import BAND, closure, projected
from asbuilt.compute.setting_out import advise
from asbuilt.compute.tape_checks import tape_checks
from asbuilt.compute.wording import number
from asbuilt.errors import UsageError
from asbuilt.output._set_out import SOURCES, ClosureView, SetOutList

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from asbuilt.compute.closure import Closure
    from asbuilt.compute.setting_out import SettingOut
    from asbuilt.model import Booleans, Integers, Reconciliation, Texts

__all__ = ["set_out_list"]

_DESIGN, _APPROVED, _ADVISED, _CHECK = range(len(SOURCES))
_TO_DRILL = PROGRESS.index("to drill")


def set_out_list(result: Reconciliation, piles: Sequence[int], *, plain: bool) -> SetOutList:
    """Return the piles to set out.

    Parameters
    ----------
    result
        The reconciliation.
    piles
        Places in the design table, of piles that can be set out; none: every pile that is not begun and has a built
        neighbour, or with ``plain`` every pile that is not begun.
    plain
        At their design centres, without advice.

    Raises
    ------
    UsageError
        Where none is left to set out.
    """
    found = _found(result, piles, plain=plain)
    flagged, checks = (np.zeros(len(result.piles), dtype=bool), ()) if plain else approved_to_check(result, found)
    p, at = result.piles, found.pile
    e, n = (p.design_e[at], p.design_n[at]) if plain else (found.e, found.n)
    tapes = tape_checks(result, found, e, n)
    least_joint = _at_design(result, found) if plain else found.least_joint
    asked, names = result.joints.required, result.joints["joint_id"]
    return SetOutList(
        plain=plain,
        level=tapes.level,
        pile=at,
        pile_id=p["pile_id"][at],
        source=_sources(found, flagged[found.pile], plain=plain),
        origin=result.survey.origin,
        e=e,
        n=n,
        design_e=p.design_e[at],
        design_n=p.design_n[at],
        along=np.where(np.isnan(p.along_e[at]), np.nan, 0.0) if plain else found.along,
        across=np.where(np.isnan(p.pit_e[at]), np.nan, 0.0) if plain else found.across,
        pit_e=p.pit_e[at],
        pit_n=p.pit_n[at],
        radius=p.radius[at],
        design_least=found.design_least,
        least=found.design_least if plain else found.least,
        least_level=found.design_level if plain else found.least_level,
        least_joint=_texts([str(names[joint]) if joint >= 0 else None for joint in least_joint.tolist()]),
        asked=np.where(least_joint >= 0, asked[least_joint], np.nan),
        gain=found.design_spare * 0.0 if plain else found.spare - found.design_spare,
        needed_diameter=found.needed_diameter,
        extra_pile=found.extra_pile,
        sure=_sure(found, plain=plain),
        reason=_plain_reasons(result, found) if plain else found.reason,
        start=found.start,
        neighbour=p["pile_id"][found.neighbour],
        stands=_stands(result, found),
        neighbour_e=tapes.neighbour_e,
        neighbour_n=tapes.neighbour_n,
        neighbour_radius=p.radius[found.neighbour],
        to_face=tapes.to_face,
        over_casing=tapes.over_casing,
        bite=tapes.bite,
        band=tapes.band,
        joint_design_least=found.joint_design_least,
        joint_least=found.joint_design_least if plain else found.joint_least,
        joint_asked=asked[found.joint],
        closures=() if plain else tuple(_closures(result, at)),
        checks=checks,
        left_out=() if piles else piles_left_out(result, found),
    )


def _found(result: Reconciliation, piles: Sequence[int], *, plain: bool) -> SettingOut:
    """Return what is known of the piles asked for; raises UsageError where there is nothing to set out."""
    if piles:
        return advise(result, piles)
    if not plain:
        found = advise(result)
        if not len(found):
            raise UsageError(
                "no pile that is still to drill has a neighbour that is built and surveyed, with its lean known; name "
                "piles, or take the plain design set-out with --design"
            )
        return found
    p = result.piles
    due = np.flatnonzero(p.expected & (p["progress"] == _TO_DRILL) & np.isnan(result.axes.surveyed_level))
    found = advise(result, due)
    late = np.isin(found.state, TOO_LATE)
    if late.any():
        found = advise(result, found.pile[~late])
    if not len(found):
        raise UsageError("no pile is still to drill: there is nothing to set out")
    return found


def _texts(words: Sequence[str | None]) -> Texts:
    texts: Texts = np.empty(len(words), dtype=object)
    texts[:] = words
    return texts


def _sources(found: SettingOut, flagged: Booleans, *, plain: bool) -> Texts:
    """Return where the centres (k,) come from; ``flagged`` (k,): approved ones to check."""
    approved = np.where(flagged, _CHECK, _APPROVED)
    code = np.where(found.advised, _ADVISED, np.where(found.approved, approved, _DESIGN))
    words: Texts = np.array(SOURCES, dtype=object)[np.zeros_like(code) if plain else code]
    return words


def _sure(found: SettingOut, *, plain: bool) -> Texts:
    """Return whether a pile's joints are sure; None where that cannot be said."""
    sure, p = (found.design_sure, found.design_p) if plain else (found.sure, found.p)
    known = (~np.isnan(p)).tolist()
    return _texts(["yes" if is_ else "no" if told else None for is_, told in zip(sure.tolist(), known, strict=True)])


def _at_design(result: Reconciliation, found: SettingOut) -> Integers:
    """Return the joint that has the least to spare at design, place in the results' joints; -1 for none."""
    spare = found.joint_design_least - result.joints.required[found.joint]
    worst = np.full(len(found), -1, dtype=np.int64)
    for k in range(len(found)):
        rows = slice(int(found.start[k]), int(found.start[k + 1]))
        if not np.isnan(spare[rows]).all():
            worst[k] = found.joint[rows][int(np.nanargmin(spare[rows]))]
    return worst


def _plain_reasons(result: Reconciliation, found: SettingOut) -> Texts:
    """Say which of the piles have an approved centre, which a plain design set-out does not use."""
    by = approved_centres(result).by[found.pile]
    said = [f"a centre approved by {name} is not used here" if name else "" for name in by.tolist()]
    return _texts(said)


def _stands(result: Reconciliation, found: SettingOut) -> Texts:
    surveyed = ~np.isnan(result.axes.surveyed_level[found.neighbour])
    begun = result.piles["progress"][found.neighbour] != _TO_DRILL
    words: Texts = np.where(surveyed, "as built", np.where(begun, "not surveyed", "to drill")).astype(object)
    return words


# ------------------------------------------------------------------------------------------------- rings


def _closures(result: Reconciliation, piles: Integers) -> Iterator[ClosureView]:
    """Yield how the rings close that the piles belong to, in the order of the settings."""
    mine = set(result.survey.design["wall"][piles].tolist())
    for wall in result.survey.settings.walls:
        ring = closure(result, wall) if wall in mine else None
        if ring is None:
            continue
        ahead, nothing = projected(ring), np.empty(0)
        drawn = ring.needs if ring.last < 0 else ring.needs[: ring.last]
        chainage = np.concatenate([[0.0], np.cumsum(drawn)])[: len(ring.pile)]
        yield ClosureView(
            wall=wall,
            text=tuple(_sentences(result, ring)),
            first=str(result.piles["pile_id"][ring.pile[0]]),
            chainage=chainage,
            running=ring.running[: len(chainage)],
            ahead=nothing if ahead is None else ahead.chainage,
            forecast=nothing if ahead is None else ahead.running,
            low=nothing if ahead is None else ahead.low,
            high=nothing if ahead is None else ahead.high,
            end=float(ring.needs.sum()),
            total=ring.total,
        )


def _mm(value: float) -> str:
    return number(value * 1000.0)


def _longer(value: float) -> str:
    """Say how a length differs from what was designed."""
    return f"{_mm(abs(value))} mm {'longer' if value > 0 else 'shorter'} than designed"


def _sentences(result: Reconciliation, ring: Closure) -> Iterator[str]:
    ids, last = result.piles["pile_id"], ring.last
    if last < 0:
        yield f"No pile of ring {ring.wall} is left to drill: it came out {_longer(ring.total)} all round."
        return
    near, far = ids[ring.pile[last]], ids[ring.pile[(last + 1) % len(ring.pile)]]
    others = len(ring.gap) - 1
    besides = f", the greatest of {others + 1} gaps; {ring.remaining} piles are to drill in all" if others else ""
    drill = int(ring.to_drill[last])
    yield f"Gap {near} to {far}: {drill} pile{'' if drill == 1 else 's'} to drill{besides}."
    room = float(ring.has[last] - ring.needs[last])
    spare = f"{_mm(abs(room))} mm {'to spare' if room >= 0 else 'too little'}"
    band = 1.959964 * float(ring.sigma[last]) * 1000.0
    yield (
        f"Room left along the wall at cut-off {_mm(ring.has[last])} mm, {_mm(ring.needs[last])} mm needed: {spare} "
        f"({BAND * 100:.0f} % band \u00b1 {np.ceil(band):.0f} mm)."
    )
    yield from _forecast(ring, near)


def _forecast(ring: Closure, near: str) -> Iterator[str]:
    running = float(ring.running[ring.last]) * 1000.0
    yield (
        f"Running misclosure at {near}: {'+' if running > 0 else ''}{number(running)} mm over "
        f"{int(ring.joints[: ring.last].sum())} joints; drift {number(ring.drift * 1000.0, 2)} mm a joint "
        f"(standard error {_or_unknown(ring.drift_error)}), scatter {_or_unknown(ring.scatter)} mm a joint."
    )
    value = ring.forecast
    if np.isnan(value):
        return
    lost = "so much less overlap" if value > 0 else "so much more overlap"
    said = f"Forecast: with that drift the last joint comes out {_longer(value)}, {lost}"
    if np.isnan(ring.low):
        yield f"{said}; too few legs for a band."
    else:
        low, high = _longer(ring.low), _longer(ring.high)
        yield f"{said} ({BAND * 100:.0f} % band: {low} to {high})."


def _or_unknown(value: float) -> str:
    return "not known" if np.isnan(value) else number(value * 1000.0, 1)
