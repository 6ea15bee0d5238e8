"""A report means the same however it is encoded, and every number is the one pydicom reads."""

from __future__ import annotations

import io
import json
import re
import subprocess
from dataclasses import replace
from pathlib import Path

import pydicom
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from rdsr_files import (
    SYNTAXES,
    EventPlan,
    accumulated,
    code,
    coded,
    container,
    event,
    item,
    num,
    report,
    saved,
)

from dosetrack.readers import read_report
from dosetrack.records.report import DoseReport, IrradiationEvent

TOTALS = {
    "113722": ("0.00123", "Gy.m2"),
    "113725": ("0.0456", "Gy"),
    "113726": ("0.00023", "Gy.m2"),
    "113728": ("0.0056", "Gy"),
    "113730": ("125", "s"),
    "113727": ("0.001", "Gy.m2"),
    "113729": ("0.04", "Gy"),
    "113855": ("8.2", "s"),
}


def read(data: Dataset, **how: object) -> DoseReport:
    return read_report(saved(data, **how), file="invented.dcm")  # type: ignore[arg-type]


def biplane() -> Dataset:
    return report(
        [
            accumulated("a", TOTALS),
            accumulated("b", TOTALS),
            event(EventPlan(number=1, plane="a")),
            event(EventPlan(number=2, plane="b", type="rotational")),
            event(EventPlan(number=3, plane="a", type="stationary")),
        ]
    )


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_encoding_changes_nothing(syntax: str, undefined: bool) -> None:
    plain = read(biplane())
    other = read(biplane(), syntax=syntax, undefined=undefined)
    assert replace(other, sha256=plain.sha256) == plain


@pytest.mark.parametrize("how", [{"preamble": False}, {"meta": False}], ids=["no preamble", "bare data set"])
@pytest.mark.parametrize("syntax", ["explicit", "implicit", "big-endian"])
def test_missing_preamble_or_meta_changes_nothing(syntax: str, how: dict[str, bool]) -> None:
    plain = read(biplane())
    other = read(biplane(), syntax=syntax, **how)
    assert replace(other, sha256=plain.sha256) == plain


@pytest.mark.parametrize("kind", ["22", "33", "34", "35"])
def test_any_structured_report_may_carry_it(kind: str) -> None:
    uid = f"1.2.840.10008.5.1.4.1.1.88.{kind}"  # enhanced, comprehensive, comprehensive 3D, extensible
    assert len(read(report([event(EventPlan())], SOPClassUID=uid)).events) == 1


def test_header_is_read() -> None:
    read_one = read(biplane())
    assert read_one.patient.id == "TEST-1"
    assert read_one.patient.name == "Invented^Zoë"
    assert (read_one.patient.sex, read_one.patient.birth_date) == ("F", "1950-01-02")
    assert (read_one.patient.weight_kg, read_one.patient.height_cm) == (68.4, 162.0)  # sent in metres
    assert read_one.equipment.serial == "S-1"
    assert read_one.report.completion == "COMPLETE"
    assert read_one.report.accession_number == "ACC-1"
    assert read_one.report.reported_at == "2024-01-31T10:15:00"
    assert read_one.procedure.label == "TIPS"
    assert read_one.operators == ("Invented^Olga",)


def test_label_prefers_what_was_performed_over_what_was_requested_and_studied() -> None:
    performed = Sequence([code("X1", "99LOCAL", "Performed code")])
    names = {
        "PerformedProcedureStepDescription": "Performed",
        "RequestedProcedureDescription": "Requested",
        "StudyDescription": "Study",
    }
    header = dict(names, PerformedProcedureCodeSequence=performed)
    for key, label in names.items():
        assert read(report([event(EventPlan())], **header)).procedure.label == label
        header.pop(key)
        header["StudyDescription"] = header.get("StudyDescription")
    bare = read(report([event(EventPlan())], **header))
    assert (bare.procedure.label, bare.procedure.code) == ("Performed code", "X1")
    nothing = read(report([event(EventPlan())], StudyDescription=None))
    assert nothing.procedure.label == "Abdomen 3 p/s"  # the protocol; never 'Projection X-Ray'


