"""Levels and prompts in short: the highest level of each quantity, and how long cards waited."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from dosetrack.alerts.prompts import Priority, Prompt
from dosetrack.records.levels import Lane, LevelReached

_SUBSTANTIAL = frozenset({"substantial", "leading-limit"})


@dataclass(frozen=True, slots=True)
class LevelGroup:
    """What one quantity of one plane reached.

    highest : the highest level reached
    substantial : the highest substantial level or leading limit among them, None when there is none
    levels : all of them, the highest first
    reached_at : when `highest` prompted first; None where no prompt told of it
    first_at : when the first level of the group prompted
    """

    highest: LevelReached
    substantial: LevelReached | None
    levels: tuple[LevelReached, ...]
    reached_at: datetime | None
    first_at: datetime | None


@dataclass(frozen=True, slots=True)
class PromptWait:
    """How one prompt fared.

    to_shown_s, to_answered_s : from raised on [s]; None: it never stood on a screen, was not answered
    """

    lane: Lane
    priority: Priority
    raised_at: datetime
    to_shown_s: float | None
    to_answered_s: float | None


def level_groups(levels: Iterable[LevelReached], prompts: Iterable[Prompt] = ()) -> tuple[LevelGroup, ...]:
    """`levels` by quantity, plane and kind, in the order in which the first of each comes.

    'May be above' stands apart from the levels reached. Every contrast limit is a fact of its own
    beside its own steps.
    """
    told = _first_told(prompts)
    groups: dict[tuple[str, ...], list[LevelReached]] = {}
    for level in levels:
        groups.setdefault(_kind(level), []).append(level)
    return tuple(_group(members, told) for members in groups.values())


def prompt_waits(prompts: Iterable[Prompt]) -> tuple[PromptWait, ...]:
    """How long each prompt waited for a screen and for an answer, in the order given."""
    return tuple(
        PromptWait(
            lane=p.lane,
            priority=p.priority,
            raised_at=p.raised_at,
            to_shown_s=_seconds(p.raised_at, p.shown_at),
            to_answered_s=_seconds(p.raised_at, p.answer.at if p.answer else None),
        )
        for p in prompts
    )


def _kind(level: LevelReached) -> tuple[str, ...]:
    if level.lane == "contrast":
        return (level.lane, level.key.rsplit(":", 1)[0])
    return (level.lane, level.quantity, level.plane or "", "sum" if level.tier == "may-be-above" else "")


def _group(members: Sequence[LevelReached], told: dict[str, datetime]) -> LevelGroup:
    ordered = tuple(sorted(members, key=lambda level: -level.level))
    times = [told[level.key] for level in ordered if level.key in told]
    return LevelGroup(
        highest=ordered[0],
        substantial=next((level for level in ordered if level.tier in _SUBSTANTIAL), None),
        levels=ordered,
        reached_at=told.get(ordered[0].key),
        first_at=min(times, default=None),
    )


def _first_told(prompts: Iterable[Prompt]) -> dict[str, datetime]:
    """Key of a level -> when the card that tells of it was raised."""
    told: dict[str, datetime] = {}
    for prompt in prompts:
        for key in prompt.levels:
            told[key] = min(prompt.raised_at, told.get(key, prompt.raised_at))
    return told


def _seconds(start: datetime, end: datetime | None) -> float | None:
    return None if end is None else max(0.0, (end - start).total_seconds())
