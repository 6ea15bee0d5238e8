"""What a paper is made of, before it becomes PDF or plain text.

A document says what stands on it; `pdf` and `plain_text` say how it looks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dosetrack.reports.body_drawing import BodyDrawing

Row = tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading; it stays with what follows."""

    text: str


@dataclass(frozen=True, slots=True)
class Text:
    """A paragraph. is_strong: what must not be missed; is_quiet: small print."""

    text: str
    is_strong: bool = False
    is_quiet: bool = False


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of short lines."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and their values, one pair a line."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table. shares: width of each column against the others; numeric: columns set to the right."""

    head: Row
    rows: tuple[Row, ...]
    shares: tuple[float, ...]
    numeric: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Picture:
    """A PNG picture; alt: what it shows, for plain text. widest_mm : on the page."""

    png: bytes
    alt: str
    widest_mm: float = 170.0


@dataclass(frozen=True, slots=True)
class Figure:
    """A drawing of the body from front and back."""

    drawing: BodyDrawing
    alt: str


@dataclass(frozen=True, slots=True)
class ToFill:
    """Room to write by hand. lines: how many."""

    label: str
    lines: int = 2


@dataclass(frozen=True, slots=True)
class Box:
    """One short text that must be found at a glance, in a frame."""

    lines: tuple[str, ...]


Block = Heading | Text | Bullets | Facts | Grid | Picture | Figure | ToFill | Box


@dataclass(frozen=True, slots=True)
class Document:
    """One paper.

    title : what it is; department, address: who gives it out
    identity : names and values at its head, two identifiers of the patient among them
    running : short identity on every page
    provenance : data version, software and date, one line each
    cautions : what the reader must not take it for
    is_large : large print for patients; then nothing on the paper is small
    paper : 'A4' or 'letter'
    """

    title: str
    department: str
    address: tuple[str, ...]
    identity: tuple[tuple[str, str], ...]
    running: str
    blocks: tuple[Block, ...]
    provenance: tuple[str, ...]
    cautions: tuple[str, ...]
    is_large: bool = False
    paper: str = "A4"