def test_authorizing_person_is_the_operator() -> None:
    person = item(
        "CONTAINS", "PNAME", ("113870", "DCM", "Person Name"), PersonName="Authorizing^Ada",
        children=[coded("113875", ("113850", "DCM", "Irradiation Authorizing"), relation="HAS PROPERTIES")],
    )  # fmt: skip
    other = item(
        "CONTAINS", "PNAME", ("113870", "DCM", "Person Name"), PersonName="Administering^Bo",
        children=[coded("113875", ("113851", "DCM", "Irradiation Administering"), relation="HAS PROPERTIES")],
    )  # fmt: skip
    assert read(report([event(EventPlan()), other, person])).operators == ("Authorizing^Ada",)
    assert read(report([event(EventPlan(extra=[person]))])).operators == ("Authorizing^Ada",)
    named = read(report([event(EventPlan())], PerformingPhysicianName=["A^B", "C^D^"]))
    assert named.operators == ("A^B", "C^D")
    last = read(report([event(EventPlan())], PerformingPhysicianName=None, OperatorsName="E^F"))
    assert last.operators == ("E^F",)


# Every number by an independent route: pydicom's values, converted with factors written out here.
FACTORS = {
    "113722": ("dose_area_product_gycm2", 1e4), "113725": ("reference_air_kerma_mgy", 1e3),
    "113730": ("fluoroscopy_time_s", 1), "113726": ("fluoroscopy_dose_area_product_gycm2", 1e4),
    "113728": ("fluoroscopy_reference_air_kerma_mgy", 1e3), "113855": ("acquisition_time_s", 1),
    "113727": ("acquisition_dose_area_product_gycm2", 1e4),
    "113729": ("acquisition_reference_air_kerma_mgy", 1e3),
    "122130": ("dose_area_product_gycm2", 1e4), "113738": ("reference_air_kerma_mgy", 1e3),
    "113742": ("duration_s", 1), "113768": ("pulses", 1), "113791": ("pulse_rate_hz", 1),
    "113733": ("kvp", 1), "113734": ("tube_current_ma", 1), "113793": ("pulse_width_ms", 1),
    "113736": ("exposure_uas", 1),
    "112011": ("primary_angle_deg", 1), "112012": ("secondary_angle_deg", 1),
    "113739": ("primary_end_angle_deg", 1), "113740": ("secondary_end_angle_deg", 1),
    "113748": ("source_to_isocenter_mm", 1), "113750": ("source_to_detector_mm", 1),
    "113737": ("source_to_reference_point_mm", 1), "113751": ("table_longitudinal_mm", 1),
    "113752": ("table_lateral_mm", 1), "113753": ("table_height_mm", 1),
    "113759": ("table_longitudinal_end_mm", 1), "113760": ("table_lateral_end_mm", 1),
    "113761": ("table_height_end_mm", 1), "113790": ("field_area_cm2", 1e4),
    "113788": ("field_height_mm", 1), "113789": ("field_width_mm", 1),
    "113770": ("column_angulation_deg", 1), "113754": ("table_head_tilt_deg", 1),
    "113755": ("table_rotation_deg", 1), "113756": ("table_cradle_tilt_deg", 1),
    "113792": ("source_to_table_mm", 1), "128766": ("table_x_to_isocenter_mm", 1),
    "128767": ("table_y_to_isocenter_mm", 1), "128768": ("table_z_to_isocenter_mm", 1),
}  # fmt: skip


def numbers_by_pydicom(container: Dataset) -> dict[str, float]:
    found = {}
    for content in container.ContentSequence:
        name = content.ConceptNameCodeSequence[0].CodeValue
        if content.ValueType == "NUM" and name in FACTORS:
            field, factor = FACTORS[name]
            found[field] = float(content.MeasuredValueSequence[0].NumericValue) * factor
    return found


def assert_same_numbers_as_pydicom(data: bytes, ours: DoseReport) -> None:
    whole = pydicom.dcmread(io.BytesIO(data))
    by_name: dict[str, list[Dataset]] = {}
    for content in whole.ContentSequence:
        by_name.setdefault(content.ConceptNameCodeSequence[0].CodeValue, []).append(content)
    stated = [total for total in ours.totals if total.basis == "stated"]
    pairs = [*zip(by_name.get("113702", []), stated, strict=True),
             *zip(by_name.get("113706", []), ours.events, strict=True)]  # fmt: skip
    for theirs, record in pairs:
        expected = numbers_by_pydicom(theirs)
        assert expected
        for field in {field for field, _ in FACTORS.values()}:
            if hasattr(record, field):
                if field not in expected:
                    assert getattr(record, field) is None
                else:
                    # one rounding of a factor such as 1e4 is all that may differ
                    assert getattr(record, field) == pytest.approx(expected[field], rel=1e-14), field


