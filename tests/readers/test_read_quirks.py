"""What goes wrong in the field is read right with a finding, or not known with a finding; never guessed."""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from rdsr_files import EventPlan, accumulated, code, coded, container, event, item, num, report, saved

from dosetrack.readers import read_report
from dosetrack.records.report import DoseReport


def read(data: Dataset) -> DoseReport:
    return read_report(saved(data), file="invented.dcm")


def read_raw(data: Dataset, old: bytes, new: bytes) -> DoseReport:
    """Read after exchanging bytes of equal number, for what pydicom will not write."""
    whole = saved(data)
    assert len(old) == len(new)
    assert old in whole
    return read_report(whole.replace(old, new), file="invented.dcm")


def codes(found: DoseReport) -> set[str]:
    return {one.code for one in found.findings}


def dap(unit: str, number: str = "12.5", scheme: str = "UCUM") -> DoseReport:
    one = event(EventPlan(drop=("122130",)))
    one.ContentSequence.append(num("122130", number, unit, unit_scheme=scheme))
    return read(report([one]))


@pytest.mark.parametrize(
    ("unit", "gycm2"),
    [  # SI prefixes: 1 Gy.m2 = 1e4 Gy.cm2 = 1e5 dGy.cm2 = 1e6 cGy.cm2 = 1e7 mGy.cm2
        ("Gy.m2", 125000), ("Gy.cm2", 12.5), ("dGy.cm2", 1.25), ("cGy.cm2", 0.125), ("mGy.cm2", 0.0125),
        ("uGy.m2", 0.125), ("Gym2", 125000), ("Gy*m2", 125000), ("uGym2", 0.125), ("Gycm2", 12.5),
    ],
)  # fmt: skip
def test_dose_area_product_in_the_units_of_the_field(unit: str, gycm2: float) -> None:
    assert dap(unit).events[0].dose_area_product_gycm2 == pytest.approx(gycm2, rel=1e-15)


@pytest.mark.parametrize(
    ("unit", "scheme"), [("Gy", "UCUM"), ("furlong", "UCUM"), ("MGy.cm2", "UCUM"), ("Gy.m2", "99INVENTED")]
)
def test_unknown_unit_is_not_guessed(unit: str, scheme: str) -> None:
    found = dap(unit, scheme=scheme)
    assert found.events[0].dose_area_product_gycm2 is None
    finding = next(one for one in found.findings if one.code == "unit-unknown")
    assert unit in finding.text
    assert finding.event_uid == found.events[0].uid


def test_unit_in_square_signs_of_utf_8() -> None:
    data = report([], SpecificCharacterSet="ISO_IR 192", PatientName="Invented^Zoë")
    one = event(EventPlan(drop=("122130",)))
    one.ContentSequence.append(num("122130", "2", "Gy·m²"))
    data.ContentSequence.append(one)
    found = read(data)
    assert found.events[0].dose_area_product_gycm2 == 20000
    assert found.patient.name == "Invented^Zoë"


def test_seconds_sent_as_minutes_and_kerma_as_milligray() -> None:
    one = event(EventPlan(drop=("113742", "113738")))
    one.ContentSequence.extend([num("113742", "1.5", "min"), num("113738", "4.5", "mGy")])
    found = read(report([one])).events[0]
    assert (found.duration_s, found.reference_air_kerma_mgy) == (90, 4.5)


@pytest.mark.parametrize(
    ("sent", "value", "code_of_finding"),
    [
        (b"0,00123 ", 12.3, "decimal-comma"),
        (b"1E-03   ", 10.0, None),
        (b"0.001234", 12.34, None),
        (b"+.00123 ", 12.3, None),
        (b"NaN     ", None, "number-unreadable"),
        (b"inf     ", None, "number-unreadable"),
        (b"0.0_0123", None, "number-unreadable"),
        (b"-0.00123", None, "number-impossible"),
        (b"        ", None, "number-empty"),
        (b"0.1\\0.3 ", 2000.0, "values-not-one-per-pulse"),
        (b"1,000.5 ", None, "number-unreadable"),
        (b"99999999", 999999990000.0, "number-implausible"),
        (b"1e999   ", None, "number-impossible"),
    ],
)
def test_odd_numbers(sent: bytes, value: float | None, code_of_finding: str | None) -> None:
    data = report([event(EventPlan(dap_gym2="0.765432", drop=("113738",)))])
    found = read_raw(data, b"0.765432", sent)
    assert found.events[0].dose_area_product_gycm2 == (None if value is None else pytest.approx(value))
    relevant = codes(found) - {"totals-missing"}
    assert relevant == ({code_of_finding} if code_of_finding else set())


