"""The peer-review form: prefilled from the timeline, free fields to fill by hand, no judgement."""

from __future__ import annotations

from dosetrack.reports import words
from dosetrack.reports.blocks import Block, Document, Facts, Grid, Heading, Text, ToFill
from dosetrack.reports.case_paper import SUPPORT, CasePaper, TimelineLine, identity_of, paper
from dosetrack.reports.record_summary import contrast_rows, follow_up_blocks, levels_blocks, planes_grid
from dosetrack.reports.skin_words import site_words, skin_dose_words

CAUTIONS = (
    SUPPORT,
    "Prefilled from what was recorded. It judges nothing: a level reached may be the right course for "
    "the patient.",
)
FREE_FIELDS = (
    ("Indication and what made the case long", 3),
    ("What was tried to keep dose and contrast low", 3),
    ("Was the patient told, and what is planned", 2),
    ("What the department can learn", 3),
    ("Reviewed by, date", 1),
)


def review_form(facts: CasePaper) -> Document:
    """Numbers, levels, every prompt with its decision, the course of the case, and free fields."""
    names = _Names(facts)
    identity = tuple(
        (label, ", ".join(map(names.shown, facts.case.operators)) or words.NOT_KNOWN)
        if label == "Operators"
        else (label, value)
        for label, value in identity_of(facts)
    )
    blocks: list[Block] = [
        Heading("Radiation by plane"),
        planes_grid(facts),
        Facts(
            (
                ("Peak skin dose", skin_dose_words(facts)),
                ("Where", site_words(facts)),
                *contrast_rows(facts)[:2],
            )
        ),
        Heading("Levels reached"),
        *levels_blocks(facts),
        Heading("Prompts and decisions"),
        *_decisions(facts, names),
        *follow_up_blocks(facts),
        Heading("Course of the case"),
        _course(facts, names),
        Heading("To fill in"),
        *(ToFill(label, lines) for label, lines in FREE_FIELDS),
    ]
    return paper(facts, "Peer review of a case", blocks=blocks, cautions=CAUTIONS, identity=identity)


_ROLES = {"room": "room staff", "follow-up": "follow-up staff", "physics": "physicist"}


class _Names:
    """People as the site chose: their names, or a role and a number each."""

    def __init__(self, facts: CasePaper) -> None:
        self._has_names = facts.settings.text("document.review_names") == "names"
        roles = dict.fromkeys(facts.case.operators, "operator")
        for line in facts.timeline:
            roles.setdefault(line.by, line.role)
        for prompt in facts.prompts:
            if prompt.answer is not None:
                roles.setdefault(prompt.answer.by, "operator")
        counts: dict[str, int] = {}
        self._roles: dict[str, str] = {}
        for name, role in roles.items():
            counts[role] = counts.get(role, 0) + 1
            called = _ROLES.get(role, role)
            self._roles[name] = called if role == "system" else f"{called} {counts[role]}"

    def shown(self, name: str) -> str:
        """What stands on the form for `name`."""
        if self._roles.get(name) == "system":
            return "system"
        return words.person(name) if self._has_names else self._roles.get(name, "not named")

    def hidden_in(self, text: str) -> str:
        """`text` without the names of people."""
        if self._has_names:
            return text
        for name, role in sorted(self._roles.items(), key=lambda item: -len(item[0])):
            text = text.replace(name, role)
        return text


def _decisions(facts: CasePaper, names: _Names) -> list[Block]:
    if not facts.prompts:
        return [Text("No prompt was raised in the room.")]
    rows = []
    for prompt in facts.prompts:
        answer = prompt.answer
        rows.append(
            (
                words.moment(prompt.raised_at, facts.zone)[11:],
                prompt.headline,
                words.moment(prompt.shown_at, facts.zone)[11:] if prompt.shown_at else "not shown",
                answer.decision.removesuffix(" because") if answer else "no answer",
                names.hidden_in(answer.reason or "none given") if answer else "",
                f"{names.shown(answer.by)}, {words.moment(answer.at, facts.zone)[11:]}" if answer else "",
            )
        )
    head = ("raised", "prompt", "shown", "decided", "reason", "by, at")
    return [Grid(head, tuple(rows), (0.7, 2.3, 0.8, 1.0, 2.0, 1.4))]


def _course(facts: CasePaper, names: _Names) -> Grid:
    rows = tuple(
        (
            words.moment(line.at, facts.zone)[5:],
            names.hidden_in(line.text) + _mark(line, names),
            names.shown(line.by),
        )
        for line in facts.timeline
    )
    return Grid(("when", "what", "by"), rows or (("", "nothing is recorded", ""),), (1.0, 5.0, 1.4))


def _mark(line: TimelineLine, names: _Names) -> str:
    reason = f" Reason: {names.hidden_in(line.reason)}." if line.reason else ""
    return reason + (" (corrected or taken back later)" if line.is_replaced else "")
