"""The papers of a case: their numbers against the view, what is missing, and what they never say."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from dosetrack.records.follow_up import SkinDoseEstimated
from dosetrack.records.report import Patient
from dosetrack.reports.case_documents import case_document, case_pdf, case_text
from dosetrack.reports.case_paper import CasePaper
from dosetrack.reports.kinds import DocumentKind
from dosetrack.reports.patient_sheet import is_skin_due
from dosetrack.settings import Settings
from dosetrack.version import VERSION
from dosetrack.workflow import Workflow
from tests.reports.paper_cases import LEAD as SITE_LEAD
from tests.reports.paper_cases import (
    PRINTED_AT,
    SKIN_DUE,
    append,
    extracted,
    long_case,
    opened,
    page_count,
)

KINDS = list(DocumentKind)
FORBIDDEN = re.compile(
    r"\b(un)?safe(ly|ty)?\b|\bOK\b|allowance|budget|headroom|\b(mL|Gy|contrast|dose)\s+left\b|[\u2713\u2714\u2705\u2611]",
    re.I,
)
ALARM = re.compile(r"\b(danger|cancer|burn(ed|s)?|injur|mistake|fault|blame|overdos|error|sorry)", re.I)
FEWEST, MOST_PAGES = (
    1,
    {"patient-sheet": 2, "family-letter": 2, "summary": 3, "peer-review": 4, "physicist": 6},
)


def with_setting(facts: CasePaper, **values: str) -> CasePaper:
    """The same case of a site that set these, dots for double underscores."""
    chosen = {key.replace("__", "."): value for key, value in values.items()}
    settings = Settings({**facts.settings.values, **chosen}, facts.settings.origins, facts.settings.seq)
    return replace(facts, settings=settings)


@pytest.mark.paper
@pytest.mark.parametrize("kind", KINDS)
def test_another_program_reads_the_numbers_of_the_view(
    kind: DocumentKind, papers_ledger: tuple[Workflow, str, str], facts: CasePaper, tmp_path: Path
) -> None:
    """Six events of 1000 mGy and 100 Gy·cm² each; injections of 40, 41, 39 and 42.5 mL at 320 mg I/mL.

    6 x 1000 = 6000 mGy = 6.0 Gy; 162.5 mL, rounded up 163; 162.5 x 0.320 = 52.0 g iodine.
    """
    workflow, case_id, _ = papers_ledger
    view = workflow.case_view(case_id)
    displayed = view.radiation.planes[0].reference_air_kerma_mgy.displayed
    assert displayed is not None
    assert displayed.value == 6000.0
    text = extracted(case_pdf(facts, kind), tmp_path)
    if kind is DocumentKind.PATIENT_SHEET:
        assert "6.0 gray of x-rays" in text
    else:
        assert "6000 mGy" in text
    if kind in (DocumentKind.SUMMARY, DocumentKind.FAMILY_LETTER, DocumentKind.PEER_REVIEW):
        assert "163 mL in 4 injections" in text
        assert "52.0 g" in text
        assert "600.0 Gy·cm²" in text
    found = facts.skin.map
    assert found is not None
    assert found.peak_mgy is not None
    if kind in (DocumentKind.SUMMARY, DocumentKind.PHYSICIST):
        assert f"{found.peak_mgy / 1000:.1f} Gy, range" in text
        assert (found.peak_site or "?") in text


@pytest.mark.paper
@pytest.mark.parametrize("kind", KINDS)
def test_every_page_and_paper_says_what_it_is_of(
    kind: DocumentKind, facts: CasePaper, tmp_path: Path
) -> None:
    pdf = case_pdf(facts, kind)
    text = extracted(pdf, tmp_path)
    pages = page_count(pdf, tmp_path)
    assert 1 <= pages <= MOST_PAGES[kind]
    assert all(f"page {n} of {pages}" in text for n in range(1, pages + 1))
    for wanted in (
        "Ida Larsen",
        "P1",
        "1954-02-01",
        facts.case.id,
        f"ledger entry {facts.position}",
        f"settings of entry {facts.settings.seq}",
        f"tables {facts.tables_edition}",
        f"version {VERSION}",
        "Printed 2026-03-20 08:30",
        "Invented Hospital",
        *case_document(facts, kind).cautions,
    ):
        assert wanted in text, wanted
    assert text.count("Ida Larsen, P1") == pages


@pytest.mark.parametrize("kind", KINDS)
def test_no_paper_gives_permission(kind: DocumentKind, facts: CasePaper, bare: CasePaper) -> None:
    for one in (facts, bare):
        assert FORBIDDEN.findall(case_text(one, kind)) == []


@pytest.mark.parametrize("kind", KINDS)
def test_no_paper_carries_a_brand(kind: DocumentKind, facts: CasePaper) -> None:
    for names in ("names", "roles"):
        chosen = with_setting(facts, document__review_names=names)
        assert "dosetrack" not in case_text(chosen, kind).lower()


@pytest.mark.parametrize("kind", KINDS)
def test_missing_is_said_and_never_a_zero(kind: DocumentKind, bare: CasePaper) -> None:
    text = case_text(bare, kind)
    assert "not known" in text
    assert re.findall(r"\b0(\.0+)? (mGy|Gy|mL|g|min|gray)\b", text) == []


def test_the_summary_lists_what_is_missing_and_that_nobody_reconciled(bare: CasePaper) -> None:
    text = case_text(bare, DocumentKind.SUMMARY)
    assert "Not reconciled" in text
    for name in (
        "a dose report",
        "reference air kerma",
        "creatinine",
        "injections of contrast",
        "a skin dose map",
    ):
        assert f"- {name}: not known" in text


def test_no_reason_found_is_not_called_nothing_due_where_the_dose_is_not_known(bare: CasePaper) -> None:
    text = " ".join(case_text(bare, DocumentKind.SUMMARY).split())
    assert "Skin: no reason in what is known (society); not known: reference air kerma" in text
    sheet = case_text(bare, DocumentKind.PATIENT_SHEET)
    assert "No skin check is planned" not in sheet
    assert "We have not decided yet if your skin needs a check" in sheet


def test_the_summary_tells_levels_with_sources_and_decisions_with_reasons(facts: CasePaper) -> None:
    text = " ".join(case_text(facts, DocumentKind.SUMMARY).split())
    assert "Ka,r 5 Gy" in text
    assert "NCRP Report No. 168" in text
    assert "go on: shunt nearly open" in text
    assert "Invented Operator" in text
    for finding in facts.findings:
        assert " ".join(finding.text.split()) in text
    assert "SHA-256 " + facts.case.reports[0].sha256[:16] in text


def test_a_closed_case_is_called_reconciled(tmp_path: Path) -> None:
    workflow = opened(tmp_path)
    case_id = long_case(workflow)
    workflow.close_case(case_id, actor=SITE_LEAD, note="compared")
    text = case_text(workflow.case_document(case_id, printed_at=PRINTED_AT), DocumentKind.SUMMARY)
    workflow.ledger.close()
    assert "Reconciled by Invented Lead" in text
    assert "Not reconciled" not in text


# the patient's sheet ------------------------------------------------------------------------------


def test_the_patient_reads_when_where_and_whom(facts: CasePaper) -> None:
    text = " ".join(case_text(facts, DocumentKind.PATIENT_SHEET).split())
    for wanted in (
        "on your back",
        "2026-03-16, 2026-04-01",
        "blood test for your kidneys: 2026-03-04",
        "Nurse Invented",
        "000 11 22",
        "Call the same day: Dr Invented, 000 33 44",
        "biopsy",
        "From week 2 to week 8",
        "No one can say if it will happen to you",
    ):
        assert wanted in text, wanted


def test_without_a_contact_there_is_a_line_to_fill_in(facts: CasePaper) -> None:
    blank = with_setting(
        facts, document__contact_name="", document__contact_phone="", document__urgent_contact=""
    )
    text = case_text(blank, DocumentKind.PATIENT_SHEET)
    assert "Call: ____" in text
    assert "Telephone: ____" in text


def test_the_sheet_is_short_where_no_skin_check_is_due(tmp_path: Path) -> None:
    workflow = opened(tmp_path)
    case_id = long_case(workflow)
    append(workflow, case_id, replace(SKIN_DUE, tier=None, reasons=(), due=()))
    short = workflow.case_document(case_id, printed_at=PRINTED_AT)
    assert not is_skin_due(short)
    text = case_text(short, DocumentKind.PATIENT_SHEET)
    assert "No skin check is planned" in text
    assert "Where to look" not in text
    append(workflow, case_id, SkinDoseEstimated(decision="call", peak_skin_dose_mgy=4200.0))
    called = workflow.case_document(case_id, printed_at=PRINTED_AT)
    workflow.ledger.close()
    assert is_skin_due(called)
    assert "4.2 Gy; decision: call" in case_text(called, DocumentKind.PHYSICIST)


def test_the_sheet_alarms_and_blames_nobody(facts: CasePaper) -> None:
    assert ALARM.findall(case_text(facts, DocumentKind.PATIENT_SHEET)) == []


def test_patient_papers_show_the_displayed_value_and_not_the_corrected(tmp_path: Path) -> None:
    workflow = opened(tmp_path)
    workflow.change_setting(
        key="radiation.calibration_factor", scope="room:Room 2", value="1.2", valid_from="2026-01-01",
        actor=SITE_LEAD, reason="measured",
    )  # fmt: skip
    facts = workflow.case_document(long_case(workflow), printed_at=PRINTED_AT)
    workflow.ledger.close()
    assert facts.radiation.planes[0].reference_air_kerma_mgy.corrected == pytest.approx(7200.0)
    text = case_text(facts, DocumentKind.PATIENT_SHEET)
    assert "6.0 gray" in text
    assert "7.2" not in text
    assert "7200 mGy" in " ".join(case_text(facts, DocumentKind.SUMMARY).split())


def syllables(word: str) -> int:
    """Groups of vowels, a silent e at the end left out: the usual rule of thumb (no source)."""
    groups = len(re.findall(r"[aeiouy]+", word.lower()))
    if re.search(r"[^aeiouyl]e$", word.lower()) and groups > 1:
        groups -= 1
    return max(groups, 1)


def reading_ease(text: str) -> float:
    """Flesch's reading ease: 206.835 - 1.015 words per sentence - 84.6 syllables per word.

    Flesch R. A new readability yardstick. J Appl Psychol 1948;32:221-233 (formula from memory).
    """
    sentences = [s for s in re.split(r"[.:?!]\s+|\n\n|\n- ", text) if re.search("[a-z]", s)]
    words = re.findall(r"[A-Za-z][A-Za-z'-]*", text)
    return 206.835 - 1.015 * len(words) / len(sentences) - 84.6 * sum(map(syllables, words)) / len(words)


def test_the_formula_of_reading_ease_by_hand() -> None:
    """'The cat sat on the mat.': 6 words, 1 sentence, 6 syllables: 206.835 - 6.09 - 84.6 = 116.145."""
    assert reading_ease("The cat sat on the mat.") == pytest.approx(116.145)


def test_the_sheet_reads_easily(facts: CasePaper) -> None:
    """80 to 90 is 'easy' on Flesch's scale, 70 to 80 'fairly easy' (from memory)."""
    text = case_text(facts, DocumentKind.PATIENT_SHEET)
    body = text[text.index("The doctors used") : text.index("Data: ledger")]
    assert reading_ease(body) > 80
    sentences = re.split(r"[.:?!]\s+|\n\n", body)
    assert max(len(s.split()) for s in sentences) <= 20


