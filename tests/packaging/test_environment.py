"""The script that prepares the environment: what it finds missing, what it says, when it is quick."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def environment() -> ModuleType:
    """The module `.ci/environment.py`."""
    spec = importlib.util.spec_from_file_location("environment", ROOT / ".ci" / "environment.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_a_missing_part_is_found_by_its_command_or_its_file(environment: ModuleType, tmp_path: Path) -> None:
    there = tmp_path / "there"
    there.touch()
    parts = {"a": "sh", "b": "no-such-command-here", "c": str(there), "d": str(tmp_path / "absent")}
    assert environment.missing_parts(parts) == ["b", "d"]


def test_who_may_not_install_is_told_what_to_install(
    environment: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    monkeypatch.setattr(environment.shutil, "which", lambda name: f"/usr/bin/{name}")
    with pytest.raises(SystemExit) as ended:
        environment.install_system_parts(["dcmtk", "chromium"])
    assert ended.value.code == 1
    assert "sudo apt-get install dcmtk chromium" in capsys.readouterr().err


def test_without_apt_get_the_parts_are_named(
    environment: ModuleType, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(environment.shutil, "which", lambda name: None)
    with pytest.raises(SystemExit):
        environment.install_system_parts(["dcmtk"])
    assert "dcmtk" in capsys.readouterr().err


def test_nothing_missing_installs_nothing(environment: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(environment.subprocess, "run", lambda *a, **k: pytest.fail("ran something"))
    assert environment.install_system_parts([])


def test_an_environment_that_is_current_is_left_alone(
    environment: ModuleType, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(environment, "VENV", tmp_path)
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "python").touch()
    monkeypatch.setattr(environment, "_make_venv", lambda folder: pytest.fail("made it anew"))
    stamp = tmp_path / "dosetrack-stamp"
    stamp.write_text(environment._stamp(with_tests=True), encoding="utf-8")
    environment._refresh_venv(with_tests=True)
    environment._refresh_venv(with_tests=False)
    stamp.write_text(environment._stamp(with_tests=False), encoding="utf-8")
    environment._refresh_venv(with_tests=False)
    with pytest.raises(pytest.fail.Exception):
        environment._refresh_venv(with_tests=True)
    assert not stamp.exists(), "an unfinished environment must not look finished"


def test_every_requirement_is_pinned() -> None:
    pinned = {
        line.split("==")[0].lower().replace("_", "-")
        for line in (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
        if line and not line.startswith("#")
    }
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = project["dependencies"] + project["optional-dependencies"]["test"]
    names = {text.split(">")[0].split("[")[0].strip().lower().replace("_", "-") for text in wanted}
    assert names - pinned == set()


def test_dependencies_have_upper_bounds() -> None:
    """Except data and stubs that follow the calendar."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    open_ended = {text.split(">")[0] for text in project["dependencies"] if "<" not in text}
    assert open_ended <= {"tzdata"}


@pytest.mark.parametrize("script", [".ci/environment.py", "tests/run.py", "sample_data/run_demo.py"])
def test_scripts_need_the_standard_library_only(script: str) -> None:
    """They run before anything is installed, with a bare interpreter."""
    code = f"import runpy; runpy.run_path({str(ROOT / script)!r}, run_name='not main')"
    done = subprocess.run(
        [sys.executable, "-S", "-I", "-c", code],
        capture_output=True,
        text=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
