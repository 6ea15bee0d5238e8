"""Several reports of one case: each event counted once, totals never added blindly.

A dose report is the first choice. What image headers, performed procedure steps or tables say of
the same machine is kept beside it and does not count; it counts where no dose report came.

Reports may be sent again, repeat the events of earlier ones (cumulative), hold only what is new
(incremental), or arrive late. Events are told apart by irradiation event UID and plane; the same
UID and plane twice inside one report with different starts are two events. Where two reports tell
one event differently the latest complete report counts, and a finding says so.

The messages of one performed procedure step are one source: what a later one tells replaces what an
earlier one told, and the rest stands (N-CREATE and N-SET, PS3.4 section F.7.2).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields, replace

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.records.report import DoseReport, DoseTotal, Equipment, IrradiationEvent, PlaneName

EventKey = tuple[str | None, ...]
_FIRST_CHOICE = frozenset({"rdsr", "enhanced-rdsr"})
_SECOND_CHOICE = frozenset({"xa-header", "mpps", "table"})
_EQUIPMENT = tuple(f.name for f in fields(Equipment))
_QUANTITIES = tuple(f.name for f in fields(DoseTotal) if f.name not in ("plane", "basis"))


@dataclass(frozen=True, slots=True)
class CountedEvent:
    """An event that counts, and the report it was taken from. order: place in that report."""

    event: IrradiationEvent
    report_sha256: str
    order: int


@dataclass(frozen=True, slots=True)
class MergedReports:
    """What the reports of one case say together.

    events : each event once, by report and place
    stated : totals the machines stated, per plane, added over machines and incremental reports
    """

    events: tuple[CountedEvent, ...] = ()
    stated: tuple[DoseTotal, ...] = ()
    findings: tuple[Finding, ...] = ()


def event_key(event: IrradiationEvent) -> EventKey:
    """What tells events apart: UID and plane, or facts of the event when it has no UID."""
    if event.uid:
        return (event.uid, event.plane)
    return (None, event.plane, event.started_at, event.type, str(event.dose_area_product_gycm2))


def merge_reports(reports: Sequence[DoseReport]) -> MergedReports:
    """Unique events and stated totals of `reports`, given in order of arrival."""
    counting, findings = _first_choice(_steps_as_one(reports))
    ordered = sorted(counting, key=_precedence)
    taken: dict[EventKey, tuple[DoseReport, list[CountedEvent]]] = {}
    for report in ordered:
        for key, group in _grouped(report).items():
            held = taken.get(key)
            if held is None:
                taken[key] = (report, group)
            elif [e.event for e in held[1]] != [e.event for e in group]:
                findings.append(_differs(key, kept=report, other=held[0]))
                taken[key] = (report, group)
    events = tuple(event for _, group in taken.values() for event in group)
    stated, more = _stated(ordered)
    return MergedReports(events=events, stated=stated, findings=(*findings, *more))


def _steps_as_one(reports: Sequence[DoseReport]) -> list[DoseReport]:
    """`reports`; of each performed procedure step only the last message states totals, those of all."""
    found = list(reports)
    messages: dict[str, list[int]] = {}
    for index, report in enumerate(reports):
        if report.source == "mpps" and report.report.sop_instance_uid:
            messages.setdefault(report.report.sop_instance_uid, []).append(index)
    for indices in messages.values():
        if len(indices) > 1:
            *earlier, last = sorted(indices, key=lambda index: _precedence(reports[index]))
            found[last] = _after([reports[index] for index in earlier], reports[last])
            for index in earlier:
                found[index] = replace(reports[index], totals=())
    return found


def _after(earlier: Sequence[DoseReport], last: DoseReport) -> DoseReport:
    """`last` with the machine, the study and the stated totals that only `earlier` messages told."""
    equipment, study = last.equipment, last.report.study_instance_uid
    stated = {row.plane: row for row in _stated_rows(last)}
    for report in reversed(earlier):
        told = {name: getattr(equipment, name) or getattr(report.equipment, name) for name in _EQUIPMENT}
        equipment = replace(equipment, **told)
        study = study or report.report.study_instance_uid
        for row in _stated_rows(report):
            held = stated.setdefault(row.plane, row)
            missing = {name: getattr(row, name) for name in _QUANTITIES if getattr(held, name) is None}
            stated[row.plane] = replace(held, **missing)
    summed = [row for row in last.totals if row.basis != "stated"]
    identity = replace(last.report, study_instance_uid=study)
    return replace(last, equipment=equipment, report=identity, totals=(*stated.values(), *summed))


def _first_choice(reports: Sequence[DoseReport]) -> tuple[list[DoseReport], list[Finding]]:
    """The reports that count, and a finding for each that a better source of its machine replaces."""
    best = [r for r in reports if r.source in _FIRST_CHOICE and (r.events or _stated_rows(r))]
    images = [r for r in reports if r.source == "xa-header"]
    counting, findings = [], []
    for report in reports:
        is_replaced = report.source in _SECOND_CHOICE and any(_may_be_same(report, r) for r in best)
        if is_replaced:
            findings.append(
                finding(FindingCode.SECOND_CHOICE_SET_ASIDE, file=report.file, source=report.source)
            )
        elif report.source == "mpps" and any(_may_be_same(report, r) for r in images):
            counting.append(_beside_images(report, [r for r in images if _may_be_same(report, r)]))
        else:
            counting.append(report)
    return counting, findings


def _beside_images(step: DoseReport, images: Sequence[DoseReport]) -> DoseReport:
    """A step whose exposures the images tell better: its totals, of all planes where they tell two."""
    is_biplane = any(event.plane in ("a", "b") for image in images for event in image.events)
    totals = [replace(row, plane="all") if is_biplane else row for row in _stated_rows(step)]
    return replace(step, events=(), totals=tuple(totals))


def _may_be_same(one: DoseReport, other: DoseReport) -> bool:
    """Whether two reports of a case may be of one machine: nothing they both tell differs.

    A performed procedure step rarely names the serial number, or names no machine at all.
    """
    told = ((one.equipment.station, other.equipment.station), (one.equipment.serial, other.equipment.serial))
    return all(a is None or b is None or a == b for a, b in told)


def _precedence(report: DoseReport) -> tuple[bool, str]:
    # a partial report never overrules a complete one; sorting is stable, so arrival decides last
    return (report.report.completion != "PARTIAL", report.report.reported_at or "")


def _grouped(report: DoseReport) -> dict[EventKey, list[CountedEvent]]:
    groups: dict[EventKey, list[CountedEvent]] = {}
    for order, event in enumerate(report.events):
        group = groups.setdefault(event_key(event), [])
        if all(event.started_at != held.event.started_at for held in group):
            group.append(CountedEvent(event=event, report_sha256=report.sha256, order=order))
    return groups


def _differs(key: EventKey, *, kept: DoseReport, other: DoseReport) -> Finding:
    return finding(
        FindingCode.EVENT_DIFFERS_BETWEEN_REPORTS, event_uid=key[0], kept=kept.file, other=other.file
    )


def _stated(ordered: Sequence[DoseReport]) -> tuple[tuple[DoseTotal, ...], list[Finding]]:
    """Totals per plane: within one machine and study the cumulative report replaces, else they add."""
    findings: list[Finding] = []
    kept: list[DoseTotal] = []
    for same_source in _by_source(ordered):
        running: list[DoseReport] = []
        for report in same_source:
            if not _stated_rows(report):
                continue
            covered = [earlier for earlier in running if _covers(report, earlier)]
            running = [earlier for earlier in running if earlier not in covered]
            for earlier in running:
                if _overlaps(report, earlier):
                    findings.append(
                        finding(FindingCode.REPORTS_OVERLAP_IN_PART, one=report.file, other=earlier.file)
                    )
            running = [earlier for earlier in running if not _overlaps(report, earlier)]
            running.append(report)
        kept.extend(row for report in running for row in _stated_rows(report))
    return added_totals(kept), findings


def _by_source(ordered: Sequence[DoseReport]) -> Iterable[list[DoseReport]]:
    """Reports of one machine and study, and any that share an event with them, in the given order.

    A study sent again under another UID, or a station spelled otherwise, is the same dose.
    """
    groups: list[tuple[set[object], list[DoseReport]]] = []
    for report in ordered:
        machine = report.equipment
        source = (machine.station, machine.serial, machine.model, report.report.study_instance_uid)
        marks: set[object] = {source, *(event_key(event) for event in report.events)}
        same = [group for group in groups if group[0] & marks]
        groups = [group for group in groups if not group[0] & marks]
        for other_marks, _ in same:
            marks |= other_marks
        joined = [r for _, reports in same for r in reports]
        groups.append((marks, [*joined, report]))
    return [reports for _, reports in groups]


def _stated_rows(report: DoseReport) -> list[DoseTotal]:
    return [row for row in report.totals if row.basis == "stated"]


def _covers(later: DoseReport, earlier: DoseReport) -> bool:
    """Whether `later` is cumulative over `earlier`: it holds every event, or totals no lower."""
    keys = {event_key(event) for event in earlier.events}
    if keys:
        return keys <= {event_key(event) for event in later.events}
    totals = {row.plane: row for row in _stated_rows(later)}
    return all(
        (getattr(totals.get(row.plane), name, None) or 0.0) >= (getattr(row, name) or 0.0)
        for row in _stated_rows(earlier)
        for name in ("dose_area_product_gycm2", "reference_air_kerma_mgy", "fluoroscopy_time_s")
    )


def _overlaps(one: DoseReport, other: DoseReport) -> bool:
    return bool({event_key(e) for e in one.events} & {event_key(e) for e in other.events})


def added_totals(rows: Iterable[DoseTotal]) -> tuple[DoseTotal, ...]:
    """`rows` of one basis added per plane; a quantity is None where no row has it."""
    by_plane: dict[PlaneName, dict[str, float | None]] = {}
    basis = "stated"
    for row in rows:
        basis = row.basis
        sums = by_plane.setdefault(row.plane, dict.fromkeys(_QUANTITIES))
        for name in _QUANTITIES:
            value = getattr(row, name)
            if value is not None:
                sums[name] = (sums[name] or 0.0) + value
    return tuple(
        DoseTotal(plane=plane, basis=basis, **sums)  # type: ignore[arg-type]
        for plane, sums in by_plane.items()
    )
