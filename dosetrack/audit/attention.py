"""What to look at in a month: at most a few sentences, each from a listed rule with its test.

The rules stand in the order of `Rule`; a rule that finds nothing says nothing, except that a
month without a change beyond chance says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import timedelta
from enum import Enum
from typing import Literal

from dosetrack.audit.cases import AgeGroup, AuditCase
from dosetrack.audit.chance import as_uneven, at_least
from dosetrack.audit.period import AuditResult, LevelCount
from dosetrack.audit.reference import Verdict
from dosetrack.audit.typical import quantile
from dosetrack.tables import constants

TESTED = ("dose_area_product_gycm2", "reference_air_kerma_mgy", "contrast_ml")
"""Quantities whose change is tested; each more would make a false sentence likelier."""

EXPECTED = ("reference_air_kerma_mgy", "dose_area_product_gycm2", "fluoroscopy_time_s")
"""Quantities a report or a console reading should bring for every case."""

Place = Literal["over", "typical", "trend", "shares", "completeness", "settings"]


class Rule(Enum):
    """(what is looked at, test) of every rule, in the order in which they speak."""

    SUBSTANTIAL = ("Cases at or over a substantial level", "any case; a case counts once")
    REFERENCE = (
        "Local median above the reference level chosen",
        "median of the rolling window greater than the level, with enough cases; equal is not above",
    )
    SHIFT = (
        "Cases of the month above or below the earlier median",
        "exact sign test against the median of the window before the month, two-sided; "
        "an error of {error:.0%} is shared among all procedures and quantities tested",
    )
    LEVEL_SHARE = (
        "Share of cases over a level higher than before",
        "exact binomial against the share of the window before the month, one-sided; an error of {error:.0%} "
        "is shared among all levels tested; the mix of procedures is not considered",
    )
    MISSING = ("Quantities missing in a room", "{share:.0%} or more of the room's cases lack the quantity")
    UNNAMED = ("Cases without procedure or operator", "any case")
    UNUSABLE = ("Reference level chosen that cannot be used", "any choice")
    NO_CHANGE = ("No change beyond chance", "none of the two rules on change found anything")

    def __init__(self, looks_at: str, test: str) -> None:
        self.looks_at = looks_at
        self.test = test


@dataclass(frozen=True, slots=True)
class Attention:
    """One sentence and where it leads.

    test : the rule's test with the facts of this month
    place : part of the month it speaks of
    procedure, room, quantity : what to filter by; None where it speaks of all
    """

    rule: Rule
    text: str
    test: str
    place: Place
    procedure: str | None = None
    room: str | None = None
    quantity: str | None = None


def what_to_look_at(
    month: AuditResult, window: AuditResult, *, minimum_n: int, words: Callable[[str], str]
) -> tuple[Attention, ...]:
    """The sentences of `month` in the order of the rules, at most as many as the table says.

    Parameters
    ----------
    window : audit of the rolling window that ends with the month, the month included
    minimum_n : fewest earlier cases for a comparison
    words : name of a quantity on screen
    """
    shifts = list(_shifts(month, window, minimum_n, words))
    shares = list(_level_shares(month, window, minimum_n, words))
    found = [
        *_substantial(month),
        *_above_reference(month, words),
        *shifts,
        *shares,
        *_missing(month, words),
        *_unnamed(month),
        *_unusable(month),
    ]
    if not shifts and not shares:
        found.append(_no_change(month, window, minimum_n))
    return tuple(found[: int(_own("most_sentences"))])


def _own(key: str) -> float:
    return constants("attention")[key].number


def _substantial(month: AuditResult) -> Iterator[Attention]:
    over = {o.case.id for o in month.over_levels if o.level.tier == "substantial"}
    maybe = {o.case.id for o in month.over_levels if o.level.tier == "may-be-above"} - over
    if not over and not maybe:
        return
    parts = [f"{_cases(len(over))} at or over a substantial level"] if over else []
    parts += [f"{_cases(len(maybe))} that may be above: planes may overlap"] if maybe else []
    yield Attention(Rule.SUBSTANTIAL, f"{' and '.join(parts)}.", f"{_cases(month.n)} in the month", "over")


def _above_reference(month: AuditResult, words: Callable[[str], str]) -> Iterator[Attention]:
    for row in month.procedures:
        for c in row.references:
            if c.verdict is Verdict.ABOVE:
                text = (
                    f"{_name(row.procedure)}: the median {words(c.quantity)} since {c.first_day} lies above "
                    f"the reference level chosen ({c.reference.country} {c.reference.year or ''})".rstrip()
                )
                ratio = f"{100 * (c.median or 0) / c.reference.value:.0f} % of the level, n {c.n}"
                yield Attention(
                    Rule.REFERENCE, f"{text}.", ratio, "typical", procedure=row.procedure, quantity=c.quantity
                )


def _before(month: AuditResult, window: AuditResult) -> list[AuditCase]:
    return [case for case in window.cases if case.day < month.first_day]


def _values(cases: Iterable[AuditCase], procedure: str | None, age: AgeGroup, quantity: str) -> list[float]:
    group = (c for c in cases if c.procedure == procedure and c.age_group is age)
    return [value for c in group if (value := c.value(quantity)) is not None]


@dataclass(frozen=True, slots=True)
class _Split:
    procedure: str | None
    age_group: AgeGroup
    quantity: str
    median: float
    above: int
    below: int
    n: int


def _splits(month: AuditResult, window: AuditResult, minimum_n: int) -> list[_Split]:
    """Every procedure and quantity with enough cases in the month and before it."""
    before, found = _before(month, window), []
    for row in month.procedures:
        for quantity in TESTED:
            now = _values(month.cases, row.procedure, row.age_group, quantity)
            then = sorted(_values(before, row.procedure, row.age_group, quantity))
            if len(now) >= _own("fewest_in_month") and len(then) >= minimum_n:
                median = quantile(then, 0.5)
                above, below = sum(v > median for v in now), sum(v < median for v in now)
                found.append(_Split(row.procedure, row.age_group, quantity, median, above, below, len(now)))
    return found


def _shifts(
    month: AuditResult, window: AuditResult, minimum_n: int, words: Callable[[str], str]
) -> Iterator[Attention]:
    splits = _splits(month, window, minimum_n)
    for split in splits:
        chance = as_uneven(split.above, split.below)
        if chance * len(splits) >= _own("family_error"):
            continue
        count, side = max((split.above, "above"), (split.below, "below"))
        whose = f"{_name(split.procedure, split.age_group)}: {count} of {_cases(split.n)}"
        text = f"{whose} lie {side} the earlier median {words(split.quantity)}."
        yield Attention(
            Rule.SHIFT, text, f"chance of as uneven a split {chance:.2g}, {len(splits)} tests", "trend",
            procedure=split.procedure, quantity=split.quantity,
        )  # fmt: skip


def _level_shares(
    month: AuditResult, window: AuditResult, minimum_n: int, words: Callable[[str], str]
) -> Iterator[Attention]:
    whole = {_level_key(c): c for c in window.level_counts}
    tested = []
    for now in month.level_counts:
        total = whole.get(_level_key(now))
        if total is None or total.of - now.of < minimum_n or total.n == now.n:
            continue  # a share of zero before gives no chance to speak of
        share = (total.n - now.n) / (total.of - now.of)
        tested.append((now, share, at_least(now.n, of=now.of, share=share)))
    for now, share, chance in tested:
        if chance * len(tested) < _own("family_error"):
            text = (
                f"{now.n} of {_cases(now.of)} reached {words(now.quantity)} {_level(now)}, more than before."
            )
            said = f"earlier share {100 * share:.1f} %; chance of as many {chance:.2g}, {len(tested)} tests"
            yield Attention(Rule.LEVEL_SHARE, text, said, "shares", quantity=now.quantity)


def _level_key(count: LevelCount) -> tuple[str, float, str]:
    return (count.quantity, count.level, count.tier)


def _level(count: LevelCount) -> str:
    if count.quantity == "fluoroscopy_time_s":
        return f"{timedelta(seconds=count.level)} h"
    unit = {"mgy": "mGy", "gycm2": "Gy·cm²"}.get(count.quantity.rsplit("_", 1)[-1], "")
    return f"{count.level:g} {unit}".rstrip()


def _missing(month: AuditResult, words: Callable[[str], str]) -> Iterator[Attention]:
    for room in month.completeness.rooms:
        short = [(q, p.of - p.n) for q in EXPECTED if (p := room.quantities.get(q)) and p.of > p.n]
        told = [(q, n) for q, n in short if n >= _own("missing_share") * room.n]
        if told:
            listed = ", ".join(f"{words(q)} in {n}" for q, n in told)
            yield Attention(
                Rule.MISSING, f"{room.room or 'Room not told'}: missing {listed} of {_cases(room.n)}.",
                _test(Rule.MISSING), "completeness", room=room.room,
            )  # fmt: skip


def _unnamed(month: AuditResult) -> Iterator[Attention]:
    parts = []
    for lacking, count in (
        ("procedure", sum(c.procedure is None for c in month.cases)),
        ("operator", sum(c.operator is None for c in month.cases)),
    ):
        if count:
            parts.append(f"{_cases(count)} without {lacking}")
    if parts:
        yield Attention(
            Rule.UNNAMED, f"{' and '.join(parts)}.", f"{_cases(month.n)} in the month", "completeness"
        )


def _unusable(month: AuditResult) -> Iterator[Attention]:
    for found in month.findings:
        yield Attention(Rule.UNUSABLE, found.text, _test(Rule.UNUSABLE), "settings")


def _no_change(month: AuditResult, window: AuditResult, minimum_n: int) -> Attention:
    tests = len(_splits(month, window, minimum_n))
    if tests:
        return Attention(Rule.NO_CHANGE, "Nothing changed beyond chance.", f"{tests} sign tests", "trend")
    text = "Too few cases to tell of a change in any procedure."
    said = f"wants {_own('fewest_in_month'):g} in the month and {minimum_n} before it"
    return Attention(Rule.NO_CHANGE, text, said, "trend")


def _name(procedure: str | None, age_group: AgeGroup = AgeGroup.ADULT) -> str:
    name = procedure or "Procedure not told"
    return f"{name} ({age_group.value})" if age_group is AgeGroup.UNDER_18 else name


def _cases(count: int) -> str:
    return f"{count} case" if count == 1 else f"{count} cases"


def rules() -> Sequence[tuple[str, str]]:
    """(what is looked at, test) of every rule."""
    return [(rule.looks_at, _test(rule)) for rule in Rule]


def _test(rule: Rule) -> str:
    text = rule.test.format(error=_own("family_error"), share=_own("missing_share"))
    return text.replace("%", "\u2009%")
