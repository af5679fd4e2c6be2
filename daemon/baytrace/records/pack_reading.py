"""A trace pack opened with suspicion: what a zip or a directory holds, before any of it is believed.

Refused outright: names that lead elsewhere, names twice, links, encrypted or oddly compressed entries, entries that lie over each
other, more than one top directory, entries that unpack to more than they say, and files larger than `records.limits` lets them be.
Nothing is unpacked but what has to be read (`limits.UNPACKED`); the rest is digested as it streams by.
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import stat
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from hashlib import sha256
from pathlib import Path
from typing import IO, Protocol, Self

from baytrace.measure.faults import BadInput, EnvironmentFailed, VerificationFailed
from baytrace.records.bag import SEAL_BYTES, SEAL_WORDS, digest_of_file
from baytrace.records.limits import MOST_DIRECTORY, MOST_ENTRIES, MOST_NAME, UNPACKED, check_fixed

DATA_FAULTS = (ArithmeticError, AssertionError, AttributeError, LookupError, RecursionError, TypeError, ValueError)
"""What code meets in data of other shapes than it was promised."""
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*(?:/[A-Za-z0-9][A-Za-z0-9._-]*)*", re.ASCII)
_CHUNK = 1 << 20
_END, _END_64, _LOCATOR_64 = 22, 56, 20
_ENTRY = 30
"""Bytes of an entry's own head in a zip, before its name."""


def is_pack(path: Path) -> bool:
    """Whether the path is meant as a pack: a directory, or a file that begins as a zip does."""
    try:
        with path.open("rb") as file:
            return file.read(4) in (b"PK\x03\x04", b"PK\x05\x06")
    except IsADirectoryError:
        return True
    except OSError:
        return False


def seal_fault(path: Path) -> str:
    """Why the zip's bytes are not those that were written; empty when they are."""
    size = path.stat().st_size
    if size < SEAL_BYTES + _END:
        return "the file is too short to be a trace pack"
    with path.open("rb") as file:
        file.seek(size - SEAL_BYTES)
        comment = file.read()
    if not comment.startswith(SEAL_WORDS):
        return "the file does not end in Baytrace's seal: it was cut, added to, or packed anew by another program"
    if comment[len(SEAL_WORDS) :].decode("latin-1") != digest_of_file(path, size - SEAL_BYTES):
        return "the file's bytes are not those that were sealed: at least one was changed"
    return ""


@contextmanager
def suspected(what: str) -> Iterator[None]:
    """What the data inside does to code that trusts its shape becomes VerificationFailed: `what` cannot be understood."""
    try:
        yield
    except DATA_FAULTS as error:
        said = (str(error).splitlines() or [""])[0][:120]
        raise VerificationFailed(f"{what} cannot be understood ({type(error).__name__}: {said})") from None
    except MemoryError:
        raise VerificationFailed(f"{what} takes more memory than there is") from None


class Pack(Protocol):
    """An open bag. `sizes` are the bytes of its files by name; `directory` is where those lie that are read."""

    directory: Path
    sizes: dict[str, int]

    def open(self, name: str) -> AbstractContextManager[IO[bytes]]: ...

    def digest(self, name: str) -> str:
        """SHA-256 of a file, which is put into `directory` on the way if it is to be read."""
        ...


def read_small(pack: Pack, name: str) -> bytes | None:
    """A file of fixed bound; None where there is none. Raises VerificationFailed beyond that bound."""
    if name not in pack.sizes:
        return None
    check_fixed(name, pack.sizes[name])
    with pack.open(name) as file:
        data = file.read(pack.sizes[name] + 1)
    if len(data) != pack.sizes[name]:
        raise VerificationFailed(f"{name} unpacks to another length than it says")
    return data


# ---------------------------------------------------------------------- a zip


class ZippedPack:
    """Raises VerificationFailed for anything a pack does not hold."""

    def __init__(self, path: Path, into: Path, kept: tuple[str, ...] = UNPACKED) -> None:
        self._path, self._kept = path, kept
        with self._told():
            directory = _directory_bytes(path)
            if directory > MOST_DIRECTORY:
                raise VerificationFailed(f"the zip's own directory is {directory} bytes; a pack holds a dozen files")
            self._archive = zipfile.ZipFile(path)
            entries = self._archive.infolist()
            top = _inspect(entries)
            _inspect_places(entries, self._archive.start_dir)
        self.directory = into / top
        self._entries = {entry.filename.removeprefix(f"{top}/"): entry for entry in entries}
        self.sizes = {name: entry.file_size for name, entry in self._entries.items()}
        needed = sum(size for name, size in self.sizes.items() if name in kept)
        self._into, self._needed = into, needed

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._archive.close()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, ValueError, RuntimeError) as error:
            raise VerificationFailed(f"{self._path.name}: the zip is damaged ({error})") from None
        except OSError as error:
            if error.errno == errno.EINVAL:  # the zip points to a place before its own beginning
                raise VerificationFailed("the zip is damaged: an entry is not where it says") from None
            raise

    @contextmanager
    def open(self, name: str) -> Iterator[IO[bytes]]:
        with self._told(), self._archive.open(self._entries[name]) as stream:
            yield stream

    def digest(self, name: str) -> str:
        if name not in self._kept:
            with self.open(name) as source:
                return _copied(source, None, self.sizes[name], name)
        if self._needed > shutil.disk_usage(self._into).free:
            raise EnvironmentFailed(f"{self._into}: not enough room to unpack {self._path.name}")
        target = self.directory / name
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("xb") as out, self.open(name) as source:
                return _copied(source, out, self.sizes[name], name)
        except OSError as error:
            raise EnvironmentFailed(f"{target}: cannot be written ({error.strerror or error})") from None


