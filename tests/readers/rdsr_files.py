"""Dose reports of invented patients, built with pydicom: a writer independent of the reader under test."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pydicom.sequence import Sequence
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    XRayRadiationDoseSRStorage,
)

SYNTAXES = {
    "explicit": ExplicitVRLittleEndian,
    "implicit": ImplicitVRLittleEndian,
    "big-endian": ExplicitVRBigEndian,
    "deflated": DeflatedExplicitVRLittleEndian,
}
DCM = "DCM"


def code(value: str, scheme: str, meaning: str) -> Dataset:
    entry = Dataset()
    entry.CodeValue = value
    entry.CodingSchemeDesignator = scheme
    entry.CodeMeaning = meaning
    return entry


def item(relation: str, value_type: str, name: tuple[str, str, str], **values: Any) -> Dataset:
    content = Dataset()
    content.RelationshipType = relation
    content.ValueType = value_type
    content.ConceptNameCodeSequence = Sequence([code(*name)])
    children = values.pop("children", None)
    for key, value in values.items():
        setattr(content, key, value)
    if value_type == "CONTAINER":
        content.ContinuityOfContent = "SEPARATE"
    if children:
        content.ContentSequence = Sequence(children)
    return content


def container(name: tuple[str, str, str], children: list[Dataset]) -> Dataset:
    return item("CONTAINS", "CONTAINER", name, children=children)


def num(code_value: str, number: object, unit: str, meaning: str = "x", unit_scheme: str = "UCUM") -> Dataset:
    measured = Dataset()
    measured.MeasurementUnitsCodeSequence = Sequence([code(unit, unit_scheme, unit)])
    measured.add_new(0x0040A30A, "DS", number)
    return item("CONTAINS", "NUM", (code_value, DCM, meaning), MeasuredValueSequence=Sequence([measured]))


def coded(
    code_value: str,
    value: tuple[str, str, str],
    *,
    relation: str = "CONTAINS",
    children: list[Dataset] | None = None,
) -> Dataset:
    return item(
        relation,
        "CODE",
        (code_value, DCM, "x"),
        ConceptCodeSequence=Sequence([code(*value)]),
        children=children,
    )


PLANES = {
    "single": ("113622", DCM, "Single Plane"),
    "a": ("113620", DCM, "Plane A"),
    "b": ("113621", DCM, "Plane B"),
    "all": ("113890", DCM, "All Planes"),
}
TYPES = {
    "fluoroscopy": ("44491008", "SCT", "Fluoroscopy"),
    "stationary": ("113611", DCM, "Stationary Acquisition"),
    "stepping": ("113612", DCM, "Stepping Acquisition"),
    "rotational": ("113613", DCM, "Rotational Acquisition"),
}


def plane_item(plane: str) -> Dataset:
    return coded("113764", PLANES[plane], relation="HAS CONCEPT MOD")


@dataclass
class EventPlan:
    """One event to be written; every number stands in the unit written beside it.

    Dose, field and distances fit each other: 1.23 Gy.cm2 over 4.56 mGy are 269.7 cm2 at 635 mm from the
    source, 955.3 cm2 at 1195 mm. Each event starts one minute after the one numbered before it.
    """

    number: int = 1
    plane: str | None = "single"
    type: str = "fluoroscopy"
    dap_gym2: str = "0.000123"
    kerma_gy: str = "0.00456"
    duration_s: str = "12.5"
    started: str | None = None
    uid: str | None = None
    extra: list[Dataset] = field(default_factory=list)
    drop: tuple[str, ...] = ()

    @property
    def started_text(self) -> str:
        if self.started is not None:
            return self.started
        start = datetime(2024, 1, 31, 9, 30, 5) + timedelta(minutes=self.number - 1)  # noqa: DTZ001
        return f"{start:%Y%m%d%H%M%S}.25"


def event(plan: EventPlan) -> Dataset:
    uid = plan.uid or f"1.2.826.0.1.3680043.10.999.{plan.number}"
    children = [
        *([plane_item(plan.plane)] if plan.plane else []),
        item("CONTAINS", "UIDREF", ("113769", DCM, "Irradiation Event UID"), UID=uid),
        item("CONTAINS", "DATETIME", ("111526", DCM, "DateTime Started"), DateTime=plan.started_text),
        coded("113721", TYPES[plan.type]),
        item("CONTAINS", "TEXT", ("125203", DCM, "Acquisition Protocol"), TextValue="Abdomen 3 p/s"),
        coded("113745", ("102540008", "SCT", "headfirst")),
        coded(
            "113743",
            ("102538003", "SCT", "recumbent"),
            children=[coded("113744", ("40199007", "SCT", "supine"), relation="HAS CONCEPT MOD")],
        ),
        num("122130", plan.dap_gym2, "Gy.m2"),
        num("113738", plan.kerma_gy, "Gy"),
        coded("113780", ("113860", DCM, "15cm from Isocenter toward Source")),
        coded("113732", ("113631", DCM, "Pulsed")),
        num("113791", "7.5", "{pulse}/s"),
        num("113768", "90", "1"),
        num("113793", "6.7", "ms"),
        num("113742", plan.duration_s, "s"),
        num("113733", "81.3", "kV"),
        num("113734", "120.4", "mA"),
        num("113736", "72000", "uA.s"),
        container(
            ("113771", DCM, "X-Ray Filters"),
            [
                coded("113772", ("113653", DCM, "Flat filter")),
                coded("113757", ("66925006", "SCT", "Copper")),
                num("113758", "0.3", "mm"),
                num("113773", "0.3", "mm"),
            ],
        ),
        num("113790", "0.09552", "m2"),
        num("113788", "300", "mm"),
        num("113789", "318.4", "mm"),
        num("112011", "-30.5", "deg"),
        num("112012", "12", "deg"),
        num("113748", "785", "mm"),
        num("113737", "635", "mm"),
        num("113750", "1195", "mm"),
        num("113751", "12.5", "mm"),
        num("113752", "-1034.2", "mm"),
        num("113753", "-55", "mm"),
        num("113754", "4.5", "deg"),
        num("113755", "-7.25", "deg"),
        num("113756", "-1.75", "deg"),
        num("113770", "2.5", "deg"),
        num("113792", "642.5", "mm"),
        num("128766", "-12.5", "mm"),
        num("128767", "143.25", "mm"),
        num("128768", "801.5", "mm"),
        *plan.extra,
    ]
    if plan.type == "rotational":
        children += [num("113739", "180", "deg"), num("113740", "12", "deg")]
    kept = [child for child in children if child.ConceptNameCodeSequence[0].CodeValue not in plan.drop]
    return container(("113706", DCM, "Irradiation Event X-Ray Data"), kept)


def accumulated(plane: str | None, numbers: dict[str, tuple[object, str]], *more: Dataset) -> Dataset:
    return container(
        ("113702", DCM, "Accumulated X-Ray Dose Data"),
        [
            *([plane_item(plane)] if plane else []),
            *(num(key, number, unit) for key, (number, unit) in numbers.items()),
            *more,
        ],
    )


def report(content: list[Dataset], **header: Any) -> Dataset:
    """A whole dose report object with invented people in its header."""
    data = Dataset()
    data.SpecificCharacterSet = "ISO_IR 100"
    data.SOPClassUID = XRayRadiationDoseSRStorage
    data.SOPInstanceUID = "1.2.826.0.1.3680043.10.999.77"
    data.StudyDate, data.StudyTime = "20240131", "0915"
    data.ContentDate, data.ContentTime = "20240131", "101500"
    data.AccessionNumber = "ACC-1"
    data.Modality = "SR"
    data.Manufacturer = "Invented X-Ray"
    data.InstitutionName = "Invented Hospital"
    data.StationName = "ROOM1"
    data.StudyDescription = "TIPS"
    data.ManufacturerModelName = "Arc 1"
    data.PerformingPhysicianName = "Invented^Olga"
    data.PatientName = "Invented^Zoë"
    data.PatientID = "TEST-1"
    data.PatientBirthDate = "19500102"
    data.PatientSex = "F"
    data.PatientSize = "1.62"
    data.PatientWeight = "68.4"
    data.DeviceSerialNumber = "S-1"
    data.StudyInstanceUID = "1.2.826.0.1.3680043.10.999.1000"
    data.SeriesInstanceUID = "1.2.826.0.1.3680043.10.999.1001"
    data.ValueType = "CONTAINER"
    data.ConceptNameCodeSequence = Sequence([code("113701", DCM, "X-Ray Radiation Dose Report")])
    data.ContinuityOfContent = "SEPARATE"
    data.CompletionFlag = "COMPLETE"
    data.VerificationFlag = "UNVERIFIED"
    data.ContentSequence = Sequence(
        [
            coded("121058", ("113704", DCM, "Projection X-Ray"), relation="HAS CONCEPT MOD"),
            coded("113705", ("113014", DCM, "Study"), relation="HAS OBS CONTEXT"),
            *content,
        ]
    )
    for key, value in header.items():
        if value is None:
            delattr(data, key)
        else:
            setattr(data, key, value)
    return data


def saved(
    data: Dataset,
    syntax: str = "explicit",
    *,
    undefined: bool = False,
    preamble: bool = True,
    meta: bool = True,
) -> bytes:
    """The bytes of a file that holds `data`."""
    if undefined:
        _every_sequence(data, _make_undefined)
    uid = UID(SYNTAXES[syntax])
    buffer = io.BytesIO()
    if not meta:
        dcmwrite(
            buffer,
            data,
            implicit_vr=uid.is_implicit_VR,
            little_endian=uid.is_little_endian,
            enforce_file_format=False,
        )
        return buffer.getvalue()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = uid
    data.file_meta.MediaStorageSOPClassUID = data.get("SOPClassUID", XRayRadiationDoseSRStorage)
    data.file_meta.MediaStorageSOPInstanceUID = "1.2.826.0.1.3680043.10.999.77"
    dcmwrite(buffer, data, enforce_file_format=True)
    whole = buffer.getvalue()
    return whole if preamble else whole[132:]


def _every_sequence(data: Dataset, change: Callable[[Sequence, Dataset], None]) -> None:
    for element in data:
        if element.VR == "SQ":
            element.is_undefined_length = True
            for entry in element.value:
                change(element.value, entry)
                _every_sequence(entry, change)


def _make_undefined(_: Sequence, entry: Dataset) -> None:
    entry.is_undefined_length_sequence_item = True
