"""A journey through Room in a real browser, on a real ledger."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from playwright.sync_api import Locator, Page, expect, sync_playwright
from werkzeug.serving import make_server

from dashboards.app import make_app
from dosetrack.records.entries import CaseOpened, ConsoleReading, Injection
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import Workflow, open_workflow

pytestmark = pytest.mark.browser
CHROMIUM = Path("/usr/bin/chromium")
PATIENCE_MS = 15_000


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
        shown = browser.new_page(viewport={"width": 1280, "height": 800})
        shown.set_default_timeout(PATIENCE_MS)
        yield shown
        browser.close()


def _field(page: Page, name: str) -> Locator:
    """A text field of the form, by its name in the pattern id."""
    return page.locator(f'input[id*=\'"key":"{name}"\'][id*="before-field"]')


def _fill_form(page: Page, address: str) -> None:
    page.goto(f"{address}/room/Room%202")
    page.get_by_role("link", name="Before the case").click()
    taken = (datetime.now(UTC) - timedelta(days=3)).date().isoformat()
    for name, text in {
        "id": "30040417",
        "name": "Moreira^Olga",
        "born": "1955-03-02",
        "weight": "58 kg",
        "height": "160 cm",
        "creatinine": "2.40 mg/dL",
        "creatinine_on": taken,
        "procedure": "TIPS creation",
        "operators": "Dr Almeida",
        "strength": "320",
    }.items():
        _field(page, name).fill(text)
        _field(page, name).press("Tab")  # as people do: the field is left before the next is filled
        expect(_field(page, name)).to_have_value(text)
    page.locator("fieldset", has=page.get_by_text("sex", exact=True)).get_by_text("F", exact=True).click()
    page.get_by_text("second pass (coronary, carotid, mesenteric, iliac, leg)").click()
    page.locator("fieldset", has_text="contrast in the days before").get_by_text(
        "no", exact=True
    ).first.click()
    # the limit that results stands on the page before the case starts
    expect(page.locator("#before-limits .headline")).to_have_text(
        re.compile(r"\d+ mL below"), timeout=PATIENCE_MS
    )


def _distance(page: Page) -> tuple[str, int]:
    """The word and the millilitres of the distance to the leading limit."""
    number = page.locator("#room-numbers .is-contrast .number").nth(1)
    label = number.locator(".number-label").inner_text()
    return label.split()[0], int(number.locator(".digits").inner_text())


def _give(page: Page, volume: str) -> None:
    """An injection in two touches."""
    page.locator("#entry-volumes button", has_text=re.compile(rf"^{volume}\s*mL$")).click()
    page.locator("#entry-given").click()
    expect(page.locator("#entry-last")).to_contain_text(f"{volume} mL contrast")


def test_a_case_from_the_form_to_the_acknowledged_level(page: Page, address: str, workflow: Workflow) -> None:
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.on("console", lambda message: faults.append(message.text) if message.type == "error" else None)
    elsewhere: list[str] = []
    page.on(
        "request",
        lambda r: None if r.url.startswith((address, "data:", "blob:")) else elsewhere.append(r.url),
    )

    _fill_form(page, address)
    page.get_by_role("button", name="Start the case").click()
    expect(page.locator("#room-numbers")).to_contain_text("contrast given")
    expect(page).to_have_title("Room 2")

    word, before = _distance(page)
    assert word == "below"
    _give(page, "10")
    expect(page.locator("#room-numbers .is-contrast .number").nth(1).locator(".digits")).to_have_text(
        str(before - 10)
    )

    while _distance(page)[0] == "below":
        given = page.locator("#room-numbers .is-contrast .number").first.locator(".digits").inner_text()
        _give(page, "20")
        expect(page.locator("#room-numbers .is-contrast .number").first.locator(".digits")).to_have_text(
            str(int(given) + 20)
        )
    card = page.locator("#room-prompts .prompt.is-decide").first
    expect(card).to_be_visible()
    expect(page.locator("#shell-announcer")).to_contain_text("to decide")

    # a decision needs a name and a reason; nothing is chosen beforehand
    assert card.locator("input:checked").count() == 0
    card.get_by_role("button", name="Go on because").click()
    expect(card.locator(".field-error")).to_contain_text("Name the person")
    card.get_by_text("Dr Almeida").click()
    card.get_by_text("clinical need").click()
    card.get_by_role("button", name="Go on because").click()
    expect(page.locator("#room-answered")).to_contain_text("go on because clinical need")
    expect(page.locator("#room-answered")).to_contain_text("Dr Almeida")

    (running,) = workflow.running_cases()
    answered = [p for p in workflow.case_view(running.id).prompts if p.answer is not None]
    assert answered[0].answer is not None
    assert answered[0].answer.by == "Dr Almeida"
    assert elsewhere == []
    assert faults == []


def test_keyboard_alone_gives_an_injection_and_takes_it_back(
    page: Page, address: str, workflow: Workflow
) -> None:
    _fill_form(page, address)
    page.get_by_role("button", name="Start the case").press("Enter")
    button = page.locator("#entry-volumes button").first
    button.wait_for()
    button.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#entry-given")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#entry-last")).to_contain_text("mL contrast")
    page.locator("#entry-undo").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#entry-last")).to_have_text("nothing entered yet")
    (running,) = workflow.running_cases()
    view = workflow.case_view(running.id)
    assert view.stairs == ()
    assert [row.reason for row in view.timeline if row.kind == "withdrawn"] == ["undo"]


def test_targets_of_the_hand_view_are_large_and_apart(page: Page, address: str) -> None:
    _fill_form(page, address)
    page.get_by_role("button", name="Start the case").click()
    page.locator("#entry-volumes button").first.wait_for()
    found = page.locator("#entry-volumes button, .keypad button, #entry-undo").evaluate_all(
        "nodes => nodes.map(node => node.getBoundingClientRect().toJSON())"  # all at one moment
    )
    assert len(found) > 12
    millimetre = 96 / 25.4  # CSS pixels of one CSS millimetre
    assert min(min(box["width"], box["height"]) for box in found) >= 20 * millimetre - 0.5
    for i, one in enumerate(found):
        for other in found[i + 1 :]:
            across = max(one["x"] - other["x"] - other["width"], other["x"] - one["x"] - one["width"])
            down = max(one["y"] - other["y"] - other["height"], other["y"] - one["y"] - one["height"])
            assert max(across, down) >= 3 * millimetre - 0.5


def test_wall_follows_the_case_and_can_be_read_at_its_distance(
    page: Page, address: str, workflow: Workflow, monkeypatch: pytest.MonkeyPatch
) -> None:
    nurse = Actor("Ines (invented)", Role.ROOM, is_claimed=True)
    patient = Patient(
        id="417", name="Moreira^Olga", sex="F", birth_date="1955-03-02", weight_kg=58.0, height_cm=160.0
    )
    case = workflow.open_case(CaseOpened(room="Room 2", patient=patient), actor=nurse).case_id
    assert case is not None
    page.set_viewport_size({"width": 1920, "height": 1080})
    page.goto(f"{address}/room/Room%202/wall")
    expect(page.locator(".number.is-wall")).to_have_count(4)
    expect(page.locator("#room-numbers")).to_contain_text("limit unknown")
    assert page.locator("button, input, a").count() == 1  # the link that skips to the page, for readers

    workflow.record(case, Injection(12.0, 320.0), actor=nurse, is_confirmed=True)
    workflow.record(case, ConsoleReading("single", 40.0), actor=nurse, is_confirmed=True)
    expect(page.locator("#room-numbers")).to_contain_text("40")
    expect(page.locator("#room-numbers .is-contrast .digits").first).to_have_text("12")

    # 30 arc minutes at 3 m are 26.2 mm; the screen is 1210 mm wide; a digit is 0.7 of its font size
    millimetre = 1920 / 1210
    digits = page.locator(".number.is-wall .digits").first
    size = digits.evaluate("node => parseFloat(getComputedStyle(node).fontSize)")
    assert size * 0.7 >= 26.2 * millimetre
    label = page.locator(".number.is-wall .number-label").first
    assert (
        label.evaluate("node => parseFloat(getComputedStyle(node).fontSize)") * 0.7 >= 18 * millimetre - 0.1
    )
    boxes = [box.bounding_box() for box in page.locator(".number.is-wall").all()]
    assert all(box is not None and box["y"] + box["height"] <= 1080 for box in boxes)

    for minute, kerma in enumerate((3100.0, 4100.0, 5100.0, 6100.0, 7100.0)):
        at = datetime.now(UTC) + timedelta(minutes=2 * minute)
        monkeypatch.setattr(workflow, "_clock", lambda at=at: at)  # one card each
        workflow.record(case, ConsoleReading("single", kerma), actor=nurse, is_confirmed=True)
    # many open prompts push no number off the screen
    expect(page.locator(".prompt-more")).to_be_visible()
    boxes = [box.bounding_box() for box in page.locator(".number.is-wall").all()]
    assert all(box is not None and box["y"] + box["height"] <= 1080 for box in boxes)


def test_a_lower_reading_is_changed_or_the_console_began_again(
    page: Page, address: str, workflow: Workflow
) -> None:
    nurse = Actor("Ines (invented)", Role.ROOM, is_claimed=True)
    patient = Patient(id="417", name="Moreira^Olga", sex="F")
    case = workflow.open_case(CaseOpened(room="Room 2", patient=patient), actor=nurse).case_id
    assert case is not None
    workflow.record(case, ConsoleReading("single", 60.0), actor=nurse, is_confirmed=True)
    page.goto(f"{address}/room/Room%202")
    display = page.locator("#keypad-text")
    page.locator("#keypad-unit label", has_text=re.compile("^mGy$")).click()
    display.fill("16")
    page.get_by_role("button", name="Record", exact=True).first.click()
    page.get_by_role("button", name="Typing error, change it").click()
    expect(display).to_be_focused()
    expect(display).to_have_value("16")
    page.get_by_role("button", name="Record", exact=True).first.click()
    page.get_by_role("button", name="The console began again").click()
    expect(page.locator("#entry-last")).to_contain_text("console began again")
    expect(page.locator("#room-numbers .digits").first).to_have_text("76")
    assert workflow.case_view(case).case.readings[-1].value.is_reset


@pytest.mark.parametrize(("width", "height"), [(1280, 800), (820, 1180)])
def test_the_bar_of_the_form_never_hides_what_has_the_focus(
    page: Page, address: str, width: int, height: int
) -> None:
    page.set_viewport_size({"width": width, "height": height})
    page.goto(f"{address}/room/Room%202/before")
    expect(page.locator("#before-start")).to_be_visible()
    page.locator(".before-form input").first.focus()
    for _ in range(24):
        page.keyboard.press("Tab")
        clear = page.evaluate(
            """() => {
              const on = document.activeElement, bar = document.querySelector('.open-bar');
              if (bar.contains(on) || !document.querySelector('.before-form').contains(on)) return true;
              return on.getBoundingClientRect().bottom <= bar.getBoundingClientRect().top;
            }"""
        )
        assert clear, page.evaluate("document.activeElement.outerHTML")


def test_ending_asks_on_top_and_hands_over(page: Page, address: str, workflow: Workflow) -> None:
    nurse = Actor("Ines (invented)", Role.ROOM, is_claimed=True)
    patient = Patient(id="417", name="Moreira^Olga", sex="F")
    case = workflow.open_case(CaseOpened(room="Room 2", patient=patient), actor=nurse).case_id
    assert case is not None
    workflow.record(case, Injection(12.0, 320.0), actor=nurse, is_confirmed=True)
    page.set_viewport_size({"width": 820, "height": 1180})
    page.goto(f"{address}/room/Room%202")
    page.get_by_role("button", name="End the case").click()
    asked = page.get_by_role("alertdialog")
    expect(asked).to_contain_text("contrast given 12 mL")
    expect(asked.get_by_role("button", name="Yes, end it")).to_be_in_viewport()
    asked.get_by_role("button", name="Not yet").click()
    expect(asked).to_be_hidden()
    page.get_by_role("button", name="End the case").click()
    asked.get_by_role("button", name="Yes, end it").click()
    expect(page.get_by_text("No patient.")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.locator(".last-case")).to_contain_text("contrast given 12 mL")
