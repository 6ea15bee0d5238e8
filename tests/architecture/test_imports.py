"""Imports point down only: the picture in DEVELOPERS.md, read from the import statements.

A part is a module or package directly inside `dosetrack`, or `dashboards`. Each part lists the
parts it may import; anything else fails, as does a part that the picture does not know.
"""

from __future__ import annotations

import ast
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from sources_of_truth import Import, Module, imports_of, modules

BASE = {"errors", "units", "tables", "times", "version"}
RECORDS = {"records", "findings", "settings", "privacy"}
CALCULATORS = {"radiation", "kidney", "skin", "alerts", "followup", "audit"}
MIDDLE = {"readers", "entry", "cases", "merging", "reconcile"}
KEEPERS = {"ledger", "reports", "exchange"}
LOW = BASE | RECORDS

ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "version": set(),
    "tables": {"errors"},
    "times": {"errors"},
    "units": {"errors", "tables"},
    "findings": BASE,
    "records": BASE | {"findings"},
    "settings": BASE | {"findings", "records"},
    "privacy": BASE | {"findings", "records", "settings"},
    # readers and calculators never import each other
    "readers": LOW | {"entry"},  # a table of typed entries is read as typed
    "entry": LOW,
    "merging": LOW,
    "reconcile": LOW,
    "cases": LOW | {"merging", "reconcile"},
    "radiation": LOW,
    "kidney": LOW,
    "alerts": LOW,
    "skin": LOW | {"radiation"},
    "audit": LOW | {"radiation"},
    "followup": LOW | {"skin", "kidney"},
    # the ledger knows records and no calculator
    "ledger": LOW,
    "reports": LOW | CALCULATORS | MIDDLE,
    "exchange": LOW | CALCULATORS | MIDDLE,
    "workflow": LOW | CALCULATORS | MIDDLE | KEEPERS,
    "services": LOW | CALCULATORS | MIDDLE | KEEPERS | {"workflow"},
    "cli": LOW | CALCULATORS | MIDDLE | KEEPERS | {"workflow", "services"},
    "dashboards": LOW | CALCULATORS | MIDDLE | {"workflow", "reports"},
}
# these commands start the pages; they import them only when they run
STARTS_THE_PAGES = {"dosetrack.cli.serve", "dosetrack.cli.demo"}

# libraries that belong to one part, so that the others stay light and exchangeable
HOME_OF_LIBRARY = {
    "pint": {"units"},
    "sqlalchemy": {"ledger"},
    "typer": {"cli"},
    "rich": {"cli"},
    "dash": {"dashboards"},
    "dash_ag_grid": {"dashboards"},
    "dash_mantine_components": {"dashboards"},
    "plotly": {"dashboards"},
    "matplotlib": {"reports"},
    "contourpy": {"reports"},
    "reportlab": {"reports"},
    "bidi": {"reports"},
    "arabic_reshaper": {"reports"},
    "waitress": {"cli", "services"},
    "pydicom": {"readers", "exchange"},
    "pynetdicom": {"services", "exchange"},
    "scipy": {"audit"},
    "statsmodels": {"audit"},
}


def part_of(name: str) -> str | None:
    """The part a dotted name belongs to; None for other libraries and the package's own root."""
    head, _, rest = name.partition(".")
    if head == "dashboards":
        return "dashboards"
    return rest.split(".")[0] or None if head == "dosetrack" else None


def wrong_arrow(module: Module, imported: Import) -> str | None:
    """Why `module` may not import this, or None."""
    source, target = part_of(module.name), part_of(imported.target)
    if source is None or target is None or source == target:
        return None
    if target == "dashboards" and module.name in STARTS_THE_PAGES:
        return None if imported.is_lazy else "must import dashboards inside a function"
    if target in ALLOWED[source]:
        return None
    return f"{source} may not import {target}"


def test_every_part_has_its_place_in_the_picture() -> None:
    parts = {part_of(module.name) for module in modules()} - {None, "__main__"}
    assert sorted(parts - set(ALLOWED)) == []


def test_the_picture_has_no_circle() -> None:
    done: set[str] = set()
    while len(done) < len(ALLOWED):
        ready = {part for part, below in ALLOWED.items() if part not in done and below & set(ALLOWED) <= done}
        # parts that are not built yet are below everything that names them
        assert ready, f"circle among {sorted(set(ALLOWED) - done)}"
        done |= ready


def test_imports_point_down() -> None:
    wrong = [
        f"{module.name} line {imported.line}: {why} ({imported.target})"
        for module in modules()
        if module.name not in ("dosetrack", "dosetrack.__main__")  # the root offers names of every part
        for imported in imports_of(module)
        if (why := wrong_arrow(module, imported))
    ]
    assert wrong == []


def test_libraries_stay_in_their_part() -> None:
    wrong = [
        f"{module.name} line {imported.line}: {imported.target} belongs to {sorted(homes)}"
        for module in modules()
        for imported in imports_of(module)
        if (homes := HOME_OF_LIBRARY.get(imported.target.split(".")[0])) and part_of(module.name) not in homes
    ]
    assert wrong == []


@pytest.mark.parametrize(
    ("name", "target", "is_lazy"),
    [
        ("dosetrack.kidney.limits", "dosetrack.radiation", False),
        ("dosetrack.readers.rdsr", "dosetrack.kidney", False),
        ("dosetrack.ledger.append", "dosetrack.radiation", False),
        ("dosetrack.records.report", "dosetrack.workflow", True),
        ("dosetrack.cli.serve", "dashboards.app", False),
        ("dosetrack.cli.read", "dashboards.app", True),
        ("dashboards.pages.room", "dosetrack.ledger", False),
    ],
)
def test_the_check_itself_refuses_an_upward_arrow(name: str, target: str, is_lazy: bool) -> None:
    module = Module(name, Path("x.py"), "", ast.parse(""))
    assert wrong_arrow(module, Import(target, 1, is_lazy)) is not None


def test_nothing_imports_the_root_package() -> None:
    """The root is for users of the library; inside, each module names the part it needs."""
    wrong = [
        f"{module.name} line {imported.line}"
        for module in modules()
        for imported in imports_of(module)
        if imported.target == "dosetrack" and module.name != "dosetrack.__main__"
    ]
    assert wrong == []
