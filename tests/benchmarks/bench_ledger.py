"""What it costs to append a report, and whether the cost grows with the ledger.

Run: python tests/benchmarks/bench_ledger.py [reports] [events per report] [bytes per report]

Each step is what ingest does in one transaction: hold the original, append its entry, look for
cases and events that match, put the report, its events and the row of its case. It is done twice:
with event UIDs that grow with time, and with random ones (2.25.*), which is harder on the index.
Prints; never judges.
"""

from __future__ import annotations

import hashlib
import random
import resource
import statistics
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from dosetrack.ledger import CaseTotalRow, Ledger, StoredEvent, pack_original, verify_chain
from dosetrack.records.entries import NewEntry, ReportReceived
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import (
    DoseReport,
    DoseTotal,
    Equipment,
    Filter,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)

CHANCE = random.Random(1)
SYSTEM = Actor("benchmark", Role.SYSTEM)
WORDS = [f"item {CHANCE.getrandbits(24)} " for _ in range(400)]


def invented_event(number: int, uid: str) -> IrradiationEvent:
    """An event with most of its fields filled."""
    return IrradiationEvent(
        uid=uid,
        plane="single",
        type="fluoroscopy",
        started_at=f"2026-01-02T03:{number // 60 % 60:02}:{number % 60:02}",
        protocol="Abdomen 15 p/s",
        dose_area_product_gycm2=CHANCE.random(),
        reference_air_kerma_mgy=CHANCE.random() * 10,
        duration_s=CHANCE.random() * 9,
        pulses=40.0,
        pulse_rate_hz=15.0,
        kvp=70 + CHANCE.random() * 20,
        tube_current_ma=90.0,
        filters=(Filter("copper", 0.2, 0.2), Filter("aluminium", 1.0, 1.0)),
        primary_angle_deg=CHANCE.random() * 60 - 30,
        secondary_angle_deg=CHANCE.random() * 40 - 20,
        source_to_isocenter_mm=785.0,
        source_to_detector_mm=1100.0,
        table_longitudinal_mm=CHANCE.random() * 300,
        table_lateral_mm=CHANCE.random() * 80,
        table_height_mm=CHANCE.random() * 50,
        field_area_cm2=400.0,
    )


