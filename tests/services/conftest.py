"""The same fresh ledger and clock as the tests of the workflow."""

from tests.workflow.conftest import clock, ledger_url, workflow

__all__ = ["clock", "ledger_url", "workflow"]
