"""What is recorded on the call card: a call, a look at the skin, an estimate, a creatinine, the end."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import dash_mantine_components as dmc
from dash import dcc, html
from dash.development.base_component import Component

from dashboards import follow_up_view as fv
from dashboards import ids
from dashboards import view_models as vm
from dosetrack.followup.items import OUTCOMES
from dosetrack.skin.grades import SCALE, skin_grades

if TYPE_CHECKING:
    from dosetrack.followup.items import FollowUpItem
    from dosetrack.followup.on_day import ItemOnDay

NEXT_DAYS = ((1, "tomorrow"), (3, "in 3 days"), (7, "in a week"), (14, "in 2 weeks"))
NOT_GRADED = "none"
PLACES = (
    {"label": "yes", "value": "yes"},
    {"label": "no", "value": "no"},
    {"label": "not told", "value": ""},
)
URGENT = "wound, blister or pain"
CONSENTS = ("phone", "letter", "message")


def field_id(family: str, item: FollowUpItem, name: str) -> dict[str, Any]:
    """The id of one field of an item's form: a patient may have items of several cases."""
    return ids.family(family, f"{item.case_id}|{name}")


def text_field(component_id: Any, label: str, hint: str = "", value: str | None = None) -> Component:
    """A line of text with its label above."""
    return html.Label(
        [
            html.Span(label, className="field-label"),
            dcc.Input(
                id=component_id,
                type="text",
                className="input",
                placeholder=hint,
                value=value,
                autoComplete="off",
            ),
        ],
        className="field",
    )


def choices(component_id: Any, label: str, options: Sequence[Any], value: str) -> Component:
    """One of a few, as a group with a name."""
    return html.Fieldset(
        [
            html.Legend(label),
            dcc.RadioItems(
                id=component_id, options=list(options), value=value, className="choices", inline=True
            ),
        ],
        className="field",
    )


def call_form(items: Sequence[ItemOnDay], on: date) -> Component:
    """The outcome of a call in one touch; note and next day first, so that a thumb ends on the outcome."""
    callable_items = [one for one in items if one.may_call]
    if not callable_items:
        return html.P("Nobody is to be called about an open item.", className="quiet")
    about = [{"label": about_words(one.item), "value": fv.line_of(one).key} for one in callable_items]
    return html.Div(
        [
            html.Fieldset(
                [
                    html.Legend("the call was about"),
                    dcc.Checklist(
                        id=ids.CALL_ABOUT,
                        options=about,
                        value=[one["value"] for one in about],
                        className="choices is-column",
                    ),
                ],
                className="field",
            ),
            text_field(ids.CALL_NOTE, "note", "what was said"),
            next_day(on),
            html.Div(
                [
                    html.Button(
                        outcome,
                        id=ids.family(ids.CALL_OUTCOME, outcome),
                        className="button call-outcome" + (" is-wide" if outcome == "reached" else ""),
                    )
                    for outcome in OUTCOMES
                ],
                className="call-outcomes",
                role="group",
                **{"aria-label": "outcome of the call"},
            ),
        ],
        className="call-form",
    )


def about_words(item: FollowUpItem) -> str:
    """'skin, case of 3 Nov 2026'."""
    return f"{item.kind}, case of {vm.day(item.day)}"


def next_day(on: date) -> Component:
    """The day of the next step: none by itself, a few near ones, or typed."""
    days = [
        {
            "label": f"{words}, {vm.day((on + timedelta(days=n)).isoformat())}",
            "value": (on + timedelta(days=n)).isoformat(),
        }
        for n, words in NEXT_DAYS
    ]
    return html.Div(
        [
            choices(ids.CALL_NEXT, "next step on", [{"label": "as the rules say", "value": ""}, *days], ""),
            text_field(ids.CALL_NEXT_TYPED, "or another day", "YYYY-MM-DD"),
        ],
        className="call-next",
    )


def seen_form(item: FollowUpItem, on: date, people: Sequence[str]) -> Component:
    """What was seen of the skin, on the named scale."""
    grades = [{"label": "not graded", "value": NOT_GRADED}]
    grades += [{"label": f"{one.grade}: {one.text}", "value": str(one.grade)} for one in skin_grades()]
    return html.Details(
        [
            html.Summary("Record what was seen or told of the skin"),
            html.Div(
                [
                    dcc.Checklist(
                        id=field_id(ids.SEEN_FIELD, item, "urgent"),
                        options=[{"label": URGENT, "value": "yes"}],
                        value=[],
                        className="choices",
                    ),
                    html.Fieldset(
                        [
                            html.Legend(f"grade, {SCALE} (shortened)"),
                            dcc.RadioItems(
                                id=field_id(ids.SEEN_FIELD, item, "grade"),
                                options=grades,
                                value=NOT_GRADED,
                                className="choices is-column",
                            ),
                        ],
                        className="field",
                    ),
                    text_field(
                        field_id(ids.SEEN_FIELD, item, "place"),
                        "where on the body",
                        "right side of the back, below the shoulder blade",
                    ),
                    choices(
                        field_id(ids.SEEN_FIELD, item, "is_predicted"),
                        "is that the place of the drawing",
                        PLACES,
                        "",
                    ),
                    text_field(
                        field_id(ids.SEEN_FIELD, item, "photo"),
                        "photo reference",
                        "number in the picture archive",
                    ),
                    text_field(
                        field_id(ids.SEEN_FIELD, item, "seen_on"), "seen on", "YYYY-MM-DD", on.isoformat()
                    ),
                    dmc.Autocomplete(
                        id=field_id(ids.SEEN_FIELD, item, "examiner"),
                        label="examiner; or who told by telephone",
                        data=[vm.person_name(name) for name in people],
                    ),
                    text_field(field_id(ids.SEEN_FIELD, item, "note"), "note"),
                    html.Button(
                        "Record what was seen",
                        id=ids.family(ids.SEEN_RECORD, item.case_id),
                        className="button is-strong",
                    ),
                ],
                className="card-fields",
            ),
        ],
        className="card-more",
    )


