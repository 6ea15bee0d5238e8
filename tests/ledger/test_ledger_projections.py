"""Reports, events and cases as the ledger keeps them beside the entries, and making them again."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dosetrack.errors import LedgerError
from dosetrack.findings import Finding
from dosetrack.ledger import (
    CaseTotalRow,
    Ledger,
    PlaneDose,
    StoredEvent,
    Transaction,
    needs_rebuild,
    projection_digest,
    rebuild,
)
from dosetrack.ledger.convert import EVENT_COLUMNS, event_from_row, event_row
from dosetrack.records.entries import Injection, NewEntry, ReportMoved, ReportReceived, SettingChanged
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport, Filter, IrradiationEvent

New = Callable[..., NewEntry]
MakeReport = Callable[..., DoseReport]


@pytest.fixture
def put(ledger: Ledger, new: New) -> Callable[..., int]:
    """Put a report into a case with its entry and a case row, as ingest does."""

    def put(report: DoseReport, case: str = "case-1", **row: str) -> int:
        with ledger.transaction() as tx:
            entry = tx.append(new(ReportReceived(report.sha256, report.file, report.source), case=case))
            tx.put_report(report, case_id=case, seq=entry.seq)
            tx.put_events(report.sha256, [StoredEvent(event) for event in report.events])
            person = {"patient_id": report.patient.id, "patient_issuer": report.patient.id_issuer}
            tx.put_case_total(CaseTotalRow(case, "ended", **(person | row)))  # type: ignore[arg-type]
            return entry.seq

    return put


def test_report_is_read_back_whole(ledger: Ledger, put: Callable[..., int], make_report: MakeReport) -> None:
    first, second = make_report("first", events=5), make_report("second", events=0)
    put(first)
    put(second)
    with ledger.reading() as read:
        assert read.reports_of("case-1") == (first, second)
        assert read.report(first.sha256) == first
        assert read.report("none") is None
        rows = read.report_rows_of("case-1")
        assert [(row.sha256, row.seq, row.events) for row in rows] == [
            (first.sha256, 1, 5),
            (second.sha256, 2, 0),
        ]
        assert read.find_reports(sha256=first.sha256) == rows[:1]
        assert read.find_reports(sop_instance_uid="1.2.second") == rows[1:]
        assert read.find_reports() == ()
        assert rows[0].patient_issuer == "invented"


@given(
    st.builds(
        IrradiationEvent,
        uid=st.none() | st.text(),
        plane=st.sampled_from(["single", "a", "b", None]),
        protocol=st.none() | st.text(),
        filters=st.lists(st.builds(Filter, st.none() | st.text(), st.none() | st.floats(0, 9))).map(tuple),
        pulses=st.none() | st.floats(allow_nan=False),
        field_area_cm2=st.none() | st.floats(allow_nan=False, allow_infinity=False),
    )
)
@settings(max_examples=50, deadline=None)
def test_event_and_row_round_trip(event: IrradiationEvent) -> None:
    row = event_row(StoredEvent(event, is_counted=False), report_seq=1, ordinal=0)
    assert len(row) == len(EVENT_COLUMNS) + 2
    assert event_from_row((*row[4:], row[2], row[3])) == event


def test_decision_on_an_event_is_kept(
    ledger: Ledger, put: Callable[..., int], make_report: MakeReport
) -> None:
    report = make_report(events=2)
    put(report)
    decided = [
        StoredEvent(report.events[0], is_counted=False, instant_utc="2026-03-01T07:00:00Z"),
        StoredEvent(report.events[1]),
    ]
    with ledger.transaction() as tx:
        tx.put_events(report.sha256, decided)
    with ledger.reading() as read:
        assert read.events_of(report.sha256) == tuple(decided)
        assert read.reports_of("case-1") == (report,)


def test_decision_settled_later_replaces_the_first(
    ledger: Ledger, put: Callable[..., int], make_report: MakeReport
) -> None:
    report = make_report(events=3)
    put(report)
    for decided in (
        [StoredEvent(event, is_counted=n != 1) for n, event in enumerate(report.events)],
        [StoredEvent(event, instant_utc=f"2026-03-01T07:00:0{n}") for n, event in enumerate(report.events)],
        [StoredEvent(event) for event in report.events[:2]],  # of another number: put anew
    ):
        with ledger.transaction() as tx:
            tx.settle_events(report.sha256, decided)
        with ledger.reading() as read:
            assert read.events_of(report.sha256) == tuple(decided)


def test_refused_statement_names_no_patient(
    ledger: Ledger, put: Callable[..., int], make_report: MakeReport
) -> None:
    seq = put(make_report("a"))
    with pytest.raises(LedgerError, match="UNIQUE") as refused, ledger.transaction() as tx:
        tx.put_report(make_report("b", patient="P4711"), case_id="case-1", seq=seq)
    assert "P4711" not in f"{refused.value} {refused.value.__cause__}"


def test_events_need_their_report(ledger: Ledger) -> None:
    with pytest.raises(LedgerError, match="before its events"), ledger.transaction() as tx:
        tx.put_events("none", [])


def test_report_put_again_is_replaced(
    ledger: Ledger, put: Callable[..., int], make_report: MakeReport
) -> None:
    report = make_report(events=2)
    seq = put(report)
    with ledger.transaction() as tx:
        tx.put_report(report, case_id="case-2", seq=seq, is_counted=False)
    with ledger.reading() as read:
        assert read.reports_of("case-1") == ()
        assert read.reports_of("case-2") == (report,)
        assert not read.report_rows_of("case-2")[0].is_counted
    assert put(report, "case-3") == 2
    with ledger.reading() as read:
        assert [row.case_id for row in read.find_reports(sha256=report.sha256)] == ["case-3"]


def test_held_events_are_found_in_any_number(
    ledger: Ledger, put: Callable[..., int], make_report: MakeReport
) -> None:
    report = make_report(events=1200)
    put(report)
    with ledger.reading() as read:
        held = read.held_event_keys([f"1.2.one.{number}" for number in range(1100, 1300)] + ["9"])
        assert held == {(f"1.2.one.{number}", "single") for number in range(1100, 1200)}
        assert len(read.held_event_keys([str(event.uid) for event in report.events])) == 1200


def test_case_row_is_read_back_whole(ledger: Ledger) -> None:
    row = CaseTotalRow(
        id="case-1",
        state="running",
        patient_id="P1",
        operators=("Ä^B", "C"),
        reports=2,
        events=31,
        reference_air_kerma_mgy=3000.5,
        by_plane=(PlaneDose("a", 2000.5, 10.0), PlaneDose("b", 1000.0, None)),
        findings=(Finding("invented", "warning", "A sentence."),),
        summary='{"more":1}',
        day="2026-03-01",
    )
    with ledger.transaction() as tx:
        tx.put_case_total(replace(row, state="planned"))
        tx.put_case_total(row)
    with ledger.reading() as read:
        assert read.case_total("case-1") == row
        assert read.case_total("none") is None
        assert read.running_cases() == (row,)


def test_cases_are_listed_by_day_and_state(ledger: Ledger) -> None:
    rows = [
        CaseTotalRow("d", "planned"),
        CaseTotalRow("c", "ended", day="2026-03-01", started_instant="2026-03-01T09:00:00Z"),
        CaseTotalRow("b", "running", day="2026-03-02", started_instant="2026-03-02T09:00:00Z"),
        CaseTotalRow("a", "closed", day="2026-03-02", started_instant="2026-03-02T10:00:00Z"),
    ]
    with ledger.transaction() as tx:
        for row in reversed(rows):
            tx.put_case_total(row)
    with ledger.reading() as read:
        assert read.case_totals() == tuple(rows)
        assert read.case_totals(from_day="2026-03-01", to_day="2026-03-01") == (rows[1],)
        assert read.case_totals(from_day="2026-03-02", state=("ended", "closed")) == (rows[3],)
        assert read.case_totals(to_day="2026-02-28") == ()


def test_cases_of_a_person_need_the_same_issuer(ledger: Ledger) -> None:
    with ledger.transaction() as tx:
        tx.put_case_total(CaseTotalRow("1", "ended", patient_id="P1", patient_issuer="here"))
        tx.put_case_total(CaseTotalRow("2", "ended", patient_id="P1"))
    with ledger.reading() as read:
        assert [row.id for row in read.cases_of_patient(patient_id="P1", patient_issuer="here")] == ["1"]
        assert [row.id for row in read.cases_of_patient(patient_id="P1", patient_issuer=None)] == ["2"]


def test_matching_cases_same_patient_and_strongest_identifier_first(
    ledger: Ledger, put: Callable[..., int], make_report: MakeReport
) -> None:
    put(make_report("a", study_instance_uid="9.1"), "by-study", started_instant="2026-03-01T08:00:00Z")
    put(make_report("b"), "by-event")
    put(make_report("c", accession_number="A1"), "by-accession")
    put(make_report("d", patient="P2", study_instance_uid="9.1"), "other-patient")
    put(make_report("e"), "unrelated")
    with ledger.transaction() as tx:
        tx.put_case_total(
            CaseTotalRow(
                "planned", "planned", patient_id="P1", patient_issuer="invented", accession_number="A1"
            )
        )
    with ledger.reading() as read:
        matches = read.matching_cases(
            patient_id="P1",
            patient_issuer="invented",
            study_instance_uid="9.1",
            accession_number="A1",
            event_uids=["1.2.b.1", "1.2.b.2", "7"],
        )
        found = [(match.case_id, match.by, match.is_same_patient) for match in matches]
        assert found == [
            ("by-event", "event", True),
            ("by-study", "study", True),
            ("by-accession", "accession", True),
            ("planned", "accession", True),
            ("other-patient", "study", False),
        ]
        nobody = read.matching_cases(patient_id=None, patient_issuer=None, event_uids=["1.2.b.1"])
        assert [match.is_same_patient for match in nobody] == [False]
        assert read.matching_cases(patient_id="P1", patient_issuer="invented", accession_number="") == ()


def test_patient_of_a_case_is_that_of_its_row(
    ledger: Ledger, put: Callable[..., int], make_report: MakeReport
) -> None:
    put(make_report("a", study_instance_uid="9.1"), patient_id="P9")
    with ledger.reading() as read:
        wanted = {"patient_issuer": "invented", "study_instance_uid": "9.1"}
        assert read.matching_cases(patient_id="P9", **wanted)[0].is_same_patient
        assert not read.matching_cases(patient_id="P1", **wanted)[0].is_same_patient


def test_cleared_case_is_gone_from_every_projection(
    ledger: Ledger, file: Path, put: Callable[..., int], make_report: MakeReport
) -> None:
    put(make_report("a"))
    put(make_report("b"), "case-2")
    with ledger.transaction() as tx:
        tx.clear_case("case-1")
    with sqlite3.connect(file) as raw:
        counts = [
            raw.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("report", "event", "case_total", "entry")
        ]
    raw.close()
    assert counts == [1, 3, 1, 2]


def test_deleting_data_clears_the_projections_that_hold_it(
    ledger: Ledger, nurse: Actor, put: Callable[..., int], make_report: MakeReport, new: New
) -> None:
    report = make_report("a")
    seq = put(report)
    with ledger.transaction() as tx:  # moved by a person into another case
        tx.append(new(ReportMoved(report.sha256, "case-1"), case="case-2"))
        tx.put_report(report, case_id="case-2", seq=seq)
        received = tx.entries(limit=1)[0]
        tx.delete_payloads([received.id], actor=nurse, reason="asked")
        assert tx.reports_of("case-2") == ()
        assert tx.case_total("case-1") is None


# rebuild -----------------------------------------------------------------------------------------


class Projector:
    """A case's contrast is the sum of its injections; reports come from a shelf by digest."""

    version = 3

    def __init__(self, shelf: Sequence[DoseReport]) -> None:
        self.shelf = {report.sha256: report for report in shelf}

    def project_case(self, tx: Transaction, case_id: str) -> None:
        millilitres, count = 0.0, 0
        for entry in tx.entries(case=case_id):
            if isinstance(entry.payload, Injection):
                millilitres += entry.payload.volume_ml
            if isinstance(entry.payload, ReportReceived):
                report = self.shelf[entry.payload.sha256]
                tx.put_report(report, case_id=case_id, seq=entry.seq)
                tx.put_events(report.sha256, [StoredEvent(event) for event in report.events])
                count += 1
        tx.put_case_total(CaseTotalRow(case_id, "ended", contrast_ml=millilitres, reports=count))


