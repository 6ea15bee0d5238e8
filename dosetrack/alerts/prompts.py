"""Prompts as a small explicit state machine: raised -> shown -> answered.

    raised    levels were reached; nobody has seen the card yet
    shown     the card stood on a screen of the room
    answered  a person decided, by name; the card stays visible with the decision

The only steps are raised -> shown, raised -> answered and shown -> answered. Nothing leads back.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Literal

from dosetrack.errors import InputError, StateError
from dosetrack.records.levels import Lane, LevelReached

Priority = Literal["notification", "substantial"]
GO_ON = "go on because"
CHANGE_PLAN = "change plan"
DECISIONS = (GO_ON, CHANGE_PLAN)
ONE_CARD = timedelta(minutes=1)
"""What is reached within this time in one lane is one card."""
_SUBSTANTIAL_TIERS = frozenset({"substantial", "leading-limit"})
_LISTED_ONLY = frozenset({"may-be-above"})
"""Tiers that list a case for the physicist and ask nobody in the room."""


class PromptState(StrEnum):
    """Where a prompt stands."""

    RAISED = "raised"
    SHOWN = "shown"
    ANSWERED = "answered"


@dataclass(frozen=True, slots=True)
class Answer:
    """Who decided what, when and why. decision : 'go on because' or 'change plan'."""

    by: str
    at: datetime
    decision: str
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Prompt:
    """One card: levels of one lane reached together, the highest first.

    levels : keys of the levels; never empty
    facts : the levels as found, in the same order
    headline : names the highest level
    say : a phrase to say aloud
    """

    id: str
    lane: Lane
    levels: tuple[str, ...]
    facts: tuple[LevelReached, ...]
    headline: str
    say: str
    priority: Priority
    raised_at: datetime
    shown_at: datetime | None = None
    answer: Answer | None = None

    @property
    def state(self) -> PromptState:
        """Where the prompt stands."""
        if self.answer is not None:
            return PromptState.ANSWERED
        return PromptState.RAISED if self.shown_at is None else PromptState.SHOWN


def raise_prompts(
    reached: Sequence[LevelReached],
    prompts: Sequence[Prompt],
    *,
    now: datetime,
    make_id: Callable[[], str],
) -> tuple[Prompt, ...]:
    """The prompts to record for `reached`: new cards, and open cards that grew.

    Parameters
    ----------
    reached : in the calculators' order, the highest first within a lane
    prompts : every prompt of the case so far, answered ones too
    make_id : gives a new id for each new card

    Returns
    -------
    One card per lane at most. Where an unanswered card of the lane is less than a minute old, that
    card comes back with the new levels added (same id); `merged` puts it in place of the old one.
    A level whose key stands in any prompt is never raised again.
    """
    known = recorded_keys(prompts)
    raised = []
    for lane in dict.fromkeys(level.lane for level in reached):
        new = _new_levels(reached, lane, known, _told_of_no_plane(prompts))
        if not new:
            continue
        card = _open_card(prompts, lane, now)
        if card is None:
            raised.append(_card(new, prompt_id=make_id(), raised_at=now))
        else:
            grown = _card(_together(new, card.facts), prompt_id=card.id, raised_at=card.raised_at)
            raised.append(replace(grown, shown_at=card.shown_at))
    return tuple(raised)


def merged(prompts: Sequence[Prompt], raised: Sequence[Prompt]) -> tuple[Prompt, ...]:
    """`prompts` with `raised` put in place of those of the same id, else added at the end."""
    by_id = {p.id: p for p in prompts} | {p.id: p for p in raised}
    return tuple(by_id.values())


def recorded_keys(prompts: Iterable[Prompt]) -> frozenset[str]:
    """The keys of every level that has prompted."""
    return frozenset(key for p in prompts for key in p.levels)


def show(prompt: Prompt, *, at: datetime) -> Prompt:
    """`prompt` as first shown at `at`; a prompt shown before, or answered, stays as it is."""
    return replace(prompt, shown_at=at) if prompt.state is PromptState.RAISED else prompt


def answer(prompt: Prompt, *, by: str, at: datetime, decision: str, reason: str | None = None) -> Prompt:
    """`prompt` as answered.

    Raises
    ------
    StateError
        The prompt was answered before; the first answer stands.
    InputError
        No name, or a decision other than 'go on because' and 'change plan'.
    """
    if prompt.answer is not None:
        first = prompt.answer
        raise StateError(
            f"{prompt.headline}: already answered by {first.by} at {first.at:%H:%M} ({first.decision})"
        )
    if not by.strip():
        raise InputError(field="who decided", given=by, accepted="the name of the person who decided")
    if decision not in DECISIONS:
        raise InputError(field="decision", given=decision, accepted=" or ".join(DECISIONS))
    given = reason.strip() if reason else ""
    return replace(prompt, answer=Answer(by=by.strip(), at=at, decision=decision, reason=given or None))


def to_decide(prompts: Iterable[Prompt]) -> tuple[Prompt, ...]:
    """The unanswered prompts: substantial ones first, then the oldest first."""
    open_prompts = [p for p in prompts if p.answer is None]
    return tuple(sorted(open_prompts, key=lambda p: (p.priority != "substantial", p.raised_at)))


def _new_levels(
    reached: Sequence[LevelReached], lane: Lane, known: frozenset[str], told: set[tuple[str, str]]
) -> list[LevelReached]:
    """The levels of `lane` that nobody was told of.

    A level told before the planes were told apart speaks for one plane: the first that reaches it.
    """
    new: dict[str, LevelReached] = {}
    for level in reached:
        fact = _fact(level)
        if level.lane != lane or level.key in known or level.tier in _LISTED_ONLY:
            continue
        if level.plane in ("a", "b") and fact in told:
            told.discard(fact)
            continue
        new[level.key] = level
    return list(new.values())


def _told_of_no_plane(prompts: Iterable[Prompt]) -> set[tuple[str, str]]:
    """Levels told of a value whose plane was not known."""
    return {_fact(f) for p in prompts for f in p.facts if f.plane in ("single", "all")}


def _fact(level: LevelReached) -> tuple[str, str]:
    """Quantity and level of a fact, whatever its plane; the level ends the key."""
    return (level.quantity, level.key.rsplit(":", 1)[-1])


def _open_card(prompts: Sequence[Prompt], lane: Lane, now: datetime) -> Prompt | None:
    recent = [
        p
        for p in prompts
        if p.lane == lane and p.answer is None and timedelta() <= now - p.raised_at < ONE_CARD
    ]
    return max(recent, key=lambda p: p.raised_at, default=None)


def _together(new: Sequence[LevelReached], old: Sequence[LevelReached]) -> list[LevelReached]:
    """New levels lead, unless another quantity's substantial level stands on the card already."""
    head = old[0]
    same = (new[0].quantity, new[0].plane) == (head.quantity, head.plane)
    new_leads = same or any(n.tier in _SUBSTANTIAL_TIERS for n in new)
    if new_leads or not any(o.tier in _SUBSTANTIAL_TIERS for o in old):
        return [*new, *old]
    return [*old, *new]


def _card(levels: Sequence[LevelReached], *, prompt_id: str, raised_at: datetime) -> Prompt:
    highest = levels[0]
    substantial = [level for level in levels if level.tier in _SUBSTANTIAL_TIERS]
    return Prompt(
        id=prompt_id,
        lane=highest.lane,
        levels=tuple(level.key for level in levels),
        facts=tuple(levels),
        headline=_headline(highest, substantial),
        say=highest.say,
        priority="substantial" if substantial else "notification",
        raised_at=raised_at,
    )


def _headline(highest: LevelReached, substantial: Sequence[LevelReached]) -> str:
    if highest.tier in _SUBSTANTIAL_TIERS or not substantial:
        return _named(highest)
    return f"{_named(highest)}; also past {_named(substantial[0])}"


def _named(level: LevelReached) -> str:
    plane = f", plane {level.plane.upper()}" if level.plane in ("a", "b") else ""
    word = ", substantial level" if level.tier == "substantial" else ""
    return f"{level.name}{plane}{word}"
