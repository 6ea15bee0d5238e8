"""The statistics beside an audit, together: what belongs where, and what a further case may change."""

from __future__ import annotations

import random
from datetime import date, timedelta

from dosetrack.audit import AgeGroup, AuditCase, AuditSettings, ChosenReference, audit, audit_settings
from dosetrack.audit.changes import Change, ChangeKind
from dosetrack.audit.comparing import ComparingRules, Outcome
from dosetrack.audit.measures import DRAWN, MeasureRules, Measures, measures
from dosetrack.settings import SettingChange, resolve

DAP = "dose_area_product_gycm2"
LAST = date(2026, 10, 31)
RULES = MeasureRules(rolling_months=12, minimum_n=20, comparing=ComparingRules(minimum_n=10, widest=1.75))


def case(number: int, value: float | None, **facts: object) -> AuditCase:
    named = {"procedure": "PCI", "room": "Room 1", "operator": "AB"[number % 2]} | facts
    day = named.pop("day", LAST - timedelta(days=3 * number))
    return AuditCase(id=f"case-{number:04d}", day=day, quantities={DAP: value}, **named)  # type: ignore[arg-type]


def department() -> list[AuditCase]:
    chance = random.Random(12)
    cases = [case(n, chance.lognormvariate(4, 0.4)) for n in range(100)]
    return [*cases, case(200, 3.0, procedure="Filter", day=LAST), case(201, None, procedure=None, day=LAST)]


def told(cases: list[AuditCase]) -> Measures:
    return measures(cases, first_day=date(2026, 10, 1), last_day=LAST, rules=RULES, with_comparisons=True)


def of(found: Measures, procedure: str) -> tuple[object, ...]:
    parts = (found.percentiles, found.typical, found.charts, found.comparisons, found.suspects)
    return tuple(row for part in parts for row in part if row.procedure == procedure)


def test_percentiles_are_of_the_period_and_typical_values_of_the_window() -> None:
    found = told(department())
    period = next(p for p in found.percentiles if p.procedure == "PCI" and p.quantity == DAP)
    typical = next(t for t in found.typical if t.procedure == "PCI" and t.quantity == DAP)
    assert (period.percentiles.n, typical.n) == (11, 100)  # days 0, 3, ... 30 of October


def test_one_case_and_no_name_have_defined_results() -> None:
    found = told(department())
    outcomes = {
        (c.procedure, c.comparison.outcome) for c in found.comparisons if c.comparison.quantity == DAP
    }
    assert outcomes == {
        ("PCI", Outcome.COMPARED),
        ("Filter", Outcome.ONE_OPERATOR),
        (None, Outcome.NO_CASES),
    }


def test_no_case_at_all() -> None:
    assert told([]) == Measures((), (), (), (), ())


def test_comparisons_are_made_when_asked_for() -> None:
    found = measures(department(), first_day=date(2026, 10, 1), last_day=LAST, rules=RULES)
    assert found.comparisons == ()
    assert len(found.charts) == 3 * len(DRAWN)


def test_a_further_case_changes_no_other_procedure_and_order_changes_nothing() -> None:
    cases = department()
    found = told(cases)
    more = told([*cases, case(300, 9000.0, procedure="TACE", day=LAST)])
    child = told([*cases, case(301, 9000.0, procedure="TACE", age_group=AgeGroup.UNDER_18, day=LAST)])
    assert of(found, "PCI") == of(more, "PCI") == of(child, "PCI")
    random.Random(2).shuffle(cases)
    assert told(cases) == found


def test_the_audit_leaves_out_what_lies_before_a_new_unit() -> None:
    """30 cases at 100 before, 20 at 10 since: the level of 85 is compared with the 20."""
    old = [case(n, 100.0, day=date(2026, 5, 31)) for n in range(30)]
    new = [case(100 + n, 10.0, day=date(2026, 6, 1)) for n in range(20)]
    chosen = ChosenReference("PCI", DAP, "siiskonen-2018:pci:dose_area_product_gycm2")
    unit = Change(date(2026, 6, 1), ChangeKind.EQUIPMENT, "new unit", room="Room 1")
    settings = AuditSettings(references=(chosen,), changes=(unit,))
    result = audit([*old, *new], first_day=date(2026, 6, 1), last_day=LAST, settings=settings)
    comparison = result.procedures[0].reference
    assert comparison is not None
    assert (comparison.n, comparison.median) == (20, 10.0)


def test_a_change_that_cannot_be_read_is_told() -> None:
    text = "2026-06-01 | equipment | Room 1 | | new unit\nsome day | new tube"
    change = SettingChange(
        seq=1,
        key="audit.changes",
        scope="site",
        value=text,
        valid_from="2026-01-01",
        recorded_at="2026-01-01T08:00:00Z",
        actor="invented",
        reason=None,
        source=None,
    )
    settings = audit_settings(resolve([change], day="2026-10-31"))
    assert [c.what for c in settings.changes] == ["new unit"]
    result = audit([], first_day=date(2026, 10, 1), last_day=LAST, settings=settings)
    assert [f.code for f in result.findings] == ["audit-change-unreadable"]
    assert "some day | new tube" in result.findings[0].text
