"""Bags: another reader agrees, the same payload gives the same bytes, and no change goes unseen."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import shutil
import stat
import struct
import subprocess
import sys
import warnings
import zipfile
from pathlib import Path

import numpy as np
import pytest

from asbuilt import __version__
from asbuilt.errors import TargetError
from asbuilt.output.bag import portable_name, portable_paths, verify_bag, write_bag

AS_OF = np.datetime64("2025-05-16T21:59:59", "s")
KILLER = Path(__file__).with_name("kill_the_bag.py")
TOP = "Yard-001"
PAYLOAD = {
    "READ ME FIRST.txt": b"read me\n",
    "inputs/pickups/s\u00fcd (2).csv": b"point,pile_id\n1,P1\n",
    "inputs/site.toml": b"[site]\n" * 40,
    "outputs/empty.csv": b"",
    "outputs/asbuilt.gpkg": bytes(range(256)) * 12,
}
INFO = {"Source-Organization": "Invented Surveys", "External-Description": "two\nlines  and blanks"}


def write(path, payload=PAYLOAD, name=TOP, as_of=AS_OF):
    write_bag(path, payload, name=name, info=INFO, as_of=as_of)
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return write(tmp_path_factory.mktemp("bag") / "a.zip")


def contents(path):
    with zipfile.ZipFile(path) as packed:
        return {info.filename: packed.read(info) for info in packed.infolist()}


def repacked(path, members, **more):
    """Write members as another tool would: compressed, dated today."""
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, **more) as packed:
        for name, data in members.items():
            packed.writestr(name, data)
    return path


# ---- what is written


def test_the_library_for_bags_finds_it_valid(made, tmp_path):
    import bagit

    shutil.unpack_archive(made, tmp_path)
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", category=DeprecationWarning, module="bagit")
        bag = bagit.Bag(str(tmp_path / TOP))
        assert bag.validate()
    assert bag.version_info == (1, 0)
    assert sorted(bag.algorithms) == ["sha256", "sha512"]
    assert {path.replace("\\", "/") for path in bag.payload_entries()} == {f"data/{path}" for path in PAYLOAD}


@pytest.mark.parametrize("manifest", ["manifest-sha256.txt", "tagmanifest-sha256.txt"])
def test_a_common_tool_checks_the_manifests(made, tmp_path, manifest):
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("no sha256sum here")
    shutil.unpack_archive(made, tmp_path)
    ran = subprocess.run([tool, "--check", "--strict", manifest], cwd=tmp_path / TOP, capture_output=True, text=True)
    lines = (tmp_path / TOP / manifest).read_text(encoding="utf-8").splitlines()
    assert (ran.returncode, ran.stdout.count(": OK")) == (0, len(lines)), ran.stderr


def test_bag_info_carries_what_was_given_and_what_is_counted(made):
    text = contents(made)[f"{TOP}/bag-info.txt"].decode()
    assert dict(line.split(": ", 1) for line in text.splitlines()) == {
        "Source-Organization": "Invented Surveys",
        "External-Description": "two lines and blanks",
        "Bagging-Date": "2025-05-16",
        "Bag-Software-Agent": f"asbuilt {__version__}",
        "Payload-Oxum": f"{sum(map(len, PAYLOAD.values()))}.{len(PAYLOAD)}",
    }


def test_it_declares_the_version_of_the_rfc(made):
    # RFC 8493, section 2.1.1: exactly these two lines.
    assert contents(made)[f"{TOP}/bagit.txt"] == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def test_manifest_lines_are_sums_of_the_bytes(made):
    text = contents(made)[f"{TOP}/manifest-sha512.txt"].decode()
    expected = {f"{hashlib.sha512(data).hexdigest()}  data/{path}" for path, data in PAYLOAD.items()}
    assert set(text.splitlines()) == expected


def test_the_payload_arrives_byte_for_byte(made):
    found = contents(made)
    assert {path: found[f"{TOP}/data/{path}"] for path in PAYLOAD} == PAYLOAD


def test_the_same_payload_gives_the_same_bytes_whatever_its_order(made, tmp_path):
    again = write(tmp_path / "b.zip", dict(reversed(PAYLOAD.items())))
    assert again.read_bytes() == made.read_bytes()


def test_every_member_has_the_as_of_time_and_one_mode(made):
    with zipfile.ZipFile(made) as packed:
        infos = packed.infolist()
    assert {(info.date_time, info.external_attr >> 16, info.compress_type) for info in infos} == {
        ((2025, 5, 16, 21, 59, 58), stat.S_IFREG | 0o644, zipfile.ZIP_STORED)
    }
    assert [info.filename for info in infos][:2] == [f"{TOP}/bag-info.txt", f"{TOP}/bagit.txt"]


def test_a_time_that_a_zip_cannot_hold_is_the_nearest_year(tmp_path):
    with zipfile.ZipFile(write(tmp_path / "a.zip", as_of=np.datetime64("1970-01-01"))) as packed:
        assert {info.date_time[0] for info in packed.infolist()} == {1980}


def test_a_file_that_is_there_is_not_replaced(tmp_path):
    path = tmp_path / "a.zip"
    path.write_bytes(b"kept")
    with pytest.raises(TargetError, match="is there already"):
        write(path)
    assert path.read_bytes() == b"kept"


def test_a_failure_leaves_nothing_behind(tmp_path, monkeypatch):
    def full(*_args, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(shutil, "copyfileobj", full)
    with pytest.raises(TargetError, match="the disk is full"):
        write(tmp_path / "sub" / "a.zip")
    assert list(tmp_path.iterdir()) == []


def test_a_scratch_disk_that_is_full_is_told_as_such(tmp_path, monkeypatch):
    def full(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    with pytest.raises(TargetError, match=r"among the temporary files.*0\.0 MB.*no space left.*TMPDIR"):
        write(tmp_path / "sub" / "a.zip")
    assert list(tmp_path.iterdir()) == []


def test_no_place_for_temporary_files_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path / "gone"))
    with pytest.raises(TargetError, match="among the temporary files, and that cannot be written"):
        write(tmp_path / "a.zip")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not hasattr(os, "fork"), reason="killed children are forked")
def test_killed_before_any_step_there_is_the_whole_bag_or_none(tmp_path):
    (tmp_path / "scratch").mkdir()
    (tmp_path / "bags").mkdir()
    ran = subprocess.run(
        [sys.executable, str(KILLER), str(tmp_path / "bags")],
        env={**os.environ, "TMPDIR": str(tmp_path / "scratch")},
        capture_output=True,
        text=True,
    )
    kills = json.loads(ran.stdout)
    assert ran.stderr == ""
    assert sum(one["killed"] for one in kills) == len(kills) - 1 >= 40
    assert {one["before"] for one in kills} == {"missing", "whole"}
    assert [one for one in kills if one["after"] != "whole"] == []
    # the name of a lock may stay: the system drops the lock itself
    assert {name for one in kills for name in one["left"]} <= {"a.zip", ".asbuilt-a.zip.lock"}


def test_nothing_is_logged_or_warned_of(tmp_path, caplog, capfd):
    write(tmp_path / "a.zip")
    assert (caplog.records, capfd.readouterr()) == ([], ("", ""))


@pytest.mark.parametrize("path", ["../a.csv", "a//b.csv", "50%.csv", "a\\b.csv", "CON.txt", "a\nb.csv"])
def test_a_path_that_is_not_portable_is_refused(tmp_path, path):
    with pytest.raises(ValueError, match="not portable"):
        write(tmp_path / "a.zip", {path: b""})


# ---- names


@pytest.mark.parametrize(
    ("name", "portable"),
    [
        ("2025-03-05.csv", "2025-03-05.csv"),
        ("s\u00fcd (2).csv", "s\u00fcd (2).csv"),
        ("50%25.csv", "50_25.csv"),
        ("a\u2028b.csv", "a_b.csv"),
        ("bad\udcff.csv", "bad_.csv"),
        (" blank. ", "_blank__"),
        ("..", "__"),
        ("nul.txt", "_nul.txt"),
        ("", "_"),
        ("x" * 300 + ".csv", "x" * 196 + ".csv"),
    ],
)
def test_a_name_becomes_one_that_every_system_can_have(name, portable):
    assert portable_name(name) == portable
    assert portable_name(portable) == portable


def test_names_that_some_systems_take_for_the_same_get_a_number():
    found = portable_paths(["a/P?.csv", "a/p_.CSV", "a/u\u0308", "a/\u00fc", "b/P_.csv"])
    assert found == {
        "a/P?.csv": "a/P_ (2).csv",
        "a/p_.CSV": "a/p_.CSV",
        "a/u\u0308": "a/u\u0308",
        "a/\u00fc": "a/\u00fc (2)",
        "b/P_.csv": "b/P_.csv",
    }


# ---- what is found


def test_a_bag_as_written_is_in_order(made):
    assert verify_bag(made) == []


def test_a_bag_that_another_tool_packed_is_in_order(made, tmp_path):
    assert verify_bag(repacked(tmp_path / "b.zip", contents(made))) == []


def test_a_bag_packed_as_a_stream_is_in_order(made, tmp_path):
    class Pipe(io.RawIOBase):
        """A target that cannot be gone back in, so that sizes follow the members."""

        def __init__(self, stream):
            self.stream = stream

        def writable(self):
            return True

        def write(self, data):
            return self.stream.write(data)

    with (tmp_path / "b.zip").open("wb") as stream:
        repacked(Pipe(stream), contents(made))
    with zipfile.ZipFile(tmp_path / "b.zip") as packed:
        assert all(info.flag_bits & 8 for info in packed.infolist())
    assert verify_bag(tmp_path / "b.zip") == []


def data_spans(path):
    """Return where the bytes of each member lie in the zip."""
    with zipfile.ZipFile(path) as packed, path.open("rb") as stream:
        for info in packed.infolist():
            stream.seek(info.header_offset + 26)
            start = info.header_offset + 30 + sum(struct.unpack("<HH", stream.read(4)))
            yield info.filename, start, start + info.file_size


def changed(made, path, place, value):
    data = bytearray(made.read_bytes())
    data[place] ^= value
    path.write_bytes(data)
    return path


def test_every_changed_byte_of_a_covered_file_is_found_and_the_file_is_named(made, tmp_path):
    rng = np.random.default_rng(20250516)
    for name, start, end in data_spans(made):
        for place in rng.integers(start, end, size=min(60, end - start)).tolist():
            found = verify_bag(changed(made, tmp_path / "b.zip", place, int(rng.integers(1, 256))))
            assert found, (name, place)
            assert any(name.partition("/")[2] in line for line in found), (name, place, found)


def test_a_changed_byte_anywhere_is_found_or_leaves_every_file_as_it_was(made, tmp_path):
    rng = np.random.default_rng(5)
    before, size = contents(made), made.stat().st_size
    unseen = 0
    for place in rng.integers(0, size, size=1500).tolist():
        path = changed(made, tmp_path / "b.zip", place, 1 << int(rng.integers(0, 8)))
        if not verify_bag(path):
            assert contents(path) == before, place
            unseen += 1
    # Times, modes and versions in the heads of members.
    assert unseen < 300


#: Places in the head of a member of what tells a reader how to unpack it: packing, check value, sizes.
TELLING = (8, 14, 18, 22)


def test_a_head_that_differs_from_the_table_of_contents_is_found_and_the_file_is_named(made, tmp_path):
    """Some readers go by the one, some by the other."""
    with zipfile.ZipFile(made) as packed:
        heads = [(info.filename, info.header_offset) for info in packed.infolist()]
    for name, head in heads:
        for place in TELLING:
            found = verify_bag(changed(made, tmp_path / "b.zip", head + place, 1))
            assert any(line.startswith(f"{name}: its head and the zip's table") for line in found), (name, place)


@pytest.mark.parametrize("place", range(4, 12))
def test_an_end_that_counts_other_files_is_found(made, tmp_path, place):
    found = verify_bag(changed(made, tmp_path / "b.zip", made.stat().st_size - 22 + place, 1))
    assert any(line.startswith("the zip's end does not say that it is the end of one zip") for line in found)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.9, 0.999])
def test_a_file_cut_short_is_no_bag(made, tmp_path, share):
    data = made.read_bytes()
    (tmp_path / "b.zip").write_bytes(data[: int(share * len(data))])
    (line,) = verify_bag(tmp_path / "b.zip")
    assert line.startswith("not a zip file, or a damaged one")


@pytest.mark.parametrize("more", [b"x", b"PK\x03\x04 a hidden file"])
def test_bytes_that_belong_to_no_member_are_found(made, tmp_path, more):
    (tmp_path / "before.zip").write_bytes(more + made.read_bytes())
    (tmp_path / "after.zip").write_bytes(made.read_bytes() + more)
    for name in ("before.zip", "after.zip"):
        assert any("belong to no file" in line for line in verify_bag(tmp_path / name)), name


def without(members, name):
    return {path: data for path, data in members.items() if path != f"{TOP}/{name}"}


def with_text(members, name, old, new):
    text = members[f"{TOP}/{name}"].decode()
    assert old in text
    return {**members, f"{TOP}/{name}": text.replace(old, new).encode()}


def resealed(members):
    """Make the tag manifests anew, as someone would who changes a bag on purpose."""
    tags = [p for p in members if not p.startswith((f"{TOP}/data/", f"{TOP}/tagmanifest-"))]
    sums = {
        f"{TOP}/tagmanifest-{a}.txt": "".join(
            f"{hashlib.new(a, members[p]).hexdigest()}  {p.partition('/')[2]}\n" for p in tags
        ).encode()
        for a in ("sha256", "sha512")
    }
    return {**members, **sums}


CHANGES = {
    "a payload file removed": (
        lambda m: without(m, "data/inputs/site.toml"),
        "data/inputs/site.toml: listed in manifest-sha256.txt, and is missing",
    ),
    "a payload file added": (
        lambda m: {**m, f"{TOP}/data/new.csv": b"x"},
        "data/new.csv: not listed in manifest-sha256.txt",
    ),
    "a tag file added": (lambda m: {**m, f"{TOP}/notes.txt": b"x"}, "notes.txt: not listed in tagmanifest-sha256.txt"),
    "a file that is called like a tag manifest": (
        lambda m: {**m, f"{TOP}/tagmanifest-x/y.txt": b"x"},
        "tagmanifest-x/y.txt: not listed in tagmanifest-sha256.txt",
    ),
    "a manifest removed": (
        lambda m: without(m, "manifest-sha512.txt"),
        "manifest-sha512.txt: listed in tagmanifest-sha256.txt, and is missing",
    ),
    "a tag manifest removed": (lambda m: without(m, "tagmanifest-sha256.txt"), "tagmanifest-sha256.txt: missing"),
    "the declaration removed": (lambda m: without(m, "bagit.txt"), "bagit.txt: missing"),
    "a payload file in one manifest only": (
        lambda m: resealed(with_text(m, "manifest-sha512.txt", "data/outputs/empty.csv", "data/outputs/full.csv")),
        "data/outputs/empty.csv: not listed in manifest-sha512.txt",
    ),
    "another count": (
        lambda m: resealed(with_text(m, "bag-info.txt", f".{len(PAYLOAD)}\n", ".9\n")),
        f"bag-info.txt: Payload-Oxum 3379.9, but the payload has 3379.{len(PAYLOAD)} (bytes.files)",
    ),
    "another version": (
        lambda m: resealed(with_text(m, "bagit.txt", "1.0", "7.0")),
        "bagit.txt: version '7.0', expected 1.0 or 0.97",
    ),
    "another encoding": (
        lambda m: resealed(with_text(m, "bagit.txt", "UTF-8", "UTF-16")),
        "bagit.txt: encoding 'UTF-16', expected UTF-8",
    ),
    "a file listed twice": (
        lambda m: resealed({**m, f"{TOP}/manifest-sha256.txt": m[f"{TOP}/manifest-sha256.txt"] * 2}),
        "manifest-sha256.txt:6: data/READ ME FIRST.txt is listed twice",
    ),
    "a line that is no checksum": (
        lambda m: resealed(with_text(m, "manifest-sha256.txt", "  data/outputs/empty", "0  data/outputs/empty")),
        "manifest-sha256.txt:5: not a checksum and a path",
    ),
    "weak checksums only": (
        lambda m: resealed(without(without(m, "manifest-sha256.txt"), "manifest-sha512.txt")),
        "no manifest of sha256 or sha512: nothing says what the files were",
    ),
    "parts elsewhere": (
        lambda m: resealed({**m, f"{TOP}/fetch.txt": b"http://a.invalid/x 1 data/x\n"}),
        "fetch.txt: parts of the bag are to be fetched from elsewhere; they are not checked",
    ),
    "a name twice but for case": (
        lambda m: {**m, f"{TOP}/data/inputs/SITE.toml": b"x"},
        "data/inputs/SITE.toml: there are two files of this name, or of one that differs in case alone",
    ),
    "two folders at the top": (lambda m: {**m, "Other/a.txt": b""}, "not one folder at the top of the zip, but 2"),
    "a file beside the folder": (lambda m: {**m, "a.txt": b""}, "a.txt: outside the bag's folder"),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_change_is_named(made, tmp_path, change):
    apply, line = CHANGES[change]
    assert line in verify_bag(repacked(tmp_path / "b.zip", apply(contents(made))))


@pytest.mark.parametrize(
    "name", ["/etc/x", "../x", f"{TOP}/../x", f"{TOP}/data/./x", f"{TOP}//x", f"{TOP}\\x", "C:/x", f"{TOP}/a\x01b"]
)
def test_a_name_that_leads_elsewhere_is_refused(made, tmp_path, name):
    (line,) = verify_bag(repacked(tmp_path / "b.zip", {**contents(made), name: b"x"}))
    assert re.search("leads out of the bag|signs that cannot be seen", line)


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR])
def test_a_link_and_what_is_no_file_is_refused(made, tmp_path, kind):
    shutil.copyfile(made, tmp_path / "b.zip")
    with zipfile.ZipFile(tmp_path / "b.zip", "a") as packed:
        link = zipfile.ZipInfo(f"{TOP}/data/link")
        link.create_system, link.external_attr = 3, (kind | 0o777) << 16
        packed.writestr(link, "/etc/passwd")
    assert verify_bag(tmp_path / "b.zip") == [f"{TOP}/data/link: a link, or something else that is no file"]


def test_a_folder_in_the_zip_is_no_fault(made, tmp_path):
    assert verify_bag(repacked(tmp_path / "b.zip", {f"{TOP}/": b"", f"{TOP}/data/": b"", **contents(made)})) == []


def test_a_zip_that_is_no_bag_says_so(tmp_path):
    found = verify_bag(repacked(tmp_path / "b.zip", {"a/x.txt": b"x"}))
    assert "bagit.txt: missing" in found


def test_nothing_is_unpacked(made, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    verify_bag(made)
    assert list(tmp_path.iterdir()) == []
