"""Case: the list of every case, newest first."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, Any

import dash_ag_grid as dag
import dash_mantine_components as dmc
from dash import Dash, Input, Output, dcc, html
from dash.development.base_component import Component

from dashboards import ids
from dashboards import view_models as vm
from dashboards.pages import patient
from dashboards.router import Query, path_of, search_of

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import CaseSummary


FEW_ROWS = 10
"""Up to here the list is as high as its rows; a longer one takes the height of the window."""
WINDOW_HEIGHT = "max(20rem, calc(100vh - 17.5rem))"
NONE_ENTERED = "none entered"
NOT_TOLD = "not told"


def _number(field: str, name: str, width: int, places: int, *, missing: str = vm.NOT_KNOWN) -> dict[str, Any]:
    """A column of numbers; a word where there is none."""
    words = f"params.value == null ? '{missing}' : d3.format('.{places}f')(params.value)"
    return {
        "field": field,
        "headerName": name,
        "width": width,
        "type": "rightAligned",
        "valueFormatter": {"function": words},
        "cellClassRules": {"grid-missing": "params.value == null"},
    }


def _words(field: str, name: str, **more: Any) -> dict[str, Any]:
    """A column of words: they wrap, and are never cut."""
    return {"field": field, "headerName": name, "wrapText": True, "autoHeight": True, **more}


COLUMNS = [
    {"field": "when", "headerName": "started", "width": 142, "cellRenderer": "CaseLink", "sort": "desc"},
    _words("room", "room", width=84),
    _words("patient", "patient", width=124),
    _words("procedure", "procedure", flex=2, minWidth=160),
    _words("operator", "operator", flex=1, minWidth=110),
    {"field": "state", "headerName": "state", "width": 82},
    _number("kerma_gy", "Ka,r [Gy], worst plane", 108, 2),
    _number("dap", "DAP [Gy·cm²]", 98, 1),
    _number("minutes", "time [min]", 92, 1),
    _number("contrast", "contrast [mL]", 92, 0, missing=NONE_ENTERED),
    {"field": "findings", "headerName": "findings in data", "width": 86, "type": "rightAligned"},
]


def layout(workflow: Workflow, query: Query) -> Component:
    """Every case of the days and room asked for in the address."""
    found = workflow.cases(first_day=query.get("from"), last_day=query.get("to"))
    room = query.get("room")
    chosen = [c for c in found if room is None or c.room == room]
    return html.Div(
        [
            html.Div(
                [html.H1("Cases"), html.Span(count_words(len(chosen)), className="quiet"), patient.search()],
                className="page-head patient-head",
            ),
            _filters(workflow.rooms(), query),
            _grid(chosen) if chosen else html.P(nothing_words(query), className="notice"),
        ],
        className="page",
    )


def count_words(number: int) -> str:
    """'1 case', '12 cases'."""
    return f"{number} case" if number == 1 else f"{number} cases"


def nothing_words(query: Query) -> str:
    """Why the list is empty."""
    if any(query.get(key) for key in ("from", "to", "room")):
        return "No case fits these days and this room."
    return "The ledger holds no case yet. A dose report, or a case opened in Room, makes the first one."


def _filters(rooms: tuple[str, ...], query: Query) -> Component:
    return html.Div(
        [
            _filter(
                "from",
                dcc.Input(
                    id=ids.CASES_FROM,
                    type="text",
                    className="input",
                    value=query.get("from"),
                    placeholder="YYYY-MM-DD",
                    debounce=True,
                ),
            ),
            _filter(
                "to",
                dcc.Input(
                    id=ids.CASES_TO,
                    type="text",
                    className="input",
                    value=query.get("to"),
                    placeholder="YYYY-MM-DD",
                    debounce=True,
                ),
            ),
            _filter(
                "room",
                dmc.Select(
                    id=ids.CASES_ROOM,
                    data=list(rooms),
                    value=query.get("room"),
                    clearable=True,
                    placeholder="every room",
                ),
            ),
        ],
        className="filters",
    )


def _filter(label: str, control: Component) -> Component:
    return html.Label([html.Span(label, className="field-label"), control], className="field")


def _grid(found: list[CaseSummary]) -> Component:
    is_short = len(found) <= FEW_ROWS
    return dag.AgGrid(
        id=ids.CASES_GRID,
        columnDefs=COLUMNS,
        rowData=[grid_row(c) for c in reversed(found)],
        defaultColDef={"sortable": True, "resizable": True, "wrapHeaderText": True, "autoHeaderHeight": True},
        dashGridOptions={
            "animateRows": False,
            "domLayout": "autoHeight" if is_short else "normal",
            "suppressColumnVirtualisation": True,
        },
        style={"height": None if is_short else WINDOW_HEIGHT},
        className="ag-theme-quartz cases-grid",
        columnSize=None,
    )


def grid_row(case: CaseSummary) -> dict[str, Any]:
    """One case as numbers for the grid; missing stays None, never 0."""
    kermas = [v for v in case.reference_air_kerma_by_plane_mgy.values() if v is not None]
    worst = max(kermas, default=case.reference_air_kerma_mgy)
    return {
        "id": case.id,
        "when": case.started_at[:16].replace("T", " ") if case.started_at else NOT_TOLD,
        "href": path_of("case", case.id),
        "room": case.room or vm.NOT_KNOWN,
        "patient": case.patient_id or vm.NOT_KNOWN,
        "procedure": case.procedure or NOT_TOLD,
        "operator": vm.person_name(case.operators[0]) if case.operators else NOT_TOLD,
        "state": str(case.state),
        "kerma_gy": None if worst is None else float(vm.rounded(worst, 2, divisor=1000)),
        "dap": None
        if case.dose_area_product_gycm2 is None
        else float(vm.rounded(case.dose_area_product_gycm2, 1)),
        "minutes": None
        if case.fluoroscopy_time_s is None
        else float(vm.rounded(case.fluoroscopy_time_s, 1, divisor=60)),
        "contrast": None if case.contrast_ml is None else int(vm.up(case.contrast_ml)),
        "findings": len(case.findings),
    }


def register(app: Dash, workflow: Workflow, clock: Callable[[], datetime]) -> None:
    """The callback of the list."""

    @app.callback(
        Output(ids.LOCATION, "search", allow_duplicate=True),
        Input(ids.CASES_FROM, "value"),
        Input(ids.CASES_TO, "value"),
        Input(ids.CASES_ROOM, "value"),
        prevent_initial_call=True,
    )
    def filter_cases(first: str | None, last: str | None, room: str | None) -> str:
        return search_of({"from": first, "to": last, "room": room})
