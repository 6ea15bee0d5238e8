"""The packaged published numbers and their sources.

Every table is a CSV file in this package; `sources.toml` tells where each came from. A table of
constants or levels has the columns ``key, value, unit, low, high, applies_to, source, locator,
checked, note``; grid and code tables keep columns of their own. See README.md in this folder.
"""

from __future__ import annotations

import csv
import hashlib
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Literal

from dosetrack.errors import TableError

Checked = Literal["read", "second-hand", "memory", "computed", "own"]
_CHECKED = ("read", "second-hand", "memory", "computed", "own")
CONSTANT_COLUMNS = (
    "key", "value", "unit", "low", "high", "applies_to", "source", "locator", "checked", "note",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Constant:
    """One published number. `value` is text as printed; `number` reads it as a float."""

    key: str
    value: str
    unit: str
    low: str
    high: str
    applies_to: str
    source: str
    locator: str
    checked: Checked
    note: str

    @property
    def number(self) -> float:
        """The value as a float, in `unit`."""
        return float(self.value)


@dataclass(frozen=True, slots=True)
class PublishedSource:
    """Where numbers came from."""

    key: str
    title: str
    authors: str
    year: int
    identifier: str


def rows(table: str) -> list[dict[str, str]]:
    """The rows of the packaged CSV `table` (name without '.csv'), each a column -> text mapping."""
    path = files(__name__).joinpath(f"{table}.csv")
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise TableError(f"no packaged table {table!r}") from None
    return list(csv.DictReader(text.splitlines()))


@cache
def constants(table: str) -> dict[str, Constant]:
    """The constants of `table` by key, checked for columns, unique keys and known marks."""
    found: dict[str, Constant] = {}
    for number, row in enumerate(rows(table), start=2):
        if tuple(row) != CONSTANT_COLUMNS:
            raise TableError(f"{table}.csv: columns {tuple(row)}, expected {CONSTANT_COLUMNS}")
        if row["key"] in found:
            raise TableError(f"{table}.csv line {number}: key {row['key']!r} stands twice")
        if row["checked"] not in _CHECKED:
            raise TableError(f"{table}.csv line {number}: checked must be one of {_CHECKED}")
        found[row["key"]] = Constant(**row)  # type: ignore[arg-type]
    return found


@cache
def sources() -> dict[str, PublishedSource]:
    """Every source named in the tables, by key."""
    text = files(__name__).joinpath("sources.toml").read_text(encoding="utf-8")
    return {
        key: PublishedSource(
            key=key,
            title=entry["title"],
            authors=entry["authors"],
            year=entry["year"],
            identifier=entry["identifier"],
        )
        for key, entry in tomllib.loads(text).items()
    }


@cache
def edition() -> str:
    """A short digest of every packaged table: equal where the published numbers are equal."""
    found = (file for file in files(__name__).iterdir() if file.name.endswith((".csv", ".toml")))
    whole = hashlib.sha256()
    for table in sorted(found, key=lambda file: file.name):
        whole.update(table.name.encode() + b"\0" + table.read_bytes() + b"\0")
    return whole.hexdigest()[:10]


def citation(constant: Constant) -> str:
    """Source, year and locator of `constant` in one line, with its warning when from memory."""
    source = sources()[constant.source]
    text = f"{source.authors} {source.year}, {constant.locator}"
    if constant.checked == "memory":
        text += " (from memory, confirm against the original)"
    return text
