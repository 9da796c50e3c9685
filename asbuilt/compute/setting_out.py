"""Where the piles still to be drilled are best set out, given how their neighbours came out. An advice, no more.

The pile to set out is taken to stand plumb at its centre, with the radius and the ranges that the results use. Its
neighbours stand where they were measured, at every vertex of their axes; one that is not begun stands plumb where it is
to be set out: at the centre that the engineer approved, else at design. The best centre makes the least of overlap less
overlap asked for greatest over all its joints and levels (:mod:`asbuilt.compute.setting_out_geometry`), is moved only
along the wall unless the settings say otherwise, no farther than the play, and no farther towards the pit than

* the movement allowed at cut-off, at each side of the wall that meets there, where the settings give one, and
* the clear outline permits: the face, with its overbreak, no farther inside than ``clear_mm``; where it stands farther
  inside at design already, no farther than there.

A joint across the gap of an omitted pile, whose design circles do not touch, is not meant to interlock and not counted.
Another centre is advised where the pile would not be sure at the one that holds now, or where the best one gains more
than ``advise_from_mm``. A pile with one joint, at the end of a wall, gains its whole play by moving onto its neighbour:
for it the gain alone is no reason. A centre that the engineer approved holds until another is approved: none is advised
in its place, and the reason says what another would gain.

Where a neighbour stands but it is not known where (drilled or begun, and no centre or no lean), nothing is advised:
absent is never zero.

How sure a joint would be is worked out as for a joint that is built, over its range, under both lean models, with the
neighbour's measured uncertainty, and for the pile to set out what is known of it beforehand: its centre will be true to
``pickup_mm`` and ``setup_mm``, its lean to half the verticality allowed, per component and metre below the commencing
level. Only joints with built neighbours are judged so: an unbuilt neighbour will be set out in its turn. Where no
verticality is allowed for its kind nothing is known of its lean, and it is not sure. How true a rig starts on the mark
is not in it. Under the simple rule a joint is sure that keeps the overlap asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.compute.approved import approved_centres
from asbuilt.compute.setting_out_geometry import best_centre
from asbuilt.compute.setting_out_joints import Known, Ties
from asbuilt.compute.setting_out_limits import Surroundings, needed_diameters
from asbuilt.compute.setting_out_words import Told, reasons
from asbuilt.compute.verdicts import SLACK_M

if TYPE_CHECKING:
    from collections.abc import Sequence

    from asbuilt.compute.setting_out_joints import Held
    from asbuilt.model import Booleans, Codes, Floats, Integers, Reconciliation, Texts

__all__ = ["STATES", "SettingOut", "advise"]

#: What can be said of a pile; codes are places in it. Move: another centre is advised. Stay: none is. No neighbour
#: built: nothing to go by yet. Not known: a neighbour stands where nobody knows. Begun: it is too late. Omitted.
STATES = ("move", "stay", "no neighbour built", "not known", "begun", "omitted")
MOVE, STAY, NO_NEIGHBOUR, NOT_KNOWN, BEGUN, OMITTED = range(len(STATES))
#: A gain below this [m] is none: no pile is set out so closely.
LEAST_GAIN_M = 0.0005


@dataclass(frozen=True, kw_only=True)
class SettingOut:
    """Advice for k piles in the order of the design table, and what their c joints would come to; metres, plan reduced.

    NaN where nothing can be said. ``design_...``: at the design centre; ``present_...``: at the centre that holds now,
    the approved one, else the design's; ``best_...``: at the best centre found, advised or not. ``e``, ``n`` and
    ``least`` are for the centre to set out: the best where it is advised, else the present one.
    """

    pile: Integers
    """Place in the design table."""
    state: Codes
    """Place in :data:`STATES`."""
    advised: Booleans
    approved: Booleans
    """Whether the centre that holds now is one that the engineer approved."""
    e: Floats
    n: Floats
    move_e: Floats
    """From the design centre to (e, n)."""
    move_n: Floats
    along: Floats
    """The same along the wall, and towards the pit; NaN for a pile without a line of a wall."""
    across: Floats
    least: Floats
    """Overlap of the joint and at the level at which the least is left of what is asked for."""
    least_level: Floats
    least_joint: Integers
    """Place in the results' joints; -1 for none."""
    spare: Floats
    """``least`` less what that joint asks for."""
    p: Floats
    """Least chance over its joints with built neighbours that what is asked for is kept."""
    sure: Booleans
    """Whether all of them are sure down to the end of their ranges; False where it is not known."""
    design_least: Floats
    design_level: Floats
    design_spare: Floats
    design_p: Floats
    design_sure: Booleans
    present_least: Floats
    present_spare: Floats
    present_sure: Booleans
    best_e: Floats
    best_n: Floats
    best_least: Floats
    best_spare: Floats
    gain: Floats
    """``best_spare`` less ``present_spare``."""
    held_by: Texts
    """What keeps the best centre from a better one, in words: "play", "pit", "clear outline"; "" for nothing."""
    needed_diameter: Floats
    """Least diameter [m] with which the best centre keeps what is asked for, where its own does not and there is room
    for it towards the pit; NaN otherwise."""
    extra_pile: Booleans
    """Whether neither a shift nor a wider pile keeps what is asked for: an extra pile would be needed."""
    reason: Texts
    start: Integers
    """(k + 1,) the joints of pile i are ``start[i]`` to ``start[i + 1]`` of the arrays below."""
    joint: Integers
    """(c,) place in the results' joints."""
    neighbour: Integers
    """(c,) place of the other pile in the design table."""
    built: Booleans
    """(c,) whether the neighbour stands as measured; False: where it is to be set out."""
    joint_design_least: Floats
    """(c,) least overlap in the joint's range at the design centre."""
    joint_least: Floats
    """(c,) at (e, n)."""
    joint_level: Floats
    joint_p: Floats
    joint_sure: Booleans

    def __len__(self) -> int:
        return len(self.pile)


