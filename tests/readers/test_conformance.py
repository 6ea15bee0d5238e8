"""A report against PS3.16 TID 10001: what it lacks, has too much of, or tells in another unit.

Rules spot-checked here are those of PS3.16 2024c: TID 10001 rows 2, 6, 11, 14, 18; TID 10002; TID 10003
rows 2, 3, 6, 7, 17, 18; TID 10003B rows 1, 6, 7, 11 to 15; TID 10004 rows 1 to 8; TID 1020; TID 1021.
"""

from __future__ import annotations

import pytest
from pydicom.dataset import Dataset
from rdsr_files import (
    SYNTAXES,
    TYPES,
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

from dosetrack.errors import ReportRefusedError
from dosetrack.readers import check_template
from dosetrack.readers.codes import concepts
from dosetrack.readers.conformance import _ALSO_READ, _CONDITIONS, rules
from dosetrack.records.report import IrradiationEvent
from dosetrack.records.template import TemplateCheck, TemplateIssue
from dosetrack.tables import rows

EVENT = "irradiation_event_x_ray_data"
TOTAL = "accumulated_x_ray_dose_data"
ROOT = "x_ray_radiation_dose_report"
TARGET = coded("123014", ("818981001", "SCT", "Abdomen"))
SOURCE = coded("113854", ("113856", "DCM", "Automated Data Collection"))
OBSERVER = item("HAS OBS CONTEXT", "UIDREF", ("121012", "DCM", "Device Observer UID"), UID="1.2.3")
POINT = coded("113780", ("113860", "DCM", "15cm from Isocenter toward Source"))
TOTALS = {
    "113722": ("0.1", "Gy.m2"), "113725": ("1", "Gy"), "113726": ("0.1", "Gy.m2"), "113728": ("1", "Gy"),
    "113730": ("10", "s"), "113727": ("0", "Gy.m2"), "113729": ("0", "Gy"), "113855": ("0", "s"),
}  # fmt: skip


def whole_report(plan: EventPlan | None = None, *more: Dataset) -> Dataset:
    """A report that keeps to the template: the ordinary one of the tests and what it leaves out."""
    plan = plan or EventPlan()
    plan.extra.extend([TARGET, num("113824", "600", "ms")])
    data = report([OBSERVER, SOURCE, accumulated("single", TOTALS, POINT), event(plan), *more])
    intent = coded("363703001", ("261004008", "SCT", "Diagnostic Intent"), relation="HAS CONCEPT MOD")
    intent.ConceptNameCodeSequence[0].CodingSchemeDesignator = "SCT"
    data.ContentSequence[0].ContentSequence = [intent]
    return data


def checked(data: Dataset, **how: object) -> TemplateCheck:
    found = check_template(saved(data, **how), file="invented.dcm")  # type: ignore[arg-type]
    assert found is not None
    return found


def names(issues: tuple[TemplateIssue, ...]) -> set[tuple[str, str]]:
    return {(issue.place, issue.code) for issue in issues}


@pytest.mark.parametrize("syntax", SYNTAXES)
def test_a_report_that_keeps_to_the_template(syntax: str) -> None:
    found = checked(whole_report(), syntax=syntax, undefined=True)
    assert (found.missing, found.conditional_missing) == ((), ())
    assert (found.wrong_unit, found.wrong_kind) == ((), ())
    assert (found.extra, found.unknown_items) == ((), ())
    assert found.template == "TID 10001"


ALWAYS = ["113769", "111526", "113721", "122130", "113733", "123014"]


@pytest.mark.parametrize("gone", ALWAYS)
def test_what_every_event_must_tell(gone: str) -> None:
    found = checked(whole_report(EventPlan(drop=(gone,))))
    assert names(found.missing) == {(EVENT, f"{gone} DCM")}
    (issue,) = found.missing
    assert (issue.count, issue.of) == (1, 1)


@pytest.mark.parametrize(
    ("dropped", "asked_for"),
    [
        (("113738", "113780"), {"113738"}),
        (("113780",), {"113780"}),  # asked for since Dose (RP) is told
        (("113791",), {"113791"}),  # fluoroscopy is pulsed
        (("113768",), {"113768"}),
        (("113732", "113791"), set()),  # no mode: no pulse rate is asked for, but the number of pulses
        (("113734", "113824"), set()),  # exposure is told
        (("113736",), set()),  # current and time are told
        (("113736", "113734"), {"113734", "113736"}),
    ],
)
def test_what_an_event_must_tell_under_a_condition(dropped: tuple[str, ...], asked_for: set[str]) -> None:
    found = checked(whole_report(EventPlan(drop=dropped)))
    assert names(found.conditional_missing) == {(EVENT, f"{one} DCM") for one in asked_for}
    assert all(issue.note for issue in found.conditional_missing)
    assert found.missing == ()


def test_totals_of_fluoroscopy_are_asked_for_where_there_is_fluoroscopy() -> None:
    def without_totals(kind: str) -> TemplateCheck:
        data = report([OBSERVER, SOURCE, accumulated("single", {}), event(EventPlan(type=kind))])
        return checked(data)

    of_fluoroscopy = {(TOTAL, f"{one} DCM") for one in ("113726", "113728", "113730")}
    always = {(TOTAL, f"{one} DCM") for one in ("113725", "113727", "113729", "113855")}
    assert set(TYPES) >= {"fluoroscopy", "stationary"}
    assert (TOTAL, "113722 DCM") in names(without_totals("stationary").missing)
    assert names(without_totals("fluoroscopy").conditional_missing) >= of_fluoroscopy | always
    assert not names(without_totals("stationary").conditional_missing) & of_fluoroscopy


def test_a_report_from_procedure_steps_need_tell_no_kerma_and_no_events() -> None:
    mpps = coded("113854", ("113858", "DCM", "MPPS Content"))
    found = checked(report([OBSERVER, mpps, accumulated("single", {"113722": ("0.1", "Gy.m2")})]))
    assert not names(found.conditional_missing) & {(TOTAL, "113725 DCM"), (ROOT, "113706 DCM")}
    direct = checked(report([OBSERVER, SOURCE, accumulated("single", {"113722": ("0.1", "Gy.m2")})]))
    assert names(direct.conditional_missing) >= {(TOTAL, "113725 DCM"), (ROOT, "113706 DCM")}


def test_containers_and_context_that_are_asked_for() -> None:
    bare = report([event(EventPlan())])
    del bare.ContentSequence[1]
    found = names(checked(bare).missing)
    assert found >= {(ROOT, "113702 DCM"), (ROOT, "113705 DCM"), (ROOT, "113854 DCM")}
    assert names(checked(bare).conditional_missing) >= {(ROOT, "121012 DCM"), (ROOT, "121008 DCM")}


def test_other_units_are_told_and_whether_they_were_read() -> None:
    data = whole_report(EventPlan(drop=("122130", "113738")))
    odd = [num("122130", "1.2", "dGy.cm2"), num("113738", "4", "bananas")]
    data.ContentSequence[-1].ContentSequence.extend(odd)
    found = {issue.code: issue for issue in checked(data).wrong_unit}
    assert set(found) == {"122130 DCM", "113738 DCM"}
    assert found["122130 DCM"].note == "sent in dGy.cm2 (1); the template has Gy.m2"
    assert "not read: bananas" in str(found["113738 DCM"].note)


@pytest.mark.parametrize("undefined", [False, True], ids=["defined", "undefined"])
@pytest.mark.parametrize("syntax", SYNTAXES)
def test_items_of_another_type_or_relationship_are_told(syntax: str, undefined: bool) -> None:
    plan = EventPlan(drop=("113721", "113764", "112011"), plane=None)
    data = whole_report(plan)
    words = item("CONTAINS", "TEXT", ("113721", "DCM", "Irradiation Event Type"), TextValue="Fluoroscopy")
    plane = coded("113764", ("113622", "DCM", "Single Plane"))  # HAS CONCEPT MOD by TID 10003 row 2
    angle = item("HAS PROPERTIES", "TEXT", ("112011", "DCM", "Primary Angle"), TextValue="30 LAO")
    point = item("CONTAINS", "TEXT", ("113780", "DCM", "Point"), TextValue="as the manual says")
    data.ContentSequence[-1].ContentSequence.extend([words, plane, angle, point])
    found = {issue.code: issue for issue in checked(data, syntax=syntax, undefined=undefined).wrong_kind}
    assert set(found) == {"113721 DCM", "113764 DCM", "112011 DCM"}  # the point may be text or a code
    assert found["113721 DCM"].note == "sent as TEXT; the template has CODE"
    assert found["113764 DCM"].note == "sent as CONTAINS; the template has HAS CONCEPT MOD"
    assert found["112011 DCM"].note == (
        "sent as HAS PROPERTIES; the template has CONTAINS; sent as TEXT; the template has NUM"
    )
    assert (found["113764 DCM"].count, found["113764 DCM"].of) == (1, 1)


def test_items_without_type_and_relationship_are_told() -> None:
    data = whole_report()
    for child in data.ContentSequence[-1].ContentSequence:
        if child.ConceptNameCodeSequence[0].CodeValue == "122130":
            del child.ValueType, child.RelationshipType
    (issue,) = checked(data).wrong_kind
    assert issue.code == "122130 DCM"
    assert "sent as nothing" in str(issue.note)


def test_items_in_the_wrong_place_too_often_or_of_no_template() -> None:
    private = container(("77", "99INVENTED", "Private box"), [num("122130", "1", "Gy.m2")])
    plan = EventPlan()
    plan.extra += [num("113742", "3", "s"), num("113722", "1", "Gy.m2"), num("113733", "80", "kV")]
    found = checked(whole_report(plan, private))
    assert names(found.extra) == {(EVENT, "113742 DCM"), (EVENT, "113722 DCM")}  # kV may come per pulse
    assert names(found.unknown_items) == {(ROOT, "77 99INVENTED")}
    assert {issue.note for issue in found.extra} == {
        "more than once", "not in this place of the template",
    }  # fmt: skip
    assert found.unknown_items[0].item == "Private box"


def test_persons_devices_filters_and_comments_are_counted() -> None:
    role = coded("113875", ("113850", "DCM", "Irradiation Authorizing"), relation="HAS PROPERTIES")
    person = item("CONTAINS", "PNAME", ("113870", "DCM", "Person"), PersonName="A^B", children=[role])
    nameless = item("CONTAINS", "PNAME", ("113870", "DCM", "Person"), PersonName="C^D")
    device = coded("113876", ("113859", "DCM", "Irradiating Device"))
    comment = item("CONTAINS", "TEXT", ("121106", "DCM", "Comment"), TextValue="x")
    extra_filter = container(("113771", "DCM", "X-Ray Filters"), [num("113758", "1", "mm")])
    plan = EventPlan(extra=[person, nameless, device, comment, extra_filter])
    found = checked(whole_report(plan, comment))
    sent = {(one.place, one.code): one for one in found.sent}
    assert sent[EVENT, "113870 DCM"].count == 2
    assert sent[EVENT, "113870 DCM"].in_containers == 1
    assert sent["person_name", "113875 DCM"].count == 1
    assert sent[EVENT, "113876 DCM"].count == 1
    assert sent[EVENT, "113771 DCM"].count == 2
    assert sent[EVENT, "121106 DCM"].count == sent[ROOT, "121106 DCM"].count == 1
    assert not sent[ROOT, "121106 DCM"].is_read
    assert sent["x_ray_filters", "113758 DCM"].is_read
    # TID 1020 row 2 and TID 1021 rows 3 to 6 are asked for
    assert names(found.missing) == {("person_name", "113875 DCM")} | {
        ("device_role_in_procedure", f"{one} DCM") for one in ("113878", "113879", "113880", "121012")
    }


def test_what_is_of_another_template_is_not_checked() -> None:
    enhanced = report([event(EventPlan())], SOPClassUID="1.2.840.10008.5.1.4.1.1.88.76")
    assert check_template(saved(enhanced), file="x") is None
    with pytest.raises(ReportRefusedError):
        check_template(b"no DICOM at all" * 40, file="x")
    other = report([event(EventPlan())], ConceptNameCodeSequence=[code("11528-7", "LN", "Other")])
    with pytest.raises(ReportRefusedError):
        check_template(saved(other), file="x")


def test_rules_name_known_concepts_conditions_and_the_units_the_writer_writes() -> None:
    keys = {concept.key for concept in concepts().values()}
    by_key = {concept.key: concept.value_type for concept in concepts().values()}
    written = {row["concept"]: row["unit"] for row in rows("template_items") if row["unit"]}
    for place, of_place in rules().items():
        assert place in keys
        for key, rule in of_place.items():
            assert key in keys
            assert not rule.condition or rule.condition in _CONDITIONS
            assert rule.requirement in ("M", "MC", "U", "UC")
            assert (rule.requirement == "MC") == bool(rule.condition)
            if key in written:
                assert rule.unit == written[key]
            assert rule.relationship in ("CONTAINS", "HAS CONCEPT MOD", "HAS OBS CONTEXT", "HAS PROPERTIES")
            assert by_key[key] in rule.value_types
    assert keys >= _ALSO_READ


def test_every_quantity_of_an_event_is_read_from_an_item_of_the_template() -> None:
    """None of the record's numbers waits for an item that the table of concepts does not name."""
    by_field = {row["field"]: row["key"] for row in rows("concepts") if "event" in row["place"].split()}
    numeric = {
        name for name, one in IrradiationEvent.__dataclass_fields__.items() if one.type == "float | None"
    }
    assert len(numeric) > 20
    for field in numeric:
        in_event = by_field[field] in rules()[EVENT]
        assert in_event or field == "frames", field  # frames of one event: no row of TID 10003 has them
