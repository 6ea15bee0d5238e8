"""The call card: two identifiers first, how to reach, why, what to ask, what was seen, what happened."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import follow_up_effects as fe
from dashboards import follow_up_view as fv
from dashboards import view_models as vm
from dashboards.components.numbers import definition_list
from dashboards.components.tables import table
from dashboards.figures.body_sides import body_sides
from dashboards.figures.style import GRAPH_CONFIG
from dashboards.patient_view import patient_href
from dashboards.router import path_of
from dosetrack.followup.items import FollowUpItem
from dosetrack.reports.body_drawing import body_drawing

if TYPE_CHECKING:
    from dosetrack.followup.on_day import ItemOnDay
    from dosetrack.records.report import Patient
    from dosetrack.settings import Settings
    from dosetrack.workflow.results import SkinMapView

IDENTIFY = "Before anything else, ask for both and compare:"
NO_DRAWING = "No drawing: the place is not known without a map of the body."
URGENT_MISSING = "a doctor; nobody is named yet (Settings, Documents, 'Whom to call the same day')"
NOTHING_YET = "Nothing happened yet."


def identity(patient: Patient) -> Component:
    """Name and day of birth, large, before all else."""
    return html.Section(
        [
            html.P(IDENTIFY, className="quiet"),
            html.Div(
                [
                    _identifier("name", vm.person_name(patient.name) or vm.NOT_KNOWN),
                    _identifier("born", patient.birth_date or vm.NOT_KNOWN),
                ],
                className="identifiers",
            ),
            html.P(
                [
                    f"number {patient.id or vm.NOT_KNOWN}",
                    f", issued by {patient.id_issuer}" if patient.id_issuer else "",
                    *_patient_link(patient),
                ],
                className="quiet",
            ),
        ],
        className="card-identity",
        **{"aria-label": "Identify the patient"},
    )


def _identifier(label: str, text: str) -> Component:
    return html.Div([html.Div(label, className="number-label"), html.Div(text, className="identifier")])


def _patient_link(patient: Patient) -> list[Any]:
    href = patient_href(patient)
    return [" · ", dcc.Link("all cases of the patient", href=href)] if href else []


def contact(items: Sequence[ItemOnDay]) -> Component:
    """Interpreter, what was consented to, telephone to touch."""
    item = items[0].item
    known = next((one.item.contact for one in items if one.item.contact is not None), None)
    phone: Any = vm.NOT_KNOWN
    if known is not None and known.phone:
        phone = html.A(known.phone, href=f"tel:{known.phone.replace(' ', '')}", className="button call-phone")
    rows: list[tuple[str, object]] = [
        ("interpreter", (known.interpreter if known else None) or "none asked for on record"),
        ("consents to", ", ".join(known.consents_to) if known and known.consents_to else vm.NOT_KNOWN),
        ("telephone", phone),
        ("family doctor", (known.family_doctor if known else None) or vm.NOT_KNOWN),
    ]
    parts: list[Component] = [definition_list(rows, name="facts card-facts")]
    died = item.died_on or (known.died_on if known else None)
    if died:
        parts.insert(0, html.P(f"◆ The patient died on {died}: no call.", className="follow-warning"))
    return html.Div(parts)


def item_head(one: ItemOnDay) -> Component:
    """Kind and case, how it stands, why, and what comes next."""
    line = fv.line_of(one)
    reasons = [
        html.Li([reason.text, *([": ", _value(reason)] if reason.value else [])]) for reason in line.reasons
    ]
    missing = one.item.decided.missing
    return html.Div(
        [
            html.H2(f"{line.what}: {vm.day(one.item.day)}"),
            html.P([dcc.Link(fv.where(one.item), href=path_of("case", one.item.case_id))]),
            html.P([html.Strong(f"{line.shape} {line.standing}"), f" · {line.state} · owner: {line.owner}"]),
            *([html.P(f"◆ {line.warning}", className="follow-warning")] if line.warning else []),
            html.P([html.Strong("Next: "), line.next_step], className="card-next"),
            html.Ul(reasons, className="follow-reasons"),
            *(
                [html.P(f"Not known when decided: {'; '.join(missing)}.", className="quiet")]
                if missing
                else []
            ),
            _days(one.item),
            _sources(line),
        ],
        className="card-item-head",
    )


def _value(reason: fv.Reason) -> Any:
    return html.I(reason.value) if reason.is_estimated else reason.value


def _sources(line: fv.Line) -> Component:
    named = dict.fromkeys(reason.source for reason in line.reasons if reason.source)
    listed = html.Ul([html.Li(source) for source in named])
    return html.Details([html.Summary("Where these levels are from"), listed], className="card-more")


def _days(item: FollowUpItem) -> Component | None:
    if not item.due:
        return None
    told = [
        f"{vm.day(due.day)}{f': done {vm.day(due.done_on)}' if due.done_on else ': open'}" for due in item.due
    ]
    return html.P(f"Days by the rules: {'; '.join(told)}.", className="quiet")


def kidney(item: FollowUpItem) -> Component:
    """What the creatinines say."""
    found = item.injury
    if found is None:
        return html.P("What creatinine tells is not known.", className="quiet")
    missing = f" Missing: {'; '.join(found.missing)}." if found.missing else ""
    return html.P([html.Strong(f"{found.text}."), missing])


# the skin --------------------------------------------------------------------------------


def skin(one: ItemOnDay, view: SkinMapView | None, settings: Settings) -> list[Component]:
    """Place, drawing, what this week could show, and whom to tell the same day."""
    item = one.item
    dose = fe.known_dose(item, view)
    week = fe.expected(item, dose, on=one.on)
    return [
        html.H3("Where to look"),
        html.P(_site(item, view)),
        *_drawing(view),
        html.H3("What this week could show"),
        html.P(["skin dose ", html.I(dose.words), _week_words(week.week)]),
        _bands(week),
        html.P(fe.ASK),
        urgent(settings),
        html.Details(
            [
                html.Summary("How far these bands can be trusted"),
                html.Ul([html.Li(note) for note in week.notes]),
            ],
            className="card-more",
        ),
    ]


def _week_words(week: int | None) -> str:
    if week is None:
        return "; the day of the case is not known"
    return f"; {week} {'week' if week == 1 else 'weeks'} since the case"


def _bands(week: fe.Expected) -> Component:
    if not week.rows:
        return html.P(fe.NO_DOSE, className="quiet")
    said = "Published bands by dose and time; no prediction for this person"
    return table(fe.BANDS_HEAD, week.rows, caption=said, is_caption_shown=True)


def _site(item: FollowUpItem, view: SkinMapView | None) -> list[Any]:
    predicted = view.map.peak_site if view is not None and view.map is not None else None
    seen = [look.seen for look in item.looks if look.seen.place]
    words: list[Any] = [html.Strong(f"Predicted: {predicted or vm.NOT_KNOWN}.")]
    if seen:
        last = seen[-1]
        fits = {True: "the predicted place", False: "not the predicted place", None: "not compared"}
        words.append(f" Seen on {vm.day(last.seen_on)}: {last.place} ({fits[last.is_at_predicted_site]}).")
    return words


def _drawing(view: SkinMapView | None) -> list[Component]:
    drawing = None
    if view is not None and view.map is not None:
        drawing = body_drawing(view.map, view.setup)
    if drawing is None:
        reason = view.reason if view is not None and view.reason else NO_DRAWING
        return [html.P(reason, className="quiet")]
    figure = body_sides(drawing)
    return [
        html.Div(
            dcc.Graph(
                figure=figure,
                config=GRAPH_CONFIG,
                responsive=True,
                style={"height": f"{figure.layout.height}px"},
            ),
            role="img",
            className="card-drawing",
            **{"aria-label": "The body from the front and the back with the skin to look at"},
        ),
        html.P(
            "Left and right are the patient's. Dark: most dose; grey: look there as well. An estimate.",
            className="quiet small",
        ),
    ]


def urgent(settings: Settings) -> Component:
    """Whom to tell the same day: named by the department, or said to be missing."""
    named = settings.text("document.urgent_contact") or " ".join(
        part
        for part in (settings.text("document.contact_name"), settings.text("document.contact_phone"))
        if part
    )
    return html.P(
        [html.Span("◆ ", **{"aria-hidden": "true"}), "Wound, blister or pain: the same day to ",
         html.Strong(named or URGENT_MISSING), "."],
        className="card-urgent",
    )  # fmt: skip


# what happened ---------------------------------------------------------------------------


def history(items: Sequence[ItemOnDay]) -> Component:
    """Calls, looks and changes of every item, newest first."""
    lines = [line for one in items for line in _told(one.item)]
    if not lines:
        return html.P(NOTHING_YET, className="quiet")
    lines.sort(key=lambda line: line[0], reverse=True)
    return html.Ol(
        [
            html.Li(
                [
                    html.Time(vm.day_and_time(at.isoformat()), dateTime=at.isoformat()),
                    html.Div([html.Span(words), html.Div(vm.person_name(by), className="quiet")]),
                ]
            )
            for at, words, by in lines
        ],
        className="timeline card-history",
    )


def _told(item: FollowUpItem) -> list[tuple[Any, str, str]]:
    kind = fv.KIND_WORDS[item.kind]
    told = [
        (
            a.at,
            f"{kind}, call: {a.outcome}{f'; {a.note}' if a.note else ''}"
            f"{f'; next step on {vm.day(a.next_on)}' if a.next_on else ''}",
            a.by,
        )
        for a in item.attempts
    ]
    for look in item.looks:
        seen = look.seen
        grade = f"grade {seen.grade}, {seen.scale}" if seen.grade is not None else "not graded"
        parts = [f"{kind}, seen {vm.day(seen.seen_on)} by {seen.examiner}: {grade}", seen.place, seen.note]
        parts += [f"photo {seen.photo}" if seen.photo else None, "urgent" if seen.is_urgent else None]
        told.append((look.at, "; ".join(part for part in parts if part), look.by))
    told += [(line.at, f"{kind}: {line.text}", line.by) for line in item.trace]
    if item.settled_at is not None:
        told.append((item.settled_at, f"{kind}: settled: {item.settled_reason or ''}", item.settled_by or ""))
    return told
