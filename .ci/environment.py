"""Make or refresh the project's own environment: `.venv` in the clone and the system's parts.

Standard library only, so that any Python 3.11 or later can run it. Used by `tests/run.py` and
`sample_data/run_demo.py`; on its own it prepares the environment of the tests:

    python3 .ci/environment.py              prepare everything the tests need
    python3 .ci/environment.py --renew      write .ci/constraints.txt anew, with today's versions
"""

from __future__ import annotations

import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
CONSTRAINTS = ROOT / ".ci" / "constraints.txt"
OLDEST = (3, 11)
NEWER_NAMES = ("python3.13", "python3.12", "python3.11")

# Debian package -> a command or file that shows it is there
TEST_PARTS = {
    "chromium": "chromium",
    "fonts-dejavu-core": "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "fonts-droid-fallback": "/usr/share/fonts/truetype/droid/DroidSansFallbackFull.ttf",
    "poppler-utils": "pdftotext",
    "dcmtk": "dsrdump",
    "dicom3tools": "dciodvfy",
}


def say(text: str) -> None:
    """Tell the person at the terminal; standard output stays free."""
    print(text, file=sys.stderr, flush=True)


def stop(text: str) -> None:
    """End with a sentence that says what to do."""
    say(text)
    raise SystemExit(1)


def environment_variables() -> dict[str, str]:
    """The variables that every child process gets: UTF-8 whatever the locale, no interpreter leaks."""
    variables = dict(os.environ)
    variables["PYTHONUTF8"] = "1"
    variables["PATH"] = os.pathsep.join([str(VENV / "bin"), variables.get("PATH", os.defpath)])
    variables["VIRTUAL_ENV"] = str(VENV)
    for name in ("PYTHONHOME", "PYTHONPATH"):
        variables.pop(name, None)
    return variables


def require_python() -> None:
    """Go on under Python 3.11 or later: this one, else a newer one on the path, else stop."""
    if sys.version_info >= OLDEST:
        return
    for name in NEWER_NAMES:
        found = shutil.which(name)
        if found:
            os.execv(found, [found, *sys.argv])
    stop(
        f"dosetrack needs Python 3.11 or later; this is {sys.version.split()[0]} ({sys.executable}). "
        "On Debian 12: apt-get install python3"
    )


def prepare(*, with_tests: bool) -> Path:
    """Make or refresh `.venv` and return its Python; quick when nothing has changed.

    with_tests : also the tools of the tests, and Debian's chromium, dcmtk, dicom3tools, poppler-utils,
        fonts
    """
    require_python()
    with _OneAtATime():
        if with_tests:
            install_system_parts(missing_parts(TEST_PARTS))
        _refresh_venv(with_tests=with_tests)
    return VENV / "bin" / "python"


