"""A workflow on a fresh ledger with a clock that the test sets."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dosetrack.workflow import Workflow, open_workflow
from tests.workflow.invented import Clock


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def ledger_url(tmp_path: Path) -> str:
    return f"sqlite:///{tmp_path / 'ledger.sqlite'}"


@pytest.fixture
def workflow(ledger_url: str, clock: Clock) -> Iterator[Workflow]:
    opened = open_workflow(ledger_url, create=True, clock=clock)
    yield opened
    opened.ledger.close()
