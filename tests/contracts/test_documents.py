"""README.md names every command, setting, finding code and JSON key; its tables are current."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from types import ModuleType

import click
import pytest
from typer.main import get_command

from dosetrack.cli import COMMANDS, build_app
from dosetrack.findings import FindingCode, FindingKind, finding_kinds
from dosetrack.settings import definitions

sys.path.insert(0, str(Path(__file__).parent))
from document_keys import ALL_KEYS

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def readme_tables() -> ModuleType:
    """The script that writes the tables of README.md."""
    spec = importlib.util.spec_from_file_location("readme_tables", ROOT / ".ci" / "readme_tables.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_command_has_its_heading_and_an_example() -> None:
    headings = "\n".join(line for line in README.splitlines() if line.startswith("### "))
    for command in COMMANDS:
        assert f"`dosetrack {command}`" in headings, command
        assert re.search(rf"^    dosetrack {command}\b", README, re.M), command


def options_of(command: click.Command) -> set[str]:
    """Every long option of a command and of the commands inside it."""
    found = {
        name
        for parameter in command.params
        if parameter.param_type_name == "option"
        for name in (*parameter.opts, *parameter.secondary_opts)
        if name.startswith("--")
    }
    for inner in getattr(command, "commands", {}).values():
        found |= options_of(inner)
    return found


def test_every_option_is_documented() -> None:
    options = options_of(get_command(build_app()))
    assert len(options) > 15
    assert [name for name in sorted(options) if not re.search(rf"{name}\b", README)] == []


def test_every_setting_is_documented() -> None:
    assert [key for key in definitions() if f"`{key}`" not in README] == []


def test_every_finding_code_is_documented() -> None:
    assert [kind.code for kind in finding_kinds().values() if f"`{kind.code}`" not in README] == []


def test_finding_codes_are_kebab_case_and_unique() -> None:
    codes = [kind.code for kind in finding_kinds().values()]
    areas = FindingCode.__mro__
    assert len(codes) == len(set(codes))
    assert len(codes) == sum(isinstance(v, FindingKind) for area in areas for v in vars(area).values())
    assert [code for code in codes if not re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code)] == []


def test_every_key_of_the_documents_is_named() -> None:
    assert [
        key for key in sorted(ALL_KEYS) if not re.search(rf'[`"]{re.escape(key)}(\[\])?[`"]', README)
    ] == []


@pytest.mark.parametrize("code", ["0", "1", "2", "3"])
def test_every_exit_code_is_explained(code: str) -> None:
    assert re.search(rf"^\| {code} \|", README, re.M)


def test_the_two_commands_stand_in_the_document_and_exist() -> None:
    for script in ("sample_data/run_demo.py", "tests/run.py"):
        assert f"python3 {script}" in README
        assert (ROOT / script).exists()


def test_the_generated_tables_are_current() -> None:
    """When this fails: .venv/bin/python .ci/readme_tables.py --write"""
    assert readme_tables().with_current_tables(README) == README


def test_links_inside_the_documents_lead_somewhere() -> None:
    for name, text in (("README.md", README), ("DEVELOPERS.md", DEVELOPERS)):
        anchors = {
            re.sub(r"[^a-z0-9 -]", "", line.lstrip("#").strip().lower()).replace(" ", "-")
            for line in text.splitlines()
            if line.startswith("#")
        }
        for target in re.findall(r"\]\(([^)]+)\)", text):
            if target.startswith("#"):
                assert target[1:] in anchors, f"{name}: {target}"
            elif "://" not in target:
                assert (ROOT / target).exists(), f"{name}: {target}"


def test_files_named_in_the_documents_exist() -> None:
    pattern = r"`((?:dosetrack|dashboards|tests|sample_data|\.ci)/[A-Za-z0-9_./-]*)`"
    for name, text in (("README.md", README), ("DEVELOPERS.md", DEVELOPERS)):
        missing = [path for path in re.findall(pattern, text) if not (ROOT / path).exists()]
        assert missing == [], name


def test_the_job_stands_at_the_very_top_and_cautions_before_the_first_command() -> None:
    start = README.index("python3 sample_data/run_demo.py")
    assert README.index("not a\nmedical device") < start
    assert "radiation" in README[:400]
