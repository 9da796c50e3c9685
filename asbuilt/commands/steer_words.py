"""The answer to a reading in words, 60 columns wide, and as an object: the same for ``steer`` and ``read``.

Nothing here needs more than NumPy: an answer at the rig does not wait for larger packages.
"""

from __future__ import annotations

import itertools
import math
import textwrap
from typing import TYPE_CHECKING

import numpy as np

from asbuilt.columns import POSITIONS, SENSES, UNITS
from asbuilt.compute.steering_advice import ANSWERS
from asbuilt.compute.steering_window import BOUND, LIMIT, PIT
from asbuilt.output._figures import figure_texts

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.commands.reader import Reader
    from asbuilt.compute.steering_advice import Advice, JointAtLean
    from asbuilt.compute.steering_input import SteerInput
    from asbuilt.compute.steering_window import Constraints
    from asbuilt.model import Floats

__all__ = ["CAUTIONS", "DIGITS", "answer_lines", "answer_object", "correction_text", "figure", "pair", "target", "told"]

WIDTH = 60
#: What every answer at the rig carries.
CAUTIONS = (
    "Geometry only: nothing of stability, ground or water.",
    "Not a permit. Below the reading all is predicted.",
    "Read outside the rig's exclusion zone, rotation stopped.",
    "A correction is advice: a person confirms it first.",
)
ASK = "Stop and ask: put this to the responsible engineer."
_GO_ON, _CORRECT, _STOP = ANSWERS
_DESIGN = POSITIONS[1]
_TOP = SENSES[1]
_ONE_IN = UNITS[1]
#: Decimals of a reading in each unit, in the order of UNITS.
DIGITS = dict(zip(UNITS, (1, 0, 2, 2, 1), strict=True))
#: 1 in more than this is plumb.
_PLUMB = 5000.0
#: A lean on an edge keeps it, whatever rounding makes of it [m per m].
_SLACK = 1e-9
#: The chord error of a ring in JSON [m per m]: 0.01 mm/m.
RING = 1e-5
#: A trend counts beyond this many standard uncertainties: 95 % in two directions.
_TWO_WAYS = 2.4477


def told(text: str, *, first: str = "", rest: str = "  ") -> list[str]:
    """Return a text in lines of 60 columns."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False, break_long_words=True
    ) or [first.rstrip()]


def figure(value: float, *limits: float, digits: int = 1, plus: bool = False) -> str:
    """Return one figure, with more digits where rounding would put it onto a limit; a dash for none."""
    text = figure_texts(np.array([float(value)]), digits, [np.array([float(limit)]) for limit in limits])[0]
    if text is None:
        return "-"
    return f"+{text}" if plus and value > 0 and text.strip("0.") else text


def pair(values: tuple[float, float], unit: str) -> str:
    """Return readings a and b as typed, without their unit.

    Examples
    --------
    >>> pair((3.46, -0.7), "mm/m")
    'a +3.5, b -0.7'
    """
    return ", ".join(f"{name} {_value(value, unit)}" for name, value in zip("ab", values, strict=True))


def _value(value: float, unit: str) -> str:
    if unit == _ONE_IN and abs(value) > _PLUMB:
        return "0"
    return figure(value, digits=DIGITS[unit], plus=True)


def _round(value: float, unit: str) -> float:
    """Return a reading as it is printed."""
    return 0.0 if unit == _ONE_IN and abs(value) > _PLUMB else round(value, DIGITS[unit]) + 0.0


def target(advice: Advice, reader: Reader) -> tuple[float, float]:
    """Return what the reader should show after the correction: as printed it lies in the window that it is meant for.

    Of the rounded readings around the exact one the nearest to the lean read that lies inside; the exact one where
    the window is narrower than the digits.
    """
    exact = reader.shown(advice.nearest)
    window = advice.window if advice.sure_window.empty else advice.sure_window
    start = advice.reading.slope if advice.reading else np.zeros(2)
    step = 10.0 ** -DIGITS[reader.unit]
    near_a, near_b = ([_round(value + k * step, reader.unit) for k in (-1, 0, 1)] for value in exact)
    found = [both for both in itertools.product(near_a, near_b) if bool(window.contains(reader.slope(*both)))]
    away = {both: float(np.hypot(*(reader.slope(*both) - start))) for both in found}
    return min(away, key=lambda both: away[both]) if away else exact


def _change(advice: Advice, reader: Reader) -> tuple[float, float]:
    """Return the correction in the reader's own figures, to the printed target."""
    assert advice.reading is not None  # noqa: S101  # without a reading there is no correction
    after, before = target(advice, reader), reader.shown(advice.reading.slope)
    digits = DIGITS[reader.unit]
    change = after[0] - round(before[0], digits), after[1] - round(before[1], digits)
    return change if any(round(one, digits) for one in change) else (after[0] - before[0], after[1] - before[1])


