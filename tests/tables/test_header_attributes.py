"""The table of header attributes against pydicom's dictionary, which is generated from PS3.6."""

from __future__ import annotations

import pytest
from pydicom.datadict import DicomDictionary

from dosetrack.readers.dispatch import IMAGES, PERFORMED_PROCEDURE_STEP
from dosetrack.readers.enhanced_rdsr import ENHANCED_DOSE_REPORT
from dosetrack.readers.header_attributes import attributes
from dosetrack.records.report import DoseTotal, IrradiationEvent
from dosetrack.tables import rows
from dosetrack.units import unit_factor

ROWS = rows("header_attributes")


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["key"])
def test_tag_name_and_kind_are_the_dictionary_s(row: dict[str, str]) -> None:
    vr, _, name, _, _ = DicomDictionary[int(row["tag"], 16)]
    assert (row["vr"], row["name"]) == (vr, name)
    assert unit_factor(row["unit"], row["kind"]) is not None


def test_fields_of_the_records_are_spelt_as_there() -> None:
    fields = {*IrradiationEvent.__dataclass_fields__, *DoseTotal.__dataclass_fields__}
    by_kind = {row["field"]: row["kind"] for row in ROWS}
    assert "reference_air_kerma_mgy" not in by_kind  # neither an image nor a step tells it
    assert {"dose_area_product_gycm2", "kvp", "primary_angle_deg", "fluoroscopy_time_s"} <= fields & set(
        by_kind
    )
    assert set(attributes()) == set(by_kind)


def test_classes_are_the_dictionary_s() -> None:
    from pydicom import uid

    assert {uid.UID(one).name for one in IMAGES} == {
        "X-Ray Angiographic Image Storage",
        "Enhanced XA Image Storage",
        "X-Ray Radiofluoroscopic Image Storage",
        "Enhanced XRF Image Storage",
        "X-Ray Angiographic Bi-Plane Image Storage",
    }
    assert uid.UID(PERFORMED_PROCEDURE_STEP).name == "Modality Performed Procedure Step SOP Class"
    assert "Enhanced X-Ray Radiation Dose SR" in uid.UID(ENHANCED_DOSE_REPORT).name