def test_seventeen_characters_and_more() -> None:
    data = report([event(EventPlan(dap_gym2="0.76543210987654"))])
    found = read_raw(data, b"0.76543210987654", b"0.00000123456789")
    assert found.events[0].dose_area_product_gycm2 == pytest.approx(0.0123456789, rel=1e-12)


def test_empty_measured_value_and_qualifier_are_not_known() -> None:
    one = event(EventPlan(drop=("113738", "122130")))
    empty = num("113738", "1", "Gy")
    empty.MeasuredValueSequence = Sequence([])
    failed = num("122130", "1", "Gy.m2")
    failed.NumericValueQualifierCodeSequence = Sequence([code("114006", "DCM", "Measurement failure")])
    one.ContentSequence.extend([empty, failed])
    found = read(report([one]))
    assert found.events[0].reference_air_kerma_mgy is None
    assert found.events[0].dose_area_product_gycm2 is None
    assert {"number-empty", "number-qualified-as-absent"} <= codes(found)
    assert "Measurement failure" in " ".join(one.text for one in found.findings)


def test_retired_codes_are_known() -> None:
    one = event(EventPlan(drop=("113721", "113771", "113745", "113743")))
    one.ContentSequence.extend(
        [
            coded("113721", ("P5-06000", "SRT", "Fluoroscopy")),
            coded("113745", ("F-10480", "SNM3", "feet-first")),
            coded("113743", ("F-10450", "99SDM", "recumbent"),
                  children=[coded("113744", ("F-10310", "srt ", "prone"))]),
            container(("113771", "DCM", "X-Ray Filters"),
                      [coded("113757", ("C-120F9", "SRT", "Aluminum or Aluminum compound"))]),
        ]
    )  # fmt: skip
    found = read(report([one])).events[0]
    assert (found.type, found.patient_position, found.filters[0].material) == (
        "fluoroscopy", "FFP", "aluminium",
    )  # fmt: skip


def test_meaning_never_decides() -> None:
    one = event(EventPlan(drop=("113721",)))
    one.ContentSequence.append(coded("113721", ("113611", "DCM", "Fluoroscopy")))
    assert read(report([one])).events[0].type == "stationary"


def test_unknown_event_type_keeps_the_reports_own_word() -> None:
    one = event(EventPlan(drop=("113721",)))
    one.ContentSequence.append(coded("113721", ("X9", "99INVENTED", "Spin")))
    found = read(report([one]))
    assert found.events[0].type == "Spin"
    assert "event-type-unknown" in codes(found)
    summed = next(total for total in found.totals if total.plane == "single")
    assert summed.dose_area_product_gycm2 == 1.23
    assert summed.fluoroscopy_dose_area_product_gycm2 is None


def test_repeated_event_counts_once_and_reused_uid_twice() -> None:
    again = read(report([event(EventPlan()), event(EventPlan())]))
    assert len(again.events) == 1
    assert "event-repeated" in codes(again)
    reused = read(report([event(EventPlan()), event(EventPlan(started="20240131101010"))]))
    assert len(reused.events) == 2
    assert "event-uid-reused" in codes(reused)
    planes = read(report([event(EventPlan(plane="a")), event(EventPlan(plane="b"))]))
    assert len(planes.events) == 2
    assert not codes(planes) - {"totals-missing"}


def test_event_without_uid_is_kept_with_a_finding() -> None:
    found = read(report([event(EventPlan(drop=("113769",))), event(EventPlan(drop=("113769",)))]))
    assert [one.uid for one in found.events] == [None, None]
    assert "event-uid-missing" in codes(found)


