"""The conformance card of a machine: what its newest reports tell against their template."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from dosetrack.records.template import TemplateCheck, TemplateIssue

DEPARTURES = {
    "missing": "missing",
    "conditional_missing": "missing under a condition",
    "wrong_unit": "in another unit",
    "wrong_kind": "of another kind",
    "extra": "extra",
    "unknown_items": "not of the template",
}
"""Fields of a check, as they are named to people."""
_ROOT = "x_ray_radiation_dose_report"


@dataclass(frozen=True, slots=True)
class ItemSent:
    """One item of the template.

    reports : that send it; share : of the containers of its place that hold it, 0 to 1, None not known
    is_read : whether its value goes into the record of a report
    """

    place: str
    item: str
    code: str
    reports: int
    share: float | None
    is_read: bool


@dataclass(frozen=True, slots=True)
class Departure:
    """One way in which reports leave the template.

    kind : a value of `DEPARTURES`; reports : that do so; count of `of` : containers or items in them
    """

    kind: str
    place: str
    item: str
    code: str
    reports: int
    count: int
    of: int
    note: str | None


@dataclass(frozen=True, slots=True)
class Conformance:
    """The newest reports of a machine against their template, counted.

    checked, not_checked : reports; the latter are of no template that is checked
    schemes : private coding schemes met in names of items
    """

    checked: int
    not_checked: int
    sent: tuple[ItemSent, ...] = ()
    departures: tuple[Departure, ...] = ()
    schemes: tuple[str, ...] = ()

    def of_kind(self, kind: str) -> tuple[Departure, ...]:
        """The departures of one kind of `DEPARTURES`."""
        return tuple(one for one in self.departures if one.kind == kind)


def conformance_of(checks: Sequence[TemplateCheck | None]) -> Conformance:
    """The card made of the checks of some reports; None: of no template that is checked."""
    made = [check for check in checks if check is not None]
    departures = tuple(
        one for field, kind in DEPARTURES.items() for one in _departures(made, field=field, kind=kind)
    )
    private = {one.code.rpartition(" ")[2] for one in departures if one.kind == DEPARTURES["unknown_items"]}
    return Conformance(
        checked=len(made),
        not_checked=len(checks) - len(made),
        sent=_sent(made),
        departures=departures,
        schemes=tuple(sorted(scheme for scheme in private if scheme.upper().startswith("99"))),
    )


def _departures(checks: Sequence[TemplateCheck], *, field: str, kind: str) -> list[Departure]:
    reports: Counter[tuple[str, str, str]] = Counter()
    counts: Counter[tuple[str, str, str]] = Counter()
    containers: Counter[tuple[str, str, str]] = Counter()
    newest: dict[tuple[str, str, str], TemplateIssue] = {}
    for check in checks:
        issues: tuple[TemplateIssue, ...] = getattr(check, field)
        for issue in issues:
            key = (issue.place, issue.item, issue.code)
            reports[key] += 1
            counts[key] += issue.count
            containers[key] += issue.of
            newest.setdefault(key, issue)
    return [
        Departure(
            kind=kind, place=place, item=item, code=code, reports=n, count=counts[place, item, code],
            of=containers[place, item, code], note=newest[place, item, code].note,
        )
        for (place, item, code), n in reports.most_common()
    ]  # fmt: skip


def _sent(checks: Sequence[TemplateCheck]) -> tuple[ItemSent, ...]:
    reports: Counter[tuple[str, str, str, bool]] = Counter()
    held: Counter[tuple[str, str, str, bool]] = Counter()
    containers: Counter[str] = Counter({_ROOT: len(checks)})
    for check in checks:
        for one in check.sent:
            key = (one.place, one.item, one.code, one.is_read)
            reports[key] += 1
            held[key] += one.in_containers
            containers[_as_place(one.item)] += one.count
    return tuple(
        ItemSent(
            place=place, item=item, code=code, reports=n, is_read=is_read,
            share=held[place, item, code, is_read] / containers[place] if containers[place] else None,
        )
        for (place, item, code, is_read), n in reports.items()
    )  # fmt: skip


def _as_place(item: str) -> str:
    """The key of the container that an item is: 'Irradiation Event X-Ray Data' as places name it."""
    return item.lower().replace("-", "_").replace(" ", "_")
