"""Images, procedure steps and newer dose reports of invented patients, built with pydicom."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.filewriter import dcmwrite
from pydicom.sequence import Sequence
from pydicom.uid import UID
from rdsr_files import SYNTAXES

ROOT = "1.2.826.0.1.3680043.10.999"
XA = "1.2.840.10008.5.1.4.1.1.12.1"
ENHANCED_XA = "1.2.840.10008.5.1.4.1.1.12.1.1"
XRF = "1.2.840.10008.5.1.4.1.1.12.2"
STEP = "1.2.840.10008.3.1.2.3.3"


def people() -> Dataset:
    data = Dataset()
    data.SpecificCharacterSet = "ISO_IR 100"
    data.StudyDate, data.StudyTime = "20240131", "0915"
    data.AccessionNumber = "ACC-1"
    data.Modality = "XA"
    data.Manufacturer = "Invented X-Ray"
    data.InstitutionName = "Invented Hospital"
    data.StationName = "ROOM1"
    data.StudyDescription = "TIPS"
    data.ManufacturerModelName = "Arc 1"
    data.DeviceSerialNumber = "S-1"
    data.PerformingPhysicianName = "Invented^Olga"
    data.PatientName = "Invented^Zoë"
    data.PatientID = "TEST-1"
    data.PatientBirthDate = "19500102"
    data.PatientSex = "F"
    data.PatientSize = "1.62"
    data.PatientWeight = "68.4"
    data.StudyInstanceUID = f"{ROOT}.1000"
    return data


def changed(data: Dataset, values: dict[str, Any]) -> Dataset:
    for key, value in values.items():
        if value is None:
            delattr(data, key)
        else:
            setattr(data, key, value)
    return data


def image(**values: Any) -> Dataset:
    """A run of 30 frames at 7.5 a second; every number stands in the unit the standard gives it."""
    data = people()
    data.SOPClassUID = XA
    data.SOPInstanceUID = f"{ROOT}.500"
    data.SeriesInstanceUID = f"{ROOT}.1002"
    data.ImageType = ["ORIGINAL", "PRIMARY", "SINGLE PLANE"]
    data.AcquisitionDate, data.AcquisitionTime = "20240131", "093005.25"
    data.ContentDate, data.ContentTime = "20240131", "093101"
    data.IrradiationEventUID = f"{ROOT}.9"
    data.ProtocolName = "DSA liver"
    data.KVP = "81.3"
    data.ExposureTime = "201"
    data.XRayTubeCurrent = "412"
    data.Exposure = "83"
    data.AveragePulseWidth = "6.7"
    data.RadiationSetting = "GR"
    data.RadiationMode = "PULSED"
    data.ImageAndFluoroscopyAreaDoseProduct = "123.45"  # dGy.cm2
    data.FrameTime = "133.33"
    data.NumberOfFrames = 30
    data.FrameIncrementPointer = 0x00181063
    data.PositionerMotion = "STATIC"
    data.PositionerPrimaryAngle = "-30.5"
    data.PositionerSecondaryAngle = "12"
    data.DistanceSourceToDetector = "1195"
    data.DistanceSourceToPatient = "785"
    data.TableMotion = "STATIC"
    data.TableAngle = "4.5"
    data.ImagerPixelSpacing = ["0.308", "0.31"]
    data.CollimatorShape = "RECTANGULAR"
    data.CollimatorLeftVerticalEdge = 1
    data.CollimatorRightVerticalEdge = 501
    data.CollimatorUpperHorizontalEdge = 101
    data.CollimatorLowerHorizontalEdge = 901
    data.FilterMaterial = ["COPPER", "ALUMINUM"]
    data.FilterThicknessMinimum = ["0.3", "1"]
    data.FilterThicknessMaximum = ["0.3", "1.5"]
    data.PatientPosition = "HFS"
    data.Rows = data.Columns = 8
    data.SamplesPerPixel = 1
    data.PhotometricInterpretation = "MONOCHROME2"
    data.BitsAllocated = data.BitsStored = 8
    data.HighBit, data.PixelRepresentation = 7, 0
    data.PixelData = np.random.default_rng(5).integers(0, 256, 8 * 8 * 30, dtype="uint8").tobytes()
    data["PixelData"].VR = "OW"
    return changed(data, values)


def enhanced_image(**values: Any) -> Dataset:
    """An enhanced run: what differs by frame stands in the frames' groups, the rest in the shared ones."""
    data = image(
        SOPClassUID=ENHANCED_XA, IrradiationEventUID=None, KVP=None, XRayTubeCurrent=None, Exposure=None,
        PositionerPrimaryAngle=None, PositionerSecondaryAngle=None, PositionerMotion=None,
        DistanceSourceToPatient=None, DistanceSourceToDetector=None, CollimatorShape=None,
        CollimatorLeftVerticalEdge=None, CollimatorRightVerticalEdge=None, CollimatorUpperHorizontalEdge=None,
        CollimatorLowerHorizontalEdge=None, FrameTime=None, TableMotion=None, TableAngle=None,
        AcquisitionDate=None, AcquisitionTime=None, ImageAndFluoroscopyAreaDoseProduct=None,
        NumberOfFrames=3,
    )  # fmt: skip
    data.AcquisitionDateTime = "20240131093005.25"
    data.AcquiredImageAreaDoseProduct = 123.5
    data.PlaneIdentification = "PLANE B"
    data.AcquisitionDuration = 2.5
    data.XRayTubeCurrentInmA = 400.25
    data.ExposureInmAs = 83.5
    geometry = Dataset()
    geometry.DistanceSourceToDetector = "1195"
    geometry.DistanceSourceToIsocenter = 785.0
    shared = Dataset()
    shared.XRayGeometrySequence = Sequence([geometry])
    named = Dataset()
    named.IrradiationEventUID = f"{ROOT}.9"
    shared.IrradiationEventIdentificationSequence = Sequence([named])
    data.SharedFunctionalGroupsSequence = Sequence([shared])
    frames = []
    for kvp, primary in (("80", "-100"), ("82", "0"), ("90", "98.5")):
        frame, exposed, position, table, isocenter = (Dataset() for _ in range(5))
        exposed.KVP = kvp
        frame.FrameAcquisitionSequence = Sequence([exposed])
        position.PositionerPrimaryAngle, position.PositionerSecondaryAngle = primary, "3"
        frame.PositionerPositionSequence = Sequence([position])
        table.TableTopVerticalPosition = "-55"
        table.TableTopLongitudinalPosition, table.TableTopLateralPosition = "12.5", "-1034.2"
        table.TableHorizontalRotationAngle, table.TableHeadTiltAngle = -7.25, 4.5
        table.TableCradleTiltAngle = -1.75
        frame.TablePositionSequence = Sequence([table])
        isocenter.TableXPositionToIsocenter, isocenter.TableYPositionToIsocenter = -12.5, 143.25
        isocenter.TableZPositionToIsocenter, isocenter.TableHorizontalRotationAngle = 801.5, 7.25
        frame.IsocenterReferenceSystemSequence = Sequence([isocenter])
        frames.append(frame)
    data.PerFrameFunctionalGroupsSequence = Sequence(frames)
    return changed(data, values)


