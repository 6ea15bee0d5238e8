"""Levels in short, and how long cards waited."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from dosetrack.alerts import (
    answer,
    from_payloads,
    level_groups,
    prompt_waits,
    raise_prompts,
    show,
    shown_entry_id,
    to_payload,
)
from dosetrack.radiation import default_level_settings, levels_reached, radiation_account
from dosetrack.records.entries import PromptShown
from dosetrack.records.levels import LevelReached
from dosetrack.records.report import DoseTotal

START = datetime(2026, 3, 2, 10, 41, tzinfo=UTC)


def reached(kerma_mgy: float, *, plane: str = "a", skin_mgy: float | None = None) -> tuple[LevelReached, ...]:
    account = radiation_account(
        [],
        [DoseTotal(plane=plane, basis="stated", reference_air_kerma_mgy=kerma_mgy)],  # type: ignore[arg-type]
        [],
    )
    return levels_reached(account, default_level_settings(), skin_upper_mgy=skin_mgy)


def test_each_quantity_shows_its_highest_level_and_how_many_steps() -> None:
    (first,) = raise_prompts(reached(3100.0), (), now=START, make_id=lambda: "one")
    later = START + timedelta(minutes=20)
    (second,) = raise_prompts(reached(5100.0, skin_mgy=2600.0), (first,), now=later, make_id=lambda: "two")
    kerma, skin = level_groups(reached(5100.0, skin_mgy=2600.0), (first, second))
    # published steps: 3 Gy, then every 1 Gy, 5 Gy substantial; skin 2 Gy, then every 0.5 Gy, 3 Gy substantial
    assert [f.level for f in kerma.levels] == [5000.0, 4000.0, 3000.0]
    assert kerma.highest is kerma.substantial
    assert (kerma.first_at, kerma.reached_at) == (START, later)
    assert [f.level for f in skin.levels] == [2500.0, 2000.0]
    assert (skin.substantial, skin.reached_at) == (None, later)


def test_a_level_nobody_was_told_of_has_no_time() -> None:
    (group,) = level_groups(reached(3100.0))
    assert (group.reached_at, group.first_at) == (None, None)


def test_planes_stand_apart_and_so_does_what_the_sum_may_be() -> None:
    account = radiation_account(
        [],
        [
            DoseTotal(plane="a", basis="stated", reference_air_kerma_mgy=3100.0),
            DoseTotal(plane="b", basis="stated", reference_air_kerma_mgy=3000.0),
        ],
        [],
    )
    groups = level_groups(levels_reached(account, default_level_settings()))
    assert [(g.highest.plane, g.highest.tier, len(g.levels)) for g in groups] == [
        ("a", "notification", 1),
        ("b", "notification", 1),
        (None, "may-be-above", 3),  # 6, 5 and 4 Gy
    ]


def test_waits_run_from_raised_on() -> None:
    (card,) = raise_prompts(reached(3100.0), (), now=START, make_id=lambda: "one")
    seen = show(card, at=START + timedelta(seconds=2))
    done = answer(seen, by="Dr Example", at=START + timedelta(seconds=90), decision="change plan")
    assert [(w.to_shown_s, w.to_answered_s) for w in prompt_waits([card, seen, done])] == [
        (None, None),
        (2.0, None),
        (2.0, 90.0),
    ]


def test_the_first_screen_tells_when_a_card_was_shown() -> None:
    (card,) = raise_prompts(reached(3100.0), (), now=START, make_id=lambda: "one")
    entries = [
        (START, "system", to_payload(card, settings_seq=1, software_version="0")),
        (START + timedelta(seconds=1), "system", PromptShown("nobody's", "wall")),
        (START + timedelta(seconds=2), "system", PromptShown("one", "wall")),
        (START + timedelta(seconds=9), "system", PromptShown("one", "hand")),
        (START + timedelta(seconds=30), "system", to_payload(card, settings_seq=1, software_version="0")),
    ]
    (found,) = from_payloads(entries)
    assert (found.state, found.shown_at) == ("shown", START + timedelta(seconds=2))
    assert shown_entry_id("one", "wall") != shown_entry_id("one", "hand")
