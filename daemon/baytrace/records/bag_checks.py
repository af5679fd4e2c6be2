"""Is a bag complete, of the sizes its session can have, unchanged, and signed?

The tag files come first, then `session.json`, whose claims bound everything else; nothing is read beyond its bound.
"""

from __future__ import annotations

import re
from hashlib import sha256
from pathlib import Path
from typing import NamedTuple

from baytrace.measure.faults import BadInput, VerificationFailed
from baytrace.records import bag
from baytrace.records.checks import Report, State
from baytrace.records.limits import Claims
from baytrace.records.pack_reading import Pack, read_small
from baytrace.records.session_file import SESSION, SessionFile
from baytrace.records.signing import read_public_key

_LINE = re.compile(r"([0-9a-f]{64})  (\S+)")
_TAGS = (bag.BAGIT, bag.BAG_INFO, bag.MANIFEST, bag.KEY_FILE)


class Opened(NamedTuple):
    """A bag that holds together, and what its manifest and its session say."""

    pack: Pack
    digests: dict[str, str]
    """Of the payload, as the manifest has them and as they are."""
    session: SessionFile

    @property
    def data(self) -> Path:
        """Where those files of the payload lie that are to be read."""
        return self.pack.directory / "data"

    @property
    def claims(self) -> Claims:
        return self.session.claims


def check_bag(pack: Pack, report: Report) -> Opened | None:
    """RFC 8493, 3: complete and valid; None when it is not. Raises VerificationFailed for what would harm who reads it."""
    before = len(report.faults)
    text = _text(pack, bag.BAGIT, report)
    if text is not None and text != "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n":
        report.say("bag", State.FAULT, "bagit.txt is not that of a BagIt 1.0 bag in UTF-8")
    payload = _manifest(pack, bag.MANIFEST, report)
    tags = _manifest(pack, bag.TAG_MANIFEST, report)
    for name, digest in tags.items():
        content = read_small(pack, name) if name in _TAGS else None
        if content is None and name in pack.sizes:
            report.say("bag", State.FAULT, f"{bag.TAG_MANIFEST} lists {name}, which is no tag file")
        else:
            _compare(name, digest, sha256(content).hexdigest() if content is not None else None, report)
    session = _payload(pack, payload, report)
    listed = set(payload) | set(tags) | {bag.TAG_MANIFEST, bag.SIGNATURE}
    for name in sorted(pack.sizes.keys() - listed):
        report.say("bag", State.FAULT, f"{name} is in no manifest: it was added")
    for name in (bag.BAGIT, bag.BAG_INFO, bag.MANIFEST):
        if name not in tags:
            report.say("bag", State.FAULT, f"{bag.TAG_MANIFEST} does not list {name}")
    if len(report.faults) != before or session is None:
        return None
    counted = f"{len(payload)} files of payload and {len(tags)} tag files"
    report.say("bag", State.OK, f"complete: {counted}, each with its digest")
    return Opened(pack, payload, session)


def _payload(pack: Pack, payload: dict[str, str], report: Report) -> SessionFile | None:
    """Digest every file of the payload, none beyond its bound; the session they are of."""
    content = read_small(pack, SESSION)
    if content is None or SESSION not in payload:
        report.say("bag", State.FAULT, f"{SESSION} is missing")
        return None
    try:
        session = SessionFile(content)
    except VerificationFailed:
        if sha256(content).hexdigest() == payload[SESSION]:
            raise
        _compare(SESSION, payload[SESSION], "", report)
        return None
    for name in payload:
        if name in pack.sizes:
            session.claims.check(name, pack.sizes[name])
    for name, digest in payload.items():
        _compare(name, digest, pack.digest(name) if name in pack.sizes else None, report)
    return session


def _compare(name: str, digest: str, found: str | None, report: Report) -> None:
    if found is None:
        report.say("bag", State.FAULT, f"{name} is missing")
    elif found != digest:
        report.say("bag", State.FAULT, f"{name} was changed: its digest is not that of the manifest")


def _text(pack: Pack, name: str, report: Report) -> str | None:
    content = read_small(pack, name)
    if content is None:
        report.say("bag", State.FAULT, f"{name} is missing")
        return None
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        report.say("bag", State.FAULT, f"{name} is not text in UTF-8")
        return None


def _manifest(pack: Pack, name: str, report: Report) -> dict[str, str]:
    digests: dict[str, str] = {}
    for number, line in enumerate((_text(pack, name, report) or "").split("\n")[:-1], 1):
        found = _LINE.fullmatch(line)
        inside = found is not None and ".." not in found[2].split("/") and not found[2].startswith(("/", "~"))
        if found is None or not inside or found[2] in digests:
            report.say("bag", State.FAULT, f"{name}, line {number}: is no line of a manifest, or names a file twice")
            return digests
        digests[found[2]] = found[1]
    return digests


# ---------------------------------------------------------------------- the signature


def check_signature(pack: Pack, report: Report, trusted: set[str]) -> bool:
    """Whether to go on: an absent or unknown signature is said, a wrong one ends the matter."""
    info = dict(line.split(": ", 1) for line in (_text(pack, bag.BAG_INFO, report) or "").splitlines() if ": " in line)
    said = info.get("Baytrace-Signed-By", "")
    signature, pem = read_small(pack, bag.SIGNATURE), read_small(pack, bag.KEY_FILE)
    if signature is None and pem is None and said == "nobody":
        state = State.FAULT if trusted else State.CAUTION
        report.say("signature", state, "the pack is not signed: digests tell accidents from it, not forgers")
        return True
    report.signature = "bad"
    if signature is None or pem is None:
        report.say("signature", State.FAULT, "the pack says it is signed, but the signature or its key is missing")
        return False
    try:
        key = read_public_key(pem, bag.KEY_FILE)
    except BadInput as error:
        report.say("signature", State.FAULT, str(error))
        return False
    report.key = key.fingerprint
    if said != key.fingerprint:
        report.say("signature", State.FAULT, "bag-info.txt names another key than the one in the pack")
        return False
    if not key.verify(signature, read_small(pack, bag.TAG_MANIFEST) or b""):
        report.say("signature", State.FAULT, f"{bag.SIGNATURE} is not this key's signature of {bag.TAG_MANIFEST}")
        return False
    if key.fingerprint in trusted:
        report.signature = "known"
        report.say("signature", State.OK, f"valid, by a known key ({key.fingerprint})")
        return True
    report.signature = "unknown"
    state = State.FAULT if trusted else State.CAUTION
    text = f"valid, but by a key nobody vouched for ({key.fingerprint}); compare it with the bench's own"
    report.say("signature", state, text)
    return True
