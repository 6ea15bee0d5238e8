"""The prompts of a folded case."""

from __future__ import annotations

from dosetrack.alerts import Prompt, from_payloads
from dosetrack.cases import Case, Stamped
from dosetrack.records.entries import LevelsReached, PromptAnswered, PromptShown


def prompts_of(case: Case) -> tuple[Prompt, ...]:
    """The prompts raised in a case with their answers, oldest first."""
    stamped: list[Stamped[LevelsReached] | Stamped[PromptShown] | Stamped[PromptAnswered]] = [
        *case.prompts, *case.shown, *case.answers,
    ]  # fmt: skip
    stamped.sort(key=lambda s: s.seq)
    return from_payloads((s.at, s.by.name, s.value) for s in stamped)
