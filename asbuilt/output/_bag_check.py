"""The check of a zipped bag: the container, the names in it, the manifests, the bytes."""

from __future__ import annotations

import hashlib
import re
import stat
import struct
import unicodedata
import zipfile
import zlib
from typing import IO, TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

__all__ = ["check_bag"]

#: Checked where a bag has a manifest of them. One of the first two must be there: the others are broken.
_ALGORITHMS = ("sha256", "sha512", "sha1", "md5")
_SOUND = _ALGORITHMS[:2]
_VERSIONS = ("1.0", "0.97")
#: More than any tag file of a survey can have; nothing longer is read into memory.
_LONGEST_TAG_FILE = 64 << 20
_BLOCK = 1 << 20
#: Lengths of the record at the end of a zip, and of the one before it in a large zip.
_END, _LOCATOR = 22, 20
_ENCRYPTED, _DESCRIPTOR = 0x1, 0x8
#: Flags that tell how content or name are to be read: encrypted, sizes follow, name in UTF-8.
_TELLING = _ENCRYPTED | _DESCRIPTOR | 0x800
_MANIFEST = re.compile(r"(tag)?manifest-([A-Za-z0-9_-]+)\.txt")
_ENTRY = re.compile(r"([0-9A-Fa-f]+)[ \t]+\*?(.+)")
_ESCAPES = {"%0a": "\n", "%0d": "\r", "%25": "%"}
_OXUM = re.compile(r"(\d{1,18})\.(\d{1,18})")
#: All that reading a damaged zip has been seen to raise, or its parts can.
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    struct.error,
    EOFError,
    NotImplementedError,  # raised by zipfile, for a packing or a version that it does not know
    RuntimeError,
    ValueError,
    OverflowError,
    LookupError,
    OSError,
    MemoryError,
)

Members = dict[str, zipfile.ZipInfo]


class _Broken(Exception):  # noqa: N818 - never leaves this module
    """What is wrong is so wrong that nothing further can be told."""


def check_bag(stream: IO[bytes], *, size: int) -> list[str]:
    """Return what is wrong with the zipped bag in ``stream``, which has ``size`` bytes."""
    problems: list[str] = []
    try:
        packed = zipfile.ZipFile(stream)
    except _DAMAGE as error:
        return [f"not a zip file, or a damaged one: {_reason(error)}"]
    with packed:
        try:
            members = _members(packed, problems)
            problems.extend(_unaccounted(stream, packed, size=size))
            _Check(packed, members, problems).whole()
        except _Broken as broken:
            problems.append(str(broken))
    return problems


def _reason(error: BaseException) -> str:
    return str(error) or type(error).__name__


def _members(packed: zipfile.ZipFile, problems: list[str]) -> Members:
    """Return the files of the zip by their path in the bag; raises when a name or a kind cannot be trusted."""
    found: Members = {}
    tops: set[str] = set()
    unsafe: list[str] = []
    alike: set[str] = set()
    for entry in packed.infolist():
        # The name as it stands in the file, not as this system would read it.
        name = entry.orig_filename
        why = _unsafe(entry)
        if why:
            unsafe.append(f"{_shown(name)}: {why}")
            continue
        top, _, rest = name.partition("/")
        tops.add(top)
        if name.endswith("/"):
            continue
        if not rest:
            unsafe.append(f"{_shown(name)}: outside the bag's folder")
            continue
        key = unicodedata.normalize("NFC", rest).casefold()
        if key in alike:
            problems.append(f"{_shown(rest)}: there are two files of this name, or of one that differs in case alone")
        alike.add(key)
        found[rest] = entry
    if unsafe:
        raise _Broken("; ".join(unsafe[:20]))
    if len(tops) != 1:
        raise _Broken(f"not one folder at the top of the zip, but {len(tops)}")
    return found


