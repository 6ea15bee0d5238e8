"""How machines write reports: old codes, untidy codes, odd units, missing parts, any order, any carrier."""

from __future__ import annotations

from dataclasses import replace

import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.sr._cid_dict import cid_concepts
from pydicom.sr._concepts_dict import concepts as dictionary
from rdsr_files import EventPlan, accumulated, code, coded, container, event, item, num, report, saved

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import check_template, read_report
from dosetrack.records.report import DoseReport, Filter

TOTALS = {"113722": ("0.000123", "Gy.m2"), "113725": ("0.00456", "Gy"), "113730": ("12.5", "s")}


def read(data: Dataset, **how: object) -> DoseReport:
    return read_report(saved(data, **how), file="invented.dcm")  # type: ignore[arg-type]


def codes(found: DoseReport) -> set[str]:
    return {one.code for one in found.findings}


def whole(*more: Dataset) -> Dataset:
    return report([accumulated("single", TOTALS), event(EventPlan(type="rotational")), *more])


def with_codes(data: Dataset, change: object) -> Dataset:
    """`data` with `change` made to every code entry."""
    for element in data:
        if element.VR == "SQ":
            for entry in element.value:
                if "CodeValue" in entry:
                    change(entry)  # type: ignore[operator]
                with_codes(entry, change)
    return data


def alike(one: DoseReport, other: DoseReport) -> bool:
    return replace(one, sha256="") == replace(other, sha256="")


# codes ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["SRT", "SNM3", "99SDM", "srt", " SRT "])
def test_context_in_retired_codes_is_known(scheme: str) -> None:
    # PS3.16 annex J and CID 270, 10002, 230: what older editions wrote
    region = item("CONTAINS", "CODE", ("123014", "DCM", "Target Region"),
                  ConceptCodeSequence=Sequence([code("T-D4000", scheme, "Abdomen")]))  # fmt: skip
    side = item("HAS CONCEPT MOD", "CODE", ("G-C171", scheme, "Laterality"),
                ConceptCodeSequence=Sequence([code("G-A100", scheme, "Right")]))  # fmt: skip
    structure = item("CONTAINS", "CODE", ("T-D0005", scheme, "Anatomical structure"), children=[side],
                     ConceptCodeSequence=Sequence([code("T-62000", scheme, "Liver")]))  # fmt: skip
    detector = coded("113945", ("R-0038D", scheme, "Yes"))
    data = report([event(EventPlan(extra=[region, structure])), detector])
    intent = item("HAS CONCEPT MOD", "CODE", ("G-C0E8", scheme, "Has Intent"),
                  ConceptCodeSequence=Sequence([code("R-408C3", scheme, "Diagnostic Intent")]))  # fmt: skip
    data.ContentSequence[0].ContentSequence = Sequence([intent])
    found = read(data)
    assert "items-unknown" not in codes(found)
    check = check_template(saved(data), file="x")
    assert check is not None
    assert check.unknown_items == ()


def test_mammography_in_its_retired_code_is_marked() -> None:
    data = whole()
    data.ContentSequence[0] = coded("121058", ("P5-40010", "SRT", "Mammography"))
    assert "mammography-report" in codes(read(data))


def translated(entry: Dataset) -> None:
    entry.CodeMeaning = "Röntgen"


def padded(entry: Dataset) -> None:
    entry.CodeValue = f" {entry.CodeValue} "
    entry.CodingSchemeDesignator = f"{entry.CodingSchemeDesignator} "
    entry.CodeMeaning = f"  {entry.CodeMeaning}  "


def lower(entry: Dataset) -> None:
    entry.CodingSchemeDesignator = entry.CodingSchemeDesignator.lower()


def without_scheme(entry: Dataset) -> None:
    del entry.CodingSchemeDesignator


def without_meaning(entry: Dataset) -> None:
    del entry.CodeMeaning


@pytest.mark.parametrize("change", [translated, padded, lower, without_scheme, without_meaning])
def test_untidy_codes_change_nothing(change: object) -> None:
    assert alike(read(with_codes(whole(), change)), read(whole()))


