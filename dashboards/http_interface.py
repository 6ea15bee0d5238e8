"""The HTTP interface for gateways: JSON under /api/1, a token for each room, nothing computed here.

It is no part of the pages: it takes no cookie, so that a page of another site can do nothing with it.
"""

from __future__ import annotations

import json
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from flask import Blueprint, Response, request
from werkzeug.exceptions import HTTPException

from dashboards import http_case
from dashboards.http_document import (
    JSON_TYPE,
    OPERATIONS,
    REPORT_TYPES,
    ROOT,
    Operation,
    interface_document,
)
from dashboards.http_guard import FailureLimit, token_digest
from dosetrack.entry import Typed
from dosetrack.entry.messages import checked_message, injection_of, reading_of
from dosetrack.errors import AccessError, DosetrackError, InputError, LedgerError, ReportRefusedError
from dosetrack.records.entries import ConsoleReading, Injection

if TYPE_CHECKING:
    from dosetrack.workflow import Workflow
    from dosetrack.workflow.results import Fed, Grant

BLUEPRINT = "http_interface"
RETRY_AFTER_S = 2
NO_TOKEN = "a token of this room in the header 'Authorization: Bearer ...'"
_LOG = logging.getLogger(__name__)
_METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
_STATUS_OF = {"recorded": 201, "held already": 200, "asked": 422}
Answer = tuple[int, dict[str, Any]]


class RefusedError(Exception):
    """A request that cannot be served: what is answered."""

    def __init__(
        self,
        status: int,
        error: str,
        *,
        field: str | None = None,
        accepted: str | None = None,
        headers: dict[str, str] | None = None,
    ) -> None:
        super().__init__(error)
        self.status = status
        self.body = {"error": error, "field": field, "accepted": accepted}
        self.headers = headers or {}


@dataclass(frozen=True, slots=True)
class Asked:
    """One request: who asks for what. token : None where none was shown and none is needed."""

    workflow: Workflow
    clock: Callable[[], datetime]
    operation: Operation
    token: Grant | None

    @property
    def grant(self) -> Grant:
        """The grant of the token shown."""
        if self.token is None:
            raise RefusedError(401, "No token was shown.", accepted=NO_TOKEN)
        return self.token


def interface(
    workflow: Workflow, clock: Callable[[], datetime], *, now_s: Callable[[], float] = time.monotonic
) -> Blueprint:
    """The interface over `workflow` as a part of the pages' server. now_s : counts seconds for limits."""
    blueprint = Blueprint(BLUEPRINT, __name__, url_prefix=ROOT)
    failures = FailureLimit(now_s)
    for operation in OPERATIONS:
        blueprint.add_url_rule(
            operation.path,
            endpoint=operation.name,
            view_func=_view(operation, workflow, clock, failures),
            methods=[operation.method],
            provide_automatic_options=False,
        )
    for rule in ("/", "/<path:_>"):
        blueprint.add_url_rule(rule, "nothing", _nothing_here, methods=_METHODS)
    blueprint.register_error_handler(Exception, _refusal)
    return blueprint


def _view(
    operation: Operation, workflow: Workflow, clock: Callable[[], datetime], failures: FailureLimit
) -> Callable[[], Response]:
    handler = _HANDLERS[operation.name]

    def view() -> Response:
        request.max_content_length = operation.most_bytes
        token = _grant_shown(workflow, failures, is_needed=operation.needs_token)
        status, body = handler(Asked(workflow, clock, operation, token))
        return _json(status, body)

    return view


# what is asked ---------------------------------------------------------------------------


def _post_reading(asked: Asked) -> Answer:
    return _fed(asked, reading_of)


def _post_injection(asked: Asked) -> Answer:
    return _fed(asked, injection_of)


def _fed(asked: Asked, parse: Callable[[dict[str, Any]], Typed[Any]]) -> Answer:
    assert asked.operation.form is not None
    message = checked_message(asked.operation.form, _document())
    grant = asked.grant
    if message.get("room", grant.room) != grant.room:
        accepted = f"{grant.room}, or no room"
        raise RefusedError(403, "The token is of another room.", field="room", accepted=accepted)
    when = message.get("happened_at")
    typed: Typed[ConsoleReading | Injection] = parse(message)
    fed = asked.workflow.feed(
        grant,
        typed.value,
        message_id=message["message_id"],
        questions=typed.questions,
        happened_at=None if when is None else asked.workflow.moment_in_room(grant.room, when),
    )
    return _told(fed)


def _told(fed: Fed) -> Answer:
    status = _STATUS_OF.get(fed.outcome, 409)
    if status in (200, 201):
        prompts = [http_case.prompt_document(prompt) for prompt in fed.prompts]
        is_new = fed.outcome == "recorded"
        return status, {
            "entry_id": fed.entry_id,
            "case_id": fed.case_id,
            "is_new": is_new,
            "prompts": prompts,
        }
    field = "message_id" if fed.outcome == "other content" else None
    questions = [{"kind": q.kind, "field": q.field, "text": q.text} for q in fed.questions]
    return status, {
        "error": fed.reason,
        "field": field,
        "accepted": None,
        "questions": questions,
        "held_as": fed.held_as,
    }


