"""Follow-up in a real browser: from the worklist to a settled item, with the keyboard and on a phone."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect, sync_playwright
from werkzeug.serving import make_server

from dashboards.app import make_app
from dosetrack.followup.items import FollowUpState
from dosetrack.workflow import Workflow, open_workflow
from tests.workflow.invented import NURSE, OPENING, dose_report
from tests.workflow.skin_cases import straight_event

pytestmark = pytest.mark.browser
CHROMIUM = Path("/usr/bin/chromium")
PATIENCE_MS = 30_000
TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def workflow(tmp_path: Path) -> Iterator[Workflow]:
    now = [datetime(2026, 3, 2, 9, 30, tzinfo=UTC)]
    opened = open_workflow(f"sqlite:///{tmp_path / 'ledger.db'}", create=True, clock=lambda: now[0])
    case_id = opened.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    events = [straight_event(n, kerma=520.0) for n in range(1, 13)]
    opened.take_in_bytes(dose_report("skin", events, patient=OPENING.patient), file="skin.dcm")
    opened.end_case(case_id, actor=NURSE)
    now[0] = datetime(2026, 3, 20, 9, 0, tzinfo=UTC)
    yield opened
    opened.ledger.close()


@pytest.fixture
def address(workflow: Workflow) -> Iterator[str]:
    server = make_server("127.0.0.1", 0, make_app(workflow).server, threaded=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    thread.join()
    server.server_close()


@pytest.fixture
def page() -> Iterator[Page]:
    if not CHROMIUM.exists():
        pytest.fail("missing: chromium; install with: apt-get install chromium", pytrace=False)
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        shown = browser.new_page(viewport={"width": 390, "height": 844})
        shown.set_default_timeout(PATIENCE_MS)
        yield shown
        browser.close()


def no_wider_than_the_screen(page: Page) -> None:
    deadline = time.monotonic() + PATIENCE_MS / 1000
    while (wide := page.evaluate(TOO_WIDE)) > 0 and time.monotonic() < deadline:
        page.wait_for_timeout(200)
    assert wide <= 0, f"{page.url}: {wide} px too wide"


def test_from_the_worklist_to_a_settled_item_on_a_phone(page: Page, address: str, workflow: Workflow) -> None:
    refused: list[str] = []
    page.on("console", lambda m: refused.append(m.text) if "Content Security Policy" in m.text else None)
    page.on("pageerror", lambda error: refused.append(str(error)))
    page.goto(f"{address}/follow-up")
    expect(page.get_by_text("1 overdue")).to_be_visible()
    expect(page.get_by_text("4 days overdue, since 16 Mar 2026")).to_be_visible()
    no_wider_than_the_screen(page)

    # the list is saved; the card is opened by keyboard
    with page.expect_download() as download:
        page.get_by_role("button", name="Save list as CSV").click()
    assert download.value.suggested_filename == "follow-up-2026-03-20.csv"
    page.get_by_role("link", name="name not known").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("Before anything else, ask for both")).to_be_visible()
    expect(page.get_by_text("What this week could show")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator(".card-drawing .js-plotly-plot")).to_be_visible(timeout=PATIENCE_MS)
    no_wider_than_the_screen(page)

    # a call, a look, and the end
    page.get_by_role("button", name="reached", exact=True).click()
    expect(page.locator("#card-message")).to_contain_text("name of the person")
    page.locator("#card-who").fill("Cleo")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="reached", exact=True).click()
    expect(page.locator("#card-message")).to_have_text("Recorded: reached.")
    page.get_by_text("Record what was seen or told of the skin").click()
    page.get_by_label("0: nothing seen").check()
    page.get_by_role("button", name="Record what was seen").click()
    expect(page.get_by_text("grade 0, CTCAE")).to_be_visible()
    page.get_by_text("Settle with a reason; owner").click()
    page.get_by_label("reason", exact=True).fill("seen twice by phone, nothing")
    page.get_by_role("button", name="Settle", exact=True).click()
    expect(page.locator("#card-message")).to_contain_text("Settle all the same?")
    page.get_by_label("settle although something is still due").check()
    page.get_by_role("button", name="Settle", exact=True).click()
    expect(page.locator("#card-message")).to_have_text("Settled.")
    (one,) = workflow.follow_up_items(is_open=None)
    assert one.state is FollowUpState.SETTLED
    assert one.item.settled_reason == "seen twice by phone, nothing"
    page.get_by_role("link", name="worklist").click()
    expect(page.get_by_text("0 overdue")).to_be_visible()
    assert refused == []


def test_patient_page_draws_time_and_body_and_fits_every_screen(page: Page, address: str) -> None:
    page.goto(f"{address}/patient?id=P1&issuer=INVENTED")
    expect(page.locator("#patient-course .js-plotly-plot")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator("#patient-flat .js-plotly-plot")).to_be_visible(timeout=PATIENCE_MS)
    for width, height in ((390, 844), (1280, 800), (1920, 1080)):
        page.set_viewport_size({"width": width, "height": height})
        no_wider_than_the_screen(page)
