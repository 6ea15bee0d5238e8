"""A case is what its standing entries say."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from dosetrack.cases import Case, CaseState, fold
from dosetrack.records.entries import (
    PAYLOAD_KINDS,
    CaseClosed,
    CaseEnded,
    CaseOpened,
    CaseStarted,
    ConsoleReading,
    Creatinine,
    Entry,
    Injection,
    OperatorsChanged,
    PatientChanged,
    PatientSize,
    Payload,
    ReportReceived,
    Withdrawn,
)
from dosetrack.records.people import Actor, Role
from dosetrack.records.report import (
    DoseReport,
    Equipment,
    IrradiationEvent,
    Patient,
    Procedure,
    ReportIdentity,
)

START = datetime(2026, 3, 1, 9, 0, tzinfo=UTC)
NURSE = Actor(name="Invented Nurse", role=Role.ROOM)
KIND_OF = {cls: kind for kind, cls in PAYLOAD_KINDS.items()}
LISBON = ZoneInfo("Europe/Lisbon")


def entries(*payloads: Payload | tuple[Payload, str], minutes: list[int] | None = None) -> list[Entry]:
    made = []
    for number, item in enumerate(payloads, start=1):
        payload, replaces = item if isinstance(item, tuple) else (item, None)
        at = START + timedelta(minutes=minutes[number - 1] if minutes else number)
        made.append(
            Entry(
                seq=number,
                id=f"e{number}",
                kind=KIND_OF[type(payload)],
                case="c",
                happened_at=at,
                recorded_at=at,
                actor=NURSE,
                reason=None,
                replaces=replaces,
                payload=payload,
                payload_digest="",
                previous_digest="",
                digest="",
            )
        )
    return made


def case_of(*payloads: Payload | tuple[Payload, str], reports: tuple[DoseReport, ...] = ()) -> Case:
    return fold(
        "c",
        entries(*payloads),
        {r.sha256: r for r in reports},
        room_of={"XA-1": "Room 1"},
        zone=LISBON,
    )


OPENED = CaseOpened(room="Room 2", patient=Patient(id="P1", weight_kg=70.0), operators=("Adler",))
REPORT = DoseReport(
    file="r.dcm",
    sha256="abc",
    source="rdsr",
    report=ReportIdentity(sop_instance_uid="1.2"),
    patient=Patient(id="P1", height_cm=170.0, sex="F"),
    equipment=Equipment(station="XA-1"),
    procedure=Procedure(label="invented", started_at="2026-03-01T08:30:00"),
    operators=("Berg",),
    events=(
        IrradiationEvent(uid="2", plane="single", started_at="2026-03-01T08:45:00"),
        IrradiationEvent(uid="1", plane="single", started_at="2026-03-01T08:40:00"),
    ),
)
RECEIVED = ReportReceived(sha256="abc", file="r.dcm", source="rdsr")


def test_case_goes_from_planned_to_closed() -> None:
    planned = CaseOpened(room="Room 2", patient=Patient(id="P1"), is_planned=True)
    steps = [planned, CaseStarted(), CaseEnded(), CaseClosed()]
    states = [case_of(*steps[: n + 1]).state for n in range(4)]
    assert states == [CaseState.PLANNED, CaseState.RUNNING, CaseState.ENDED, CaseState.CLOSED]


def test_case_built_only_from_a_report_is_ended_on_arrival() -> None:
    case = case_of(RECEIVED, reports=(REPORT,))
    assert case.state is CaseState.ENDED
    assert (case.room, case.procedure, case.operators) == ("Room 1", "invented", ("Berg",))
    assert case.started_at == "2026-03-01T08:30:00"
    assert [t.counted.event.uid for t in case.events] == ["1", "2"]


def test_correction_counts_and_the_corrected_entry_does_not() -> None:
    case = case_of(OPENED, Injection(volume_ml=80), (Injection(volume_ml=8), "e2"))
    assert [s.value.volume_ml for s in case.injections] == [8]
    assert len(case.entries) == 3


def test_withdrawn_entry_no_longer_counts() -> None:
    case = case_of(OPENED, Injection(volume_ml=8), (Withdrawn(), "e2"))
    assert case.injections == ()


def test_report_fills_only_what_people_left_open() -> None:
    case = case_of(OPENED, RECEIVED, reports=(REPORT,))
    assert (case.patient.weight_kg, case.patient.height_cm, case.patient.sex) == (70.0, 170.0, "F")
    assert case.room == "Room 2"
    assert case.operators == ("Adler",)


def test_measured_size_overrules_form_and_report() -> None:
    case = case_of(OPENED, RECEIVED, PatientSize(weight_kg=82.0), reports=(REPORT,))
    assert (case.patient.weight_kg, case.patient.height_cm) == (82.0, 170.0)


def test_report_of_another_patient_is_flagged_and_fills_nothing() -> None:
    other = CaseOpened(room="Room 2", patient=Patient(id="P9"))
    case = case_of(other, RECEIVED, reports=(REPORT,))
    assert case.patient == Patient(id="P9")
    assert [f.code for f in case.findings] == ["patient-differs"]


def test_wrong_patient_swap_replaces_the_whole_person() -> None:
    case = case_of(OPENED, PatientChanged(patient=Patient(id="P2", weight_kg=55.0)))
    assert case.patient == Patient(id="P2", weight_kg=55.0)


def test_change_of_operator_counts_from_the_entry_on() -> None:
    assert case_of(OPENED, OperatorsChanged(operators=("Cole", "Adler"))).operators == ("Cole", "Adler")


def test_readings_stand_in_order_of_when_they_were_taken_not_typed() -> None:
    late = entries(
        OPENED, ConsoleReading(reference_air_kerma_mgy=900), ConsoleReading(reference_air_kerma_mgy=400)
    )
    late[2] = type(late[2])(**{n: getattr(late[2], n) for n in Entry.__slots__} | {"happened_at": START})
    case = fold("c", late, {}, room_of={}, zone=LISBON)
    assert [s.value.reference_air_kerma_mgy for s in case.readings] == [400, 900]


def test_deleted_payload_is_left_out() -> None:
    made = entries(OPENED, Creatinine(value="1.2", unit="mg/dL"))
    made[1] = type(made[1])(**{n: getattr(made[1], n) for n in Entry.__slots__} | {"payload": None})
    assert fold("c", made, {}, room_of={}, zone=LISBON).creatinines == ()


def test_naive_times_take_the_zone_of_the_room_and_the_earlier_of_two() -> None:
    # IANA: Europe/Lisbon set its clocks back at 02:00 on 2026-10-25, so 01:30 occurs twice
    event = IrradiationEvent(uid="1", plane="single", started_at="2026-10-25T01:30:00")
    sent = DoseReport(**{n: getattr(REPORT, n) for n in DoseReport.__slots__} | {"events": (event,)})
    case = case_of(RECEIVED, reports=(sent,))
    assert case.events[0].instant == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    assert "time-occurs-twice" in [f.code for f in case.findings]
