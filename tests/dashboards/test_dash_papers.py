"""The papers of a case over HTTP: what is sent, with which headers, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from dashboards.app import make_app
from dashboards.papers import paper_links
from dosetrack.reports.kinds import DocumentKind
from dosetrack.workflow import Workflow

from .conftest import inject, read_console


@pytest.fixture
def client(workflow: Workflow) -> FlaskClient:
    return make_app(workflow).server.test_client()


@pytest.fixture
def busy_case(workflow: Workflow, case_id: str) -> str:
    """A running case with contrast and a console reading."""
    inject(workflow, case_id, 40.0)
    read_console(workflow, case_id, 1200.0)
    return case_id


def addresses(component: Any) -> list[str]:
    """Every address a link of the component leads to."""
    found = [component.href] if getattr(component, "href", None) else []
    children = getattr(component, "children", None)
    for child in children if isinstance(children, list) else [children]:
        if child is not None and not isinstance(child, str):
            found += addresses(child)
    return found


def test_every_link_of_the_case_page_gives_its_paper(client: FlaskClient, busy_case: str) -> None:
    links = addresses(paper_links(busy_case))
    assert len(links) == 2 * len(DocumentKind)
    for link in links:
        answer = client.get(link)
        assert answer.status_code == 200, link
        is_pdf = link.endswith(".pdf")
        assert answer.data.startswith(b"%PDF-") is is_pdf
        assert answer.headers["Content-Type"].startswith("application/pdf" if is_pdf else "text/plain")


def test_a_paper_is_never_stored_and_has_the_headers_of_every_answer(
    client: FlaskClient, busy_case: str
) -> None:
    headers = client.get(f"/case/{busy_case}/document/summary.txt").headers
    assert headers["Cache-Control"] == "no-store"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert "default-src 'self'" in headers["Content-Security-Policy"]
    assert headers["Content-Disposition"] == f'attachment; filename="summary-{busy_case[:8]}.txt"'


@pytest.mark.parametrize(
    "path",
    [
        "/case/no-such-case/document/summary.pdf",
        "/case/{}/document/novel.pdf",
        "/case/{}/document/summary.exe",
    ],
)
def test_what_is_not_there_is_not_found(client: FlaskClient, busy_case: str, path: str) -> None:
    assert client.get(path.format(busy_case)).status_code == 404


def test_a_page_of_another_site_gets_no_paper(client: FlaskClient, busy_case: str) -> None:
    path = f"/case/{busy_case}/document/summary.pdf"
    assert client.get(path, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert client.post(path).status_code == 405
