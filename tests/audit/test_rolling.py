"""Rolling windows, their resets, and suspected slips; what a further case may change."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosetrack.audit import AgeGroup, AuditCase, ReferenceLevel, Verdict
from dosetrack.audit.changes import Change, ChangeKind, changes_of, still_comparable
from dosetrack.audit.rolling import TypicalValue, compare_window, typical_values, window_of
from dosetrack.audit.suspects import suspects
from dosetrack.errors import InputError

DAP = "dose_area_product_gycm2"
LAST = date(2026, 10, 31)
NEW_UNIT = Change(date(2026, 6, 1), ChangeKind.EQUIPMENT, "new unit", room="Room 1")
LEVEL = ReferenceLevel("k", "PCI", DAP, "P75", 40.0, "", "Nowhere", 2026, "invented", usable=True)


def case(number: int, value: float | None = 10.0, *, day: date = LAST, **facts: object) -> AuditCase:
    named = {"procedure": "PCI", "room": "Room 1", "operator": "A"} | facts
    return AuditCase(id=f"case-{number:04d}", day=day, quantities={DAP: value}, **named)  # type: ignore[arg-type]


def typical(cases: list[AuditCase], **facts: object) -> tuple[TypicalValue, ...]:
    rules = {"last_day": LAST, "months": 12, "minimum_n": 20, "quantities": (DAP,)} | facts
    return typical_values(cases, **rules)  # type: ignore[arg-type]


class TestWindow:
    def test_both_ends_belong_to_it(self) -> None:
        days = [date(2025, 10, 31), date(2025, 11, 1), LAST, date(2026, 11, 1)]
        (found,) = typical([case(n, day=d) for n, d in enumerate(days)])
        assert (found.n, found.first_day, found.last_day) == (2, date(2025, 11, 1), LAST)

    def test_a_new_unit_takes_out_its_own_rooms_earlier_cases_alone(self) -> None:
        before, after = date(2026, 5, 31), date(2026, 6, 1)
        cases = [case(1, 1.0, day=before), case(2, 2.0, day=after), case(3, 3.0, day=before, room="Room 2")]
        (found,) = typical(cases, changes=[NEW_UNIT])
        assert found.median is not None
        assert (found.n, found.median.value, found.left_out, found.resets) == (2, 2.5, 1, (NEW_UNIT,))

    def test_a_changed_setting_of_the_program_leaves_typical_values_alone(self) -> None:
        setting = replace(NEW_UNIT, kind=ChangeKind.SETTING)
        cases = [case(1, day=date(2026, 5, 31)), case(2)]
        assert len(still_comparable(cases, [setting], last_day=LAST)) == 2
        assert typical(cases, changes=[setting])[0].resets == ()

    def test_a_change_after_the_window_does_not_reach_back(self) -> None:
        assert typical([case(1)], changes=[replace(NEW_UNIT, day=date(2026, 11, 5))])[0].n == 1

    def test_children_are_never_pooled_with_adults(self) -> None:
        cases = [
            *(case(n, 40.0) for n in range(20)),
            *(case(50 + n, 2.0, age_group=AgeGroup.UNDER_18) for n in range(30)),
        ]
        adults, children = typical(cases)
        assert adults.median is not None
        assert children.median is not None
        assert (adults.n, adults.median.value, children.n, children.median.value) == (20, 40.0, 30, 2.0)

    def test_fewer_than_the_fewest_is_not_enough(self) -> None:
        assert [typical([case(n) for n in range(k)])[0].is_enough for k in (19, 20)] == [False, True]

    def test_no_case_and_a_quantity_that_none_has(self) -> None:
        assert typical([]) == ()
        (found,) = typical([case(1, None)])
        assert (found.n, found.missing, found.median) == (0, 1, None)


class TestReference:
    def window(self, values: list[float], **facts: object):  # type: ignore[no-untyped-def]
        cases = [case(n, v, **facts) for n, v in enumerate(values)]
        age = cases[0].age_group
        return window_of(cases, procedure="PCI", age_group=age, last_day=LAST, months=12)

    @pytest.mark.parametrize(
        ("values", "verdict"),
        [
            ([90.0] * 19, Verdict.TOO_FEW),
            ([40.0] * 20, Verdict.NOT_ABOVE),  # equal is not above
            ([39.0] * 10 + [41.0] * 10, Verdict.NOT_ABOVE),  # the median is 40
            ([41.0] * 20, Verdict.ABOVE),
            ([10.0] * 11 + [900.0] * 9, Verdict.NOT_ABOVE),
        ],
    )
    def test_the_local_median_against_the_level(self, values: list[float], verdict: Verdict) -> None:
        assert compare_window(self.window(values), LEVEL, procedure="PCI", minimum_n=20).verdict is verdict

    def test_children_are_compared_with_no_level_of_adults(self) -> None:
        window = self.window([90.0] * 30, age_group=AgeGroup.UNDER_18)
        with pytest.raises(InputError, match="adults"):
            compare_window(window, LEVEL, procedure="PCI", minimum_n=20)

    def test_a_row_that_is_context_alone_is_refused(self) -> None:
        with pytest.raises(InputError, match="context only"):
            compare_window(
                self.window([90.0] * 30), replace(LEVEL, usable=False), procedure="PCI", minimum_n=20
            )


class TestChanges:
    def test_lines_are_read_and_others_given_back(self) -> None:
        found, unread = changes_of(
            ["2026-06-01 | Equipment | Room 1 | | new unit", "2026-02-30 | equipment | | | x", "nothing",
             "2026-01-05|protocol||PCI|7.5 pulses a second", "2026-01-05 | protocol | | | "]
        )  # fmt: skip
        assert found == (
            Change(date(2026, 1, 5), ChangeKind.PROTOCOL, "7.5 pulses a second", procedure="PCI"),
            NEW_UNIT,
        )
        assert unread == ("2026-02-30 | equipment | | | x", "nothing", "2026-01-05 | protocol | | | ")


class TestSuspects:
    def values(self, *more: float) -> list[AuditCase]:
        chance = random.Random(6)
        plain = [chance.lognormvariate(4.0, 0.5) for _ in range(40)]
        return [case(n, v) for n, v in enumerate([*plain, *more])]

    def test_a_slip_of_unit_is_flagged_with_its_words_and_kept(self) -> None:
        cases = self.values(5500.0)
        (found,) = suspects(cases)
        assert (found.case_id, found.value, found.factor) == ("case-0040", 5500.0, 100.0)
        assert "cGy" in found.slip
        assert typical(cases)[0].n == 41

    def test_a_hard_case_is_no_slip(self) -> None:
        assert suspects(self.values(250.0, 12.0)) == ()

    def test_few_cases_and_equal_cases(self) -> None:
        assert suspects([case(n, 10.0**n) for n in range(5)]) == ()
        assert suspects([case(n, 7.0) for n in range(30)]) == ()
        (found,) = suspects([*(case(n, 7.0) for n in range(30)), case(99, 700.0)])
        assert found.factor == 100.0

    def test_other_procedures_do_not_judge(self) -> None:
        cases = [*self.values(), *(case(100 + n, 5000.0 + n, procedure="TACE") for n in range(20))]
        assert suspects(cases) == ()


CASES = st.lists(
    st.tuples(
        st.sampled_from(["PCI", "TACE", None]), st.floats(0.1, 900), st.integers(0, 700), st.booleans()
    ),
    max_size=40,
)


def made(rows: list[tuple[str | None, float, int, bool]]) -> list[AuditCase]:
    ages = (AgeGroup.ADULT, AgeGroup.UNDER_18)
    return [
        case(n, v, day=LAST - timedelta(days=back), procedure=name, age_group=ages[is_child])
        for n, (name, v, back, is_child) in enumerate(rows)
    ]


@given(CASES, st.floats(0.1, 1e6))
@settings(max_examples=40)
def test_a_further_case_never_changes_other_procedures(rows: list[tuple], value: float) -> None:  # type: ignore[type-arg]
    cases = made(rows)
    more = [*cases, case(999, value, procedure="TIPS")]
    assert [r for r in typical(more, changes=[NEW_UNIT]) if r.procedure != "TIPS"] == list(
        typical(cases, changes=[NEW_UNIT])
    )
    assert [s for s in suspects(more) if s.procedure != "TIPS"] == list(suspects(cases))


@given(CASES, st.randoms(use_true_random=False))
@settings(max_examples=40)
def test_order_of_arrival_does_not_matter(rows: list[tuple], chance: random.Random) -> None:  # type: ignore[type-arg]
    cases = made(rows)
    other = list(cases)
    chance.shuffle(other)
    assert typical(cases, changes=[NEW_UNIT]) == typical(other, changes=[NEW_UNIT])
    assert suspects(cases) == suspects(other)
