"""What the car's own figures say of a settled run: its maker's table, the run before the repair, an earlier sound session.

Without any of them the answer is None, and a running loop can be judged by the usual range of all cars alone.
"""

from __future__ import annotations

from collections.abc import Iterator

from baytrace.measure.verdict import Figure, Outcome
from baytrace.physics.fluid_names import Fluid
from baytrace.watches.limits_table import limit
from baytrace.watches.running.figures import loop_of
from baytrace.watches.running.follow import Running, RunningFollower
from baytrace.watches.running.own_compare import WORDS, Compared, compare, sentence
from baytrace.watches.running.own_judgement import BEFORE, EARLIER, OwnJudgement, full, together
from baytrace.watches.running.own_runs import before_repair, figures_in, figures_of
from baytrace.watches.running.own_settings import OwnCarSettings
from baytrace.watches.running.own_table import judge_table


def own_judgement(
    follower: RunningFollower, running: Running, fluid: Fluid, settings: OwnCarSettings
) -> OwnJudgement | None:
    """All references together (`own_judgement.together`); None where there is none."""
    return together(list(own_judgements(follower, running, fluid, settings)))


def own_judgements(
    follower: RunningFollower, running: Running, fluid: Fluid, settings: OwnCarSettings
) -> Iterator[OwnJudgement]:
    """One judgement for each reference there is."""
    if settings.own_table is not None:
        loop = loop_of(follower, running, fluid, settings)
        yield judge_table(settings.own_table, running.stretch.conditions, loop)
    if settings.own_run is not None:
        now = figures_of(follower, running, fluid, settings, limit("own.repeats_later"))
        found = compare(figures_in(settings.own_run), now)
        yield of_sound(EARLIER, found, (f"compared with {settings.own_run.day}: {settings.own_run.sound}",))
    before = before_repair(follower, running) if settings.before else None
    if before is not None:
        share = limit("own.repeats_session")
        found = compare(*(figures_of(follower, each, fluid, settings, share) for each in (before, running)))
        if settings.before == "sound" or found.refused:
            yield of_sound(BEFORE, found, ())
        else:
            yield _of_faulty(found)


def of_sound(kind: str, found: Compared, said: tuple[str, ...]) -> OwnJudgement:
    """Against a run of the car when it was sound: unchanged passes, changed fails."""
    if found.refused:
        return OwnJudgement.refused(kind, found.refused)
    return OwnJudgement.said(found.outcome, kind, (*said, *_sentences(found)), _figures(kind, found))


def _of_faulty(found: Compared) -> OwnJudgement:
    """Against a run of the car when it had a fault: what moved is told, and proves nothing."""
    said = "the run before the repair was of a car with a fault: what moved since is told, and no pass rests on it"
    told = tuple(full(each) for each in (*_sentences(found), said))
    return OwnJudgement(Outcome.UNDECIDED, BEFORE, told, _figures(BEFORE, found), spoke=False)


def _sentences(found: Compared) -> list[str]:
    """Changed first, then what could not be told."""
    order = {Outcome.FAIL: 0, Outcome.UNDECIDED: 1, Outcome.PASS: 2, None: 3}
    said = [sentence(change) for change in sorted(found.changes, key=lambda change: order[change.outcome])]
    said += [f"{WORDS[name]} was not read in both runs" for name in found.missing]
    if found.new_instruments:
        roles = ", ".join(role.replace("_", " ") for role in found.new_instruments)
        said.append(
            f"other instruments than before, or newly calibrated, for {roles}: their whole uncertainty counts twice"
        )
    return said


def _figures(kind: str, found: Compared) -> dict[str, Figure]:
    prefix = "own_since_repair" if kind == BEFORE else "own_since"
    return {f"{prefix}_{change.name}": change.figure for change in found.changes}
