"""Control charts against a textbook's worked example, theory and arithmetic shown beside it."""

from __future__ import annotations

import math
import random
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from dosetrack.audit import AuditCase
from dosetrack.audit.changes import Change, ChangeKind
from dosetrack.audit.control import Lines, Signal, case_chart, limits_of, month_chart, rules, signals_of
from dosetrack.tables import constants

DAP = "dose_area_product_gycm2"

# Montgomery and Runger, Applied Statistics and Probability for Engineers, 3rd edition 2003,
# example 16-2, table 16-3: concentration of a chemical process, hourly (pages 616 and 617 opened)
CONCENTRATION = [
    102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1,
    101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0,
]  # fmt: skip


def case(number: int, value: float | None, *, day: date | None = None, **facts: object) -> AuditCase:
    named = {"procedure": "PCI", "room": "Room 1", "operator": "Dr Example"} | facts
    return AuditCase(
        id=f"case-{number:04d}",
        day=day or date(2026, 1, 1) + timedelta(days=number),
        quantities={DAP: value},
        **named,  # type: ignore[arg-type]
    )


def drawn(values: list[float | None], **facts: object) -> list[AuditCase]:
    return [case(n, v, **facts) for n, v in enumerate(values)]


class TestLines:
    def test_the_worked_example(self) -> None:
        """Printed there: mean 99.1, mean range 2.59, limits 92.21 and 105.99; the book rounds both
        means before it goes on, hence 0.01. 'No indication of an out-of-control condition.'"""
        found = limits_of(CONCENTRATION)
        assert found.centre == pytest.approx(99.1, abs=0.05)
        assert found.mean_range == pytest.approx(2.59, abs=0.005)
        assert (found.low, found.high) == (pytest.approx(92.21, abs=0.01), pytest.approx(105.99, abs=0.01))
        assert found.range_high == pytest.approx(3.267 * 2.59, abs=0.005)  # 8.46
        assert set(signals_of(CONCENTRATION, found)) == {()}

    def test_a_second_worked_example(self) -> None:
        """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow rates of ten batches (from
        memory): mean 50.81, mean range 1.8778, limits 45.8159 and 55.8041."""
        flow = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
        found = limits_of(flow)
        assert (found.centre, found.mean_range) == (pytest.approx(50.81), pytest.approx(1.8778, abs=5e-5))
        # 2.66 in place of 3/1.128 shifts the limits by 0.001
        assert (found.low, found.high) == (
            pytest.approx(45.8159, abs=2e-3),
            pytest.approx(55.8041, abs=2e-3),
        )

    def test_the_constants_follow_from_the_normal_law(self) -> None:
        """Range of two normal values: |difference|, folded normal of spread √2. Mean d2, spread d3."""
        range_law = stats.halfnorm(scale=math.sqrt(2.0))
        d2 = integrate.quad(lambda r: r * range_law.pdf(r), 0, 40)[0]
        d4 = 1.0 + 3.0 * range_law.std() / d2
        table = constants("audit_statistics")
        assert table["x_limit_factor"].number == pytest.approx(3.0 / d2, abs=2e-3)  # tables round d2 to 1.128
        assert table["mr_limit_factor"].number == pytest.approx(d4, abs=5e-4)

    def test_the_chart_of_dose_works_on_logarithms(self) -> None:
        """10 to the worked example over 100, drawn as doses: its lines come back as powers of ten."""
        chart = case_chart(drawn([10 ** (x / 100) for x in CONCENTRATION]), DAP)
        (stretch,) = chart.stretches
        assert stretch.lines is Lines.GIVEN
        assert math.log10(stretch.centre) * 100 == pytest.approx(99.1, abs=0.05)
        assert stretch.low is not None
        assert math.log10(stretch.low) * 100 == pytest.approx(92.21, abs=0.01)
        assert stretch.range_ratio_high is not None
        assert math.log10(stretch.range_ratio_high) * 100 == pytest.approx(8.46, abs=0.005)

    def test_the_unit_does_not_change_what_is_said(self) -> None:
        chance = random.Random(3)
        values = [chance.lognormvariate(4, 0.6) for _ in range(60)]
        one, other = (case_chart(drawn([k * v for v in values]), DAP) for k in (1.0, 1000.0))
        assert [p.signals for p in one.stretches[0].points] == [p.signals for p in other.stretches[0].points]


class TestRules:
    def test_a_point_beyond_the_limits(self) -> None:
        steady = [10.0, 11.0] * 10  # log steps 0.0414 and one of 0.56: limits 1.05 ± 2.66 × 0.067
        points = case_chart(drawn([*steady, 40.0]), DAP).stretches[0].points
        assert Signal.BEYOND in points[-1].signals
        assert Signal.RANGE in points[-1].signals
        assert not any(Signal.BEYOND in p.signals for p in points[:20])

    def test_a_run_of_eight_and_not_of_seven(self) -> None:
        for length in (7, 8, 9):
            values = [-1.0, 1.0] * 6 + [-1.0] + [0.5] * length
            limits = limits_of(values)
            assert limits.centre < 0.5
            flagged = [Signal.RUN in said for said in signals_of(values, limits)]
            assert sum(flagged) == max(0, length - 7)
            assert flagged.index(True) == 13 + 7 if length > 7 else not any(flagged)

    def test_a_point_on_the_centre_ends_a_run(self) -> None:
        values = [1.0] * 5 + [0.0] + [1.0] * 5 + [0.0] + [-1.0] * 5 + [0.0] + [-1.0] * 5
        assert not any(Signal.RUN in said for said in signals_of(values, limits_of(values)))

    def test_the_rules_are_told_with_their_numbers(self) -> None:
        text = " ".join(rule for _, rule in rules())
        assert "2.66" in text
        assert "3.267" in text
        assert "8th in a row" in text

    def test_false_alarms_are_as_rare_as_theory_has_them(self) -> None:
        """Limits known well, normal values: 0.27 % beyond 3 sigma (scipy); 50 000 draws, ± 4 errors."""
        chance = random.Random(8)
        values = [chance.gauss(0, 1) for _ in range(50_000)]
        share = sum(Signal.BEYOND in said for said in signals_of(values, limits_of(values))) / len(values)
        expected = 2 * stats.norm.sf(3)
        assert share == pytest.approx(expected, abs=4 * math.sqrt(expected / 50_000))


