"""Make the demo survey: design, truth, and surveys of it with the stated uncertainties. Invented throughout.

Run ``python demo_survey/make_demo.py`` to write the folder's files again; the bytes are the same every time.
``--to DIR`` writes them elsewhere. site.toml and README.md are written by hand.
"""

from __future__ import annotations

import argparse
import json
from datetime import timedelta
from pathlib import Path

import numpy as np
from make_incoming import incoming
from planted import APPROVED
from readings import profiles, records, tilts
from shots import pickup_file, pickups
from wall import CONTROL, Pile, approved_centre, built, design, programme, rng, truth
from writing import metres, stamp, table

#: Copied beside the readings by somebody of the invented crew: it is no table.
RIG_LOG = """\
2024-09-02 06:55 rig R2 started, level checked on the bench
2024-09-02 17:20 rig R2 stopped
"""


def control() -> str:
    """Return the control points: the site grid is turned and scaled on the map, which lies in open sea."""
    turn, scale, draw = np.radians(14.5), 0.9996, rng(902)
    rows = []
    for name, (e, n) in CONTROL.items():
        map_e = 500000.0 - 830.0 + scale * (e * np.cos(turn) + n * np.sin(turn)) + draw.normal(0, 0.002)
        map_n = 6200000.0 - 1700.0 + scale * (-e * np.sin(turn) + n * np.cos(turn)) + draw.normal(0, 0.002)
        rows.append([name, metres(e), metres(n), metres(map_e), metres(map_n), 2])
    return table("point easting northing map_e map_n sigma_mm", rows)


def clear_outline(piles: list[Pile]) -> str:
    """Return the permanent works' outline: 200 mm clear of the faces, a buttress close to A036."""
    by_id = {p.pile_id: p for p in piles}
    corners = [by_id[name] for name in ("A001", "A041", "A067", "A107")]
    ring = [corner.centre + corner.pit * 0.640 * np.sqrt(2) for corner in corners]
    near = by_id["A036"]
    buttress = [
        near.centre + near.along * a + near.pit * p for a, p in ((-0.3, 0.64), (-0.3, 0.48), (0.3, 0.48), (0.3, 0.64))
    ]
    ring = [ring[0], *buttress, *ring[1:], ring[0]]
    coordinates = [[round(float(e), 3), round(float(n), 3)] for e, n in ring]
    feature = {
        "type": "Feature",
        "properties": {"name": "basement wall, inner lining"},
        "geometry": {"type": "Polygon", "coordinates": [coordinates]},
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1) + "\n"


def folder() -> dict[str, str]:
    """Return every file that is made, by its path in the folder."""
    piles, works = design(), programme()
    truths = {p.pile_id: truth(p) for p in piles}
    standing = built(piles, works)
    files = {
        "design/piles.csv": table(
            "pile_id wall position kind easting northing diameter_mm cut_off_level toe_level status",
            [
                [
                    p.pile_id,
                    p.wall,
                    p.position,
                    p.kind,
                    *map(metres, p.centre),
                    p.diameter,
                    f"{p.cut_off:.2f}",
                    f"{p.toe:.2f}",
                    p.status,
                ]
                for p in piles
            ],
        ),
        "design/clear_outline.geojson": clear_outline(piles),
        "control/points.csv": control(),
        "set_out/approved.csv": table(
            "pile_id easting northing approved_by at",
            [
                [
                    p.pile_id,
                    *map(metres, approved_centre(p)),
                    "M. Example",
                    stamp(works[p.pile_id].drilled_at - timedelta(days=1)),
                ]
                for p in piles
                if p.pile_id in APPROVED
            ],
        ),
        "truth.csv": table(
            "pile_id easting northing slope_e_mm_per_m slope_n_mm_per_m toe_level",
            [
                [
                    p.pile_id,
                    *(f"{v:.4f}" for v in truths[p.pile_id].centre),
                    *(f"{v:.2f}" for v in truths[p.pile_id].slope),
                    f"{truths[p.pile_id].toe:.2f}",
                ]
                for p in standing
            ],
        ),
    }
    files.update(pickup_file(session) for session in pickups(piles, works, truths))
    files.update(tilts(piles, works, truths))
    files["tilts/rig_R2.log"] = RIG_LOG
    files.update(profiles(piles, works, truths))
    files.update(records(piles, works, truths))
    files.update(incoming(standing, truths))
    return files


def main() -> None:
    """Write the folder."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--to", type=Path, default=Path(__file__).parent, help="where to write; default: this folder")
    target = parser.parse_args().to
    for name, text in folder().items():
        path = target / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode("utf-8"))
    print(f"{len(folder())} files written to {target}")


if __name__ == "__main__":
    main()
