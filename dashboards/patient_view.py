"""What the patient page shows, as words, numbers and lanes: the only place where it rounds."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from dash import dcc

from dashboards import view_models as vm
from dashboards.components.number_table import NumberTable
from dashboards.figures.patient_course import (
    Band,
    ContrastBar,
    CourseLanes,
    CreatininePoint,
    DosePoint,
    Gap,
)
from dashboards.router import path_of, search_of
from dosetrack.skin.wording import dose_words
from dosetrack.times import zone_named

if TYPE_CHECKING:
    from dosetrack.records.report import Patient
    from dosetrack.skin.accumulate import CaseShare
    from dosetrack.workflow.patients import PatientCase, PatientCourse, ToldElsewhere
    from dosetrack.workflow.results import CaseSummary, SkinMapView

NO_TOTAL = (
    "Cases stand side by side. Reference air kerma of several cases is not added: it is no skin dose, and "
    "no total over life is shown. Where fields met on the skin, the map below adds them."
)
ELSEWHERE_SAYS = (
    "Kept as a note with the newest case: told by people, not measured here, and added to no dose."
)
UNIT_WORDS = {"mg/dL": "mg/dL", "umol/L": "µmol/L"}
_MGY_PER_GY = 1000.0
_LAST_MONTH = 12


def patient_href(patient: Patient) -> str | None:
    """The address of a patient's page; None where no number is known."""
    return address(patient.id, patient.id_issuer) if patient.id else None


def address(patient_id: str, issuer: str | None) -> str:
    """The address of the page of a patient number and its issuer."""
    return "/patient" + search_of({"id": patient_id, "issuer": issuer})


def identity_words(patient: Patient) -> str:
    """Name, day of birth, sex, number and issuer in one line."""
    return vm.joined(
        vm.person_name(patient.name) or "name not known",
        f"born {patient.birth_date}" if patient.birth_date else "day of birth not known",
        f"sex {patient.sex}" if patient.sex else None,
        f"number {patient.id}" if patient.id else "number not known",
        f"issued by {patient.id_issuer}" if patient.id_issuer else None,
    )


# the time axis ---------------------------------------------------------------------------


def lanes_of(course: PatientCourse) -> CourseLanes:
    """What the figure draws, in local time."""
    zone = zone_named(course.time_zone)
    now = _local(course.as_of, zone)
    timed = [c for c in course.cases if c.at is not None]
    doses = [point for case in timed for point in _doses(case, zone)]
    with_dose = {point.case for point in doses}
    return CourseLanes(
        doses=tuple(doses),
        dose_gaps=tuple(_gap(c, zone) for c in timed if case_words(c.summary) not in with_dose),
        contrast=tuple(_bar(c, zone) for c in timed if c.summary.contrast_ml is not None),
        contrast_gaps=tuple(_gap(c, zone) for c in timed if c.summary.contrast_ml is None),
        creatinine=_creatinines(course, zone),
        skin_window=Band(
            now - timedelta(days=course.radiation_days), now, f"skin: {course.radiation_days:g} days to today"
        ),
        contrast_window=Band(
            now - timedelta(hours=course.contrast_hours), now, f"contrast: {course.contrast_hours:g} h to now"
        ),
        elsewhere=tuple(b for told in course.elsewhere if (b := _band_elsewhere(told)) is not None),
        now=now,
    )


def _local(moment: datetime, zone: ZoneInfo) -> datetime:
    return moment.astimezone(zone).replace(tzinfo=None)


def case_words(case: CaseSummary) -> str:
    """'3 Nov 2026, 09:12, TIPS creation'."""
    return vm.joined(vm.day_and_time(case.started_at), case.procedure or "procedure not told", by=", ")


def _doses(case: PatientCase, zone: ZoneInfo) -> list[DosePoint]:
    at, summary = case.at, case.summary
    kermas = {p: v for p, v in summary.reference_air_kerma_by_plane_mgy.items() if v is not None}
    if not kermas and summary.reference_air_kerma_mgy is not None:
        kermas = {"single": summary.reference_air_kerma_mgy}
    if at is None:
        return []
    return [
        DosePoint(
            at=_local(at, zone),
            kerma_gy=value / _MGY_PER_GY,
            plane=vm.plane_words(plane),
            shown=vm.kerma_words(value, decimals=1),
            case=case_words(summary),
        )
        for plane, value in kermas.items()
    ]


def _gap(case: PatientCase, zone: ZoneInfo) -> Gap:
    assert case.at is not None
    return Gap(_local(case.at, zone), case_words(case.summary))


def _bar(case: PatientCase, zone: ZoneInfo) -> ContrastBar:
    at, given = case.contrast_at or case.at, case.summary.contrast_ml
    assert at is not None
    assert given is not None
    return ContrastBar(_local(at, zone), given, f"{vm.used_ml(given)} mL", case_words(case.summary))


def _creatinines(course: PatientCourse, zone: ZoneInfo) -> dict[str, tuple[CreatininePoint, ...]]:
    found: dict[str, list[CreatininePoint]] = {}
    for one in course.creatinines:
        if one.at is not None:
            unit = UNIT_WORDS.get(one.unit, one.unit)
            point = CreatininePoint(_local(one.at, zone), float(one.value), one.value, one.is_unstable)
            found.setdefault(unit, []).append(point)
    return {unit: tuple(points) for unit, points in found.items()}


