"""The built wheel holds the tables, the assets and the type marker, and runs without the clone."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy so that the clone stays as it is."""
    folder = tmp_path_factory.mktemp("wheel")
    source = folder / "source"
    source.mkdir()
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, source / name)
    for name in ("dosetrack", "dashboards"):
        shutil.copytree(ROOT / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
    (source / ".ci").mkdir()
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "--quiet",
            "--no-deps",
            "--wheel-dir",
            str(folder),
            str(source),
        ],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    (built,) = folder.glob("*.whl")
    return built


def kept_files(package: str) -> set[str]:
    """Every file of a package in the clone, as the wheel should name it."""
    return {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.suffix != ".pyc"
    }


def test_wheel_holds_every_file_of_both_packages(wheel: Path) -> None:
    held = set(zipfile.ZipFile(wheel).namelist())
    assert (kept_files("dosetrack") | kept_files("dashboards")) - held == set()
    assert {"dosetrack/py.typed", "dosetrack/tables/sources.toml", "dosetrack/tables/settings.csv"} <= held
    assert any(name.startswith("dashboards/assets/") and name.endswith(".css") for name in held)


def test_wheel_holds_nothing_else(wheel: Path) -> None:
    tops = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist()}
    assert {top for top in tops if not top.endswith(".dist-info")} == {"dosetrack", "dashboards"}


def run_from(wheel: Path, place: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """`python` with the unpacked wheel before everything else, far from the clone."""
    if not place.exists():
        zipfile.ZipFile(wheel).extractall(place)
    return subprocess.run(
        [sys.executable, *words],
        cwd=place.parent,
        env={**os.environ, "PYTHONPATH": str(place)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_installed_command_runs_and_finds_its_tables(wheel: Path) -> None:
    place = wheel.parent / "installed"
    where = run_from(wheel, place, "-c", "import dosetrack; print(dosetrack.__file__)")
    assert where.stdout.strip().startswith(str(place))
    shown = run_from(wheel, place, "-m", "dosetrack", "--help")
    assert shown.returncode == 0, shown.stderr
    for command in ("read", "ingest", "kidney", "serve", "demo"):
        assert command in shown.stdout
    kidney = run_from(wheel, place, "-m", "dosetrack", "kidney", "--json", "--creatinine", "1.4 mg/dL")
    assert kidney.returncode == 0, kidney.stderr
    assert '"limits"' in kidney.stdout


def test_the_installed_pages_find_their_assets(wheel: Path) -> None:
    code = (
        "from dosetrack import open_workflow; from dashboards.app import make_app; from pathlib import Path;"
        "app = make_app(open_workflow('sqlite:///pages.sqlite', create=True));"
        "print(sorted(p.suffix for p in Path(app.config.assets_folder).iterdir()))"
    )
    shown = run_from(wheel, wheel.parent / "installed", "-c", code)
    assert shown.returncode == 0, shown.stderr
    assert ".css" in shown.stdout


def test_metadata_names_the_command_and_the_same_version(wheel: Path) -> None:
    from dosetrack.version import VERSION

    archive = zipfile.ZipFile(wheel)
    info = f"dosetrack-{VERSION}.dist-info"
    assert "dosetrack = dosetrack.cli:main" in archive.read(f"{info}/entry_points.txt").decode()
    assert f"\nVersion: {VERSION}\n" in archive.read(f"{info}/METADATA").decode()
