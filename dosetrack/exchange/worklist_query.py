"""The question put to a DICOM Modality Worklist: matching and return keys of PS3.4 table K.6-1."""

from __future__ import annotations

from pydicom.dataset import Dataset

WORKLIST_CLASS = "1.2.840.10008.5.1.4.31"
_OF_PATIENT = (
    "PatientName",
    "PatientID",
    "IssuerOfPatientID",
    "PatientBirthDate",
    "PatientSex",
    "PatientWeight",
    "PatientSize",
)
_OF_REQUEST = (
    "AccessionNumber",
    "ReferringPhysicianName",
    "StudyInstanceUID",
    "RequestedProcedureID",
    "RequestedProcedureDescription",
)
_OF_STEP = (
    "ScheduledStationName",
    "ScheduledProcedureStepLocation",
    "ScheduledProcedureStepStartTime",
    "ScheduledPerformingPhysicianName",
    "ScheduledProcedureStepDescription",
    "ScheduledProcedureStepID",
    "ScheduledProcedureStepStatus",
)
_CODE = ("CodeValue", "CodingSchemeDesignator", "CodeMeaning")


def worklist_query(
    *, first_day: str, last_day: str, station: str | None = None, modality: str | None = None
) -> Dataset:
    """The identifier of the C-FIND request.

    Parameters
    ----------
    first_day, last_day : YYYY-MM-DD, both included; matched by range
    station : AE title of the scheduled station; None: any
    modality : such as 'XA'; None: any
    """
    found = Dataset()
    found.SpecificCharacterSet = "ISO_IR 192"  # of the keys; answers declare their own
    found.TimezoneOffsetFromUTC = None
    for keyword in (*_OF_PATIENT, *_OF_REQUEST):
        setattr(found, keyword, None)
    found.RequestedProcedureCodeSequence = [_blank(_CODE)]
    step = _blank(_OF_STEP)
    step.ScheduledStationAETitle = station
    step.Modality = modality
    first, last = first_day.replace("-", ""), last_day.replace("-", "")
    step.ScheduledProcedureStepStartDate = first if first == last else f"{first}-{last}"
    step.ScheduledProtocolCodeSequence = [_blank(_CODE)]
    found.ScheduledProcedureStepSequence = [step]
    return found


def _blank(keywords: tuple[str, ...]) -> Dataset:
    """An item whose keys match anything and are to be told."""
    item = Dataset()
    for keyword in keywords:
        setattr(item, keyword, None)
    return item
