"""A trace pack opened with suspicion: what a zip or a directory holds, before any of it is believed.

Refused outright: names that lead elsewhere, names twice, links, encrypted or oddly compressed entries, more than one top
directory, entries that unpack to more than they say, and bombs (far more inside than a session can hold).
"""

from __future__ import annotations

import errno
import os
import re
import shutil
import stat
import zipfile
import zlib
from pathlib import Path

from baytrace.measure.faults import BadInput, EnvironmentFailed, VerificationFailed
from baytrace.records.bag import SEAL_BYTES, SEAL_WORDS, digest_of_file

MOST_ENTRIES = 1000
MOST_RATIO = 250
"""Deflate cannot do better than about 1032 to 1; a session's files stay below 50."""
MOST_BYTES = 1 << 38
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*(?:/[A-Za-z0-9][A-Za-z0-9._-]*)*", re.ASCII)
_CHUNK = 1 << 20


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
    if size < SEAL_BYTES + 22:
        return "the file is too short to be a trace pack"
    with path.open("rb") as file:
        file.seek(size - SEAL_BYTES)
        comment = file.read()
    if not comment.startswith(SEAL_WORDS):
        return "the file does not end in Baytrace's seal: it was cut, added to, or packed anew by another program"
    if comment[len(SEAL_WORDS) :].decode("latin-1") != digest_of_file(path, size - SEAL_BYTES):
        return "the file's bytes are not those that were sealed: at least one was changed"
    return ""


def unpack(path: Path, into: Path) -> Path:
    """Unpack the zip; the bag's directory. Raises VerificationFailed for anything a pack does not hold."""
    try:
        with zipfile.ZipFile(path) as archive:
            entries = archive.infolist()
            _inspect(entries)
            if sum(entry.file_size for entry in entries) > shutil.disk_usage(into).free:
                raise EnvironmentFailed(f"{into}: not enough room to unpack {path.name}")
            for entry in entries:
                _extract(archive, entry, into / entry.filename)
            return into / entries[0].filename.split("/")[0]
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        UnicodeDecodeError,
        ValueError,
        RuntimeError,
    ) as error:
        raise VerificationFailed(f"{path.name}: the zip is damaged ({error})") from None


def _inspect(entries: list[zipfile.ZipInfo]) -> None:
    if not entries:
        raise VerificationFailed("the zip is empty")
    if len(entries) > MOST_ENTRIES:
        raise VerificationFailed(f"the zip holds {len(entries)} files; a pack holds a dozen")
    seen: set[str] = set()
    for entry in entries:
        name = entry.orig_filename
        if _NAME.fullmatch(name) is None or name != entry.filename:
            raise VerificationFailed(f"the zip holds a name that no pack has: {name!r}")
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
        if entry.file_size > 1 << 20 and entry.file_size > MOST_RATIO * max(1, entry.compress_size):
            raise VerificationFailed(
                f"{name} would unpack to {entry.file_size} bytes from {entry.compress_size}: refused"
            )
    tops = {entry.filename.split("/")[0] for entry in entries}
    if len(tops) != 1 or any("/" not in entry.filename for entry in entries):
        raise VerificationFailed("the zip does not hold exactly one directory")
    if sum(entry.file_size for entry in entries) > MOST_BYTES:
        raise VerificationFailed("the zip would unpack to more than any session holds: refused")


def _extract(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, target: Path) -> None:
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        left = entry.file_size
        with archive.open(entry) as source, target.open("xb") as out:
            while chunk := source.read(_CHUNK):
                left -= len(chunk)
                if left < 0:
                    raise VerificationFailed(f"{entry.filename} unpacks to more than it says")
                out.write(chunk)
        if left:
            raise VerificationFailed(f"{entry.filename} unpacks to less than it says")
    except (FileExistsError, NotADirectoryError, IsADirectoryError):
        raise VerificationFailed(f"the zip holds {entry.filename} as file and as directory") from None
    except OSError as error:
        if error.errno == errno.EINVAL:  # the zip points to a place before its own beginning
            raise VerificationFailed(f"the zip is damaged: {entry.filename} is not where it says") from None
        raise EnvironmentFailed(f"{target}: cannot be written ({error.strerror or error})") from None


def bag_directory(path: Path) -> Path:
    """A directory that is a bag, or holds exactly one. Raises BadInput, or VerificationFailed for links in it."""
    if not (path / "bagit.txt").is_file():
        inner = [each for each in path.iterdir() if (each / "bagit.txt").is_file()]
        if len(inner) != 1:
            raise BadInput(
                "is no trace pack", where=str(path), right="give a pack, or the directory it was unpacked to"
            )
        path = inner[0]
    for folder, folders, files in os.walk(path):
        for name in (*folders, *files):
            each = Path(folder, name)
            if each.is_symlink() or not (each.is_file() or each.is_dir()):
                raise VerificationFailed(f"{each.relative_to(path)} is a link or device, not a file")
    return path