def estimate_form(one: ItemOnDay) -> Component:
    """A physicist's estimate and decision; open while it is waited for."""
    item = one.item
    is_waiting = item.decided.estimate_due is not None and item.estimate is None
    due = f", due {vm.day(item.decided.estimate_due)}" if is_waiting else ""
    return html.Details(
        [
            html.Summary(f"Physicist's estimate{due}"),
            html.Div(
                [
                    text_field(
                        field_id(ids.ESTIMATE_FIELD, item, "peak"), "peak skin dose, with its unit", "3.2 Gy"
                    ),
                    text_field(field_id(ids.ESTIMATE_FIELD, item, "low"), "lowest likely", "2.1 Gy"),
                    text_field(field_id(ids.ESTIMATE_FIELD, item, "high"), "highest likely", "4.9 Gy"),
                    text_field(
                        field_id(ids.ESTIMATE_FIELD, item, "method"),
                        "how it was found",
                        "film, or calculation from the report",
                    ),
                    text_field(field_id(ids.ESTIMATE_FIELD, item, "reason"), "reason, needed for no call"),
                    html.Div(
                        [
                            html.Button(
                                words,
                                id=ids.family(ids.ESTIMATE_DECIDE, f"{item.case_id}|{decision}"),
                                className="button",
                            )
                            for decision, words in (
                                ("call", "The patient is called"),
                                ("no call", "No call"),
                            )
                        ],
                        className="call-outcomes",
                    ),
                ],
                className="card-fields",
            ),
        ],
        open=is_waiting,
        className="card-more",
    )


def creatinine_form(item: FollowUpItem) -> Component:
    """A result of the laboratory in its own unit."""
    return html.Details(
        [
            html.Summary("Enter a creatinine"),
            html.Div(
                [
                    text_field(
                        ids.family(ids.RESULT_VALUE, item.case_id),
                        "creatinine, with its unit",
                        "1.20 mg/dL or 106 µmol/L",
                    ),
                    text_field(
                        ids.family(ids.RESULT_ON, item.case_id), "taken on", "YYYY-MM-DD or YYYY-MM-DDTHH:MM"
                    ),
                    dcc.Checklist(
                        id=ids.family(ids.RESULT_SURE, item.case_id),
                        options=[{"label": "yes, it is right as typed (only if asked)", "value": "yes"}],
                        value=[],
                        className="choices",
                    ),
                    html.Button(
                        "Record creatinine",
                        id=ids.family(ids.RESULT_RECORD, item.case_id),
                        className="button is-strong",
                    ),
                ],
                className="card-fields",
            ),
        ],
        open=item.injury is not None and item.injury.peak is None and item.is_open,
        className="card-more",
    )


def end_form(one: ItemOnDay, people: Sequence[str]) -> Component:
    """Owner, and settling or opening again with a reason."""
    item = one.item
    key = f"{item.case_id}|{item.kind}"
    word, what = ("Settle", "settle") if item.is_open else ("Open again", "reopen")
    sure = (
        [
            dcc.Checklist(
                id=ids.family(ids.END_SURE, key),
                options=[{"label": "settle although something is still due (only if asked)", "value": "yes"}],
                value=[],
                className="choices",
            )
        ]
        if item.is_open
        else [dcc.Checklist(id=ids.family(ids.END_SURE, key), options=[], value=[])]
    )
    return html.Details(
        [
            html.Summary(f"{word} with a reason; owner"),
            html.Div(
                [
                    text_field(
                        ids.family(ids.END_REASON, key), "reason", "why it is settled" if item.is_open else ""
                    ),
                    *sure,
                    html.Button(
                        word, id=ids.family(ids.END_DO, f"{key}|{what}"), className="button is-strong"
                    ),
                    dmc.Autocomplete(
                        id=ids.family(ids.OWNER_NAME, key),
                        label="owner; empty: nobody",
                        data=[vm.person_name(name) for name in people],
                        value=item.owner or "",
                    ),
                    html.Button("Give to this owner", id=ids.family(ids.OWNER_DO, key), className="button"),
                ],
                className="card-fields",
            ),
        ],
        className="card-more",
    )


def contact_form(item: FollowUpItem) -> Component:
    """How the patient may be reached, as consented."""
    contact = item.contact
    return html.Details(
        [
            html.Summary("Change how the patient may be reached"),
            html.Div(
                [
                    text_field(ids.CONTACT_PHONE, "telephone", value=contact.phone if contact else None),
                    html.Fieldset(
                        [
                            html.Legend("the patient consents to"),
                            dcc.Checklist(
                                id=ids.CONTACT_CONSENTS,
                                options=list(CONSENTS),
                                value=[c for c in CONSENTS if contact and c in contact.consents_to],
                                className="choices",
                                inline=True,
                            ),
                        ],
                        className="field",
                    ),
                    text_field(
                        ids.CONTACT_INTERPRETER,
                        "interpreter for",
                        value=contact.interpreter if contact else None,
                    ),
                    text_field(
                        ids.CONTACT_DOCTOR, "family doctor", value=contact.family_doctor if contact else None
                    ),
                    html.Button("Keep", id=ids.CONTACT_KEEP, className="button"),
                ],
                className="card-fields",
            ),
        ],
        className="card-more",
    )
