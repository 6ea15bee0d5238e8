"""The version of the software, stored with every decision it makes."""

from __future__ import annotations

from typing import Final

VERSION: Final = "0.1.0"
