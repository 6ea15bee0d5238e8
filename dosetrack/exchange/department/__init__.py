"""An invented department: cases of many months with DICOM reports and typed entries, and a live case.

Every person, machine and institution is invented, and every file says so.
"""

from __future__ import annotations

from dosetrack.exchange.department.cases import department_cases
from dosetrack.exchange.department.follow_up import SampleFollowUp, follow_up_history
from dosetrack.exchange.department.live_case import LIVE_OPERATORS, LIVE_ROOM, live_case_steps
from dosetrack.exchange.department.live_patient import LIVE_PATIENT_ID
from dosetrack.exchange.department.planned import department_schedule
from dosetrack.exchange.department.records import LiveStep, SampleCase, SampleEntry, SampleReport
from dosetrack.exchange.department.rooms import DEPARTMENT_SETTINGS, INSTITUTION, ZONE
from dosetrack.exchange.department.special import DAYS_BEFORE_LIVE_CASE, TAGS

__all__ = [
    "DAYS_BEFORE_LIVE_CASE",
    "DEPARTMENT_SETTINGS",
    "INSTITUTION",
    "LIVE_OPERATORS",
    "LIVE_PATIENT_ID",
    "LIVE_ROOM",
    "TAGS",
    "ZONE",
    "LiveStep",
    "SampleCase",
    "SampleEntry",
    "SampleFollowUp",
    "SampleReport",
    "department_cases",
    "department_schedule",
    "follow_up_history",
    "live_case_steps",
]
