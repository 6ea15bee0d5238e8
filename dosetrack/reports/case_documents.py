"""The papers of one case by kind, each as PDF and as plain text."""

from __future__ import annotations

from collections.abc import Callable

from dosetrack.reports.blocks import Document
from dosetrack.reports.case_paper import CasePaper
from dosetrack.reports.doctor_letter import family_letter
from dosetrack.reports.kinds import DocumentKind
from dosetrack.reports.patient_sheet import patient_sheet
from dosetrack.reports.physicist_sheet import physicist_sheet
from dosetrack.reports.plain_text import text_of
from dosetrack.reports.record_summary import summary
from dosetrack.reports.review_form import review_form

_MAKERS: dict[DocumentKind, Callable[[CasePaper], Document]] = {
    DocumentKind.SUMMARY: summary,
    DocumentKind.PATIENT_SHEET: patient_sheet,
    DocumentKind.FAMILY_LETTER: family_letter,
    DocumentKind.PHYSICIST: physicist_sheet,
    DocumentKind.PEER_REVIEW: review_form,
}


def case_document(facts: CasePaper, kind: DocumentKind) -> Document:
    """The document before it is laid out."""
    return _MAKERS[kind](facts)


def case_pdf(facts: CasePaper, kind: DocumentKind) -> bytes:
    """The bytes of the PDF."""
    from dosetrack.reports.pdf import pdf_of  # the PDF library, which plain text does not need

    return pdf_of(case_document(facts, kind))


def case_text(facts: CasePaper, kind: DocumentKind) -> str:
    """The same as plain text."""
    return text_of(case_document(facts, kind))