def correction_text(advice: Advice, reader: Reader) -> str:
    """Return the correction in the reader's own directions and unit: ``by a +2.5, b -1.0 mm/m``.

    In 1:n a difference is no reading, so that the one to reach is given: ``to a 1:208, b 1:-616``.
    """
    if reader.unit == _ONE_IN:
        values = [_value(one, _ONE_IN).removeprefix("+") for one in target(advice, reader)]
        a, b = (one if one == "0" else f"1:{one}" for one in values)
        return f"to a {a}, b {b}"
    change = _change(advice, reader)
    unit, digits = reader.unit, DIGITS[reader.unit]
    if not any(round(one, digits) for one in change):
        # too small for the unit's digits, and yet it is asked for
        parts = [f"{name} {figure(one, 0.0, digits=digits, plus=True)}" for name, one in zip("ab", change, strict=True)]
        return f"by {', '.join(parts)} {unit}"
    return f"by {pair(change, unit)} {unit}"


def _directions(reader: Reader) -> list[str]:
    """Return how the reader reads, in two lines."""
    pit = " (towards the pit)" if reader.towards_pit else ""
    way = "the top leans that way" if reader.sense == _TOP else "the toe goes that way"
    return [
        f"a bears {reader.bearing_a_deg:.1f}{pit}, b {reader.bearing_b_deg:.1f} deg",
        f"sense {reader.sense}: plus says that {way}",
    ]


def answer_lines(advice: Advice, given: SteerInput, reader: Reader, *, check: str = "") -> Iterator[str]:
    """Yield the answer to a reading, at most 60 columns wide; its first line is the answer.

    Parameters
    ----------
    advice : Advice
    given : SteerInput
        What it was worked out from.
    reader : Reader
        In whose directions, sense and unit it is said.
    check : str
        What has to be checked before anybody goes by the first line; it stands below it.
    """
    yield from _first(advice, reader)
    if check:
        yield from told(check)
    yield from told(f"Pile {given.pile_id}: {advice.why}.")
    if advice.answer == _STOP:
        yield ASK
    yield ""
    yield from _how(advice, given, reader)
    yield ""
    yield from _margins(advice)
    yield from _given_up(advice, reader)
    if advice.joints:
        yield ""
        yield from _joints(advice, reader)
    yield from _trend(advice, given, reader)
    yield ""
    yield from CAUTIONS


def _first(advice: Advice, reader: Reader) -> Iterator[str]:
    if advice.answer != _CORRECT:
        yield from told(f"{advice.answer}" if advice.answer == _GO_ON else f"{advice.answer}: {advice.why}")
        return
    yield from told(f"correct {correction_text(advice, reader)} (sense {reader.sense})")


def _how(advice: Advice, given: SteerInput, reader: Reader) -> Iterator[str]:
    """Yield the reading, where to bring it, and how it is read."""
    if advice.reading is not None:
        read = pair(reader.shown(advice.reading.slope), reader.unit)
        yield from told(f"read: {read} {reader.unit}, {_down(advice.reading.level, reader)} deep")
        if advice.answer != _GO_ON and not (advice.window.empty or advice.sure_window.empty):
            after = target(advice, reader)
            yield from told(f"to be inside: {pair(after, reader.unit)} {reader.unit}")
            east, north = reader.slope(*after) - advice.reading.slope
            bearing = math.degrees(math.atan2(east, north)) % 360.0
            size = figure(float(np.hypot(east, north)) * 1000.0, 0.0)
            yield from told(f"that is: the toe {size} mm/m towards {bearing:.0f} deg")
            yield "least correction: to the edge of the sure window"
    yield from _directions(reader)
    level = figure(given.level, digits=2, plus=True)
    where = {
        "pickup": f"as picked up at {level} m",
        "set out": "as set out (approved): no pickup of it yet",
        "design": "at design: no pickup of it yet",
    }[given.centre_is]
    yield from told(f"centre: {where}")


def _margins(advice: Advice) -> Iterator[str]:
    """Yield how far from the edges it lies, and what can still be turned."""
    if advice.reading is None:
        return
    for name, value, empty in (
        ("window", advice.margin, advice.window.empty),
        ("sure window", advice.sure_margin, advice.sure_window.empty),
    ):
        if empty:
            yield f"{name}: empty"
        else:
            side = "inside" if value >= 0 else "outside"
            yield f"{name}: {side} by {figure(abs(value) * 1000.0, 0.0)} mm/m"
    broken = _broken(advice)
    if broken:
        yield from told(f"this lean breaks: {', '.join(broken)}")
    if math.isnan(advice.can_turn):
        yield "can still be turned: not said in site.toml"
    else:
        size = float(np.hypot(*advice.correction)) * 1000.0
        yield f"can still be turned: {figure(advice.can_turn * 1000.0, size, 0.0)} mm/m to the toe"


