"""A BagIt bag (RFC 8493) in a zip, written so that any change of any byte can be told.

Rules of this file:
- Payload under `data/`; `manifest-sha256.txt` over it, `tagmanifest-sha256.txt` over the other tag files. The bench's public
  key (`signing-key.pem`) is such a tag file; `tagmanifest-sha256.txt.sig` holds 64 raw bytes of Ed25519 over the bytes of
  `tagmanifest-sha256.txt`, and as the last in line is in no manifest. Signing the tag manifest signs everything below it:

      openssl pkeyutl -verify -rawin -pubin -inkey signing-key.pem -sigfile tagmanifest-sha256.txt.sig -in tagmanifest-sha256.txt

- Digests do not cover the zip's own bytes (names twice, dates, lengths). So the zip ends in a comment, the seal: SHA-256 over
  every byte before it. The seal finds accidents; whoever can write the file can write a new seal, and the signature stays.
- `bag-info.txt` says by whose key the pack is signed, so that a signature cannot be taken away unnoticed.
"""

from __future__ import annotations

import zipfile
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from baytrace import __version__
from baytrace.records.signing import SigningKey

PROGRAM = f"Baytrace {__version__}"
"""As a pack names what made it."""
SEAL_WORDS = b"baytrace-seal-sha256 "
SEAL_BYTES = len(SEAL_WORDS) + 64
KEY_FILE, TAG_MANIFEST = "signing-key.pem", "tagmanifest-sha256.txt"
SIGNATURE = TAG_MANIFEST + ".sig"
MANIFEST, BAG_INFO, BAGIT = "manifest-sha256.txt", "bag-info.txt", "bagit.txt"
_CHUNK = 1 << 20
_EPOCH = (1980, 1, 1, 0, 0, 0)
_PACKED = (".parquet", ".pdf", ".sig")


class Filed(NamedTuple):
    """A payload file: its name below `data/` and where it lies now."""

    name: str
    path: Path


def digest_of_file(path: Path, most: int | None = None) -> str:
    """SHA-256 of a file, or of its first `most` bytes."""
    digest = sha256()
    left = most
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK if left is None else min(_CHUNK, left)):
            digest.update(chunk)
            if left is not None:
                left -= len(chunk)
    return digest.hexdigest()


def write_bag(
    target: Path,
    top: str,
    payload: Sequence[Filed],
    info: Mapping[str, str],
    key: SigningKey | None,
    *,
    progress: Callable[[int], None] = lambda _: None,
) -> None:
    """Write the zip to `target`; `progress` is called with the bytes of payload stored."""
    digests = {f"data/{filed.name}": digest_of_file(filed.path) for filed in payload}
    size = sum(filed.path.stat().st_size for filed in payload)
    tags = {
        BAGIT: b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
        BAG_INFO: _info(info, size, len(payload), key),
        MANIFEST: _manifest(digests),
    }
    if key is not None:
        tags[KEY_FILE] = key.public.pem.encode()
    tags[TAG_MANIFEST] = _manifest({name: sha256(data).hexdigest() for name, data in tags.items()})
    if key is not None:
        tags[SIGNATURE] = key.sign(tags[TAG_MANIFEST])
    with zipfile.ZipFile(target, "w", allowZip64=True) as archive:
        for name, data in tags.items():
            archive.writestr(_entry(f"{top}/{name}"), data)
        stored = 0
        for filed in payload:
            entry = _entry(f"{top}/data/{filed.name}", filed.path.stat().st_size)
            with filed.path.open("rb") as source, archive.open(entry, "w", force_zip64=True) as out:
                while chunk := source.read(_CHUNK):
                    out.write(chunk)
                    stored += len(chunk)
                    progress(stored)
        archive.comment = SEAL_WORDS + b"0" * 64
    seal(target)


def seal(target: Path) -> None:
    """Put the digest of all bytes before the comment into the comment."""
    before = target.stat().st_size - SEAL_BYTES
    digest = digest_of_file(target, before)
    with target.open("r+b") as file:
        file.seek(before)
        file.write(SEAL_WORDS + digest.encode())


def _entry(name: str, size: int = 0) -> zipfile.ZipInfo:
    """A plain file, the same bytes whenever and wherever it is written."""
    entry = zipfile.ZipInfo(name, _EPOCH)
    entry.compress_type = zipfile.ZIP_STORED if name.endswith(_PACKED) else zipfile.ZIP_DEFLATED
    entry.create_system = 3
    entry.external_attr = 0o100644 << 16
    entry.file_size = size
    return entry


def _manifest(digests: Mapping[str, str]) -> bytes:
    return "".join(f"{digest}  {name}\n" for name, digest in sorted(digests.items())).encode()


def _info(info: Mapping[str, str], size: int, count: int, key: SigningKey | None) -> bytes:
    said = {
        "Bag-Software-Agent": PROGRAM,
        "Bagging-Date": datetime.now(UTC).date().isoformat(),
        "Payload-Oxum": f"{size}.{count}",
        **info,
        "Baytrace-Signed-By": key.public.fingerprint if key is not None else "nobody",
    }
    return "".join(f"{name}: {' '.join(text.split())}\n" for name, text in said.items()).encode()
