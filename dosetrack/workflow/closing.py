"""Calls that close a case: a person compared what was typed with what was reported, and decided."""

from __future__ import annotations

from collections.abc import Mapping

from dosetrack.cases import CaseState, reports_of_others
from dosetrack.errors import InputError, StateError
from dosetrack.reconcile import CHOICES, Difference, settle
from dosetrack.records.entries import CaseClosed
from dosetrack.records.people import Actor
from dosetrack.records.report import DoseReport, Patient
from dosetrack.workflow.projector import account_of
from dosetrack.workflow.reading import Reading
from dosetrack.workflow.results import Recorded
from dosetrack.workflow.settling import Reconciliation, reconciliation_of

Choices = Mapping[tuple[str, str | None], str]
"""(quantity, plane) -> 'typed', 'reported' or 'neither'."""


class Closing(Reading):
    """Closing a case with its reconciliation."""

    def reconciliation(self, case_id: str) -> Reconciliation:
        """What was typed in a case against what was reported."""
        with self.ledger.reading() as reader:
            self._case_entries(reader, case_id)
            case, _ = self.projector.case(reader, case_id)
            return reconciliation_of(case, account_of(case))

    def reports_of_others(self, case_id: str) -> tuple[Patient, tuple[DoseReport, ...]]:
        """The patient of a case, and its reports that were sent for another one."""
        with self.ledger.reading() as reader:
            case, _ = self.projector.case(reader, case_id)
            return case.patient, reports_of_others(case)

    def close_case(
        self,
        case_id: str,
        *,
        actor: Actor,
        note: str | None = None,
        choices: Choices | None = None,
        reason: str | None = None,
    ) -> Recorded:
        """A person reconciled the ended case.

        Parameters
        ----------
        choices : what counts for each difference that does not agree
        reason : why; needed where anything was chosen

        Raises
        ------
        StateError
            The case has not ended, or is closed and nothing came since.
        InputError
            A difference without a choice, a choice for none, or choices without a reason.
        """
        with self.ledger.transaction() as tx:
            self._case_entries(tx, case_id)
            case, _ = self.projector.case(tx, case_id)
            if case.state is not CaseState.ENDED:
                raise StateError(f"the case is {case.state}; this needs a case that is ended")
            found = reconciliation_of(case, account_of(case))
            wanted = {(d.quantity, d.plane): d for d in found.differences if d.needs_decision}
            chosen = {key: choice for key, d in wanted.items() if (choice := found.choice(d))}
            given = dict(choices or {})
            why = (reason or "").strip() or None
            _check(wanted, chosen | given, given, why)
            settled = tuple(settle(d, (chosen | given)[key]) for key, d in wanted.items())
            closed = CaseClosed(note=note, differences=settled)
            return self._append(tx, case_id, closed, actor=actor, reason=why or found.reason)


def _check(
    wanted: Mapping[tuple[str, str | None], Difference],
    chosen: Choices,
    given: Choices,
    reason: str | None,
) -> None:
    for key, choice in given.items():
        if key not in wanted:
            place = " of plane ".join(part for part in key if part)
            raise InputError(field="what counts", given=place, accepted="a difference of this case")
        if choice not in CHOICES:
            raise InputError(field="what counts", given=choice, accepted=", ".join(CHOICES))
    missing = [" of plane ".join(part for part in key if part) for key in wanted if key not in chosen]
    if missing:
        raise InputError(
            field="what counts", given="", accepted=f"{', '.join(CHOICES)} for each of: {', '.join(missing)}"
        )
    if given and reason is None:
        raise InputError(field="reason", given="", accepted="a few words why")