def invented_report(
    number: int, events: int, size: int, *, has_random_uids: bool
) -> tuple[bytes, DoseReport]:
    """Bytes that compress as reports do, and a record to go with them."""
    if has_random_uids:
        uids = [f"2.25.{CHANCE.getrandbits(120)}" for _ in range(events)]
    else:
        uids = [f"1.2.3.{number % 20}.2026.{10_000_000 + number * events + item}" for item in range(events)]
    data = "".join(CHANCE.choices(WORDS, k=size // 14)).encode()
    report = DoseReport(
        file=f"report-{number}.dcm",
        sha256=hashlib.sha256(data).hexdigest(),
        source="rdsr",
        report=ReportIdentity(
            sop_instance_uid=f"2.25.{CHANCE.getrandbits(120)}",
            study_instance_uid=f"2.25.{CHANCE.getrandbits(120)}",
            accession_number=f"A{number}",
        ),
        patient=Patient(id=f"P{number % 700}", id_issuer="invented"),
        equipment=Equipment(manufacturer="Invented", station="ROOM1"),
        procedure=Procedure(label="Invented procedure"),
        operators=("Invented^Operator",),
        totals=(DoseTotal("all", "stated", 1.0, 100.0, 300.0),),
        events=tuple(invented_event(item, uid) for item, uid in enumerate(uids)),
    )
    return data, report


def store(ledger: Ledger, data: bytes, report: DoseReport, *, case_id: str) -> None:
    """One report the way ingest stores it."""
    packed = pack_original(data)
    received = ReportReceived(report.sha256, report.file, report.source, report.report.sop_instance_uid)
    with ledger.transaction() as tx:
        tx.find_reports(sha256=report.sha256, sop_instance_uid=report.report.sop_instance_uid)
        tx.matching_cases(
            patient_id=report.patient.id,
            patient_issuer=report.patient.id_issuer,
            study_instance_uid=report.report.study_instance_uid,
            accession_number=report.report.accession_number,
            event_uids=[event.uid for event in report.events if event.uid],
        )
        tx.hold_original(packed, report.file)
        entry = tx.append(NewEntry(received, SYSTEM, datetime.now(UTC), case=case_id))
        tx.put_report(report, case_id=case_id, seq=entry.seq)
        tx.put_events(report.sha256, [StoredEvent(event) for event in report.events])
        tx.put_case_total(CaseTotalRow(case_id, "ended", patient_id=report.patient.id, day="2026-01-02"))


def main(reports: int = 1000, events: int = 50, size: int = 150_000) -> None:
    """Measure both kinds of event UID."""
    for has_random_uids in (False, True):
        print("random" if has_random_uids else "growing", "event UIDs")
        measure(reports, events, size, has_random_uids=has_random_uids)


def measure(reports: int, events: int, size: int, *, has_random_uids: bool) -> None:
    """Append, print the cost of the last tenth against the first, then read and verify."""
    costs = []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "ledger.sqlite"
        ledger = Ledger.open(f"sqlite:///{file}", create=True, clock=lambda: datetime.now(UTC))
        for number in range(reports):
            data, report = invented_report(number, events, size, has_random_uids=has_random_uids)
            start = time.perf_counter()
            store(ledger, data, report, case_id=f"case-{number}")
            costs.append(time.perf_counter() - start)
        print_costs(costs, f"{reports} reports of {events} events and {size} bytes", file)
        print_against_new(ledger, Path(folder), reports, events, size, has_random_uids=has_random_uids)
        print_reading(ledger)
        ledger.close()


def print_against_new(
    grown: Ledger, folder: Path, reports: int, events: int, size: int, *, has_random_uids: bool
) -> None:
    """Append in turns to the grown ledger and to one a tenth its size, so that both meet the same machine."""
    small = Ledger.open(f"sqlite:///{folder}/small.sqlite", create=True, clock=lambda: datetime.now(UTC))
    warm_up, turns = max(1, reports // 10), max(20, reports // 10)
    costs: tuple[list[float], list[float]] = ([], [])
    for number in range(reports, reports + warm_up + turns):
        data, report = invented_report(number, events, size, has_random_uids=has_random_uids)
        for which, ledger in enumerate((small, grown)):
            if number < reports + warm_up and ledger is grown:
                continue
            start = time.perf_counter()
            store(ledger, data, report, case_id=f"case-{number}")
            costs[which].append(time.perf_counter() - start)
    few, many = costs[0][-turns:], costs[1]
    print(
        f"  in turns, grown / a tenth of it: mean {statistics.mean(many) / statistics.mean(few):.2f}, ",
        end="",
    )
    print(f"median {statistics.median(many) / statistics.median(few):.2f}")
    small.close()


def print_costs(costs: list[float], what: str, file: Path) -> None:
    """Cost of appending, and how it changed."""
    tenth = max(1, len(costs) // 10)
    first, last = costs[:tenth], costs[-tenth:]
    print(f"  {what}; file {file.stat().st_size / 1e6:.0f} MB")
    print(f"  append: median {statistics.median(costs) * 1e3:.2f} ms, worst {max(costs) * 1e3:.1f} ms")
    print(f"  last tenth / first tenth: mean {statistics.mean(last) / statistics.mean(first):.2f}, ", end="")
    print(f"median {statistics.median(last) / statistics.median(first):.2f}")
    print(f"  peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


def print_reading(ledger: Ledger) -> None:
    """Cost of what pages and audits read."""
    start = time.perf_counter()
    for _ in range(200):
        ledger.position()
    print(f"  position: {(time.perf_counter() - start) / 200 * 1e6:.0f} us")
    with ledger.reading() as read:
        start = time.perf_counter()
        rows = read.case_totals(from_day="2026-01-01", to_day="2026-12-31")
        print(f"  case_totals: {len(rows)} rows in {(time.perf_counter() - start) * 1e3:.1f} ms")
        start = time.perf_counter()
        read.reports_of("case-0")
        print(f"  reports_of: {(time.perf_counter() - start) * 1e3:.1f} ms")
        start = time.perf_counter()
        whole = verify_chain(read)
        print(f"  verify: {whole.entries} entries, {time.perf_counter() - start:.2f} s, {whole.first_break}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
