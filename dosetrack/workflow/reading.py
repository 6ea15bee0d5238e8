"""Looking: lists of cases, one case whole, what a patient received before."""

from __future__ import annotations

from datetime import datetime
from functools import cached_property

from dosetrack.errors import UnknownCaseError
from dosetrack.records.entries import ConsoleReading
from dosetrack.workflow.base import LedgerUser
from dosetrack.workflow.held_views import HeldViews
from dosetrack.workflow.listing import summary_of
from dosetrack.workflow.questions import last_reading_in_room
from dosetrack.workflow.results import (
    CaseSummary,
    CaseView,
    Earlier,
)
from dosetrack.workflow.site import settings_for
from dosetrack.workflow.views import case_view, earlier_of


class Reading(LedgerUser):
    """Calls that only read."""

    def position(self) -> int:
        """The last ledger seq; cheap enough to ask twice a second."""
        return self.ledger.position()

    def case_position(self, case_id: str) -> int:
        """The last ledger seq that tells of this case or of no case; as cheap as `position`."""
        with self.ledger.reading() as reader:
            return reader.case_position(case_id)

    def cases_moved(self, *, after_seq: int) -> dict[str | None, int]:
        """The last ledger seq of each case (None: of no case) told of after `after_seq`."""
        with self.ledger.reading() as reader:
            return reader.cases_moved(after_seq=after_seq)

    def cases(self, *, first_day: str | None = None, last_day: str | None = None) -> tuple[CaseSummary, ...]:
        """Cases by local day (YYYY-MM-DD, both ends included), oldest first."""
        with self.ledger.reading() as reader:
            return tuple(map(summary_of, reader.case_totals(from_day=first_day, to_day=last_day)))

    def running_cases(self) -> tuple[CaseSummary, ...]:
        """The cases that are running now."""
        with self.ledger.reading() as reader:
            return tuple(map(summary_of, reader.running_cases()))

    def planned_cases(self) -> tuple[CaseSummary, ...]:
        """The cases that are planned and have not begun."""
        with self.ledger.reading() as reader:
            return tuple(map(summary_of, reader.case_totals(state="planned")))

    def case_view(self, case_id: str, *, as_of: datetime | None = None) -> CaseView:
        """Everything known of one case. UnknownCaseError when there is none with this id."""
        with self.ledger.reading() as reader:
            case, settings = self.projector.case(reader, case_id)
            if not case.entries:
                raise UnknownCaseError(f"there is no case with the id {case_id!r}")
            return case_view(reader, case, settings, as_of=as_of or self._clock())

    def case_view_on_screen(self, case_id: str, *, position: int | None = None) -> CaseView:
        """The same for screens that stand open: one view for all that ask within a second of each other.

        Whatever is told of the case is in it. What changes without that (ages, forecasts, cases of the
        same patient elsewhere) may be a second old.

        position : of the case, where it is known
        """
        position = self.case_position(case_id) if position is None else position
        now = self._clock()
        return self._on_screen.get(
            case_id, position=position, now=now, make=lambda: self.case_view(case_id, as_of=now)
        )

    @cached_property
    def _on_screen(self) -> HeldViews[CaseView]:
        return HeldViews()

    def patient_history(
        self, patient_id: str, *, patient_issuer: str | None = None, before: datetime | None = None
    ) -> Earlier:
        """What the patient received before `before` inside the look-back windows."""
        with self.ledger.reading() as reader:
            return earlier_of(
                reader,
                settings_for(reader),
                patient_id=patient_id,
                patient_issuer=patient_issuer,
                before=before or self._clock(),
            )

    def rooms(self) -> tuple[str, ...]:
        """The rooms of the settings and of every case, sorted."""
        with self.ledger.reading() as reader:
            named = set(settings_for(reader).pairs("site.rooms").values())
            seen = {row.room for row in reader.case_totals() if row.room}
        return tuple(sorted(named | seen))

    def people(self, room: str | None = None) -> tuple[str, ...]:
        """Names offered when someone acknowledges a prompt in `room`."""
        return self.settings(room=room).lines("site.people")

    def last_reading_in_room(self, case_id: str, plane: str) -> ConsoleReading | None:
        """What the console showed last of `plane` before this case, in its room; None if not known."""
        with self.ledger.reading() as reader:
            case, _ = self.projector.case(reader, case_id)
            return last_reading_in_room(reader, case, plane=plane)