def _unsafe(entry: zipfile.ZipInfo) -> str:
    """Return why a member cannot be trusted, "" when it can."""
    name, mode = entry.orig_filename, entry.external_attr >> 16
    parts = name.removesuffix("/").split("/")
    kind = stat.S_IFMT(mode)
    folder = name.endswith("/")
    if name.startswith("/") or "\\" in name or re.match(r"[A-Za-z]:", name) or {"", ".", ".."} & set(parts):
        return "its path leads out of the bag, or is written so that it could"
    if any(unicodedata.category(sign) in ("Cc", "Cs") for sign in name):
        return "its name holds signs that cannot be seen"
    if kind not in (0, stat.S_IFDIR if folder else stat.S_IFREG):
        return "a link, or something else that is no file"
    if folder and entry.file_size:
        return "a folder with content"
    if entry.flag_bits & _ENCRYPTED:
        return "encrypted"
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        return "packed in a way that is not known here"
    return ""


def _is_tag_manifest(name: str) -> bool:
    match = _MANIFEST.fullmatch(name)
    return match is not None and match[1] is not None


def _shown(name: str) -> str:
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in name[:200])


def _unaccounted(stream: IO[bytes], packed: zipfile.ZipFile, *, size: int) -> Iterator[str]:
    """Yield where the zip holds bytes that belong to no member, in which a file could be hidden from the manifests."""
    place = 0
    for entry in sorted(packed.infolist(), key=lambda entry: entry.header_offset):
        # A damaged offset can point before the start of the file.
        stream.seek(max(entry.header_offset, 0))
        header = stream.read(30)
        if len(header) < 30 or header[:4] != b"PK\x03\x04" or entry.header_offset < place:
            raise _Broken(f"{_shown(entry.orig_filename)}: its head in the zip is damaged")
        differing = _differing(header, entry)
        if differing:
            what = "its head and the zip's table of contents differ in"
            yield f"{_shown(entry.orig_filename)}: {what} {', '.join(differing)}"
        if entry.header_offset > place:
            yield f"{entry.header_offset - place} bytes before {_shown(entry.orig_filename)} belong to no file"
        name, extra = struct.unpack("<HH", header[26:30])
        place = entry.header_offset + 30 + name + extra + entry.compress_size
        if entry.flag_bits & _DESCRIPTOR:
            stream.seek(place)
            place += _descriptor(stream.read(24), entry)
    if packed.start_dir < place:
        raise _Broken("the zip's table of contents is damaged, it begins before the last file ends")
    if packed.start_dir > place:
        yield f"{packed.start_dir - place} bytes before the zip's table of contents belong to no file"
    yield from _end(stream, packed, size=size)


def _differing(header: bytes, entry: zipfile.ZipInfo) -> list[str]:
    """Return in what the head of a member differs from its entry: some readers go by one, some by the other."""
    flags, method = struct.unpack("<2H", header[6:10])
    crc, packed, whole = struct.unpack("<3L", header[14:26])
    found = {
        "flags": (flags & _TELLING, entry.flag_bits & _TELLING),
        "packing": (method, entry.compress_type),
        "check value": (crc, entry.CRC),
        "size": (whole, entry.file_size),
        "packed size": (packed, entry.compress_size),
    }
    # Packed as a stream: check value and sizes follow the member. Larger than 4 GB: sizes stand elsewhere.
    later = {0} if flags & _DESCRIPTOR else set()
    elsewhere = {name: {*later, 0xFFFF_FFFF} if "size" in name else later for name in found}
    return [name for name, (here, there) in found.items() if here != there and here not in elsewhere[name]]


