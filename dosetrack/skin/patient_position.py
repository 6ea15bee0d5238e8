"""How the patient lay in each event of a case."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite

from dosetrack.findings import Finding, FindingCode, finding
from dosetrack.records.report import IrradiationEvent
from dosetrack.skin.gantry_angles import POSITIONS
from dosetrack.skin.placing_notes import PlacingNotes
from dosetrack.skin.setup import Position

_WORDS: dict[str | None, Position] = {word: word for word in POSITIONS}


def position_of(events: Sequence[IrradiationEvent], *, set_by_hand: Position | None = None) -> Position:
    """The position a case of these events is mapped in, which a flat sheet must face the table in.

    Examples
    --------
    >>> position_of([IrradiationEvent(patient_position="HFP", reference_air_kerma_mgy=3.0)])
    'HFP'
    """
    return PatientPositions(events, set_by_hand=set_by_hand, notes=PlacingNotes()).main


class PatientPositions:
    """The position a case is mapped in, and how each event stands to it.

    main : as a person told; else the one in which most of the air kerma was given; else head first,
        supine
    told : as each event tells it
    is_turned : of each event, whether the patient lay head for feet against `main`
    """

    def __init__(
        self, events: Sequence[IrradiationEvent], *, set_by_hand: Position | None, notes: PlacingNotes
    ) -> None:
        self.told = [_WORDS.get(event.patient_position) for event in events]
        self.findings: list[Finding] = []
        self._is_by_hand = set_by_hand is not None
        self.main: Position = set_by_hand or self._most(events, notes)
        self.is_turned = list(self._turned())

    def other_side(self, row: int) -> Position | None:
        """The position told by an event in which the patient lay on another side than in `main`.

        The table then lay at another side of the body, which one case cannot hold.
        """
        told = self.told[row]
        return None if self._is_by_hand or told is None or told[2:] == self.main[2:] else told

    def _turned(self) -> Iterator[bool]:
        for row, told in enumerate(self.told):
            differs = told is not None and told != self.main
            yield differs and not self._is_by_hand and self.other_side(row) is None

    def _most(self, events: Sequence[IrradiationEvent], notes: PlacingNotes) -> Position:
        given: dict[Position, float] = {}
        for event, told in zip(events, self.told, strict=True):
            if told is not None:
                kerma = event.reference_air_kerma_mgy
                usable = kerma is not None and isfinite(kerma) and kerma > 0
                given[told] = given.get(told, 0.0) + (kerma if usable and kerma is not None else 0.0)
        if not given:
            notes.case("patient-position", "patient taken to lie head first, supine (not told)")
            return "HFS"
        main = max(given, key=given.__getitem__)
        others = sorted(position for position in given if position != main)
        if others:
            self.findings.append(
                finding(FindingCode.PATIENT_POSITION_CHANGES, position=main, others=", ".join(others))
            )
        if any(other[2:] == main[2:] for other in others):
            notes.case(
                "patient-turned",
                "after the patient was turned the same part of the body lay at the isocentre",
            )
        return main
