"""Which machines may feed a room. Of a token only its digest is kept."""

from __future__ import annotations

import hmac
from functools import cached_property

from dosetrack.errors import InputError
from dosetrack.records.entries import AccessGranted, Entry, NewEntry, Withdrawn
from dosetrack.records.people import Actor
from dosetrack.workflow.base import LedgerUser
from dosetrack.workflow.feed_index import FeedIndex
from dosetrack.workflow.results import Grant


class Granting(LedgerUser):
    """Calls by which people govern the gateways."""

    @cached_property
    def _feed_index(self) -> FeedIndex:
        return FeedIndex(self.ledger)

    def grant_access(
        self, *, name: str, room: str, token_sha256: str, actor: Actor, sees_patient: bool = False
    ) -> Grant:
        """Let the gateway `name` feed `room`. Only the SHA-256 of its token is kept, in hexadecimal.

        Raises
        ------
        InputError
            No name or room, or a gateway of this name has access already.
        """
        name, room = " ".join(name.split()), room.strip()
        if not name or not room:
            raise InputError(field="name and room", given=f"{name!r}, {room!r}", accepted="both of them")
        payload = AccessGranted(name=name, room=room, token_sha256=token_sha256, sees_patient=sees_patient)
        taken = "another name: one gateway has one grant; withdraw the earlier first"
        if any(grant.name == name for grant in self.grants()):
            raise InputError(field="name", given=name, accepted=taken)
        with self.ledger.transaction() as tx:
            entry = tx.append(NewEntry(payload=payload, actor=actor, happened_at=self._clock()))
        return _grant(entry, payload)

    def grants(self) -> tuple[Grant, ...]:
        """The grants in force, oldest first."""
        return tuple(
            _grant(entry, entry.payload)
            for entry in self._feed_index.grants()
            if isinstance(entry.payload, AccessGranted)
        )

    def withdraw_access(self, name: str, *, actor: Actor, reason: str) -> Grant:
        """End the access of the gateway `name`; InputError when there is none of that name."""
        grant = next((g for g in self.grants() if g.name == " ".join(name.split())), None)
        if grant is None:
            names = ", ".join(repr(g.name) for g in self.grants()) or "none has access"
            raise InputError(field="name", given=name, accepted=f"the name of a gateway: {names}")
        with self.ledger.transaction() as tx:
            gone = NewEntry(
                payload=Withdrawn(),
                actor=actor,
                happened_at=self._clock(),
                reason=reason or None,
                replaces=grant.id,
            )
            tx.append(gone)
        return grant

    def grant_of(self, token_sha256: str) -> Grant | None:
        """The grant in force for the token with this digest; compared in constant time."""
        found = None
        for entry in self._feed_index.grants():
            payload = entry.payload
            if isinstance(payload, AccessGranted) and hmac.compare_digest(payload.token_sha256, token_sha256):
                found = _grant(entry, payload)
        return found


def _grant(entry: Entry, payload: AccessGranted) -> Grant:
    return Grant(
        id=entry.id,
        name=payload.name,
        room=payload.room,
        sees_patient=payload.sees_patient,
        granted_at=entry.recorded_at,
        granted_by=entry.actor.name,
    )
