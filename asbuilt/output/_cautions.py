"""The cautions in full, as a sheet that is signed and the review page carry them."""

from __future__ import annotations

__all__ = ["AT_THE_PIT", "FULL_CAUTIONS"]

AT_THE_PIT = (
    (
        "In water-bearing ground dig no lower than the level released. Leak-response means stand ready. "
        "A leak that carries fines is an emergency."
    ),
    "Readings are taken outside the exclusion zone of the rig, with rotation stopped.",
    "Suggestions (an id, a set-out shift, a mast correction) need a person's confirmation, and are recorded.",
)
"""What is to be kept in mind beside what every answer about a wall carries."""

FULL_CAUTIONS = (
    (
        "Geometry only: this says nothing of stability, strength, watertightness, base heave or ground movement. "
        "It is not a permit: excavation needs the release of the responsible engineer, under local codes."
    ),
    "Below the last reading positions are predicted. Full overlap can leak too (inclusions, cold joints).",
    "Missing data is not acceptable data.",
    *AT_THE_PIT,
)
"""The cautions of a sheet that is signed."""
