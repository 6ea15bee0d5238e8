"""Every exception of the package.

    DosetrackError
    +-- InputError(ValueError)            a value a person or a file gave cannot be used
    |   +-- UnitError                     a number without a unit, or a unit of another kind
    |   +-- OutOfBoundsError              a number outside what is physically possible
    +-- ReportRefusedError(ValueError)    a file is not a dose report that can be read whole
    +-- TableError(ValueError)            a packaged table is malformed
    +-- LedgerError(RuntimeError)         the ledger cannot do what was asked
    |   +-- LedgerMissingError            (also LookupError) no ledger at this address
    |   +-- ChainBrokenError              the chain of digests does not hold
    +-- UnknownCaseError(LookupError)     no case with this id
    +-- StateError(RuntimeError)          not possible in this state of the case or prompt
    +-- AccessError(PermissionError)      a machine may not do this

Bad data from the world is a `Finding` in a result; an exception means the caller cannot go on.
"""

from __future__ import annotations


class DosetrackError(Exception):
    """Base of every exception raised by dosetrack on purpose."""


class InputError(DosetrackError, ValueError):
    """A value given by a person or a file cannot be used.

    Attributes
    ----------
    field : what was being read, in the user's words
    given : the text as given
    accepted : what would be accepted
    """

    def __init__(self, *, field: str, given: object, accepted: str) -> None:
        self.field = field
        self.given = given
        self.accepted = accepted
        super().__init__(f"{field}: {given!r} cannot be used; accepted: {accepted}")

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild, (type(self), self.field, self.given, self.accepted))


def _rebuild(cls: type[InputError], field: str, given: object, accepted: str) -> InputError:
    return cls(field=field, given=given, accepted=accepted)


class UnitError(InputError):
    """A number came without a unit, or with a unit of another kind."""


class OutOfBoundsError(InputError):
    """A number is outside what is physically possible."""


class ReportRefusedError(DosetrackError, ValueError):
    """A file is not a dose report that can be read whole.

    Attributes
    ----------
    file : name of the file
    reason : one sentence: what was found, where, what would be accepted
    """

    def __init__(self, *, file: str, reason: str) -> None:
        self.file = file
        self.reason = reason
        super().__init__(f"{file}: {reason}")

    def __reduce__(self) -> tuple[object, ...]:
        return (_rebuild_refused, (self.file, self.reason))


def _rebuild_refused(file: str, reason: str) -> ReportRefusedError:
    return ReportRefusedError(file=file, reason=reason)


class TableError(DosetrackError, ValueError):
    """A packaged table is malformed."""


class LedgerError(DosetrackError, RuntimeError):
    """The ledger cannot do what was asked."""


class LedgerMissingError(LedgerError, LookupError):
    """There is no ledger at this address."""


class ChainBrokenError(LedgerError):
    """The chain of digests over the entries does not hold."""


class UnknownCaseError(DosetrackError, LookupError):
    """There is no case with this id."""


class StateError(DosetrackError, RuntimeError):
    """The step is not possible in the present state of the case or prompt."""


class AccessError(DosetrackError, PermissionError):
    """A machine may not do this with the access it was granted."""
