"""The top level holds what README.md names and nothing else; code is in its place."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from sources_of_truth import ROOT

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "dosetrack",
    "dashboards",
    "tests",
    "sample_data",
}


def tracked_files() -> list[str]:
    """Files under version control; every file when this copy has no history."""
    if not (ROOT / ".git").exists():
        pytest.skip("this copy has no version history")
    done = subprocess.run(
        ["git", "-c", "safe.directory=*", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=False
    )
    if done.returncode:
        pytest.fail(f"git cannot list this folder: {done.stderr.decode()}", pytrace=False)
    return [name for name in done.stdout.decode().split("\0") if name]


def test_top_level_holds_nothing_else() -> None:
    top = {name.split("/")[0] for name in tracked_files()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


def test_the_working_copy_gets_no_other_folder() -> None:
    """Neither an installation nor the tests may leave anything visible beside these."""
    seen = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert seen - TOP_LEVEL == set()


def test_no_file_is_large() -> None:
    large = [
        name for name in tracked_files() if (ROOT / name).exists() and (ROOT / name).stat().st_size > 2**20
    ]
    assert large == []


def test_the_machine_written_files_are_not_kept() -> None:
    unwanted = (".pyc", ".sqlite", ".sqlite-wal", ".part", ".log")
    assert [name for name in tracked_files() if name.endswith(unwanted)] == []


def test_no_file_names_a_folder_of_someone_s_machine() -> None:
    pattern = re.compile(r"(?<![\w.:/])/(work|home|root|Users)/\w+")
    texts = {".py", ".md", ".toml", ".csv", ".css", ".js", ".json", ".yaml", ".txt", ""}
    found = [
        f"{name}: {match.group()}"
        for name in tracked_files()
        if (ROOT / name).is_file() and Path(name).suffix in texts
        for match in pattern.finditer((ROOT / name).read_text(encoding="utf-8"))
    ]
    assert found == []
