"""Room's screens stay live, say when they are not, and meet WCAG 2.2 AA: in a real browser."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect, sync_playwright
from werkzeug.serving import BaseWSGIServer, make_server

from dashboards.app import make_app
from dosetrack.records.entries import (
    CaseOpened,
    ConsoleReading,
    Creatinine,
    Injection,
    InjectionSite,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow, open_workflow

pytestmark = pytest.mark.browser
CHROMIUM = Path("/usr/bin/chromium")
PATIENCE_MS = 15_000
NURSE = Actor("Ines (invented)", Role.ROOM, is_claimed=True)


@pytest.fixture
def workflow(tmp_path: Path) -> Iterator[Workflow]:
    opened = open_workflow(f"sqlite:///{tmp_path / 'ledger.db'}", create=True)
    lead = Actor("Lead (invented)", Role.LEAD)
    for key, value in (("site.people", "Dr Almeida\nDr Brandt"), ("site.rooms", "XA2 = Room 2")):
        opened.change_setting(
            key=key, scope="site", value=value, valid_from="2020-01-01", actor=lead, reason="first set-up"
        )
    yield opened
    opened.ledger.close()


@pytest.fixture
def case(workflow: Workflow) -> str:
    """A running case with both accounts begun."""
    patient = Patient(
        id="30040417", name="Moreira^Olga", sex="F", birth_date="1955-03-02", weight_kg=58.0, height_cm=160.0
    )
    opening = CaseOpened(
        room="Room 2",
        patient=patient,
        procedure="TIPS creation",
        operators=("Dr Almeida",),
        concentration_mgi_ml=320.0,
        injection_site=InjectionSite.SECOND_PASS,
    )
    opened = workflow.open_case(opening, actor=NURSE).case_id
    assert opened is not None
    day = (datetime.now(UTC) - timedelta(days=2)).date().isoformat()
    for entry in (
        Creatinine("1.00", "mg/dL", day),
        Injection(20.0, 320.0, site=InjectionSite.SECOND_PASS),
        ConsoleReading("single", 1210.0, 60.0, 700.0),
    ):
        workflow.record(opened, entry, actor=NURSE, is_confirmed=True)
    return opened


class Serving:
    """The pages' server, which can be ended and begun again at the same address."""

    def __init__(self, workflow: Workflow) -> None:
        self._workflow = workflow
        self.port = 0
        self._server: BaseWSGIServer | None = None
        self._thread: threading.Thread | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def begin(self) -> None:
        server = make_server("127.0.0.1", self.port, make_app(self._workflow).server, threaded=True)
        self.port, self._server = server.server_port, server
        self._thread = threading.Thread(target=server.serve_forever, daemon=True)
        self._thread.start()

    def end(self) -> None:
        if self._server is not None and self._thread is not None:
            self._server.shutdown()
            self._thread.join()
            self._server.server_close()
        self._server = None


@pytest.fixture
def serving(workflow: Workflow) -> Iterator[Serving]:
    server = Serving(workflow)
    server.begin()
    yield server
    server.end()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        pytest.fail("missing: chromium; install with: apt-get install chromium", pytrace=False)
    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield opened
        opened.close()


def _screen(browser: Browser, address: str, *, width: int = 1280, height: int = 800) -> Page:
    """A screen of its own: another context is another computer."""
    page = browser.new_context(viewport={"width": width, "height": height}).new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(address)
    page.locator("#room-numbers .digits").first.wait_for()
    return page


def _given(page: Page) -> Any:
    return page.locator("#room-numbers .is-contrast .number").first.locator(".digits")


def test_every_screen_of_a_room_follows_an_entry_in_the_hand(
    browser: Browser, serving: Serving, case: str
) -> None:
    room = f"{serving.address}/room/Room%202"
    hand, wall = _screen(browser, room), _screen(browser, f"{room}/wall", width=1920, height=1080)
    beside = hand.context.new_page()  # another page of the same computer: the first one is in the background
    beside.goto(f"{room}/wall")
    for page in (hand, wall, beside):
        expect(_given(page)).to_have_text("20")
    hand.bring_to_front()
    hand.locator("#entry-volumes button", has_text=re.compile(r"^10\s*mL$")).click()
    hand.locator("#entry-given").click()
    for page in (hand, wall, beside):
        expect(_given(page)).to_have_text("30", timeout=PATIENCE_MS)