# numbers and units -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("concept", "number", "unit", "field", "value"),
    [  # by SI prefixes, by hand
        ("113738", "4.5", "mGy", "reference_air_kerma_mgy", 4.5),
        ("113738", "4500", "uGy", "reference_air_kerma_mgy", 4.5),
        ("113738", "0.45", "cGy", "reference_air_kerma_mgy", 4.5),
        ("113738", "0.0045", "Gy", "reference_air_kerma_mgy", 4.5),
        ("113742", "1500", "ms", "duration_s", 1.5),
        ("113736", "72", "mA.s", "exposure_uas", 72000.0),
        ("113733", "81300", "V", "kvp", 81.3),
        ("113748", "78.5", "cm", "source_to_isocenter_mm", 785.0),
        ("113790", "955.2", "cm2", "field_area_cm2", 955.2),
        ("113790", "95520", "mm2", "field_area_cm2", 955.2),
    ],
)
def test_units_are_converted_by_their_code(
    concept: str, number: str, unit: str, field: str, value: float
) -> None:
    one = event(EventPlan(drop=(concept,)))
    one.ContentSequence.append(num(concept, number, unit))
    found = read(report([one]))
    assert getattr(found.events[0], field) == pytest.approx(value, rel=1e-14)
    assert "unit-unknown" not in codes(found)


def test_copper_told_in_micrometres() -> None:
    sheet = container(
        ("113771", "DCM", "X-Ray Filters"),
        [
            coded("113757", ("66925006", "SCT", "Copper")),
            num("113758", "300", "um"),
            num("113773", "300", "um"),
        ],
    )
    one = event(EventPlan(drop=("113771",)))
    one.ContentSequence.append(sheet)
    assert read(report([one])).events[0].filters == (Filter("copper", 0.3, 0.3),)


NOT_KNOWN = [
    (value, scheme)
    for scheme, names in cid_concepts[42].items()
    for name in names
    for value in dictionary[scheme][name]
]


@pytest.mark.parametrize(("value", "scheme"), NOT_KNOWN)
def test_every_reason_why_a_number_is_absent(value: str, scheme: str) -> None:
    one = event(EventPlan(drop=("113738",)))
    kerma = num("113738", "0.00456", "Gy")
    kerma.NumericValueQualifierCodeSequence = Sequence([code(value, scheme, "Why")])
    one.ContentSequence.append(kerma)
    found = read(report([one]))
    assert found.events[0].reference_air_kerma_mgy is None
    assert "number-qualified-as-absent" in codes(found)
    assert all(t.reference_air_kerma_mgy is None for t in found.totals if t.basis == "summed")


@pytest.mark.parametrize(
    ("dropped", "kept", "gone"),
    [
        (("122130",), "reference_air_kerma_mgy", "dose_area_product_gycm2"),
        (("113738",), "dose_area_product_gycm2", "reference_air_kerma_mgy"),
    ],
)
def test_one_of_the_two_doses_is_missing(dropped: tuple[str, ...], kept: str, gone: str) -> None:
    found = read(report([event(EventPlan(drop=dropped))]))
    for record in (*found.events, *found.totals):
        assert getattr(record, kept) is not None
        assert getattr(record, gone) is None  # not known; never zero


def test_events_without_dose_and_totals_with_it() -> None:
    found = read(report([accumulated("single", TOTALS), event(EventPlan(drop=("122130", "113738")))]))
    stated, *summed = found.totals
    assert (stated.basis, stated.dose_area_product_gycm2) == ("stated", pytest.approx(1.23))
    assert {(t.dose_area_product_gycm2, t.reference_air_kerma_mgy) for t in summed} == {(None, None)}
    assert "totals-disagree" not in codes(found)


# what is in it, and where ------------------------------------------------------------------------------


def reversed_everywhere(data: Dataset) -> Dataset:
    if "ContentSequence" in data:
        data.ContentSequence = Sequence(list(reversed(data.ContentSequence)))
        for child in data.ContentSequence:
            reversed_everywhere(child)
    return data


def test_items_in_the_opposite_order_at_every_level() -> None:
    def built() -> Dataset:
        plans = [EventPlan(number=n, plane="ab"[n % 2], type="rotational") for n in range(3)]
        events = [event(plan) for plan in plans]
        return report([accumulated("a", TOTALS), accumulated("b", TOTALS), *events])

    forward, backward = read(built()), read(reversed_everywhere(built()))
    assert backward.totals == forward.totals
    assert sorted(backward.events, key=lambda e: e.uid or "") == sorted(
        forward.events, key=lambda e: e.uid or ""
    )
    assert (backward.procedure, backward.operators) == (forward.procedure, forward.operators)


