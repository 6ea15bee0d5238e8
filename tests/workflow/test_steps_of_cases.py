"""Performed procedure steps find the case of their first message, with images or without."""

from __future__ import annotations

import io

import pytest
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pydicom.sequence import Sequence
from pydicom.uid import ExplicitVRLittleEndian

from dosetrack.cli.json_out import plain
from dosetrack.workflow import Workflow

ROOT = "1.2.826.0.1.3680043.10.999"
STEP, XA = "1.2.840.10008.3.1.2.3.3", "1.2.840.10008.5.1.4.1.1.12.1"


def saved(data: Dataset, sop_class: str, uid: str) -> bytes:
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    data.file_meta.MediaStorageSOPClassUID = sop_class
    data.file_meta.MediaStorageSOPInstanceUID = uid
    buffer = io.BytesIO()
    dcmwrite(buffer, data, enforce_file_format=True)
    return buffer.getvalue()


def created(uid: str = f"{ROOT}.600", *, patient: str = "TEST-1", **values: object) -> bytes:
    """What an N-CREATE carries (PS3.4 table F.7.2-1): patient, what was scheduled, how it began."""
    data = Dataset()
    data.PatientID, data.PatientName = patient, "Invented^Zoe"
    scheduled = Dataset()
    scheduled.StudyInstanceUID, scheduled.AccessionNumber = f"{ROOT}.1000", "ACC-1"
    data.ScheduledStepAttributesSequence = Sequence([scheduled])
    data.PerformedStationName, data.Modality = "ROOM1", "XA"
    data.PerformedProcedureStepStartDate, data.PerformedProcedureStepStartTime = "20240131", "091500"
    data.PerformedProcedureStepStatus = "IN PROGRESS"
    for name, value in values.items():
        setattr(data, name, value)
    return saved(data, STEP, uid)


def updated(uid: str = f"{ROOT}.600", *, status: str = "COMPLETED", **values: object) -> bytes:
    """What an N-SET carries: neither patient nor study."""
    data = Dataset()
    data.PerformedProcedureStepEndDate, data.PerformedProcedureStepEndTime = "20240131", "113000"
    data.PerformedProcedureStepStatus = status
    for name, value in values.items():
        setattr(data, name, value)
    return saved(data, STEP, uid)


def image(number: int, plane: str) -> bytes:
    data = Dataset()
    data.SOPClassUID, data.SOPInstanceUID = XA, f"{ROOT}.500.{number}"
    data.ImageType = ["ORIGINAL", "PRIMARY", plane]
    data.PatientID, data.StationName, data.Modality = "TEST-1", "ROOM1", "XA"
    data.StudyInstanceUID = f"{ROOT}.1000"
    data.AcquisitionDate, data.AcquisitionTime = "20240131", f"0930{number:02d}"
    data.IrradiationEventUID = f"{ROOT}.9.{number}"
    data.ImageAndFluoroscopyAreaDoseProduct = "120"  # dGy.cm2
    data.Rows = data.Columns = 2
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.SamplesPerPixel, data.PixelRepresentation = 7, 1, 0
    data.PhotometricInterpretation = "MONOCHROME2"
    data.PixelData = b"\0\1\2\3"
    data["PixelData"].VR = "OW"
    return saved(data, XA, data.SOPInstanceUID)


def take(workflow: Workflow, *files: bytes) -> list[str]:
    return [workflow.take_in_bytes(data, file=f"{n}.dcm").case_id for n, data in enumerate(files)]


def products(workflow: Workflow, case_id: str) -> dict[str, float]:
    """Plane -> dose-area product, the higher of what is told [Gy cm2]."""
    found = {}
    for plane in workflow.case_view(case_id).radiation.planes:
        higher = plane.dose_area_product_gycm2.higher
        assert higher is not None
        found[plane.plane] = higher.value
    return found


TOTALS = {"TotalTimeOfFluoroscopy": 1834, "ImageAndFluoroscopyAreaDoseProduct": "2345.6"}


@pytest.mark.parametrize("is_created_first", [True, False])
def test_an_update_finds_the_case_of_its_step(workflow: Workflow, is_created_first: bool) -> None:
    messages = [created(), updated(**TOTALS)]
    cases = take(workflow, *(messages if is_created_first else reversed(messages)))
    assert cases[0] == cases[1]
    view = workflow.case_view(cases[0])
    assert view.case.patient.id == "TEST-1"
    assert view.summary.dose_area_product_gycm2 == pytest.approx(234.56)  # 2345.6 dGy.cm2
    assert view.summary.reports == 2


def test_updates_replace_what_was_told_and_never_add(workflow: Workflow) -> None:
    first = {"TotalTimeOfFluoroscopy": 100, "ImageAndFluoroscopyAreaDoseProduct": "900"}
    later = {"ImageAndFluoroscopyAreaDoseProduct": "800"}  # lower: a correction
    cases = take(
        workflow,
        created(TotalTimeOfFluoroscopy=0),
        updated(status="IN PROGRESS", PerformedProcedureStepEndTime="100000", **first),
        updated(**later),
    )
    assert len(set(cases)) == 1
    view = workflow.case_view(cases[0])
    assert [(t.dose_area_product_gycm2, t.fluoroscopy_time_s) for t in view.case.stated] == [(80.0, 100.0)]


def test_another_step_and_another_patient_stay_apart(workflow: Workflow) -> None:
    one, other = take(workflow, created(), updated(f"{ROOT}.601", **TOTALS))
    assert one != other
    (stranger,) = take(workflow, created(patient="TEST-2", TotalTimeOfFluoroscopy=5))
    assert stranger != one


def test_a_step_beside_images_of_two_planes_is_of_all_planes(workflow: Workflow) -> None:
    cases = take(workflow, created(), image(1, "BIPLANE A"), image(2, "BIPLANE B"), updated(**TOTALS))
    assert len(set(cases)) == 1
    view = workflow.case_view(cases[0])
    assert [t.plane for t in view.case.stated] == ["all"]
    assert view.summary.dose_area_product_gycm2 == pytest.approx(234.56)
    assert products(workflow, cases[0]) == {"a": 12.0, "b": 12.0}
    # each plane's Ka,r is not known: neither an image nor a step tells it
    assert view.summary.reference_air_kerma_by_plane_mgy == {"a": None, "b": None}
    assert plain(view.summary)


def test_single_runs_are_not_those_of_plane_b(workflow: Workflow) -> None:
    cases = take(workflow, created(), image(1, "SINGLE PLANE"), image(2, "BIPLANE B"), updated(**TOTALS))
    assert products(workflow, cases[0]) == {"single": 12.0, "b": 12.0}


def test_a_step_beside_images_of_a_single_plane_is_of_it(workflow: Workflow) -> None:
    cases = take(workflow, created(), image(1, "SINGLE PLANE"), updated(**TOTALS))
    assert products(workflow, cases[0]) == {"single": pytest.approx(234.56)}


def test_a_step_whose_messages_came_apart_is_proposed_for_joining(workflow: Workflow) -> None:
    """The update came first and the images before the creation: two cases, one question."""
    updates, images, creation = take(workflow, updated(**TOTALS), image(1, "SINGLE PLANE"), created())
    assert updates != images == creation
    proposals = workflow.case_view(images).case.proposals
    assert [p.value.other_case for p in proposals] == [updates]
