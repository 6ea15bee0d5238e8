"""Prompts as ledger payloads, and back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

from dosetrack.alerts.prompts import Answer, Prompt, show
from dosetrack.errors import StateError
from dosetrack.records.entries import LevelsReached, PromptAnswered, PromptShown


def to_payload(prompt: Prompt, *, settings_seq: int, software_version: str) -> LevelsReached:
    """What the ledger records of `prompt` when it is raised or grows.

    Parameters
    ----------
    settings_seq : ledger position of the settings the levels were read with
    """
    return LevelsReached(
        prompt_id=prompt.id,
        lane=prompt.lane,
        levels=prompt.levels,
        headline=prompt.headline,
        say=prompt.say,
        priority=prompt.priority,
        settings_seq=settings_seq,
        software_version=software_version,
        facts=prompt.facts,
    )


def shown_entry_id(prompt_id: str, screen: str) -> str:
    """The id of the entry that tells that a prompt stood on `screen`: the same fact is recorded once."""
    return f"shown:{prompt_id}:{screen}"


def answer_payload(prompt: Prompt) -> PromptAnswered:
    """What the ledger records of the answer; who and when are those of the entry.

    Raises
    ------
    StateError
        The prompt has no answer yet.
    """
    if prompt.answer is None:
        raise StateError(f"{prompt.headline}: not answered yet")
    return PromptAnswered(prompt_id=prompt.id, decision=prompt.answer.decision, reason=prompt.answer.reason)


def from_payloads(
    entries: Iterable[tuple[datetime, str, LevelsReached | PromptShown | PromptAnswered]],
) -> tuple[Prompt, ...]:
    """The prompts of a case as the ledger tells them.

    Parameters
    ----------
    entries : (when it happened, name of the actor, payload) in ledger order. A later LevelsReached
        of the same prompt states the card as grown. It is shown from the first screen on that tells
        so. Of two answers the first stands; what tells of a prompt that is not there is passed over.
    """
    found: dict[str, Prompt] = {}
    for at, by, payload in entries:
        earlier = found.get(payload.prompt_id)
        if isinstance(payload, LevelsReached):
            found[payload.prompt_id] = _prompt(payload, at, earlier)
        elif earlier is None:
            continue
        elif isinstance(payload, PromptShown):
            found[payload.prompt_id] = show(earlier, at=at)
        elif earlier.answer is None:
            told = Answer(by=by, at=at, decision=payload.decision, reason=payload.reason)
            found[payload.prompt_id] = replace(earlier, answer=told)
    return tuple(found.values())


def _prompt(payload: LevelsReached, at: datetime, earlier: Prompt | None) -> Prompt:
    return Prompt(
        id=payload.prompt_id,
        lane=payload.lane,  # type: ignore[arg-type]  # checked when it was recorded
        levels=payload.levels,
        facts=payload.facts,
        headline=payload.headline,
        say=payload.say,
        priority=payload.priority,  # type: ignore[arg-type]
        raised_at=at if earlier is None else earlier.raised_at,
        shown_at=None if earlier is None else earlier.shown_at,
        answer=None if earlier is None else earlier.answer,
    )