STATED = {"113722": ("0.000246", "Gy.m2"), "113725": ("0.00912", "Gy"), "113730": ("25", "s")}


def two_events(stated: dict[str, tuple[object, str]]) -> DoseReport:
    events = [event(EventPlan(number=1)), event(EventPlan(number=2))]
    return read(report([accumulated("single", stated), *events]))


def test_stated_and_summed_totals_stand_side_by_side() -> None:
    found = two_events(STATED)
    assert [(one.plane, one.basis) for one in found.totals] == [
        ("single", "stated"), ("single", "summed"), ("all", "summed"),
    ]  # fmt: skip
    for total in found.totals:
        assert total.dose_area_product_gycm2 == pytest.approx(2.46)
        assert total.reference_air_kerma_mgy == pytest.approx(9.12)
        assert total.fluoroscopy_time_s == 25
    assert not found.findings


def test_rounding_is_no_disagreement_but_more_is() -> None:
    rounded = two_events({**STATED, "113725": ("0.01", "Gy")})  # 9.12 mGy written to 10 mGy
    assert "totals-disagree" not in codes(rounded)
    wrong = two_events({**STATED, "113725": ("0.012", "Gy")})
    assert "Ka,r" in next(one.text for one in wrong.findings if one.code == "totals-disagree")


@pytest.mark.parametrize(
    ("kerma", "disagrees"),
    [
        ("0", True),  # 9.12 mGy of events: a zero written without digits is no rounding
        ("0.01", False),  # to 10 mGy
        ("0.0091", False),
        ("0.0092", True),
        ("0.009", False),
    ],
)
def test_precision_is_that_of_the_digits_written(kerma: str, disagrees: bool) -> None:
    found = two_events({**STATED, "113725": (kerma, "Gy")})
    assert ("totals-disagree" in codes(found)) == disagrees


def test_dropped_zeros_are_not_taken_for_rounding() -> None:
    # '0.01' beside '0.00912' was written to 1e-5 Gy: 10.00 mGy are not 9.12
    found = two_events({**STATED, "113725": ("0.01", "Gy"), "113728": ("0.00912", "Gy")})
    assert "totals-disagree" in codes(found)


def test_two_planes_that_do_not_tell_themselves_are_not_merged() -> None:
    pair = [event(EventPlan(plane=None)), event(EventPlan(plane=None, kerma_gy="0.001"))]
    assert len(read(report(pair)).events) == 2
    same = [event(EventPlan(plane=None)), event(EventPlan(plane=None))]
    assert len(read(report(same)).events) == 1


def test_report_without_events_or_without_totals() -> None:
    assert "events-missing" in codes(read(report([accumulated("single", STATED)])))
    found = read(report([event(EventPlan())]))
    assert "totals-missing" in codes(found)
    assert {one.basis for one in found.totals} == {"summed"}


def test_total_over_all_planes_is_only_stated_when_sent() -> None:
    events = [event(EventPlan(number=1, plane="a")), event(EventPlan(number=2, plane="b"))]
    found = read(report([accumulated("all", STATED), *events]))
    assert [(one.plane, one.basis) for one in found.totals] == [
        ("all", "stated"), ("a", "summed"), ("b", "summed"), ("all", "summed"),
    ]  # fmt: skip


def test_calibration_factor_is_told_and_not_applied() -> None:
    calibration = container(("122505", "DCM", "Calibration"), [num("122322", "0.9", "1")])
    found = read(report([accumulated("single", STATED, calibration)]))
    assert found.totals[0].reference_air_kerma_mgy == 9.12
    assert "0.9" in next(one.text for one in found.findings if one.code == "calibration-stated")


@pytest.mark.parametrize(
    ("sent", "offset", "iso"),
    [
        ("20240131093005.25+0100", None, "2024-01-31T09:30:05.25+01:00"),
        ("20240131093005", "-0330", "2024-01-31T09:30:05-03:30"),
        ("20240131093005", "+9900", "2024-01-31T09:30:05"),
        ("202401310930", None, "2024-01-31T09:30"),
        ("20240131", None, "2024-01-31"),
    ],
)
def test_times_keep_their_digits_and_offset(sent: str, offset: str | None, iso: str) -> None:
    header = {"TimezoneOffsetFromUTC": offset} if offset else {}
    found = read(report([event(EventPlan(started=sent))], **header))
    assert found.events[0].started_at == iso
    assert ("offset-invalid" in codes(found)) == (offset == "+9900")


