"""The demo survey: made again byte for byte, true to its page, reconciled back to the truth behind it."""

from __future__ import annotations

import ast
import csv
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from asbuilt.columns import FINDINGS, VERDICTS
from asbuilt.settings import parse_settings

if TYPE_CHECKING:
    from asbuilt.model import Reconciliation

DEMO = Path(__file__).parents[1] / "demo_survey"
BY_HAND = {"README.md", "site.toml"}
#: Made with the tool, as what a decision is bound to is a hash of its own.
WITH_THE_TOOL = {"decisions.csv"}


def readme_table(heading: str) -> list[tuple[str, ...]]:
    """Return the rows of the first table below ``heading`` in the demo's page."""
    text = (DEMO / "README.md").read_text(encoding="utf-8").split(f"\n## {heading}\n")[1].split("\n## ")[0]
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    return [tuple(cell.strip() for cell in line.strip("|").split("|")) for line in lines[2:]]


DECISION_ROWS = [row[:3] for row in readme_table("Which decision where")]
VERDICT_ROWS = [row[:3] for row in readme_table("Which verdict where")]
FINDING_ROWS = [row[:2] for row in readme_table("Which finding where")]
INCOMING_ROWS = [row[:3] for row in readme_table("Faulty files")]


@pytest.fixture(scope="module")
def demo() -> Reconciliation:
    from asbuilt.intake.survey import read_survey
    from asbuilt.reconcile import reconcile

    return reconcile(read_survey(DEMO))


@pytest.fixture(scope="module")
def truth() -> dict[str, dict[str, float]]:
    with (DEMO / "truth.csv").open(encoding="utf-8", newline="") as file:
        return {
            row["pile_id"]: {name: float(value) for name, value in row.items() if name != "pile_id"}
            for row in csv.DictReader(file)
        }


def pile_place(demo: Reconciliation, pile_id: str) -> int:
    return int(np.flatnonzero(demo.piles["pile_id"] == pile_id)[0])


def joint_place(demo: Reconciliation, joint_id: str) -> int:
    return int(np.flatnonzero(demo.joints["joint_id"] == joint_id)[0])


def true_centre(demo: Reconciliation, true: dict[str, float], pile: int, level: float) -> np.ndarray:
    """Return a pile's true centre at ``level``, site grid."""
    below = demo.piles["cut_off_level"][pile] - level
    slope = np.array([true["slope_e_mm_per_m"], true["slope_n_mm_per_m"]]) / 1000
    return np.array([true["easting"], true["northing"]]) + slope * below


def true_overlap(
    demo: Reconciliation, truth: dict[str, dict[str, float]], joint: int, level: float
) -> tuple[float, np.ndarray]:
    """Return a joint's true overlap at ``level`` [m] and the direction from its first pile to the second."""
    ends = [int(demo.joints.a[joint]), int(demo.joints.b[joint])]
    first, second = (true_centre(demo, truth[demo.piles["pile_id"][end]], end, level) for end in ends)
    distance = float(np.hypot(*(second - first)))
    return float(demo.piles.radius[ends].sum()) - distance, (second - first) / distance


def known_joints(demo: Reconciliation, truth: dict[str, dict[str, float]]) -> list[int]:
    """Return the joints whose truth is known; one of A070's two shots is false, so its joints are not."""
    return [
        k
        for k, joint_id in enumerate(demo.joints["joint_id"])
        if set(joint_id.split("~")) <= truth.keys() and "A070" not in joint_id
    ]


# --- the folder as made -----------------------------------------------------------------------------


