"""Verifying a trace pack without a daemon: bag, digests, signature, chain, completeness, and the verdicts worked out again.

What each check means stands in the manual (`packs.md`). Every fault names its place. A pack is `good` when no check found a
fault; a `caution` is what a reader must know (a key nobody vouched for, a session still open).
"""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from baytrace.measure.faults import BadInput, VerificationFailed
from baytrace.records import bag, retelling
from baytrace.records.bag import digest_of_file
from baytrace.records.checks import Check, Report, State
from baytrace.records.pack_reading import bag_directory, seal_fault, unpack
from baytrace.records.signing import PublicKey, read_public_key

Progress = Callable[[float, str], None]
__all__ = ["Check", "Report", "State", "opened", "trusted_contents", "verify_journal", "verify_pack"]

_LINE = re.compile(r"([0-9a-f]{64})  (\S+)")


def verify_pack(
    path: Path, trusted_keys: Iterable[PublicKey] = (), progress: Progress | None = None, *, replay: bool = True
) -> Report:
    """Check a pack (a zip, or the directory it was unpacked to). With `trusted_keys`, a signature by another key is a fault.

    Raises BadInput when there is nothing to verify at `path`; what is wrong with a pack stands in the report.
    """
    told = progress or (lambda _share, _what: None)
    report = Report(path)
    with opened(path, report, trusted_keys, told) as directory:
        if directory is not None and replay:
            try:
                retelling.retell(directory / "data", report, lambda share, what: told(0.15 + 0.85 * share, what))
            except VerificationFailed as error:
                report.say("container", State.FAULT, str(error))
    told(1.0, "done")
    return report


@contextmanager
def opened(path: Path, report: Report, trusted_keys: Iterable[PublicKey], progress: Progress) -> Iterator[Path | None]:
    """The bag's directory while container, bag and signature are sound, else None; the report says what was found.

    Raises BadInput when there is nothing to open at `path`.
    """
    trusted = {key.fingerprint for key in trusted_keys}
    if not path.exists():
        raise BadInput("there is no such file", where=str(path), right="give a trace pack")
    with ExitStack() as stack:
        sound = None
        try:
            if path.is_dir():
                directory = bag_directory(path)
                report.say("container", State.OK, "a directory, unpacked: only its contents are checked")
            else:
                progress(0.0, "checking the seal")
                fault = seal_fault(path)
                report.say(
                    "container", State.FAULT if fault else State.OK, fault or "every byte of the zip is as sealed"
                )
                progress(0.05, "unpacking")
                folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="baytrace-verify-")))
                directory = unpack(path, folder)
            progress(0.1, "checking digests")
            if _bag(directory, report) and _signature(directory, report, trusted):
                sound = directory
        except VerificationFailed as error:
            report.say("container", State.FAULT, str(error))
        except OSError as error:
            raise BadInput(f"cannot be read ({error.strerror or error})", where=str(path)) from None
        yield sound


@contextmanager
def trusted_contents(path: Path, progress: Progress | None = None) -> Iterator[tuple[Path, Report]]:
    """The payload's directory of a pack whose container, bag and signature hold, and what was said of it.

    Raises VerificationFailed naming the first fault, BadInput when there is no pack.
    """
    report = Report(path)
    with opened(path, report, (), progress or (lambda _share, _what: None)) as directory:
        if directory is None or not report.good:
            raise VerificationFailed(f"{path}: {report.summary()}")
        yield directory / "data", report


def verify_journal(directory: Path) -> str:
    """Check every link of a journal's chain; one line that says what was checked.

    Raises VerificationFailed naming the first fault and how many there are, EnvironmentFailed without a journal.
    """
    from baytrace.journal.verify import verify  # noqa: PLC0415 - a machine that checks packs opens no database

    found = verify(directory)
    if not found.ok:
        more = f" (and {len(found.faults) - 1} more)" if len(found.faults) > 1 else ""
        raise VerificationFailed(f"{directory}: {found.faults[0]}{more}")
    if found.head is None:
        return "the journal is empty"
    holes = f"; {len(found.holes)} stretches were lost and are owned up to" if found.holes else ""
    counted = f"{found.commits} commits with {found.readings} readings and {found.events} events"
    return f"{counted} lead to {found.head.digest}{holes}"


