"""What a machine may send: the fields of a message, checked, and what they become.

The same definitions make the check and the published description (JSON Schema 2020-12), so that the
two cannot differ. A number stands under a key that ends in its unit, or as text with its unit beside it.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

from dosetrack.entry.answers import Question, Typed
from dosetrack.entry.bounds import bound, is_inside
from dosetrack.entry.console import reading_from_text
from dosetrack.entry.contrast import injection_from_text
from dosetrack.errors import InputError
from dosetrack.records.entries import Agent, ConsoleReading, Injection, InjectionSite
from dosetrack.tables import constants

_MGY_PER_GY = 1000.0
MOST_CHARACTERS = 200
MESSAGE_ID = r"[A-Za-z0-9._:~-]{1,100}"
_JSON_TYPE = {"text": "string", "number": "number", "flag": "boolean"}
_IN_WORDS = {"text": "text in quotation marks", "number": "a number", "flag": "true or false"}


@dataclass(frozen=True, slots=True)
class Field:
    """One key of a message.

    same_as : the key that tells the same quantity in another form; one of the two may be given
    choices, pattern, least, most : what is accepted of it; the pattern fits the whole text
    """

    name: str
    kind: Literal["text", "number", "flag"]
    meaning: str
    example: str | float | bool
    is_required: bool = False
    same_as: str | None = None
    choices: tuple[str, ...] = ()
    pattern: str | None = None
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True, slots=True)
class MessageForm:
    """A kind of message. one_of : quantities of which at least one is told, in either form."""

    name: str
    meaning: str
    fields: tuple[Field, ...]
    one_of: tuple[str, ...]

    def field(self, name: str) -> Field:
        """The field called `name`."""
        return next(field for field in self.fields if field.name == name)


def _quantity(name: str, unit: str, words: str, number: float, text: str) -> tuple[Field, Field]:
    """The two forms of a quantity: a number under a key that ends in its unit, and text with its unit."""
    key = f"{name}_{unit}"
    return (
        Field(key, "number", f"{words}, a number in the unit of the key", number, same_as=name, least=0),
        Field(name, "text", f"{words}, a number with its unit", text, same_as=key),
    )


_HEAD = (
    Field(
        "message_id",
        "text",
        "Named by the sender, another for each message. The same message may be sent again under the "
        "same name and is recorded once.",
        "console-000123",
        is_required=True,
        pattern=MESSAGE_ID,
    ),
    Field("room", "text", "Where given, it must be the room of the token.", "Room 2"),
    Field(
        "happened_at",
        "text",
        "When it was read or given, ISO 8601. Without an offset the time zone of the room is taken; "
        "without this key the moment of arrival.",
        "2026-11-25T10:41:07+01:00",
    ),
)
READING = MessageForm(
    name="ConsoleReading",
    meaning="What the console shows of one plane. Every number is cumulative over the case.",
    fields=(
        *_HEAD,
        Field(
            "plane",
            "text",
            "The plane read; 'single' if not given.",
            "a",
            choices=("single", "a", "b", "all"),
        ),
        *_quantity("reference_air_kerma", "mgy", "Reference air kerma so far", 1234.5, "1.2345 Gy"),
        *_quantity("dose_area_product", "gycm2", "Dose-area product so far", 98.2, "9820 cGy·cm²"),
        *_quantity("fluoroscopy_time", "s", "Fluoroscopy time so far (or minutes:seconds)", 1490, "24:50"),
    ),
    one_of=("reference_air_kerma", "dose_area_product", "fluoroscopy_time"),
)
INJECTION = MessageForm(
    name="Injection",
    meaning="One injection as delivered to the patient.",
    fields=(
        *_HEAD,
        *_quantity("volume", "ml", "Volume of what was injected, diluted or not", 12, "12 mL"),
        *_quantity(
            "concentration", "mgi_ml", "Iodine concentration of the undiluted product", 320, "320 mg/mL"
        ),
        Field(
            "contrast_fraction", "number", "Part of the volume that is contrast product; 1 if not given.",
            0.5, same_as="dilution", least=0.001, most=1,
        ),
        Field("dilution", "text", "The same as text.", "50 %", same_as="contrast_fraction"),
        Field(
            "agent", "text", "What was injected; 'iodinated' if not given.", "iodinated",
            choices=tuple(agent.value for agent in Agent),
        ),
        Field(
            "site", "text", "How the contrast reaches the kidneys; of the case if not given.", "first-pass",
            choices=tuple(site.value for site in InjectionSite),
        ),
        Field("from_injector", "flag", "False for a hand injection; true if not given.", True),
    ),
    one_of=("volume",),
)  # fmt: skip
_KEY_OF_WORDS = {
    "reference air kerma": "reference_air_kerma",
    "dose-area product": "dose_area_product",
    "fluoroscopy time": "fluoroscopy_time",
    "injection site": "site",
}


def checked_message(form: MessageForm, document: object) -> dict[str, Any]:
    """`document` as a message of this form, each key known and of its kind.

    Raises
    ------
    InputError
        Naming the key and what is accepted.
    """
    if not isinstance(document, Mapping):
        raise InputError(field="message", given=type(document).__name__, accepted="a JSON object")
    known = {field.name: field for field in form.fields}
    for name, value in document.items():
        if name not in known:
            raise InputError(
                field=str(name)[:MOST_CHARACTERS],
                given=str(name)[:MOST_CHARACTERS],
                accepted=f"the keys {', '.join(known)}",
            )
        _check(known[name], value)
        other = known[name].same_as
        if other is not None and other in document:
            raise InputError(field=name, given=_short(value), accepted=f"one of {name} and {other}, not both")
    for field in form.fields:
        if field.is_required and field.name not in document:
            raise InputError(field=field.name, given=None, accepted=_accepted(field))
    keys = [key for name in form.one_of for key in _forms_of(form, name)]
    if not any(key in document for key in keys):
        raise InputError(field=form.one_of[0], given=None, accepted=f"at least one of {', '.join(keys)}")
    return dict(document)


def _check(field: Field, value: object) -> None:
    if not _is_of_kind(field, value):
        raise InputError(field=field.name, given=_short(value), accepted=_accepted(field))
    if isinstance(value, str):
        is_wrong = (
            not value.strip()
            or len(value) > MOST_CHARACTERS
            or not value.isprintable()
            or (field.choices and value not in field.choices)
            or (field.pattern is not None and not re.fullmatch(field.pattern, value))
        )
    else:
        number = float(value)  # type: ignore[arg-type]  # of its kind, so a number or a flag
        is_wrong = (field.least is not None and number < field.least) or (
            field.most is not None and number > field.most
        )
    if is_wrong:
        raise InputError(field=field.name, given=_short(value), accepted=_accepted(field))


def _is_of_kind(field: Field, value: object) -> bool:
    if field.kind == "text":
        return isinstance(value, str)
    if field.kind == "flag":
        return isinstance(value, bool)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(float(value))
    except OverflowError:
        return False


def _accepted(field: Field) -> str:
    if field.choices:
        return f"one of {', '.join(field.choices)}"
    if field.pattern is not None:
        return "1 to 100 letters, digits and the signs . _ : ~ -"
    if field.least is not None or field.most is not None:
        top = "" if field.most is None else f" to {field.most:g}"
        return f"a number from {field.least or 0:g}{top}" if top else f"a number of {field.least:g} or more"
    example = f", such as {field.example!r}" if field.kind == "text" else ""
    return f"{_IN_WORDS[field.kind]}{example}"


def _short(value: object) -> str:
    text = value if isinstance(value, str) else repr(value)
    return text if len(text) <= MOST_CHARACTERS else f"{text[:MOST_CHARACTERS]}..."


def _forms_of(form: MessageForm, name: str) -> tuple[str, ...]:
    other = form.field(name).same_as
    return (name,) if other is None else (other, name)


def reading_of(message: Mapping[str, Any]) -> Typed[ConsoleReading]:
    """The console reading in a checked message, with what is to be asked about it."""
    kerma, dap = ("reference_air_kerma", "mgy"), ("dose_area_product", "gycm2")
    try:
        typed = reading_from_text(
            plane=message.get("plane"),
            reference_air_kerma=_text(message, *kerma),
            dose_area_product=_text(message, *dap),
            fluoroscopy_time=_text(message, "fluoroscopy_time", "s"),
            reference_air_kerma_unit="mGy" if "reference_air_kerma_mgy" in message else None,
            dose_area_product_unit="Gy.cm2" if "dose_area_product_gycm2" in message else None,
            fluoroscopy_time_unit="s" if "fluoroscopy_time_s" in message else None,
        )
    except InputError as error:
        raise _by_key(error, READING, message) from error
    return replace(typed, questions=tuple(q for q in typed.questions if _is_asked(q, typed.value)))


def _is_asked(question: Question, reading: ConsoleReading) -> bool:
    """Whether a machine's reading waits for this question.

    Numbers that fit each other in an unusual way are told as a finding of the case. Only a mean field
    that cannot be speaks of a wrong unit, and only once the numbers have left the first few, where
    rounding decides.
    """
    if question.kind != "fit":
        return True
    kerma, dap = reading.reference_air_kerma_mgy, reading.dose_area_product_gycm2
    if not kerma or dap is None:
        return False
    near_zero = (
        bound("first_reading.reference_air_kerma_mgy"),
        bound("first_reading.dose_area_product_gycm2"),
    )
    if is_inside(kerma, near_zero[0]) and is_inside(dap, near_zero[1]):
        return False
    limits = constants("plausibility")
    least, most = limits["field_index_possible_least"].number, limits["field_index_possible_most"].number
    return not least <= _MGY_PER_GY * dap / kerma <= most


def injection_of(message: Mapping[str, Any]) -> Typed[Injection]:
    """The injection in a checked message, with what is to be asked about it."""
    fraction = message.get("contrast_fraction")
    try:
        typed = injection_from_text(
            _text(message, "volume", "ml") or "",
            volume_unit="mL" if "volume_ml" in message else None,
            concentration=_text(message, "concentration", "mgi_ml"),
            dilution=message.get("dilution"),
            agent=message.get("agent"),
            site=message.get("site"),
            from_injector=message.get("from_injector", True),
        )
    except InputError as error:
        raise _by_key(error, INJECTION, message) from error
    if fraction is None:
        return typed
    return replace(typed, value=replace(typed.value, contrast_fraction=float(fraction)))


def _text(message: Mapping[str, Any], name: str, unit: str) -> str | None:
    """A quantity as text, whichever form it came in."""
    number = message.get(f"{name}_{unit}")
    if number is None:
        told: str | None = message.get(name)
        return told
    return str(number) if isinstance(number, int) else repr(float(number))


def _by_key(error: InputError, form: MessageForm, message: Mapping[str, Any]) -> InputError:
    """`error` naming the key that was sent, not the words a person reads."""
    name = _KEY_OF_WORDS.get(error.field, error.field)
    known = {field.name for field in form.fields}
    keys = _forms_of(form, name) if name in known else (name,)
    sent = next((key for key in keys if key in message), name)
    return type(error)(field=sent, given=error.given, accepted=error.accepted)


def schema_of(form: MessageForm) -> dict[str, Any]:
    """The form as JSON Schema 2020-12."""
    pairs = sorted({tuple(sorted((f.name, f.same_as))) for f in form.fields if f.same_as is not None})
    at_least = [{"required": [key]} for name in form.one_of for key in _forms_of(form, name)]
    return {
        "type": "object",
        "description": form.meaning,
        "properties": {field.name: _field_schema(field) for field in form.fields},
        "required": [field.name for field in form.fields if field.is_required],
        "additionalProperties": False,
        "allOf": [
            {"anyOf": at_least},
            *({"not": {"required": list(pair)}} for pair in pairs),
        ],
    }


def _field_schema(field: Field) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "type": _JSON_TYPE[field.kind],
        "description": field.meaning,
        "examples": [field.example],
    }
    if field.kind == "text":
        schema |= {"minLength": 1, "maxLength": MOST_CHARACTERS}
    if field.choices:
        schema["enum"] = list(field.choices)
    if field.pattern is not None:
        schema["pattern"] = f"^{field.pattern}$"
    if field.least is not None:
        schema["minimum"] = field.least
    if field.most is not None:
        schema["maximum"] = field.most
    return schema
