"""Writer and reader share the tables of codes and nothing else: what one says the other must hear."""

from __future__ import annotations

import dataclasses
import math
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dosetrack.exchange import TransferSyntax, WriteOptions, write_report
from dosetrack.exchange.department import SampleReport, department_cases, live_case_steps
from dosetrack.readers import read_report
from dosetrack.records.report import DoseReport, DoseTotal, IrradiationEvent

_ALWAYS_WRITTEN = {"uid", "plane", "started_at", "type", "filters", "reference_point", "patient_position"}
_OPTIONAL = [
    field.name for field in dataclasses.fields(IrradiationEvent) if field.name not in _ALWAYS_WRITTEN
]


def same(read: object, written: object) -> bool:
    if isinstance(written, float):
        # a decimal string of 16 characters holds at least 9 digits
        return isinstance(read, float) and math.isclose(read, written, rel_tol=1e-9)
    return read == written


def differences(
    read: IrradiationEvent | DoseTotal, written: IrradiationEvent | DoseTotal
) -> dict[str, tuple[object, object]]:
    found = {}
    for name in (field.name for field in dataclasses.fields(written)):
        pair = getattr(read, name), getattr(written, name)
        # frames of an acquisition are read from its pulses where the report does not tell them apart
        if not same(*pair) and not (name == "frames" and pair[1] is None):
            found[name] = pair
    return found


def assert_heard(content: bytes, written: DoseReport) -> None:
    read = read_report(content, file=written.file)
    assert read.report.sop_instance_uid == written.report.sop_instance_uid
    assert (read.patient, read.equipment, read.operators) == (
        written.patient,
        written.equipment,
        written.operators,
    )
    stated = [total for total in read.totals if total.basis == "stated"]
    for mine, theirs in zip(stated, written.totals, strict=True):
        assert differences(mine, theirs) == {}
    for mine, theirs in zip(read.events, written.events, strict=True):
        assert differences(mine, theirs) == {}


def test_every_case_of_a_small_department_is_heard() -> None:
    for case in department_cases(seed=5, start=date(2025, 1, 1), months=14, scale=0.0):
        for report in case.reports:
            assert_heard(report.content, report.record)


def test_reports_of_the_live_case_are_heard() -> None:
    for step in live_case_steps(seed=5):
        if isinstance(step.payload, SampleReport):
            assert_heard(step.payload.content, step.payload.record)


@pytest.mark.parametrize("has_legacy_codes", [False, True], ids=["snomed-ct", "srt"])
@pytest.mark.parametrize("unit", ["Gy.m2", "Gy.cm2", "dGy.cm2", "cGy.cm2", "mGy.cm2", "uGy.m2"])
def test_units_and_codes_do_not_change_what_is_said(
    report: DoseReport, unit: str, has_legacy_codes: bool
) -> None:
    options = WriteOptions(units={"dose_area_product": unit}, has_legacy_codes=has_legacy_codes)
    assert_heard(write_report(report, options), report)


@given(
    missing=st.sets(st.sampled_from(_OPTIONAL)),
    syntax=st.sampled_from(list(TransferSyntax)),
    has_defined_lengths=st.booleans(),
    kerma=st.integers(0, 20_000_000).map(lambda number: number / 1000),
    angle=st.integers(-18_000, 18_000).map(lambda number: number / 100),
)
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_is_missing_stays_missing(
    report: DoseReport,
    missing: set[str],
    syntax: TransferSyntax,
    has_defined_lengths: bool,
    kerma: float,
    angle: float,
) -> None:
    event = dataclasses.replace(
        report.events[1], reference_air_kerma_mgy=kerma, primary_angle_deg=angle, frames=None
    )
    event = dataclasses.replace(event, **dict.fromkeys(missing))
    written = dataclasses.replace(report, events=(event,))
    options = WriteOptions(syntax=syntax, has_defined_lengths=has_defined_lengths)
    assert_heard(write_report(written, options), written)