class TestStretches:
    NEW_TUBE = Change(date(2026, 1, 13), ChangeKind.EQUIPMENT, "new tube", room="Room 1")

    def test_lines_begin_anew_with_a_change(self) -> None:
        chart = case_chart(drawn([10.0, 12.0] * 6 + [100.0, 120.0] * 6), DAP, changes=[self.NEW_TUBE])
        assert [(len(s.points), s.began_with) for s in chart.stretches] == [(12, ()), (12, (self.NEW_TUBE,))]
        assert chart.stretches[1].points[0].range_ratio is None  # no range across a change
        assert not any(p.signals for s in chart.stretches for p in s.points)

    def test_a_change_elsewhere_does_not_count(self) -> None:
        other = Change(date(2026, 1, 13), ChangeKind.EQUIPMENT, "new tube", room="Room 2")
        before = Change(date(2025, 1, 1), ChangeKind.PROTOCOL, "new protocol")
        chart = case_chart(drawn([10.0, 12.0] * 12), DAP, changes=[other, before])
        assert [(len(s.points), s.began_with) for s in chart.stretches] == [(24, ())]

    def test_two_changes_without_a_case_between_begin_one_stretch(self) -> None:
        again = Change(date(2026, 1, 13), ChangeKind.SETTING, "levels", procedure="PCI")
        chart = case_chart(drawn([10.0, 12.0] * 12), DAP, changes=[again, self.NEW_TUBE])
        assert [len(s.began_with) for s in chart.stretches] == [0, 2]

    def test_a_month_with_a_change_gives_two_points(self) -> None:
        cases = [case(n, 10.0 if n < 12 else 90.0) for n in range(31)]
        chart = month_chart(cases, DAP, changes=[self.NEW_TUBE])
        assert [[(p.label, p.value, p.n) for p in s.points] for s in chart.stretches] == [
            [("2026-01", 10.0, 12)],
            [("2026-01", 90.0, 19)],
        ]

    def test_months_give_their_medians_and_empty_ones_are_told(self) -> None:
        days = [date(2026, m, d) for m in (1, 2, 5) for d in (3, 9, 20)]
        values = [1.0, 3.0, 2.0, 5.0, 4.0, 6.0, 7.0, 8.0, 90.0]
        chart = month_chart(
            [case(n, v, day=d) for n, (v, d) in enumerate(zip(values, days, strict=True))], DAP
        )
        assert [(p.label, p.value, p.n) for p in chart.stretches[0].points] == [
            ("2026-01", 2.0, 3),
            ("2026-02", 5.0, 3),
            ("2026-05", 8.0, 3),
        ]
        assert chart.empty_months == ("2026-03", "2026-04")
        assert chart.stretches[0].lines is Lines.TOO_FEW


class TestPoorData:
    def test_no_case(self) -> None:
        for chart in (case_chart([], DAP), month_chart([], DAP)):
            assert (chart.stretches, chart.missing, chart.empty_months) == ((), 0, ())

    def test_missing_and_zero_values_are_counted_and_named(self) -> None:
        chart = case_chart(drawn([None, 0.0, 4.0]), DAP)
        assert (chart.missing, chart.not_positive) == (1, ("case-0001",))
        assert [p.value for p in chart.stretches[0].points] == [4.0]

    def test_one_case(self) -> None:
        (stretch,) = case_chart(drawn([4.0]), DAP).stretches
        assert (stretch.lines, stretch.centre, stretch.low) == (Lines.TOO_FEW, pytest.approx(4.0), None)

    def test_all_equal(self) -> None:
        (stretch,) = case_chart(drawn([0.1] * 30), DAP).stretches
        assert (stretch.lines, stretch.low, stretch.high) == (Lines.NO_SPREAD, None, None)
        assert not any(p.signals for p in stretch.points)

    def test_a_slip_of_unit_is_drawn_and_flagged(self) -> None:
        chart = case_chart(drawn([10.0, 12.0] * 10 + [1100.0]), DAP)
        assert chart.stretches[0].points[-1].value == 1100.0
        assert Signal.BEYOND in chart.stretches[0].points[-1].signals

    def test_a_chart_without_a_point_has_no_lines(self) -> None:
        with pytest.raises(ValueError, match="one value at least"):
            limits_of([])


@given(st.lists(st.floats(0.01, 1e4), max_size=40), st.randoms(use_true_random=False))
@settings(max_examples=40)
def test_order_of_arrival_does_not_matter(values: list[float], chance: random.Random) -> None:
    cases = drawn(list(values))
    other = list(cases)
    chance.shuffle(other)
    assert case_chart(cases, DAP) == case_chart(other, DAP)
    assert month_chart(cases, DAP) == month_chart(other, DAP)
