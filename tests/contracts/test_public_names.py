"""The public names of the library: one explicit sorted list, complete, and frozen here.

A name that goes, or changes its home, breaks someone's script: change this list on purpose.
"""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

import dosetrack

PUBLIC = {
    "Actor",
    "DoseReport",
    "DosetrackError",
    "Finding",
    "FindingCode",
    "IrradiationEvent",
    "Ledger",
    "ReportRefusedError",
    "Role",
    "VERSION",
    "Workflow",
    "WriteOptions",
    "kidney",
    "open_workflow",
    "radiation",
    "read_report",
    "write_report",
}


def test_the_list_is_what_it_was() -> None:
    assert set(dosetrack.__all__) == PUBLIC


def test_the_list_is_sorted_and_without_repeats() -> None:
    def order(name: str) -> tuple[int, str]:  # constants, classes, functions and parts
        return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)

    assert list(dosetrack.__all__) == sorted(set(dosetrack.__all__), key=order)


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_each_name_resolves_and_is_documented(name: str) -> None:
    found = getattr(dosetrack, name)
    assert found is getattr(dosetrack, name)
    if not isinstance(found, str):
        assert found.__doc__


def test_the_list_the_homes_and_the_types_agree() -> None:
    """Type checkers see the names imported under TYPE_CHECKING; a program gets those of the homes."""
    tree = ast.parse(Path(dosetrack.__file__).read_text(encoding="utf-8"))
    typed = {
        alias.name: node.module
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("dosetrack")
        for alias in node.names
    }
    assert set(typed) == PUBLIC
    for name, home in typed.items():
        assert getattr(importlib.import_module(home), name) is getattr(dosetrack, name)


def test_dir_shows_the_public_names() -> None:
    assert set(dir(dosetrack)) >= PUBLIC


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = dosetrack.nothing


@pytest.mark.parametrize("part", ["kidney", "radiation", "ledger", "skin", "alerts", "audit", "workflow"])
def test_lists_of_the_parts_are_sorted_and_resolve(part: str) -> None:
    module = importlib.import_module(f"dosetrack.{part}")
    names = getattr(module, "__all__", [])
    assert len(names) == len(set(names))
    assert [name for name in names if not hasattr(module, name)] == []
