"""The record of a run."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from datetime import UTC, datetime, timedelta, timezone
from types import SimpleNamespace

import numpy as np
import pytest

from asbuilt import __version__
from asbuilt.columns import LAYERS
from asbuilt.model import InputFile, Layer
from asbuilt.output.record import file_sha256, ledger_head, write_run_record

SHA = "0" * 64
STARTED = datetime(2025, 5, 16, 18, 0, 5, 123456, tzinfo=timezone(timedelta(hours=2)))


def result(ledger_rows=()):
    """Return as much of a result as the record reads."""
    rows = {"tool_version": "0.0.0", "version of python": "3.11.7", "version of numpy": "2.4.6", "sha256 of x": SHA}
    files = (
        InputFile(path="design/piles.csv", table="design", rows=12, sha256=SHA),
        InputFile(path="pickups/süd.csv", table="pickups", rows=40, sha256=SHA[::-1]),
    )
    table = {"key": np.array(list(rows), dtype=object), "value": np.array(list(rows.values()), dtype=object)}
    return SimpleNamespace(
        survey=SimpleNamespace(files=files, ledger_rows=ledger_rows, changed=("pickups/süd.csv",)),
        as_of=np.datetime64("2025-05-15T21:59:59", "s"),
        layers={"provenance": Layer(name="provenance", columns=table)},
    )


@pytest.fixture
def record(tmp_path):
    for name in ("schedule.csv", "asbuilt.gpkg"):
        (tmp_path / name).write_bytes(name.encode())
    outputs = [tmp_path / "schedule.csv", tmp_path / "asbuilt.gpkg"]
    write_run_record(tmp_path / "run.json", result=result(), outputs=outputs, started=STARTED, seconds=1.23456)
    return (tmp_path / "run.json").read_text(encoding="utf-8")


def test_it_holds_what_scripts_rely_on(record):
    assert json.loads(record) == {
        "format": 1,
        "tool_version": __version__,
        "run_at": "2025-05-16T16:00:05Z",
        "seconds": 1.235,
        "as_of": "2025-05-15T21:59:59.000Z",
        "versions": {"python": "3.11.7", "numpy": "2.4.6"},
        "ledger_head": None,
        "changed": ["pickups/süd.csv"],
        "inputs": [
            {"path": "design/piles.csv", "table": "design", "rows": 12, "sha256": SHA},
            {"path": "pickups/süd.csv", "table": "pickups", "rows": 40, "sha256": SHA[::-1]},
        ],
        "outputs": {name: hashlib.sha256(name.encode()).hexdigest() for name in ("schedule.csv", "asbuilt.gpkg")},
    }


def test_it_reads_line_by_line_in_sorted_order(record):
    keys = [line.split('"')[1] for line in record.splitlines() if line.startswith(' "')]
    assert keys == sorted(keys)
    assert "pickups/süd.csv" in record
    assert record.endswith("\n")


def test_the_hash_of_a_file_is_that_of_its_bytes(tmp_path):
    # FIPS 180-2, appendix B.1: the message "abc".
    (tmp_path / "x").write_bytes(b"abc")
    assert file_sha256(tmp_path / "x") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_the_head_of_the_ledger_is_the_hash_of_its_last_line(tmp_path):
    names = [column.name for column in LAYERS["ledger"].columns]
    lines = [["2025-05-01T08:00:00Z", "A", "load", "pickups/1.csv", SHA, "", 'said "yes", later', ""]] * 2
    lines[1] = [*lines[0][:3], "pickups/2.csv", *lines[0][4:]]
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([names, *lines])
    last = text.getvalue().splitlines()[-1]
    rows = [dict(zip(names, line, strict=True)) for line in lines]
    write_run_record(tmp_path / "run.json", result=result(rows), outputs=[], started=datetime.now(UTC), seconds=0.0)
    found = json.loads((tmp_path / "run.json").read_text(encoding="utf-8"))["ledger_head"]
    assert found == ledger_head(rows) == hashlib.sha256(last.encode()).hexdigest()