decimals = st.decimals(min_value=0, max_value=50, places=5, allow_nan=False).map(lambda d: f"{d:f}")
plans = st.lists(
    st.builds(
        EventPlan,
        plane=st.sampled_from(["a", "b"]),
        type=st.sampled_from(["fluoroscopy", "stationary", "stepping", "rotational"]),
        dap_gym2=st.decimals(0, "0.1", places=9).map(lambda d: f"{d:f}"),
        kerma_gy=st.decimals(0, 5, places=7).map(lambda d: f"{d:f}"),
        duration_s=decimals,
        drop=st.sets(st.sampled_from(sorted(FACTORS)), max_size=8).map(tuple),
    ),
    min_size=1,
    max_size=4,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(plans=plans, syntax=st.sampled_from(sorted(SYNTAXES)), undefined=st.booleans(), chance=st.randoms())
def test_every_number_is_the_one_pydicom_reads(plans, syntax, undefined, chance) -> None:
    kept = [replace(plan, number=n, drop=tuple(set(plan.drop) - {"113742"})) for n, plan in enumerate(plans)]
    containers = [event(plan) for plan in kept]
    for one in containers:
        children = list(one.ContentSequence)
        chance.shuffle(children)  # the order of items means nothing
        one.ContentSequence = Sequence(children)
    data = saved(report([accumulated("a", TOTALS), *containers]), syntax, undefined=undefined)
    assert_same_numbers_as_pydicom(data, read_report(data, file="x"))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    kilovolts=st.lists(st.decimals(40, 125, places=1).map(str), min_size=1, max_size=6),
    exposures=st.lists(st.decimals(0, 900, places=2).map(str), min_size=1, max_size=6),
    pulses=st.integers(0, 6),
    sheets=st.lists(st.tuples(st.decimals(0, 2, places=2), st.decimals(0, 2, places=2)), max_size=4),
    syntax=st.sampled_from(sorted(SYNTAXES)),
    undefined=st.booleans(),
)
def test_values_per_pulse_and_filters_are_those_pydicom_reads(  # type: ignore[no-untyped-def]
    kilovolts, exposures, pulses, sheets, syntax, undefined
) -> None:
    one = event(EventPlan(drop=("113733", "113736", "113768", "113771")))
    one.ContentSequence.extend(num("113733", value, "kV") for value in kilovolts)
    one.ContentSequence.extend(num("113736", value, "uA.s") for value in exposures)
    one.ContentSequence.append(num("113768", str(pulses), "1"))
    for least, most in sheets:
        thickness = [num("113758", str(least), "mm"), num("113773", str(most), "mm")]
        one.ContentSequence.append(container(("113771", "DCM", "X-Ray Filters"), thickness))
    data = saved(report([one]), syntax, undefined=undefined)
    ours = read_report(data, file="x").events[0]
    told: dict[str, list[float]] = {}
    filters = []
    for child in pydicom.dcmread(io.BytesIO(data)).ContentSequence[-1].ContentSequence:
        name = child.ConceptNameCodeSequence[0].CodeValue
        if child.ValueType == "NUM":
            told.setdefault(name, []).append(float(child.MeasuredValueSequence[0].NumericValue))
        elif name == "113771":
            pair = [float(n.MeasuredValueSequence[0].NumericValue) for n in child.ContentSequence]
            filters.append((pair[0], pair[1]))
    # sums and means of the same numbers: only the order of adding may differ
    assert ours.kvp == pytest.approx(sum(told["113733"]) / len(told["113733"]), rel=1e-12)
    each = told["113736"]
    expected = each[0] if len(each) == 1 else sum(each) if len(each) == pulses else None
    assert ours.exposure_uas == (None if expected is None else pytest.approx(expected, rel=1e-12))
    assert [(one.min_mm, one.max_mm) for one in ours.filters] == filters


def test_a_hundred_biplane_events() -> None:
    events = [
        event(EventPlan(number=n, plane="ab"[n % 2], type="stationary" if n % 5 == 0 else "fluoroscopy"))
        for n in range(100)
    ]
    data = saved(report([accumulated("a", TOTALS), accumulated("b", TOTALS), *events]), undefined=True)
    ours = read_report(data, file="x")
    assert len(ours.events) == 100
    assert_same_numbers_as_pydicom(data, ours)
    total = next(t for t in ours.totals if (t.plane, t.basis) == ("all", "summed"))
    assert total.dose_area_product_gycm2 == pytest.approx(100 * 1.23)
    assert total.fluoroscopy_time_s == pytest.approx(80 * 12.5)