def test_several_filters_each_with_its_own_kind() -> None:
    def sheet(material: tuple[str, str, str], kind: str, least: str, most: str) -> Dataset:
        return container(
            ("113771", "DCM", "X-Ray Filters"),
            [
                num("113773", most, "mm"),
                coded("113757", material),
                coded("113772", (kind, "DCM", "x")),
                num("113758", least, "mm"),
            ],
        )

    extra = [
        sheet(("12503006", "SCT", "Aluminum"), "113653", "1", "1"),
        sheet(("118410004", "SCT", "Lead?"), "113651", "0", "2"),  # no code of CID 10006
        sheet(("45215009", "SCT", "Tantalum"), "113650", "0.1", "0.1"),
        sheet(("C-132F9", "SRT", "Lead or Lead compound"), "113652", "0", "1.5"),
    ]
    found = read(report([event(EventPlan(extra=extra))])).events[0]
    assert found.filters == (
        Filter("copper", 0.3, 0.3),
        Filter("aluminium", 1.0, 1.0),
        Filter("Lead?", 0.0, 2.0),
        Filter("tantalum", 0.1, 0.1),
        Filter("lead", 0.0, 1.5),
    )


def person(name: str, role: tuple[str, str, str], *more: Dataset) -> Dataset:
    roles = [coded("113875", role, relation="HAS PROPERTIES"), *more]
    return item("CONTAINS", "PNAME", ("113870", "DCM", "Person Name"), PersonName=name, children=roles)


def test_persons_and_devices_by_their_roles() -> None:
    identity = [
        item("HAS PROPERTIES", "TEXT", ("113871", "DCM", "Person ID"), TextValue="P-9"),
        item("HAS PROPERTIES", "TEXT", ("113872", "DCM", "Person ID Issuer"), TextValue="Invented"),
        item("HAS PROPERTIES", "TEXT", ("113873", "DCM", "Organization Name"), TextValue="Invented"),
        coded("113874", ("121025", "DCM", "Patient"), relation="HAS PROPERTIES"),
    ]
    device = coded(
        "113876",
        ("113859", "DCM", "Irradiating Device"),
        children=[
            item("HAS PROPERTIES", "TEXT", ("113877", "DCM", "Device Name"), TextValue="ROOM1"),
            item("HAS PROPERTIES", "TEXT", ("113878", "DCM", "Device Manufacturer"), TextValue="Invented"),
            item("HAS PROPERTIES", "TEXT", ("113879", "DCM", "Device Model Name"), TextValue="Arc 1"),
            item("HAS PROPERTIES", "TEXT", ("113880", "DCM", "Device Serial Number"), TextValue="S-1"),
            item("HAS PROPERTIES", "UIDREF", ("121012", "DCM", "Device Observer UID"), UID="1.2.3"),
        ],
    )
    authorizing = person("Authorizing^Ada", ("113850", "DCM", "Irradiation Authorizing"), *identity)
    administering = person("Administering^Bo", ("113851", "DCM", "Irradiation Administering"))
    both = person(
        "Both^Cy",
        ("113851", "DCM", "Irradiation Administering"),
        coded("113875", ("113850", "DCM", "Irradiation Authorizing"), relation="HAS PROPERTIES"),
    )
    data = report([authorizing, event(EventPlan(extra=[administering, both, device]))])
    found = read(data)
    assert found.operators == ("Authorizing^Ada", "Both^Cy")
    assert "items-unknown" not in codes(found)
    check = check_template(saved(data), file="x")
    assert check is not None
    assert {(one.place, one.code): one.count for one in check.sent}[
        "device_role_in_procedure", "113880 DCM"
    ] == 1


def test_a_comment_of_the_maker_is_no_source_of_numbers() -> None:
    text = '<Dose><Dap unit="Gym2">99</Dap><Kerma>12</Kerma></Dose>\nDAP=99;THICKNESS=23'
    comment = item("CONTAINS", "TEXT", ("121106", "DCM", "Comment"), TextValue=text)
    plain = read(whole())
    commented = read(report([
        accumulated("single", TOTALS), event(EventPlan(type="rotational", extra=[comment])), comment,
    ]))  # fmt: skip
    assert alike(commented, plain)


