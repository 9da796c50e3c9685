"""``asbuilt withdraw``: takes a load, or one pile of it, out of use; nothing is removed."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from asbuilt.commands._shared import folder_argument, json_option, print_json, print_lines, progress_on, wrapped
from asbuilt.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from asbuilt.model import Reconciliation, Survey

__all__ = ["Withdrawn", "command", "find_file", "withdrawn"]

_MOST = 60


@dataclass(frozen=True, kw_only=True)
class Withdrawn:
    """What a withdrawal takes out of use: rows, the piles they name, and piles and joints that have no verdict left.

    ``not_surveyed`` are piles, ``joints_not_surveyed`` joints, that were surveyed before; ``others`` counts the piles
    whose verdict or centre is another now.
    """

    file: str
    pile: str | None
    rows: int
    piles: tuple[str, ...]
    not_surveyed: tuple[str, ...]
    joints_not_surveyed: tuple[str, ...]
    verdicts: tuple[tuple[str, str, str], ...]


@click.command(
    epilog="""\b
Exit codes: 0 withdrawn, 2 bad usage or bad input; then nothing is written

\b
Example:
  asbuilt withdraw wall_A 2025-03-05.csv --pile P4 --by Ann --reason "not P4"
"""
)
@folder_argument
@click.argument("file", metavar="FILE")
@click.option("--pile", metavar="ID", help="Only the rows of this pile.")
@click.option("--by", metavar="NAME", required=True, help="Who withdraws it.")
@click.option("--reason", metavar="TEXT", required=True, help="Why.")
@json_option
def command(folder: Path, file: str, *, pile: str | None, by: str, reason: str, as_json: bool) -> None:
    """Take a load, or one pile of it, out of use.

    FILE is a load in the survey folder DIR, by its path there or its name alone. It stays where it is, and its rows
    stay in every list, marked as withdrawn; a line in the ledger says by whom, and why.
    """
    from asbuilt.commands.load import one_line, say
    from asbuilt.intake.ledger import taking_in
    from asbuilt.intake.survey import read_survey

    name, why = one_line(by, "--by"), one_line(reason, "--reason")
    assert name is not None  # noqa: S101  # both are required
    assert why is not None  # noqa: S101
    with progress_on() as step:
        survey = read_survey(folder, progress=step)
        path = find_file(survey, folder, file)
        _check(survey, path, pile)
        step("reconciling")
        found = withdrawn(survey, path, pile=pile, text=f"withdrawn by {name}: {why}")
        with taking_in(folder, by=name, told=say) as entry:
            entry.note(path, action="withdraw", options=None if pile is None else {"pile": pile}, note=why)
    if as_json:
        print_json(_object(found, by=name, reason=why))
    else:
        print_lines(_lines(found, survey.settings.site.name, folder))


def find_file(survey: Survey, folder: Path, given: str) -> str:
    """Return the path in the folder of the load that ``given`` names; raises UsageError with what is near it."""
    from asbuilt.intake.sources import LOADS

    paths = [file.path for file in survey.files if file.table in LOADS]
    wanted = given.replace("\\", "/").removeprefix("./")
    if wanted in paths:
        return wanted
    inside = _inside(folder, given)
    if inside in paths:
        return inside
    same = [path for path in paths if path.rpartition("/")[2] == wanted]
    if len(same) == 1:
        return same[0]
    if same:
        raise UsageError(f"{given}: there are {' and '.join(same)}; give its path in the folder")
    near = difflib.get_close_matches(wanted, [*paths, *(path.rpartition("/")[2] for path in paths)], n=1, cutoff=0.5)
    meant = f", the nearest is {near[0]}" if near else ""
    raise UsageError(f"no load {given!r} in {folder}{meant}")


def _inside(folder: Path, given: str) -> str:
    """Return a path that a shell completed as one in the folder; "" where it is not."""
    try:
        return Path(given).resolve().relative_to(folder.resolve()).as_posix()
    except (OSError, ValueError):
        return ""


def _check(survey: Survey, path: str, pile: str | None) -> None:
    """Raise UsageError where there is no such pile in the file, or nothing left to withdraw."""
    place = next(number for number, file in enumerate(survey.files) if file.path == path)
    for one in survey.withdrawals:
        if one.file == place and one.pile < 0:
            raise UsageError(f"{path} is not in use: {one.text}")
    if pile is None:
        return
    table = getattr(survey, survey.files[place].table)
    ids = sorted({name for name in table["pile_id"][table.file == place].tolist() if name is not None})
    if pile not in ids:
        near = difflib.get_close_matches(pile, ids, n=1, cutoff=0.5)
        meant = f", the nearest is {near[0]}" if near else ""
        raise UsageError(f"{path} has no pile {pile!r}{meant}")
    for one in survey.withdrawals:
        if one.file == place and survey.design["pile_id"][one.pile] == pile:
            raise UsageError(f"{pile} of {path} is not in use: {one.text}")


def withdrawn(survey: Survey, path: str, *, pile: str | None, text: str) -> Withdrawn:
    """Return what a withdrawal takes out of use.

    Parameters
    ----------
    survey
        The folder as it is.
    path, pile
        The load, and the one pile of it; None: all of it.
    text
        Who withdraws it, and why.
    """
    from dataclasses import replace

    import numpy as np

    from asbuilt.model import Withdrawal
    from asbuilt.reconcile import reconcile

    place = next(number for number, file in enumerate(survey.files) if file.path == path)
    design: list[str] = survey.design["pile_id"].tolist()
    before = reconcile(survey)
    # Dated like the newest input, so that both are as of the same moment.
    one = Withdrawal(file=place, pile=-1 if pile is None else design.index(pile), at=before.as_of, text=text)
    after = reconcile(replace(survey, withdrawals=(*survey.withdrawals, one)), as_of=before.as_of)
    table = getattr(survey, survey.files[place].table)
    rows = table.file == place
    if pile is not None:
        rows &= table["pile_id"] == pile
    named = set(np.unique(table.pile[rows]).tolist())
    lost = np.isnan(after.centres.e) & ~np.isnan(before.centres.e)
    changed = tuple(_changed(before, after))
    return Withdrawn(
        file=path,
        pile=pile,
        rows=int(np.count_nonzero(rows)),
        piles=tuple(name for number, name in enumerate(design) if number in named),
        not_surveyed=tuple(np.array(design, dtype=object)[lost].tolist()),
        joints_not_surveyed=tuple(item for item, _, now in changed if "~" in item and now == "not surveyed"),
        verdicts=changed,
    )


def _changed(before: Reconciliation, after: Reconciliation) -> Iterator[tuple[str, str, str]]:
    """Yield the piles, then the joints, whose verdict is another, with both."""
    from asbuilt.columns import VERDICTS

    for old, new, name in ((before.piles, after.piles, "pile_id"), (before.joints, after.joints, "joint_id")):
        for item, was, now in zip(old[name].tolist(), old["verdict"].tolist(), new["verdict"].tolist(), strict=True):
            if was != now:
                yield item, VERDICTS[was] if was >= 0 else "none", VERDICTS[now] if now >= 0 else "none"


def _object(found: Withdrawn, *, by: str, reason: str) -> dict[str, Any]:
    return {
        "file": found.file,
        "pile": found.pile,
        "by": by,
        "reason": reason,
        "rows": found.rows,
        "piles": list(found.piles),
        "not_surveyed": list(found.not_surveyed),
        "joints_not_surveyed": list(found.joints_not_surveyed),
        "verdicts": [{"item": item, "before": was, "after": now} for item, was, now in found.verdicts],
    }


def _lines(found: Withdrawn, site: str, folder: Path) -> Iterator[str]:
    yield from wrapped(site)
    count = "1 row no longer counts" if found.rows == 1 else f"{found.rows} rows no longer count"
    yield from wrapped(f"Withdrawn: {found.file}, {f'pile {found.pile}' if found.pile else 'all of it'}")
    yield from wrapped(
        f"{count}. Nothing was removed: the file stays, and its rows stay in every list, marked as withdrawn."
    )
    yield ""
    yield from _names("Piles named there", found.piles)
    yield from _names("Piles now not surveyed", found.not_surveyed)
    yield from _names("Joints now not surveyed", found.joints_not_surveyed)
    others = [f"{item} {was} -> {now}" for item, was, now in found.verdicts if now != "not surveyed"]
    yield from _names("Other verdicts that change", others, between="; ")
    yield ""
    yield from wrapped(f"Next: asbuilt run {folder}")


def _names(what: str, names: tuple[str, ...] | list[str], *, between: str = ", ") -> Iterator[str]:
    if not names:
        yield f"{what}: none"
        return
    more = f"{between}and {len(names) - _MOST} more" if len(names) > _MOST else ""
    listed = between.join(name.replace(" ", "\u00a0") for name in names[:_MOST])
    yield from (line.replace("\u00a0", " ") for line in wrapped(f"{what} ({len(names)}): {listed}{more}", rest="  "))
