"""What typed text becomes: a value, and what must be asked about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic, Literal, TypeVar

from dosetrack.findings import Finding, FindingCode, finding

T = TypeVar("T")
QuestionKind = Literal["range", "unit", "change", "dilution", "reset", "carried-over", "fit", "duplicate"]


@dataclass(frozen=True, slots=True)
class Question:
    """Something to ask the person before the value counts.

    field : what it is about, in the user's words
    text : the question, a plain sentence
    proposal : what may have been meant, in a form that can be typed; never put in by itself
    """

    kind: QuestionKind
    field: str
    text: str
    proposal: str | None = None

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Typed(Generic[T]):
    """A value exactly as typed, with open questions and findings."""

    value: T
    findings: tuple[Finding, ...] = ()
    questions: tuple[Question, ...] = ()

    def all_findings(self, *, place: str = "") -> tuple[Finding, ...]:
        """The findings, each open question among them: for a file, where nobody can be asked.

        Parameters
        ----------
        place : put before each question, e.g. 'entries.csv, line 4: '
        """
        asked = tuple(
            finding(FindingCode.ENTRY_QUESTION, place=place, field=question.field, text=question.text)
            for question in self.questions
        )
        return (*self.findings, *asked)