def _end(stream: IO[bytes], packed: zipfile.ZipFile, *, size: int) -> Iterator[str]:
    """Yield what is wrong with the record at the end of the zip."""
    stream.seek(max(size - _END - _LOCATOR, 0))
    tail = stream.read(_END + _LOCATOR)
    end = tail[-_END:]
    if end[:4] != b"PK\x05\x06":
        yield "bytes after the end of the zip belong to no file"
        return
    *disks, on_disk, files, length, _, comment = struct.unpack("<4H2LH", end[4:])
    count = len(packed.infolist())
    if any(disks) or comment or any(number not in (count, 0xFFFF) for number in (on_disk, files)):
        yield f"the zip's end does not say that it is the end of one zip of {count} files"
    # A table of contents for what is larger than 4 GB has records of its own between it and the end.
    if packed.start_dir + length != size - _END and tail[:4] != b"PK\x06\x07":
        yield "bytes between the zip's table of contents and its end belong to no file"


def _descriptor(data: bytes, entry: zipfile.ZipInfo) -> int:
    """Return the length of what some packers write after a member: signature or not, short sizes or long."""
    for head in (b"PK\x07\x08", b""):
        for sizes in ("<LLL", "<LQQ"):
            values = struct.pack(sizes, entry.CRC, entry.compress_size, entry.file_size) if _fits(entry, sizes) else b""
            if values and data.startswith(head + values):
                return len(head) + len(values)
    return 0


def _fits(entry: zipfile.ZipInfo, sizes: str) -> bool:
    return sizes == "<LQQ" or max(entry.compress_size, entry.file_size) < 1 << 32


