"""What holds for every test: chance from a fixed seed, and system parts that must be there."""

from __future__ import annotations

import shutil

import pytest
from hypothesis import settings

# the same examples in every run, and no time limit on a slow machine
settings.register_profile("fixed", derandomize=True, deadline=None, database=None)
settings.load_profile("fixed")

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
