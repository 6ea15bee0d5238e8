"""What holds for every test: chance from a fixed seed, and system parts that must be there."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import pytest
from hypothesis import settings

# the same examples in every run, and no time limit on a slow machine
settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.load_profile("fixed")

# pynetdicom installs programs named like DCMTK's; DCMTK's are the other program's word that is wanted
_OWN = str(Path(sys.prefix) / "bin")
_OTHERS = [part for part in os.environ.get("PATH", os.defpath).split(os.pathsep) if part != _OWN]
os.environ["PATH"] = os.pathsep.join([*_OTHERS, _OWN])

# mark -> (command, Debian package); `python3 tests/run.py` installs them
SYSTEM_PARTS = {
    "browser": (("chromium", "chromium"),),
    "paper": (("pdftotext", "poppler-utils"), ("pdftoppm", "poppler-utils")),
    "dicom_tools": (("dsrdump", "dcmtk"), ("dciodvfy", "dicom3tools")),
}


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Fail, and never skip, when a part of the system that a test drives is missing."""
    for mark, parts in SYSTEM_PARTS.items():
        if item.get_closest_marker(mark):
            missing = [package for command, package in parts if not shutil.which(command)]
            if missing:
                pytest.fail(
                    f"missing: {' '.join(missing)}; install with: apt-get install {' '.join(missing)}",
                    pytrace=False,
                )
