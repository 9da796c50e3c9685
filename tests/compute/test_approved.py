"""Whose centres were approved, by whom, and when: the newest line of a pile, of those known."""

from __future__ import annotations

import numpy as np
from builders import Site, site_file, straight_wall, to_survey

from asbuilt.compute.approved import approved_centres
from asbuilt.reconcile import reconcile


def approved(rows, **asked):
    site = Site(toml=site_file(), design=straight_wall(3), set_out=rows)
    return approved_centres(reconcile(to_survey(site), **asked))


def row(pile, by, at):
    return {"pile_id": pile, "easting": 0.76, "northing": 0.0, "approved_by": by, "at": at}


def test_the_newest_line_of_a_pile_counts():
    found = approved([row("P2", "B. Engineer", "2025-03-04"), row("P2", "A. Engineer", "2025-03-01")])
    assert found.there.tolist() == [False, True, False]
    assert found.by.tolist() == ["", "B. Engineer", ""]
    assert found.at[1] == np.datetime64("2025-03-04", "ms")
    assert np.isnat(found.at[0])


def test_what_was_not_approved_yet_does_not_count():
    found = approved([row("P2", "A. Engineer", "2025-03-04")], as_of=np.datetime64("2025-03-03", "ms"))
    assert not found.there.any()


def test_the_line_that_counts_is_told():
    found = approved([row("P2", "B. Engineer", "2025-03-04"), row("P2", "A. Engineer", "2025-03-01")])
    first, second, third = found.where.tolist()
    assert (first, third) == ("", "")
    assert second.endswith(".csv:2")
