"""The numbers of a skin map: peak, areas, contributions, assumptions, and what matters most."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dash import html
from dash.development.base_component import Component

from dashboards import skin_words
from dashboards import view_models as vm
from dashboards.components.numbers import definition_list, number
from dashboards.components.tables import figure_numbers, table
from dosetrack.skin.contributions import EventGiven, highest_by_part, largest_events
from dosetrack.skin.peak import levels_mgy
from dosetrack.skin.wording import dose_words, level_words, range_words

if TYPE_CHECKING:
    from dosetrack.skin.model import FloatArray, SkinMap
    from dosetrack.workflow.results import SkinMapView

TOP_EVENTS = 10
TOP_INFLUENCES = 5
BANDS_HEAD = ("dose, estimate", "area of skin")
EVENTS_HEAD = ("time", "event", "view", "dose at the peak", "share")
INFLUENCES_HEAD = ("over the likely range of", "the peak lies between")
PARTS_HEAD = ("part", "highest dose, estimate", "range", "around [cm]", "along [cm]")
GROWTH_HEAD = ("time", "highest dose anywhere", "dose where the peak ended")
MOST_STEPS = 60
NO_MAP = "No skin map"


def number_block(view: SkinMapView) -> Component:
    """The peak in italics with its range and site, and what the number stands on."""
    skin_map = view.map
    if skin_map is None:
        return no_map(view)
    rows: list[tuple[str, object]] = [
        ("air kerma on the map", skin_words.mapped(skin_map)),
        ("dose to", skin_map.medium),
        ("patient", skin_words.patient(view.setup)),
        ("at the peak", skin_words.kinds(skin_map)),
    ]
    if skin_map.bound_mgy is not None:
        rows.insert(1, ("if all the rest met the peak", html.I(dose_words(skin_map.bound_mgy))))
    return html.Div(
        [number(skin_words.peak(skin_map), size="large"), definition_list(rows, name="facts skin-facts")],
        className="skin-numbers",
    )


def no_map(view: SkinMapView, *, is_short: bool = False) -> Component:
    """Why there is no map, and the possible range that stands in for it.

    is_short : what the range assumes opens on demand
    """
    parts: list[Component] = [html.H3(NO_MAP), html.P(view.reason or "The reason is not known.")]
    if view.screening is None:
        parts.append(html.P("No range either: no air kerma is known.", className="quiet"))
    else:
        told = vm.kerma_range(view.screening.low_mgy, view.screening.high_mgy, levels=levels_mgy())
        shown = vm.Shown("possible range, not a measurement", told, is_estimated=True)
        listed = html.Ul([html.Li(text) for text in view.screening.assumed], className="skin-assumed")
        parts.append(number(shown, size="large"))
        parts.append(html.Details([html.Summary("Assumed"), listed], open=not is_short))
    return html.Div(parts, className="skin-numbers")


def tables(skin_map: SkinMap, *, zone: ZoneInfo) -> Component:
    """Areas, contributions, what matters most and what is assumed, side by side."""
    return html.Div(
        [
            html.Div(
                [
                    html.H3("Skin by dose"),
                    bands(skin_map),
                    html.H3("What matters most"),
                    influences(skin_map),
                ]
            ),
            html.Div([html.H3("What built the peak"), events(skin_map, zone=zone)]),
            html.Div([html.H3("Assumed"), assumed(skin_map)]),
        ],
        className="skin-tables",
    )


def bands(skin_map: SkinMap) -> Component:
    """Area of skin in each band of dose; a band without skin says so."""
    rows = [
        (_band_words(band.from_mgy, band.to_mgy), skin_words.area(band.area_cm2))
        for band in skin_map.bands
        if band.from_mgy > 0
    ]
    return table(BANDS_HEAD, rows, caption="Area of skin by dose", numeric=frozenset({1}))


def _band_words(low_mgy: float, high_mgy: float | None) -> str:
    if high_mgy is None:
        return f"{level_words(low_mgy)} and more"
    return f"{level_words(low_mgy)} to below {level_words(high_mgy)}"


def events(skin_map: SkinMap, *, zone: ZoneInfo) -> Component:
    """The events that gave most to the peak, and the others together."""
    if skin_map.peak_mgy is None:
        return html.P("There is no peak.", className="quiet")
    largest, others = largest_events(skin_map, TOP_EVENTS)
    rows = [_event_row(one, skin_map, zone) for one in largest]
    if others.count:
        word = "event" if others.count == 1 else "events"
        rows.append(("", f"{others.count} other {word}", "", *_given(others.dose_mgy, skin_map)))
    head = (*EVENTS_HEAD[:2], skin_words.view_head(skin_map), *EVENTS_HEAD[3:])
    return table(head, rows, caption="Contributions to the peak", numeric=frozenset({3, 4}))


def _event_row(one: EventGiven, skin_map: SkinMap, zone: ZoneInfo) -> tuple[str, ...]:
    placed = one.placed
    what = vm.joined(skin_words.kind(placed.is_fluoroscopy), vm.plane_words(placed.plane), by=", ")
    view = skin_words.beam_view(placed.beam)
    return (time_words(placed.started_at, zone), what, view, *_given(one.dose_mgy, skin_map))


def _given(dose_mgy: float, skin_map: SkinMap) -> tuple[str, str]:
    return dose_words(dose_mgy), skin_words.percent(dose_mgy, skin_map.peak_mgy)


def time_words(text: str | None, zone: ZoneInfo) -> str:
    """The clock time of ISO text in `zone`; a time without a zone stays as it stands."""
    if text is None:
        return vm.NOT_KNOWN
    moment = datetime.fromisoformat(text)
    return vm.clock_time(moment, zone) if moment.tzinfo else f"{moment:%H:%M}"


def influences(skin_map: SkinMap) -> Component:
    """How far the peak moves over the likely range of each input, the largest first."""
    found = skin_map.influences[:TOP_INFLUENCES]
    if not found:
        return html.P("Not worked out.", className="quiet")
    rows = [(one.text, html.I(range_words(one.low_mgy, one.high_mgy))) for one in found]
    return table(INFLUENCES_HEAD, rows, caption="What matters most", numeric=frozenset({1}))


def assumed(skin_map: SkinMap) -> Component:
    """What was taken for granted, as a list."""
    words = skin_words.assumed_words(skin_map)
    if not words:
        return html.P("Nothing.", className="quiet")
    return html.Ul([html.Li(text) for text in words], className="skin-assumed")


def flat_numbers(skin_map: SkinMap, dose_mgy: FloatArray) -> Component:
    """The numbers of the flat map: the highest dose of each part and where it is."""
    rows = [
        (
            part.name,
            html.I(dose_words(part.dose_mgy)),
            html.I(skin_words.range_of(skin_map, part.dose_mgy) or vm.NOT_KNOWN),
            f"{part.across_mm / 10:.0f}",
            f"{part.along_mm / 10:.0f}",
        )
        for part in highest_by_part(skin_map.surface, dose_mgy)
    ]
    return figure_numbers(
        PARTS_HEAD, rows, caption="Highest dose of each part of the body", numeric=frozenset({1, 2, 3, 4})
    )


def growth_numbers(skin_map: SkinMap, *, zone: ZoneInfo) -> Component:
    """The numbers of the growth of the peak, thinned evenly where the steps are many."""
    steps = _thinned(skin_map.growth)
    rows = [
        (time_words(at, zone), html.I(dose_words(peak)), html.I(dose_words(final)))
        for at, peak, final in steps
    ]
    return figure_numbers(GROWTH_HEAD, rows, caption="Growth of the peak", numeric=frozenset({1, 2}))


def _thinned(
    steps: Sequence[tuple[str | None, float, float]],
) -> list[tuple[str | None, float, float]]:
    stride = max(1, -(-len(steps) // MOST_STEPS))
    kept = list(steps[stride - 1 :: stride])
    return kept if not steps or kept[-1] == steps[-1] else [*kept, steps[-1]]
