"""What a finding is, and what a kind of finding is."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from enum import Enum


class Severity(Enum):
    """How much a finding matters to the reader of the result."""

    INFO = "info"
    WARNING = "warning"
    ERROR = "error"


@dataclass(frozen=True, slots=True)
class FindingKind:
    """One member of the closed list: its code, severity and wording with {fields} for the facts."""

    code: str
    severity: Severity
    template: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing worth a person's attention.

    Attributes
    ----------
    code : of a member of `FindingCode`
    severity : 'info', 'warning' or 'error'
    text : a plain sentence
    event_uid : the irradiation event it speaks of, if one
    """

    code: str
    severity: str
    text: str
    event_uid: str | None = None


def finding(kind: FindingKind, /, *, event_uid: str | None = None, **facts: object) -> Finding:
    """The finding of this kind with its template filled from `facts`."""
    return Finding(
        code=kind.code,
        severity=kind.severity.value,
        text=kind.template.format(**facts),
        event_uid=event_uid,
    )


def figures(number: float, digits: int = 3) -> str:
    """`number` in so many figures and plain digits: what people read has no exponent.

    Examples
    --------
    >>> figures(1234.5), figures(0.012345), figures(1000.0), figures(2.0), figures(0.0)
    ('1230', '0.0123', '1000', '2', '0')
    """
    return f"{Decimal(f'{number:.{digits}g}').normalize():f}"
