"""Which papers of a case there are."""

from __future__ import annotations

from enum import StrEnum


class DocumentKind(StrEnum):
    """Which paper."""

    SUMMARY = "summary"
    PATIENT_SHEET = "patient-sheet"
    FAMILY_LETTER = "family-letter"
    PHYSICIST = "physicist"
    PEER_REVIEW = "peer-review"


TITLES = {
    DocumentKind.SUMMARY: "Dose and contrast summary, for the record",
    DocumentKind.PATIENT_SHEET: "Sheet for the patient",
    DocumentKind.FAMILY_LETTER: "Letter to the family doctor",
    DocumentKind.PHYSICIST: "Skin dose reconstruction, for the physicist",
    DocumentKind.PEER_REVIEW: "Peer-review form",
}
