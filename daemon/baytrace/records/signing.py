"""The bench's signing key: made, shown, rotated, and used in a form that `openssl` alone can check.

Rules of this file:
- Ed25519 (RFC 8032). The private key is PKCS #8 in PEM, in `signing.pem`, readable by its owner alone; anything looser is
  refused. Public keys are SubjectPublicKeyInfo in PEM.
- A key's fingerprint is the SHA-256 of its public key in DER: `openssl pkey -pubin -in KEY.pem -outform DER | sha256sum`.
- Rotating keeps the old public key in `retired/`, so that what it signed stays known; its private key is erased.
- Keys trusted beside the bench's own lie in `trusted/` as PEM files, one a file.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from cryptography.exceptions import InvalidSignature, UnsupportedAlgorithm
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
    load_pem_public_key,
)

from baytrace.measure.faults import BadInput, EnvironmentFailed

PRIVATE, PUBLIC, RETIRED, TRUSTED = "signing.pem", "signing.pub.pem", "retired", "trusted"


class PublicKey(NamedTuple):
    """`pem` is text; `fingerprint` is hexadecimal."""

    fingerprint: str
    pem: str

    def verify(self, signature: bytes, message: bytes) -> bool:
        try:
            _loaded(self.pem.encode(), "key").verify(signature, message)
        except InvalidSignature:
            return False
        return True


class SigningKey:
    """The bench's key in hand."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private
        self.public = _named(private.public_key())

    def sign(self, message: bytes) -> bytes:
        """64 bytes over the message as it is (RFC 8032, PureEdDSA)."""
        return self._private.sign(message)


def _named(key: Ed25519PublicKey) -> PublicKey:
    der = key.public_bytes(Encoding.DER, PublicFormat.SubjectPublicKeyInfo)
    pem = key.public_bytes(Encoding.PEM, PublicFormat.SubjectPublicKeyInfo).decode()
    return PublicKey(sha256(der).hexdigest(), pem)


def _loaded(pem: bytes, where: str) -> Ed25519PublicKey:
    try:
        key = load_pem_public_key(pem)
    except (ValueError, UnsupportedAlgorithm):
        raise BadInput(
            "is no public key in PEM", where=where, right="it begins with -----BEGIN PUBLIC KEY-----"
        ) from None
    if not isinstance(key, Ed25519PublicKey):
        raise BadInput("is no Ed25519 key", where=where, right="Baytrace signs with Ed25519")
    return key


def read_public_key(pem: bytes, where: str = "key") -> PublicKey:
    """Raises BadInput when the text is no Ed25519 public key."""
    return _named(_loaded(pem, where))


def make_key(directory: Path) -> PublicKey:
    """A new key where there is none. Raises BadInput when there is one already, EnvironmentFailed when it cannot be kept."""
    if (directory / PRIVATE).exists():
        raise BadInput("there is a key already", where=str(directory), right="rotate it instead")
    return _write(directory, Ed25519PrivateKey.generate())


def load_key(directory: Path) -> SigningKey:
    """Raises BadInput when there is none, or when others could read it."""
    path = directory / PRIVATE
    try:
        mode = path.stat().st_mode
        data = path.read_bytes()
    except FileNotFoundError:
        raise BadInput(
            "there is no signing key", where=str(directory), right="make one with `baytrace key make`"
        ) from None
    except OSError as error:
        raise EnvironmentFailed(f"{path}: cannot be read ({error.strerror})") from None
    if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
        right = f"run `chmod 600 {path}`, and rotate the key if others may have read it"
        raise BadInput(f"the signing key can be read by others (mode {mode & 0o777:03o})", where=str(path), right=right)
    try:
        key = load_pem_private_key(data, password=None)
    except (ValueError, TypeError, UnsupportedAlgorithm):
        raise BadInput("is no private key in PEM", where=str(path), right="make one with `baytrace key make`") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise BadInput("is no Ed25519 key", where=str(path), right="make one with `baytrace key make`")
    return SigningKey(key)


def load_or_make_key(directory: Path) -> SigningKey:
    if not (directory / PRIVATE).exists():
        make_key(directory)
    return load_key(directory)


def rotate_key(directory: Path) -> PublicKey:
    """A new key; the old public key is kept in `retired/`. Raises BadInput when there is none to rotate."""
    old = load_key(directory).public
    retired = directory / RETIRED
    try:
        retired.mkdir(exist_ok=True)
        _put(retired / f"{old.fingerprint[:16]}.pem", old.pem.encode(), 0o644)
    except OSError as error:
        raise EnvironmentFailed(f"{retired}: cannot be written ({error.strerror})") from None
    return _write(directory, Ed25519PrivateKey.generate())


def known_keys(directory: Path) -> list[PublicKey]:
    """The bench's own key, its retired ones and those in `trusted/`. Raises BadInput for a file that is no key."""
    files = [
        directory / PUBLIC,
        *sorted((directory / RETIRED).glob("*.pem")),
        *sorted((directory / TRUSTED).glob("*.pem")),
    ]
    return read_keys(file for file in files if file.is_file())


def trusted_keys(directory: Path) -> list[PublicKey]:
    """Every public key in a folder given to those who verify: lying in it, or as a bench keeps its own.

    Raises BadInput where there is none: whoever names a folder of keys wants no signature taken unknown.
    """
    loose = (file for file in sorted(directory.glob("*.pem")) if file.name not in (PRIVATE, PUBLIC))
    keys = [*known_keys(directory), *read_keys(loose)]
    if not keys:
        raise BadInput("holds no public key", where=str(directory), right="put the bench's key there, as a .pem file")
    return keys


def read_keys(files: Iterable[Path]) -> list[PublicKey]:
    """Raises BadInput for a file that cannot be read or is no Ed25519 public key."""
    keys = []
    for file in files:
        try:
            keys.append(read_public_key(file.read_bytes(), str(file)))
        except OSError as error:
            raise BadInput(f"cannot be read ({error.strerror})", where=str(file)) from None
    return keys


def _write(directory: Path, private: Ed25519PrivateKey) -> PublicKey:
    public = _named(private.public_key())
    try:
        directory.mkdir(parents=True, exist_ok=True, mode=0o700)
        secret = private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
        _put(directory / PRIVATE, secret, 0o600)
        _put(directory / PUBLIC, public.pem.encode(), 0o644)
    except OSError as error:
        raise EnvironmentFailed(f"{directory}: cannot keep a key ({error.strerror})") from None
    return public


def _put(path: Path, data: bytes, mode: int) -> None:
    """Whole or not at all, and never readable by more than `mode` says."""
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)
    with os.fdopen(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
