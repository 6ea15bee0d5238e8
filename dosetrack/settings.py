"""Site settings: closed list, typed, dated, each default with its source.

A setting's definition is a row of ``tables/settings.csv``; a default written ``@table:key`` is
the published number of that row and carries its source. A change is a ledger entry with scope
and first day of validity; `resolve` gives the values in force for a room and a procedure.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from functools import cache
from typing import Literal

from dosetrack.errors import InputError
from dosetrack.tables import citation, constants, rows

Kind = Literal["number", "text", "flag", "choice"]
SITE = "site"
_DAYS = "YYYY-MM-DD"


@dataclass(frozen=True, slots=True)
class SettingDefinition:
    """One setting as the settings page shows it.

    default : text form of the default, '' when there is none
    source : where the default comes from, with its warning when from memory
    scopes : which of 'site', 'room', 'procedure' may set it
    """

    key: str
    group: str
    label: str
    kind: Kind
    unit: str
    default: str
    minimum: float | None
    maximum: float | None
    choices: tuple[str, ...]
    scopes: tuple[str, ...]
    meaning: str
    source: str


@dataclass(frozen=True, slots=True)
class SettingChange:
    """A change as recorded. seq is that of its ledger entry; valid_from is YYYY-MM-DD."""

    seq: int
    key: str
    scope: str
    value: str
    valid_from: str
    recorded_at: str
    actor: str
    reason: str | None
    source: str | None


@dataclass(frozen=True, slots=True)
class Settings:
    """The values in force at one ledger position for one room and procedure.

    seq : the last setting change considered; stored with every decision
    """

    values: Mapping[str, str]
    origins: Mapping[str, str]
    seq: int = 0

    def text(self, key: str) -> str:
        """The value as text; '' when unset."""
        definition(key)
        return self.values[key]

    def number(self, key: str) -> float:
        """The value as a number; InputError when it is unset."""
        value = self.number_or_none(key)
        if value is None:
            raise InputError(field=key, given="", accepted="a number; this setting has none yet")
        return value

    def number_or_none(self, key: str) -> float | None:
        """The value as a number, None when unset."""
        text = self.text(key)
        return float(text) if text else None

    def flag(self, key: str) -> bool:
        """The value as yes or no."""
        return self.text(key) == "yes"

    def lines(self, key: str) -> tuple[str, ...]:
        """The non-empty lines of a text setting."""
        return tuple(line.strip() for line in self.text(key).splitlines() if line.strip())

    def pairs(self, key: str) -> dict[str, str]:
        """The 'left = right' lines of a text setting."""
        found: dict[str, str] = {}
        for line in self.lines(key):
            left, sign, right = line.partition("=")
            if sign:
                found[left.strip()] = right.strip()
        return found


@cache
def definitions() -> dict[str, SettingDefinition]:
    """Every setting by key, in the order of the table."""
    return {row["key"]: _definition(row) for row in rows("settings")}


def definition(key: str) -> SettingDefinition:
    """The definition of `key`; InputError when there is no such setting."""
    try:
        return definitions()[key]
    except KeyError:
        raise InputError(field="setting", given=key, accepted="a key listed on the settings page") from None


def _definition(row: dict[str, str]) -> SettingDefinition:
    default, source = row["default"], "own choice of this project" if row["default"] else ""
    if default.startswith("@"):
        table, _, key = default[1:].partition(":")
        constant = constants(table)[key]
        default, source = constant.value, citation(constant)
    return SettingDefinition(
        key=row["key"],
        group=row["group"],
        label=row["label"],
        kind=row["kind"],  # type: ignore[arg-type]
        unit=row["unit"],
        default=default,
        minimum=float(row["minimum"]) if row["minimum"] else None,
        maximum=float(row["maximum"]) if row["maximum"] else None,
        choices=tuple(row["choices"].split()),
        scopes=tuple(row["scopes"].split()),
        meaning=row["meaning"],
        source=source,
    )


def checked_value(key: str, given: str) -> str:
    """`given` as the text to store for `key`; InputError naming what is accepted."""
    wanted = definition(key)
    text = given.strip()
    if not text:
        return ""
    if wanted.kind == "number":
        return _checked_number(wanted, text)
    if wanted.kind == "flag" and text not in ("yes", "no"):
        raise InputError(field=wanted.label, given=given, accepted="'yes' or 'no'")
    if wanted.kind == "text" and wanted.unit == _DAYS:
        return _checked_days(wanted, text)
    if wanted.kind == "choice" and text not in wanted.choices:
        raise InputError(field=wanted.label, given=given, accepted=" or ".join(wanted.choices))
    return text


def _checked_days(wanted: SettingDefinition, text: str) -> str:
    """The days of `text`, one per line."""
    days = [line.strip() for line in text.splitlines() if line.strip()]
    for day in days:
        try:
            is_day = date.fromisoformat(day).isoformat() == day
        except ValueError:
            is_day = False
        if not is_day:
            raise InputError(field=wanted.label, given=day, accepted=f"one day per line, {_DAYS}")
    return "\n".join(days)


def _checked_number(wanted: SettingDefinition, text: str) -> str:
    accepted = f"a number from {wanted.minimum:g} to {wanted.maximum:g} {wanted.unit}".rstrip()
    try:
        number = float(text)
    except ValueError:
        raise InputError(field=wanted.label, given=text, accepted=accepted) from None
    inside = (wanted.minimum is None or number >= wanted.minimum) and (
        wanted.maximum is None or number <= wanted.maximum
    )
    if not inside:  # also catches NaN
        raise InputError(field=wanted.label, given=text, accepted=accepted)
    return text


def checked_scope(key: str, scope: str) -> str:
    """`scope` when `key` may be set there: 'site', 'room:NAME' or 'procedure:NAME'."""
    wanted = definition(key)
    place, _, name = scope.partition(":")
    if place not in wanted.scopes or (place != SITE and not name):
        accepted = ", ".join(s if s == SITE else f"{s}:NAME" for s in wanted.scopes)
        raise InputError(field=f"scope of {wanted.label}", given=scope, accepted=accepted)
    return scope


def resolve(
    changes: Iterable[SettingChange],
    *,
    day: str,
    room: str | None = None,
    procedure: str | None = None,
) -> Settings:
    """The settings in force on `day` (YYYY-MM-DD): procedure before room before site before default.

    Within one scope the latest `valid_from` on or before `day` counts, then the latest entry. An
    empty value takes the change back to the next wider scope.
    """
    values = {key: d.default for key, d in definitions().items()}
    origins = dict.fromkeys(values, "default")
    seq = 0
    by_scope: dict[str, dict[str, SettingChange]] = {}
    for change in sorted(changes, key=lambda c: (c.valid_from, c.seq)):
        seq = max(seq, change.seq)
        if change.valid_from <= day:
            by_scope.setdefault(change.scope, {})[change.key] = change
    scopes = [SITE, *([f"room:{room}"] if room else []), *([f"procedure:{procedure}"] if procedure else [])]
    for scope in scopes:
        for key, change in by_scope.get(scope, {}).items():
            if change.value and key in values:
                values[key], origins[key] = change.value, scope
    return Settings(values=values, origins=origins, seq=seq)
