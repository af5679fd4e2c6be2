"""What the car's own figures say of a settled loop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from baytrace.measure.decision import worst
from baytrace.measure.verdict import Figure, Outcome

TABLE, BEFORE, EARLIER = "maker's table", "this car before", "earlier session"


@dataclass(frozen=True, slots=True)
class OwnJudgement:
    """`kind` is which reference it rests on. `spoke` is False where there is one that may not be used here: the sentences say why."""

    outcome: Outcome
    kind: str
    sentences: tuple[str, ...]
    figures: Mapping[str, Figure] = field(default_factory=dict)
    spoke: bool = True

    @classmethod
    def said(cls, outcome: Outcome, kind: str, why: Sequence[str], figures: Mapping[str, Figure]) -> OwnJudgement:
        """One that spoke; `why` become full sentences."""
        return cls(outcome, kind, tuple(full(each) for each in why), figures)

    @classmethod
    def refused(cls, kind: str, why: Sequence[str]) -> OwnJudgement:
        """One that may not be used, with the reasons."""
        return cls(Outcome.UNDECIDED, kind, tuple(f"Not compared with the {kind}: {each}." for each in why), {}, False)


def full(text: str) -> str:
    """A sentence with its capital and its stop."""
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")


def together(judgements: Sequence[OwnJudgement]) -> OwnJudgement | None:
    """One of several: those that spoke decide together, any fail fails; those refused are heard only when none spoke."""
    if not judgements:
        return None
    spoke = [each for each in judgements if each.spoke]
    told = spoke or list(judgements)
    figures = {name: figure for each in told for name, figure in each.figures.items()}
    sentences = tuple(sentence for each in judgements for sentence in each.sentences)
    kind = " and ".join(dict.fromkeys(each.kind for each in told))
    return OwnJudgement(worst([each.outcome for each in told]), kind, sentences, figures, bool(spoke))
