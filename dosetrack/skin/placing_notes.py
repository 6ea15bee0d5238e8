"""What is taken for granted while the events of a case are placed, counted and said once."""

from __future__ import annotations

from collections.abc import Iterator

from dosetrack.skin.model import Assumption


class PlacingNotes:
    """Assumptions of a case and of single events; the same one of several events is said once."""

    def __init__(self) -> None:
        self._of_case: dict[tuple[str, str], None] = {}
        self._of_events: dict[tuple[str, str], int] = {}

    def case(self, key: str, text: str) -> None:
        """Note an assumption that holds for the whole case."""
        self._of_case[key, text] = None

    def event(self, key: str, text: str) -> None:
        """Note an assumption about one event."""
        self._of_events[key, text] = self._of_events.get((key, text), 0) + 1

    def assumptions(self, *, events: int) -> tuple[Assumption, ...]:
        """All of them, those of single events with their count: '... in 12 of 150 events'."""
        return tuple(self._all(events))

    def _all(self, events: int) -> Iterator[Assumption]:
        for key, text in self._of_case:
            yield Assumption(key, text)
        for (key, text), count in self._of_events.items():
            where = f"in {count} of {events} event{'' if events == 1 else 's'}"
            yield Assumption(key, f"{text} {where}", share=count / events)
