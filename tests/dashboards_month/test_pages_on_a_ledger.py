"""The three pages over a real ledger of invented cases, through the application's router."""

from datetime import UTC, datetime, timedelta

import pytest

from dashboards.app import make_app, page_of, page_table
from dashboards.month_view import month_view
from dashboards.pages import settings, settings_references
from dashboards.view_models_settings import reference_rows
from dosetrack.records.entries import CaseOpened, ConsoleReading, Injection
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import Patient
from dosetrack.workflow import open_workflow

ACTOR = Actor("Invented Physicist", Role.PHYSICS)
FORM = {"from": "2026-02-01", "reason": "test", "source": "", "who": "Invented Lead", "role": "lead"}


@pytest.fixture(scope="module")
def held(tmp_path_factory):
    """A workflow over three months with four cases each, of one procedure in two rooms."""
    moment = [datetime(2026, 1, 1, 8, tzinfo=UTC)]
    url = f"sqlite:///{tmp_path_factory.mktemp('pages') / 'ledger.sqlite'}"
    workflow = open_workflow(url, create=True, clock=lambda: moment[0])
    for number in range(12):
        moment[0] = datetime(2026, 1 + number // 4, 3 + number % 4, 8, tzinfo=UTC)
        opening = CaseOpened(
            room=f"Room {1 + number % 2}",
            patient=Patient(id=f"INVENTED-{number}"),
            procedure="TIPS",
            operators=(f"Dr Invented {number % 3}",),
        )
        case_id = workflow.open_case(opening, actor=ACTOR).case_id
        moment[0] += timedelta(minutes=50)
        reading = ConsoleReading(
            reference_air_kerma_mgy=1000.0 + 500 * number, dose_area_product_gycm2=100.0 + 20 * number
        )
        workflow.record(case_id, reading, actor=ACTOR, is_confirmed=True)
        workflow.record(case_id, Injection(80.0, 300.0), actor=ACTOR, is_confirmed=True)
        workflow.end_case(case_id, actor=ACTOR)
    return workflow


def shown(workflow, path, search=""):
    body, title, found = page_of(workflow, page_table(), path, search)
    assert found is not None
    return body, title


@pytest.mark.parametrize(
    "path", ["/month", "/operators", "/settings", "/settings/references", "/settings/published"]
)
def test_every_page_stands_at_its_address(held, path, words):
    body, title = shown(held, path)
    assert title
    assert len(words(body)) > 200


def test_application_registers_the_pages_once(held):
    app = make_app(held)
    outputs = [key for key in app.callback_map if "settings-body" in key]
    assert len(outputs) == 1


def test_month_of_the_ledger_lists_the_case_over_a_substantial_level(held, words):
    body, _ = shown(held, "/month", "?m=2026-03")
    text = words(body)
    assert "4 ended cases" in text
    assert "Ka,r 5.00 Gy" in text


def test_room_of_the_address_narrows_the_audit(held):
    assert month_view(held, {"m": "2026-03", "room": "Room 2"}).counted.startswith("2 ended cases in Room 2")


def test_reference_chosen_on_the_page_is_compared_on_the_month(held):
    row = next(
        r for r in reference_rows() if r["usable"] == "yes" and r["quantity"] == "dose_area_product_gycm2"
    )
    form = {"procedure": "TIPS", **FORM}
    _, said = settings_references.choose(held, [row], form)
    assert said.startswith("TIPS: ")
    (strip,) = month_view(held, {"m": "2026-03"}).strips
    assert strip.reference is not None
    assert "too few to compare (n 12)" in strip.note


def test_level_changed_on_the_page_counts_in_the_next_audit(held):
    before = len(month_view(held, {"m": "2026-01"}).over.rows)
    query = {"key": "levels.reference_air_kerma.substantial_mgy"}
    _, *errors = settings.save(held, query, {**FORM, "value": "2000", "scope": "site"})
    assert errors == [""] * 5
    assert len(month_view(held, {"m": "2026-01"}).over.rows) > before


def test_history_names_who_and_why(held, words):
    query = {"key": "audit.minimum_n"}
    settings.save(held, query, {**FORM, "value": "10", "scope": "site", "reason": "small department"})
    text = words(settings.layout(held, query))
    assert "Invented Lead" in text
    assert "small department" in text
