"""The patient on the table as controls: what was recorded, and what is tried before it is recorded."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any, get_args

from dash import dcc, html
from dash.development.base_component import Component

from dashboards import ids, skin_words
from dosetrack.records.entries import PatientPlaced, PatientSize, Payload
from dosetrack.skin.setup import Arms, BodyRegion, PatientSetup, Position

NUMBERS = (  # name, label, step, least, most: a range for the control alone, read again when recorded
    ("height", "height [cm]", 1, 30, 230),
    ("weight", "weight [kg]", 1, 1, 350),
)
SHIFTS = (
    ("left", "to the patient's left [mm]"),
    ("back", "to the back [mm]"),
    ("head", "to the head [mm]"),
)
SHIFT_STEP_MM, SHIFT_MOST_MM = 5, 500
AS_REPORTED = "as reported"
ARMS_WORDS = {"beside": "beside the body", "raised": "above the head", "unknown": "not known"}
TRIED = "Tried, not recorded"
RECORDED = "As recorded"


def setup_controls(setup: PatientSetup) -> Component:
    """Every control filled with what is recorded."""
    return html.Section(
        [
            html.Div(
                [html.H3("Patient on the table"), html.Span(tried_words(False), id=ids.SKIN_TRIED_WORDS)],
                className="skin-setup-head",
            ),
            html.Div(
                [
                    *[_number(*row, _value(setup, row[0])) for row in NUMBERS],
                    _choice("position", "position", _positions(), setup.position or ""),
                    _choice("region", "at the isocentre first", _regions(), setup.region or ""),
                    _choice(
                        "arms",
                        "arms",
                        [{"label": ARMS_WORDS[a], "value": a} for a in get_args(Arms)],
                        setup.arms,
                    ),
                ],
                className="skin-fields",
            ),
            html.Fieldset(
                [
                    html.Legend("Body moved from where it was assumed to lie"),
                    html.Div(
                        [
                            _number(name, label, SHIFT_STEP_MM, -SHIFT_MOST_MM, SHIFT_MOST_MM, value)
                            for (name, label), value in zip(SHIFTS, setup.shift_mm, strict=True)
                        ],
                        className="skin-fields",
                    ),
                ],
                className="field",
            ),
            html.Div(
                [
                    html.Button(
                        "Record as tried", id=ids.SKIN_SAVE, className="button is-strong", disabled=True
                    ),
                    html.Button(
                        "Back to what is recorded", id=ids.SKIN_BACK, className="button", disabled=True
                    ),
                ],
                className="skin-setup-foot",
            ),
            html.Div(id=ids.SKIN_MESSAGE, className="field-error", role="alert"),
        ],
        className="skin-setup entry",
        **{"aria-label": "Patient on the table"},
    )


def tried_words(is_tried: bool) -> Component:
    """Whether the map shows what is recorded or what is only tried, by word and shape."""
    if is_tried:
        return html.Span([html.Span("◇ ", **{"aria-hidden": "true"}), TRIED], className="chip skin-tried")
    return html.Span(RECORDED, className="quiet")


def setup_from(recorded: PatientSetup, values: Mapping[str, Any]) -> PatientSetup:
    """`recorded` with what the controls say; an empty number is not known, an empty shift none."""
    region = values.get("region") or None
    return replace(
        recorded,
        height_cm=_known(values.get("height")),
        weight_kg=_known(values.get("weight")),
        position=values.get("position") or None,
        region=region,
        is_region_from_name=recorded.is_region_from_name and region == recorded.region,
        arms=values.get("arms") or "unknown",
        shift_mm=tuple(float(values.get(name) or 0.0) for name, _ in SHIFTS),  # type: ignore[arg-type]
    )


def entries_of(recorded: PatientSetup, tried: PatientSetup) -> list[Payload]:
    """The entries that make `tried` what is recorded; only what differs."""
    found: list[Payload] = []
    weight = tried.weight_kg if tried.weight_kg != recorded.weight_kg else None
    height = tried.height_cm if tried.height_cm != recorded.height_cm else None
    if weight is not None or height is not None:
        found.append(PatientSize(weight_kg=weight, height_cm=height))
    if _placed(tried) != _placed(recorded):
        found.append(_placed(tried))
    return found


def _placed(setup: PatientSetup) -> PatientPlaced:
    left, back, head = setup.shift_mm
    return PatientPlaced(
        position=setup.position,
        region=None if setup.is_region_from_name else setup.region,
        arms=setup.arms,
        shift_left_mm=left,
        shift_back_mm=back,
        shift_head_mm=head,
    )


def _known(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and value > 0 else None


def _value(setup: PatientSetup, name: str) -> float | None:
    return setup.height_cm if name == "height" else setup.weight_kg


def _positions() -> list[dict[str, str]]:
    words = [{"label": skin_words.POSITION_WORDS[p], "value": p} for p in get_args(Position)]
    return [{"label": AS_REPORTED, "value": ""}, *words]


def _regions() -> list[dict[str, str]]:
    regions = [{"label": name, "value": name} for name in get_args(BodyRegion)]
    return [{"label": "not told (chest)", "value": ""}, *regions]


def _number(name: str, label: str, step: float, least: float, most: float, value: float | None) -> Component:
    return html.Label(
        [
            html.Span(label, className="field-label"),
            dcc.Input(
                id=ids.family(ids.SKIN_SETUP, name),
                type="number",
                className="input",
                value=value,
                step=step,
                min=least,
                max=most,
                debounce=0.4,
                placeholder="not known",
            ),
        ],
        className="field",
    )


def _choice(name: str, label: str, options: list[dict[str, str]], value: str) -> Component:
    return html.Label(
        [
            html.Span(label, className="field-label"),
            dcc.Dropdown(
                id=ids.family(ids.SKIN_SETUP, name),
                options=options,
                value=value,
                clearable=False,
                searchable=False,
                className="skin-choice",
            ),
        ],
        className="field",
    )