def _broken(advice: Advice) -> list[str]:
    """Return what the lean read breaks as measured, joints first."""
    assert advice.reading is not None  # noqa: S101  # asked for with a reading only
    c = advice.window.constraints
    over = c.outside(advice.reading.slope[None, :])[0] > _SLACK
    of = [*c.of[over[: len(c.of)]].tolist(), *([PIT] if over[len(c.of) :].any() else [])]
    joints = [one.neighbour.joint_id for place, one in enumerate(advice.joints) if place in of]
    return joints + [name for one, name in ((LIMIT, "verticality"), (PIT, "room towards the pit")) if one in of]


def _given_up(advice: Advice, reader: Reader) -> Iterator[str]:
    if not advice.window.empty:
        return
    yield ""
    yield from told(
        f"least bad lean: {pair(reader.shown(advice.nearest), reader.unit)} {reader.unit}. It gives up:"
    )
    for one in advice.gives_up:
        at = " at the toe" if math.isnan(one.level) else f" at {_at(one.level, reader)}"
        named = {"pit": "room towards the pit"}.get(one.what, one.what)
        yield from told(f"{named}: {figure(one.by * 1000.0, 0.0, digits=0)} mm{at}", first="  ", rest="    ")


# -------------------------------------------------------------------------------------------------- joint by joint


def _joints(advice: Advice, reader: Reader) -> Iterator[str]:
    yield "if it goes on like this:" if advice.reading else "joints:"
    for one in advice.joints:
        yield from _joint(one, reader, known=advice.reading is not None)


def _joint(one: JointAtLean, reader: Reader, *, known: bool) -> Iterator[str]:
    side = one.neighbour
    yield from told(f"{side.joint_id}{_standing(one)}", first="* ", rest="  ")
    lines = [] if known else [f"asks for {figure(side.required * 1000.0, digits=0)} mm"]
    if known:
        need, least = side.required * 1000.0, one.least_overlap * 1000.0
        at = _at(one.least_level, reader)
        lines.append(f"least {figure(least, need, 0.0, digits=0)} mm (needs {figure(need, digits=0)}) at {at}")
        low, high = one.low * 1000.0, one.high * 1000.0
        lines.append(
            f"{figure(low, need, digits=0)} to {figure(high, need, digits=0)} by the reading, "
            f"{figure(one.model_low * 1000.0, need, digits=0)} to {figure(one.model_high * 1000.0, need, digits=0)} "
            "by lean model"
        )
        lost = "kept all the way as measured" if math.isnan(one.lost_level) else "lost from"
        if not math.isnan(one.lost_level):
            lost += f" {_at(one.lost_level, reader)} down"
        lines.append(f"{lost}; {'sure' if one.sure else 'NOT SURE'}")
    for line in lines:
        yield from told(line, first="  ", rest="    ")


def _down(level: float, reader: Reader) -> str:
    return f"{figure(reader.from_level - level, digits=2)} m"


def _at(level: float, reader: Reader) -> str:
    """Return a level, and how deep it is where the reader stands."""
    return f"{figure(level, digits=2, plus=True)} m ({_down(level, reader)} deep)"


def _standing(one: JointAtLean) -> str:
    """Return how the neighbour stands, where it is not surveyed, read and deep enough."""
    side, said = one.neighbour, []
    if side.is_built == _DESIGN:
        said.append("NOT BUILT YET, taken at design")
    elif side.lean == "assumed":
        said.append("never read, taken as plumb")
    if not math.isnan(side.toe_level):
        said.append(f"OPEN below its toe at {figure(side.toe_level, digits=2, plus=True)} m")
    if not side.counts:
        said.append("a gap by design, not counted")
    return f": {side.pile_id} {'; '.join(said)}" if said else f": {side.pile_id} as built"


