"""What the panel of the patient's facts records: each fact as an entry of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from dash import ALL, Dash, Input, Output, State, no_update

from dashboards import ids
from dashboards.pages.room_entry import actor_of, input_words
from dosetrack.cases import standing
from dosetrack.entry import creatinine_from_text, patient_size_from_text
from dosetrack.errors import DosetrackError, InputError
from dosetrack.records.entries import Knowledge, OperatorsChanged, Payload
from dosetrack.records.people import Actor

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseView

Fields = dict[str, str | None]
RECORDED = "Recorded."
NOTHING = "Nothing to record: every field is empty or unchanged."


def payloads(view: CaseView, fields: Fields, *, on: date) -> tuple[list[Payload], list[str]]:
    """The entries that the filled fields make, and what must be asked about them.

    Raises
    ------
    InputError
        A field cannot be used.
    """
    found: list[Payload] = []
    asked: list[str] = []
    if _said(fields, "creatinine"):
        typed = creatinine_from_text(
            fields["creatinine"] or "",
            taken_on=fields.get("creatinine_on"),
            on=on,
            default_unit=view.settings.text("kidney.creatinine_unit") or None,
            is_unstable=fields.get("unstable") == "yes",
        )
        found.append(typed.value)
        asked += [q.text for q in typed.questions]
    if _said(fields, "weight") or _said(fields, "height"):
        size = patient_size_from_text(weight=fields.get("weight"), height=fields.get("height"), on=on)
        found.append(size.value)
        asked += [q.text for q in size.questions]
    operators = tuple(o.strip() for o in (fields.get("operators") or "").split(";") if o.strip())
    if operators:
        found.append(OperatorsChanged(operators))
    renal = replace(
        view.case.renal,
        dialysis=Knowledge(fields.get("dialysis") or Knowledge.UNKNOWN),
        is_creatinine_unstable=fields.get("unstable") == "yes",
        is_inpatient=fields.get("inpatient") == "yes",
        is_old_creatinine_confirmed=fields.get("old") == "yes",
    )
    if renal != view.case.renal:
        found.append(renal)
    return found, asked


def record(
    workflow: Workflow, case_id: str, fields: Fields, *, on: date, actor: Actor, is_confirmed: bool
) -> tuple[str, bool]:
    """(what was done or asked or is wrong, whether it is a question)."""
    view = workflow.case_view(case_id)
    try:
        found, asked = payloads(view, fields, on=on)
        if not found:
            return NOTHING, False
        if asked and not is_confirmed:
            return " ".join(asked), True
        for payload in (one for one in found if not _stands(view, one)):
            result = workflow.record(case_id, payload, actor=actor, is_confirmed=is_confirmed)
            if result.entry_id is None:
                return " ".join(q.text for q in result.questions), True
    except InputError as error:
        return input_words(error), False
    except DosetrackError as error:
        return str(error), False
    return RECORDED, False


def _stands(view: CaseView, payload: Payload) -> bool:
    """Whether the newest entry of this kind says the same: recorded before a question stopped the rest."""
    same = [e.payload for e in standing(view.case.entries) if isinstance(e.payload, type(payload))]
    return bool(same) and same[-1] == payload


def _said(fields: Fields, name: str) -> bool:
    return bool((fields.get(name) or "").strip())


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callback of the panel."""

    @app.callback(
        Output(ids.FACTS_MESSAGE, "children"),
        Output(ids.FACTS_CONFIRM_LINE, "hidden"),
        Output(ids.FACTS_CONFIRM, "value"),
        Input(ids.FACTS_RECORD, "n_clicks"),
        State(ids.family(ids.FACT, ALL), "value"),
        State(ids.family(ids.FACT, ALL), "id"),
        State(ids.FACTS_CONFIRM, "value"),
        State(ids.ENTRY_CASE, "data"),
        State(ids.ENTRY_BY, "value"),
        prevent_initial_call=True,
    )
    def record_facts(
        clicks: int | None,
        values: list[str | None],
        names: list[dict[str, str]],
        confirmed: list[str],
        case_id: str,
        by: str | None,
    ) -> tuple[Any, ...]:
        if not clicks:
            return no_update, no_update, no_update
        fields = {name["key"]: value for name, value in zip(names, values, strict=True)}
        said, is_question = record(
            workflow,
            case_id,
            fields,
            on=date.fromisoformat(workflow.today()),
            actor=actor_of(by, None),
            is_confirmed=bool(confirmed),
        )
        return said, not is_question, []
