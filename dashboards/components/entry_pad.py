"""The entry of an injection in two touches and of a console reading by keypad.

Everything confirms in place; nothing opens over the page. Targets are 20 mm with gaps of 3 mm.
"""

from __future__ import annotations

from collections.abc import Sequence

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dosetrack.records.entries import Agent, Injection, InjectionSite

KEYS = ("7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0", "⌫")
CONTRAST, KERMA, DAP, TIME = "contrast", "Ka,r", "DAP", "time"
UNITS = {
    CONTRAST: ("mL",),
    KERMA: ("Gy", "mGy"),
    DAP: ("Gy·cm²", "cGy·cm²", "mGy·cm²", "µGy·m²"),
    TIME: ("min", "s"),
}
PLANES = {"single": "one plane", "a": "plane A", "b": "plane B"}
AGENT_WORDS = {
    Agent.IODINATED: "iodinated contrast",
    Agent.CARBON_DIOXIDE: "carbon dioxide",
    Agent.GADOLINIUM: "gadolinium",
    Agent.SALINE: "saline",
}
SITE_WORDS = {
    InjectionSite.FIRST_PASS: "first pass (heart, aorta above or at the kidneys)",
    InjectionSite.SECOND_PASS: "second pass (coronary, carotid, mesenteric, iliac, leg)",
    InjectionSite.VENOUS: "venous or pulmonary",
    InjectionSite.NOT_INTRAVASCULAR: "not into a vessel (bile, urine, joint)",
    InjectionSite.UNKNOWN: "not known",
}
SITE_SHORT = {
    InjectionSite.FIRST_PASS: "first pass",
    InjectionSite.SECOND_PASS: "second pass",
    InjectionSite.VENOUS: "venous",
    InjectionSite.NOT_INTRAVASCULAR: "not into a vessel",
    InjectionSite.UNKNOWN: "site not known",
}


def injection_pad(volumes: Sequence[float], *, context: Injection) -> Component:
    """Volume buttons, last used first, and the one button that records."""
    buttons = [
        html.Button(
            [html.Span(f"{volume:g}", className="target-number"), html.Span("mL", className="unit")],
            id=ids.family(ids.VOLUME, f"{volume:g}"),
            className="button target",
            **{"aria-pressed": "false"},
        )
        for volume in volumes
    ]
    return html.Section(
        [
            dcc.Store(id=ids.ENTRY_VOLUME),
            html.H2("Contrast injected"),
            html.Div(buttons, id=ids.ENTRY_VOLUMES, className="target-grid"),
            html.Button(
                "touch a volume",
                id=ids.ENTRY_GIVEN,
                className="button target is-strong is-wide",
                disabled=True,
            ),
            _product(context),
        ],
        className="entry entry-injection",
        **{"aria-label": "Contrast injected"},
    )


def undo_bar(words: str, entry_id: str | None) -> Component:
    """What was recorded last, and the one touch that takes it back."""
    return html.Div(
        [
            dcc.Store(id=ids.ENTRY_LAST_ID, data=entry_id),
            html.Span(words, id=ids.ENTRY_LAST, className="entry-last"),
            html.Button("Undo", id=ids.ENTRY_UNDO, className="button target", disabled=entry_id is None),
        ],
        className="entry entry-undo",
    )


def reading_pad(*, plane: str, units: Sequence[str]) -> Component:
    """The keypad: a console reading, or a volume that has no button."""
    return html.Section(
        [
            html.H2("Console reading, or another volume"),
            _choice(ids.KEYPAD_WHAT, [KERMA, DAP, TIME, CONTRAST], KERMA, "What is read"),
            html.Details(
                [
                    html.Summary(
                        [html.Span("plane of the system"), html.Span("change", className="link-word")]
                    ),
                    _choice(
                        ids.KEYPAD_PLANE,
                        [{"label": w, "value": p} for p, w in PLANES.items()],
                        plane,
                        "Plane",
                    ),
                ],
                open=plane in ("a", "b"),
                className="plane-choice",
            ),
            _choice(ids.KEYPAD_UNIT, list(units), units[0], "Unit"),
            html.Div(
                [
                    html.Label(
                        [
                            html.Span("number read or given", className="for-readers"),
                            dcc.Input(
                                id=ids.KEYPAD_TEXT,
                                type="text",
                                inputMode="decimal",
                                className="input keypad-display",
                                placeholder="number",
                                autoComplete="off",
                                debounce=False,
                            ),
                        ],
                        className="keypad-number",
                    ),
                    html.Button("Record", id=ids.KEYPAD_RECORD, className="button target is-strong"),
                ],
                className="keypad-line",
            ),
            html.Div(
                [
                    html.Button(
                        key,
                        id=ids.family(ids.KEY, key),
                        className="button target",
                        **{"aria-label": "delete a digit" if key == "⌫" else key},
                    )
                    for key in KEYS
                ],
                className="keypad",
            ),
        ],
        className="entry entry-reading",
        **{"aria-label": "Console reading"},
    )