@pytest.fixture
def projector(ledger: Ledger, new: New, make_report: MakeReport) -> Projector:
    """A ledger of 30 cases, projected entry by entry."""
    shelf = [make_report(f"r{number}", events=number % 4) for number in range(30)]
    projector = Projector(shelf)
    for number, report in enumerate(shelf):
        case = f"case-{number * 7 % 30}"
        with ledger.transaction() as tx:
            tx.append(new(ReportReceived(report.sha256, report.file, "rdsr"), case=case))
            tx.clear_case(case)
            projector.project_case(tx, case)
        with ledger.transaction() as tx:
            tx.append(new(Injection(0.1 * number), case=case))
            projector.project_case(tx, case)
        if number == 15:
            with ledger.transaction() as tx:
                tx.append(new(SettingChanged("invented", "site", "1", "2026-03-01"), case=None))
    return projector


def digest_of(ledger: Ledger) -> str:
    with ledger.reading() as read:
        return projection_digest(read)


def test_rebuild_reproduces_the_projections_exactly(ledger: Ledger, projector: Projector) -> None:
    before, steps = digest_of(ledger), []
    with ledger.reading() as read:
        assert needs_rebuild(read, projector)
    assert rebuild(ledger, projector, progress=lambda done, total: steps.append((done, total))) == 30
    assert digest_of(ledger) == before
    assert steps == [(20, 30), (30, 30)]
    with ledger.reading() as read:
        assert read.projection_version() == 3
        assert not needs_rebuild(read, projector)
    assert rebuild(ledger, projector) == 30
    assert digest_of(ledger) == before


