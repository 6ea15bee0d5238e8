"""Prompts: one card a minute and lane, no level twice, one answer."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dosetrack.alerts import (
    CHANGE_PLAN,
    GO_ON,
    Prompt,
    PromptState,
    answer,
    answer_payload,
    from_payloads,
    merged,
    raise_prompts,
    recorded_keys,
    show,
    to_decide,
    to_payload,
)
from dosetrack.errors import InputError, StateError
from dosetrack.radiation import default_level_settings, levels_reached, radiation_account
from dosetrack.records.entries import LevelsReached, PromptAnswered, PromptShown
from dosetrack.records.levels import LevelReached
from dosetrack.records.report import DoseTotal

START = datetime(2026, 3, 2, 10, 41, tzinfo=UTC)


def level(
    number: float, *, tier: str = "notification", lane: str = "radiation", plane: str | None = "a"
) -> LevelReached:
    return LevelReached(
        key=f"{lane}:{plane}:{number:g}",
        lane=lane,  # type: ignore[arg-type]
        tier=tier,  # type: ignore[arg-type]
        quantity="reference_air_kerma_mgy",
        plane=plane,
        value=number,
        level=number,
        name=f"level {number:g}",
        basis="stated",
        source="invented",
        say=f"level {number:g}",
    )


class Ids:
    def __init__(self) -> None:
        self.numbers = count(1)

    def __call__(self) -> str:
        return f"prompt-{next(self.numbers)}"


def raised(*levels: LevelReached, prompts: tuple[Prompt, ...] = (), after: float = 0.0) -> tuple[Prompt, ...]:
    return raise_prompts(levels, prompts, now=START + timedelta(seconds=after), make_id=Ids())


def test_a_jump_over_several_levels_is_one_card_naming_the_highest() -> None:
    account = radiation_account(
        [], [DoseTotal(plane="a", basis="stated", reference_air_kerma_mgy=6100.0)], []
    )
    (card,) = raised(*levels_reached(account, default_level_settings()))
    assert card.headline == "Ka,r 6 Gy, plane A; also past Ka,r 5 Gy, plane A, substantial level"
    assert card.say == "reference kerma six gray, plane A"
    assert card.priority == "substantial"
    assert card.levels == tuple(f"reference_air_kerma_mgy:a:{n}000" for n in (6, 5, 4, 3))
    assert card.state is PromptState.RAISED


def test_lanes_have_cards_of_their_own() -> None:
    cards = raised(level(3000), level(116, lane="contrast", plane=None, tier="leading-limit"))
    assert [(c.lane, c.priority) for c in cards] == [
        ("radiation", "notification"),
        ("contrast", "substantial"),
    ]


def test_the_same_level_never_prompts_twice_even_when_answered() -> None:
    first = raised(level(3000))
    done = (answer(first[0], by="Dr Example", at=START, decision=GO_ON, reason="lesion nearly closed"),)
    assert raised(level(3000), prompts=done, after=600) == ()


def test_what_follows_within_a_minute_grows_the_open_card() -> None:
    first = raised(level(3000))
    shown = (show(first[0], at=START),)
    (grown,) = raised(level(5000, tier="substantial"), level(4000), prompts=shown, after=59)
    assert grown.id == first[0].id
    assert [f.level for f in grown.facts] == [5000, 4000, 3000]
    assert grown.priority == "substantial"
    assert grown.raised_at == START
    assert merged(shown, (grown,)) == (grown,)


def test_another_quantity_does_not_take_the_headline_from_a_substantial_level() -> None:
    first = raised(level(5000, tier="substantial"))
    skin = replace(level(2000, plane=None), quantity="peak_skin_dose_mgy")
    (grown,) = raised(skin, prompts=first, after=10)
    assert grown.headline == first[0].headline
    assert grown.levels == (*first[0].levels, skin.key)


def test_a_minute_later_or_after_an_answer_it_is_a_new_card() -> None:
    first = raised(level(3000))
    (later,) = raise_prompts(
        [level(4000)], first, now=START + timedelta(seconds=60), make_id=lambda: "second"
    )
    assert later.id == "second"
    done = (answer(first[0], by="Dr Example", at=START, decision=CHANGE_PLAN),)
    (new,) = raise_prompts([level(4000)], done, now=START + timedelta(seconds=5), make_id=lambda: "second")
    assert new.levels == (level(4000).key,)


def test_a_level_told_before_the_planes_were_told_apart_speaks_for_one_plane() -> None:
    before = raised(level(3000, plane="single"))
    assert raised(level(3000, plane="a"), prompts=before, after=300) == ()
    (both,) = raised(level(3000, plane="a"), level(3000, plane="b"), prompts=before, after=300)
    assert both.levels == (level(3000, plane="b").key,)


def test_may_be_above_lists_the_case_and_asks_nobody() -> None:
    assert raised(level(5000, tier="may-be-above", plane=None)) == ()


def test_states_only_go_forward() -> None:
    (card,) = raised(level(3000))
    seen = show(card, at=START)
    assert (seen.state, show(seen, at=START + timedelta(minutes=1)).shown_at) == (PromptState.SHOWN, START)
    done = answer(seen, by=" Dr Example ", at=START, decision=GO_ON, reason=" last vessel ")
    assert done.answer is not None
    assert (done.state, done.answer.by, done.answer.reason) == (
        PromptState.ANSWERED,
        "Dr Example",
        "last vessel",
    )
    assert show(done, at=START) == done
    with pytest.raises(StateError, match="already answered by Dr Example"):
        answer(done, by="Dr Other", at=START, decision=CHANGE_PLAN)


@pytest.mark.parametrize(("by", "decision"), [("", GO_ON), ("Dr Example", "maybe")])
def test_an_answer_needs_a_name_and_a_decision(by: str, decision: str) -> None:
    (card,) = raised(level(3000))
    with pytest.raises(InputError, match="accepted"):
        answer(card, by=by, at=START, decision=decision)


def test_open_prompts_stand_with_the_substantial_first() -> None:
    old = replace(raised(level(3000))[0], id="old")
    new = replace(
        raised(level(5000, tier="substantial"))[0], id="new", raised_at=START + timedelta(minutes=5)
    )
    done = answer(replace(old, id="done"), by="Dr Example", at=START, decision=GO_ON)
    assert [p.id for p in to_decide([old, new, done])] == ["new", "old"]


def test_payloads_give_the_prompts_back() -> None:
    first = raised(level(3000))
    (grown,) = raised(level(4000), prompts=first, after=20)
    done = answer(grown, by="Dr Example", at=START + timedelta(minutes=2), decision=GO_ON, reason="short")
    system, version = "system", "0.1.0"
    entries: list[tuple[datetime, str, LevelsReached | PromptShown | PromptAnswered]] = [
        (START, system, to_payload(first[0], settings_seq=7, software_version=version)),
        (START + timedelta(seconds=20), system, to_payload(grown, settings_seq=7, software_version=version)),
        (START + timedelta(minutes=2), "Dr Example", answer_payload(done)),
        (START + timedelta(minutes=3), "Dr Other", answer_payload(done)),
    ]
    assert from_payloads(entries) == (done,)
    with pytest.raises(StateError, match="not answered"):
        answer_payload(grown)


@given(st.lists(st.tuples(st.integers(1, 8), st.integers(0, 90)), max_size=15))
def test_no_key_stands_on_two_cards_and_none_is_lost(updates: list[tuple[int, int]]) -> None:
    prompts: tuple[Prompt, ...] = ()
    ids, now = Ids(), START
    for number, seconds in updates:
        now += timedelta(seconds=seconds)
        prompts = merged(prompts, raise_prompts([level(number)], prompts, now=now, make_id=ids))
    keys = [key for p in prompts for key in p.levels]
    assert len(keys) == len(set(keys))
    assert recorded_keys(prompts) == {level(n).key for n, _ in updates}