def test_making_the_demo_again_gives_the_same_bytes(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-B", str(DEMO / "make_demo.py"), "--to", str(tmp_path)], check=True)
    made = {p.relative_to(tmp_path).as_posix(): p.read_bytes() for p in tmp_path.rglob("*") if p.is_file()}
    kept = {
        name: path.read_bytes()
        for path in DEMO.rglob("*")
        if path.is_file()
        and path.suffix not in {".py", ".pyc"}
        and not (name := path.relative_to(DEMO).as_posix()).startswith(("out/", "."))
        and name not in BY_HAND | WITH_THE_TOOL
    }
    assert sorted(made) == sorted(kept)
    assert [name for name in made if made[name] != kept[name]] == []


def test_making_its_decisions_again_gives_the_same_bytes(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-B", str(DEMO / "make_decisions.py"), "--to", str(tmp_path)], check=True)
    assert (tmp_path / "decisions.csv").read_bytes() == (DEMO / "decisions.csv").read_bytes()


def test_its_decisions_are_as_the_page_says(demo: Reconciliation) -> None:
    assert [(one.item, one.effect, one.state) for one in demo.decisions] == DECISION_ROWS


def test_every_kind_of_decision_occurs(demo: Reconciliation) -> None:
    assert {one.effect for one in demo.decisions} == {"accept", "hold", "withdraw"}
    states = {one.state for one in demo.decisions}
    assert states >= {"stands", "superseded", "changed, worse", "changed, no worse"}
    lifted = {hold.item: hold.verdict for state in demo.stages for hold in state.accepted}
    assert {"outside", "not surveyed"} <= set(lifted.values())


def test_the_demo_is_made_without_the_tool() -> None:
    imported = set()
    for path in DEMO.glob("*.py"):
        if path.name == "make_decisions.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {name.name.split(".")[0] for name in node.names}
            elif isinstance(node, ast.ImportFrom):
                imported.add((node.module or "").split(".")[0])
    siblings = {path.stem for path in DEMO.glob("*.py")}
    assert imported - siblings - set(sys.stdlib_module_names) == {"numpy"}


def test_site_file_is_sound() -> None:
    settings = parse_settings((DEMO / "site.toml").read_text(encoding="utf-8"))
    assert settings.site.confidence == 0.95
    assert settings.walls["A"].closed


def test_page_and_faulty_files_name_one_another() -> None:
    on_disk = sorted(path.relative_to(DEMO).as_posix() for path in (DEMO / "incoming").iterdir())
    assert sorted(row[0] for row in INCOMING_ROWS) == on_disk


def test_faulty_files_show_known_findings() -> None:
    assert {row[2] for row in INCOMING_ROWS} > {"wrong_pile", "shifted_load", "sign_flip"}
    for name, table, finding in INCOMING_ROWS:
        assert name == f"incoming/{table}_{finding}.csv"


# --- the page is true -------------------------------------------------------------------------------


def test_page_shows_every_verdict_for_piles_and_joints() -> None:
    for check in ("pile", "joint", "vertical", "encroach"):
        assert {verdict for _, c, verdict in VERDICT_ROWS if c == check} == set(VERDICTS)
    for check in ("plan", "toe"):  # decided by the simple rule
        assert {verdict for _, c, verdict in VERDICT_ROWS if c == check} == set(VERDICTS) - {"unresolved"}


def test_page_shows_every_finding_of_a_run() -> None:
    absent = {"changed_file", "control_suspect", "omitted_but_built", "added_without_joint"}
    shown = {name for name, kind in FINDINGS.items() if kind.by_run} - absent
    assert {kind for kind, _ in FINDING_ROWS} == shown
    text = (DEMO / "README.md").read_text(encoding="utf-8")
    assert [kind for kind in absent if f"`{kind}`" not in text] == []


@pytest.mark.parametrize(("item", "check", "verdict"), VERDICT_ROWS)
def test_verdict_is_as_the_page_says(demo: Reconciliation, item: str, check: str, verdict: str) -> None:
    if check == "joint":
        code = demo.joints["verdict"][joint_place(demo, item)]
    else:
        column = "verdict" if check == "pile" else f"{check}_verdict"
        code = demo.piles[column][pile_place(demo, item)]
    assert VERDICTS[code] == verdict


@pytest.mark.parametrize(("kind", "item"), FINDING_ROWS)
def test_finding_is_as_the_page_says(demo: Reconciliation, kind: str, item: str) -> None:
    assert f"{kind}:{item}" in {finding.id for finding in demo.findings}


def test_no_finding_that_only_a_load_can_raise(demo: Reconciliation) -> None:
    assert {finding.kind for finding in demo.findings} <= {n for n, kind in FINDINGS.items() if kind.by_run}


# --- the planted cases ------------------------------------------------------------------------------


def test_most_piles_and_joints_are_within(demo: Reconciliation) -> None:
    within = VERDICTS.index("within")
    assert np.mean(demo.joints["verdict"] == within) > 0.75
    assert np.mean(demo.piles["verdict"][demo.piles.expected] == within) > 0.75


def test_gap_at_depth_below_a_sound_cut_off(demo: Reconciliation) -> None:
    k = joint_place(demo, "A006~A007")
    assert demo.joints["overlap_cut_off_mm"][k] > 100
    assert demo.joints["least_overlap_mm"][k] < 0
    assert -8.0 < demo.joints["open_level"][k] < demo.joints["lost_level"][k] < 3.2
    assert demo.joints["opening_formation_mm"][k] > 0


def test_joint_lost_but_not_open_between_piles_inside_their_verticality(demo: Reconciliation) -> None:
    k = joint_place(demo, "A012~A013")
    assert 0 < demo.joints["least_overlap_mm"][k] < 50
    assert -9.5 < demo.joints["lost_level"][k] < 3.2
    assert np.isnan(demo.joints["open_level"][k])
    assert demo.joints["levels_known"][k]
    for pile in ("A012", "A013"):
        assert VERDICTS[demo.piles["vertical_verdict"][pile_place(demo, pile)]] == "within"


def test_joint_under_a_high_toe_says_so(demo: Reconciliation) -> None:
    k = joint_place(demo, "A055~A056")
    assert demo.joints.toe_level[k] == pytest.approx(-8.80)
    assert "toe" in demo.joints["reasons"][k]


def test_joint_within_under_one_lean_model_says_so(demo: Reconciliation) -> None:
    k = joint_place(demo, "A017~A018")
    assert demo.joints["p_interlock"][k] > demo.survey.settings.site.confidence
    assert "depends on the lean model" in demo.joints["reasons"][k]


def test_attempt_that_governs(demo: Reconciliation) -> None:
    k = pile_place(demo, "A059")
    assert demo.centres.attempt[k] == 2
    assert demo.piles["offset_mm"][k] < 25  # the abandoned one stood 65 mm away


def test_longer_gap_of_the_omitted_pile(demo: Reconciliation) -> None:
    assert not demo.piles.expected[pile_place(demo, "A088")]
    assert demo.joints["design_overlap_mm"][joint_place(demo, "A087~A089")] == pytest.approx(-560, abs=2)


# --- against the truth ------------------------------------------------------------------------------


def test_offsets_differ_from_the_truth_as_their_uncertainty_says(
    demo: Reconciliation, truth: dict[str, dict[str, float]]
) -> None:
    errors = []
    for pile_id, true in truth.items():
        k = pile_place(demo, pile_id)
        if np.isnan(demo.piles.centre_e[k]) or pile_id == "A070":  # A070: one of its two shots is false
            continue
        centre = np.array([demo.piles.centre_e[k], demo.piles.centre_n[k]]) + demo.survey.origin
        sigma = np.sqrt(demo.piles.cov[k][[0, 2]])
        errors.extend((centre - true_centre(demo, true, k, demo.piles["cut_off_level"][k])) / sigma)
    assert len(errors) > 280
    # 290 errors, a quarter of their variance shared within 12 set-ups: over seeds the rms scatters by 0.05 about 1
    assert 0.86 < np.sqrt(np.mean(np.square(errors))) < 1.14
    assert np.max(np.abs(errors)) < 4.0


def sigma_of_axis(demo: Reconciliation, k: int, level: float) -> float:
    """Return the uncertainty of the axis alone at ``level`` [m], as straight and logged axes have it."""
    u = demo.survey.settings.uncertainty
    height = demo.axes.surveyed_level[k] - level
    if np.isclose(demo.axes.method[k], 2):  # logged
        variance = 2 * u.profile_mm**2 * min(1.0, abs(height)) + (u.profile_mm_per_m * height) ** 2
    else:
        unread = max(0.0, demo.axes.deepest[k] - demo.axes.toe[k])
        per_metre = u.tilt_mm_per_m**2 / demo.axes.readings[k] + u.tilt_systematic_mm_per_m**2
        variance = height**2 * (per_metre + u.wander_mm_per_m**2 * unread)
    return float(np.sqrt(variance)) / 1000


def test_overlap_at_formation_differs_from_the_truth_as_its_uncertainty_says(
    demo: Reconciliation, truth: dict[str, dict[str, float]]
) -> None:
    errors = []
    for k in known_joints(demo, truth):
        ends = [int(demo.joints.a[k]), int(demo.joints.b[k])]
        walls = demo.piles["wall"][ends]
        overlap = demo.joints["overlap_formation_mm"][k]
        if np.isnan(overlap) or walls[0] != walls[1]:
            continue
        level = demo.survey.settings.wall_level(walls[0], "formation")
        true, unit = true_overlap(demo, truth, k, level)
        cov = demo.centres.cov[ends].sum(axis=0)
        variance = unit[0] ** 2 * cov[0] + 2 * unit[0] * unit[1] * cov[1] + unit[1] ** 2 * cov[2]
        variance += sum(sigma_of_axis(demo, end, level) ** 2 for end in ends)
        if demo.centres.setup[ends[0]] != demo.centres.setup[ends[1]]:
            variance += 2 * demo.centres.setup_var
        errors.append((overlap / 1000 - true) / np.sqrt(variance))
    assert len(errors) > 120
    # 130 errors, each pile in two of them: over seeds the rms scatters by 0.06 about 1
    assert 0.83 < np.sqrt(np.mean(np.square(errors))) < 1.17
    assert np.max(np.abs(errors)) < 4.0


def test_least_overlap_differs_from_the_truth_as_u_overlap_says(
    demo: Reconciliation, truth: dict[str, dict[str, float]]
) -> None:
    errors = []
    for k in known_joints(demo, truth):
        level = demo.joints["governing_level"][k]
        if level == demo.joints["least_level"][k]:
            error = demo.joints["least_overlap_mm"][k] - 1000 * true_overlap(demo, truth, k, level)[0]
            errors.append(error / demo.joints["u_overlap_mm"][k])
    assert len(errors) > 60
    # the least of several levels is drawn low, and there are half as many: over seeds 0.07 about 1.05
    assert 0.8 < np.sqrt(np.mean(np.square(errors))) < 1.25
    assert np.max(np.abs(errors)) < 4.0


def test_no_joint_that_is_truly_lost_is_called_within(demo: Reconciliation, truth: dict[str, dict[str, float]]) -> None:
    lost = [
        k
        for k in known_joints(demo, truth)
        for name in ("range_top", "range_bottom")
        if true_overlap(demo, truth, k, demo.joints[name][k])[0] < demo.joints.required[k]
    ]
    assert set(demo.joints["joint_id"][lost]) >= {"A006~A007", "A012~A013", "A087~A089", "A100~A101"}
    assert VERDICTS.index("within") not in demo.joints["verdict"][lost]


def test_every_true_toe_fault_is_found(demo: Reconciliation, truth: dict[str, dict[str, float]]) -> None:
    allowed = demo.survey.settings.tolerance.toe_mm / 1000
    design = dict(zip(demo.survey.design["pile_id"], demo.survey.design["toe_level"], strict=True))
    faulty = {name for name, true in truth.items() if true["toe_level"] > design[name] + allowed}
    outside = demo.piles["toe_verdict"] == VERDICTS.index("outside")
    assert faulty == {"A053", "A056"}
    assert set(demo.piles["pile_id"][outside]) == faulty


def test_a_pile_is_still_to_be_set_out_and_another_centre_is_advised(demo: Reconciliation) -> None:
    """A065 leans away from A066: 14 mm along the wall make sure of a joint that would not be at design."""
    from asbuilt.compute.setting_out import advise

    found = advise(demo)
    assert demo.piles["pile_id"][found.pile].tolist() == ["A066"]
    assert found.along.tolist() == pytest.approx([-0.0138], abs=1e-4)
    assert (found.advised.tolist(), found.design_sure.tolist(), found.sure.tolist()) == ([True], [False], [True])
