"""One ledger with the invented cases, gathered once."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from dosetrack.reports.case_paper import CasePaper
from dosetrack.workflow import Workflow
from tests.reports.paper_cases import PRINTED_AT, bare_case, decided_case, opened


@pytest.fixture(scope="session")
def papers_ledger(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Workflow, str, str]]:
    """The workflow, the id of the decided long case, and that of the bare one."""
    workflow = opened(tmp_path_factory.mktemp("papers"))
    yield workflow, decided_case(workflow), bare_case(workflow)
    workflow.ledger.close()


@pytest.fixture(scope="session")
def facts(papers_ledger: tuple[Workflow, str, str]) -> CasePaper:
    """Of the long case."""
    workflow, case_id, _ = papers_ledger
    return workflow.case_document(case_id, printed_at=PRINTED_AT)


@pytest.fixture(scope="session")
def bare(papers_ledger: tuple[Workflow, str, str]) -> CasePaper:
    """Of the case that nobody told anything of."""
    workflow, _, case_id = papers_ledger
    return workflow.case_document(case_id, printed_at=PRINTED_AT)
