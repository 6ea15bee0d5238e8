"""One audit of an invented department, checked by hand and against pandas."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta

import pandas as pd
import pytest

from dosetrack.audit import (
    AgeGroup,
    AuditCase,
    AuditSettings,
    ChosenReference,
    Present,
    Verdict,
    audit,
    audit_settings,
    compare,
    reference_levels,
)
from dosetrack.audit.months import months_between, rolling_start
from dosetrack.errors import InputError
from dosetrack.settings import SettingChange, resolve

OCTOBER = {"first_day": date(2026, 10, 1), "last_day": date(2026, 10, 31)}
# PCI, DRL 48 Gy·cm² (Germany 2018, superseded, so context only) and 85 (Europe 2018, in force)
EUROPE_PCI = "siiskonen-2018:pci:dose_area_product_gycm2"
GERMANY_PCI = "bfs-2018:pci:dose_area_product_gycm2"


def case(number: int, *, day: date = date(2026, 10, 15), **facts: object) -> AuditCase:
    quantities = {k: facts.pop(k) for k in list(facts) if k.endswith(("_mgy", "_gycm2", "_s", "_ml", "_g"))}
    by_plane = quantities.pop("reference_air_kerma_by_plane_mgy", {})
    skin = quantities.pop("skin_upper_mgy", None)
    named = {"procedure": "PCI", "room": "Room 1", "operator": "Dr Example"} | facts
    return AuditCase(
        id=f"case-{number:03d}",
        day=day,
        quantities=quantities,  # type: ignore[arg-type]
        reference_air_kerma_by_plane_mgy=by_plane,  # type: ignore[arg-type]
        skin_upper_mgy=skin,  # type: ignore[arg-type]
        **named,  # type: ignore[arg-type]
    )


def pci(values: list[float], **facts: object) -> list[AuditCase]:
    return [case(n, dose_area_product_gycm2=v, **facts) for n, v in enumerate(values)]


class TestTypicalValues:
    def test_both_ends_of_the_period_count_and_nothing_outside(self) -> None:
        days = [date(2026, 9, 30), date(2026, 10, 1), date(2026, 10, 31), date(2026, 11, 1)]
        result = audit([case(n, day=d) for n, d in enumerate(days)], **OCTOBER)
        assert (result.n, result.procedures[0].n) == (2, 2)

    def test_by_procedure_operator_and_room(self) -> None:
        cases = [
            case(1, dose_area_product_gycm2=10.0, operator="Dr A"),
            case(2, dose_area_product_gycm2=30.0, operator="Dr B", room="Room 2"),
            case(3, dose_area_product_gycm2=None, operator="Dr A"),
            case(4, dose_area_product_gycm2=100.0, operator="Dr A", procedure="TACE"),
            case(5, operator=None, procedure=None),
        ]
        result = audit(cases, **OCTOBER)
        assert [(p.procedure, p.n) for p in result.procedures] == [("PCI", 3), ("TACE", 1), (None, 1)]
        dap = result.procedures[0].quantities["dose_area_product_gycm2"]
        assert (dap.n, dap.missing, dap.median, dap.p25, dap.p75) == (2, 1, 20.0, 15.0, 25.0)
        assert [(o.operator, o.procedure, o.n) for o in result.operators] == [
            ("Dr A", "PCI", 2),
            ("Dr A", "TACE", 1),
            ("Dr B", "PCI", 1),
            (None, None, 1),
        ]
        assert [(r.room, r.procedure, r.n) for r in result.rooms][:3] == [
            ("Room 1", "PCI", 2),
            ("Room 1", "TACE", 1),
            ("Room 1", None, 1),
        ]

    def test_agrees_with_pandas_on_a_made_up_department(self) -> None:
        chance = random.Random(7)
        cases = [
            case(
                n,
                procedure=chance.choice(["PCI", "TACE", "TIPS"]),
                operator=chance.choice(["Dr A", "Dr B"]),
                dose_area_product_gycm2=chance.choice([None, chance.lognormvariate(4, 1)]),
            )
            for n in range(300)
        ]
        table = pd.DataFrame(
            {"procedure": c.procedure, "operator": c.operator, "dap": c.value("dose_area_product_gycm2")}
            for c in cases
        )
        table["dap"] = table["dap"].astype(float)
        theirs = table.groupby(["operator", "procedure"])["dap"]
        for row in audit(cases, **OCTOBER).operators:
            mine, group = (
                row.quantities["dose_area_product_gycm2"],
                theirs.get_group((row.operator, row.procedure)),
            )
            assert (mine.n, mine.missing) == (group.count(), group.isna().sum())
            assert (mine.p25, mine.median, mine.p75) == pytest.approx(
                tuple(group.quantile([0.25, 0.5, 0.75]))
            )

    def test_children_are_never_pooled_with_adults(self) -> None:
        cases = [*pci([10.0] * 20), *pci([1.0] * 20, age_group=AgeGroup.UNDER_18)]
        settings = AuditSettings(references=(ChosenReference("PCI", "dose_area_product_gycm2", EUROPE_PCI),))
        adult, child = audit(cases, **OCTOBER, settings=settings).procedures
        assert (adult.age_group, adult.n, child.age_group, child.n) == (
            AgeGroup.ADULT,
            20,
            AgeGroup.UNDER_18,
            20,
        )
        assert child.reference is None
        assert adult.reference is not None

    def test_trend_has_every_month_of_the_window_and_gaps_are_empty(self) -> None:
        cases = [
            case(1, dose_area_product_gycm2=10.0),
            case(2, day=date(2026, 8, 3), dose_area_product_gycm2=30.0),
        ]
        trend = audit(cases, **OCTOBER).trend
        assert [m.month for m in trend] == [f"2025-{m}" for m in (11, 12)] + [
            f"2026-{m:02d}" for m in range(1, 11)
        ]
        by_month = {m.month: (m.n, m.quantities["dose_area_product_gycm2"].median) for m in trend}
        assert (by_month["2026-08"], by_month["2026-09"], by_month["2026-10"]) == (
            (1, 30.0),
            (0, None),
            (1, 10.0),
        )

    def test_no_cases_at_all(self) -> None:
        result = audit([], **OCTOBER)
        assert (result.n, result.procedures, result.over_levels, result.completeness.rooms) == (0, (), (), ())


class TestReferenceLevels:
    def compare(self, values: list[float], key: str = EUROPE_PCI) -> object:
        settings = AuditSettings(references=(ChosenReference("PCI", "dose_area_product_gycm2", key),))
        return audit(pci(values), **OCTOBER, settings=settings).procedures[0].reference

    def test_off_until_chosen(self) -> None:
        assert audit(pci([500.0] * 30), **OCTOBER).procedures[0].reference is None

    @pytest.mark.parametrize(
        ("values", "verdict"),
        [
            ([85.0] * 20, Verdict.NOT_ABOVE),
            ([84.0, 86.0] * 10, Verdict.NOT_ABOVE),
            ([86.0] * 20, Verdict.ABOVE),
            ([200.0] * 14, Verdict.TOO_FEW),
            ([200.0] * 19, Verdict.TOO_FEW),
        ],
    )
    def test_equal_is_not_above_and_few_are_not_compared(self, values: list[float], verdict: Verdict) -> None:
        found = self.compare(values)
        assert found.verdict is verdict  # type: ignore[attr-defined]
        assert found.n == len(values)  # type: ignore[attr-defined]

    def test_equal_to_the_german_level_of_2018_is_not_above(self) -> None:
        # PCI 48 Gy·cm² (notice of 16 Aug 2018, as listed publicly); superseded, so in force only here
        row = reference_levels()[GERMANY_PCI]
        window = {"procedure": "PCI", "first_day": date(2025, 11, 1), "last_day": date(2026, 10, 31)}
        in_force = replace(row, usable=True)
        assert compare(pci([48.0] * 20), in_force, minimum_n=20, **window).verdict is Verdict.NOT_ABOVE
        assert compare(pci([60.0] * 14), in_force, minimum_n=20, **window).verdict is Verdict.TOO_FEW
        with pytest.raises(InputError, match="context only"):
            compare(pci([60.0] * 20), row, minimum_n=20, **window)

    def test_missing_values_do_not_make_up_the_number(self) -> None:
        settings = AuditSettings(references=(ChosenReference("PCI", "dose_area_product_gycm2", EUROPE_PCI),))
        cases = [*pci([200.0] * 19), case(99)]
        row = audit(cases, **OCTOBER, settings=settings).procedures[0]
        assert row.reference is not None
        assert (row.n, row.reference.n, row.reference.verdict) == (20, 19, Verdict.TOO_FEW)

    def test_a_superseded_row_is_context_and_never_above(self) -> None:
        settings = AuditSettings(references=(ChosenReference("PCI", "dose_area_product_gycm2", GERMANY_PCI),))
        result = audit(pci([48.0] * 20), **OCTOBER, settings=settings)
        assert result.procedures[0].reference is None
        assert [f.code for f in result.findings] == ["reference-not-usable"]
        assert reference_levels()[GERMANY_PCI].value == 48.0

    def test_the_window_rolls_over_twelve_months_and_starts_anew_after_a_change(self) -> None:
        old = [case(n, day=date(2025, 11, 1), dose_area_product_gycm2=200.0) for n in range(25)]
        older = [case(100 + n, day=date(2025, 10, 31), dose_area_product_gycm2=1.0) for n in range(60)]
        new = pci([10.0] * 5)
        chosen = (ChosenReference("PCI", "dose_area_product_gycm2", EUROPE_PCI),)
        rolling = audit([*older, *old, *new], **OCTOBER, settings=AuditSettings(references=chosen))
        reference = rolling.procedures[0].reference
        assert reference is not None
        assert (reference.n, reference.verdict, reference.first_day) == (30, Verdict.ABOVE, date(2025, 11, 1))
        reset = AuditSettings(references=chosen, resets={"PCI": date(2026, 10, 2)})
        fresh = audit([*older, *old, *new], **OCTOBER, settings=reset).procedures[0].reference
        assert fresh is not None
        assert (fresh.n, fresh.verdict) == (5, Verdict.TOO_FEW)

    def test_published_rows_are_in_the_unit_of_their_quantity(self) -> None:
        # TACE 20.4 min, printed as 1224 s (Lee 2019 Prog Med Phys 30:75, abstract)
        assert reference_levels()["lee-2019:tace:fluoroscopy_time_s"].value == 1224.0
        # cerebral angiography 711.3 mGy (Ihn 2021, abstract)
        ihn = reference_levels()["ihn-2021:cerebral-angiography:reference_air_kerma_mgy"]
        assert (ihn.value, ihn.usable, ihn.country) == (711.3, True, "Korea")

    def test_nothing_remembered_is_usable(self) -> None:
        for level in reference_levels().values():
            assert not (level.usable and "from memory" in level.source.split(",")[-1])

    def test_choices_are_read_from_the_settings_and_a_bad_line_is_said(self) -> None:
        change = SettingChange(
            seq=3,
            key="audit.references",
            scope="site",
            value=f"PCI | dose_area_product_gycm2 | {EUROPE_PCI}\nTIPS = something",
            valid_from="2026-01-01",
            recorded_at="2026-01-01T08:00:00+00:00",
            actor="lead",
            reason=None,
            source=None,
        )
        rules = audit_settings(resolve([change], day="2026-10-31"))
        assert (rules.minimum_n, rules.rolling_months) == (20, 12)
        result = audit(pci([86.0] * 20), **OCTOBER, settings=rules)
        assert result.procedures[0].reference is not None
        assert result.procedures[0].reference.verdict is Verdict.ABOVE
        assert "TIPS = something" in result.findings[0].text


class TestLevels:
    def test_each_plane_alone_and_the_sum_only_as_a_doubt(self) -> None:
        biplane = case(
            1,
            reference_air_kerma_mgy=5600.0,
            reference_air_kerma_by_plane_mgy={"a": 3200.0, "b": 2400.0},
        )
        result = audit(
            [biplane, case(2, reference_air_kerma_mgy=6100.0), case(3, reference_air_kerma_mgy=10.0)],
            **OCTOBER,
        )
        told = [(o.case.id, o.level.plane, o.level.level, o.level.tier) for o in result.over_levels]
        assert told == [
            ("case-001", "a", 3000.0, "notification"),
            ("case-001", None, 5000.0, "may-be-above"),
            ("case-002", "all", 6000.0, "notification"),
            ("case-002", "all", 5000.0, "substantial"),
        ]
        counts = {(c.level, c.tier): (c.n, c.of) for c in result.level_counts}
        assert counts[(3000.0, "notification")] == (2, 3)
        assert counts[(5000.0, "substantial")] == (1, 3)

    def test_time_speaks_only_where_nothing_better_is_known(self) -> None:
        cases = [
            case(1, fluoroscopy_time_s=3600.0),
            case(2, fluoroscopy_time_s=3600.0, dose_area_product_gycm2=1.0),
        ]
        result = audit(cases, **OCTOBER)
        assert {o.case.id for o in result.over_levels} == {"case-001"}
        assert {(c.n, c.of) for c in result.level_counts} == {(1, 1)}


def test_completeness_over_all_and_per_room() -> None:
    cases = [
        case(1, dose_area_product_gycm2=1.0, reference_air_kerma_mgy=0.0),
        case(2, dose_area_product_gycm2=1.0, room="Room 2"),
        case(3, room="Room 2"),
    ]
    found = audit(cases, **OCTOBER).completeness
    assert found.n == 3
    assert found.quantities["dose_area_product_gycm2"] == Present(2, 3)
    assert found.quantities["reference_air_kerma_mgy"] == Present(1, 3)
    assert [(r.room, r.n, r.quantities["dose_area_product_gycm2"]) for r in found.rooms] == [
        ("Room 1", 1, Present(1, 1)),
        ("Room 2", 2, Present(1, 2)),
    ]


@pytest.mark.parametrize(
    ("last_day", "months", "expected"),
    [
        (date(2026, 10, 31), 12, date(2025, 11, 1)),
        (date(2025, 2, 28), 12, date(2024, 3, 1)),
        (date(2024, 2, 29), 12, date(2023, 3, 1)),
        (date(2026, 5, 14), 12, date(2025, 5, 15)),
        (date(2026, 4, 30), 1, date(2026, 4, 1)),
        (date(2026, 3, 30), 1, date(2026, 3, 1)),
    ],
)
def test_rolling_window_is_whole_months(last_day: date, months: int, expected: date) -> None:
    assert rolling_start(last_day, months) == expected
    if last_day + timedelta(days=1) == (last_day + timedelta(days=1)).replace(day=1):
        assert len(months_between(expected, last_day)) == months
