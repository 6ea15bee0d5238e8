"""Every item of a structured report, for a person to read."""

from __future__ import annotations

from collections.abc import Iterator

from dosetrack.records.content import ContentNode


def content_lines(root: ContentNode | None) -> list[str]:
    """The items of the report, one line each, those below indented."""
    if root is None:
        return ["  content    none: not a structured report", ""]
    return ["  content", *(f"    {line}" for line in _lines(root, 0)), ""]


def _lines(node: ContentNode, depth: int) -> Iterator[str]:
    indent = "  " * depth
    name = node.meaning or "no name"
    code = f" [{node.code} {node.scheme or 'no scheme'}]" if node.code else ""
    value = "" if node.value is None else f": {node.value}"
    if node.value_code is not None:
        value = f": {node.value or 'no meaning'} [{node.value_code} {node.value_scheme or 'no scheme'}]"
    unit = f" {node.unit}" if node.unit else ""
    why = f" (absent: {node.qualifier})" if node.qualifier else ""
    mark = "" if node.is_known else "  <- not known here"
    yield f"{indent}{name}{code}{value}{unit}{why}{mark}"
    for other in node.others:
        yield f"{indent}  element {other.tag}: {other.value}"
    for child in node.children:
        yield from _lines(child, depth + 1)
