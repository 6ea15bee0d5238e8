"""Settings as they stand in the ledger, resolved for a room and a procedure."""

from __future__ import annotations

from datetime import date

from dosetrack.ledger import LedgerReader, SettingRow
from dosetrack.settings import SettingChange, Settings, resolve

_ALWAYS = date.max.isoformat()


def changes_in(reader: LedgerReader) -> tuple[SettingChange, ...]:
    """Every setting change that counts, in ledger order."""
    return tuple(_change(row) for row in reader.setting_history() if row.replaced_by is None)


def settings_for(
    reader: LedgerReader,
    *,
    room: str | None = None,
    procedure: str | None = None,
    day: str | None = None,
) -> Settings:
    """The settings in force on `day` (None: the newest) for a room and a procedure."""
    return resolve(changes_in(reader), day=day or _ALWAYS, room=room, procedure=procedure)


def _change(row: SettingRow) -> SettingChange:
    return SettingChange(
        seq=row.seq,
        key=row.key,
        scope=row.scope,
        value=row.value,
        valid_from=row.valid_from,
        recorded_at=row.recorded_at,
        actor=row.actor.name,
        reason=row.reason,
        source=row.source,
    )
