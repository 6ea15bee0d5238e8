"""Settings and the month."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from dosetrack.audit import AuditResult
from dosetrack.audit.measures import Measures
from dosetrack.errors import InputError
from dosetrack.records.entries import (
    NewEntry,
    SettingChanged,
)
from dosetrack.records.people import Actor
from dosetrack.settings import checked_scope, checked_value, definitions
from dosetrack.times import zone_named
from dosetrack.workflow.auditing import audit_of, measures_of, months_with_cases
from dosetrack.workflow.results import (
    SettingView,
)
from dosetrack.workflow.scheduling import Scheduling
from dosetrack.workflow.site import changes_in, settings_for


class Governing(Scheduling):
    """Calls of the lead and the physicist."""

    def setting_views(self, scope: str = "site") -> tuple[SettingView, ...]:
        """Every setting with its value in `scope` and its history, newest change first."""
        place, _, name = scope.partition(":")
        with self.ledger.reading() as reader:
            changes = changes_in(reader)
        settings = self.settings(
            room=name if place == "room" else None, procedure=name if place == "procedure" else None
        )
        return tuple(
            SettingView(
                definition=definition,
                value=settings.values[key],
                origin=settings.origins[key],
                history=tuple(c for c in reversed(changes) if c.key == key),
            )
            for key, definition in definitions().items()
        )

    def change_setting(
        self,
        *,
        key: str,
        scope: str,
        value: str,
        valid_from: str,
        actor: Actor,
        reason: str,
        source: str | None = None,
    ) -> None:
        """Record a new value of a setting; InputError naming what is accepted when it cannot be."""
        text = checked_value(key, value)
        checked_scope(key, scope)
        if key == "site.time_zone" and text:
            zone_named(text)
        if not reason.strip():
            raise InputError(field="reason", given=reason, accepted="a few words why")
        payload = SettingChanged(
            key=key, scope=scope, value=text, valid_from=_checked_day(valid_from), source=source
        )
        with self.ledger.transaction() as tx:
            tx.append(NewEntry(payload=payload, actor=actor, happened_at=self._clock(), reason=reason))

    def audit(self, *, first_day: str, last_day: str, room: str | None = None) -> AuditResult:
        """The audit of the ended cases from `first_day` to `last_day`, both included.

        room : only the cases of this room; None: of every room
        """
        with self.ledger.reading() as reader:
            result = audit_of(reader, settings_for(reader), first_day=first_day, last_day=last_day, room=room)
        came = self.expected_and_received(first_day, last_day, room=room)
        return replace(result, completeness=replace(result.completeness, reception=came))

    def audit_measures(
        self, *, first_day: str, last_day: str, room: str | None = None, with_comparisons: bool = False
    ) -> Measures:
        """The statistics beside the audit of the same days and room: intervals, charts, comparisons."""
        with self.ledger.reading() as reader:
            return measures_of(
                reader,
                settings_for(reader),
                first_day=first_day,
                last_day=last_day,
                room=room,
                with_comparisons=with_comparisons,
            )

    def months(self) -> tuple[str, ...]:
        """The months 'YYYY-MM' that hold cases, oldest first."""
        with self.ledger.reading() as reader:
            return months_with_cases(reader)


def _checked_day(text: str) -> str:
    try:
        return datetime.strptime(text, "%Y-%m-%d").date().isoformat()  # noqa: DTZ007 - a day has no zone
    except ValueError:
        raise InputError(field="valid from", given=text, accepted="a day such as 2026-03-01") from None
