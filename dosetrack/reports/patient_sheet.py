"""The sheet a patient takes home: what happened, where to look, what for and when, and whom to call.

Plain words, large print, displayed values. No blame, no alarm, no prediction for this person.
"""

from __future__ import annotations

from dosetrack.reports import words
from dosetrack.reports.blocks import (
    Block,
    Box,
    Bullets,
    Document,
    Facts,
    Figure,
    Heading,
    Text,
)
from dosetrack.reports.body_drawing import body_drawing
from dosetrack.reports.case_paper import CasePaper, contact_rows, paper
from dosetrack.reports.skin_words import PHASES, band_name, bands_touched, patient_words
from dosetrack.reports.words import KERMA, gray_words
from dosetrack.skin.effects import skin_bands
from dosetrack.skin.wording import range_words

TITLE = "After your x-ray treatment"
CAUTIONS = ("The numbers are estimates. They do not say what will happen to you.",)
_PHASE_HEADS = {
    "prompt": "In the first 2 weeks",
    "early": "From week 2 to week 8",
    "midterm": "From week 6 to 1 year",
    "long term": "Later than 40 weeks",
}
_TUBES = {"a": "first x-ray tube", "b": "second x-ray tube"}
SHAPE = "A change from x-rays often has straight edges, like a box."


def patient_sheet(facts: CasePaper) -> Document:
    """The sheet; a short one where no skin check is due."""
    blocks: list[Block] = [Heading("What happened"), *_what_happened(facts)]
    if is_skin_due(facts):
        blocks += [*_where(facts), *_what_for(facts)]
    else:
        blocks += [Heading("Your skin"), Text(_no_check(facts))]
    blocks += [*_kidney(facts), *_call(facts)]
    blocks += [Text(line) for line in facts.settings.lines("document.patient_words")]
    patient = words.two_identifiers(facts.case.patient)
    identity = (*patient, ("Treatment", facts.case.procedure or words.NOT_KNOWN), ("Day", facts.day),
                ("Case", facts.case.id))  # fmt: skip
    return paper(facts, TITLE, blocks=blocks, cautions=CAUTIONS, identity=identity, is_large=True)


def is_skin_due(facts: CasePaper) -> bool:
    """A skin check is due by the rules or a physicist; undecided: a substantial level was reached."""
    estimate = facts.physicist_estimate
    if estimate is not None and estimate.decision == "call":
        return True
    decided = facts.follow_up("skin")
    if decided is not None:
        return decided.tier is not None
    return any(level.lane == "radiation" and level.tier == "substantial" for level in facts.levels)


def _what_happened(facts: CasePaper) -> list[Block]:
    told = [
        "The doctors used x-rays to see inside your body.",
        "X-rays go in through the skin, and the skin takes up some of them.",
    ]
    if is_skin_due(facts):
        told.append(
            "Your treatment needed more x-rays than most. That is why we ask you to look at your skin."
        )
    return [Text(" ".join(told)), Facts(_displayed(facts))]


def _displayed(facts: CasePaper) -> tuple[tuple[str, str], ...]:
    """The displayed values, each plane by itself."""
    planes = facts.radiation.planes
    rows = []
    for plane in planes:
        figure = plane.reference_air_kerma_mgy.displayed
        value = gray_words(figure.value if figure else None, levels=facts.levels_of(KERMA))
        told = f"{value} of x-rays, in the air near your skin" if figure else value
        tube = f" ({_TUBES[plane.plane]})" if len(planes) > 1 and plane.plane in _TUBES else ""
        rows.append(("The machine showed", told + tube))
    if not rows:
        rows = [("The machine showed", words.NOT_KNOWN)]
    span = facts.skin_range_mgy()
    skin = words.NOT_KNOWN if span is None else f"about {_plain_range(*span)} (an estimate)"
    return (*rows, ("Your skin may have got", skin))


def _plain_range(low_mgy: float, high_mgy: float) -> str:
    text = range_words(low_mgy, high_mgy)
    return text.replace("mGy", "milligray").replace("Gy", "gray").replace("–", " to ")


