"""A dose report written as a DICOM X-Ray Radiation Dose Structured Report (PS3.16, TID 10001).

One writer for the samples, the simulator and the verification: records in, the bytes of a Part 10
file out. The same report and options always give the same bytes. What cannot be said validly is
refused (`InputError`); what is not known is left out.

References
----------
DICOM PS3.16, TID 10001 to 10004, 1002, 1004, 1020; PS3.3 section A.35.8, X-Ray Radiation Dose SR IOD.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Literal

from dosetrack.errors import InputError
from dosetrack.exchange.content import ContentWriter, template_codes, words_of
from dosetrack.exchange.encoding import Encoder, TransferSyntax, part10_file
from dosetrack.exchange.header import (
    CHARACTER_SETS,
    check_uid,
    derived_uid,
    dicom_datetime,
    header_elements,
    series_uid,
)
from dosetrack.records.report import DoseReport, DoseTotal, Filter, IrradiationEvent

DOSE_REPORT_CLASS = "1.2.840.10008.5.1.4.1.1.88.67"
ENHANCED_SR_CLASS = "1.2.840.10008.5.1.4.1.1.88.22"
COMPREHENSIVE_SR_CLASS = "1.2.840.10008.5.1.4.1.1.88.33"

IMPLEMENTATION_VERSION = "DOSETRACK"

Scope = Literal["study", "series", "performed procedure step", "procedure step to this point"]
TargetRegion = Literal["abdomen", "pelvis", "head", "chest", "heart", "lower-limb"]

_TOTALS = (
    "dose_area_product_gycm2",
    "reference_air_kerma_mgy",
    "fluoroscopy_dose_area_product_gycm2",
    "fluoroscopy_reference_air_kerma_mgy",
    "fluoroscopy_time_s",
    "acquisition_dose_area_product_gycm2",
    "acquisition_reference_air_kerma_mgy",
    "acquisition_time_s",
)
_SOURCE_NUMBERS_BEFORE_FILTERS = (
    "pulse_rate_hz",
    "pulses",
    "frames",
    "pulse_width_ms",
    "duration_s",
    "kvp",
    "tube_current_ma",
    "exposure_uas",
)
_FIELD_NUMBERS = ("field_area_cm2", "field_height_mm", "field_width_mm")
_MECHANICAL_NUMBERS = (
    "primary_angle_deg",
    "secondary_angle_deg",
    "primary_end_angle_deg",
    "secondary_end_angle_deg",
    "source_to_isocenter_mm",
    "source_to_reference_point_mm",
    "source_to_detector_mm",
    "table_longitudinal_mm",
    "table_lateral_mm",
    "table_height_mm",
    "table_longitudinal_end_mm",
    "table_lateral_end_mm",
    "table_height_end_mm",
    "column_angulation_deg",
    "table_head_tilt_deg",
    "table_rotation_deg",
    "table_cradle_tilt_deg",
    "source_to_table_mm",
    "table_x_to_isocenter_mm",
    "table_y_to_isocenter_mm",
    "table_z_to_isocenter_mm",
)


@dataclass(frozen=True, slots=True)
class WriteOptions:
    """How a report is written.

    sop_class_uid : the dedicated class, or a general structured report that carries the same template
    completion : 'COMPLETE' or 'PARTIAL'; None takes the record's own, else 'COMPLETE'
    has_legacy_codes : SRT codes in place of SNOMED CT ones, as older systems write them
    units : kind of quantity (as in `dosetrack.units.HOUSE_UNITS`) -> UCUM code, where it shall differ
        from the template's; the number is converted
    target_region : body region of every event; None leaves the item out
    """

    syntax: TransferSyntax = TransferSyntax.EXPLICIT_LITTLE
    sop_class_uid: str = DOSE_REPORT_CLASS
    has_defined_lengths: bool = True
    scope: Scope = "study"
    completion: Literal["COMPLETE", "PARTIAL"] | None = None
    has_legacy_codes: bool = False
    character_set: str = "ISO_IR 192"
    units: dict[str, str] = field(default_factory=dict)
    target_region: TargetRegion | None = None
    software_version: str = "not recorded"


def write_report(report: DoseReport, options: WriteOptions | None = None) -> bytes:
    """The bytes of a DICOM file that says what `report` says.

    Totals are written from the rows of basis 'stated' alone, so that a report whose totals disagree
    with its events can be made on purpose.

    Raises
    ------
    InputError
        An event without UID, plane or start; a stated total without a plane; a report without SOP
        Instance or Study UID; a number that is not finite; a word the template has no code for.
    """
    chosen = options or WriteOptions()
    _check_identity(report)
    codec = CHARACTER_SETS.get(chosen.character_set)
    if codec is None:
        raise InputError(
            field="character set", given=chosen.character_set, accepted=", ".join(CHARACTER_SETS)
        )
    encoder = Encoder(chosen.syntax, chosen.has_defined_lengths)
    content = ContentWriter(
        encoder, codec=codec, has_legacy_codes=chosen.has_legacy_codes, unit_overrides=chosen.units
    )
    try:
        elements = header_elements(
            report,
            encoder,
            content,
            codec=codec,
            character_set=chosen.character_set,
            sop_class_uid=chosen.sop_class_uid,
            completion=chosen.completion or report.report.completion or "COMPLETE",
            software_version=chosen.software_version,
        )
        elements |= content.root("report", tuple(_document(report, content, chosen)), template="10001")
    except UnicodeEncodeError as error:
        raise InputError(
            field="text", given=error.object, accepted=f"characters of {chosen.character_set}"
        ) from error
    return part10_file(
        b"".join(elements[tag] for tag in sorted(elements)),
        syntax=chosen.syntax,
        sop_class_uid=chosen.sop_class_uid,
        sop_instance_uid=report.report.sop_instance_uid or "",
        implementation_class_uid=derived_uid("implementation"),
        implementation_version=IMPLEMENTATION_VERSION,
    )


def _check_identity(report: DoseReport) -> None:
    accepted = "a DICOM UID: digits and dots, at most 64 characters"
    check_uid("SOP Instance UID of the report", report.report.sop_instance_uid, accepted)
    check_uid("Study Instance UID of the report", report.report.study_instance_uid, accepted)
    for number, event in enumerate(report.events, start=1):
        where = f"irradiation event {number}"
        check_uid(f"UID of {where}", event.uid, accepted)
        if event.plane not in words_of("plane"):
            raise InputError(
                field=f"plane of {where}", given=event.plane, accepted=", ".join(words_of("plane"))
            )
        if event.started_at is None:
            raise InputError(
                field=f"start of {where}", given=None, accepted="an ISO 8601 time such as 2025-03-01T09:12:40"
            )
    for total in report.totals:
        if total.plane not in words_of("plane"):
            raise InputError(
                field="plane of a stated total", given=total.plane, accepted=", ".join(words_of("plane"))
            )


def _document(report: DoseReport, content: ContentWriter, options: WriteOptions) -> Iterator[bytes]:
    """The children of the root, TID 10001."""
    intent = content.code("has_intent", "intent", "combined")
    yield content.code("procedure_reported", "procedure_reported", "projection x-ray", intent)
    yield from _observer(report, content)
    yield _scope(report, content, options)
    yield content.code("detector_data_available", "answer", "no")
    has_source = any(event.kvp is not None or event.duration_s is not None for event in report.events)
    yield content.code("source_data_available", "answer", "yes" if has_source else "no")
    has_mechanics = any(event.primary_angle_deg is not None for event in report.events)
    yield content.code("mechanical_data_available", "answer", "yes" if has_mechanics else "no")
    for total in report.totals:
        if total.basis == "stated":
            yield content.container("accumulated", tuple(_total(report, total, content)))
    for event in report.events:
        yield content.container("event", tuple(_event(event, content, options)))
    for name in report.operators:
        role = content.code("person_role", "person_role", "irradiation authorizing")
        yield content.person("person_name", name, role)
    yield content.code(
        "source_of_dose_information", "source_of_dose_information", "automated data collection"
    )


def _observer(report: DoseReport, content: ContentWriter) -> Iterator[bytes]:
    """The x-ray system as the observer, TID 1002 and 1004."""
    machine = report.equipment
    yield content.code("observer_type", "observer", "device")
    identity = (machine.manufacturer, machine.model, machine.serial, machine.station)
    yield content.uid("device_observer_uid", derived_uid("device", *identity))
    for name, value in (
        ("device_observer_name", machine.station),
        ("device_observer_manufacturer", machine.manufacturer),
        ("device_observer_model", machine.model),
        ("device_observer_serial", machine.serial),
        ("device_observer_location", machine.station),
    ):
        if value is not None:
            yield content.text(name, value)
    yield content.code("device_role", "device_role", "irradiating device")


def _scope(report: DoseReport, content: ContentWriter, options: WriteOptions) -> bytes:
    """Scope of Accumulation with the UID of what was accumulated over, TID 10001 rows 6 and 7."""
    study = report.report.study_instance_uid or ""
    key, uid = "step", derived_uid("step", study)
    if options.scope == "study":
        key, uid = "study", study
    elif options.scope == "series":
        key, uid = "series", series_uid(report)
    return content.code(
        "scope_of_accumulation", "scope", options.scope, content.uid_called("scope_uid", key, uid)
    )


def _total(report: DoseReport, total: DoseTotal, content: ContentWriter) -> Iterator[bytes]:
    """The totals of one plane, TID 10002 and 10004."""
    yield content.code("acquisition_plane", "plane", total.plane)
    for name in _TOTALS:
        value: float | None = getattr(total, name)
        if value is not None:
            yield content.number(f"total_{name}", value)
    points = {e.reference_point for e in report.events if e.plane == total.plane or total.plane == "all"}
    points.discard(None)
    if len(points) == 1:
        yield _reference_point(str(points.pop()), content)


def _event(event: IrradiationEvent, content: ContentWriter, options: WriteOptions) -> Iterator[bytes]:
    """One irradiation event, TID 10003 with 10003B and 10003C."""
    yield content.code("acquisition_plane", "plane", str(event.plane))
    yield content.uid("event_uid", str(event.uid))
    yield content.datetime("started_at", dicom_datetime(str(event.started_at)))
    if event.type is not None:
        yield content.code("type", "event_type", event.type)
    if event.protocol is not None:
        yield content.text("protocol", event.protocol)
    if event.patient_position is not None:
        yield from _position(event.patient_position, content)
    if options.target_region is not None:
        yield content.code("target_region", "target_region", options.target_region)
    yield from _numbers(event, content, ("dose_area_product_gycm2", "reference_air_kerma_mgy"))
    if event.reference_point is not None:
        yield _reference_point(event.reference_point, content)
    if event.type == "fluoroscopy" and event.pulse_rate_hz is not None:
        yield content.code("fluoro_mode", "fluoro_mode", "pulsed")
    yield from _numbers(event, content, _SOURCE_NUMBERS_BEFORE_FILTERS)
    if event.exposure_uas is None and event.pulses is not None and event.pulse_width_ms is not None:
        yield content.number("exposure_time_ms", event.pulses * event.pulse_width_ms)  # TID 10003B row 14
    for each in event.filters:
        yield content.container("filters", tuple(_filter(each, content)))
    yield from _numbers(event, content, _FIELD_NUMBERS)
    yield from _numbers(event, content, _MECHANICAL_NUMBERS)


def _numbers(event: IrradiationEvent, content: ContentWriter, names: tuple[str, ...]) -> Iterator[bytes]:
    for name in names:
        value: float | None = getattr(event, name)
        if value is not None:
            yield content.number(name, value)


def _position(position: str, content: ContentWriter) -> Iterator[bytes]:
    """Patient Position such as 'HFS', as relationship to the table and orientation."""
    below = content.code("patient_orientation_modifier", "orientation_modifier", position[2:])
    yield content.code("table_relationship", "table_relationship", position[:2])
    yield content.code("patient_orientation", "patient_orientation", "recumbent", below)


def _reference_point(point: str, content: ContentWriter) -> bytes:
    """The reference point's definition: coded where the table has it, else the words as given."""
    for (code_set, word), code in template_codes().items():
        if code_set == "reference_point" and point in (word, code.meaning, code.value):
            return content.code("reference_point", "reference_point", word)
    return content.text_as("reference_point", point)


def _filter(each: Filter, content: ContentWriter) -> Iterator[bytes]:
    is_wedge = each.min_mm != each.max_mm
    yield content.code("filter_type", "filter_type", "wedge" if is_wedge else "flat")
    if each.material is not None:
        yield content.code("filter_material", "filter_material", each.material)
    for name, value in (("filter_min_mm", each.min_mm), ("filter_max_mm", each.max_mm)):
        if value is not None:
            yield content.number(name, value)
