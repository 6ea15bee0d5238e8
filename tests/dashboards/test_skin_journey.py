"""The skin map in a real browser, on a real ledger: by keyboard, saved as a picture, tried and recorded."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from PIL import Image
from playwright.sync_api import Page, expect, sync_playwright
from werkzeug.serving import make_server

from dashboards.app import make_app
from dosetrack.workflow import Workflow, open_workflow
from tests.workflow.invented import NURSE, OPENING, dose_report
from tests.workflow.skin_cases import straight_event

pytestmark = pytest.mark.browser
CHROMIUM = Path("/usr/bin/chromium")
PATIENCE_MS = 30_000
TOO_WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"


@pytest.fixture
def workflow(tmp_path: Path) -> Iterator[Workflow]:
    now = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
    opened = open_workflow(f"sqlite:///{tmp_path / 'ledger.db'}", create=True, clock=lambda: now)
    yield opened
    opened.ledger.close()


@pytest.fixture
def case_id(workflow: Workflow) -> str:
    """A running case whose report has come: twelve straight beams, the table moved on after eight."""
    started = workflow.open_case(OPENING, actor=NURSE).case_id
    events = [straight_event(n, kerma=350.0, longitudinal_mm=0.0 if n < 9 else 120.0) for n in range(1, 13)]
    case = workflow.take_in_bytes(
        dose_report("skin", events, patient=OPENING.patient), file="skin.dcm"
    ).case_id
    assert case == started
    return case


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
        shown = browser.new_page(viewport={"width": 1280, "height": 900})
        shown.set_default_timeout(PATIENCE_MS)
        yield shown
        browser.close()


def test_map_is_read_saved_stepped_through_tried_and_recorded(
    page: Page, address: str, case_id: str, workflow: Workflow, tmp_path: Path
) -> None:
    refused: list[str] = []
    page.on("console", lambda m: refused.append(m.text) if "Content Security Policy" in m.text else None)
    page.on("pageerror", lambda error: refused.append(str(error)))
    page.goto(f"{address}/case/{case_id}")
    flat, body = page.locator("#skin-flat .js-plotly-plot"), page.locator("#skin-body .js-plotly-plot")
    expect(flat).to_be_visible(timeout=PATIENCE_MS)
    expect(body).to_be_visible(timeout=PATIENCE_MS)
    expect(page.get_by_text("peak skin dose, estimate")).to_be_visible()

    # saved as a picture, flat and in space, without any other host
    for figure, name in ((flat, "flat"), (body, "body")):
        figure.hover()
        with page.expect_download() as download:
            figure.locator('[data-title^="Download"]').click()
        download.value.save_as(tmp_path / f"{name}.png")
        with Image.open(tmp_path / f"{name}.png") as picture:
            assert picture.width > 300
            assert len(set(picture.convert("RGB").resize((80, 80)).get_flattened_data())) > 20

    # stepped through by keyboard; the slider says where it stands
    slider = page.locator("#skin-step [role=slider]")
    expect(slider).to_have_attribute("aria-valuetext", "whole case, 12 events", timeout=PATIENCE_MS)
    slider.focus()
    page.keyboard.press("Home")
    expect(page.locator("#skin-moment")).to_contain_text("after 2 of 12 events", timeout=PATIENCE_MS)
    page.keyboard.press("End")
    expect(page.locator("#skin-moment")).to_have_text("whole case, 12 events", timeout=PATIENCE_MS)

    # tried, then recorded under a name
    page.locator('input[id*=\'"key":"back"\']').fill("-40")
    expect(page.locator(".skin-tried")).to_contain_text("Tried, not recorded", timeout=PATIENCE_MS)
    assert workflow.skin_map(case_id).setup.shift_mm == (0.0, 0.0, 0.0)
    page.get_by_role("button", name="Record as tried").click()
    expect(page.locator("#skin-message")).to_contain_text("Name who records it")
    page.locator("#entry-by").fill("Ines")
    page.locator("#entry-by").blur()
    page.get_by_role("button", name="Record as tried").click()
    expect(page.locator(".skin-tried")).to_have_count(0, timeout=PATIENCE_MS)
    assert workflow.skin_map(case_id).setup.shift_mm == (0.0, -40.0, 0.0)
    assert refused == []


def test_room_shows_the_hot_patch_and_what_may_come(
    page: Page, address: str, case_id: str, tmp_path: Path
) -> None:
    page.goto(f"{address}/room/Room%202")
    expect(page.locator("#room-skin-figure .js-plotly-plot")).to_be_visible(timeout=PATIENCE_MS)
    expect(page.get_by_text("With the beam as it is now")).to_be_visible(timeout=PATIENCE_MS)
    page.screenshot(path=f"{tmp_path}/room.png", full_page=True)


def test_nothing_is_cut_off_at_any_width(page: Page, address: str, case_id: str) -> None:
    page.goto(f"{address}/case/{case_id}")
    expect(page.locator("#skin-flat .js-plotly-plot")).to_be_visible(timeout=PATIENCE_MS)
    for width in (1280, 1920, 760):
        page.set_viewport_size({"width": width, "height": 900})
        deadline = time.monotonic() + PATIENCE_MS / 1000
        while (wide := page.evaluate(TOO_WIDE)) > 0 and time.monotonic() < deadline:
            page.wait_for_timeout(200)  # figures follow the window a moment later
        assert wide <= 0, f"{width} px wide"