def advise(result: Reconciliation, piles: Sequence[int] | Integers | None = None) -> SettingOut:
    """Return where piles still to be drilled are best set out.

    Parameters
    ----------
    result : Reconciliation
    piles : (k,) places in the design table, optional
        Default: every pile not begun that has a built neighbour. Others that are asked for keep the centre that holds
        now, and ``state`` and ``reason`` say why. One that is named twice counts once.

    Notes
    -----
    Advised only for a gain of half a millimetre or more. All piles are worked out together but for the best centre
    itself, which takes less than a millisecond each.
    """
    known, around = Known.of(result), Surroundings(result)
    mine = _due(known) if piles is None else np.unique(np.asarray(piles, dtype=np.int64))
    ties = Ties.of(known, mine)
    state = _states(result, known, ties)
    at_design, at_present = ties.held(known.design[mine]), ties.held(known.present[mine])
    best, held_by = _best(known, ties, around, state)
    at_best = ties.held(best)
    gain, alone = at_best.spare - at_present.spare, np.diff(ties.start) == 1
    with np.errstate(invalid="ignore"):
        enough = ~alone & (gain > result.survey.settings.set_out.advise_from_mm / 1000.0 + SLACK_M)
        enough |= ~at_present.sure & (gain >= LEAST_GAIN_M)
    approved = approved_centres(result).there[mine]
    state[(state == STAY) & enough & ~approved] = MOVE
    wider, extra = _remedies(ties, around, state, best, at_best)
    told = Told(
        state=state,
        design=at_design,
        present=at_present,
        best=at_best,
        held_by=held_by,
        wider=wider,
        extra=extra,
        alone=alone,
        approved=approved,
        enough=enough,
    )
    return _columns(result, ties, told, best)


def _due(known: Known) -> Integers:
    """Return the piles not begun that have a built neighbour."""
    has = np.zeros(len(known.planned), dtype=bool)
    j = known.inputs
    for own, other in ((j.a, j.b), (j.b, j.a)):
        has[own[known.counted & known.built[other]]] = True
    due: Integers = np.flatnonzero(has & known.planned)
    return due


def _states(result: Reconciliation, known: Known, ties: Ties) -> Codes:
    piles = ties.piles
    vague = ~known.built & ~known.planned
    state = np.full(len(piles), STAY, dtype=np.int8)
    state[~ties.any_of(ties.built)] = NO_NEIGHBOUR
    state[ties.any_of(vague[ties.neighbour])] = NOT_KNOWN
    state[~known.planned[piles]] = BEGUN
    state[~result.piles.expected[piles]] = OMITTED
    return state


