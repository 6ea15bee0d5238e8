"""A prompt: what was reached, the phrase to say, and the decision with its reason.

'Go on' and 'change the plan' are the same size and neither is chosen beforehand. Colour comes with
a word and a shape; nothing flashes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards import view_models as vm
from dosetrack.alerts import GO_ON, prompt_waits

if TYPE_CHECKING:
    from dosetrack.alerts import Prompt

REASONS = ("clinical need", "close to the end")
KINDS = {"notification": "notify", "substantial": "decide"}
SHAPES = {"notify": "●", "decide": "▲"}
WORDS = {"notify": "notification", "decide": "to decide"}


def kind_of(prompt: Prompt) -> str:
    """'notify' or 'decide': which colour, shape and word a prompt has."""
    return KINDS[prompt.priority]


def prompt_card(prompt: Prompt, *, people: Sequence[str], zone: ZoneInfo, is_open: bool = True) -> Component:
    """An unanswered prompt with its decision; folded to its headline unless `is_open`."""
    kind = kind_of(prompt)
    return html.Details(
        [
            html.Summary(head(prompt, zone=zone)),
            html.P(["say: ", html.Q(prompt.say)], className="prompt-say"),
            html.Div(
                [_who(prompt, people), _reason(prompt), _decisions(prompt)],
                className="prompt-fields",
            ),
            html.Div(id=ids.family(ids.PROMPT_MESSAGE, prompt.id), className="field-error", role="alert"),
        ],
        key=prompt.id,
        open=is_open,
        className=f"prompt is-{kind}",
        **{"aria-label": f"{WORDS[kind]}: {prompt.headline}"},
    )


def prompt_notice(prompt: Prompt, *, zone: ZoneInfo) -> Component:
    """An open prompt on the wall: read, not answered there."""
    return html.Article(
        [head(prompt, zone=zone), html.P(["say: ", html.Q(prompt.say)], className="prompt-say")],
        key=prompt.id,
        className=f"prompt is-{kind_of(prompt)}",
    )


def head(prompt: Prompt, *, zone: ZoneInfo) -> Component:
    """Shape, word, headline and time."""
    kind = kind_of(prompt)
    return html.Div(
        [
            html.Span(SHAPES[kind], className="prompt-shape", **{"aria-hidden": "true"}),
            html.Span(WORDS[kind], className="prompt-word"),
            html.Span(vm.clock_time(prompt.raised_at, zone), className="prompt-time"),
            html.H3(prompt.headline, className="prompt-headline"),
        ],
        className="prompt-head",
    )


def answered_row(prompt: Prompt, *, zone: ZoneInfo, has_waits: bool = False) -> Component:
    """A prompt that was answered: it stays readable; with how long it waited for a screen and an answer."""
    answer = prompt.answer
    said = answer_words(answer.decision, answer.reason) if answer else "not answered"
    by = f"{vm.person_name(answer.by)}, {vm.clock_time(answer.at, zone)}" if answer else None
    return html.Li(
        [
            html.Span(vm.clock_time(prompt.raised_at, zone), className="quiet"),
            html.Span(
                [
                    html.Strong(prompt.headline),
                    html.Br(),
                    vm.joined(said, by),
                    *([html.Br(), html.Span(wait_words(prompt), className="quiet")] if has_waits else []),
                ]
            ),
        ],
        key=prompt.id,
    )


def wait_words(prompt: Prompt) -> str:
    """'on a screen after 2 s, answered after 3 min', from the moment the level was found reached."""
    (wait,) = prompt_waits([prompt])
    shown = "on no screen" if wait.to_shown_s is None else f"on a screen after {vm.age(wait.to_shown_s)}"
    answered = f"answered after {vm.age(wait.to_answered_s)}" if wait.to_answered_s is not None else None
    return vm.joined(shown, answered, by=", ")


def answer_words(decision: str, reason: str | None) -> str:
    """The decision as a sentence part: 'go on because close to the end', 'change plan: stage it'."""
    if decision == GO_ON:
        return f"{decision} {reason or 'no reason given'}"
    return vm.joined(decision, reason, by=": ")


def nothing_to_decide() -> Component:
    """The quiet state of the column."""
    return html.P("Nothing to decide.", className="quiet prompt-none")


def more_waiting(number: int) -> Component:
    """What the wall has no room for is counted; the hand view shows it."""
    noun = "prompt waits" if number == 1 else "prompts wait"
    return html.P(f"{number} more {noun} in the hand view.", className="prompt-more")


def _decisions(prompt: Prompt) -> Component:
    """Both answers, alike in size."""
    return html.Div(
        [
            html.Button(
                "Go on because …", id=ids.family(ids.PROMPT_GO_ON, prompt.id), className="button target"
            ),
            html.Button(
                "Change plan …", id=ids.family(ids.PROMPT_CHANGE, prompt.id), className="button target"
            ),
        ],
        className="prompt-decisions",
    )


def _who(prompt: Prompt, people: Sequence[str]) -> Component:
    name = ids.family(ids.PROMPT_WHO, prompt.id)
    if not people:
        field: Component = dcc.Input(id=name, type="text", className="input", placeholder="name", **_kept())
    else:
        field = dcc.RadioItems(
            id=name, options=[vm.person_name(p) for p in people], className="choices", **_kept()
        )
    return html.Fieldset([html.Legend("who decides"), field], className="prompt-field")


def _reason(prompt: Prompt) -> Component:
    """Reasons often given as targets, and a line for any other."""
    return html.Fieldset(
        [
            html.Legend("because"),
            dcc.RadioItems(
                id=ids.family(ids.PROMPT_REASON, prompt.id),
                options=list(REASONS),
                className="choices",
                **_kept(),
            ),
            html.Label(
                [
                    html.Span("because, in other words", className="for-readers"),
                    dcc.Input(
                        id=ids.family(ids.PROMPT_WORDS, prompt.id),
                        type="text",
                        className="input",
                        placeholder="or in other words",
                        **_kept(),
                    ),
                ],
                className="prompt-other",
            ),
        ],
        className="prompt-field",
    )


def _kept() -> dict[str, object]:
    """What was typed survives when another prompt arrives beside this one."""
    return {"persistence": True, "persistence_type": "memory"}