class _OneAtATime:
    """Holds a lock on this file, so that two commands do not build one environment together."""

    def __enter__(self) -> None:
        self._handle = Path(__file__).open("rb")
        try:
            import fcntl
        except ImportError:  # not a POSIX system
            return
        try:
            fcntl.flock(self._handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            say("Waiting for another command that is preparing the environment ...")
            fcntl.flock(self._handle, fcntl.LOCK_EX)

    def __exit__(self, *_: object) -> None:
        self._handle.close()


# system parts


def missing_parts(parts: dict[str, str]) -> list[str]:
    """The Debian packages of `parts` whose command or file is not there."""
    return [
        package
        for package, shown_by in parts.items()
        if not (Path(shown_by).exists() if shown_by.startswith("/") else shutil.which(shown_by))
    ]


def install_system_parts(packages: list[str], *, is_required: bool = True) -> bool:
    """Install Debian `packages` with apt-get when root; otherwise say which to install."""
    if not packages:
        return True
    how = "apt-get install " + " ".join(packages)
    if not shutil.which("apt-get"):
        problem = f"Missing: {', '.join(packages)}. Install them with your system's package manager."
    elif os.geteuid() != 0:
        problem = f"Missing: {', '.join(packages)}. Install them, then run this again:\n    sudo {how}"
    elif _apt_install(packages):
        return True
    else:
        problem = f"Could not install {', '.join(packages)}. Try by hand, then run this again:\n    {how}"
    if is_required:
        stop(problem)
    return False


def _apt_install(packages: list[str]) -> bool:
    say(f"Installing Debian packages: {' '.join(packages)} ...")
    variables = {**os.environ, "DEBIAN_FRONTEND": "noninteractive"}
    install = [
        "apt-get", "install", "-y", "-q", "--no-install-recommends",
        "-o", "DPkg::Lock::Timeout=300", *packages,
    ]  # fmt: skip
    # A fresh machine has no package lists, an old one stale lists: refresh and try once more.
    for command in (install, ["apt-get", "update", "-q"], install):
        done = subprocess.run(
            command,
            env=variables,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            check=False,
        )
        if command is install and done.returncode == 0:
            return True
    say(done.stdout.decode(errors="replace")[-3000:])
    return False


# the virtual environment


def _interpreter() -> str:
    """What a virtual environment is bound to: the Python it was made with and where it stands."""
    return f"{sys.version.split()[0]} in {ROOT}"


def _stamp(*, with_tests: bool) -> str:
    """What the environment depends on: the interpreter, what is installed, and from which files."""
    digest = hashlib.sha256()
    for path in (ROOT / "pyproject.toml", CONSTRAINTS):
        digest.update(path.read_bytes())
    return "\n".join([_interpreter(), "tests" if with_tests else "run", digest.hexdigest()])


def _refresh_venv(*, with_tests: bool) -> None:
    stamp_file = VENV / "dosetrack-stamp"
    held = stamp_file.read_text(encoding="utf-8") if stamp_file.exists() else ""
    python = VENV / "bin" / "python"
    # the environment of the tests serves the program too
    if python.exists() and held in (_stamp(with_tests=with_tests), _stamp(with_tests=True)):
        return
    if held and held.split("\n")[0] != _interpreter():
        shutil.rmtree(VENV, ignore_errors=True)
    stamp_file.unlink(missing_ok=True)
    say("Preparing the environment in .venv (about a minute the first time) ...")
    pip = _make_venv(VENV)
    extras = "[test]" if with_tests else ""
    _pip_install(pip, ["--editable", f"{ROOT}{extras}", "--constraint", str(CONSTRAINTS)])
    stamp_file.write_text(_stamp(with_tests=with_tests), encoding="utf-8")


def _make_venv(folder: Path) -> list[str]:
    """Make the virtual environment `folder` if absent; the pip command that installs into it."""
    python = folder / "bin" / "python"
    inside = [str(python), "-m", "pip"]
    if python.exists() and _runs([*inside, "--version"]):
        return inside
    base = getattr(sys, "_base_executable", None) or sys.executable  # not the one being replaced
    if importlib.util.find_spec("ensurepip") is None:  # Debian ships it apart, in python3-venv
        has_pip = _runs([base, "-m", "pip", "--version"])
        install_system_parts(["python3-venv"], is_required=not has_pip)
        importlib.invalidate_caches()
    if importlib.util.find_spec("ensurepip") is not None:
        _run([base, "-m", "venv", "--clear", str(folder)])
        return inside
    _run([base, "-m", "venv", "--clear", "--without-pip", str(folder)])
    return [base, "-m", "pip", "--python", str(python)]


def _pip_install(pip: list[str], arguments: list[str]) -> None:
    """Install into the virtual environment; the registry is the one the machine is configured for."""
    command = [*pip, "install", "--quiet", "--disable-pip-version-check", "--no-input", *arguments]
    done = subprocess.run(
        command,
        env=environment_variables(),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    if done.returncode:
        say(done.stdout.decode(errors="replace")[-5000:])
        stop("The packages could not be installed; the reason stands above. Run the same command again.")


def _runs(command: list[str]) -> bool:
    quiet = subprocess.DEVNULL
    return subprocess.run(command, stdin=quiet, stdout=quiet, stderr=quiet, check=False).returncode == 0


def _run(command: list[str]) -> None:
    done = subprocess.run(command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, check=False)
    if done.returncode:
        stop(f"This did not work: {' '.join(command)}")


def renew_constraints() -> None:
    """Write the constraints anew: the newest versions that pyproject.toml admits, resolved from nothing."""
    with tempfile.TemporaryDirectory() as folder:
        pip = _make_venv(Path(folder) / "venv")
        _pip_install(pip, ["--editable", f"{ROOT}[test]"])
        frozen = subprocess.run(
            [*pip, "freeze", "--exclude-editable"],
            env=environment_variables(),
            stdout=subprocess.PIPE,
            check=True,
        )
    lines = sorted(frozen.stdout.decode().split(), key=str.lower)
    head = "# Exact versions of the environment; written by: python3 .ci/environment.py --renew"
    CONSTRAINTS.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    say(f"{len(lines)} versions written to {CONSTRAINTS.relative_to(ROOT)}")


def main(arguments: list[str]) -> None:
    """Run as a command."""
    require_python()
    if arguments == ["--renew"]:
        renew_constraints()
    elif arguments:
        stop("usage: python3 .ci/environment.py [--renew]")
    else:
        say(f"Ready: {prepare(with_tests=True)}")


if __name__ == "__main__":
    main(sys.argv[1:])
