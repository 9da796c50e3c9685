"""The PDF as a file: paper, fonts, properties, the same bytes from the same inputs."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pikepdf
import pytest

from asbuilt.errors import TargetError
from asbuilt.output.sheets.frame import PAPER

WRITE = """
import importlib.util, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("jobs", sys.argv[1])
jobs = importlib.util.module_from_spec(spec)
sys.modules["jobs"] = jobs
spec.loader.exec_module(jobs)
jobs.write_plan(Path(sys.argv[2]), jobs.build(40))
"""


@pytest.fixture
def write(plan_writer):
    """Write the deviation plan of a job and return its path."""

    def to(path, result):
        plan_writer(path, result)
        return path

    return to


@pytest.mark.parametrize("paper", PAPER)
def test_paper_has_the_size_of_iso_216(paper, page_of):
    # ISO 216:2007, trimmed sizes, from memory; landscape.
    size = {"A4": (297, 210), "A3": (420, 297), "A2": (594, 420), "A1": (841, 594), "A0": (1189, 841)}[paper]
    page = page_of(20, closed=False, paper=paper)
    assert (page.width, page.height) == pytest.approx(size, abs=0.5)


def test_properties_name_job_tool_and_as_of(job, write, tmp_path):
    name = "The very long name of an invented waterside pumping station, shafts north and south, contract 12-B"
    with pikepdf.open(write(tmp_path / "a.pdf", job(20, name=f'"{name}"'))) as pdf:
        info = {key: str(value) for key, value in pdf.docinfo.items()}
    assert info["/Title"] == f"{name}: as-built sheets"
    assert info["/Creator"] == "asbuilt 0.1.0"
    assert info["/CreationDate"] == info["/ModDate"] == "D:20250304173000Z"
    assert info["/Keywords"] == "inputs sha256 " + "ab12" * 16


def test_one_font_is_embedded_as_truetype(job, write, tmp_path):
    with pikepdf.open(write(tmp_path / "a.pdf", job(30))) as pdf:
        fonts = list(pdf.pages[0].Resources.Font.values())
        (font,) = fonts
        inner = font.DescendantFonts[0]
        assert (str(font.Subtype), str(inner.Subtype)) == ("/Type0", "/CIDFontType2")
        assert "/FontFile2" in inner.FontDescriptor
        assert "/ToUnicode" in font


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler's pdftotext")
def test_text_can_be_extracted(job, write, tmp_path):
    path = write(tmp_path / "a.pdf", job(30))
    text = subprocess.run(["pdftotext", str(path), "-"], capture_output=True, check=True, text=True).stdout  # noqa: S607
    assert "Deviation plan at cut-off" in text
    assert "Not a permit to dig." in text


def test_another_process_writes_the_same_bytes(job, write, tmp_path):
    path = tmp_path / "other.pdf"
    jobs = str(Path(__file__).with_name("conftest.py"))
    environment = {**os.environ, "PYTHONHASHSEED": "7", "PYTHONPATH": str(Path(__file__).parents[2])}
    subprocess.run([sys.executable, "-c", WRITE, jobs, str(path)], check=True, env=environment)
    assert (
        hashlib.sha256(path.read_bytes()).digest()
        == hashlib.sha256(write(tmp_path / "a.pdf", job(40)).read_bytes()).digest()
    )


def test_a_users_plot_settings_change_nothing(job, write, tmp_path):
    import matplotlib as mpl

    plain = write(tmp_path / "a.pdf", job(20)).read_bytes()
    with mpl.rc_context({"font.size": 33, "lines.scale_dashes": True, "savefig.bbox": "tight", "pdf.fonttype": 3}):
        assert write(tmp_path / "b.pdf", job(20)).read_bytes() == plain


@pytest.mark.parametrize("as_of", ["NaT", 0])
def test_a_job_without_dates_says_so_and_is_stamped_with_the_epoch(as_of, job, sheet_of, write, tmp_path):
    from dataclasses import replace

    result = replace(job(20, surveyed=False), as_of=np.datetime64(as_of, "ms"))
    assert "no dated input" in {t.text for t in sheet_of(result).texts}
    with pikepdf.open(write(tmp_path / "a.pdf", result)) as pdf:
        # Without a stamp the time of writing would stand there, and no two runs would be alike.
        assert str(pdf.docinfo["/CreationDate"]) == "D:19700101000000Z"


def test_a_target_that_cannot_be_written_is_named(job, write, tmp_path):
    with pytest.raises(TargetError, match=r"missing.sheets\.pdf"):
        write(tmp_path / "missing" / "sheets.pdf", job(20))