def step(**values: Any) -> Dataset:
    """A completed step with totals and two listed exposures."""
    data = people()
    del data.StudyInstanceUID, data.AccessionNumber, data.StudyDescription
    scheduled = Dataset()
    scheduled.StudyInstanceUID = f"{ROOT}.1000"
    scheduled.AccessionNumber = "ACC-1"
    scheduled.RequestedProcedureDescription = "TIPS requested"
    data.ScheduledStepAttributesSequence = Sequence([scheduled])
    data.PerformedProcedureStepID = "P-1"
    data.PerformedStationAETitle = "ROOM1AE"
    data.PerformedStationName = "ROOM1"
    data.PerformedProcedureStepStartDate = "20240131"
    data.PerformedProcedureStepStartTime = "091500"
    data.PerformedProcedureStepEndDate = "20240131"
    data.PerformedProcedureStepEndTime = "113000"
    data.PerformedProcedureStepStatus = "COMPLETED"
    data.PerformedProcedureStepDescription = "TIPS performed"
    data.TotalTimeOfFluoroscopy = 1834  # s
    data.TotalNumberOfExposures = 12
    data.ImageAndFluoroscopyAreaDoseProduct = "2345.6"  # dGy.cm2
    data.EntranceDoseInmGy = "812.5"
    pulsed, continuous = Dataset(), Dataset()
    pulsed.RadiationMode, pulsed.KVP, pulsed.XRayTubeCurrentInuA = "PULSED", "81.3", "412500"
    pulsed.ExposureTime = "4020"
    pulsed.FilterMaterial = "COPPER"
    pulsed.FilterThicknessMinimum = pulsed.FilterThicknessMaximum = "0.3"
    continuous.RadiationMode, continuous.KVP, continuous.XRayTubeCurrentInuA = "CONTINUOUS", "70", "9800"
    continuous.ExposureTime = "61500"
    data.ExposureDoseSequence = Sequence([pulsed, continuous])
    series = Dataset()
    series.PerformingPhysicianName = "Invented^Per"
    series.ProtocolName = "Abdomen"
    series.OperatorsName = "Invented^Rad"
    data.PerformedSeriesSequence = Sequence([series])
    return changed(data, values)


def saved_as(
    data: Dataset, sop_class: str, syntax: str = "explicit", *, undefined: bool = False, meta: bool = True
) -> bytes:
    """The bytes of a file that holds `data`, whose SOP class stands in the meta information."""
    if undefined:
        _make_undefined(data)
    uid = UID(SYNTAXES[syntax])
    buffer = io.BytesIO()
    if not meta:
        dcmwrite(buffer, data, implicit_vr=uid.is_implicit_VR, little_endian=uid.is_little_endian,
                 enforce_file_format=False)  # fmt: skip
        return buffer.getvalue()
    data.file_meta = FileMetaDataset()
    data.file_meta.TransferSyntaxUID = uid
    data.file_meta.MediaStorageSOPClassUID = sop_class
    data.file_meta.MediaStorageSOPInstanceUID = data.get("SOPInstanceUID", f"{ROOT}.600")
    dcmwrite(buffer, data, enforce_file_format=True)
    return buffer.getvalue()


def _make_undefined(data: Dataset) -> None:
    for element in data:
        if element.VR == "SQ":
            element.is_undefined_length = True
            for entry in element.value:
                entry.is_undefined_length_sequence_item = True
                _make_undefined(entry)