def questions_bar() -> Component:
    """Where a question about an entry is asked and answered; empty until there is one."""
    return html.Div(
        [
            dcc.Store(id=ids.ENTRY_PENDING),
            html.Div(id=ids.ENTRY_MESSAGE, role="alert"),
            html.Div(
                [
                    html.Button("Yes, record it", id=ids.ENTRY_CONFIRM_YES, className="button target"),
                    html.Button("No", id=ids.ENTRY_CONFIRM_NO, className="button target"),
                ],
                id=ids.ENTRY_CONFIRM,
                className="entry-confirm",
                hidden=True,
            ),
        ],
        className="entry entry-questions",
    )


def context_words(context: Injection) -> str:
    """The product as the next injection will be recorded."""
    if context.agent is not Agent.IODINATED:
        return AGENT_WORDS[context.agent]
    strength = context.concentration_mgi_ml
    product = f"{strength:g} mg I/mL" if strength is not None else "concentration not known"
    diluted = "undiluted" if context.contrast_fraction == 1 else f"{context.contrast_fraction:.0%} contrast"
    return " · ".join((product, diluted, SITE_SHORT[context.site]))


def _product(context: Injection) -> Component:
    """Agent, concentration, dilution and site: remembered from the last injection, changed here."""
    strength = context.concentration_mgi_ml
    return html.Details(
        [
            html.Summary(
                [
                    html.Span(context_words(context), id=ids.ENTRY_CONTEXT),
                    html.Span("change", className="link-word"),
                ]
            ),
            html.Div(
                [
                    _field(
                        "Agent",
                        dcc.RadioItems(
                            id=ids.ENTRY_AGENT,
                            value=context.agent.value,
                            className="choices",
                            options=[{"label": AGENT_WORDS[a], "value": a.value} for a in Agent],
                        ),
                    ),
                    _field(
                        "Concentration, undiluted [mg I/mL]",
                        dcc.Input(
                            id=ids.ENTRY_CONCENTRATION,
                            type="text",
                            inputMode="decimal",
                            className="input",
                            value="" if strength is None else f"{strength:g}",
                        ),
                    ),
                    _field(
                        "Contrast in what is injected [%], 100 = undiluted",
                        dcc.Input(
                            id=ids.ENTRY_DILUTION,
                            type="text",
                            inputMode="decimal",
                            className="input",
                            value=f"{100 * context.contrast_fraction:g}",
                        ),
                    ),
                    _field(
                        "Where it is injected",
                        dcc.RadioItems(
                            id=ids.ENTRY_SITE,
                            value=context.site.value,
                            className="choices",
                            options=[{"label": SITE_WORDS[s], "value": s.value} for s in InjectionSite],
                        ),
                    ),
                ],
                className="product-fields",
            ),
        ],
        className="product",
    )


def _field(label: str, control: Component) -> Component:
    if isinstance(control, dcc.Input):
        return html.Label([html.Span(label, className="field-label"), control], className="field")
    return html.Fieldset([html.Legend(label, className="field-label"), control], className="field")


def _choice(name: str, options: Sequence[object], value: str, label: str) -> Component:
    return html.Fieldset(
        [
            html.Legend(label, className="for-readers"),
            dcc.RadioItems(
                id=name, options=list(options), value=value, className="choices is-row", inline=True
            ),
        ],
        className="choice",
    )
