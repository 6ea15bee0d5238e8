"""The letter to the family doctor: what was given, what is due when, what to look for, whom to call."""

from __future__ import annotations

from dosetrack.records.follow_up import FollowUpDecided
from dosetrack.reports import words
from dosetrack.reports.blocks import Block, Document, Facts, Grid, Heading, Text, ToFill
from dosetrack.reports.case_paper import SUPPORT, CasePaper, contact_rows, identity_of, paper
from dosetrack.reports.record_summary import contrast_rows, egfr_words, no_reason_words
from dosetrack.reports.skin_words import (
    NO_PREDICTION,
    band_name,
    bands_touched,
    site_words,
    skin_dose_words,
    weeks_words,
)
from dosetrack.reports.words import DAP, KERMA, TIME, quantity_words

CAUTIONS = (SUPPORT, "The skin dose is an estimate with a wide range, not a measurement.")


def family_letter(facts: CasePaper) -> Document:
    """One letter for skin and kidney, each part only where it says something."""
    contact = facts.contact
    to = contact.family_doctor if contact and contact.family_doctor else "colleague"
    blocks: list[Block] = [
        Text(f"Dear {to},"),
        Text(
            "Your patient had the x-ray guided procedure named above. This letter tells what was given "
            "and what is due. Please keep it with the record."
        ),
        Heading("What was given"),
        Facts(_given(facts)),
        *_skin(facts),
        *_kidney(facts),
        Heading("Contact"),
        Facts(contact_rows(facts)),
        ToFill("Signature", 1),
    ]
    return paper(
        facts, "Letter to the family doctor", blocks=blocks, cautions=CAUTIONS, identity=identity_of(facts)
    )


def _given(facts: CasePaper) -> tuple[tuple[str, str], ...]:
    """The displayed values per plane, and contrast."""
    rows = []
    for plane in facts.radiation.planes:
        parts = []
        for quantity, name in ((KERMA, "Ka,r"), (DAP, "DAP"), (TIME, "fluoroscopy")):
            figure = getattr(plane, quantity).displayed
            value = quantity_words(
                quantity, figure.value if figure else None, levels=facts.levels_of(quantity)
            )
            parts.append(f"{name} {value}")
        rows.append((f"Radiation, {words.plane_words(plane.plane)}", ", ".join(parts) + " (as displayed)"))
    if not rows:
        rows = [("Radiation", words.NOT_KNOWN)]
    contrast = dict(contrast_rows(facts))
    return (
        *rows,
        ("Peak skin dose", skin_dose_words(facts)),
        ("Contrast", f"{contrast['Contrast']}; iodine {contrast['Iodine']}"),
    )


def _due_words(decided: FollowUpDecided | None) -> str:
    if decided is None:
        return "not decided yet"
    if decided.tier is None:
        unknown = f"; not known: {', '.join(decided.missing)}" if decided.missing else ""
        return no_reason_words(decided) + unknown
    return ", ".join(decided.due) or "no day set"


def _skin(facts: CasePaper) -> list[Block]:
    decided = facts.follow_up("skin")
    blocks: list[Block] = [
        Heading("Skin"),
        Facts((("Where", site_words(facts)), ("Checks due", _due_words(decided)))),
    ]
    if decided is not None and decided.reasons:
        blocks.append(Text("Because: " + "; ".join(reason.text for reason in decided.reasons) + "."))
    bands = bands_touched(facts)
    if bands:
        head = (
            "estimated dose",
            *(f"{e.phase}, {weeks_words(e.from_week, e.to_week)}" for e in bands[0].effects),
        )
        rows = tuple((band_name(band), *(effect.effect for effect in band.effects)) for band in bands)
        blocks += [
            Text("What may be seen, by dose and time:"),
            Grid(head, rows, (1.0, *[1.6] * (len(head) - 1))),
            Text(f"{NO_PREDICTION} Source: Balter et al. 2010, Radiology 254:326.", is_quiet=True),
        ]
    if facts.skin_range_mgy() is not None:
        told = "A patch with straight edges at this place may come from the x-rays. "
        blocks.append(Text(told + facts.settings.text("document.biopsy_text")))
    return blocks


def _kidney(facts: CasePaper) -> list[Block]:
    decided = facts.follow_up("kidney")
    rows: list[tuple[str, str]] = [
        (
            "Before the case",
            f"creatinine {dict(contrast_rows(facts))['Creatinine']}; eGFR {egfr_words(facts)}",
        ),
        ("Contrast limits", facts.kidney.headline),
        ("Creatinine due", _due_words(decided)),
    ]
    if decided is not None and decided.reasons:
        rows.append(("Because", "; ".join(reason.text for reason in decided.reasons)))
    return [Heading("Kidneys"), Facts(tuple(rows))]
