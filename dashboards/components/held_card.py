"""What a machine sent and a person must decide about: what came, the question, one button an answer."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from dashboards import ids
from dashboards import view_models as vm
from dosetrack.workflow.wording import in_words

if TYPE_CHECKING:
    from dosetrack.workflow.results import Held

ANSWER_WORDS = {
    "counts": "It counts for this patient",
    "began again": "The console began again",
    "carried over": "Carried over from the last patient",
    "does not count": "It does not count",
}
MOST_ON_WALL = 1
_BETWEEN = "|"  # stands in no id of an entry


def held_cards(waiting: Sequence[Held], *, zone: ZoneInfo, is_wall: bool = False) -> list[Component]:
    """One card for each, to be answered in the hand view; on the wall the first, and how many more."""
    shown = waiting[:MOST_ON_WALL] if is_wall else waiting
    cards = [_card(held, zone=zone, is_wall=is_wall) for held in shown]
    more = len(waiting) - len(shown)
    return [*cards, html.P(f"{more} more not counted yet: see the hand view.")] if more else cards


def _card(held: Held, *, zone: ZoneInfo, is_wall: bool) -> Component:
    sent = held.sent.reading if held.sent.reading is not None else held.sent.injection
    headline = f"{held.sent.feed}: {in_words(sent)}"
    parts: list[Component] = [
        html.Div(
            [
                html.Span("◆", className="prompt-shape", **{"aria-hidden": "true"}),
                html.Span("not counted yet", className="prompt-word"),
                html.Span(vm.clock_time(held.at, zone), className="prompt-time"),
                html.H3(headline, className="prompt-headline"),
            ],
            className="prompt-head",
        ),
        html.P(" ".join(held.sent.questions), className="prompt-say"),
    ]
    if not is_wall:
        parts.append(
            html.Div(
                [
                    html.Button(
                        ANSWER_WORDS[answer],
                        id=ids.family(ids.HELD_ANSWER, answer_key(held.entry_id, answer)),
                        className="button target",
                    )
                    for answer in held.answers
                ],
                className="prompt-decisions",
            )
        )
    return html.Article(
        parts,
        key=held.entry_id,
        className="prompt is-notify",
        **{"aria-label": f"not counted yet: {headline}"},
    )


def answer_key(entry_id: str, answer: str) -> str:
    """The key of the button that gives this answer about this entry."""
    return f"{entry_id}{_BETWEEN}{answer}"


def answer_of(key: str) -> tuple[str, str]:
    """(entry id, answer) of a button's key."""
    entry_id, _, answer = key.rpartition(_BETWEEN)
    return entry_id, answer
