"""Rows of small walls, and the steps of a reconciliation one by one, each result under its own name."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from builders import Row, Site, site_file, straight_wall, to_survey

from asbuilt.columns import VERDICTS
from asbuilt.compute.alignment import align, wall_levels
from asbuilt.compute.axes import axis_positions, axis_variances, build_axes, placed
from asbuilt.compute.centres import solve_centres
from asbuilt.compute.encroachment import encroachment
from asbuilt.compute.joints import evaluate_joints
from asbuilt.compute.piles import plan_position, verticality, verticality_limits
from asbuilt.compute.readings import collect_readings, slopes_of_readings
from asbuilt.compute.records import governing_attempts, governing_records
from asbuilt.compute.results import joint_inputs

if TYPE_CHECKING:
    from asbuilt import model
    from asbuilt.compute.alignment import Alignment
    from asbuilt.compute.encroachment import Encroachment
    from asbuilt.compute.joints import JointResults
    from asbuilt.compute.readings import Readings
    from asbuilt.compute.spans import JointInputs

#: Uncertainties so small that measured values decide; 0 where the site file takes it.
EXACT = {
    "pickup_mm": 1e-4,
    "setup_mm": 0,
    "radius_mm": 1e-4,
    "tilt_mm_per_m": 1e-6,
    "tilt_systematic_mm_per_m": 0,
    "wander_mm_per_m": 0,
    "profile_mm": 1e-6,
    "profile_mm_per_m": 0,
}


def shot(pile: str | None, easting: float, northing: float, level: float = 3.2, **more: Any) -> Row:
    """One pickup; a centre shot on the head unless told otherwise."""
    row = {"point": f"{pile}-1", "pile_id": pile, "easting": easting, "northing": northing, "level": level}
    return {**row, "surveyed_at": "2025-03-05T12:00", **more}


def tilt(pile: str, depth: float, east: float = 0.0, north: float = 0.0, **more: Any) -> Row:
    """One lean reading [mm/m, towards the toe] in directions north and east."""
    row = {"pile_id": pile, "read_at": "2025-03-02T10:00", "depth": depth, "tilt_a": north, "tilt_b": east}
    return {**row, "unit": "mm/m", "bearing_a_deg": 0.0, **more}


def logged(pile: str, *rows: tuple[float, float, float], **more: Any) -> list[Row]:
    """A profile: depth [m] and offsets east and north [mm]."""
    return [
        {"pile_id": pile, "read_at": "2025-03-02T15:00", "depth": d, "off_e_mm": e, "off_n_mm": n, **more}
        for d, e, n in rows
    ]


def record(pile: str, **more: Any) -> Row:
    return {"pile_id": pile, "drilled_at": "2025-03-02T16:00", "concreted_at": "2025-03-02T19:00", **more}


def plumb_wall(count: int = 2, *, design: list[Row] | None = None, **changes: Any) -> Site:
    """A wall built exactly as designed: a shot at every centre and one plumb reading 12 m down."""
    design = straight_wall(count) if design is None else design
    built = [row for row in design if row.get("status") != "omitted"]
    return Site(
        toml=site_file(**changes),
        design=design,
        pickups=[shot(row["pile_id"], row["easting"], row["northing"]) for row in built],
        tilts=[tilt(row["pile_id"], 12.0) for row in built],
    )


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Everything up to the axes of one survey."""

    survey: model.Survey
    alignment: Alignment
    attempt: np.ndarray
    radius: np.ndarray
    toe: np.ndarray
    toe_recorded: np.ndarray
    limit: np.ndarray
    centres: model.Centres
    slope_e: np.ndarray
    slope_n: np.ndarray
    readings: Readings
    leans: model.Axes
    axes: model.Axes
    other: model.Axes
    newest: np.ndarray

    @property
    def design_e(self) -> np.ndarray:
        return self.survey.design["easting"] - self.survey.origin[0]

    @property
    def design_n(self) -> np.ndarray:
        return self.survey.design["northing"] - self.survey.origin[1]

    def place(self, pile: str) -> int:
        return self.survey.design["pile_id"].tolist().index(pile)

    def centre(self, pile: str) -> tuple[float, float]:
        """Surveyed centre in site-grid coordinates."""
        k = self.place(pile)
        return self.centres.e[k] + self.survey.origin[0], self.centres.n[k] + self.survey.origin[1]

    def axis(self, pile: str, *levels: float, other: bool = False) -> np.ndarray:
        """Axis in site-grid coordinates at levels (k, 2)."""
        axes = self.other if other else self.axes
        e, n = axis_positions(axes, np.array([self.place(pile)]), np.array([levels]))
        return np.column_stack([e[0] + self.survey.origin[0], n[0] + self.survey.origin[1]])

    def q2(self, pile: str, *levels: float, other: bool = False) -> np.ndarray:
        """Variance that the axis adds at levels (k,) [m²]."""
        axes = self.other if other else self.axes
        return axis_variances(axes, np.array([self.place(pile)]), np.array([levels]))[0]