class _Check:
    """One pass over a bag."""

    def __init__(self, packed: zipfile.ZipFile, members: Members, problems: list[str]) -> None:
        self.packed = packed
        self.members = members
        self.problems = problems
        self.payload = {name for name in members if name.startswith("data/")}
        self.manifests: dict[str, dict[str, str]] = {}
        self.tag_manifests: dict[str, dict[str, str]] = {}

    def whole(self) -> None:
        """Check all of it, the cheap things first."""
        self._declaration()
        self._read_manifests()
        self._oxum()
        covered = self._coverage()
        self._bytes(covered)

    def _text(self, name: str) -> str | None:
        """Return a tag file, None and a problem where it is missing or cannot be read."""
        entry = self.members.get(name)
        if entry is None:
            self.problems.append(f"{name}: missing")
            return None
        if entry.file_size > _LONGEST_TAG_FILE:
            self.problems.append(f"{name}: too large for what it should be, {entry.file_size} bytes")
            return None
        try:
            return self.packed.read(entry).decode("utf-8")
        except _DAMAGE as error:
            self.problems.append(f"{name}: cannot be read: {_reason(error)}")
            return None

    def _declaration(self) -> None:
        text = self._text("bagit.txt")
        if text is None:
            return
        lines = dict(line.partition(":")[::2] for line in text.splitlines())
        version = lines.get("BagIt-Version", "").strip()
        encoding = lines.get("Tag-File-Character-Encoding", "").strip()
        if version not in _VERSIONS:
            self.problems.append(f"bagit.txt: version {_shown(version)!r}, expected {' or '.join(_VERSIONS)}")
        if encoding.upper() != "UTF-8":
            self.problems.append(f"bagit.txt: encoding {_shown(encoding)!r}, expected UTF-8")

    def _read_manifests(self) -> None:
        for name in sorted(self.members):
            match = _MANIFEST.fullmatch(name)
            if match is None:
                continue
            algorithm = match[2].lower()
            if algorithm not in _ALGORITHMS:
                self.problems.append(f"{name}: its checksums are of a kind that is not known here")
                continue
            text = self._text(name)
            read = {} if text is None else self._entries(name, text, algorithm)
            (self.tag_manifests if match[1] else self.manifests)[algorithm] = read
        if not set(_SOUND) & set(self.manifests):
            self.problems.append(f"no manifest of {' or '.join(_SOUND)}: nothing says what the files were")
        for algorithm in self.manifests.keys() - self.tag_manifests.keys():
            self.problems.append(f"tagmanifest-{algorithm}.txt: missing")
        if "fetch.txt" in self.members:
            self.problems.append("fetch.txt: parts of the bag are to be fetched from elsewhere; they are not checked")

    def _entries(self, name: str, text: str, algorithm: str) -> dict[str, str]:
        found: dict[str, str] = {}
        length = 2 * hashlib.new(algorithm, usedforsecurity=False).digest_size
        # Not splitlines(), which takes more than an end of line for one.
        for number, line in enumerate(text.replace("\r\n", "\n").split("\n"), 1):
            if not line:
                continue
            match = _ENTRY.fullmatch(line)
            if match is None or len(match[1]) != length:
                self.problems.append(f"{name}:{number}: not a checksum and a path")
                continue
            path = re.sub("%(?:0[aAdD]|25)", lambda escape: _ESCAPES[escape[0].lower()], match[2])
            if path in found:
                self.problems.append(f"{name}:{number}: {_shown(path)} is listed twice")
            found[path] = match[1].lower()
        return found

    def _oxum(self) -> None:
        """Compare the count of payload bytes and files, before anything large is read."""
        if "bag-info.txt" not in self.members:
            return
        text = self._text("bag-info.txt") or ""
        stated = re.findall(r"(?im)^Payload-Oxum[ \t]*:[ \t]*(.*?)[ \t]*\r?$", text)
        found = f"{sum(self.members[name].file_size for name in self.payload)}.{len(self.payload)}"
        for oxum in stated:
            if not _OXUM.fullmatch(oxum):
                self.problems.append(f"bag-info.txt: {_shown(oxum)!r} is no Payload-Oxum")
            elif oxum != found:
                self.problems.append(f"bag-info.txt: Payload-Oxum {oxum}, but the payload has {found} (bytes.files)")

    def _coverage(self) -> dict[str, dict[str, str]]:
        """Return the checksums stated for each file, and note what is listed and not there, or there and not listed."""
        tags = {name for name in self.members if name not in self.payload and not _is_tag_manifest(name)}
        covered: dict[str, dict[str, str]] = {name: {} for name in self.members}
        for prefix, manifests, expected in (
            ("manifest", self.manifests, self.payload),
            ("tagmanifest", self.tag_manifests, tags),
        ):
            for algorithm, entries in manifests.items():
                manifest = f"{prefix}-{algorithm}.txt"
                self._listed(manifest, entries, expected)
                for name in entries.keys() & expected:
                    covered[name][algorithm] = entries[name]
        return covered

    def _listed(self, manifest: str, entries: Mapping[str, str], expected: set[str]) -> None:
        for name in sorted(entries.keys() - expected):
            there = "is not among the files that it is for" if name in self.members else "is missing"
            self.problems.append(f"{_shown(name)}: listed in {manifest}, and {there}")
        for name in sorted(expected - entries.keys()):
            self.problems.append(f"{_shown(name)}: not listed in {manifest}")

    def _bytes(self, covered: Mapping[str, Mapping[str, str]]) -> None:
        """Read every file once, in the order of the zip, and compare all its checksums."""
        for name, entry in sorted(self.members.items(), key=lambda item: item[1].header_offset):
            digests = {algorithm: hashlib.new(algorithm, usedforsecurity=False) for algorithm in covered[name]}
            try:
                read = 0
                with self.packed.open(entry) as source:
                    while block := source.read(_BLOCK):
                        read += len(block)
                        for digest in digests.values():
                            digest.update(block)
            except _DAMAGE as error:
                self.problems.append(f"{_shown(name)}: cannot be read: {_reason(error)}")
                continue
            if read != entry.file_size:
                stated = f"{entry.file_size} in the zip's table of contents"
                self.problems.append(f"{_shown(name)}: {read} bytes, but {stated}")
            wrong = [a for a, digest in digests.items() if digest.hexdigest() != covered[name][a]]
            if wrong:
                self.problems.append(f"{_shown(name)}: changed ({', '.join(sorted(wrong))} differs)")
