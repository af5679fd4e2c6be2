"""Verifying a trace pack without a daemon: bag, digests, signature, chain, completeness, and the verdicts worked out again.

What each check means stands in the manual (`packs.md`). Every fault names its place. A pack is `good` when no check found a
fault; a `caution` is what a reader must know (a key nobody vouched for, a session still open).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from baytrace.measure.faults import BadInput, VerificationFailed
from baytrace.records import retelling
from baytrace.records.bag_checks import Opened, check_bag, check_signature
from baytrace.records.checks import Check, Report, State
from baytrace.records.event_lines import read_events
from baytrace.records.limits import TABLE, UNPACKED
from baytrace.records.pack_reading import LaidOpenPack, Pack, ZippedPack, seal_fault
from baytrace.records.readings_file import check_file
from baytrace.records.scratch import scratch
from baytrace.records.signing import PublicKey

Progress = Callable[[float, str], None]
__all__ = ["Check", "Report", "State", "check_written", "opened", "trusted_contents", "verify_journal", "verify_pack"]


def verify_pack(
    path: Path, trusted_keys: Iterable[PublicKey] = (), progress: Progress | None = None, *, replay: bool = True
) -> Report:
    """Check a pack (a zip, or the directory it was unpacked to). With `trusted_keys`, a signature by another key is a fault.

    Raises BadInput when there is nothing to verify at `path`; what is wrong with a pack stands in the report.
    """
    told = progress or (lambda _share, _what: None)
    report = Report(path)
    with opened(path, report, trusted_keys, told) as pack:
        if pack is not None and replay:
            try:
                retelling.retell(pack, report, lambda share, what: told(0.15 + 0.85 * share, what))
            except VerificationFailed as error:
                report.say("container", State.FAULT, str(error))
    told(1.0, "done")
    return report


@contextmanager
def opened(
    path: Path, report: Report, trusted_keys: Iterable[PublicKey], progress: Progress, kept: tuple[str, ...] = UNPACKED
) -> Iterator[Opened | None]:
    """The bag while container, bag and signature are sound, else None; the report says what was found. Of a zip, `kept` is unpacked.

    Raises BadInput when there is nothing to open at `path`.
    """
    trusted = {key.fingerprint for key in trusted_keys}
    if not path.exists():
        raise BadInput("there is no such file", where=str(path), right="give a trace pack")
    with ExitStack() as stack:
        sound = None
        try:
            if (pack := _container(path, report, stack, progress, kept)) is not None:
                progress(0.1, "checking digests")
                found = check_bag(pack, report)
                if found is not None and check_signature(pack, report, trusted):
                    sound = found
        except VerificationFailed as error:
            report.say("container", State.FAULT, str(error))
        except OSError as error:
            raise BadInput(f"cannot be read ({error.strerror or error})", where=str(path)) from None
        yield sound


def _container(path: Path, report: Report, stack: ExitStack, progress: Progress, kept: tuple[str, ...]) -> Pack | None:
    if path.is_dir():
        laid = LaidOpenPack(path)
        report.say("container", State.OK, "a directory, unpacked: only its contents are checked")
        return laid
    progress(0.0, "checking the seal")
    fault = seal_fault(path)
    report.say("container", State.FAULT if fault else State.OK, fault or "every byte of the zip is as sealed")
    if fault:
        return None
    progress(0.05, "unpacking")
    return stack.enter_context(ZippedPack(path, stack.enter_context(scratch("baytrace-verify-")), kept))


@contextmanager
def trusted_contents(path: Path, progress: Progress | None = None) -> Iterator[tuple[Path, Report]]:
    """The payload's directory of a pack whose container, bag and signature hold, and what was said of it.

    Raises VerificationFailed naming the first fault, BadInput when there is no pack.
    """
    report = Report(path)
    with opened(path, report, (), progress or (lambda _share, _what: None), (*UNPACKED, *TABLE)) as pack:
        if pack is None or not report.good:
            raise VerificationFailed(f"{path}: {report.summary()}")
        yield pack.data, report


def check_written(path: Path, data: Path) -> None:
    """A pack just written, read back: its seal, its bounds, every digest and the signature; `data` is where its payload was made.

    Nothing is unpacked, and the session is not told again: its watches may be of another version than those that judged it.
    Raises VerificationFailed when the pack would not verify.
    """
    report = Report(path)
    with opened(path, report, (), lambda _share, _what: None, kept=()) as pack:
        if pack is not None and report.good:
            try:
                check_file(data / "readings.parquet", pack.claims)
                if sum(1 for _ in read_events(data / "events.jsonl")) > pack.claims.events:
                    report.say("session", State.FAULT, "there are more events than the session has numbers for")
            except VerificationFailed as error:
                report.say("container", State.FAULT, str(error))
    if not report.good:
        raise VerificationFailed(f"the pack was written and does not verify, so it was not kept: {report.summary()}")


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