def test_impossible_time_is_not_known() -> None:
    found = read_raw(
        report([event(EventPlan(started="20240131093005"))]), b"20240131093005", b"20240231093005"
    )
    assert found.events[0].started_at is None
    assert "event-time-unreadable" in codes(found)


def test_procedure_runs_from_the_first_start_to_the_last_end() -> None:
    events = [
        event(EventPlan(number=1, started="20240131233000")),
        event(EventPlan(number=2, started="20240131235955", duration_s="10")),
    ]
    procedure = read(report(events)).procedure
    assert procedure.started_at == "2024-01-31T23:30:00"
    assert procedure.ended_at == "2024-02-01T00:00:05"


@pytest.mark.parametrize(
    ("declared", "name"),
    [
        ("ISO_IR 100", "Müller^Jörg"),
        ("ISO_IR 192", "山田^太郎"),
        (["", "ISO 2022 IR 87"], "Yamada^Tarou=山田^太郎=やまだ^たろう"),
        ("GB18030", "王^小东"),
        ("ISO_IR 144", "Люкceмбypг"),
    ],
)
def test_names_in_their_character_set(declared: object, name: str) -> None:
    found = read(report([event(EventPlan())], SpecificCharacterSet=declared, PatientName=name))
    assert found.patient.name == name
    assert "character-set-guessed" not in codes(found)


def test_undeclared_character_set_is_guessed_with_a_finding() -> None:
    data = report([event(EventPlan())], SpecificCharacterSet="ISO_IR 100", PatientName="Müller^J")
    found = read_raw(data, b"ISO_IR 100", b"          ")
    assert found.patient.name == "Müller^J"
    assert "character-set-guessed" in codes(found)


@pytest.mark.parametrize(("size", "kept"), [("1.62", 162.0), ("162", None), ("0", None), ("", None)])
def test_patient_size_in_metres_or_not_known(size: str, kept: float | None) -> None:
    found = read(report([event(EventPlan())], PatientSize=size))
    assert found.patient.height_cm == kept
    assert ("patient-size-impossible" in codes(found)) == (size in ("162", "0"))


def test_partial_scope_is_told() -> None:
    data = report([event(EventPlan())])
    data.ContentSequence[1] = coded("113705", ("113970", "DCM", "Procedure Step To This Point"))
    assert "scope-so-far" in codes(read(data))


def test_reversed_filter_and_no_filter() -> None:
    one = event(EventPlan(drop=("113771",)))
    filters = ("113771", "DCM", "X-Ray Filters")
    one.ContentSequence.extend(
        [
            container(filters, [coded("113772", ("111609", "DCM", "No filter"))]),
            container(
                filters,
                [
                    coded("113757", ("12503006", "SCT", "Al")),
                    num("113758", "2", "mm"),
                    num("113773", "1", "mm"),
                ],
            ),
        ]
    )
    found = read(report([one]))
    assert [(f.material, f.min_mm, f.max_mm) for f in found.events[0].filters] == [("aluminium", 2, 1)]
    assert "filter-thickness-reversed" in codes(found)


def test_transfer_syntax_that_is_not_the_one_named() -> None:
    data = report([event(EventPlan())])
    found = read_raw(data, b"1.2.840.10008.1.2.1\0", b"1.2.840.10008.1.2\0\0\0")
    assert found.events[0].kvp == 81.3
    assert "transfer-syntax-mismatch" in codes(found)


def test_device_observer_fills_an_empty_header() -> None:
    observer = item(
        "HAS OBS CONTEXT", "TEXT", ("121016", "DCM", "Device Observer Serial Number"), TextValue="OBS-7"
    )
    assert read(report([observer, event(EventPlan())], DeviceSerialNumber=None)).equipment.serial == "OBS-7"