# letter, physicist, peers -------------------------------------------------------------------------


def test_the_letter_names_the_doctor_what_is_due_and_the_bands(facts: CasePaper) -> None:
    text = " ".join(case_text(facts, DocumentKind.FAMILY_LETTER).split())
    for wanted in (
        "Dear Dr Invented Family",
        "2026-03-16, 2026-04-01",
        "Creatinine due: 2026-03-04",
        "transient erythema",
        "Balter et al. 2010",
        "no prediction for this person",
        "biopsy",
        "000 11 22",
    ):
        assert wanted in text, wanted


def test_the_worked_event_gives_what_the_map_holds(facts: CasePaper) -> None:
    """The factors of `skin.factors`, one by one, against the kernel that made the map."""
    from dosetrack.reports.worked_factors import worked_factors

    assert facts.skin.map is not None
    worked = worked_factors(facts.skin.map)
    assert worked is not None
    assert worked.product_mgy == pytest.approx(worked.map_mgy, rel=0.01)
    assert worked.map_mgy == pytest.approx(facts.skin.map.by_event[0].peak_contribution_mgy, rel=1e-6)
    assert worked.inverse_square == pytest.approx(
        (worked.source_to_reference_mm / worked.source_to_skin_mm) ** 2, rel=1e-9
    )