def _best(known: Known, ties: Ties, around: Surroundings, state: Codes) -> tuple[Floats, Texts]:
    """Return the best centre (k, 2) of each pile, and what holds it there; the present one where none is sought."""
    best, held_by = known.present[ties.piles].copy(), np.full(len(state), "", dtype=object)
    design = known.design[ties.piles]
    points, reach = ties.points(design)
    for k in np.flatnonzero(state == STAY).tolist():
        rows = slice(ties.start[k], ties.start[k + 1])
        # a plumb neighbour is at one place at all levels
        distinct = np.unique(np.column_stack([points[rows].reshape(-1, 2), reach[rows].ravel()]), axis=0)
        found = best_centre(distinct[:, :2], distinct[:, 2], around.allowed(int(ties.piles[k])))
        best[k] = design[k] + found.centre
        held_by[k] = " and ".join(found.held_by)
    return best, held_by


def _remedies(
    ties: Ties, around: Surroundings, state: Codes, best: Floats, at_best: Held
) -> tuple[Floats, Booleans]:
    """Return the diameter that would do where no shift does (k,), and whether only an extra pile would."""
    cut_short = ties.any_of(ties.cut_short)
    short = (state <= STAY) & ((at_best.spare < -SLACK_M) | cut_short)
    needed = needed_diameters(ties, at_best)
    wider = np.full(len(state), np.nan)
    for k in np.flatnonzero(short & ~cut_short).tolist():
        if around.room_for(int(ties.piles[k]), best[k], float(needed[k]) / 2.0):
            wider[k] = needed[k]
    return wider, short & np.isnan(wider)


def _columns(result: Reconciliation, ties: Ties, told: Told, best: Floats) -> SettingOut:
    """Put what was found under its columns."""
    piles, state, moved = ties.piles, told.state, told.state == MOVE
    design, present = ties.known.design[piles], ties.known.present[piles]
    here = np.where(moved[:, None], best, present)
    here[state == OMITTED] = np.nan
    move = here - design
    shown, sought = state <= NO_NEIGHBOUR, state <= STAY
    of_joint = (state <= NOT_KNOWN)[ties.owner]
    final = told.final(moved, ties.owner)

    def only(where: Booleans, values: Floats) -> Floats:
        return np.where(where, values, np.nan)

    at, by = result.piles, told
    return SettingOut(
        pile=piles,
        state=state,
        advised=moved,
        approved=told.approved,
        e=here[:, 0],
        n=here[:, 1],
        move_e=move[:, 0],
        move_n=move[:, 1],
        along=move[:, 0] * at.along_e[piles] + move[:, 1] * at.along_n[piles],
        across=move[:, 0] * at.pit_e[piles] + move[:, 1] * at.pit_n[piles],
        least=only(shown, final.least),
        least_level=only(shown, final.level),
        least_joint=np.where(shown, final.joint, -1),
        spare=only(shown, final.spare),
        p=only(shown, final.p),
        sure=shown & final.sure,
        design_least=only(shown, by.design.least),
        design_level=only(shown, by.design.level),
        design_spare=only(shown, by.design.spare),
        design_p=only(shown, by.design.p),
        design_sure=shown & by.design.sure,
        present_least=only(shown, by.present.least),
        present_spare=only(shown, by.present.spare),
        present_sure=shown & by.present.sure,
        best_e=only(sought, best[:, 0]),
        best_n=only(sought, best[:, 1]),
        best_least=only(sought, by.best.least),
        best_spare=only(sought, by.best.spare),
        gain=only(sought, by.best.spare - by.present.spare),
        held_by=told.held_by,
        needed_diameter=told.wider,
        extra_pile=told.extra,
        reason=reasons(result, ties, told),
        start=ties.start,
        joint=ties.joint,
        neighbour=ties.neighbour,
        built=ties.built,
        joint_design_least=only(of_joint, by.design.joint_least),
        joint_least=only(of_joint, final.joint_least),
        joint_level=only(of_joint, final.joint_level),
        joint_p=only(of_joint, final.joint_p),
        joint_sure=of_joint & final.joint_sure,
    )