def test_answers_slower_than_the_pulse_are_waited_for(
    browser: Browser, serving: Serving, case: str, workflow: Workflow
) -> None:
    page = _screen(browser, f"{serving.address}/room/Room%202")
    asked: list[float] = []

    def slowly(route: Route) -> None:
        if "room-figure.figure" in (route.request.post_data or ""):
            asked.append(time.monotonic())
            page.wait_for_timeout(1200)
        route.continue_()

    page.route("**/_dash-update-component", slowly)
    workflow.record(case, Injection(5.0, 320.0), actor=NURSE, is_confirmed=True)
    expect(_given(page)).to_have_text("25", timeout=PATIENCE_MS)
    assert all(later - one >= 1.0 for one, later in pairwise(asked))
    page.unroute("**/_dash-update-component")


def test_a_screen_without_its_server_says_since_when_and_comes_back(
    browser: Browser, serving: Serving, case: str, workflow: Workflow
) -> None:
    page = _screen(browser, f"{serving.address}/room/Room%202")
    page.wait_for_timeout(700)  # the first pulse was answered
    serving.end()
    lost = page.locator("#room-lost")
    expect(lost).to_have_text(
        re.compile(r"not connected since \d\d:\d\d: the numbers are of that time"), timeout=8000
    )
    hollow = "node => getComputedStyle(node).webkitTextFillColor + getComputedStyle(node).color"
    assert "rgba(0, 0, 0, 0)" in page.locator("#room-numbers .digits").first.evaluate(hollow)
    workflow.record(case, Injection(5.0, 320.0), actor=NURSE, is_confirmed=True)
    serving.begin()
    expect(lost).to_be_hidden(timeout=8000)
    expect(_given(page)).to_have_text("25")


def test_a_silent_feed_turns_hollow_and_says_since_when(
    browser: Browser, serving: Serving, case: str, workflow: Workflow, monkeypatch: pytest.MonkeyPatch
) -> None:
    page = _screen(browser, f"{serving.address}/room/Room%202/wall", width=1920, height=1080)
    expect(page.locator("#room-numbers .is-stale")).to_have_count(0)
    monkeypatch.setattr(workflow, "_clock", lambda: datetime.now(UTC) + timedelta(minutes=40))
    expect(page.locator("#room-numbers .is-radiation")).to_contain_text(
        re.compile(r"no data since \d\d:\d\d"), timeout=PATIENCE_MS
    )
    digits = page.locator("#room-numbers .is-radiation .is-stale .digits").first
    assert digits.evaluate("node => getComputedStyle(node).color") == "rgba(0, 0, 0, 0)"


_AUDIT = (Path(__file__).parent / "page_audit.js").read_text(encoding="utf-8")


@pytest.mark.parametrize("view", ["", "/wall", "/before"])
def test_words_can_be_read_controls_have_names_and_nothing_is_asked_elsewhere(
    browser: Browser, serving: Serving, case: str, workflow: Workflow, view: str
) -> None:
    workflow.record(case, ConsoleReading("single", 3210.0, 160.0, 1500.0), actor=NURSE, is_confirmed=True)
    workflow.record(case, Injection(140.0, 320.0), actor=NURSE, is_confirmed=True)
    context = browser.new_context(viewport={"width": 1280, "height": 800})
    elsewhere: list[str] = []

    def only_here(route: Route) -> None:
        if route.request.url.startswith(serving.address):
            route.continue_()
        else:
            elsewhere.append(route.request.url)
            route.abort()

    context.route("**/*", only_here)
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(f"{serving.address}/room/Room%202{view}")
    page.locator("#before-start" if view == "/before" else "#room-numbers .digits").first.wait_for()
    if view != "/before":
        expect(page.locator("#room-prompts .prompt").first).to_be_visible()
    assert page.evaluate(_AUDIT) == []
    assert page.locator("html").get_attribute("lang") == "en"
    assert elsewhere == []


def test_focus_goes_through_the_hand_view_in_reading_order_and_can_be_seen(
    browser: Browser, serving: Serving, case: str
) -> None:
    page = _screen(browser, f"{serving.address}/room/Room%202")
    regions: list[str] = []
    for _ in range(60):
        page.keyboard.press("Tab")
        region, is_marked = page.evaluate(
            """() => {
              const on = document.activeElement;
              const names = ['room-top', 'room-accounts', 'room-entry', 'room-more'];
              const box = on.closest('.dash-input-container') || on.closest('label') || on;
              const marked = [on, box].some(n => {
                const style = getComputedStyle(n);
                return style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
              });
              return [names.find(name => on.closest('.' + name)) || '', marked || on === document.body];
            }"""
        )
        assert is_marked, page.evaluate("document.activeElement.outerHTML.slice(0, 300)")
        if region and (not regions or regions[-1] != region):
            regions.append(region)
    if "room-top" in regions[1:]:  # once round the page
        regions = regions[: regions.index("room-top", 1)]
    wanted = ["room-top", "room-accounts", "room-entry", "room-more"]
    assert regions == [name for name in wanted if name in regions]