def test_the_physicist_sees_factors_doubts_and_contributions(facts: CasePaper) -> None:
    text = " ".join(case_text(facts, DocumentKind.PHYSICIST).split())
    assert facts.skin.map is not None
    for wanted in (
        "T0 0.8",
        "not calibrated",
        "not verified on this system",
        "Every event with air kerma was placed",
    ):
        assert wanted in text, wanted
    for doubt in facts.skin.map.doubts:
        assert " ".join(doubt.text.split()) in text
    shares = re.findall(r"1000\.0 mGy (\d+\.\d) mGy", text)
    assert sum(map(float, shares)) == pytest.approx(facts.skin.map.peak_mgy, rel=1e-3)


def test_peers_see_roles_unless_the_site_shows_names(facts: CasePaper) -> None:
    roles = case_text(facts, DocumentKind.PEER_REVIEW)
    assert "Invented Operator" not in roles
    assert "Invented Nurse" not in roles
    assert "operator 1" in roles
    assert "shunt nearly open" in roles
    names = case_text(with_setting(facts, document__review_names="names"), DocumentKind.PEER_REVIEW)
    assert "Invented Operator" in names
    assert "What the department can learn" in names


def test_a_sheet_without_size_has_words_and_no_drawing(tmp_path: Path) -> None:
    from tests.workflow.invented import OPENING

    workflow = opened(tmp_path)
    nobody = Patient(id="P3", name="Invented^Person")
    case_id = long_case(workflow, patient=nobody, opening=replace(OPENING, patient=nobody))
    facts = workflow.case_document(case_id, printed_at=PRINTED_AT)
    workflow.ledger.close()
    text = case_text(facts, DocumentKind.PATIENT_SHEET)
    assert "We have no drawing" in " ".join(text.split())


def test_the_same_case_gives_the_same_bytes(facts: CasePaper) -> None:
    assert case_pdf(facts, DocumentKind.SUMMARY) == case_pdf(facts, DocumentKind.SUMMARY)