# ---------------------------------------------------------------------- the bag


def _bag(directory: Path, report: Report) -> bool:
    """RFC 8493, 3: complete and valid."""
    before = len(report.faults)
    text = _text(directory / bag.BAGIT, report)
    if text is not None and text != "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n":
        report.say("bag", State.FAULT, "bagit.txt is not that of a BagIt 1.0 bag in UTF-8")
    payload = _manifest(directory, bag.MANIFEST, report)
    tags = _manifest(directory, bag.TAG_MANIFEST, report)
    for name, digest in {**tags, **payload}.items():
        _compare(directory, name, digest, report)
    listed = set(payload) | set(tags) | {bag.TAG_MANIFEST, bag.SIGNATURE}
    for file in sorted(each for each in directory.rglob("*") if each.is_file()):
        if (name := file.relative_to(directory).as_posix()) not in listed:
            report.say("bag", State.FAULT, f"{name} is in no manifest: it was added")
    for name in (bag.BAGIT, bag.BAG_INFO, bag.MANIFEST):
        if name not in tags:
            report.say("bag", State.FAULT, f"{bag.TAG_MANIFEST} does not list {name}")
    sound = len(report.faults) == before
    if sound:
        report.say(
            "bag",
            State.OK,
            f"complete: {len(payload)} files of payload and {len(tags)} tag files, each with its digest",
        )
    return sound


def _text(path: Path, report: Report) -> str | None:
    try:
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        report.say("bag", State.FAULT, f"{path.name} is missing")
    except UnicodeDecodeError:
        report.say("bag", State.FAULT, f"{path.name} is not text in UTF-8")
    return None


def _manifest(directory: Path, name: str, report: Report) -> dict[str, str]:
    digests: dict[str, str] = {}
    for number, line in enumerate((_text(directory / name, report) or "").split("\n")[:-1], 1):
        found = _LINE.fullmatch(line)
        inside = found is not None and ".." not in found[2].split("/") and not found[2].startswith(("/", "~"))
        if found is None or not inside or found[2] in digests:
            report.say("bag", State.FAULT, f"{name}, line {number}: is no line of a manifest, or names a file twice")
        else:
            digests[found[2]] = found[1]
    return digests


def _compare(directory: Path, name: str, digest: str, report: Report) -> None:
    file = directory / name
    if not file.is_file():
        report.say("bag", State.FAULT, f"{name} is missing")
    elif digest_of_file(file) != digest:
        report.say("bag", State.FAULT, f"{name} was changed: its digest is not that of the manifest")


# ---------------------------------------------------------------------- the signature


def _signature(directory: Path, report: Report, trusted: set[str]) -> bool:
    """Whether to go on: an absent or unknown signature is said, a wrong one ends the matter."""
    info = dict(
        line.split(": ", 1) for line in (directory / bag.BAG_INFO).read_text("utf-8").splitlines() if ": " in line
    )
    said = info.get("Baytrace-Signed-By", "")
    signature, key_file = directory / bag.SIGNATURE, directory / bag.KEY_FILE
    if not signature.is_file() and not key_file.is_file() and said == "nobody":
        state = State.FAULT if trusted else State.CAUTION
        report.say("signature", state, "the pack is not signed: digests tell accidents from it, not forgers")
        return True
    report.signature = "bad"
    if not signature.is_file() or not key_file.is_file():
        report.say("signature", State.FAULT, "the pack says it is signed, but the signature or its key is missing")
        return False
    try:
        key = read_public_key(key_file.read_bytes(), bag.KEY_FILE)
    except BadInput as error:
        report.say("signature", State.FAULT, str(error))
        return False
    report.key = key.fingerprint
    if said != key.fingerprint:
        report.say("signature", State.FAULT, "bag-info.txt names another key than the one in the pack")
        return False
    if not key.verify(signature.read_bytes(), (directory / bag.TAG_MANIFEST).read_bytes()):
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