def _post_report(asked: Asked) -> Answer:
    grant = asked.grant
    if request.mimetype not in REPORT_TYPES:
        raise RefusedError(
            415, f"The body is {request.mimetype or 'of no type'}.", accepted=" or ".join(REPORT_TYPES)
        )
    taken = asked.workflow.take_in_sent_report(grant, request.get_data(cache=False))
    return (201 if taken.is_new else 200), {"case_id": taken.case_id, "is_new": taken.is_new}


def _get_case(asked: Asked) -> Answer:
    return 200, http_case.room_document(asked.workflow, asked.grant, now=asked.clock())


def _get_state(asked: Asked) -> Answer:
    asked.workflow.position()  # LedgerError when it cannot be reached
    state: dict[str, Any] = {"ledger": "reachable", "now": asked.clock().isoformat(timespec="milliseconds")}
    if asked.token is not None:
        room = asked.token.room
        is_running = asked.workflow.case_on(room) is not None
        state |= {"room": room, "gateway": asked.token.name, "is_case_running": is_running}
    return 200, state


def _get_document(asked: Asked) -> Answer:
    return 200, interface_document()


_HANDLERS: dict[str, Callable[[Asked], Answer]] = {
    "post_reading": _post_reading,
    "post_injection": _post_injection,
    "post_report": _post_report,
    "get_case": _get_case,
    "get_state": _get_state,
    "get_document": _get_document,
}


# who asks, and how -----------------------------------------------------------------------


def _grant_shown(workflow: Workflow, failures: FailureLimit, *, is_needed: bool) -> Grant | None:
    shown = request.headers.get("Authorization")
    if shown is None and not is_needed:
        return None
    digest = token_digest(shown)
    grant = workflow.grant_of(digest) if digest else None
    if grant is not None:
        return grant
    address = request.remote_addr or ""
    wait_s = failures.wait_s(address)
    if wait_s > 0:
        headers = {"Retry-After": f"{wait_s:.0f}"}
        raise RefusedError(
            429, "Too many refused tokens from this address.", accepted=NO_TOKEN, headers=headers
        )
    _LOG.warning("token refused, from %s", address)
    error = "No token was shown." if digest is None else "No such token is in force."
    raise RefusedError(401, error, accepted=NO_TOKEN, headers={"WWW-Authenticate": "Bearer"})


def _document() -> object:
    """The JSON of the body: strict, so that nothing is read in two ways."""
    if request.mimetype != JSON_TYPE:
        raise RefusedError(415, f"The body is {request.mimetype or 'of no type'}.", accepted=JSON_TYPE)
    accepted = "one JSON object (RFC 8259) in UTF-8"
    try:
        text = request.get_data(cache=False).decode("utf-8")
        return json.loads(text, object_pairs_hook=_each_once, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        why = "it is nested too deep" if isinstance(error, RecursionError) else str(error)
        raise RefusedError(400, f"The body is no JSON: {why}.", accepted=accepted) from None


def _each_once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


def _no_number(name: str) -> float:
    raise ValueError(f"{name} is no number of JSON")


# refusals --------------------------------------------------------------------------------


def _nothing_here(**_: str) -> Response:
    path = request.path.removeprefix(ROOT)
    allowed = [operation.method for operation in OPERATIONS if operation.path == path]
    if allowed:
        raise RefusedError(
            405,
            f"{request.method} is not possible here.",
            accepted=" or ".join(allowed),
            headers={"Allow": ", ".join(allowed)},
        )
    listed = ", ".join(f"{ROOT}{operation.path}" for operation in OPERATIONS)
    raise RefusedError(404, "Nothing stands at this address.", accepted=listed)


def _refusal(error: Exception) -> Response:
    """Any failure as JSON: what is wrong, in which field, what would be accepted."""
    return _json_of(_as_refused(error))


def _as_refused(error: Exception) -> RefusedError:
    if isinstance(error, RefusedError):
        return error
    if isinstance(error, InputError):
        given = "is missing" if error.given is None else f"{error.given!r} cannot be used"
        return RefusedError(422, f"{error.field}: {given}.", field=error.field, accepted=error.accepted)
    if isinstance(error, AccessError):
        return RefusedError(403, f"{error}.")
    if isinstance(error, ReportRefusedError):
        return RefusedError(422, f"The dose report cannot be read: {error.reason}")
    if isinstance(error, LedgerError):
        _LOG.error("a gateway's message could not be kept: %s", error)
        return RefusedError(503, f"{error}", headers={"Retry-After": str(RETRY_AFTER_S)})
    if isinstance(error, DosetrackError):
        return RefusedError(409, f"{error}")
    if isinstance(error, HTTPException):
        return RefusedError(error.code or 500, _plain_words(error))
    _LOG.error("a gateway's request failed", exc_info=error)
    return RefusedError(500, "The service failed; nothing was kept. Send it again later.")


def _plain_words(error: HTTPException) -> str:
    if error.code == 413:
        most = request.max_content_length
        return f"The body is too large; {most} bytes are accepted here."
    return error.description or "The request cannot be served."


def _json_of(refused: RefusedError) -> Response:
    answer = _json(refused.status, refused.body)
    answer.headers.update(refused.headers)
    return answer


def _json(status: int, body: dict[str, Any]) -> Response:
    return Response(json.dumps(body, allow_nan=False), status=status, mimetype=JSON_TYPE)