def _trend(advice: Advice, given: SteerInput, reader: Reader) -> Iterator[str]:
    if advice.trend is None or advice.reading is None:
        return
    yield ""
    linear = reader.linear()
    rate, last = (pair(linear.shown(one), linear.unit) for one in (advice.trend.per_metre, advice.trend.last_change))
    told_apart = float(np.hypot(*advice.trend.per_metre)) > _TWO_WAYS * advice.trend.sigma
    changed = "the lean CHANGES with depth" if told_apart else "no change beyond the scatter of readings"
    yield from told(f"trend: {changed}: {rate} {linear.unit} for each metre; since the reading above: {last}")
    if told_apart and advice.inside:
        level = advice.reading.level - _leaves(advice.window.constraints, advice.reading.slope, advice.trend.per_metre)
        if level > given.toe:
            yield from told(f"at this rate outside the window below {_down(level, reader)}")


def _leaves(c: Constraints, slope: Floats, rate: Floats) -> float:
    """Return after how many metres a lean inside that changes by ``rate`` for each breaks a constraint; inf: never."""
    away = slope - c.centre
    square, along = float(rate @ rate), away @ rate
    room = np.maximum(c.radius**2 - (away * away).sum(axis=1), 0.0)
    discs = (np.sqrt(along**2 + square * room) - along) / square
    towards = c.normal @ rate
    out = towards > 0.0
    lines = np.maximum(c.offset - c.normal @ slope, 0.0)[out] / towards[out]
    return float(min(discs[c.of != BOUND].min(initial=np.inf), lines.min(initial=np.inf)))


# ------------------------------------------------------------------------------------------------------- as object


def answer_object(advice: Advice, given: SteerInput, reader: Reader, *, check: str = "") -> dict[str, object]:
    """Return the answer as the object that ``--json`` prints; NaN is null there. ``check`` as in the lines."""
    reading, said = advice.reading, ("a", "b")
    change = reader.shown(advice.correction) if reading else (math.nan, math.nan)
    at = reader.shown(reading.slope) if reading else (math.nan, math.nan)
    return {
        "pile_id": given.pile_id,
        "answer": advice.answer,
        "why": advice.why,
        "reading": None
        if reading is None
        else {**_slope(reading.slope), "level": reading.level, **dict(zip(said, map(_plain, at), strict=True))},
        "inside": advice.inside,
        "sure": advice.sure,
        "margin_mm_per_m": _mm(advice.margin),
        "sure_margin_mm_per_m": _mm(advice.sure_margin),
        "nearest": _slope(advice.nearest),
        "nearest_in": advice.nearest_in,
        "correction": {
            **dict(zip(said, map(_plain, change), strict=True)),
            "unit": reader.unit,
            "bearing_a_deg": reader.bearing_a_deg,
            "bearing_b_deg": reader.bearing_b_deg,
            "sense": reader.sense,
            **_slope(advice.correction),
        },
        "can_turn_mm_per_m": _mm(advice.can_turn),
        "gives_up": [{"what": one.what, "level": one.level, "by_mm": _mm(one.by)} for one in advice.gives_up],
        "window": _ring(advice.window.polygon(RING)),
        "sure_window": _ring(advice.sure_window.polygon(RING)),
        "joints": [_joint_object(one) for one in advice.joints],
        "trend": None
        if advice.trend is None
        else {
            "per_metre": _slope(advice.trend.per_metre),
            "sigma_mm_per_m": _mm(advice.trend.sigma),
            "last_change": _slope(advice.trend.last_change),
        },
        "centre": {"is": given.centre_is, "level": given.level},
        "cautions": [*CAUTIONS, *([ASK] if advice.answer == _STOP else []), *([check] if check else [])],
    }


def _joint_object(one: JointAtLean) -> dict[str, object]:
    return {
        "joint_id": one.neighbour.joint_id,
        "neighbour": one.neighbour.pile_id,
        "neighbour_is": one.neighbour.is_built,
        "neighbour_lean": one.neighbour.lean,
        "required_overlap_mm": _mm(one.neighbour.required),
        "least_overlap_mm": _mm(one.least_overlap),
        "least_level": one.least_level,
        "lost_level": one.lost_level,
        "sure": one.sure,
        "low_mm": _mm(one.low),
        "high_mm": _mm(one.high),
        "model_low_mm": _mm(one.model_low),
        "model_high_mm": _mm(one.model_high),
    }


def _mm(value: float) -> float | None:
    """Return metres as mm, or m per m as mm/m; None for what there is not."""
    return round(value * 1000.0, 6) + 0.0 if math.isfinite(value) else None


def _plain(value: float) -> float:
    """Return a reading without what rounding adds to its last digits."""
    return round(value, 9) + 0.0


def _slope(slope: Floats) -> dict[str, float | None]:
    return {"e_mm_per_m": _mm(float(slope[0])), "n_mm_per_m": _mm(float(slope[1]))}


def _ring(ring: Floats) -> list[list[float]]:
    found: list[list[float]] = np.round(ring * 1000.0, 6).tolist()
    return found
