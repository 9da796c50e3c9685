"""What a run writes, kind by kind: each writer is handed what it draws."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from asbuilt import __version__
from asbuilt.commands._shared import CAUTIONS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from asbuilt.commands._shared import Step
    from asbuilt.model import Reconciliation
    from asbuilt.views import Changes, Views

__all__ = ["OUTPUTS", "WORDS", "WRITERS", "Making"]

#: Kind of output and the file it goes to, in the order they are written.
OUTPUTS = {
    "geopackage": "asbuilt.gpkg",
    "schedule": "schedule.csv",
    "joints": "joints.csv",
    "sheets": "sheets.pdf",
    "review": "review.html",
}
WORDS = {
    "geopackage": "all layers and tables, for a GIS",
    "schedule": "one line for each pile",
    "joints": "one line for each joint",
    "sheets": "drawings to print, pages: {pages}",
    "review": "to look at in a browser: what stands in the way, where, how deep",
}


@dataclass(kw_only=True)
class Making:
    """One run's writing: what was found, and what one writer leaves for the next."""

    result: Reconciliation
    views: Views
    inputs: str
    """Hash over all inputs."""
    step: Step
    since: Changes | None = None
    pages: int = 0
    """Sheets that were drawn."""
    page_of: Mapping[str, int] = field(default_factory=dict)
    """Item to its sheet; empty while none is drawn."""


def _geopackage(path: Path, making: Making) -> None:
    from asbuilt.compute.grid import engineering_crs_wkt
    from asbuilt.output._description import describe, iso_xml
    from asbuilt.output.geopackage import write_geopackage

    result = making.result
    name = result.survey.settings.site.name
    crs_wkt = engineering_crs_wkt(name) if result.grid is None else result.grid.wkt
    place = "" if result.grid is None else f"Site grid tied to {result.grid.map_crs} {result.grid.tie}. "
    write_geopackage(
        path,
        result.layers.values(),
        crs_wkt=crs_wkt,
        as_of=result.as_of,
        title=name,
        description=f"{' '.join(CAUTIONS)} {place}Inputs sha256 {making.inputs}, asbuilt {__version__}.",
        metadata=iso_xml(describe(result, crs_wkt=crs_wkt, cautions=CAUTIONS)),
    )


def _schedule(path: Path, making: Making) -> None:
    from asbuilt.output.schedule import write_layer_csv

    limits = _confidence(making.result, "p_plan", "p_vertical", "p_encroach")
    changed = making.result.survey.changed
    write_layer_csv(path, making.result.layers["asbuilt_piles"], limits=limits, changed=changed)


def _joints(path: Path, making: Making) -> None:
    from asbuilt.output.schedule import write_layer_csv

    limits, changed = _confidence(making.result, "p_interlock"), making.result.survey.changed
    write_layer_csv(path, making.result.layers["joints"], limits=limits, changed=changed)


def _confidence(result: Reconciliation, *columns: str) -> dict[str, float]:
    return dict.fromkeys(columns, result.survey.settings.site.confidence)


def _sheets(path: Path, making: Making) -> None:
    from asbuilt.output.sheets.book import write_sheets
    from asbuilt.output.sheets.job import Job

    job = Job(result=making.result, views=making.views, paper=making.result.survey.settings.sheets.paper)
    book = write_sheets(path, job, tool_version=__version__, inputs_sha256=making.inputs, progress=making.step)
    making.pages, making.page_of = book.pages, book.page_of


def _review(path: Path, making: Making) -> None:
    from asbuilt.compute.axes import NO_AXIS_REACH_M
    from asbuilt.compute.ranking import gravest_first
    from asbuilt.output._cautions import AT_THE_PIT
    from asbuilt.output.record import ledger_head
    from asbuilt.output.review.data import PageInputs, review_data
    from asbuilt.output.review.page import write_review

    result = making.result
    given = PageInputs(
        tool_version=__version__,
        inputs_sha256=making.inputs,
        ledger_head=ledger_head(result.survey.ledger_rows),
        no_axis_reach=NO_AXIS_REACH_M,
        worst=gravest_first(result.piles, result.joints),
        cautions=(*CAUTIONS, *AT_THE_PIT),
        page_of=making.page_of,
        since=making.since,
    )
    write_review(path, review_data(result, making.views, given, progress=making.step))


WRITERS: Mapping[str, Callable[[Path, Making], None]] = {
    "geopackage": _geopackage,
    "schedule": _schedule,
    "joints": _joints,
    "sheets": _sheets,
    "review": _review,
}
