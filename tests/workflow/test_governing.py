"""Settings are dated entries; the month counts every ended case."""

from __future__ import annotations

import pytest

from dosetrack.errors import InputError
from dosetrack.records.entries import ConsoleReading
from dosetrack.records.people import Actor, Role
from dosetrack.workflow import Workflow
from tests.workflow.invented import NURSE, OPENING, Clock, dose_report, event

PHYSICIST = Actor(name="Invented Physicist", role=Role.PHYSICS)


def change(workflow: Workflow, value: str, *, scope: str = "site", valid_from: str = "2026-01-01") -> None:
    workflow.change_setting(
        key="levels.reference_air_kerma.first_mgy",
        scope=scope,
        value=value,
        valid_from=valid_from,
        actor=PHYSICIST,
        reason="agreed locally",
    )


def test_changed_level_prompts_from_then_on(workflow: Workflow, clock: Clock) -> None:
    change(workflow, "1000", scope="room:Room 2")
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    done = workflow.record(
        case_id, ConsoleReading(reference_air_kerma_mgy=1100), actor=NURSE, is_confirmed=True
    )
    assert [p.headline for p in done.prompts] == ["Ka,r 1 Gy"]
    source = done.prompts[0].facts[0].source
    assert "room:Room 2" in source


def test_changed_level_never_changes_a_decision_already_recorded(workflow: Workflow) -> None:
    case_id = workflow.open_case(OPENING, actor=NURSE).case_id
    assert case_id is not None
    workflow.record(case_id, ConsoleReading(reference_air_kerma_mgy=3100), actor=NURSE, is_confirmed=True)
    before = workflow.case_view(case_id).prompts
    change(workflow, "9000")
    assert workflow.case_view(case_id).prompts == before


def test_setting_keeps_its_history_with_who_and_why(workflow: Workflow) -> None:
    change(workflow, "2500")
    change(workflow, "2000", valid_from="2026-02-01")
    view = next(
        v for v in workflow.setting_views() if v.definition.key == "levels.reference_air_kerma.first_mgy"
    )
    assert (view.value, view.origin) == ("2000", "site")
    assert [(c.value, c.actor, c.reason) for c in view.history] == [
        ("2000", "Invented Physicist", "agreed locally"),
        ("2500", "Invented Physicist", "agreed locally"),
    ]


@pytest.mark.parametrize(
    ("key", "scope", "value", "day"),
    [
        ("levels.reference_air_kerma.first_mgy", "site", "-5", "2026-01-01"),
        ("levels.reference_air_kerma.first_mgy", "site", "nan", "2026-01-01"),
        ("levels.reference_air_kerma.first_mgy", "site", "3 Gy", "2026-01-01"),
        ("levels.reference_air_kerma.first_mgy", "ward:7", "3000", "2026-01-01"),
        ("levels.reference_air_kerma.first_mgy", "site", "3000", "1.1.2026"),
        ("no.such.setting", "site", "1", "2026-01-01"),
        ("site.time_zone", "site", "Middle/Earth", "2026-01-01"),
        ("contrast.show_esc_rows", "site", "perhaps", "2026-01-01"),
    ],
)
def test_impossible_setting_is_refused_and_changes_nothing(
    workflow: Workflow, key: str, scope: str, value: str, day: str
) -> None:
    with pytest.raises(InputError) as refusal:
        workflow.change_setting(
            key=key, scope=scope, value=value, valid_from=day, actor=PHYSICIST, reason="try"
        )
    assert refusal.value.accepted
    assert workflow.position() == 0


def test_setting_from_a_later_day_is_not_in_force_yet(workflow: Workflow) -> None:
    change(workflow, "1000", valid_from="2026-12-01")
    key = "levels.reference_air_kerma.first_mgy"
    assert workflow.settings(day="2026-11-30").number(key) == 3000
    assert workflow.settings(day="2026-12-01").number(key) == 1000


def test_audit_counts_ended_cases_and_leaves_running_ones_out(workflow: Workflow) -> None:
    workflow.take_in_bytes(dose_report("one", [event(1)], accession="A-7", study="1.2.7"), file="r.dcm")
    workflow.open_case(OPENING, actor=NURSE)
    result = workflow.audit(first_day="2026-03-01", last_day="2026-03-31")
    assert result.n == 1
    assert result.procedures[0].quantities["reference_air_kerma_mgy"].median == 100.0
    assert workflow.months() == ("2026-03",)


def test_procedure_names_and_operator_aliases_group_the_audit(workflow: Workflow) -> None:
    for key, value in (
        ("site.procedure_names", "Invented embolisation = Embolisation"),
        ("site.operator_aliases", "Invented Operator = I. O."),
    ):
        workflow.change_setting(
            key=key, scope="site", value=value, valid_from="2026-01-01", actor=PHYSICIST, reason="map"
        )
    workflow.take_in_bytes(dose_report("one", [event(1)]), file="r.dcm")
    result = workflow.audit(first_day="2026-03-01", last_day="2026-03-31")
    assert [p.procedure for p in result.procedures] == ["Embolisation"]
    assert [o.operator for o in result.operators] == ["I. O."]