def _where(facts: CasePaper) -> list[Block]:
    from dosetrack.skin.places import place_for_patient

    found = facts.skin.map
    blocks: list[Block] = [Heading("Where to look")]
    if found is None or found.peak_index is None:
        return [
            *blocks,
            Text(
                "We could not work out the place. Look at the skin where the x-rays went in. "
                "Often this is your back."
            ),
        ]
    place = place_for_patient(found.surface, found.peak_index)
    drawing = body_drawing(found, facts.skin.setup)
    blocks.append(Text(f"Look {place}.", is_strong=True))
    if drawing is None:
        return [*blocks, Text("We have no drawing, because your size was not known. The place is a guess.")]
    return [
        *blocks,
        Figure(drawing, alt=f"Drawing of a body from front and back. The dark skin is {place}."),
        Text(
            "Look in the whole ring. The dark skin got the most. The place is not exact: look around it too."
        ),
    ]


def _what_for(facts: CasePaper) -> list[Block]:
    """By time, then by dose; bands with the same words stand once."""
    bands = bands_touched(facts) or skin_bands()
    blocks: list[Block] = [
        Heading("What to look for, and when"),
        Text(f"Ask someone to look, or use a mirror. Look in each of these times. {SHAPE}"),
        *_due(facts),
    ]
    for phase in PHASES:
        said: dict[str, list[str]] = {}
        for band in bands:
            said.setdefault(patient_words()[band.low_mgy, phase], []).append(band_name(band, "gray"))
        lines = [
            text if len(said) == 1 else f"{_bands_joined(names)}: {text}" for text, names in said.items()
        ]
        blocks += [Text(f"{_PHASE_HEADS[phase]}:", is_strong=True), Bullets(tuple(lines))]
    blocks.append(Text("This is what is known from many people. No one can say if it will happen to you."))
    return blocks


def _due(facts: CasePaper) -> list[Block]:
    decided = facts.follow_up("skin")
    if decided is None or not decided.due:
        return []
    return [Text(f"We want to ask how your skin is on: {', '.join(decided.due)}.")]


def _bands_joined(names: list[str]) -> str:
    first, last = names[0], names[-1]
    if first == last:
        return first[0].upper() + first[1:]
    return f"{first.split(' to ')[0]} to {last.split(' to ')[-1]}".capitalize()


def _no_check(facts: CasePaper) -> str:
    decided = facts.follow_up("skin")
    is_dose_known = facts.radiation.worst_plane is not None or facts.skin.map is not None
    if decided is None or decided.estimate_due or not is_dose_known:
        return "We have not decided yet if your skin needs a check. If it does, we will call you."
    return "No skin check is planned for you. If you see a change in the skin, call us. " + SHAPE


def _kidney(facts: CasePaper) -> list[Block]:
    decided = facts.follow_up("kidney")
    if decided is None or decided.tier is None:
        return []
    when = " or ".join(decided.due) or "on the day we told you"
    return [
        Heading("Your kidneys"),
        Text(
            "You had a dye (contrast) that shows up on x-rays. It goes out through the kidneys. "
            f"Please have a blood test for your kidneys: {when}."
        ),
    ]


def _call(facts: CasePaper) -> list[Block]:
    contact = dict(contact_rows(facts))
    lines = [f"Call: {contact['Call']}", f"Telephone: {contact['Telephone']}"]
    if "When" in contact:
        lines.append(f"When: {contact['When']}")
    lines.append(f"The skin is open, weeps or hurts? Call the same day: {contact['The same day']}.")
    is_due = is_skin_due(facts)
    place = "in this place" if is_due else "in your skin"
    biopsy = Text(facts.settings.text("document.biopsy_text"), is_strong=True)
    return [
        Heading("Whom to call"),
        Text(f"Do you see a change {place}? Please call us. Do you have a question? Call us too."),
        Box(tuple(lines)),
        Heading("Show this sheet"),
        Text("Keep this sheet. Show it to any doctor or nurse who looks at your skin."),
        *((biopsy,) if is_due else ()),
    ]
