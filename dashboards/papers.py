"""The papers of a case to save: links on the case page, and what answers them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import html
from dash.development.base_component import Component
from flask import Blueprint, Response, abort, request

from dosetrack.errors import DosetrackError, UnknownCaseError
from dosetrack.reports.kinds import TITLES, DocumentKind

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow

BLUEPRINT = "papers"
_TYPES = {"pdf": "application/pdf", "txt": "text/plain; charset=utf-8"}


def papers(workflow: Workflow) -> Blueprint:
    """What answers the links, as a part of the pages' server; it is covered by the same two hooks."""
    blueprint = Blueprint(BLUEPRINT, __name__)

    @blueprint.get("/case/<case>/document/<kind>.<ending>")
    def document(case: str, kind: str, ending: str) -> Response:
        if request.headers.get("Sec-Fetch-Site") == "cross-site":
            abort(403, "A page of another site asked for this document and was refused.")
        if kind not in list(DocumentKind) or ending not in _TYPES:
            abort(404, "There is no such document.")
        return _made(workflow, case, DocumentKind(kind), ending)

    return blueprint


def _made(workflow: Workflow, case_id: str, kind: DocumentKind, ending: str) -> Response:
    from dosetrack.reports.case_documents import case_pdf, case_text  # the libraries of paper

    try:
        facts = workflow.case_document(case_id)
        body = case_pdf(facts, kind) if ending == "pdf" else case_text(facts, kind).encode()
    except UnknownCaseError as error:
        abort(404, str(error))
    except DosetrackError as error:
        abort(409, str(error))
    response = Response(body, mimetype=None, content_type=_TYPES[ending])
    # the name tells no patient: it is seen in lists of downloads
    response.headers["Content-Disposition"] = f'attachment; filename="{kind}-{facts.case.id[:8]}.{ending}"'
    return response


def paper_links(case_id: str) -> Component:
    """Every paper of a case, as PDF and as plain text to paste."""
    return html.Ul(
        [
            html.Li(
                [
                    html.Span(f"{title}: "),
                    html.A("PDF", href=_address(case_id, kind, "pdf"), **{"aria-label": f"{title}, PDF"}),
                    ", ",
                    html.A("text", href=_address(case_id, kind, "txt"), **{"aria-label": f"{title}, text"}),
                ]
            )
            for kind, title in TITLES.items()
        ],
        className="papers",
    )


def _address(case_id: str, kind: DocumentKind, ending: str) -> str:
    return f"/case/{case_id}/document/{kind}.{ending}"
