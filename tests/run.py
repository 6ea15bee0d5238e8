"""The test command: prepare the environment, check the style, run every test.

    python3 tests/run.py                    everything
    python3 tests/run.py -k kidney          the same checks, then the tests pytest selects

Further arguments go to pytest. The last line is pytest's own closing line; the exit code is 0
only when every check and every test passed.
"""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

CHECKS = (
    ("ruff", "format", "--check", "--quiet", "--output-format", "concise", "."),
    ("ruff", "check", "--quiet", "--output-format", "concise", "."),
    ("mypy", "--no-error-summary"),
    ("codespell",),
)


def _environment():  # type: ignore[no-untyped-def]
    """The module `.ci/environment.py`, which lies outside every package."""
    spec = importlib.util.spec_from_file_location("environment", ROOT / ".ci" / "environment.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def main(arguments: list[str]) -> int:
    """Run the checks and the tests; the exit code of the first that failed."""
    environment = _environment()
    python = environment.prepare(with_tests=True)
    variables = environment.environment_variables()
    failed = []
    for check in CHECKS:
        print(f"== {' '.join(check)}", flush=True)
        command = [str(python.parent / check[0]), *check[1:]]
        done = subprocess.run(command, cwd=ROOT, env=variables, stdin=subprocess.DEVNULL, check=False)
        if done.returncode:
            failed.append((" ".join(check), done.returncode))
    print("== pytest", flush=True)
    if failed:
        print("These checks failed, see above: " + "; ".join(name for name, _ in failed), flush=True)
    command = [str(python), "-m", "pytest", "-q", "-n", "2", *arguments]
    done = subprocess.run(command, cwd=ROOT, env=variables, stdin=subprocess.DEVNULL, check=False)
    return done.returncode or next((code for _, code in failed), 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