@pytest.mark.dicom_tools
def test_numbers_are_those_dsrdump_prints(tmp_path: Path) -> None:
    path = tmp_path / "report.dcm"
    path.write_bytes(saved(biplane()))
    command = ["dsrdump", "--print-all-codes", str(path)]
    printed = subprocess.run(command, capture_output=True, encoding="latin-1", check=True).stdout
    ours = read_report(path.read_bytes(), file="x")
    stated = [total for total in ours.totals if total.basis == "stated"]
    records = iter([*stated, *ours.events])  # dsrdump prints the containers in the file's order
    record: object = None
    compared = 0
    for line in printed.splitlines():
        if "CONTAINER:(113702,DCM" in line or "CONTAINER:(113706,DCM" in line:
            record = next(records)
        match = re.search(r'NUM:\((\d+),DCM,"[^"]*"\)="([^"]+)"', line)
        if match and match[1] in FACTORS:
            field, factor = FACTORS[match[1]]
            assert getattr(record, field) == pytest.approx(float(match[2]) * factor, rel=1e-14), line
            compared += 1
    assert compared > 70


# dcm2json prints every element, sequences nested: PS3.18 annex F.
_CONTENT, _NAME, _CODE = "0040A730", "0040A043", "00080100"
_MEASURED, _NUMERIC, _UID = "0040A300", "0040A30A", "0040A124"


def _json_values(item: dict[str, dict[str, list]], tag: str) -> list:
    return item.get(tag, {}).get("Value", [])


@pytest.mark.dicom_tools
@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_numbers_are_those_dcm2json_prints(tmp_path: Path, syntax: str, undefined: bool) -> None:
    path = tmp_path / "report.dcm"
    path.write_bytes(saved(biplane(), syntax, undefined=undefined))
    done = subprocess.run(["dcm2json", str(path)], capture_output=True, encoding="utf-8", check=True)
    whole = json.loads(done.stdout)
    ours = read_report(path.read_bytes(), file="x")
    stated = [total for total in ours.totals if total.basis == "stated"]
    records = {"113702": iter(stated), "113706": iter(ours.events)}
    compared = 0
    for content in _json_values(whole, _CONTENT):
        kind = _json_values(_json_values(content, _NAME)[0], _CODE)[0]
        if kind not in records:
            continue
        record = next(records[kind])
        for child in _json_values(content, _CONTENT):
            name = _json_values(_json_values(child, _NAME)[0], _CODE)[0]
            if name == "113769":
                assert record.uid == _json_values(child, _UID)[0]
            if name in FACTORS and _json_values(child, _MEASURED):
                field, factor = FACTORS[name]
                number = float(_json_values(_json_values(child, _MEASURED)[0], _NUMERIC)[0])
                assert getattr(record, field) == pytest.approx(number * factor, rel=1e-14), field
                compared += 1
    assert compared > 70
    assert next(records["113706"], None) is None
    # 0010,0010 Patient's Name
    assert ours.patient.name == whole["00100010"]["Value"][0]["Alphabetic"]


def one_event(plan: EventPlan, *context: Dataset) -> IrradiationEvent:
    return read(report([*context, event(plan)])).events[0]


def test_facts_of_an_event() -> None:
    read_one = one_event(EventPlan(type="rotational"))
    assert read_one.type == "rotational"
    assert read_one.started_at == "2024-01-31T09:30:05.25"  # the digits sent
    assert read_one.protocol == "Abdomen 3 p/s"
    assert read_one.patient_position == "HFS"
    assert read_one.reference_point == "15cm-from-isocenter"
    assert [(f.material, f.min_mm, f.max_mm) for f in read_one.filters] == [("copper", 0.3, 0.3)]
    assert read_one.frames == read_one.pulses == 90
    assert read_one.primary_end_angle_deg == 180
    assert one_event(EventPlan()).frames is None


def test_plane_is_taken_from_the_only_accumulated_plane() -> None:
    alone = one_event(EventPlan(plane=None), accumulated("single", TOTALS))
    assert alone.plane == "single"
    both = read(report([accumulated("a", TOTALS), accumulated("b", TOTALS), event(EventPlan(plane=None))]))
    assert both.events[0].plane is None
    assert "event-plane-unknown" in {f.code for f in both.findings}