@pytest.mark.parametrize(
    "damage",
    [
        "DELETE FROM event WHERE ordinal = 1",
        "UPDATE case_total SET contrast_ml = contrast_ml + 1e-12",
        "UPDATE report SET is_counted = 0",
        "UPDATE event SET kvp = 81",
        "DELETE FROM setting",
        "INSERT INTO case_total(id, state, operators, reports, events, by_plane, findings) "
        "VALUES ('stray', 'ended', '[]', 0, 0, '[]', '[]')",
    ],
)
def test_rebuild_repairs_any_damage(ledger: Ledger, file: Path, projector: Projector, damage: str) -> None:
    before = digest_of(ledger)
    with sqlite3.connect(file) as raw:
        raw.execute(damage)
    raw.close()
    assert digest_of(ledger) != before
    rebuild(ledger, projector)
    assert digest_of(ledger) == before


def test_projections_of_another_layout_are_made_again(
    ledger: Ledger, file: Path, projector: Projector, clock: Callable[[], object]
) -> None:
    before = digest_of(ledger)
    with sqlite3.connect(file) as raw:
        raw.execute("UPDATE meta SET value = 'older' WHERE key = 'projection_layout'")
        raw.execute("ALTER TABLE event DROP COLUMN field_width_mm")
    raw.close()
    ledger.close()
    with pytest.raises(LedgerError, match="ledger rebuild"):
        Ledger.open(f"sqlite:///{file}", create=False, clock=clock)  # type: ignore[arg-type]
    again = Ledger.open(f"sqlite:///{file}", create=True, clock=clock)  # type: ignore[arg-type]
    with again.reading() as read:
        assert needs_rebuild(read, projector)
        assert read.case_totals() == ()
    rebuild(again, projector)
    assert digest_of(again) == before
    again.close()
