"""What is said of a machine, in one way for the screen and the command line."""

from __future__ import annotations

from dosetrack.audit.machine_conformance import Conformance
from dosetrack.audit.machine_drift import Baseline, Drift
from dosetrack.audit.machines import Calibration, ClockBound, Machine
from dosetrack.findings import figures
from dosetrack.tables import constants

NOT_TOLD = "not told"
PLANES = {"single": "", "a": "plane A", "b": "plane B", None: "plane not told"}
UNIT_SLIPS = {"10": "dGy·cm² or dGy", "100": "cGy·cm² or cGy", "1000": "mGy", "10000": "Gy·m²"}


def percent(change: float) -> str:
    """'+12 %', with a true minus sign.

    Examples
    --------
    >>> percent(0.1), percent(-0.094), percent(0.001)
    ('+10 %', '−9 %', '0 %')
    """
    whole = round(100 * change)
    return f"{'+' if whole > 0 else '−' if whole < 0 else ''}{abs(whole)} %"


def drift_words(drift: Drift) -> str:
    """One sentence on the meters of a plane."""
    if drift.verdict == "not told" or drift.overall is None:
        return "Meters: not known. DAP, Ka,r, the field or a distance is not told."
    if drift.scale_slip is not None:
        return _slip_words(drift.scale_slip)
    if drift.baseline is None or drift.recent is None or drift.change is None:
        fewest = constants("machines")["fewest_cases"].number
        return f"Meters: cannot tell yet; too few months with {fewest:g} cases ({drift.overall.n} in all)."
    change, since = percent(drift.change), f", since {drift.moved_since}" if drift.moved_since else ""
    compared = f"{_months_words(drift.recent)} against {_months_words(drift.baseline)}"
    if drift.verdict == "moved":
        return (
            f"Meters moved: DAP over Ka,r {change}, {compared}{since}. Which meter, or the collimator, is "
            "not told."
        )
    if drift.verdict == "may have moved":
        return f"Meters may have moved: DAP over Ka,r {change}, {compared}; its interval does not tell yet."
    return f"Meters as before: DAP over Ka,r {change}, {compared}."


def _months_words(found: Baseline) -> str:
    if found.first_month == found.last_month:
        return found.first_month
    return f"{found.first_month} to {found.last_month}"


def _slip_words(slip: str) -> str:
    number = slip.removeprefix("1/")
    which = "DAP is too high or Ka,r too low" if slip == number else "DAP is too low or Ka,r too high"
    unit = UNIT_SLIPS.get(number)
    hint = f", as if {unit} stood in place of the unit told" if unit else ""
    return f"Unit suspect: {which} by about {number} against the stated field{hint}."


def field_words(drift: Drift) -> str:
    """How DAP over Ka,r agrees with the stated field over the window."""
    if drift.overall is None:
        return NOT_TOLD
    found = drift.overall
    span = f" ({figures(found.low)} to {figures(found.high)})" if found.low is not None and found.high else ""
    return f"{figures(found.median)}{span}, {found.n} cases"


def calibration_words(calibration: Calibration) -> str:
    """One sentence on the calibration factors."""
    if calibration.state == "no factor set":
        return "Calibration: not every plane has a factor; displayed values stand as they are."
    verb = "due since" if calibration.state == "due" else "next due"
    newest = calibration.factors[-1]
    return (
        f"Calibration {verb} {calibration.next_due} (factor {newest.factor:g} from {newest.valid_from} on, "
        f"every {calibration.interval_months} months)."
    )


def axes_words(machine: Machine) -> str:
    """One sentence on the table axes."""
    doubts = [axis for axis in machine.axes if axis.doubt]
    if not any(axis.cases for axis in machine.axes):
        return "Table axes: no table position is told."
    said = "verified on this system" if machine.axes_verified else "not verified on this system"
    return f"Table axes: {said}" + (f"; the data speak against {len(doubts)} of 3." if doubts else ".")


def clock_words(clock: ClockBound) -> str:
    """One sentence on the machine's clock."""
    if clock.at_least_ahead_s is None:
        return "Clock: cannot tell; no report came within the hour of its own time."
    seconds = clock.at_least_ahead_s
    if seconds >= constants("machines")["clock_ahead"].number:
        return f"Clock at least {_duration(seconds)} ahead of the receiver's ({clock.reports} reports)."
    if seconds >= 0:
        return f"Clock: not shown to be ahead of the receiver's ({clock.reports} reports)."
    return (
        f"Clock: at most {_duration(-seconds)} behind the receiver's, as far as {clock.reports} reports tell."
    )


def _duration(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def conformance_words(card: Conformance | None) -> str:
    """One sentence on the conformance card."""
    if card is None or not card.checked:
        return "Template: no report of a template that is checked."
    missing, units = len(card.of_kind("missing")), len(card.of_kind("in another unit"))
    parts = [f"{missing} required item{'' if missing == 1 else 's'} missing", f"{units} in another unit"]
    if card.schemes:
        parts.append(f"private schemes {', '.join(card.schemes)}")
    return f"Template (newest {card.checked} reports): {', '.join(parts)}."
