"""Reconcile and close: each difference between typed and reported, and what a person says counts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards import view_models as vm
from dashboards.case_tables import NAMES, SINGLE, words_of
from dashboards.components.tables import section, table
from dosetrack.cases import CaseState
from dosetrack.reconcile import CHOICES, REPORTED, TYPED, Difference, ToldTwice

if TYPE_CHECKING:
    from dosetrack.workflow.results import CaseView

HEAD = ("plane", "quantity", "typed", "reported", "difference", "in words")
LEAST_TOLD_PERCENT = 1.0
COUNTS_NOTE = (
    "Levels and follow-up keep the higher of the two whatever is chosen. The monthly audit takes what "
    "counts here; for 'neither' it counts the quantity as missing."
)


def closing_panel(view: CaseView, *, zone: ZoneInfo) -> Component:
    """What was typed against what was reported; with the choices once the case has ended."""
    state = view.case.state
    found = view.reconciliation
    parts: list[Component] = [_comparison(found.differences)] if found.differences else []
    parts += _told_twice(found.injections_told_twice, zone)
    if state is CaseState.CLOSED:
        who = vm.person_name(found.settled_by)
        parts.insert(0, html.P(f"This case was reconciled and closed by {who}.{_because(found.reason)}"))
        parts += [html.P(_settled_words(d, found.choice(d))) for d in found.differences if found.choice(d)]
        return section("Reconciled", *parts)
    if state is not CaseState.ENDED:
        parts.append(html.P(f"The case is {state}; it is reconciled after its end.", className="quiet"))
        return section("Typed against reported", *parts)
    return section("Reconcile and close", *parts, *_choices(view), *_close())


def panel_mark(view: CaseView) -> str:
    """What decides how the panel looks: it is drawn anew when this changes."""
    found = view.reconciliation
    numbers = [(d.quantity, d.plane, d.typed, d.reported) for d in found.differences]
    pairs = [(p.typed.entry_id, p.injector.entry_id) for p in found.injections_told_twice]
    return repr((str(view.case.state), numbers, pairs))


def choice_key(difference: Difference) -> str:
    """The difference as the key of its choice on the page: 'quantity|plane'."""
    return f"{difference.quantity}|{difference.plane or ''}"


def key_of_choice(text: str) -> tuple[str, str | None]:
    """The difference that `choice_key` wrote."""
    quantity, _, plane = text.partition("|")
    return quantity, plane or None


def name_of(difference: Difference) -> str:
    """'DAP, plane A'."""
    return vm.joined(NAMES[difference.quantity], vm.plane_words(difference.plane), by=", ")


def difference_rows(differences: Sequence[Difference]) -> list[tuple[str, ...]]:
    """One row per plane and quantity."""
    return [
        (
            vm.plane_words(d.plane) or SINGLE,
            NAMES[d.quantity],
            words_of(d.quantity, d.typed) or vm.NOT_KNOWN,
            words_of(d.quantity, d.reported) or vm.NOT_KNOWN,
            _percent(d),
            difference_words(d),
        )
        for d in differences
    ]


def difference_words(difference: Difference) -> str:
    """What the two numbers say of each other, in a sentence part."""
    if difference.missing == TYPED:
        return "nothing typed"
    if difference.missing == REPORTED:
        return "nothing reported"
    if difference.slip:
        return difference.slip
    return "they agree" if difference.agrees else "they differ; no slip of unit or digit explains it"


def _percent(difference: Difference) -> str:
    if difference.difference is None:
        return ""
    if difference.difference_percent is not None and abs(difference.difference_percent) < LEAST_TOLD_PERCENT:
        return "less than 1 %"
    sign = "+" if difference.difference > 0 else "−" if difference.difference < 0 else ""
    amount = f"{sign}{words_of(difference.quantity, abs(difference.difference))}"
    if difference.difference_percent is None:
        return amount
    return f"{amount} ({difference.difference_percent:+.0f} %)".replace("-", "−")


def _comparison(differences: Sequence[Difference]) -> Component:
    return table(
        HEAD, difference_rows(differences), caption="Typed against reported", numeric=frozenset({2, 3, 4})
    )


def _told_twice(pairs: Sequence[ToldTwice], zone: ZoneInfo) -> list[Component]:
    return [
        html.P(
            f"Told twice? Typed {p.typed.volume_ml:g} mL at {vm.clock_time(p.typed.at, zone)} and "
            f"{p.injector.volume_ml:g} mL from the injector at {vm.clock_time(p.injector.at, zone)}. "
            f"{p.slip + '. ' if p.slip else ''}Both count until one is taken back under "
            "'Correct an earlier entry'."
        )
        for p in pairs
    ]


def _settled_words(difference: Difference, choice: str | None) -> str:
    return f"{name_of(difference)}: {choice} counts."


def _because(reason: str | None) -> str:
    return f" Reason: {reason}." if reason else ""


def _choices(view: CaseView) -> list[Component]:
    """One row of choices for each difference without a decision; none is chosen beforehand."""
    found = view.reconciliation
    if not found.undecided:
        words = "No difference needs a decision." if found.differences else "Neither side tells anything."
        return [html.P(words)]
    return [
        html.P(COUNTS_NOTE, className="quiet"),
        *[
            html.Div(
                [
                    html.P([html.Strong(name_of(d)), f": {difference_words(d)}. What counts?"]),
                    dcc.RadioItems(
                        id=ids.family(ids.CLOSE_CHOICE, choice_key(d)),
                        options=[{"label": _choice_words(c, d), "value": c} for c in CHOICES],
                        className="choices",
                        inline=True,
                    ),
                ],
                className="closing-choice",
                role="group",
                **{"aria-label": f"What counts for {name_of(d)}?"},
            )
            for d in found.undecided
        ],
        _field("why", dcc.Input(id=ids.CLOSE_REASON, type="text", className="input")),
    ]


def _choice_words(choice: str, difference: Difference) -> str:
    value = {TYPED: difference.typed, REPORTED: difference.reported}.get(choice)
    return choice if value is None else f"{choice}: {words_of(difference.quantity, value)}"


def _close() -> list[Component]:
    return [
        html.P(
            "Closing says: a person compared the entries with the dose report and cleared the findings above."
        ),
        html.Div(
            [
                _field("note", dcc.Input(id=ids.CLOSE_NOTE, type="text", className="input")),
                html.Button("Reconciled: close the case", id=ids.CLOSE_RECORD, className="button is-strong"),
            ],
            className="entry entry-confirm",
        ),
        html.Div(id=ids.CLOSE_MESSAGE, className="field-error", role="alert"),
    ]


def _field(label: str, control: Component) -> Component:
    return html.Label([html.Span(label, className="field-label"), control], className="field")
