"""A document as plain text to paste into a record or a letter."""

from __future__ import annotations

import unicodedata
from textwrap import wrap

from dosetrack.reports.blocks import (
    Block,
    Box,
    Bullets,
    Document,
    Facts,
    Figure,
    Grid,
    Heading,
    Picture,
    Text,
    ToFill,
)

WIDTH = 88
_GAP = 2
_LABEL = 26


def text_of(document: Document) -> str:
    """The whole document, lines of at most 88 columns where words allow, with a line end at its end."""
    lines = [document.title, "=" * columns(document.title)]
    lines += [line for line in (document.department, *document.address) if line]
    lines += ["", *_facts(document.identity)]
    for block in document.blocks:
        lines += ["", *_block(block)]
    lines += [""]
    for caution in document.cautions:
        lines += wrap(caution, WIDTH)
    lines += ["", *document.provenance]
    return "\n".join(line.rstrip() for line in lines).replace("\n\n\n", "\n\n") + "\n"


def columns(text: str) -> int:
    """Columns `text` takes in a terminal: wide characters take two, combining marks none."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def _block(block: Block) -> list[str]:
    if isinstance(block, Heading):
        return [block.text, "-" * columns(block.text)]
    if isinstance(block, Text):
        return wrap(block.text, WIDTH) or [""]
    if isinstance(block, Bullets):
        return [line for item in block.items for line in _hanging("- ", item)]
    if isinstance(block, Facts):
        return _facts(block.rows)
    if isinstance(block, Grid):
        return _grid(block)
    if isinstance(block, Box):
        return [f"  {line}" for text in block.lines for line in wrap(text, WIDTH - _GAP)]
    if isinstance(block, ToFill):
        return [f"{block.label}:", *["_" * WIDTH] * block.lines]
    if isinstance(block, Picture | Figure):
        return wrap(f"[{block.alt}]", WIDTH)
    return []


def _facts(rows: tuple[tuple[str, str], ...]) -> list[str]:
    width = min(_LABEL, max((columns(label) for label, _ in rows), default=0)) + _GAP
    return [line for label, value in rows for line in _hanging(_padded(f"{label}: ", width), value)]


def _hanging(first: str, text: str) -> list[str]:
    indent = " " * columns(first)
    return wrap(first + text, WIDTH, subsequent_indent=indent, break_long_words=False) or [first]


def _padded(text: str, width: int, *, to_right: bool = False) -> str:
    space = " " * max(0, width - columns(text))
    return space + text if to_right else text + space


def _grid(grid: Grid) -> list[str]:
    """Aligned columns where they fit; else each row as lines of 'name: value'."""
    widths = [max(columns(cell) for cell in column) for column in zip(grid.head, *grid.rows, strict=True)]
    if sum(widths) + _GAP * (len(widths) - 1) > WIDTH:
        return [line for row in grid.rows for line in _record(grid, row)]
    lines = []
    for row in (grid.head, tuple("-" * width for width in widths), *grid.rows):
        cells = [
            _padded(cell, width, to_right=n in grid.numeric)
            for n, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append((" " * _GAP).join(cells))
    return lines


def _record(grid: Grid, row: tuple[str, ...]) -> list[str]:
    told = [
        f"{name}: {cell}" if n else cell for n, (name, cell) in enumerate(zip(grid.head, row, strict=True))
    ]
    return _hanging("- ", "; ".join(part for part in told if part and not part.endswith(": ")))
