"""What the joints of piles still to be drilled would come to, wherever these are set out.

A pile that is not drilled yet becomes an axis like any other: plumb at its centre, its own place and lean as uncertain
as is known beforehand. So its joints are worked out as those of built piles are.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import PROGRESS
from asbuilt.compute.axes import NONE, STRAIGHT
from asbuilt.compute.piles import verticality_limits
from asbuilt.compute.results import pair_covariance
from asbuilt.compute.sections import joint_inputs_of
from asbuilt.compute.spans import Span, sounded
from asbuilt.compute.verdicts import SLACK_M

if TYPE_CHECKING:
    from asbuilt.compute.spans import JointInputs
    from asbuilt.model import Axes, Booleans, Floats, Integers, Reconciliation
    from asbuilt.settings import Settings

__all__ = ["Held", "Known", "Ties"]

_TO_DRILL = PROGRESS.index("to drill")


@dataclass(frozen=True, kw_only=True)
class Known:
    """What is known of all piles (n,) and joints (m,) before any pile is looked at; plan reduced [m].

    ``inputs``: of all joints, with the uncertainty that a planned pile's centre will have. ``axes``: under the
    governing lean model and under the other; a planned pile stands plumb at its present centre, one that stands nobody
    knows where is NaN. ``built``: known along its axis. ``planned``: not begun. ``counted``: joints that are meant to
    interlock, their design circles touch. ``design``, ``present`` (n, 2): design centre; the approved one, else the
    design's. ``lean``: standard deviation of a planned pile's lean [m/m], NaN where nothing is known of it.
    """

    settings: Settings
    inputs: JointInputs
    axes: tuple[Axes, Axes]
    built: Booleans
    planned: Booleans
    counted: Booleans
    design: Floats
    present: Floats
    lean: Floats

    @staticmethod
    def of(result: Reconciliation) -> Known:
        """Sort the piles of a reconciliation into built, planned and not known where."""
        piles, axes, s = result.piles, result.axes, result.survey.settings
        has_axis = axes.method != NONE
        surveyed = ~np.isnan(axes.surveyed_level)
        planned = piles.expected & (piles["progress"] == _TO_DRILL) & ~surveyed & ~has_axis
        inputs = joint_inputs_of(result)
        own = np.array([1.0, 0.0, 1.0]) * (s.uncertainty.pickup_mm / 1000.0) ** 2
        centres = replace(result.centres, cov=np.where(planned[:, None], own, result.centres.cov))
        present = np.column_stack([piles.set_out_e, piles.set_out_n])
        lean = verticality_limits(s, piles["kind"]) / 2.0
        level = np.full(len(piles), s.levels.commence)
        return Known(
            settings=s,
            inputs=replace(inputs, cov=pair_covariance(centres, inputs.a, inputs.b)),
            axes=(
                _plumb(axes, planned, centre=present, level=level, lean=lean),
                _plumb(result.other_axes, planned, centre=present, level=level, lean=lean),
            ),
            built=piles.expected & surveyed & has_axis,
            planned=planned,
            counted=result.joints["design_overlap_mm"] >= 0.0,
            design=np.column_stack([piles.design_e, piles.design_n]),
            present=present,
            lean=lean,
        )


def _plumb(axes: Axes, piles: Booleans, *, centre: Floats, level: Floats, lean: Floats) -> Axes:
    """Return the axes with some piles (n,) standing plumb at a centre (n, 2), their lean uncertain from a level on."""
    owner = np.repeat(np.arange(len(axes)), np.diff(axes.start))
    mine, of = piles[owner], axes.variance

    def put(values: Floats, new: Floats | float) -> Floats:
        return np.where(mine, new, values)

    return replace(
        axes,
        anchor_z=put(axes.anchor_z, level[owner]),
        anchor_e=put(axes.anchor_e, centre[owner, 0]),
        anchor_n=put(axes.anchor_n, centre[owner, 1]),
        slope_e=put(axes.slope_e, 0.0),
        slope_n=put(axes.slope_n, 0.0),
        method=np.where(piles, STRAIGHT, axes.method).astype(np.int8),
        surveyed_level=np.where(piles, level, axes.surveyed_level),
        deepest=np.where(piles, np.nan, axes.deepest),
        variance={
            "v": put(of["v"], lean[owner] ** 2),
            "q0": put(of["q0"], 0.0),
            "near": put(of["near"], level[owner]),
            **{name: np.where(piles, 0.0, of[name]) for name in ("b2", "w2", "a2")},
        },
    )


def _with(axes: Axes, centre: Floats, *, level: float, lean: Floats) -> Axes:
    """Return the axes with k more piles, plumb at ``centre`` (k, 2), after the last."""
    count = len(centre)
    one, none, unknown = np.full(count, level), np.zeros(count), np.full(count, np.nan)
    more = {
        "top": np.full(count, np.inf),
        "anchor_z": one,
        "anchor_e": centre[:, 0],
        "anchor_n": centre[:, 1],
        "slope_e": none,
        "slope_n": none,
        "method": np.full(count, STRAIGHT, dtype=np.int8),
        "surveyed_level": one,
        "deepest": unknown,
        "readings": np.zeros(count, dtype=np.int64),
        "toe": unknown,
    }
    variance = {"v": lean**2, "q0": none, "near": one, "b2": none, "w2": none, "a2": none}
    return replace(
        axes,
        start=np.concatenate([axes.start, axes.start[-1] + 1 + np.arange(count)]),
        variance={name: np.concatenate([axes.variance[name], values]) for name, values in variance.items()},
        **{name: np.concatenate([getattr(axes, name), values]) for name, values in more.items()},
    )


@dataclass(frozen=True, kw_only=True)
class Held:
    """What joints (c,) and piles (k,) come to at one centre of each pile; metres, NaN where not known.

    ``joint_spare``: least overlap less what is asked for. ``least``, ``level``, ``joint``: of the joint of a pile that
    has the least to spare. ``p``, ``sure``: over its joints with built neighbours.
    """

    joint_spare: Floats
    joint_least: Floats
    joint_level: Floats
    joint_p: Floats
    joint_sure: Booleans
    spare: Floats
    least: Floats
    level: Floats
    joint: Integers
    p: Floats
    sure: Booleans


@dataclass(frozen=True, kw_only=True)
class Ties:
    """The piles looked at (k,) and those of their joints that count (c,), by pile.

    Pile i owns joints ``start[i]`` to ``start[i + 1]``. ``cut_short``: a toe as built leaves the joint open below it,
    wherever this pile stands; the range of ``pairs`` ends there.
    """

    known: Known
    piles: Integers
    owner: Integers
    start: Integers
    joint: Integers
    neighbour: Integers
    built: Booleans
    cut_short: Booleans
    pairs: JointInputs

    @staticmethod
    def of(known: Known, piles: Integers) -> Ties:
        """Find the joints of ``piles`` (k,), places in the design table, each once."""
        j = known.inputs
        place = np.full(len(known.built), -1, dtype=np.int64)
        place[piles] = np.arange(len(piles))
        ends = [np.flatnonzero((place[own] >= 0) & known.counted) for own in (j.a, j.b)]
        joint = np.concatenate(ends)
        owner = place[np.concatenate([j.a[ends[0]], j.b[ends[1]]])]
        is_b = np.repeat([False, True], [len(end) for end in ends])
        order = np.lexsort((joint, owner))
        joint, owner, is_b = joint[order], owner[order], is_b[order]
        mine = j.take(joint)
        neighbour = np.where(is_b, mine.a, mine.b)
        return Ties(
            known=known,
            piles=piles,
            owner=owner,
            start=np.searchsorted(owner, np.arange(len(piles) + 1)).astype(np.int64),
            joint=joint,
            neighbour=neighbour,
            built=known.built[neighbour],
            cut_short=~np.isnan(mine.toe),
            pairs=replace(
                mine,
                # the piles looked at are put after the last of all
                a=len(place) + owner,
                b=neighbour,
                radius_a=np.where(is_b, mine.radius_b, mine.radius_a),
                radius_b=np.where(is_b, mine.radius_a, mine.radius_b),
                bottom=np.minimum(np.fmax(mine.bottom, mine.toe), mine.top),
            ),
        )

    @property
    def reach(self) -> Floats:
        """Greatest distance of the centres that keeps the overlap asked for (c,) [m]."""
        far: Floats = self.pairs.radius_a + self.pairs.radius_b - self.pairs.required
        return far

    def any_of(self, of_joint: Booleans) -> Booleans:
        """Return for which piles it holds of any of their joints (k,)."""
        found: Booleans = np.bincount(self.owner, of_joint, minlength=len(self.piles)) > 0
        return found

    def points(self, centre: Floats) -> tuple[Floats, Floats]:
        """Return the neighbours' axes at all levels that matter, from ``centre`` (k, 2): (c, l, 2); reach (c, l)."""
        span = self._span(0, centre)
        points: Floats = np.stack([span.w_e, span.w_n], axis=-1)
        return points, np.broadcast_to(self.reach[:, None], span.w_e.shape)

    def held(self, centre: Floats) -> Held:
        """Return what the joints come to with the piles standing at ``centre`` (k, 2)."""
        spans = [self._span(model, centre) for model in (0, 1)]
        far = np.nan_to_num(spans[0].distance, nan=np.inf).argmax(axis=1)
        c = np.arange(len(self.owner))
        spare = self.reach - spans[0].distance[c, far]
        level = np.where(np.isnan(spare), np.nan, spans[0].levels[c, far])
        p, sure = self._sureness(spans)
        first, some = self._worst(spare)
        judged = np.where(self.built, p, np.inf)
        least_p = np.minimum.reduceat(np.append(judged, np.inf), self.start[:-1])
        has = self.any_of(self.built)

        def of_worst(values: Floats) -> Floats:
            return np.where(some, np.append(values, np.nan)[first], np.nan)

        return Held(
            joint_spare=spare,
            joint_least=spare + self.pairs.required,
            joint_level=level,
            joint_p=p,
            joint_sure=sure,
            spare=of_worst(spare),
            least=of_worst(spare + self.pairs.required),
            level=of_worst(level),
            joint=np.where(some, np.append(self.joint, -1)[first], -1),
            p=np.where(has, least_p, np.nan),
            sure=has & ~self.any_of(self.built & ~sure),
        )

    def _span(self, model: int, centre: Floats) -> Span:
        s, known = self.known.settings, self.known
        axes = _with(known.axes[model], centre, level=s.levels.commence, lean=known.lean[self.piles])
        return Span(self.pairs, axes)

    def _worst(self, spare: Floats) -> tuple[Integers, Booleans]:
        """Return the joint of each pile that has the least to spare (k,), and whether it has any."""
        order = np.lexsort((np.where(np.isnan(spare), -np.inf, spare), self.owner))
        some = np.diff(self.start) > 0
        first: Integers = np.append(order, len(order))[np.where(some, self.start[:-1], len(order))]
        return first, some

    def _sureness(self, spans: list[Span]) -> tuple[Floats, Booleans]:
        """Return the least chance that a joint keeps what is asked for (c,), and whether it is sure all along."""
        s = self.known.settings
        confidence = s.site.confidence
        p, sure = np.full(len(self.owner), np.nan), ~self.cut_short
        for span in spans:
            rows = np.flatnonzero(~np.isnan(span.variance(np.arange(len(self.owner)))).any(axis=1))
            rows = rows[~np.isnan(span.distance[rows]).any(axis=1)]
            if s.decide.joint == "simple":
                with np.errstate(invalid="ignore"):
                    sure &= span.distance.max(axis=1) <= self.reach + SLACK_M
            else:
                seen = np.full(len(self.owner), -np.inf)
                seen[rows] = sounded(span, rows, self.reach, confidence)[1].min(axis=1)
                sure &= seen >= confidence
            if span is spans[0]:
                p[rows], _ = span.laid_out(rows).least(self.reach[rows])
                if s.decide.joint == "guarded":
                    # between the levels laid out it may be less sure than at them
                    p = np.where((p >= confidence) & (seen < confidence), seen, p)
        return p, sure
