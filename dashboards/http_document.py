"""What the HTTP interface offers: one table of operations, from which routes and description are made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from dosetrack.entry.messages import INJECTION, READING, MessageForm, schema_of
from dosetrack.version import VERSION

ROOT = "/api/1"
MOST_MESSAGE_BYTES = 64 * 1024
MOST_REPORT_BYTES = 64 * 1024 * 1024
"""The largest dose reports known are 17 MB; of an image send the header or use the DICOM receiver."""
JSON_TYPE = "application/json"
REPORT_TYPES = ("application/dicom", "application/octet-stream")


@dataclass(frozen=True, slots=True)
class Operation:
    """One thing a gateway may ask.

    name : of the function that answers it
    form : of the JSON message it takes; None without one
    takes_report : the body is a DICOM file
    answers : status -> (what it means, name of the schema of its body)
    """

    name: str
    method: Literal["GET", "POST"]
    path: str
    summary: str
    meaning: str
    answers: Mapping[int, tuple[str, str]]
    form: MessageForm | None = None
    takes_report: bool = False
    needs_token: bool = True

    @property
    def most_bytes(self) -> int:
        """The largest body it takes."""
        return MOST_REPORT_BYTES if self.takes_report else MOST_MESSAGE_BYTES


_RECORDED = {
    201: ("Recorded.", "Recorded"),
    200: ("The same message was recorded before; nothing was added.", "Recorded"),
}
_REFUSED_MESSAGE = {
    400: ("The body is no JSON.", "Refused"),
    409: (
        "No case ran in the room at that time, the message_id was used for other content, or a person "
        "decided that it does not count. Do not send it again.",
        "Refused",
    ),
    422: (
        "A value cannot be used, or a person must be asked first: then `questions` holds what, and it "
        "counts nowhere until answered in the room. Do not send it again.",
        "Refused",
    ),
}
_REFUSED_BODY = {
    413: ("The body is too large.", "Refused"),
    415: ("The body is of another type.", "Refused"),
}
_REFUSED_TOKEN = {
    401: ("No token, or none that is in force.", "Refused"),
    403: ("The token is of another room.", "Refused"),
    429: ("Too many refused tokens from this address. Wait as Retry-After says.", "Refused"),
}
_BUSY = {503: ("The ledger cannot be written or read now; nothing was kept. Send it again.", "Refused")}

OPERATIONS: tuple[Operation, ...] = (
    Operation(
        name="post_reading",
        method="POST",
        path="/readings",
        summary="A console reading",
        meaning="Cumulative numbers of one plane, recorded in the case that ran in the room at that time.",
        answers=_RECORDED | _REFUSED_MESSAGE | _REFUSED_BODY | _REFUSED_TOKEN | _BUSY,
        form=READING,
    ),
    Operation(
        name="post_injection",
        method="POST",
        path="/injections",
        summary="An injection",
        meaning="One injection as delivered. Without a case in the room it is held for a person (409).",
        answers=_RECORDED | _REFUSED_MESSAGE | _REFUSED_BODY | _REFUSED_TOKEN | _BUSY,
        form=INJECTION,
    ),
    Operation(
        name="post_report",
        method="POST",
        path="/dose-reports",
        summary="A dose report, whole",
        meaning="The bytes of one DICOM file. Success means that the ledger holds them. What cannot be read "
        "is kept in quarantine and answered 422. The same bytes again add nothing.",
        answers={
            201: ("Taken in.", "ReportTaken"),
            200: ("The same bytes are held already.", "ReportTaken"),
            422: ("It cannot be read; the reason is given.", "Refused"),
        }
        | _REFUSED_BODY
        | _REFUSED_TOKEN
        | _BUSY,
        takes_report=True,
    ),
    Operation(
        name="get_case",
        method="GET",
        path="/case",
        summary="The running case of the room",
        meaning="Totals so far, levels reached, prompts to decide, and what waits for a person. The patient "
        "is named only to a token that was granted it.",
        answers={200: ("The case, or null where none runs.", "RoomNow")} | _REFUSED_TOKEN | _BUSY,
    ),
    Operation(
        name="get_state",
        method="GET",
        path="/state",
        summary="Whether the service can take messages",
        meaning="Needs no token; with one it tells the room too. Compare `now` with your own clock.",
        answers={200: ("The ledger can be reached.", "ServiceState"), 401: _REFUSED_TOKEN[401]} | _BUSY,
        needs_token=False,
    ),
    Operation(
        name="get_document",
        method="GET",
        path="/openapi.json",
        summary="This description",
        meaning="OpenAPI 3.1, made from the definitions by which messages are checked.",
        answers={200: ("The description.", "Description")},
        needs_token=False,
    ),
)


def _known(*kinds: str, meaning: str = "", **more: Any) -> dict[str, Any]:
    """The schema of a value; several kinds where null is 'not known'."""
    kind = kinds[0] if len(kinds) == 1 else list(kinds)
    return {"type": kind, **({"description": meaning} if meaning else {}), **more}


def _object(properties: Mapping[str, Any], *, optional: tuple[str, ...] = ()) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": dict(properties),
        "required": [name for name in properties if name not in optional],
        "additionalProperties": False,
    }


def _list_of(item: Mapping[str, Any]) -> dict[str, Any]:
    return {"type": "array", "items": dict(item)}


_TEXT, _NUMBER, _FLAG = _known("string"), _known("number"), _known("boolean")
_MAYBE_TEXT, _MAYBE_NUMBER = _known("string", "null"), _known("number", "null")
_DOSES = {
    "reference_air_kerma_mgy": _MAYBE_NUMBER,
    "dose_area_product_gycm2": _MAYBE_NUMBER,
    "fluoroscopy_time_s": _MAYBE_NUMBER,
}
_PROMPT = _object(
    {
        "prompt_id": _TEXT,
        "lane": _known("string", enum=["radiation", "contrast"]),
        "priority": _TEXT,
        "headline": _TEXT,
        "say": _TEXT,
        "raised_at": _TEXT,
    }
)
_CASE = _object(
    {
        "case_id": _TEXT,
        "state": _TEXT,
        "started_at": _MAYBE_TEXT,
        "patient": _object({"id": _MAYBE_TEXT, "name": _MAYBE_TEXT}),
        "planes": _list_of(_object({"plane": _TEXT, **_DOSES})),
        "dose_area_product_gycm2": _known("number", "null", meaning="Over all planes."),
        "fluoroscopy_time_s": _known("number", "null", meaning="Over all planes."),
        "contrast_ml": _known("number", "null", meaning="Iodinated, as given; null: nothing was entered."),
        "iodine_g": _MAYBE_NUMBER,
        "contrast_headline": _known("string", meaning="Where the contrast stands against the limits."),
        "levels": _list_of(
            _object(
                {
                    "lane": _TEXT,
                    "quantity": _TEXT,
                    "plane": _MAYBE_TEXT,
                    "name": _TEXT,
                    "value": _NUMBER,
                    "level": _NUMBER,
                    "source": _TEXT,
                }
            )
        ),
        "prompts": _list_of(_PROMPT),
        "feeds": _list_of(_object({"kind": _TEXT, "name": _TEXT, "last_at": _MAYBE_TEXT})),
        "is_stale": _FLAG,
    },
    optional=("patient",),
)
SCHEMAS: dict[str, dict[str, Any]] = {
    READING.name: schema_of(READING),
    INJECTION.name: schema_of(INJECTION),
    "Recorded": _object(
        {
            "entry_id": _TEXT,
            "case_id": _TEXT,
            "is_new": _FLAG,
            "prompts": _known("array", meaning="What this message made due for decision.", items=_PROMPT),
        }
    ),
    "ReportTaken": _object({"case_id": _TEXT, "is_new": _FLAG}),
    "Refused": _object(
        {
            "error": _known("string", meaning="What is wrong, a sentence."),
            "field": _known("string", "null", meaning="The key it is about."),
            "accepted": _known("string", "null", meaning="What would be accepted."),
            "questions": _list_of(_object({"kind": _TEXT, "field": _TEXT, "text": _TEXT})),
            "held_as": _known("string", "null", meaning="Id under which it waits for a person."),
        },
        optional=("questions", "held_as"),
    ),
    "RoomNow": _object(
        {
            "room": _TEXT,
            "now": _TEXT,
            "position": _known("integer", meaning="Grows with every entry of the ledger."),
            "case": {"oneOf": [_known("null"), _CASE]},
            "waiting": _list_of(
                _object(
                    {
                        "entry_id": _TEXT,
                        "case_id": _MAYBE_TEXT,
                        "sent_by": _TEXT,
                        "happened_at": _TEXT,
                        "questions": _list_of(_TEXT),
                    }
                )
            ),
        }
    ),
    "ServiceState": _object(
        {
            "ledger": _known("string", enum=["reachable"]),
            "now": _TEXT,
            "room": _TEXT,
            "gateway": _TEXT,
            "is_case_running": _FLAG,
        },
        optional=("room", "gateway", "is_case_running"),
    ),
    "Description": _known("object"),
}


def interface_document() -> dict[str, Any]:
    """The interface as an OpenAPI 3.1 document."""
    paths: dict[str, dict[str, Any]] = {}
    for operation in OPERATIONS:
        paths.setdefault(f"{ROOT}{operation.path}", {})[operation.method.lower()] = _described(operation)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Radiation and contrast: interface for gateways in the room",
            "version": VERSION,
            "description": "For gateways that read a console or an injector. Each token is of one room. "
            "Send a message again, unchanged, after 429, 503 or no answer; never after another 4xx.",
        },
        "servers": [{"url": "/"}],
        "paths": paths,
        "components": {
            "schemas": SCHEMAS,
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }


def _described(operation: Operation) -> dict[str, Any]:
    described: dict[str, Any] = {
        "operationId": operation.name,
        "summary": operation.summary,
        "description": operation.meaning,
        "security": [{"token": []}] if operation.needs_token else [{}, {"token": []}],
        "responses": {
            str(status): {
                "description": meaning,
                "content": {JSON_TYPE: {"schema": {"$ref": f"#/components/schemas/{schema}"}}},
            }
            for status, (meaning, schema) in sorted(operation.answers.items())
        },
    }
    if operation.form is not None:
        schema = {"$ref": f"#/components/schemas/{operation.form.name}"}
        described["requestBody"] = {"required": True, "content": {JSON_TYPE: {"schema": schema}}}
    if operation.takes_report:
        described["requestBody"] = {"required": True, "content": {kind: {} for kind in REPORT_TYPES}}
    return described
