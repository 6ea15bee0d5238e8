"""What is told of the events of a case that could not be placed, or only with a doubt."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import replace
from math import fsum, isfinite

from dosetrack.findings import Finding, FindingCode, figures, finding
from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.beam_of_event import Refusal


def usable_kerma_mgy(event: IrradiationEvent) -> float:
    """Reference air kerma of an event, 0 where it is not told or cannot be [mGy]."""
    kerma = event.reference_air_kerma_mgy
    return kerma if kerma is not None and isfinite(kerma) and kerma > 0 else 0.0


def refusal_findings(
    refused: Sequence[tuple[IrradiationEvent, Refusal]], *, events: int
) -> Iterator[Finding]:
    """One finding for each reason, and one for all impossible numbers, with the air kerma left out."""
    grouped: dict[Hashable, list[tuple[IrradiationEvent, Refusal]]] = {}
    for event, refusal in refused:
        key = FindingCode.BEAM_IMPOSSIBLE if refusal.is_impossible else refusal.reason
        grouped.setdefault(key, []).append((event, refusal))
    for group in grouped.values():
        event, refusal = group[0]
        kind = FindingCode.BEAM_IMPOSSIBLE if refusal.is_impossible else FindingCode.EVENTS_NOT_MAPPED
        reasons = len({refusal.reason for _, refusal in group})
        yield finding(
            kind,
            event_uid=event.uid if len(group) == 1 else None,
            count=len(group),
            of=events,
            kerma=_kerma_words(fsum(usable_kerma_mgy(event) for event, _ in group)),
            reason=refusal.reason if reasons == 1 else f"{refusal.reason}, and {reasons - 1} other reasons",
        )


def _kerma_words(kerma_mgy: float) -> str:
    """An unknown air kerma is never told as 0."""
    return f"{figures(kerma_mgy)} mGy" if kerma_mgy > 0 else "air kerma not known"


def arms_finding(kermas_mgy: Sequence[float]) -> Finding:
    """What is told of steep beams while it is not known how the arms lay."""
    return finding(FindingCode.ARMS_IN_BEAM_UNKNOWN, count=len(kermas_mgy), kerma=figures(fsum(kermas_mgy)))


def said_once(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings of several events with one text as one finding without an event."""
    by_text: dict[tuple[str, str], list[Finding]] = {}
    for one in findings:
        by_text.setdefault((one.code, one.text), []).append(one)
    return tuple(
        group[0] if len(group) == 1 else replace(group[0], event_uid=None) for group in by_text.values()
    )
