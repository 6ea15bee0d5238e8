"""Asking a DICOM Modality Worklist what is planned (PS3.4 annex K), and taking in what it answers."""

from __future__ import annotations

import socket
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pynetdicom import AE

from dosetrack.errors import DosetrackError, InputError
from dosetrack.exchange.worklist_query import WORKLIST_CLASS, worklist_query
from dosetrack.readers.worklist_item import worklist_item
from dosetrack.records.entries import ProcedureScheduled
from dosetrack.records.people import Actor
from dosetrack.workflow import Workflow
from dosetrack.workflow.scheduling import Asked, ScheduleTakenIn

_PENDING = (0xFF00, 0xFF01)  # the second: some optional key was not supported
_SUCCESS = 0x0000
_FAILURES = {  # PS3.4 table K.4-2, PS3.7 annex C
    0xA700: "out of resources",
    0xA900: "the question does not fit its class",
    0xFE00: "the answer was broken off",
    0x0122: "it does not offer a worklist",
}
_UNABLE = range(0xC000, 0xD000)
_TIMEOUT_S = 30.0
_REJECTED = "{place} refused the association: check --called {called!r} and --calling {calling!r}"
_UNREACHED = "{place} cannot be reached ({why}): is the address right, and does the server run?"
_UNOFFERED = "{place} offers no modality worklist"


class WorklistError(DosetrackError, ConnectionError):
    """A worklist could not be asked at all."""


@dataclass(frozen=True, slots=True)
class WorklistAddress:
    """Where a worklist is asked and under which AE titles."""

    host: str
    port: int
    called: str
    calling: str = "DOSE"

    @property
    def source(self) -> str:
        """As what it stands in the planned procedures."""
        return f"worklist of {self.called}"


@dataclass(frozen=True, slots=True)
class WorklistQuestion:
    """Which steps: days YYYY-MM-DD, both included; AE title of the station and modality, None: any."""

    first_day: str
    last_day: str
    station: str | None = None
    modality: str | None = None


@dataclass(frozen=True, slots=True)
class WorklistAnswer:
    """What a worklist told.

    cancelled : keys of steps told as cancelled
    refused : answers that could not be used, each with its reason
    failure : why the answer is not whole; None where it is
    """

    procedures: tuple[ProcedureScheduled, ...]
    cancelled: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()
    failure: str | None = None


def ask_worklist(
    address: WorklistAddress, question: WorklistQuestion, *, rooms: Mapping[str, str]
) -> WorklistAnswer:
    """Every step that the worklist tells.

    Parameters
    ----------
    rooms : station name or AE title -> room

    Raises
    ------
    WorklistError
        It cannot be reached, refuses, or is no worklist.
    """
    _reach(address)
    entity = AE(ae_title=address.calling)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = _TIMEOUT_S
    entity.connection_timeout = _TIMEOUT_S
    entity.add_requested_context(WORKLIST_CLASS)
    made = entity.associate(address.host, address.port, ae_title=address.called)
    if not made.is_established:
        raise WorklistError(_why_not(made, address))
    try:
        return _answer(made, address, question, rooms)
    finally:
        if made.is_established:
            made.release()


def take_in_worklist(
    workflow: Workflow, address: WorklistAddress, question: WorklistQuestion, *, actor: Actor
) -> tuple[ScheduleTakenIn, WorklistAnswer]:
    """Ask, and take in what was told; steps that are gone are taken back where the answer was whole.

    Raises
    ------
    WorklistError
        As of `ask_worklist`; nothing was changed.
    """
    answer = ask_worklist(address, question, rooms=workflow.settings().pairs("site.rooms"))
    is_whole = answer.failure is None and not answer.refused
    asked = Asked(address.source, question.first_day, question.last_day, station=question.station)
    taken = workflow.take_in_schedule(
        answer.procedures, cancelled=answer.cancelled, asked=asked if is_whole else None, actor=actor
    )
    return taken, answer


def _answer(
    made: Any, address: WorklistAddress, question: WorklistQuestion, rooms: Mapping[str, str]
) -> WorklistAnswer:
    query = worklist_query(
        first_day=question.first_day,
        last_day=question.last_day,
        station=question.station,
        modality=question.modality,
    )
    found: dict[str, ProcedureScheduled] = {}
    cancelled: dict[str, None] = {}
    refused: list[str] = []
    failure: str | None = f"{_place(address)} broke off before its answer was whole"
    for status, identifier in made.send_c_find(query, WORKLIST_CLASS):
        code = int(status.Status) if "Status" in status else None
        if code in _PENDING:
            try:
                item = worklist_item(identifier, source=address.source, rooms=rooms)
            except (InputError, AttributeError) as error:  # an identifier that cannot be decoded is None
                refused.append(_refusal(error, number=len(found) + len(cancelled) + len(refused) + 1))
                continue
            if item.is_cancelled:
                cancelled[item.procedure.key] = None
            else:
                found[item.procedure.key] = item.procedure
        elif code == _SUCCESS:
            failure = None
        elif code is not None:
            failure = _failure(code, status, address)
    still = tuple(key for key in cancelled if key not in found)
    return WorklistAnswer(tuple(found.values()), still, tuple(refused), failure)


def _refusal(error: InputError | AttributeError, *, number: int) -> str:
    if isinstance(error, InputError):
        return f"answer {number}: {error}"
    return f"answer {number}: its data cannot be decoded; accepted: a DICOM data set"


def _failure(code: int, status: Any, address: WorklistAddress) -> str:
    words = _FAILURES.get(code, "it was unable to process the question" if code in _UNABLE else "it failed")
    comment = str(status.get("ErrorComment", "") or "").strip()
    return f"{_place(address)}: {words} (status {code:04X}{', ' + comment if comment else ''})"


def _why_not(made: Any, address: WorklistAddress) -> str:
    place = _place(address)
    if made.is_rejected:
        return _REJECTED.format(place=place, called=address.called, calling=address.calling)
    if made.rejected_contexts:
        return _UNOFFERED.format(place=place)
    return f"{place} answered, but made no DICOM association: is it a worklist server?"


def _reach(address: WorklistAddress) -> None:
    """A first connection, which tells by its error why there can be none."""
    try:
        socket.create_connection((address.host, address.port), timeout=_TIMEOUT_S).close()
    except OSError as error:
        raise WorklistError(_UNREACHED.format(place=_place(address), why=error.strerror or error)) from error


def _place(address: WorklistAddress) -> str:
    return f"{address.called} at {address.host}:{address.port}"
