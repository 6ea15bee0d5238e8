"""Words that no page, document or message may use, and addresses no page may load.

A limit is a prompt, not permission, and nothing here clears a patient for anything.
"""

from __future__ import annotations

import ast
import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from sources_of_truth import ROOT, Module, modules

FORBIDDEN = {
    "safe, safely, safety": re.compile(r"\b(un)?safe(ly|ty)?\b", re.I),
    "OK": re.compile(r"\bOK\b"),
    "allowance, budget, headroom": re.compile(r"\b(allowance|budget|headroom)s?\b", re.I),
    "an amount left": re.compile(
        r"\b(mL|mGy|Gy|contrast|iodine|dose|volume|amount)\s+(is\s+|are\s+)?left\b(?!\s*(to|arm|leg|side))",
        re.I,
    ),
    "a tick": re.compile("[\u2713\u2714\u2705\u2611]"),
}
# README.md may say what the program never says
NEGATION = re.compile(r"\b(never|no|not|nor|neither|without)\b", re.I)
WEB_ADDRESS = re.compile(r"(https?:)?//[a-z0-9-]+(\.[a-z0-9-]+)+", re.I)
LOCAL_ADDRESS = re.compile(r"https?://(127\.0\.0\.1|localhost|0\.0\.0\.0)\b")


def spoken_strings(module: Module) -> list[tuple[int, str]]:
    """String constants of a module that are not docstrings: what a person may get to read."""
    docstrings = {
        id(node.body[0].value)
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(node.body[0], ast.Expr)
        and isinstance(node.body[0].value, ast.Constant)
    }
    return [
        (node.lineno, node.value)
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docstrings
    ]


def test_no_string_gives_permission() -> None:
    wrong = [
        f"{module.name} line {line}: {what} in {text!r}"
        for module in modules()
        for line, text in spoken_strings(module)
        for what, pattern in FORBIDDEN.items()
        if pattern.search(text.replace("'unsafe-inline'", ""))  # a keyword of browsers' content policies
    ]
    assert wrong == []


@pytest.mark.parametrize("name", ["settings.csv", "contrast_limits.csv", "notification_levels.csv"])
def test_no_table_shown_to_people_gives_permission(name: str) -> None:
    text = (ROOT / "dosetrack" / "tables" / name).read_text(encoding="utf-8")
    wrong = [line for line in text.splitlines() if any(p.search(line) for p in FORBIDDEN.values())]
    assert wrong == []


def test_readme_uses_these_words_only_to_deny_them() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    text = text.replace("Contrast Media Safety Committee", "")  # a committee's name
    sentences = re.split(r"(?<=[.:;])\s+|\n\n|\n\|", text)
    wrong = [
        sentence
        for sentence in sentences
        if any(pattern.search(sentence) for pattern in FORBIDDEN.values()) and not NEGATION.search(sentence)
    ]
    assert wrong == []


def test_pages_load_nothing_from_elsewhere() -> None:
    """A hospital network has no internet: style sheets, scripts and fonts are all local."""
    wrong = []
    for path in sorted((ROOT / "dashboards").rglob("*")):
        if path.suffix not in {".py", ".css", ".js", ".html", ".svg"}:
            continue
        text = LOCAL_ADDRESS.sub("", path.read_text(encoding="utf-8"))
        text = text.replace("http://www.w3.org/", "")  # names of XML vocabularies, never fetched
        wrong += [f"{path.name}: {match.group()}" for match in re.finditer(r"https?://\S+", text)]
        if path.suffix in {".css", ".html"}:
            wrong += [f"{path.name}: {match.group()}" for match in re.finditer(r"(url\(|@import).*//", text)]
    assert wrong == []
