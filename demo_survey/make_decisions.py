"""Make the demo's decisions.csv: each decision is bound to what was known in the moment it was made in. All invented.

Run ``python demo_survey/make_decisions.py`` after ``make_demo.py``. Unlike that one it needs the tool: what a decision
is bound to is a hash that the tool works out.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from asbuilt.compute.figures import figures_of, figures_text
from asbuilt.intake.decisions import appended
from asbuilt.intake.survey import read_survey
from asbuilt.reconcile import reconcile

HERE = Path(__file__).parent

#: When (UTC), item, effect, down to, until, reason, reference; in the order of the file.
DECISIONS = (
    ("2024-09-28T16:00", "A006~A007", "accept", "0.5", "", "dig 1 stays above the lean's reach", "NC-01"),
    ("2024-10-08T16:10", "A117~A118", "accept", "", "", "short by less than the survey can tell", "NC-02"),
    ("2024-10-09T08:00", "A036", "hold", "", "buttress redesigned", "face inside the clear outline", ""),
    ("2024-10-11T17:00", "A087~A089", "accept", "", "", "A088X behind it closes the gap", "NC-03"),
    ("2024-10-11T17:05", "A012~A013", "accept", "-4.0", "", "lost below dig 2; grouted before the last dig", "NC-04"),
    ("2024-10-11T17:10", "A050", "accept", "", "", "toe seen in the driller's book, record to follow", "NC-05"),
    ("2024-10-11T17:15", "A023~A024", "hold", "", "cored at -8.00", "a better survey decides it", "NC-06"),
    ("2024-10-11T17:20", "A036", "withdraw", "", "", "the lining was moved, see its revision", "NC-07"),
    ("2024-10-11T17:25", "repeated_pile:A070", "accept", "", "", "the first shot hit the reinforcement", ""),
)


def decisions(folder: Path) -> bytes:
    """Return decisions.csv of the survey in ``folder``."""
    survey = read_survey(folder)
    rows = []
    for at, item, effect, down_to, until, reason, reference in DECISIONS:
        then = reconcile(survey, as_of=np.datetime64(at, "ms"))
        rows.append(
            {
                "at": f"{np.datetime_as_string(np.datetime64(at, 'ms'))}Z",
                "by": "Engineer 1",
                "item": item,
                "effect": effect,
                "down_to_level": down_to,
                "until": until,
                "reason": reason,
                "reference": reference,
                "evidence_sha256": then.evidence(item) or "",
                "figures": figures_text(figures_of(item, then.piles, then.joints)),
            }
        )
    return appended(None, rows)


def main() -> None:
    """Write the file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--to", type=Path, default=HERE, metavar="DIR", help="where it goes; default: this folder")
    place = parser.parse_args().to / "decisions.csv"
    place.write_bytes(decisions(HERE))


if __name__ == "__main__":
    main()
