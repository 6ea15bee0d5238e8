"""One idea per module; a function fits on a screen; what is public says what it is."""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
from sources_of_truth import modules

MOST_LINES_OF_A_MODULE = 600
MOST_LINES_OF_A_FUNCTION = 100  # the hard stop; aim at 50

PAGE_CONTRACT = {"layout", "register"}  # the same in each page; explained in dashboards/app.py


def test_no_module_is_too_long() -> None:
    lengths = {module.name: len(module.text.splitlines()) for module in modules()}
    assert {name: n for name, n in lengths.items() if n > MOST_LINES_OF_A_MODULE} == {}


def test_functions_fit_on_a_screen() -> None:
    long = [
        f"{module.name}.{node.name}: {node.end_lineno - node.lineno + 1} lines"
        for module in modules()
        for node in ast.walk(module.tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        and node.end_lineno is not None
        and node.end_lineno - node.lineno + 1 > MOST_LINES_OF_A_FUNCTION
    ]
    assert long == []


def test_modules_and_public_names_have_docstrings() -> None:
    missing = [
        place
        for module in modules()
        if module.text.strip()
        for place in _undocumented(module.name, module.tree)
    ]
    assert missing == []


def _undocumented(name: str, tree: ast.Module) -> Iterator[str]:
    if not ast.get_docstring(tree):
        yield name
    for node in tree.body:
        if name.startswith("dashboards.pages.") and getattr(node, "name", "") in PAGE_CONTRACT:
            continue
        is_public = isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith("_")
        if is_public and not ast.get_docstring(node):
            yield f"{name}.{node.name}"
