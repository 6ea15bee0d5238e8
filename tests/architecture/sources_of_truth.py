"""The source files of the project as parsed trees, shared by the tests of the architecture."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("dosetrack", "dashboards")


@dataclass(frozen=True)
class Module:
    """One module: dotted name, file, text and tree."""

    name: str
    path: Path
    text: str
    tree: ast.Module

    @property
    def is_package(self) -> bool:
        return self.path.name == "__init__.py"


@dataclass(frozen=True)
class Import:
    """One imported module. is_lazy: inside a function, so not run when the module is imported."""

    target: str
    line: int
    is_lazy: bool


def modules(*packages: str) -> list[Module]:
    """Every module of `packages` (default: both), in order of name."""
    found = []
    for package in packages or PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
            text = path.read_text(encoding="utf-8")
            found.append(Module(name, path, text, ast.parse(text, filename=str(path))))
    return found


def imports_of(module: Module) -> Iterator[Import]:
    """Each module that `module` imports, absolute; `from package import module` gives that module."""
    lazy_nodes = {
        id(inner)
        for node in ast.walk(module.tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        for inner in ast.walk(node)
    }
    for node in ast.walk(module.tree):
        is_lazy = id(node) in lazy_nodes
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield Import(alias.name, node.lineno, is_lazy)
        elif isinstance(node, ast.ImportFrom):
            base = _absolute(module, node)
            for alias in node.names:
                name = f"{base}.{alias.name}"
                yield Import(name if _is_module(name) else base, node.lineno, is_lazy)


def _absolute(module: Module, node: ast.ImportFrom) -> str:
    if not node.level:
        return node.module or ""
    package = module.name.split(".") if module.is_package else module.name.split(".")[:-1]
    base = package[: len(package) - (node.level - 1)]
    return ".".join([*base, *([node.module] if node.module else [])])


def _is_module(name: str) -> bool:
    path = ROOT.joinpath(*name.split("."))
    return path.with_suffix(".py").exists() or (path / "__init__.py").exists()