def _directory_bytes(path: Path) -> int:
    """How long the zip says its directory is; sealed zips only, whose end is where it is. Raises BadZipFile."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - SEAL_BYTES - _END - _LOCATOR_64 - _END_64))
        tail = file.read(_END_64 + _LOCATOR_64 + _END)
    end = tail[-_END:]
    if len(end) < _END or not end.startswith(b"PK\x05\x06"):
        raise zipfile.BadZipFile("its end is not where it should be")
    said = int.from_bytes(end[12:16], "little")
    if tail[_END_64 : _END_64 + 4] == b"PK\x06\x07" and tail.startswith(b"PK\x06\x06"):
        said = max(said if said != 0xFFFFFFFF else 0, int.from_bytes(tail[40:48], "little"))
    return said


def _inspect(entries: list[zipfile.ZipInfo]) -> str:
    """The one directory within."""
    if not entries:
        raise VerificationFailed("the zip is empty")
    if len(entries) > MOST_ENTRIES:
        raise VerificationFailed(f"the zip holds {len(entries)} files; a pack holds a dozen")
    seen: set[str] = set()
    for entry in entries:
        _inspect_entry(entry, seen)
    names = {entry.filename.lower() for entry in entries}
    for name in names:
        above = name.split("/")
        if any("/".join(above[:count]) in names for count in range(1, len(above))):
            raise VerificationFailed(f"the zip holds {name} below a file: as file and as directory")
    tops = {entry.filename.split("/")[0] for entry in entries}
    if len(tops) != 1 or any("/" not in entry.filename for entry in entries):
        raise VerificationFailed("the zip does not hold exactly one directory")
    return tops.pop()


def _inspect_entry(entry: zipfile.ZipInfo, seen: set[str]) -> None:
    name = entry.orig_filename
    if len(name) > MOST_NAME or _NAME.fullmatch(name) is None or name != entry.filename:
        raise VerificationFailed(f"the zip holds a name that no pack has: {name[:MOST_NAME]!r}")
    if name.lower() in seen:
        raise VerificationFailed(f"the zip holds {name} twice")
    seen.add(name.lower())
    kind = stat.S_IFMT(entry.external_attr >> 16)
    if kind not in (0, stat.S_IFREG):
        raise VerificationFailed(f"{name} is a link or device, not a file")
    if entry.flag_bits & 0x1:
        raise VerificationFailed(f"{name} is encrypted")
    if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise VerificationFailed(f"{name} is compressed in a way no pack uses")


def _inspect_places(entries: list[zipfile.ZipInfo], end: int) -> None:
    """Each entry has bytes of its own, before the directory: else few bytes could stand for many files."""
    at, before = 0, "the zip's head"
    for entry in sorted(entries, key=lambda entry: entry.header_offset):
        if entry.header_offset < at:
            raise VerificationFailed(f"{entry.filename} lies over {before} in the zip")
        at = entry.header_offset + _ENTRY + len(entry.filename) + entry.compress_size
        before = entry.filename
    if at > end:
        raise VerificationFailed(f"{before} lies over the zip's own directory")


def _copied(source: IO[bytes], out: IO[bytes] | None, size: int, name: str) -> str:
    """SHA-256 of what was read to its end, and written where there is a place for it."""
    digest, left = sha256(), size
    while chunk := source.read(_CHUNK):
        left -= len(chunk)
        if left < 0:
            raise VerificationFailed(f"{name} unpacks to more than it says")
        digest.update(chunk)
        if out is not None:
            out.write(chunk)
    if left:
        raise VerificationFailed(f"{name} unpacks to less than it says")
    return digest.hexdigest()


# ---------------------------------------------------------------------- a directory


class LaidOpenPack:
    """A directory that is a bag, or holds exactly one. Raises BadInput, or VerificationFailed for links in it."""

    def __init__(self, path: Path) -> None:
        self.directory = path = _bag_directory(path)
        self.sizes: dict[str, int] = {}
        for folder, folders, files in os.walk(path):
            for name in (*folders, *files):
                each = Path(folder, name)
                if each.is_symlink() or not (each.is_file() or each.is_dir()):
                    raise VerificationFailed(f"{each.relative_to(path)} is a link or device, not a file")
                if each.is_file():
                    self.sizes[each.relative_to(path).as_posix()] = each.stat().st_size
                    if len(self.sizes) > MOST_ENTRIES:
                        raise VerificationFailed(
                            f"the directory holds more than {MOST_ENTRIES} files; a pack holds a dozen"
                        )

    @contextmanager
    def open(self, name: str) -> Iterator[IO[bytes]]:
        with (self.directory / name).open("rb") as file:
            yield file

    def digest(self, name: str) -> str:
        return digest_of_file(self.directory / name)


def _bag_directory(path: Path) -> Path:
    if (path / "bagit.txt").is_file():
        return path
    inner = [each for each in path.iterdir() if (each / "bagit.txt").is_file()]
    if len(inner) != 1:
        raise BadInput("is no trace pack", where=str(path), right="give a pack, or the directory it was unpacked to")
    return inner[0]