def test_a_mobile_system_without_isocentre_and_table() -> None:
    gone = ("113748", "113737", "113751", "113752", "113753", "113754", "113755", "113756", "113780",
            "128766", "128767", "128768", "113792", "113770")  # fmt: skip
    no_mechanics = coded("113944", ("373067005", "SCT", "No"))
    one = event(EventPlan(drop=gone))
    one.ContentSequence.append(coded("113780", ("113861", "DCM", "30cm in Front of Image Input Surface")))
    found = read(report([no_mechanics, accumulated("single", TOTALS), one]))
    (told,) = found.events
    assert told.reference_point == "30cm-from-detector"
    assert told.source_to_detector_mm == 1195
    assert told.source_to_reference_point_mm is None  # 895 mm by its definition, which is no reading
    assert (told.source_to_isocenter_mm, told.table_height_mm, told.table_x_to_isocenter_mm) == (None,) * 3
    assert codes(found) <= {"field-area-disagrees"}  # the plan's dose fits 635 mm


# the file around it --------------------------------------------------------------------------------------


@pytest.mark.parametrize("how", [{}, {"meta": False}], ids=["with meta", "bare"])
def test_the_data_set_need_not_name_its_class(how: dict[str, bool]) -> None:
    found = read(report([event(EventPlan())], SOPClassUID=None), **how)
    assert (found.source, len(found.events)) == ("rdsr", 1)


@pytest.mark.parametrize("modality", ["SR", "XA", "RF", "OT", ""])
def test_modality_decides_nothing(modality: str) -> None:
    assert len(read(report([event(EventPlan())], Modality=modality)).events) == 1


def test_numbers_of_patient_and_request_left_empty_or_blank() -> None:
    found = read(report([event(EventPlan())], PatientID="", AccessionNumber="   ", StudyInstanceUID=""))
    assert (found.patient.id, found.report.accession_number, found.report.study_instance_uid) == (None,) * 3
    typed = read(report([event(EventPlan())], PatientID="  12 34 ", AccessionNumber="acc/1"))
    assert (typed.patient.id, typed.report.accession_number) == ("12 34", "acc/1")


@pytest.mark.parametrize(
    ("declared", "name", "text"),
    [
        ("ISO_IR 13", "ﾔﾏﾀﾞ^ﾀﾛｳ", "ﾌｸﾌﾞ"),
        (["ISO 2022 IR 13", "ISO 2022 IR 87"], "ﾔﾏﾀﾞ^ﾀﾛｳ=山田^太郎", "腹部"),
        (["", "ISO 2022 IR 149"], "Hong^Gildong=洪^吉洞=홍^길동", "복부"),
        (["", "ISO 2022 IR 87"], "Yamada^Tarou=山田^太郎", "腹部"),
        ("GB18030", "王^小东", "腹部造影"),
        ("ISO_IR 192", "Ünal^Ayşe", "Abdomen – 3 p/s ☢"),
        ("ISO_IR 148", "Ünal^Ayşe", "Karın"),
        ("ISO_IR 101", "Wałęsa^Łukasz", "Żołądek"),
    ],
)
def test_names_and_text_in_every_kind_of_character_set(declared: object, name: str, text: str) -> None:
    one = event(EventPlan(drop=("125203",)))
    one.ContentSequence.append(item("CONTAINS", "TEXT", ("125203", "DCM", "x"), TextValue=text))
    ada = person(name, ("113850", "DCM", "Irradiation Authorizing"))
    found = read(report([one, ada], SpecificCharacterSet=declared, PatientName=name))
    assert found.patient.name == name
    assert found.operators == (name,)
    assert found.events[0].protocol == text
    assert "character-set-guessed" not in codes(found)


def test_a_picture_of_a_dose_report_is_refused_by_name() -> None:
    picture = report([], SOPClassUID="1.2.840.10008.5.1.4.1.1.7", ConceptNameCodeSequence=None)
    with pytest.raises(ReportRefusedError) as refused:
        read(picture)
    assert "Secondary Capture" in refused.value.reason