def steps(site: Site) -> Steps:
    """Work a site out up to its axes."""
    survey = to_survey(site)
    s, design, (origin_e, origin_n) = survey.settings, survey.design, survey.origin
    design_e, design_n = design["easting"] - origin_e, design["northing"] - origin_n
    attempt = governing_attempts(len(design), survey.pickups, survey.tilts, survey.profiles, survey.records)
    recorded = governing_records(survey.records, attempts=attempt)
    radius = np.where(np.isnan(recorded.casing_od_mm), design["diameter_mm"], recorded.casing_od_mm) / 2000.0
    toe = np.where(np.isnan(recorded.toe_level), design["toe_level"], recorded.toe_level)
    alignment = align(design, s, e=design_e, n=design_n)
    limit = verticality_limits(s, design["kind"])
    centres = solve_centres(
        survey.pickups,
        s,
        e=survey.pickups["easting"] - origin_e,
        n=survey.pickups["northing"] - origin_n,
        attempt=attempt,
        design_e=design_e,
        design_n=design_n,
        cut_off=design["cut_off_level"],
        radius=radius,
        pile_ids=design["pile_id"],
        file_names=[f.path for f in survey.files],
    )
    slope_e, slope_n = slopes_of_readings(survey.tilts, s, alignment)
    readings = collect_readings(survey.tilts, s, slope_e=slope_e, slope_n=slope_n, attempt=attempt)
    leans, other_leans, newest = build_axes(
        centres,
        readings,
        survey.profiles,
        s,
        attempt=attempt,
        cut_off=design["cut_off_level"],
        toe=toe,
        limit=limit,
    )
    return Steps(
        survey=survey,
        alignment=alignment,
        attempt=attempt,
        radius=radius,
        toe=toe,
        toe_recorded=recorded.toe_level,
        limit=limit,
        centres=centres,
        slope_e=slope_e,
        slope_n=slope_n,
        readings=readings,
        leans=leans,
        axes=placed(leans),
        other=placed(other_leans),
        newest=newest,
    )


def plan_of(site: Site) -> dict[str, np.ndarray]:
    """Plan position of all piles [m]."""
    w = steps(site)
    found = plan_position(
        w.axes,
        w.survey.settings,
        w.alignment,
        cov=w.centres.cov,
        setup_var=w.centres.setup_var,
        cut_off=w.survey.design["cut_off_level"],
        design_e=w.design_e,
        design_n=w.design_n,
    )
    return vars(found)


def verticality_of(site: Site) -> dict[str, np.ndarray]:
    """Verticality of all piles [m per m]."""
    w = steps(site)
    cut_off = w.survey.design["cut_off_level"]
    return vars(
        verticality(w.leans, w.survey.settings, cut_off=cut_off, allowed=w.limit, expected=w.alignment.expected)
    )


def encroachment_of(site: Site) -> Encroachment:
    """Encroachment of all piles [m]."""
    w = steps(site)
    outline = w.survey.clear_outline
    return encroachment(
        w.axes,
        w.survey.settings,
        w.alignment,
        cov=w.centres.cov,
        setup_var=w.centres.setup_var,
        cut_off=w.survey.design["cut_off_level"],
        formation=wall_levels(w.survey.settings, w.survey.design["wall"], "formation"),
        design_e=w.design_e,
        design_n=w.design_n,
        radius=w.radius,
        outline=None if outline is None else shapely.transform(outline, lambda xy: xy - np.array(w.survey.origin)),
    )


def joints_of(site: Site) -> tuple[JointInputs, JointResults]:
    """Joints of a site [m]: what they are worked out from, and what was found."""
    w = steps(site)
    inputs, _ = joint_inputs(
        design=w.survey.design,
        settings=w.survey.settings,
        alignment=w.alignment,
        centres=w.centres,
        radius=w.radius,
        toe_recorded=w.toe_recorded,
        design_e=w.design_e,
        design_n=w.design_n,
    )
    return inputs, evaluate_joints(inputs, w.axes, w.other, w.survey.settings)


def word(code: int) -> str | None:
    """The verdict in words; None where the check is not made."""
    return None if code < 0 else VERDICTS[int(code)]