def _band_elsewhere(told: ToldElsewhere) -> Band | None:
    """The year, month or day that was told, as a stretch of time."""
    parts = told.when.split("-")
    if not all(part.isdigit() for part in parts):
        return None
    try:
        year, month, day = [*map(int, parts), 0, 0][:3]
        start = _midnight(year, month or 1, day or 1)
        if day:
            end = start + timedelta(days=1)
        elif month and month < _LAST_MONTH:
            end = _midnight(year, month + 1, 1)
        else:
            end = _midnight(year + 1, 1, 1)
    except ValueError:
        return None
    return Band(start, end, told.kind)


def _midnight(year: int, month: int, day: int) -> datetime:
    return datetime.combine(date(year, month, day), time())


# tables ----------------------------------------------------------------------------------


def case_table(course: PatientCourse) -> NumberTable:
    """Every case on record, newest first."""
    cases = list(reversed(course.cases))
    return NumberTable(
        caption="Cases on record, newest first",
        head=("case", "procedure", "room", "Ka,r", "DAP", "contrast"),
        rows=tuple(_case_row(c.summary) for c in cases),
        keys=(
            "case", "started_at", "procedure", "room", "plane", "reference_air_kerma_mgy",
            "dose_area_product_gycm2", "contrast_ml",
        ),
        values=tuple(row for c in cases for row in _case_values(c.summary)),
        name="patient-cases",
        numeric=frozenset({3, 4, 5}),
    )  # fmt: skip


def _case_row(case: CaseSummary) -> tuple[object, ...]:
    planes = {p: v for p, v in case.reference_air_kerma_by_plane_mgy.items() if v is not None}
    kermas = [vm.joined(vm.plane_words(p), vm.kerma_words(v), by=": ") for p, v in planes.items()]
    return (
        dcc.Link(vm.day_and_time(case.started_at), href=path_of("case", case.id)),
        case.procedure or "not told",
        case.room or vm.NOT_KNOWN,
        "; ".join(kermas) or vm.kerma_words(case.reference_air_kerma_mgy),
        " ".join(vm.dose_area_product(case.dose_area_product_gycm2)).strip(),
        "none entered" if case.contrast_ml is None else f"{vm.used_ml(case.contrast_ml)} mL",
    )


def _case_values(case: CaseSummary) -> list[tuple[str | float | None, ...]]:
    planes = case.reference_air_kerma_by_plane_mgy or {"all": case.reference_air_kerma_mgy}
    return [
        (
            case.id, case.started_at, case.procedure, case.room, plane, value, case.dose_area_product_gycm2,
            case.contrast_ml,
        )
        for plane, value in planes.items()
    ]  # fmt: skip


def creatinine_table(course: PatientCourse) -> NumberTable:
    """Every creatinine on record as the laboratory wrote it, newest first."""
    found = list(reversed(course.creatinines))
    return NumberTable(
        caption="Creatinine on record, newest first",
        head=("taken", "creatinine", ""),
        rows=tuple(
            (
                vm.day_and_time(c.taken_on) if c.at and not c.is_day_only else vm.day(c.taken_on),
                f"{c.value} {UNIT_WORDS.get(c.unit, c.unit)}",
                "changing when taken" if c.is_unstable else "",
            )
            for c in found
        ),
        keys=("taken_on", "creatinine", "unit", "is_unstable"),
        values=tuple((c.taken_on, c.value, c.unit, str(c.is_unstable).lower()) for c in found),
        name="patient-creatinine",
        numeric=frozenset({1}),
    )


# the skin of several cases ---------------------------------------------------------------

SHARES_HEAD = ("case", "highest dose of this case alone", "its part of the common peak", "share")
APART_HEAD = ("case", "Ka,r, not skin dose", "why apart")
OUTSIDE = "before the look-back window of the newest case"
NOT_PLACED = "its beams could not be placed on the body"


def share_rows(view: SkinMapView) -> list[tuple[object, ...]]:
    """What each case on the common map gave."""
    peak = view.map.peak_mgy if view.map else None
    return [
        (
            _case_link(share.case_id, share.day),
            dose_words(share.peak_mgy),
            dose_words(share.at_peak_mgy) if share.at_peak_mgy > 0 else "none",
            _share(share, peak),
        )
        for share in view.shares
    ]


def _share(share: CaseShare, peak_mgy: float | None) -> str:
    if not peak_mgy:
        return vm.NOT_KNOWN
    percent = 100 * share.at_peak_mgy / peak_mgy
    return "below 1\u202f%" if 0 < percent < 1 else f"{percent:.0f}\u202f%"


def apart_rows(view: SkinMapView, course: PatientCourse) -> list[tuple[object, ...]]:
    """The cases that are not on the map, each with its own air kerma."""
    on_map = {share.case_id for share in view.shares}
    return [
        (
            _case_link(c.summary.id, c.summary.started_at),
            _case_row(c.summary)[3],
            NOT_PLACED if c.summary.id in view.cases else OUTSIDE,
        )
        for c in course.cases
        if c.summary.id not in on_map and c.at is not None
    ]


def _case_link(case_id: str, day: str | None) -> object:
    return dcc.Link(vm.day(day), href=path_of("case", case_id))
