"""The demo command: prepare the environment, then `dosetrack demo`.

    python3 sample_data/run_demo.py         then open http://127.0.0.1:8050

Builds an invented department in a ledger of its own, serves the pages and plays a long case as
if it were happening now. Further arguments go to `dosetrack demo`. Ctrl-C ends it.
"""

from __future__ import annotations

import importlib.util
import os
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def main(arguments: list[str]) -> None:
    """Replace this process by the demo, so that signals reach it directly."""
    spec = importlib.util.spec_from_file_location("environment", ROOT / ".ci" / "environment.py")
    environment = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(environment)
    python = environment.prepare(with_tests=False)
    command = [str(python), "-m", "dosetrack", "demo", *arguments]
    os.execve(command[0], command, environment.environment_variables())


if __name__ == "__main__":
    main(sys.argv[1:])
