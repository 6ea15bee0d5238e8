"""Wording of the settings page: what each setting, change and published number is called on screen."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dosetrack.settings import SITE, SettingChange, SettingDefinition
from dosetrack.tables import Constant, PublishedSource, citation, constants, rows, sources

if TYPE_CHECKING:
    from dosetrack.workflow.results import SettingView

NOT_SET = "not set"
CONFIRM = "from memory, confirm against the original"
OWN = "dosetrack-own"
CHECKED_WORDS = {
    "read": "read in the original",
    "second-hand": "second-hand: read in a restatement",
    "memory": CONFIRM,
    "computed": "computed from rows above",
    "own": "own choice of this project",
}
REFERENCES_KEY = "audit.references"
QUANTITY_WORDS = {
    "dose_area_product_gycm2": "DAP",
    "reference_air_kerma_mgy": "Ka,r",
    "fluoroscopy_time_s": "fluoroscopy time",
    "contrast_ml": "contrast",
    "iodine_g": "iodine",
    "frames": "frames",
    "peak_skin_dose_mgy": "skin dose",
}


@dataclass(frozen=True, slots=True)
class SettingRow:
    """One line of the settings page; every field is text ready to show."""

    key: str
    label: str
    meaning: str
    value: str
    origin: str
    default: str
    source: str
    changed: str


@dataclass(frozen=True, slots=True)
class PublishedRow:
    """One published number with where it came from."""

    key: str
    value: str
    applies_to: str
    source: str
    checked: str
    note: str


@dataclass(frozen=True, slots=True)
class ChosenReference:
    """One line of the setting that names the reference levels chosen by the site."""

    procedure: str
    quantity: str
    key: str

    @property
    def line(self) -> str:
        """The line as it stands in the setting."""
        return f"{self.procedure} | {self.quantity} | {self.key}"


def with_unit(value: str, unit: str) -> str:
    """'3000 mGy'; 'not set' when there is no value."""
    if not value:
        return NOT_SET
    return f"{value}\u2009{unit}" if unit and unit != "1" else value


def scope_words(scope: str) -> str:
    """'whole site', 'room: Room 2' or 'procedure: TIPS'."""
    place, _, name = scope.partition(":")
    return "whole site" if place == SITE else f"{place}: {name}"


def setting_row(view: SettingView) -> SettingRow:
    """`view` in words."""
    wanted = view.definition
    origin = "default" if view.origin == "default" else f"set for {scope_words(view.origin)}"
    return SettingRow(
        key=wanted.key,
        label=wanted.label,
        meaning=wanted.meaning,
        value=with_unit(view.value, wanted.unit),
        origin=origin,
        default=with_unit(wanted.default, wanted.unit) if wanted.default else "none",
        source=source_in_force(view),
        changed=change_words(view.history[0]) if view.history else "never changed",
    )


def source_in_force(view: SettingView) -> str:
    """Where the value in force comes from: the default's source, or what the change named."""
    if view.origin == "default":
        return cited(view.definition.source) or "no default"
    newest = next((c for c in view.history if c.scope == view.origin), None)
    named = newest.source if newest else None
    return named or "own value of the site, no source named"


def cited(text: str) -> str:
    """A citation as shown: a choice of this project is called that."""
    own = sources()[OWN]
    return text.replace(f"{own.authors} {own.year}, ", "own choice of this project: ")


def change_words(change: SettingChange) -> str:
    """Who changed it, when, from which day and why, in one sentence."""
    why = change.reason or "no reason recorded"
    return f"{change.actor}, {change.recorded_at[:10]}, valid from {change.valid_from}: {why}"


def source_words(change: SettingChange) -> str:
    """The source a change named, or that it named none."""
    return f"Source: {change.source}" if change.source else "No source named"


def groups(views: Iterable[SettingView]) -> dict[str, list[SettingView]]:
    """The settings by group, in the order of the table of settings."""
    found: dict[str, list[SettingView]] = {}
    for view in views:
        found.setdefault(view.definition.group, []).append(view)
    return found


def accepted_words(wanted: SettingDefinition) -> str:
    """What may be typed for a setting, said before anything is refused."""
    if wanted.kind == "number" and wanted.minimum is not None and wanted.maximum is not None:
        return f"A number from {wanted.minimum:g} to {wanted.maximum:g} {wanted.unit}".rstrip() + "."
    if wanted.kind == "flag":
        return "Yes or no."
    if wanted.kind == "choice":
        return " or ".join(wanted.choices) + "."
    return "Text, one line for each."


def published_rows(table: str) -> list[PublishedRow]:
    """Every published number of `table` in words."""
    return [_published_row(constant) for constant in constants(table).values()]


def _published_row(constant: Constant) -> PublishedRow:
    return PublishedRow(
        key=constant.key,
        value=with_unit(constant.value, printed_unit(constant.unit)),
        applies_to=constant.applies_to,
        source=cited(citation(constant)).replace(f" ({CONFIRM})", ""),
        checked=CHECKED_WORDS[constant.checked],
        note=constant.note,
    )


def printed_unit(unit: str) -> str:
    """A unit of the tables as it is printed: 'Gy.cm2' becomes 'Gy·cm²', annotations lose their braces."""
    text = unit.replace("{1.73_m2}", "1.73 m²").replace("cm2", "cm²")
    return text.replace(".", "·").replace("1·73", "1.73")


def source_line(source: PublishedSource) -> str:
    """Authors, title, year and identifier of a source."""
    authors = f"{source.authors}: " if source.authors != sources()[OWN].authors else ""
    return f"{authors}{source.title}. {source.year}. {source.identifier}"


def reference_rows() -> list[dict[str, str]]:
    """The table of reference levels as rows of a grid, each with its source in words."""
    return [_reference_row(row) for row in rows("reference_levels")]


def _reference_row(row: dict[str, str]) -> dict[str, str]:
    source = sources()[row["source"]]
    return {
        "key": row["key"],
        "procedure": row["procedure"],
        "quantity": row["quantity"],
        "quantity_words": QUANTITY_WORDS.get(row["quantity"], row["quantity"]),
        "value": with_unit(row["value"], printed_unit(row["unit"])),
        "statistic": row["statistic"],
        "country": row["country"],
        "year": row["year"],
        "population": row["population"],
        "source": f"{source.authors} {source.year}, {row['locator']}",
        "checked": CHECKED_WORDS.get(row["checked"], row["checked"]),
        "usable": "yes" if row["usable_as_reference"] == "yes" else "context only",
    }


def chosen_references(text: str) -> list[ChosenReference]:
    """The reference levels a site chose, from the text of the setting; malformed lines are left out."""
    found = []
    for line in text.splitlines():
        parts = [part.strip() for part in line.split("|")]
        if len(parts) == 3 and all(parts):
            found.append(ChosenReference(*parts))
    return found


def references_with(text: str, added: ChosenReference) -> str:
    """The setting's text with `added`, which replaces an earlier choice for its procedure and quantity."""
    kept = [
        c for c in chosen_references(text) if (c.procedure, c.quantity) != (added.procedure, added.quantity)
    ]
    return "\n".join(c.line for c in [*kept, added])


def references_without(text: str, line: str) -> str:
    """The setting's text without the choice `line`."""
    return "\n".join(c.line for c in chosen_references(text) if c.line != line)
