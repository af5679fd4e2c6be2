"""The bench's key: made once, kept close, rotated without forgetting."""

import subprocess
from hashlib import sha256

import pytest

from baytrace.measure.faults import BadInput
from baytrace.records import signing


def test_a_key_is_made_once_and_only_for_its_owner(tmp_path):
    """Mode 0600; a second make is refused."""
    made = signing.make_key(tmp_path / "keys")
    assert (tmp_path / "keys" / signing.PRIVATE).stat().st_mode & 0o777 == 0o600
    assert signing.load_key(tmp_path / "keys").public == made
    with pytest.raises(BadInput, match="already"):
        signing.make_key(tmp_path / "keys")


def test_a_key_that_others_can_read_is_refused(tmp_path):
    """The message says how to mend it."""
    signing.make_key(tmp_path)
    (tmp_path / signing.PRIVATE).chmod(0o640)
    with pytest.raises(BadInput, match="chmod 600"):
        signing.load_key(tmp_path)


def test_rotating_keeps_the_old_public_key_and_erases_the_private_one(tmp_path):
    """What the old key signed stays known; nothing can be signed with it again."""
    old = signing.make_key(tmp_path)
    secret = (tmp_path / signing.PRIVATE).read_bytes()
    signature = signing.load_key(tmp_path).sign(b"before")
    new = signing.rotate_key(tmp_path)
    known = signing.known_keys(tmp_path)
    assert {key.fingerprint for key in known} == {old.fingerprint, new.fingerprint}
    assert old.verify(signature, b"before")
    assert not new.verify(signature, b"before")
    assert not any(secret in path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())


def test_openssl_agrees_on_signature_and_fingerprint(tmp_path):
    """The two lines of the manual, run as written."""
    public = signing.make_key(tmp_path)
    message = tmp_path / "message"
    message.write_bytes(b"as it is\n")
    (tmp_path / "message.sig").write_bytes(signing.load_key(tmp_path).sign(message.read_bytes()))
    key = tmp_path / signing.PUBLIC
    command = [
        "openssl",
        "pkeyutl",
        "-verify",
        "-rawin",
        "-pubin",
        "-inkey",
        key,
        "-sigfile",
        f"{message}.sig",
        "-in",
        message,
    ]
    assert b"Verified Successfully" in subprocess.run(command, capture_output=True, check=True).stdout
    der = subprocess.run(
        ["openssl", "pkey", "-pubin", "-in", key, "-outform", "DER"], capture_output=True, check=True
    ).stdout
    assert sha256(der).hexdigest() == public.fingerprint


@pytest.mark.parametrize("content", [b"", b"no key", b"-----BEGIN PUBLIC KEY-----\nAAAA\n-----END PUBLIC KEY-----\n"])
def test_files_that_are_no_keys_are_refused(tmp_path, content):
    """Public and private alike, naming the file."""
    (tmp_path / signing.PUBLIC).write_bytes(content)
    (tmp_path / signing.PRIVATE).write_bytes(content)
    (tmp_path / signing.PRIVATE).chmod(0o600)
    with pytest.raises(BadInput, match=r"signing\.pub\.pem"):
        signing.known_keys(tmp_path)
    with pytest.raises(BadInput, match=r"signing\.pem"):
        signing.load_key(tmp_path)


def test_there_may_be_no_key_yet(tmp_path):
    """Loading says how to make one; knowing none is no error."""
    assert signing.known_keys(tmp_path) == []
    with pytest.raises(BadInput, match="baytrace key make"):
        signing.load_key(tmp_path)
    assert signing.load_or_make_key(tmp_path).public.fingerprint
    assert (tmp_path / signing.PRIVATE).exists()