def test_reference_point_of_the_totals_holds_for_events_without_one() -> None:
    shared = accumulated(
        "single", {**TOTALS, "113737": ("600", "mm")}, coded("113780", ("113861", "DCM", "30 cm before"))
    )
    read_one = one_event(EventPlan(drop=("113780", "113737")), shared)
    assert read_one.reference_point == "30cm-from-detector"
    assert read_one.source_to_reference_point_mm == 600
    text = item(
        "CONTAINS", "TEXT", ("113780", "DCM", "Reference"), TextValue="15cm from Isocenter toward Source"
    )
    assert one_event(
        EventPlan(drop=("113780",), extra=[]), accumulated("single", TOTALS, text)
    ).reference_point == ("15cm-from-isocenter")


def several(count: int, *, pulses: str | None, frames: str | None = None, uid: str = "1.2.3") -> DoseReport:
    """One event with `count` values of each quantity that may come once per pulse."""
    one = event(EventPlan(uid=uid, drop=("113733", "113734", "113736", "113768", "113793")))
    for number in range(count):
        one.ContentSequence.append(num("113733", f"{80 + number}", "kV"))
        one.ContentSequence.append(num("113736", f"{100 + 10 * number}", "uA.s"))
    if pulses is not None:
        one.ContentSequence.append(num("113768", pulses, "1"))
    if frames is not None:
        one.ContentSequence.append(num("113731", frames, "1"))
    return read(report([accumulated("single", TOTALS), one]))


def told_of_several(read_one: DoseReport) -> list[str]:
    found = [f for f in read_one.findings if f.code == "values-not-one-per-pulse"]
    assert all(one.event_uid == "1.2.3" for one in found)
    return [one.text for one in found]


@pytest.mark.parametrize("how", [{"pulses": "3"}, {"pulses": None, "frames": "3"}, {"pulses": None}])
def test_one_value_per_pulse(how: dict[str, str | None]) -> None:
    read_one = several(3, **how)  # without a number of pulses kV and exposures agree on one
    assert read_one.events[0].exposure_uas == 330  # 100 + 110 + 120
    assert read_one.events[0].kvp == 81
    assert told_of_several(read_one) == []


@pytest.mark.parametrize("pulses", ["90", "2", "0"])
def test_values_that_are_not_one_per_pulse_are_told(pulses: str) -> None:
    read_one = several(3, pulses=pulses)
    assert read_one.events[0].exposure_uas is None  # neither the mean nor the sum is the event's
    assert read_one.events[0].kvp == 81
    assert told_of_several(read_one) == [
        f"KVP came with 3 values where {pulses} pulses are told; their mean is shown.",
        f"Exposure came with 3 values where {pulses} pulses are told; "
        "they cannot be summed and it is not known.",
    ]


def test_exposures_alone_do_not_tell_the_number_of_pulses() -> None:
    extra = [num("113736", value, "uA.s") for value in ("100", "110")]
    one = event(EventPlan(uid="1.2.3", drop=("113736", "113768")))
    one.ContentSequence.extend(extra)
    read_one = read(report([accumulated("single", TOTALS), one]))
    assert read_one.events[0].exposure_uas is None
    assert told_of_several(read_one) == [
        "Exposure came with 2 values where the number of pulses is not known; "
        "they cannot be summed and it is not known."
    ]


def test_one_mean_for_all_pulses() -> None:
    read_one = several(1, pulses="90")
    assert (read_one.events[0].exposure_uas, read_one.events[0].kvp) == (100, 80)
    assert told_of_several(read_one) == []


def test_a_quantity_of_the_event_told_twice() -> None:
    twice = event(EventPlan(uid="1.2.3", extra=[num("122130", "0.000125", "Gy.m2")]))
    read_one = read(report([twice]))
    assert read_one.events[0].dose_area_product_gycm2 == pytest.approx(1.24)  # of 1.23 and 1.25
    assert told_of_several(read_one) == [
        "Dose Area Product came with 2 values where one is due; their mean is shown."
    ]
    equal = event(EventPlan(uid="1.2.3", extra=[num("122130", "0.000123", "Gy.m2")]))
    assert told_of_several(read(report([equal]))) == []


def test_unknown_items_are_counted_and_skipped() -> None:
    private = container(("77", "99INVENTED", "Private box"), [num("78", "1", "mm")])
    strange = coded("79", ("80", "99INVENTED", "Strange"))
    strange.ConceptNameCodeSequence[0].CodingSchemeDesignator = "99INVENTED"
    found = read(report([private, event(EventPlan(extra=[strange]))]))
    text = next(f.text for f in found.findings if f.code == "items-unknown")
    assert text.startswith("2 content items")
    assert found.events[0].kvp == 81.3
